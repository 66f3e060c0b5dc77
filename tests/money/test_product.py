"""Products, tank mixes and the label's maximum on ground a reader can count."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.machine.products import Product, ProductTable
from swathledger.money.account import DoseSink, highest_step
from swathledger.money.product import TankMix

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


def test_the_highest_dose_is_that_of_enough_ground() -> None:
    steps = np.array([0, 5, 0, 3, 2])  # five cells at step 1, three at 3, two at 4
    assert [highest_step(steps, cells) for cells in (0.1, 2, 2.5, 5, 5.5, 10, 10.5)] == [4, 4, 3, 3, 1, 1, 0]


def test_ground_over_the_label_is_above_it_and_not_at_it() -> None:
    sink = DoseSink.of(np.array([2.0, np.inf]))
    dose = np.array([[0.0, 1.0, 2.0], [2.00001, 2.1, 3.0]])  # 2.00001 is 2 but for single precision
    sink(SimpleNamespace(dose=dose, count=np.array([[0, 1, 1], [1, 2, 2]])))  # type: ignore[arg-type]  # what it reads
    assert sink.over.tolist() == [2, 0]
    assert sink.steps.sum() == 5
    assert (sink.highest(1), sink.highest(2), sink.highest(5)) == (3.0, 2.1, 1.0)
