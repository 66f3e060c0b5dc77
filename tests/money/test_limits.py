"""Where a rule of money turns: on the very limit, one beside it, and where a part is not known."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import ledgerkit as kit
import numpy as np
import pytest

from swathledger.errors import InputError
from swathledger.machine.plumbing import Plumbing, PlumbingLine
from swathledger.machine.products import Product
from swathledger.money.budget import RetrofitCase, break_even_area_units, partial_budget, payback
from swathledger.money.interval import bootstrap_by_field
from swathledger.money.ledgers import JobLedger, distinct_primes, find_ledgers, read_ledgers
from swathledger.money.payback import (
    annuity_present_value,
    break_even_units,
    capital_recovery,
    discounted_payback_years,
    internal_rate_of_return,
    net_present_value,
    simple_payback_years,
)
from swathledger.money.product import TankMix
from swathledger.money.retrofit import RetrofitTerms, retrofit
from swathledger.money.sensitivity import around, tornado
from swathledger.money.statement import payback_document
from swathledger.money.totals import season_balance, season_products, season_standing

BORE_M = (4.0 / math.pi / 1000.0) ** 0.5  # a line of this bore holds a litre a metre
CASE = RetrofitCase(
    price=1000.0, life_years=5, interest=0.1, area_a_year_m2=100.0, product_cost_per_m2=2.0, saved_share=0.5,
    currency="ABC",
)  # fmt: skip


# --- an investment ----------------------------------------------------------------------------------------------------
def test_rates_of_return_are_told_from_minus_99_to_a_million_percent() -> None:
    # 1 in a year at the rate i is worth 1 / (1 + i) today: at that price the rate is i
    for rate in (-0.99, -0.5, 0.0, 0.1, 9_999.0, 1e4):
        price = net_present_value(0.0, 1.0, rate, 1.0)
        assert price == pytest.approx(1.0 / (1.0 + rate))
        assert internal_rate_of_return(price, 1.0, 1.0) == pytest.approx(rate, rel=1e-9, abs=1e-9), rate
    assert internal_rate_of_return(1.0 / 0.009, 1.0, 1.0) is None  # -99.1 %
    assert internal_rate_of_return(0.01 / 0.009, 0.01, 1.0) is None
    assert internal_rate_of_return(1.0 / 10_001.5, 1.0, 1.0) is None
    assert internal_rate_of_return(0.0, 1.0, 1.0) is None
    assert internal_rate_of_return(1.0, 0.0, 1.0) is None
    # half a unit a year on a price of half a unit, and the same with what it is sold for: 0.5 now, 0.55 in a year
    assert internal_rate_of_return(0.5, 0.5, 1.0) == pytest.approx(0.0, abs=1e-9)
    assert internal_rate_of_return(0.5, 0.25, 1.0, 0.3) == pytest.approx(0.1)


def test_small_prices_and_savings_pay_back_as_large_ones_do() -> None:
    assert simple_payback_years(0.5, 0.25) == 2.0
    assert simple_payback_years(-1.0, 0.0) == 0.0
    assert discounted_payback_years(0.5, 0.25, 0.0) == 2.0
    # 0.25 a year at 10 %: 1 - 0.5 x 0.1 / 0.25 = 0.8 = 1.1^-n
    assert discounted_payback_years(0.5, 0.25, 0.1) == pytest.approx(math.log(1.25) / math.log(1.1))
    assert discounted_payback_years(0.0, 0.0, 0.1) == 0.0
    assert discounted_payback_years(10.0, 1.0, 0.1) is None  # just the interest
    assert discounted_payback_years(0.5, 0.0, 0.1) is None
    assert break_even_units(0.5, 0.25) == 2
    assert break_even_units(0.0, -1.0) == 0
    assert break_even_units(0.1, 10.0) == 1
    # a hundred-millionth of a unit above a whole is the next one, a hundred-thousand-millionth is rounding
    assert break_even_units(3.0 + 1e-7, 1.0) == 4
    assert break_even_units(3.0 + 1e-10, 1.0) == 3
    assert break_even_units(1e-10, 1.0) == 0
    assert break_even_units(1e-8, 1.0) == 1


def test_interest_and_life_have_limits() -> None:
    assert annuity_present_value(-0.5, 1.0) == pytest.approx(2.0)
    assert annuity_present_value(0.0, 0.5) == 0.5
    assert annuity_present_value(1e-13, 7.0) == 7.0
    assert annuity_present_value(1e-12, 7.0) < 7.0  # no longer taken as 0: 7 - 28e-12
    assert discounted_payback_years(7.0, 1.0, 1e-13) == 7.0
    assert (discounted_payback_years(7.0, 1.0, 1e-12) or 0.0) > 7.0
    assert annuity_present_value(2.0, 1.0) == pytest.approx(1 / 3)
    for interest, years in ((-1.0, 1.0), (math.inf, 1.0), (0.1, 0.0), (0.1, math.inf)):
        with pytest.raises(InputError):
            annuity_present_value(interest, years)
    # (10 - 4) x 1.1 / 1 + 4 x 0.1
    assert capital_recovery(10.0, 4.0, 0.1, 1.0) == pytest.approx(6.6 + 0.4)


# --- a case -----------------------------------------------------------------------------------------------------------
def test_a_case_on_its_limits_can_be_built_and_one_beyond_cannot() -> None:
    for good in (
        {"price": 0.0}, {"area_a_year_m2": 0.0}, {"product_cost_per_m2": 0.0}, {"interest": 0.0}, {"interest": 0.99},
        {"life_years": 0.5}, {"saved_share": 1.0}, {"saved_share": -2.0}, {"salvage": 1000.0}, {"salvage": 0.5},
        {"spray_cost_per_l": 0.0}, {"spray_cost_per_l": 0.0, "prime_saved_l_a_year": 1.0},
        {"maintenance_a_year": 0.0}, {"other_saving_a_year": -5.0},
    ):  # fmt: skip
        replace(CASE, **good)  # type: ignore[arg-type]
    for bad in (
        {"price": -0.5}, {"price": math.inf}, {"interest": 1.0}, {"life_years": 0.0}, {"life_years": math.inf},
        {"saved_share": 1.01}, {"saved_share": -math.inf}, {"salvage": 1000.5}, {"spray_cost_per_l": -0.5},
        {"spray_cost_per_l": math.inf}, {"prime_saved_l_a_year": 0.5}, {"rinse_saved_l_a_year": 0.5},
        {"maintenance_a_year": -0.5}, {"other_saving_a_year": math.nan},
    ):  # fmt: skip
        with pytest.raises(InputError):
            replace(CASE, **bad)  # type: ignore[arg-type]


def test_spray_that_costs_nothing_saves_nothing() -> None:
    free = replace(CASE, prime_saved_l_a_year=10.0, rinse_saved_l_a_year=20.0, spray_cost_per_l=0.0)
    assert (free.prime_saving_a_year, free.rinse_saving_a_year, free.net_cash_a_year) == (0.0, 0.0, 100.0)
    assert [line.label for line in partial_budget(free).lines if "poured" in line.label] == []  # no line of nothing
    paid = replace(free, spray_cost_per_l=0.5)
    assert (paid.prime_saving_a_year, paid.rinse_saving_a_year, paid.net_cash_a_year) == (5.0, 10.0, 115.0)


def test_every_line_of_a_budget_by_hand() -> None:
    case = replace(
        CASE, prime_saved_l_a_year=10.0, rinse_saved_l_a_year=20.0, spray_cost_per_l=0.5, salvage=100.0,
        maintenance_a_year=7.0, other_saving_a_year=-3.0,
    )  # fmt: skip
    factor = 0.1 / (1 - 1.1**-5)
    lines = {line.label: (line.part, line.amount) for line in partial_budget(case).lines}
    assert lines == {
        "product no longer over-applied": ("reduced costs", pytest.approx(100.0)),
        "product no longer poured out by priming": ("reduced costs", pytest.approx(5.0)),
        "product no longer poured out by rinsing": ("reduced costs", pytest.approx(10.0)),
        "other cost": ("added costs", 3.0),
        "depreciation and interest": ("added costs", pytest.approx(900.0 * factor)),
        "interest on the salvage value": ("added costs", pytest.approx(10.0)),
        "maintenance": ("added costs", 7.0),
    }
    assert partial_budget(case).net == pytest.approx(100.0 + 5.0 + 10.0 - 3.0 - 900.0 * factor - 10.0 - 7.0)
    assert partial_budget(case).net == pytest.approx(payback(case).net_a_year)
    gain = partial_budget(replace(CASE, other_saving_a_year=0.5))
    assert [(line.part, line.label, line.amount) for line in gain.lines][1] == ("reduced costs", "other saving", 0.5)
    loss = partial_budget(replace(CASE, other_saving_a_year=-0.5))
    assert [(line.part, line.label, line.amount) for line in loss.lines][1] == ("added costs", "other cost", 0.5)
    assert [line.label for line in partial_budget(CASE).lines] == [
        "product no longer over-applied", "depreciation and interest",
    ]  # fmt: skip
    assert partial_budget(CASE).lines[1].factors[0].what == "price"
    assert "(10 %, 5 years)" in partial_budget(CASE).lines[1].factors[1].what


def test_break_even_where_nothing_is_needed_and_where_nothing_helps() -> None:
    # capital 1000 x 0.263797 = 263.80 a year; a m2 brings 2 x 0.5 = 1
    needed = 1000.0 * 0.1 / (1 - 1.1**-5)
    assert payback(CASE).break_even_area_m2 == pytest.approx(needed)
    assert payback(CASE).break_even_product_cost_per_m2 == pytest.approx(needed / 50.0)
    assert break_even_area_units(replace(CASE, product_cost_per_m2=2.0 / 1e4)) == 264
    pays = payback(replace(CASE, other_saving_a_year=needed + 1.0))
    assert (pays.break_even_area_m2, pays.break_even_product_cost_per_m2) == (0.0, 0.0)
    rest = payback(replace(CASE, other_saving_a_year=needed - 0.5))  # half a unit is missing: half a m2
    assert rest.break_even_area_m2 == pytest.approx(0.5)
    idle = payback(replace(CASE, saved_share=0.0, other_saving_a_year=needed + 1.0))
    assert (idle.break_even_area_m2, idle.break_even_product_cost_per_m2) == (0.0, 0.0)  # nothing need be saved
    never = payback(replace(CASE, saved_share=0.0))
    assert (never.break_even_area_m2, never.break_even_product_cost_per_m2) == (None, None)


# --- what moves it ----------------------------------------------------------------------------------------------------
def test_ranges_are_a_quarter_either_way_and_end_where_a_case_does() -> None:
    case = replace(CASE, salvage=900.0, interest=0.9, saved_share=0.9, other_saving_a_year=-4.0)
    ranges = around(case)
    assert ranges["price"] == (900.0, 1250.0)  # not below what it is sold for
    assert ranges["salvage"] == (675.0, 1000.0)
    assert ranges["interest"] == (pytest.approx(0.675), 0.99)
    assert ranges["saved_share"] == (pytest.approx(0.675), 1.0)
    assert ranges["other_saving_a_year"] == (-5.0, -3.0)
    assert "maintenance_a_year" not in ranges  # it is 0
    assert around(case, 0.5, saved_share=(0.1, 0.2))["saved_share"] == (0.1, 0.2)
    for share in (0.0, 1.0):
        with pytest.raises(InputError, match="between 0 and 1"):
            around(case, share)
    (row,) = tornado(CASE, {"other_saving_a_year": (5.0, 5.0)})  # a range of one value, beside the case's own
    assert (row.low, row.base, row.high, row.swing) == (5.0, 0.0, 5.0, pytest.approx(5.0))
    assert row.outcome_low - row.outcome_base == pytest.approx(5.0)
    alike = tornado(CASE, {"prime_saved_l_a_year": (0.0, 0.0), "maintenance_a_year": (0.0, 0.0)})
    assert [row.name for row in alike] == ["maintenance_a_year", "prime_saved_l_a_year"]
    with pytest.raises(InputError, match="not a number of this case"):
        tornado(CASE, {"spray_cost_per_l": (0.0, 1.0)})  # not known of this case
    with pytest.raises(InputError, match="not a number of this case"):
        tornado(CASE, {"currency": (0.0, 1.0)})


# --- an interval ------------------------------------------------------------------------------------------------------
def test_three_fields_are_enough_for_an_interval_and_ten_are_not_few() -> None:
    assert bootstrap_by_field([1.0, 2.0, 4.0], [1.0, 1.0, 1.0], resamples=99).low is not None
    two = bootstrap_by_field([1.0, 2.0], [1.0, 1.0], resamples=99)
    assert (two.estimate, two.low, two.high, two.method) == (1.5, None, None, "none")
    nine, ten = (bootstrap_by_field(np.arange(k) + 1.0, np.ones(k), resamples=99) for k in (9, 10))
    assert (nine.few_fields, ten.few_fields) == (True, False)
    assert nine.times(0.0).high == 0.0
    assert ten.times(0.5).high == 0.5 * (ten.high or 0.0)
    for bad in (-0.5, math.inf):
        with pytest.raises(InputError):
            ten.times(bad)
    for level in (0.0, 1.0):
        with pytest.raises(InputError):
            bootstrap_by_field([1.0, 2.0], [1.0, 1.0], level=level)
    for resamples in (98, 0):
        with pytest.raises(InputError):
            bootstrap_by_field([1.0, 2.0], [1.0, 1.0], resamples=resamples)
    with pytest.raises(InputError):
        bootstrap_by_field([[1.0, 2.0]], [[1.0, 1.0]])
    with pytest.raises(InputError):
        bootstrap_by_field([1.0, 2.0], [1.0, math.inf])
    assert bootstrap_by_field([1.0], [0.5]).estimate == 2.0


def test_fields_alike_but_for_the_last_bit_have_no_width() -> None:
    for unit in (0.1, 0.3, 0.7, 1.1, 1e-9):
        found = bootstrap_by_field([0.1 * unit, 0.2 * unit, 0.3 * unit], [0.3, 0.6, 0.9], resamples=99)
        assert (found.low, found.high) == (pytest.approx(unit / 3), pytest.approx(unit / 3))
    none = bootstrap_by_field([0.0, 0.0, 0.0], [1.0, 2.0, 3.0], resamples=99)
    assert (none.low, none.high) == (0.0, 0.0)
    assert (found.level, bootstrap_by_field([1.0], [1.0]).resamples) == (0.9, 9999)
    assert bootstrap_by_field([1.0], [1.0]).seed == 20_240_501


# --- ledgers ----------------------------------------------------------------------------------------------------------
def job(name: str = "a", **changes: Any) -> JobLedger:
    return JobLedger(name, "", kit.ledger(**changes))


def sprayed(
    name: str, saved_l: float, *, covered_m2: float = 1000.0, cost: float | None = 0.5, **more: Any
) -> JobLedger:
    """A field of its own at 0.1 L/m2: 100 L laid as logged, ``saved_l`` less with nozzles."""
    rows = [kit.layout("nozzle", applied_m2=1000.0 - 10.0 * saved_l, volume_l=100.0 - saved_l)]
    done = kit.layout("logged", applied_m2=1000.0, volume_l=100.0)
    product = None if cost is None else kit.product(cost_per_m2=cost, currency="ABC", spray_rate_l_m2=0.1)
    given = {
        "field": {"id": name}, "area": {"covered_m2": covered_m2}, "product": product, "replay": rows,
        "model": kit.model(as_logged=done, logged_layout=done),
    }  # fmt: skip
    return job(name, **kit.merged(given, more))


TERMS = RetrofitTerms(price=100.0, baseline="logged", resamples=99)


def test_the_spray_rate_is_the_products_else_the_set_one_else_what_was_laid() -> None:
    done = kit.layout("logged", applied_m2=0.5, volume_l=0.2)
    model = kit.model(as_logged=done)
    assert job(product=kit.product(spray_rate_l_m2=0.3), volume=kit.volume(set_rate_l_m2=0.2)).spray_rate_l_m2 == 0.3
    assert job(product=kit.product(), volume=kit.volume(set_rate_l_m2=0.2), model=model).spray_rate_l_m2 == 0.2
    assert job(volume=kit.volume(), model=model).spray_rate_l_m2 == pytest.approx(0.4)
    assert job(model=model).spray_rate_l_m2 == pytest.approx(0.4)
    assert job(model=kit.model(as_logged=done | {"volume_l": None})).spray_rate_l_m2 is None
    assert job(model=kit.model(as_logged=done | {"applied_m2": 0.0})).spray_rate_l_m2 is None
    assert job().spray_rate_l_m2 is None


def test_what_a_layout_spares_is_litres_over_the_rate_else_ground() -> None:
    assert sprayed("a", 5.0).spared_m2("logged", "nozzle") == pytest.approx(50.0)
    assert sprayed("a", 5.0).spared_m2("nozzle", "logged") == pytest.approx(-50.0)
    rows = [kit.layout("nozzle", applied_m2=930.0)]
    assert sprayed("a", 5.0, replay=rows).spared_m2("logged", "nozzle") == pytest.approx(70.0)
    dry = kit.model(as_logged=kit.layout("logged", applied_m2=1000.0))
    assert sprayed("a", 5.0, model=dry).spared_m2("logged", "nozzle") == pytest.approx(50.0)
    assert sprayed("a", 5.0).spared_m2("logged", "boom") is None
    assert sprayed("a", 5.0).spared_m2("boom", "nozzle") is None
    no_rate = job(
        replay=[kit.layout("boom", applied_m2=9.0, volume_l=3.0), kit.layout("2", applied_m2=7.0, volume_l=2.0)]
    )
    assert no_rate.spared_m2("boom", "2") == pytest.approx(2.0)


def test_a_line_of_a_saving_is_litres_over_the_rate_else_ground() -> None:
    line = {"step": "resolution", "saved_l": 2.0, "saved_m2": 7.0, "saved_pct": None}
    with_line = [kit.layout("nozzle", steps=[line])]
    assert sprayed("a", 5.0, replay=with_line).step_m2("nozzle", "resolution") == pytest.approx(20.0)
    dry = [kit.layout("nozzle", steps=[line | {"saved_l": None}])]
    assert sprayed("a", 5.0, replay=dry).step_m2("nozzle", "resolution") == 7.0
    assert job(replay=with_line).step_m2("nozzle", "resolution") == 7.0  # no rate is known
    assert sprayed("a", 5.0, replay=with_line).step_m2("nozzle", "timing") is None
    assert sprayed("a", 5.0, replay=with_line).step_m2("boom", "resolution") is None


def test_a_saving_weighs_fields_by_their_ground_and_their_money() -> None:
    # 50 m2's worth at 0.5 and 20 at 2: 25 + 40 = 65 on 1,000 + 500 m2; their products 500 + 1,000 = 1,500: 1 a m2
    jobs = [sprayed("a", 5.0), sprayed("b", 2.0, covered_m2=500.0, cost=2.0)]
    found = retrofit(jobs, TERMS)
    case = found.case
    assert (found.covered_m2, found.spared_m2, found.fields) == (1500.0, pytest.approx(70.0), 2)
    assert case.product_cost_per_m2 == pytest.approx(1.0)
    assert case.saved_share == pytest.approx(65.0 / 1500.0)
    assert case.product_saving_a_year == pytest.approx(65.0)
    assert case.maintenance_a_year == pytest.approx(2.0)  # 2 % of 100
    assert (found.low, found.high) == (None, None)  # two fields tell nothing of how fields vary
    # a third field with 30 m2's worth at 0.5: 25, 40 and 15 on 1,000, 500 and 1,000 m2, whose products are 2,000
    three = retrofit([*jobs, sprayed("c", 3.0)], TERMS)
    ends = bootstrap_by_field([25.0, 40.0, 15.0], [1000.0, 500.0, 1000.0], resamples=99).times(2500.0)
    assert ends.low is not None
    assert ends.high is not None
    assert ends.low < 80.0 < ends.high
    assert (three.interval.low, three.interval.high) == pytest.approx((ends.low, ends.high))
    assert three.low is not None
    assert three.high is not None
    assert (three.low.saved_share, three.high.saved_share) == pytest.approx((ends.low / 2000.0, ends.high / 2000.0))
    # dearer products throughout: what is saved is the same share of them
    dear = retrofit([sprayed("a", 5.0, cost=4.0), sprayed("b", 2.0, covered_m2=500.0, cost=4.0)], TERMS)
    assert dear.case.saved_share == pytest.approx(70.0 / 1500.0)
    # products that cost nothing: the share is that of the ground, and no interval of money
    free = retrofit([sprayed(name, 5.0, cost=0.0) for name in "abc"], TERMS)
    assert free.case.saved_share == pytest.approx(0.05)
    assert (free.low, free.high) == (None, None)


def test_a_share_saved_is_never_more_than_all() -> None:
    # 900 of 400, and twice 100 of 1,000
    found = retrofit([sprayed("a", 90.0, covered_m2=400.0), sprayed("b", 10.0), sprayed("c", 10.0)], TERMS)
    assert found.case.saved_share == pytest.approx(1100.0 / 2400.0)
    assert found.high is not None
    assert found.high.saved_share == 1.0
    assert retrofit([sprayed("a", 90.0, covered_m2=400.0)], TERMS).case.saved_share == 1.0


def test_why_a_ledger_is_not_used() -> None:
    good = sprayed("good", 5.0)
    aside = {
        "bare": sprayed("bare", 5.0, covered_m2=0.0),
        "dear": sprayed("dear", 5.0, cost=None),
        "other": sprayed("other", 5.0, replay=[kit.layout("boom")]),
    }
    found = retrofit([good, *aside.values()], TERMS)
    assert {item.name: item.reason for item in found.set_aside} == {
        "bare": "no target ground was covered",
        "dear": "no price of its products is known",
        "other": "no replay of nozzle",
    }
    small = retrofit([sprayed("small", 0.001, covered_m2=0.5)], TERMS)
    assert [used.name for used in small.used] == ["small"]
    line = {"step": "timing", "saved_l": 2.0, "saved_m2": 7.0, "saved_pct": None}
    rows = [kit.layout("nozzle", applied_m2=950.0, volume_l=95.0, steps=[line | {"step": "resolution"}])]
    none = retrofit([sprayed("has", 5.0, replay=rows), good], replace(TERMS, baseline="resolution"))
    assert [(item.name, item.reason) for item in none.set_aside] == [("good", "its nozzle has no line of resolution")]


def test_the_currency_is_the_ledgers_unless_the_cost_is_the_user_s() -> None:
    one, other = sprayed("a", 5.0), sprayed("b", 5.0, product={"currency": "XYZ"})
    with pytest.raises(InputError, match="ABC and XYZ"):
        retrofit([one, other], TERMS)
    with pytest.raises(InputError, match="--currency says XYZ"):
        retrofit([one], replace(TERMS, currency="XYZ"))
    assert retrofit([one], replace(TERMS, currency="ABC")).case.currency == "ABC"
    stated = replace(TERMS, product_cost_per_m2=0.1)
    assert retrofit([one, other], stated).case.currency == "XXX"
    assert retrofit([one], stated).case.currency == "ABC"
    assert retrofit([one, other], replace(stated, currency="XYZ")).case.currency == "XYZ"
    assert [note.code for note in retrofit([one], TERMS).assumptions] == [
        "money.all_in_currency", "money.ground_of_ledgers",
    ]  # fmt: skip


def codes(notes: Any) -> list[str]:
    return [note.code for note in notes]


def test_the_names_of_four_jobs_are_told_and_of_a_fifth_the_number() -> None:
    def named(count: int) -> Any:
        jobs = [sprayed(str(k), 5.0, field={"boundary": "derived"}) for k in range(count)]
        warning = next(w for w in retrofit(jobs, TERMS).warnings if w.code == "money.derived_boundaries")
        return warning.document()

    assert "names_and_more" not in str(named(4))
    five = named(5)
    assert "money.names_and_more" in str(five)
    assert "'more': 1" in str(five)
    assert "'3'" in str(five)
    assert "'4'" not in str(five)


def test_warnings_are_of_what_is_so_and_of_nothing_else() -> None:
    ten = [sprayed(str(k), 5.0 + 0.1 * k) for k in range(10)]
    assert codes(retrofit(ten, TERMS).warnings) == []
    assert codes(retrofit(ten[:9], TERMS).warnings) == ["money.few_fields"]
    assert codes(retrofit(ten[:3], TERMS).warnings) == ["money.few_fields"]
    assert codes(retrofit(ten[:2], TERMS).warnings) == ["money.too_few_fields"]
    assert codes(retrofit([sprayed(str(k), 0.0) for k in range(10)], TERMS).warnings) == ["money.saves_nothing"]
    small = [sprayed(str(k), 0.001 + 1e-5 * k) for k in range(10)]
    assert codes(retrofit(small, TERMS).warnings) == []
    missed = [sprayed("x", 5.0, model={"trusted": False}), sprayed("y", 5.0, model={"trusted": None}), *ten]
    assert codes(retrofit(missed, TERMS).warnings) == ["money.model_misses_log"]
    assert codes(retrofit(missed, replace(TERMS, baseline="model")).warnings)[0] == "money.model_misses"


# --- priming and rinsing ----------------------------------------------------------------------------------------------
MAIN = PlumbingLine("main", BORE_M, 8.0)
LINES = Plumbing(
    (4,), lines=(MAIN, PlumbingLine("tail", BORE_M, 2.0, recirculated=False)), held_l=5.0, nozzle_body_l=0.25
)


def prime(start: str, litres: float | None, occasion: str = "first_of_day", longitude: float = 0.0) -> dict[str, Any]:
    return {
        "start": start, "start_s": 0.0, "latitude": 0.0, "longitude": longitude, "occasion": occasion,
        "break_s": None, "event": None, "measured": litres is not None, "litres_l": litres,
    }  # fmt: skip


def test_what_a_return_keeps_of_primes_and_rinses() -> None:
    # Poured by priming 8 + 2 + 5 + 4 x 0.25 = 16 L, still poured 2 + 1 = 3: 13 kept each time. Of a measured prime of
    # 10 L 7, of one of 2 L nothing; one that is not measured 13: 20 L in three, all product where lines hold product.
    # After a rinse the first 16 L are water, and product is none of them. A rinse 8 + 5 = 13 L.
    primes = [prime(f"2025-09-0{day}T12:00:00Z", litres) for day, litres in ((1, 10.0), (2, 2.0), (3, None))]
    jobs = [sprayed("a", 5.0, standing=kit.standing(likely_primes=primes, unmeasured_primes=1)), sprayed("b", 5.0)]
    terms = replace(TERMS, plumbing=LINES, rinses_a_year=4.0, area_a_year_m2=4000.0)
    found = retrofit(jobs, terms)
    assert found.prime is not None
    assert found.rinse is not None
    # 4,000 m2 a year of 2,000: each prime twice; four of the six after a rinse, two of 20/3 L
    assert (found.prime.times_a_year, found.prime.litres_each) == (6.0, pytest.approx(40.0 / 3.0 / 6.0))
    assert found.prime.litres_a_year == pytest.approx(40.0 / 3.0)
    assert (found.prime.after_rinse_a_year, found.prime.after_rinse_each_l) == (4.0, 0.0)
    assert found.prime.full_each_l == pytest.approx(20.0 / 3.0)
    assert found.prime.water_a_year_l == pytest.approx(4 * 13.0)  # main 8 and held 5, four times
    assert (found.prime.measured, found.prime.seen) == (2, 3)
    assert (found.rinse.times_a_year, found.rinse.litres_each) == (4.0, pytest.approx(13.0))
    assert found.rinse.litres_a_year == pytest.approx(52.0)
    assert (found.rinse.measured, found.rinse.seen) == (0, 0)
    # 0.5 a m2 at 0.1 L/m2: 5 a litre
    assert found.case.spray_cost_per_l == pytest.approx(5.0)
    assert found.case.prime_saving_a_year == pytest.approx(200.0 / 3.0)
    assert found.case.rinse_saving_a_year == pytest.approx(260.0)
    # no prime seen: what one would pour, as often as is said
    said = retrofit([jobs[1]], replace(terms, primes_a_year=10.0))
    assert said.prime is not None
    assert (said.prime.litres_each, said.prime.litres_a_year) == (pytest.approx(7.8), pytest.approx(6 * 13.0))


def test_what_keeps_a_return_from_being_reckoned() -> None:
    jobs = [sprayed("a", 5.0), sprayed("b", 5.0)]
    for plumbing, assumed, warned in (
        (replace(LINES, recirculates=True), "money.recirculates_already", ["money.too_few_fields"]),
        (Plumbing((4,)), None, ["money.no_line_volume", "money.too_few_fields"]),
    ):
        found = retrofit(jobs, replace(TERMS, plumbing=plumbing))
        assert (found.prime, found.rinse) == (None, None)
        assert codes(found.warnings) == warned
        assert (assumed is None) or assumed in codes(found.assumptions)
    laid = kit.layout("logged", applied_m2=1000.0)
    unrated = sprayed("a", 5.0, product={"spray_rate_l_m2": None}, model=kit.model(as_logged=laid, logged_layout=laid))
    dry = retrofit([unrated], replace(TERMS, plumbing=LINES))
    assert "money.priming_without_rate" in codes(dry.warnings)
    known = codes(retrofit(jobs, replace(TERMS, plumbing=LINES)).assumptions)
    assert "money.return_included" in known
    assert "money.nozzle_bodies_unknown" not in known
    assert "money.rinsing_at_full_strength" not in known
    unknown = codes(retrofit(jobs, replace(TERMS, plumbing=replace(LINES, nozzle_body_l=None))).assumptions)
    assert "money.nozzle_bodies_unknown" in unknown
    rinsed = retrofit(jobs, replace(TERMS, plumbing=replace(LINES, held_l=None), rinses_a_year=1.0))
    assert rinsed.rinse is not None
    assert rinsed.rinse.litres_each == pytest.approx(8.0)


def test_money_in_a_litre_is_of_the_ledgers_whose_rate_is_known() -> None:
    # 1,000 m2 at 0.1 L/m2 and 500 at 0.4: 300 L; products 0.5 a m2 on 1,500 m2 = 750: 2.50 a litre
    jobs = [sprayed("a", 5.0), sprayed("b", 5.0, covered_m2=500.0, product={"spray_rate_l_m2": 0.4})]
    assert retrofit(jobs, TERMS).case.spray_cost_per_l == pytest.approx(2.5)


def test_the_first_spray_of_a_sun_s_day_counts_once() -> None:
    # at 90 degrees east the day turns at 18:00 UTC: a second of sun more or less a degree would be 90 s
    def days(first: str, second: str) -> int:
        jobs = [
            job(name, standing=kit.standing(likely_primes=[prime(at, None, longitude=90.0)], unmeasured_primes=1))
            for name, at in (("a", first), ("b", second))
        ]
        return len(distinct_primes(jobs))

    assert days("2025-09-01T17:59:30Z", "2025-09-01T18:00:00Z") == 2
    assert days("2025-09-01T18:00:00Z", "2025-09-02T17:59:59Z") == 1
    assert days("2025-09-01T17:59:59Z", "2025-08-31T18:00:00Z") == 1
    (found,) = distinct_primes(
        [job(standing=kit.standing(likely_primes=[prime("2025-09-01T00:00:00Z", None, longitude=-90.0)]))]
    )
    assert found.day == 20_331  # 20,332 days after 1970-01-01 it is still the evening before in the west


def test_estimates_of_a_ledger_are_shared_by_its_unmeasured_primes() -> None:
    table = kit.standing(
        likely_primes=[prime("2025-09-01T12:00:00Z", None), prime("2025-09-02T12:00:00Z", None)], unmeasured_primes=2,
        recirculating_would_keep_estimated_low_l=10.0, recirculating_would_keep_estimated_high_l=24.0,
    )  # fmt: skip
    assert [(p.returned_low_l, p.returned_high_l) for p in job(standing=table).primes] == [(5.0, 12.0)] * 2
    none = table | {"unmeasured_primes": 0}
    assert {(p.returned_low_l, p.returned_high_l) for p in job(standing=none).primes} == {(None, None)}
    unknown = prime("", None)
    assert [p.day for p in job(standing=kit.standing(likely_primes=[unknown])).primes] == [None]
    assert [(p.day, p.start) for p in job(standing=kit.standing(likely_primes=[prime("noon", None)])).primes] == [
        (None, "")
    ]


def test_ledgers_are_found_by_name_and_their_client_is_the_folder_above(tmp_path: Path) -> None:
    for folder, text in (("one/north-1", "{"), ("south", "[]"), ("", "x")):
        (tmp_path / folder).mkdir(parents=True, exist_ok=True)
        (tmp_path / folder / "ledger.json").write_text(text, encoding="utf-8")
        (tmp_path / folder / "ledger.csv").write_text("quantity", encoding="utf-8")
    assert [path.parent.name for path in find_ledgers(tmp_path)] == [tmp_path.name, "north-1", "south"]
    with pytest.raises(InputError, match=rf"none of 3 ledgers can be used; {tmp_path.name}: "):
        read_ledgers(tmp_path)
    for folder in ("one/north-1", "south", ""):
        (tmp_path / folder / "ledger.json").write_text(json.dumps(kit.plain_ledger()), encoding="utf-8")
    found, aside = read_ledgers(tmp_path)
    assert [(job.name, job.client, job.field) for job in found] == [
        (tmp_path.name, "", "/north"), ("one/north-1", "one", "one/north"), ("south", "", "/north"),
    ]  # fmt: skip
    assert aside == []


def test_the_document_tells_both_ends_of_a_saving(tmp_path: Path) -> None:
    for name, saved_l, covered in (("a", 5.0, 1000.0), ("b", 2.0, 500.0), ("c", 3.0, 1000.0)):
        rows = [kit.layout("nozzle", applied_m2=1000.0 - 10.0 * saved_l, volume_l=100.0 - saved_l)]
        done = kit.layout("logged", applied_m2=1000.0, volume_l=100.0)
        document = kit.plain_ledger(
            field={"id": name}, area={"covered_m2": covered}, replay=rows,
            product=kit.product(cost_per_m2=0.5, currency="ABC", spray_rate_l_m2=0.1),
            model=kit.model(as_logged=done, logged_layout=done),
        )  # fmt: skip
        (tmp_path / name).mkdir()
        (tmp_path / name / "ledger.json").write_text(json.dumps(document), encoding="utf-8")
    # 5 % of 1,000 m2, 4 % of 500 and 3 % of 1,000, at 0.5 a m2: 25, 10 and 15 on 2,500 m2, less upkeep of 2
    ends = bootstrap_by_field([25.0, 10.0, 15.0], [1000.0, 500.0, 1000.0]).times(2500.0)
    assert ends.low is not None
    assert ends.high is not None
    found = payback_document(tmp_path, RetrofitTerms(price=100.0, baseline="logged"))
    saving = found["saving"]
    assert (saving["product_low"], saving["product_high"]) == pytest.approx((ends.low, ends.high))
    assert (saving["total_low"], saving["total_high"]) == pytest.approx((ends.low - 2.0, ends.high - 2.0))
    assert saving["total_a_year"] == pytest.approx(48.0)  # 100 m2's worth
    assert saving["interval"]["resamples"] == 9999
    share = next(row for row in found["tornado"] if row["name"] == "saved_share")
    assert (share["low"], share["high"]) == pytest.approx((ends.low / 1250.0, ends.high / 1250.0))
    assert (found["result"]["low"]["saving_a_year"], found["result"]["high"]["saving_a_year"]) == pytest.approx(
        (ends.low - 2.0, ends.high - 2.0)
    )


# --- a season ---------------------------------------------------------------------------------------------------------
def test_litres_of_a_season_are_known_where_one_is_measured_or_none_was_poured() -> None:
    def litres(*tables: dict[str, Any]) -> float | None:
        return season_standing([job(standing=kit.standing(**table)) for table in tables]).litres_l

    assert litres({"litres_l": 4.0, "measured": 1, "unmeasured": 2}) == 4.0
    assert litres({"litres_l": 4.0, "measured": 1}, {"litres_l": 5.0, "measured": 3, "unmeasured": 1}) == 9.0
    assert litres({"litres_l": 0.0}) == 0.0
    assert litres({"litres_l": 0.0}, {"litres_l": None, "unmeasured": 1}) is None
    assert litres() is None
    some = season_standing(
        [
            job(
                standing=kit.standing(litres_l=4.0, measured=2, unmeasured=1),
                product=kit.product(standing={"money": 8.0, "active_g": 3.0}),
            ),
            job(standing=kit.standing(measured=1, unmeasured=4), product=kit.product()),
        ]
    )
    assert (some.measured, some.unmeasured, some.money, some.active_g) == (3, 5, 8.0, 3.0)


def test_the_balance_of_a_season_is_of_the_jobs_that_log_litres() -> None:
    table = kit.balance(
        logged_l=100.0, on_target_l=80.0, standing_l=4.0,
        by_cause=[{"cause": "guidance", "volume_l": 7.0}, {"cause": "outside", "volume_l": 6.0}],
    )  # fmt: skip
    found = season_balance([job(balance=table), job(), job(balance=table | {"standing_l": None})])
    assert found is not None
    assert (found.jobs, found.jobs_without_litres) == (2, 1)
    assert {row.cause: row.volume_l for row in found.by_cause if row.volume_l} == {"guidance": 14.0, "outside": 12.0}
    assert (found.logged_l, found.on_target_l, found.over_applied_l) == (200.0, 160.0, 26.0)
    assert (found.standing_l, found.unexplained_l) == (4.0, pytest.approx(10.0))
    assert season_balance([job()]) is None


def line(name: str, *, amount: float | None = 1.0, over_m2: float | None = 0.0, **more: Any) -> dict[str, Any]:
    part = {"amount": amount, "money": 2.0, "active_g": None}
    label = {"maximum_per_m2": 1.0, "over_m2": over_m2, "highest_per_m2": 1.0, "highest_on_at_least_m2": 10.0}
    return {
        "name": name, "measure": "L", "rate_per_m2": 1.0, "price": 2.0, "currency": "ABC", "active_ingredient": None,
        "active_g_per_unit": None, "applied": part, "over_applied": part, "standing": part, "place": [],
        "label": label, **more,
    }  # fmt: skip


def test_products_of_a_season_are_added_by_name() -> None:
    one = [line("a", over_m2=0.5, active_ingredient="P"), line("b", amount=None, over_m2=None)]
    two = [line(" A ", amount=3.0, active_ingredient="Q"), line("a", measure="kg")]
    tables = [job(product=kit.product(products=lines)).ledger.product for lines in (one, two)]
    found = {(row.name.strip(), row.measure): row for row in season_products([t for t in tables if t is not None])}
    assert set(found) == {("a", "L"), ("b", "L"), ("a", "kg")}
    a, b = found["a", "L"], found["b", "L"]
    assert (a.jobs, a.jobs_without_amount, a.applied.amount, a.applied.money) == (2, 0, 4.0, 4.0)
    assert (a.over_label_m2, a.jobs_over_label) == (0.5, 1)
    assert (a.name, a.active_ingredient) == ("a", "P")  # as the first job has them
    assert (b.jobs, b.jobs_without_amount, b.applied.amount) == (1, 1, None)
    assert (b.over_label_m2, b.jobs_over_label, b.applied.active_g) == (None, 0, None)


def test_a_mix_of_nothing_costs_nobody_knows() -> None:
    assert TankMix(()).cost_per_m2 is None
    free = TankMix((Product("water", "L", 0.5, 0.0, "ABC"),), 0.25)
    assert (free.cost_per_m2, free.cost_per_l) == (0.0, 0.0)
    half = TankMix((Product("a", "L", 0.5, 3.0, "ABC"),), 0.25)
    assert (half.cost_per_m2, half.cost_per_l) == (1.5, 6.0)
    (use,) = half.in_spray(0.5)  # on 2 m2
    assert (use.amount, use.money) == (1.0, 3.0)
    assert half.in_spray(0.0)[0].amount == 0.0
    assert half.on_area(0.0)[0].amount == 0.0
    for rate in (0.0, -1.0, math.inf):
        with pytest.raises(InputError):
            TankMix((), rate)
