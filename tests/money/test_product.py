"""Products, tank mixes and the label's maximum on ground a reader can count."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.machine.products import Product, ProductTable
from swathledger.money.label import area_over_dose_m2, over_label
from swathledger.money.product import TankMix, total_active_g, total_money

HA = 10_000.0
HERBICIDE = Product("herbicide A", "L", 2.0 / HA, 15.0, "ABC", "substance P", 360.0, 3.0 / HA)
FUNGICIDE = Product("fungicide B", "kg", 0.5 / HA, 80.0, "ABC", "substance Q", 500.0, 1.5 / HA)
MIX = TankMix((HERBICIDE, FUNGICIDE), spray_rate_l_m2=100.0 / HA)


def test_over_applied_area_by_hand() -> None:
    # 0.8 ha: 1.6 L at 15 = 24, 1.6 x 360 = 576 g; 0.4 kg at 80 = 32, 0.4 x 500 = 200 g
    a, b = MIX.on_area(0.8 * HA)
    assert (a.amount, a.money, a.active_g) == (pytest.approx(1.6), pytest.approx(24.0), pytest.approx(576.0))
    assert (b.amount, b.money, b.active_g) == (pytest.approx(0.4), pytest.approx(32.0), pytest.approx(200.0))
    assert (a.measure, b.measure) == ("L", "kg")
    assert total_money((a, b)) == pytest.approx(56.0)
    assert total_active_g((a, b)) == pytest.approx(776.0)
    # (2 x 15 + 0.5 x 80) / ha = 70 / ha; in 100 L/ha of spray 0.70 a litre
    assert MIX.cost_per_m2 == pytest.approx(70.0 / HA)
    assert MIX.cost_per_l == pytest.approx(0.70)


@given(st.floats(0.0, 1e6))
def test_litres_and_area_agree(area: float) -> None:
    by_area, by_spray = MIX.on_area(area), MIX.in_spray(area * 100.0 / HA)
    for one, other in zip(by_area, by_spray, strict=True):
        assert one.amount == pytest.approx(other.amount)
        assert one.money == pytest.approx(other.money)


def test_unknown_is_not_zero() -> None:
    bare = TankMix((HERBICIDE, Product("adjuvant C", rate_per_m2=1.0 / HA)))
    assert bare.cost_per_m2 is None
    assert bare.cost_per_l is None
    a, b = bare.in_spray(50.0)
    assert (a.amount, a.money, a.active_g) == (None, None, None)
    a, b = bare.on_area(HA)
    assert a.money == pytest.approx(30.0)
    assert (b.amount, b.money) == (pytest.approx(1.0), None)
    assert total_money((a, b)) is None
    assert total_money(()) is None
    assert MIX.in_spray(None)[0].amount is None
    assert TankMix(()).currency is None


def test_currencies_do_not_mix() -> None:
    with pytest.raises(InputError, match="ABC and XYZ"):
        TankMix((HERBICIDE, Product("other", price=1.0, currency="XYZ")))
    with pytest.raises(InputError, match="three capitals"):
        Product("a", currency="dollars")
    with pytest.raises(InputError, match="twice: herbicide A"):
        TankMix((HERBICIDE, HERBICIDE))
    with pytest.raises(InputError, match="cannot hold 1200 g"):
        Product("a", "kg", active_g_per_unit=1200.0)
    with pytest.raises(InputError, match="must not be negative"):
        Product("a", price=-1.0)
    with pytest.raises(InputError, match="needs a name"):
        Product(" ")


def test_from_a_machine_file_s_table() -> None:
    table: dict[str, Any] = {
        "name": "herbicide A",
        "unit": "L/ha",
        "rate": 2.0,
        "price": 15.0,
        "active_ingredient": "substance P",
        "active_ingredient_g_l": 360.0,
        "label_maximum_rate": 3.0,
    }
    assert ProductTable(**table, currency="ABC").product() == HERBICIDE
    solid = ProductTable("b", unit="kg/ha", rate=0.5, active_ingredient_g_kg=500.0).product()
    assert (solid.measure, solid.active_g_per_unit, solid.currency) == ("kg", 500.0, None)
    # a quarter of a gallon: 0.946352946 L on 4046.8564224 m2
    quart = ProductTable("c", unit="qt/ac", rate=1.0, price=3.0).product()
    assert quart.rate_per_m2 == pytest.approx(0.946352946 / 4046.8564224)
    assert quart.price == pytest.approx(3.0 / 0.946352946)


def test_two_products_and_two_passes_over_the_label() -> None:
    # Four strips of 100 m2. Morning: A (2 L/ha) and B (0.5 kg/ha) on strips 1, 2, 3. Evening: A again at 1 L/ha on
    # strips 2, 3 (3 twice, an overlap).
    #   strip           1    2    3    4
    #   morning         1    1    1    0
    #   evening         0    1    2    0
    #   A, L/ha         2    3    4    0     maximum 3: strip 2 equals it, strip 3 is over: 100 m2
    #   B, kg/ha      0.5  0.5  0.5    0     maximum 1.5: none
    evening = Product("herbicide A", "L", 1.0 / HA, label_max_per_m2=3.0 / HA)
    a, b = over_label([100.0] * 4, [[1, 0], [1, 1], [1, 2], [0, 0]], [(HERBICIDE, FUNGICIDE), (evening,)])
    assert (a.name, a.area_m2, a.highest_per_m2) == ("herbicide A", 100.0, pytest.approx(4.0 / HA))
    assert (b.name, b.area_m2, b.highest_per_m2) == ("fungicide B", 0.0, pytest.approx(0.5 / HA))


def test_label_unknowns_and_errors() -> None:
    no_limit = Product("a", rate_per_m2=1.0 / HA)
    no_rate = Product("b", label_max_per_m2=1.0 / HA)
    a, b = over_label([1.0], [[2.0]], [(no_limit, no_rate)])
    assert (a.area_m2, a.highest_per_m2) == (None, pytest.approx(2.0 / HA))
    assert (b.area_m2, b.highest_per_m2) == (None, None)
    with pytest.raises(InputError, match="measured by L in one"):
        over_label([1.0], [[1.0, 1.0]], [(no_limit,), (Product("a", "kg"),)])
    with pytest.raises(InputError, match="times must be"):
        over_label([1.0], [[1.0, 1.0]], [(no_limit,)])
    with pytest.raises(InputError, match="finite"):
        area_over_dose_m2([1.0], [np.nan], 1.0)
    with pytest.raises(InputError, match="do not fit"):
        area_over_dose_m2([1.0, 2.0], [1.0], 1.0)
    with pytest.raises(InputError, match="not negative"):
        area_over_dose_m2([-1.0], [1.0], 1.0)


@given(st.lists(st.tuples(st.floats(0, 100), st.integers(0, 5)), min_size=1, max_size=20), st.floats(0.1, 5.0))
def test_area_over_label_never_grows_with_the_maximum(rows: list[tuple[float, int]], limit: float) -> None:
    areas, times = zip(*rows, strict=True)
    dose = np.array(times) * 1.0
    assert area_over_dose_m2(areas, dose, limit + 1) <= area_over_dose_m2(areas, dose, limit) <= sum(areas) + 1e-9
