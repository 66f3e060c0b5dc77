"""Money figures from outside the project, each with its source and how it was come by."""

from __future__ import annotations

import pytest

from swathledger.money.budget import RetrofitCase, break_even_area_units, partial_budget
from swathledger.money.payback import break_even_units, capital_recovery_factor


# Iowa State University Extension, A3-29 method (memory; the values follow from the formula, derived).
@pytest.mark.parametrize(("interest", "years", "factor"), [(0.08, 15, 0.11683), (0.05, 12, 0.11283)])
def test_capital_recovery_factor(interest: float, years: int, factor: float) -> None:
    assert round(capital_recovery_factor(interest, years), 5) == factor
    # redone without our formula: a loan of 1 paid back at that rate is owed nothing at the end
    owed = 1.0
    for _ in range(years):
        owed = owed * (1 + interest) - capital_recovery_factor(interest, years)
    assert owed == pytest.approx(0.0, abs=1e-12)


# HTH Accountants column, July 2010 (seen): price / saving per acre, rounded up.
@pytest.mark.parametrize(
    ("price", "saving", "acres"), [(3000.0, 4.92, 610), (3000.0, 9.23, 326), (13500.0, 4.92, 2744)]
)
def test_break_even_acres(price: float, saving: float, acres: int) -> None:
    assert break_even_units(price, saving) == acres
    assert (acres - 1) * saving < price <= acres * saving
    # the same from a whole case of one year without interest, in acres: product of 100 an acre, saving/100 of it saved
    case = RetrofitCase(
        price=price,
        life_years=1,
        interest=0.0,
        area_a_year_m2=4046.8564224 * 1000,
        product_cost_per_m2=100 / 4046.8564224,
        saved_share=saving / 100,
        currency="ABC",
    )
    assert break_even_area_units(case, "us") == acres


def test_saving_of_a_published_budget() -> None:
    # Batte & Ehsani 2006, via Ohio Ag Manager (seen): $2.50/ac saved on $22/ac. On 1,000 acres that is 2,500.
    case = RetrofitCase(
        price=10_000,
        life_years=10,
        interest=0.0,
        area_a_year_m2=1000 * 4046.8564224,
        product_cost_per_m2=22 / 4046.8564224,
        saved_share=2.5 / 22,
        currency="USD",
    )
    assert case.product_saving_a_year == pytest.approx(2500.0)
    assert partial_budget(case, "us").lines[0].amount == pytest.approx(2500.0)
    # Fulton, in Southwest Farm Press (second-hand): 4.4 % of $100,000 of inputs is $4,400
    assert 0.044 * 100_000 == pytest.approx(4400.0)
