"""Intervals of a season by hand: shared errors add up, others even out, skewed ones stay skewed."""

from __future__ import annotations

import math

import pytest
from ledgerkit import ledger, product, volume
from msgspec.structs import replace

from swathledger.money.ledgers import JobLedger
from swathledger.season.tables.estimate import season_estimates, season_money

Z = 1.6448536269514722  # 90 % two-sided normal


def job(name, target_m2, *lines, machine="m", client="", applied_l=1000.0):
    document = ledger(
        area={"target_m2": target_m2},
        volume=volume(applied_l=applied_l),
        provenance={"machine": machine},
        estimate=[dict(line, level=0.9, dominant=None, read=line.get("read", line["best"])) for line in lines],
    )
    return JobLedger(name, client, document)


def line(quantity, best, reach_down, reach_up=None, **by_source):
    up = reach_down if reach_up is None else reach_up
    return {"quantity": quantity, "best": best, "low": best - reach_down, "high": best + up, "by_source": by_source}


def over(best, down, up=None, **by_source):
    return line("over_application_pct", best, down, up, **by_source)


def only(jobs):
    (found,) = season_estimates(jobs)
    return found


def test_one_job_is_itself():
    found = only([job("a", 5e4, over(2.0, 0.3, 0.5, receiver=0.2, antenna=0.1))])
    assert (found.best, found.jobs) == (2.0, 1)
    assert found.low == pytest.approx(1.7)
    assert found.high == pytest.approx(2.5)
    assert found.dominant == "receiver"


def test_own_errors_even_out_and_shared_ones_add_up():
    # two fields of 1 and 3 ha: best = (1 x 1 + 3 x 3) / 4 = 2.5
    receiver, antenna = 0.4, 0.3
    reach = Z * math.hypot(receiver, antenna)
    own = [
        job(name, area, over(best, reach, receiver=receiver, antenna=antenna), machine=name)
        for name, area, best in (("a", 1e4, 1.0), ("b", 3e4, 3.0))
    ]
    found = only(own)
    assert found.best == pytest.approx(2.5)
    # two machines: every source in quadrature, sqrt((1/4)^2 + (3/4)^2) = sqrt(10) / 4 of each
    assert found.high - found.best == pytest.approx(reach * math.sqrt(10) / 4)
    one = only(
        [job(j.name, j.ledger.area.target_m2, over(1.0, reach, receiver=receiver, antenna=antenna)) for j in own]
    )
    # one machine: the antenna's 0.3 stays whole, the receiver's falls
    assert one.high - one.best == pytest.approx(Z * math.hypot(receiver * math.sqrt(10) / 4, antenna))
    assert one.by_source == pytest.approx({"receiver": receiver * math.sqrt(10) / 4, "antenna": antenna})


def test_boundaries_are_shared_within_a_client():
    def season(*clients):
        return only([job(str(k), 1e4, over(1.0, Z * 0.2, boundary=0.2), client=c) for k, c in enumerate(clients)])

    assert season("x", "x", "x", "x").by_source["boundary"] == pytest.approx(0.2)
    assert season("x", "y", "z", "w").by_source["boundary"] == pytest.approx(0.1)  # 0.2 / sqrt(4)


def test_two_fields_of_one_machine_by_hand():
    # 1 and 3 ha of one machine and client; read 2.5 and 2.0, best 2.0 and 1.8: 0.2 x 0.5 = 0.10 and 0.2 x 0.2 = 0.04
    # of switching are one miss for both, the rest of 0.26 and 0.05 is their own: 0.24 and 0.03.
    a = over(2.0, Z * 0.28, switching=0.26, antenna=0.1, cells=0.02) | {"read": 2.5}
    b = over(1.8, Z * 0.28, switching=0.05, antenna=0.06, cells=0.01) | {"read": 2.0}
    a["low"], a["high"] = (2.0 + sign * Z * math.sqrt(0.26**2 + 0.1**2 + 0.02**2) for sign in (-1, 1))
    b["low"], b["high"] = (1.8 + sign * Z * math.sqrt(0.05**2 + 0.06**2 + 0.01**2) for sign in (-1, 1))
    found = only([job("a", 1e4, a), job("b", 3e4, b)])
    assert found.best == pytest.approx((2.0 + 3 * 1.8) / 4)
    alike = (0.10 + 3 * 0.04) / 4  # 0.055
    antenna = (0.1 + 3 * 0.06) / 4  # 0.07
    own = math.sqrt((0.24 / 4) ** 2 + (3 * 0.03 / 4) ** 2)
    cells = math.sqrt((0.02 / 4) ** 2 + (3 * 0.01 / 4) ** 2)
    assert found.by_source == pytest.approx({"switching": math.hypot(alike, own), "antenna": antenna, "cells": cells})
    reach = Z * math.sqrt(alike**2 + antenna**2 + own**2 + cells**2)
    assert (found.low, found.high) == (pytest.approx(found.best - reach), pytest.approx(found.best + reach))
    # of two machines nothing is alike: all in quadrature
    apart = only([job("a", 1e4, a, machine="m"), job("b", 3e4, b, machine="n")])
    assert apart.by_source["switching"] == pytest.approx(math.hypot(0.26 / 4, 3 * 0.05 / 4))
    assert apart.by_source["antenna"] == pytest.approx(math.hypot(0.1 / 4, 3 * 0.06 / 4))


