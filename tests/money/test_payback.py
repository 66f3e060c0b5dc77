"""Investment arithmetic: identities as properties, and a budget redone by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.money.budget import RetrofitCase, break_even_area_units, partial_budget, payback
from swathledger.money.payback import (
    annuity_present_value,
    break_even_units,
    capital_recovery,
    capital_recovery_factor,
    discounted_payback_years,
    internal_rate_of_return,
    net_present_value,
    simple_payback_years,
)
from swathledger.money.sensitivity import around, tornado

INTEREST = st.floats(0.0, 0.5)
YEARS = st.floats(0.5, 40.0)
MONEY = st.floats(1.0, 1e6)

CASE = RetrofitCase(
    price=25_000.0,
    life_years=10,
    interest=0.06,
    area_a_year_m2=3000 * 1e4,
    product_cost_per_m2=40 / 1e4,
    saved_share=0.035,
    currency="ABC",
    maintenance_a_year=300.0,
    salvage=2_000.0,
    prime_saved_l_a_year=2_000.0,
    spray_cost_per_l=0.4,
)


@given(INTEREST, YEARS)
def test_recovery_factor_undoes_the_annuity(interest: float, years: float) -> None:
    assert capital_recovery_factor(interest, years) * annuity_present_value(interest, years) == pytest.approx(1.0)
    # never less than plain depreciation, never more than with interest on the whole price all along
    assert 1 / years * (1 - 1e-9) <= capital_recovery_factor(interest, years)
    assert capital_recovery_factor(interest, years) <= (1 / years + interest) * (1 + 1e-9) or years < 1


@given(st.floats(0.001, 0.3), st.integers(1, 40))
def test_annuity_is_the_sum_of_discounted_years(interest: float, years: int) -> None:
    by_year = sum((1 + interest) ** -k for k in range(1, years + 1))
    assert annuity_present_value(interest, years) == pytest.approx(by_year)


@given(MONEY, MONEY, st.integers(1, 30), st.floats(0.0, 0.9))
def test_net_present_value_at_the_internal_rate_is_nothing(price: float, net: float, years: int, left: float) -> None:
    rate = internal_rate_of_return(price, net, years, left * price)
    assume(rate is not None)
    assert rate is not None
    assert net_present_value(price, net, rate, years, left * price) == pytest.approx(0.0, abs=1e-6 * price)


@given(MONEY, MONEY, st.floats(0.0, 0.3), st.floats(1.0, 40.0))
def test_present_value_and_yearly_net_agree_in_sign(price: float, net: float, interest: float, years: float) -> None:
    # NPV = (net - price x factor) x annuity: the same verdict either way
    yearly = net - capital_recovery(price, 0.0, interest, years)
    worth = net_present_value(price, net, interest, years)
    assert worth == pytest.approx(yearly * annuity_present_value(interest, years), rel=1e-6, abs=1e-6 * price)


@given(MONEY, MONEY, st.floats(0.001, 0.3))
def test_discounted_payback_is_when_the_present_value_turns(price: float, net: float, interest: float) -> None:
    years = discounted_payback_years(price, net, interest)
    if years is None:
        assert net <= price * interest * (1 + 1e-9)  # interest alone eats it
        return
    plain = simple_payback_years(price, net)
    assert plain is not None
    assert years >= plain * (1 - 1e-9)
    if years < 500:
        assert net_present_value(price, net, interest, years) == pytest.approx(0.0, abs=1e-6 * price)


@given(st.integers(1, 5000), st.sampled_from([0.1, 0.2, 0.3, 0.7, 1.1, 4.92, 9.23]))
def test_whole_break_evens_are_not_rounded_past(units: int, saving: float) -> None:
    assert break_even_units(units * saving, saving) == units


def test_never_and_at_once() -> None:
    assert simple_payback_years(100.0, 0.0) is None
    assert simple_payback_years(100.0, -5.0) is None
    assert simple_payback_years(0.0, -5.0) == 0.0
    assert discounted_payback_years(100.0, 5.0, 0.05) is None  # 5 is just the interest
    assert discounted_payback_years(100.0, 50.0, 0.0) == 2.0
    assert discounted_payback_years(100.0, -1.0, 0.05) is None
    assert discounted_payback_years(0.0, 1.0, 0.05) == 0.0
    assert break_even_units(100.0, 0.0) is None
    assert break_even_units(0.0, 0.0) == 0
    assert internal_rate_of_return(100.0, -1.0, 5) is None
    assert internal_rate_of_return(100.0, 110.0, 1) == pytest.approx(0.10)
    for bad in ((-1.5, 5.0), (0.05, 0.0), (math.nan, 5.0)):
        with pytest.raises(InputError):
            capital_recovery_factor(*bad)


def test_budget_by_hand() -> None:
    # 3,000 ha x 40 ABC/ha x 3.5 % = 4,200; 2,000 L x 0.40 = 800
    # factor 6 %, 10 years: 0.06 x 1.06^10 / (1.06^10 - 1) = 0.135868; x 23,000 = 3,124.96; 2,000 x 6 % = 120
    # net: 5,000 - 3,124.96 - 120 - 300 (upkeep) = 1,455.04
    budget = partial_budget(CASE)
    amounts = {line.label: round(line.amount, 2) for line in budget.lines}
    assert amounts == {
        "product no longer over-applied": 4200.00,
        "product no longer poured out by priming": 800.00,
        "depreciation and interest": 3124.96,
        "interest on the salvage value": 120.00,
        "maintenance": 300.00,
    }
    assert budget.total("reduced costs") == pytest.approx(5000.0)
    assert budget.total("added income") == 0.0
    assert budget.net == pytest.approx(1455.04, abs=0.01)
    first = budget.lines[0]
    assert [(factor.value, factor.unit) for factor in first.factors] == [
        (pytest.approx(3000.0), "ha"),
        (pytest.approx(40.0), "ABC/ha"),
        (0.035, "share"),
    ]


def test_result_by_hand() -> None:
    result = payback(CASE)
    assert result.saving_a_year == pytest.approx(4700.0)  # 4,200 + 800 - 300
    assert result.net_a_year == pytest.approx(partial_budget(CASE).net)
    assert result.simple_payback_years == pytest.approx(25_000 / 4700)
    # 4,700 x 7.360087 + 2,000 / 1.790848 - 25,000
    assert result.net_present_value == pytest.approx(10_709.2, abs=0.1)
    # product must bring 3,244.96 + 300 - 800 = 2,744.96; at 1.40 ABC/ha that is 1,960.7 ha; on 105 ha's worth of
    # product (3.5 % of 3,000 ha) it is 26.14 ABC/ha
    assert result.break_even_area_m2 == pytest.approx(1960.68e4, rel=1e-5)
    assert break_even_area_units(CASE) == 1961
    assert result.break_even_product_cost_per_m2 == pytest.approx(26.1425e-4, rel=1e-5)


def test_units_change_no_amount() -> None:
    metric, us = partial_budget(CASE, "metric"), partial_budget(CASE, "us")
    assert [line.amount for line in us.lines] == pytest.approx([line.amount for line in metric.lines])
    assert us.lines[0].factors[0].unit == "ac"


@given(MONEY, st.floats(0.001, 0.2), st.floats(0.0, 0.2), st.floats(1, 30))
def test_at_break_even_the_year_comes_to_nothing(price: float, share: float, interest: float, life: float) -> None:
    case = replace(CASE, price=price, salvage=0.0, saved_share=share, interest=interest, life_years=life)
    result = payback(case)
    assert result.break_even_area_m2 is not None
    assert result.break_even_product_cost_per_m2 is not None
    if result.break_even_area_m2 > 0:  # else priming alone pays
        for there in (
            replace(case, area_a_year_m2=result.break_even_area_m2),
            replace(case, product_cost_per_m2=result.break_even_product_cost_per_m2),
        ):
            assert payback(there).net_a_year == pytest.approx(0.0, abs=1e-6 * price)


def test_no_saving_never_pays() -> None:
    result = payback(replace(CASE, saved_share=0.0, prime_saved_l_a_year=0.0))
    assert result.simple_payback_years is None
    assert result.break_even_area_m2 is None
    assert result.internal_rate_of_return is None
    assert break_even_area_units(replace(CASE, saved_share=-0.01, prime_saved_l_a_year=0.0)) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"interest": 8.0}, "800 % a year"),
        ({"currency": "$"}, "three capitals"),
        ({"saved_share": 3.2}, "at most 1"),
        ({"salvage": 30_000.0}, "more than the price"),
        ({"spray_cost_per_l": None}, "cannot be valued"),
        ({"life_years": 0}, "positive number"),
        ({"price": math.nan}, "must not be negative"),
        ({"other_saving_a_year": math.inf}, "must be a number"),
    ],
)
def test_a_wrong_case_cannot_be_built(change: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        replace(CASE, **change)  # type: ignore[arg-type]


def test_tornado_by_hand_and_sorted() -> None:
    # area +/- 1,000 ha moves 1.40 ABC/ha: 2,800 between the ends; upkeep 100 to 500 moves 400
    rows = tornado(CASE, {"maintenance_a_year": (100.0, 500.0), "area_a_year_m2": (2000e4, 4000e4)})
    assert [(row.name, round(row.swing, 6)) for row in rows] == [
        ("area_a_year_m2", 2800.0),
        ("maintenance_a_year", 400.0),
    ]
    assert rows[1].outcome_low - rows[1].outcome_high == pytest.approx(400.0)
    assert rows[0].outcome_base == pytest.approx(partial_budget(CASE).net)
    every = tornado(CASE, around(CASE, 0.25, saved_share=(0.0, 0.10)))
    assert [row.swing for row in every] == sorted((row.swing for row in every), reverse=True)
    assert every[0].name == "saved_share"
    assert next(row for row in every if row.name == "price").low == pytest.approx(0.75 * 25_000)
    with pytest.raises(InputError, match="not a number of this case"):
        tornado(CASE, {"colour": (0.0, 1.0)})
    with pytest.raises(InputError, match="low value first"):
        tornado(CASE, {"price": (2.0, 1.0)})
    with pytest.raises(InputError, match="no such number"):
        around(CASE, colour=(0.0, 1.0))


def test_ranges_stay_inside_what_a_case_allows() -> None:
    tight = replace(CASE, saved_share=0.9, salvage=24_000.0, interest=0.9)
    assert len(tornado(tight, around(tight, 0.5))) == len(around(tight, 0.5))
