"""Products by place and over the label on fields that can be solved by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import log_from_path

from swathledger.audit import Prepared, compute
from swathledger.documents.document import plain
from swathledger.errors import MachineError
from swathledger.log.log import Log
from swathledger.machine.machine import Boom, Machine
from swathledger.machine.products import Product, ProductTable
from swathledger.money.tank import names_in, tank_of
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings
from swathledger.swath.build import build_swath
from swathledger.words import say_all

A: dict[str, Any] = {
    "name": "herbicide A",
    "unit": "L/ha",
    "rate": 2.0,
    "price": 15.0,
    "currency": "ABC",
    "active_ingredient": "P",
    "active_ingredient_g_l": 360.0,
    "label_maximum_rate": 3.0,
}
B: dict[str, Any] = {
    "name": "fungicide B",
    "unit": "kg/ha",
    "rate": 0.5,
    "price": 80.0,
    "currency": "ABC",
    "active_ingredient_g_kg": 500.0,
    "label_maximum_rate": 0.75,
}
SPEED = 5.0


def passes(lanes: tuple[float, ...], rates_l_m2: tuple[float, ...] | None = None, *, flow: bool = False) -> Log:
    """Passes north of 100 m with a 12 m boom, centred on each lane; the log is silent between them."""
    k = np.arange(21)
    rates = np.repeat((0.01,) * len(lanes) if rates_l_m2 is None else rates_l_m2, 21)
    opened = np.tile(k < 20, len(lanes))
    time_s = 1.7e9 + np.concatenate([200.0 * number + k for number in range(len(lanes))])
    return log_from_path(
        np.repeat(lanes, 21),
        np.tile(SPEED * k, len(lanes)),
        time_s,
        PLANE,
        opened[:, None],
        state_kind="work",
        heading_deg=0.0,
        rate_l_m2=rates,
        flow_l_s=rates * 12.0 * SPEED * opened if flow else None,
    )


def named(log: Log, names: tuple[str, ...]) -> Log:
    """The log with a product name for each pass."""
    return replace(log, product=tuple(names[row // 21] for row in range(len(log))))


def carried(tables: tuple[dict[str, Any], ...]) -> tuple[Product, ...]:
    return tuple(ProductTable(**table).product() for table in tables)


def document_of(log: Log, products: tuple[dict[str, Any], ...], **settings: Any) -> dict[str, Any]:
    machine = Machine(
        "m",
        Boom(np.linspace(-6.0, 6.0, 25), (12, 12)),
        products=carried(products),
        set_rate_l_m2=settings.pop("set_rate", 0.01),
    )
    field = ground(shapely.box(-6.0, 0.0, 18.0, 100.0))
    swath = build_swath(log, machine, field.plane, max_gap_s=6.0)
    asked = AuditSettings(**{"cell_m": 0.25, "max_gap_s": 6.0, "tolerance_m": 0.1, "groups": ()} | settings)
    return plain(ledger_of(compute(Prepared(log, machine, field, swath, asked, ()))))


def test_a_tank_mix_of_two_on_two_passes_over_one_strip() -> None:
    # 1,200 m2 twice with A (2 L/ha, maximum 3) and B (0.5 kg/ha, maximum 0.75): 4 L/ha and 1 kg/ha, both over.
    # A third pass beside, once: 2 and 0.5, neither over.
    product = document_of(passes((0.0, 0.0, 12.0)), (A, B))["product"]
    a, b = product["products"]
    assert (product["currency"], product["basis"], product["changed_during_job"]) == ("ABC", "litres", False)
    # 3 x 1,200 m2: A 0.72 L, 10.80, 259.2 g; B 0.18 kg, 14.40, 90 g
    assert a["applied"] == pytest.approx({"amount": 0.72, "money": 10.8, "active_g": 259.2}, rel=5e-3)
    assert b["applied"] == pytest.approx({"amount": 0.18, "money": 14.4, "active_g": 90.0}, rel=5e-3)
    # a third of it twice: 0.24 L, 3.60, 86.4 g; 0.06 kg, 4.80, 30 g
    assert a["over_applied"] == pytest.approx({"amount": 0.24, "money": 3.6, "active_g": 86.4}, rel=5e-3)
    assert b["over_applied"] == pytest.approx({"amount": 0.06, "money": 4.8, "active_g": 30.0}, rel=5e-3)
    assert product["over_applied"] == pytest.approx({"money": 8.4, "active_g": 116.4}, rel=5e-3)
    place = {row["name"]: row for row in a["place"]}
    assert place["overlap"]["amount"] == pytest.approx(0.24, rel=5e-3)
    assert place["target"]["area_m2"] == pytest.approx(2400.0, rel=5e-3)
    assert place["standing"] == {
        "name": "standing",
        "spray_l": 0.0,
        "area_m2": None,
        "amount": 0.0,
        "money": 0.0,
        "active_g": 0.0,
    }
    for row, highest in ((a, 4.0), (b, 1.0)):
        assert row["label"]["over_m2"] == pytest.approx(1200.0, rel=5e-3)
        assert row["label"]["highest_per_m2"] == pytest.approx(highest / 1e4)
    # (2 x 15 + 0.5 x 80) / ha = 70 / ha; in 100 L/ha: 0.70 a litre
    assert product["cost_per_m2"] == pytest.approx(70.0 / 1e4)
    assert product["cost_per_l"] == pytest.approx(0.70)
    assert "label" in product["label_caution"]


def test_equal_to_the_maximum_is_not_over_it() -> None:
    at_limit = A | {"label_maximum_rate": 4.0}
    assert document_of(passes((0.0, 0.0)), (at_limit,))["product"]["products"][0]["label"]["over_m2"] == 0.0


def test_products_that_change_with_the_pass_are_no_overlap_of_each_other() -> None:
    # Pass 1, strip 1: A + B. Pass 2, strip 1 again: A alone. Pass 3, strip 2: B alone.
    #   A: strip 1 twice = 4 L/ha (over 3); B: each strip once = 0.5 kg/ha (not over 0.75)
    log = named(passes((0.0, 0.0, 12.0)), ("herbicide A + Fungicide B", "HERBICIDE A", "fungicide B"))
    found = document_of(log, (A, B))
    a, b = found["product"]["products"]
    assert found["product"]["changed_during_job"] is True
    assert found["area"]["overlap_extra_m2"] == pytest.approx(1200.0, rel=5e-3)  # of the drive as a whole
    assert a["applied"]["amount"] == pytest.approx(0.48, rel=5e-3)  # 2 x 1,200 m2 x 2 L/ha
    assert a["over_applied"]["amount"] == pytest.approx(0.24, rel=5e-3)
    assert a["label"]["over_m2"] == pytest.approx(1200.0, rel=5e-3)
    assert b["applied"]["amount"] == pytest.approx(0.12, rel=5e-3)  # 2 x 1,200 m2 x 0.5 kg/ha
    # A micrometre's worth of sampling at the seam of the two strips is all that may be twice.
    assert b["over_applied"]["amount"] == pytest.approx(0.0, abs=1e-3)
    assert b["label"]["over_m2"] == pytest.approx(0.0, abs=15.0)
    # 0.48 L x 15 + 0.12 kg x 80 = 16.80 in 36 L of spray
    assert found["product"]["cost_per_l"] == pytest.approx(16.8 / 36.0, rel=5e-3)


def test_a_rate_that_changes_counts_as_dose() -> None:
    # 100 L/ha on strip 1, 200 L/ha on strip 2, by flow, the tank mixed for 100: A 2 and 4 L/ha.
    a = document_of(passes((0.0, 12.0), (0.01, 0.02), flow=True), (A,))["product"]["products"][0]
    assert a["label"]["over_m2"] == pytest.approx(1200.0, rel=5e-3)
    assert a["label"]["highest_per_m2"] == pytest.approx(4.0 / 1e4)
    assert a["applied"]["amount"] == pytest.approx(0.24 + 0.48, rel=5e-3)


def test_constant_rate_other_than_the_machine_s_counts_as_dose() -> None:
    # The log says 200 L/ha throughout, the tank is mixed for 100: 4 L/ha everywhere.
    found = document_of(passes((0.0, 12.0), (0.02, 0.02)), (A,))
    a = found["product"]["products"][0]
    assert a["label"]["over_m2"] == pytest.approx(2400.0, rel=5e-3)
    assert a["label"]["highest_per_m2"] == pytest.approx(4.0 / 1e4)
    assert any("200.0 L/ha" in note for note in found["quality"]["assumptions"])


def test_unknown_is_null_and_never_zero() -> None:
    bare = {"name": "adjuvant C"}
    product = document_of(passes((0.0, 0.0)), (A, bare))["product"]
    c = product["products"][1]
    assert c["applied"] == {"amount": None, "money": None, "active_g": None}
    assert c["label"] == dict.fromkeys(("maximum_per_m2", "over_m2", "highest_per_m2")) | {
        "highest_on_at_least_m2": 10.0
    }
    assert (product["cost_per_l"], product["applied"]["money"], product["over_applied"]["active_g"]) == (None,) * 3
    assert product["products"][0]["applied"]["money"] is not None
    # a product that only the log names
    named_only = document_of(named(passes((0.0,)), ("substance Z",)), (A,))
    assert [row["name"] for row in named_only["product"]["products"]] == ["substance Z"]
    assert named_only["product"]["cost_per_l"] is None
    assert any("substance Z" in note for note in named_only["quality"]["assumptions"])
    # none at all
    assert document_of(passes((0.0,)), ())["product"] is None


def test_without_litres_amounts_come_from_ground() -> None:
    log = replace(passes((0.0, 0.0, 12.0)), rate_l_m2=None)
    found = document_of(log, (A,), set_rate=None)
    a = found["product"]["products"][0]
    assert found["volume"] is None
    assert found["product"]["basis"] == "area"
    assert a["applied"]["amount"] == pytest.approx(0.72, rel=5e-3)
    assert a["over_applied"]["money"] == pytest.approx(3.6, rel=5e-3)
    assert a["label"]["over_m2"] == pytest.approx(1200.0, rel=5e-3)
    assert a["standing"]["amount"] is None


def test_saving_of_a_layout_in_money() -> None:
    # The whole boom on a strip half done before: 12 m and then 6 m beside. Litres saved x 0.30 (2 L/ha at 15 in 100 L).
    found = document_of(passes((0.0, 6.0)), (A,), groups=("boom", "2"))
    two = found["replay"][1]
    assert two["saved_l"] == pytest.approx(6.0, rel=0.05)  # 6 m x 100 m x 100 L/ha
    assert two["saved_money"] == pytest.approx(two["saved_l"] * 0.30, rel=1e-9)
    assert two["saved_vs_model_money"] == pytest.approx(two["saved_vs_model_l"] * 0.30, rel=1e-9, abs=1e-12)
    no_price = {key: value for key, value in A.items() if key not in {"price", "currency"}}
    assert document_of(passes((0.0, 6.0)), (no_price,), groups=("2",))["replay"][0]["saved_money"] is None


def test_names_of_the_log() -> None:
    assert names_in("A+B", frozenset()) == ("A", "B")
    assert names_in("A, B; C / D & E and F", frozenset()) == ("A", "B", "C", "D", "E", "F")
    assert names_in(" sand and gravel ", frozenset({"sand and gravel"})) == ("sand and gravel",)
    assert names_in("Brandy", frozenset()) == ("Brandy",)


def test_empty_entries_take_the_name_before(tmp_path: Path) -> None:
    log = named(passes((0.0, 12.0)), ("herbicide A", ""))
    machine = Machine("m", Boom(np.linspace(-6.0, 6.0, 25), (24,)), products=carried((A, B)), set_rate_l_m2=0.01)
    tank = tank_of(log, machine, build_swath(log, machine, PLANE, max_gap_s=6.0))
    assert tank is not None
    assert ([product.name for product in tank.products], tank.whole) == (["herbicide A"], True)
    assert any("fungicide B" in note for note in say_all(tank.notes))


def test_products_that_cannot_be_used_are_told() -> None:
    with pytest.raises(MachineError, match="ABC and XYZ"):
        document_of(passes((0.0,)), (A, B | {"currency": "XYZ"}))


def test_what_is_stated_counts_where_the_log_names_nothing() -> None:
    product = document_of(passes((0.0, 12.0)), (A, B), product="Fungicide B")["product"]
    (b,) = product["products"]
    assert (b["name"], product["changed_during_job"]) == ("fungicide B", False)
    assert b["applied"]["amount"] == pytest.approx(0.12, rel=5e-3)  # 2,400 m2 x 0.5 kg/ha
    assert any("does not name herbicide A" in note for note in product["notes"])


def test_what_the_log_names_counts_whatever_is_stated() -> None:
    log = named(passes((0.0, 12.0)), ("herbicide A", "herbicide A"))
    product = document_of(log, (A, B), product="fungicide B")["product"]
    assert [row["name"] for row in product["products"]] == ["herbicide A"]
    assert any("said to be of fungicide B" in note for note in product["notes"])
    same = document_of(log, (A, B), product="Herbicide a")["product"]
    assert not any("said to be" in note for note in same["notes"])


def test_a_stated_product_that_no_file_knows_is_unknown() -> None:
    product = document_of(passes((0.0,)), (A,), product="adjuvant C")["product"]
    (c,) = product["products"]
    assert (c["name"], c["applied"]["amount"], product["over_applied"]["money"]) == ("adjuvant C", None, None)
