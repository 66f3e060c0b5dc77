"""Best estimates over fields by hand: several drives on one field, shared errors, and what the page says of them."""

from __future__ import annotations

import json
import math

import pytest
from kit_study import fields, ledger, write
from scipy import stats

from swathledger.study.collected import StudySettings
from swathledger.study.estimates import study_estimates
from swathledger.study.run import run_study

SETTINGS = StudySettings(resamples=499)
Z = 1.6448536269514722


def line(quantity, best, read=None, **by_source):
    reach = Z * math.hypot(*by_source.values())
    return {"quantity": quantity, "read": best if read is None else read, "best": best, "low": best - reach,
            "high": best + reach, "level": 0.9, "dominant": None, "by_source": by_source, "moves": {}}  # fmt: skip


def with_best(name, *lines, **more):
    return ledger(name, **more) | {"estimate": list(lines)}


def only(*documents):
    (found,) = study_estimates(fields(*documents), SETTINGS)
    return found


def test_three_fields_of_one_machine_by_hand():
    # best 1, 2, 3 %: mean 2, sd 1, t(0.95; 2) = 2.920 over sqrt(3); the antenna's 0.3 in all three, own errors seen
    found = only(*(with_best(n, line("over_application_pct", b, antenna=0.3, cells=0.1), machine="m")
                   for n, b in (("a", 1.0), ("b", 2.0), ("c", 3.0))))  # fmt: skip
    reach = math.hypot(float(stats.t.ppf(0.95, 2)) / math.sqrt(3), Z * 0.3)
    assert (found.best, found.fields, found.holds) == (2.0, 3, "fields_and_errors")
    assert (found.low, found.high) == (pytest.approx(max(2 - reach, 0.0)), pytest.approx(2 + reach))
    assert (found.shared_sd, found.own_sd) == (pytest.approx(0.3), pytest.approx(0.1 / math.sqrt(3)))
    assert found.dominant == "antenna"


def test_large_fields_count_no_more_than_small_ones_and_skip_is_not_below_nothing():
    found = only(*(with_best(n, line("skip_pct", b, cells=0.01), target_m2=m2)
                   for n, b, m2 in (("a", 0.0, 1e4), ("b", 0.1, 9e4), ("c", 0.2, 1e4))))  # fmt: skip
    assert found.best == pytest.approx(0.1)
    assert found.low == 0.0


def test_drives_on_one_field_are_one_answer():
    # 1 and 3 ha driven on field a: (1 x 1 + 3 x 2) / 4 = 1.75; read (1 x 2 + 3 x 2.5) / 4 = 2.375; b: 2 and 3
    # the antenna's 0.1 is in both drives of a; their own (no more than a fifth of what was taken off is alike) even out
    a = [with_best("a", line("over_application_pct", b, r, antenna=0.1, cells=0.4), target_m2=m2)
         for b, r, m2 in ((1.0, 2.0, 1e4), (2.0, 2.5, 3e4))]  # fmt: skip
    found = only(*a, with_best("b", line("over_application_pct", 2.0, 3.0, antenna=0.1, cells=0.4)))
    assert (found.fields, found.holds) == (2, "errors")
    assert found.best == pytest.approx((1.75 + 2.0) / 2)
    assert found.read == pytest.approx((2.375 + 3.0) / 2)
    own = math.sqrt((0.4 / 4) ** 2 + (3 * 0.4 / 4) ** 2 + 0.4**2) / 2
    assert found.by_source == {"antenna": pytest.approx(0.1), "cells": pytest.approx(own)}
    assert found.high - found.best == pytest.approx(Z * math.hypot(0.1, own))


def test_savings_weigh_drives_by_what_was_laid():
    # 10,300 m2 laid in `ledger`'s drive at 1 L per 100 m2; the other drive of the field laid three times that
    one = with_best("a", line("saved_pct:4", 1.0, errors=0.1))
    three = with_best("a", line("saved_pct:4", 3.0, errors=0.1))
    three["model"]["as_logged"]["volume_l"] = 3 * one["model"]["as_logged"]["volume_l"]
    assert only(one, three).best == pytest.approx((1.0 + 3 * 3.0) / 4)


def test_fields_without_an_estimate_are_left_out_and_told(tmp_path):
    for k in range(4):
        document = with_best(f"f{k}", line("over_application_pct", 1.0 + k, 2.0 + k, switching=0.2))
        if k == 3:
            document["estimate"] = None
        write(tmp_path / "season", f"f{k}", document)
    found = run_study([tmp_path / "season"], tmp_path / "out", SETTINGS)
    (row,) = found.estimates
    assert (row.fields, row.best, row.read, found.jobs_without_estimates) == (3, 2.0, 3.0, 1)
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert "1 of 4 drives have no best estimates" in page
    assert "over-applied as logged" in page  # the lead is of all fields
    assert json.loads((tmp_path / "out" / "study.json").read_bytes())["estimates"][0]["holds"] == "fields_and_errors"


def test_the_page_leads_with_the_best_estimate_and_says_what_its_interval_is(tmp_path):
    for k in range(4):
        document = with_best(f"f{k}", line("over_application_pct", 1.0 + k, 2.0 + k, switching=0.2),
                             line("saved_pct:4", 4.0, errors=0.2, model=0.1))  # fmt: skip
        write(tmp_path / "season", f"f{k}", document)
    run_study([tmp_path / "season"], tmp_path / "out", SETTINGS)
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert (
        "On 4 fields about 2.50 % of the target was over-applied (90 % interval over fields and the errors of" in page
    )
    assert "as read from the logs 3.50 %." in page
    assert "90 % intervals over fields like these and the errors of their drives." in page
    assert "have no best estimates" not in page
    assert "resolution alone, of the product laid" in page