def test_savings_share_what_their_drives_share_and_the_model():
    # of the over-application's variance 0.03^2 + 0.04^2 of 0.1^2 is the machine's and the client's: a quarter
    drive = over(1.0, Z * 0.1, antenna=0.03, boundary=0.04, switching=math.sqrt(0.0075))
    saving = line("saved_pct:nozzle", 4.0, Z * 0.5, errors=0.4, model=0.3)
    found = {e.quantity: e for e in season_estimates([job(str(k), 1e4, drive, saving) for k in range(4)])}
    errors = found["saved_pct:nozzle"].by_source["errors"]
    assert errors == pytest.approx(0.4 * math.sqrt(0.25 + 0.75 / 4))
    assert found["saved_pct:nozzle"].by_source["model"] == pytest.approx(0.3)


def test_money_follows_the_best_litres_by_hand():
    # read 20 and 40 L worth 10 and 40 ABC: 0.5 and 1 a litre; best 10 and 30 L: 5 + 30 = 35, not the 50 that were read.
    # Cells' 2 L each are 1 and 2 of money in quadrature, the antenna's 1 L each 0.5 + 1.
    def priced(name, read, best, money):
        about = line("over_applied_l", best, Z * math.sqrt(5), cells=2.0, antenna=1.0) | {"read": read}
        made = job(name, 1e4, about)
        over = {"amount": None, "money": money, "active_g": None}
        table = product(currency="ABC", over_applied=over)
        document = ledger(area={"target_m2": 1e4}, volume=volume(applied_l=1000.0), product=table)
        return JobLedger(name, "", replace(made.ledger, product=document.product))

    jobs = [priced("a", 20.0, 10.0, 10.0), priced("b", 40.0, 30.0, 40.0)]
    found = season_money(jobs)["ABC"]
    assert (found.best, found.read) == (pytest.approx(35.0), pytest.approx(50.0))
    reach = Z * math.sqrt(1**2 + 2**2 + 1.5**2)
    assert (found.low, found.high) == (pytest.approx(35 - reach), pytest.approx(35 + reach))
    # one priced job without an estimate: the sum is not known
    bare = JobLedger("c", "", replace(jobs[0].ledger, estimate=None))
    assert season_money([*jobs, bare]) == {}


def test_litres_add_and_skew_is_kept():
    jobs = [job(str(k), 1e4, line("over_applied_l", 10.0, 2.0, 4.0, switching=1.5)) for k in range(4)]
    found = only(jobs)
    assert found.best == pytest.approx(40.0)
    # each job reaches 2 down and 4 up; four independent ones twice that
    assert (found.low, found.high) == (pytest.approx(36.0), pytest.approx(48.0))


def test_saving_weighs_by_product():
    jobs = [
        job("a", 1e4, line("saved_pct:nozzle", 4.0, 1.0, switching=0.6), applied_l=3000.0),
        job("b", 9e4, line("saved_pct:nozzle", 0.0, 1.0, switching=0.6), applied_l=1000.0),
    ]
    assert only(jobs).best == pytest.approx(3.0)  # not 0.4, which the ground would give


def test_jobs_without_an_estimate_are_not_counted_in():
    jobs = [job("a", 1e4, over(1.0, 0.1, cells=0.06)), job("b", 1e4)]
    found = only(jobs)
    assert (found.jobs, found.best) == (1, 1.0)
    assert season_estimates([job("b", 1e4)]) == ()


def test_never_below_nothing():
    jobs = [job(str(k), 1e4, over(0.1, 0.1, 0.9, antenna=0.3)) for k in range(3)]
    assert only(jobs).low == pytest.approx(0.0, abs=1e-12)
