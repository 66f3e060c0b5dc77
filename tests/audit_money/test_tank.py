"""The rate that product rates belong to, what the log and the file say of the tank, and money of what is saved."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from drivekit import PLANE, ground, rectangle
from pathkit import log_from_path

from swathledger.errors import MachineError
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Boom, Machine
from swathledger.machine.products import Product
from swathledger.money.account import DoseSink, ProductAccount, account_products, plan_products, standing_litres_known
from swathledger.money.tank import Tank, products_of, tank_of
from swathledger.swath.build import build_swath

A = Product("herbicide A", "L", 2e-4, 15.0, "ABC", "P", 360.0, 3e-4)
B = Product("fungicide B", "kg", 5e-5, 80.0, "ABC", None, 500.0, 7.5e-5)


def drive(
    steps_m: Any, *, opened: Any = None, rate: Any = None, flow: Any = None, speed: Any = None, names: Any = None
) -> Log:
    """Rows a second apart, north, one step after the other; all open but the last row."""
    y = np.concatenate(([0.0], np.cumsum(steps_m)))
    n = y.size
    on = np.arange(n) < n - 1 if opened is None else np.asarray(opened, bool)
    log = log_from_path(
        np.zeros(n), y, 1.7e9 + np.arange(float(n)), PLANE, on, state_kind="work", heading_deg=0.0, speed_m_s=speed,
        rate_l_m2=rate, flow_l_s=flow,
    )  # fmt: skip
    return log if names is None else replace(log, product=tuple(names))


def machine(*products: Product, rate: float | None = None) -> Machine:
    return Machine("m", Boom(np.linspace(-3.0, 3.0, 13), (12,)), products=products, set_rate_l_m2=rate)


def tank(log: Log, sprayer: Machine, stated: str | None = None) -> Tank:
    found = tank_of(log, sprayer, build_swath(log, sprayer, PLANE, max_gap_s=6.0), stated)
    assert found is not None
    return found


def codes(found: Tank) -> list[str]:
    return [note.code for note in found.notes]


# --- the rate ---------------------------------------------------------------------------------------------------------
def test_without_a_set_rate_the_median_of_what_was_laid_counts_by_way() -> None:
    # 8 m at 0.01 and 5 and 4 m at 0.02: 9 of 17 m, so the median is 0.02; by rows it would be as well, by time not
    found = tank(drive([8, 5, 4], rate=[0.01, 0.02, 0.02, 0.01]), machine(A))
    assert (found.spray_rate_l_m2, found.spray_rate_source) == (0.02, "median of the log")
    found = tank(drive([8, 3, 4], rate=[0.01, 0.02, 0.02, 0.01]), machine(A))
    assert found.spray_rate_l_m2 == 0.01
    one = tank(drive([5, 5], rate=0.03), machine(A))
    assert (one.spray_rate_l_m2, one.spray_rate_source) == (0.03, "logged")
    assert codes(one) == ["money.rates_at_logged"]
    none = tank(drive([5, 5]), machine(A))
    assert (none.spray_rate_l_m2, none.spray_rate_source, none.notes) == (None, None, ())


def test_what_is_laid_standing_or_shut_or_at_no_rate_is_no_rate() -> None:
    # a stand of three steps at 0.09, a shut step at 0.08, a row of 0 and one unknown: what is left is 0.02 and 0.5 m
    steps = [0.5, 0, 0, 0, 5, 5, 5]
    log = drive(
        steps, rate=[0.02, 0.09, 0.09, 0.09, 0.08, 0.0, np.nan, 0.0], opened=[1, 1, 1, 1, 0, 1, 1, 0],
        speed=np.array([0.5, 0, 0, 0, 5, 5, 5, 5]),
    )  # fmt: skip
    found = tank(log, machine(A))
    assert (found.spray_rate_l_m2, found.spray_rate_source) == (0.02, "logged")
    nothing = tank(drive([5, 5], rate=0.0), machine(A))
    assert (nothing.spray_rate_l_m2, nothing.spray_rate_source) == (None, None)


def test_from_flow_the_rate_is_the_dose() -> None:
    # 0.6 L/s over 6 m at 5 m/s: 0.02 L/m2
    found = tank(drive([5, 5, 5], flow=0.6), machine(A))
    assert found.spray_rate_l_m2 == pytest.approx(0.02, rel=1e-6)


def test_a_set_rate_counts_and_a_log_a_tenth_off_is_told() -> None:
    for logged, told in ((0.0109, False), (0.0111, True), (0.0091, False), (0.0089, True)):
        found = tank(drive([5, 5], rate=logged), machine(A, rate=0.01))
        assert (found.spray_rate_l_m2, found.spray_rate_source) == (0.01, "machine file")
        assert ("money.rates_at_stated" in codes(found)) is told, logged
    # where no product has a rate, nothing hangs on it
    log = drive([5, 5], rate=0.02, names=["a"] * 3)
    assert codes(tank(log, machine(rate=0.01))) == []
    assert codes(tank(log, machine())) == []
    assert codes(tank(drive([5, 5], names=["herbicide A"] * 3), machine(A, rate=0.01))) == []


# --- what was in the tank ---------------------------------------------------------------------------------------------
def test_names_of_rows_that_spray_count() -> None:
    # the first row is shut: its name is not in the tank
    log = drive([5, 5, 5], opened=[0, 1, 1, 0], names=["substance Z", "herbicide A", "", "fungicide B"])
    found = tank(log, machine(A, B))
    assert [product.name for product in found.products] == ["herbicide A"]
    assert found.rows[0].tolist() == [False, True, True, False]
    assert found.whole
    assert codes(found) == ["money.log_does_not_name"]
    # nothing sprayed at all: all the names there are
    shut = tank(drive([5, 5], opened=[0, 0, 0], names=["herbicide A", "fungicide B", ""]), machine(A, B))
    assert [product.name for product in shut.products] == ["herbicide A", "fungicide B"]
    assert codes(shut) == []


def test_a_tank_that_changes_is_not_whole() -> None:
    log = drive([5, 5, 5], names=["A + Fungicide B", "fungicide B", "fungicide b", "x"])
    found = tank(log, machine(A, B))
    assert [product.name for product in found.products] == ["fungicide B", "A"]
    assert [mask.tolist() for mask in found.rows] == [[True, True, True, False], [True, False, False, False]]
    assert not found.whole
    assert codes(found) == ["money.log_names_unknown", "money.log_does_not_name"]
    assert codes(tank(log, machine())) == []  # a file without products knows none to miss
    first = tank(drive([5, 5], names=["", "herbicide A", "herbicide A"]), machine(A))
    assert first.rows[0].all()  # an empty start takes the first name after it


def test_what_is_stated_stands_for_a_log_without_names() -> None:
    for names in (None, ["", " ", ""]):
        found = tank(drive([5, 5], names=names), machine(A, B), "fungicide b + C")
        assert [product.name for product in found.products] == ["fungicide B", "C"]
        assert codes(found) == ["money.job_names_unknown", "money.job_does_not_name"]
        every = tank(drive([5, 5], names=names), machine(A, B))
        assert ([product.name for product in every.products], every.whole) == (["herbicide A", "fungicide B"], True)
        assert all(mask.all() for mask in every.rows)
    log = drive([5, 5], names=["herbicide A", "", "herbicide A"])
    assert codes(tank(log, machine(A), "Herbicide a ")) == []
    assert codes(tank(log, machine(A), "fungicide B")) == ["money.log_names_others"]
    swath = build_swath(log, machine(), PLANE, max_gap_s=6.0)
    assert tank_of(drive([5, 5]), machine(), swath) is None


def test_prices_in_two_currencies_are_told_with_their_file() -> None:
    other = replace(B, currency="XYZ")
    sprayer = replace(machine(A, other), source=("sprayer.toml", "0" * 64))
    with pytest.raises(MachineError) as told:
        products_of(sprayer)
    assert told.value.file == "sprayer.toml"
    with pytest.raises(MachineError):
        products_of(machine(A, other))
    assert products_of(machine(A, replace(B, currency=None))) == (A, replace(B, currency=None))


# --- amounts ----------------------------------------------------------------------------------------------------------
def accounted(log: Log, sprayer: Machine) -> ProductAccount:
    field = ground(rectangle(-3.0, 0.0, 3.0, 20.0))
    swath = build_swath(log, sprayer, PLANE, max_gap_s=6.0)
    placed = place_drive(log, sprayer, field, swath, 0.25)
    plan = plan_products(log, sprayer, placed)
    assert plan is not None
    books = account(placed, tolerance_m=0.1, threads=1, sinks=() if plan.sink is None else (plan.sink,))
    return account_products(plan, log, sprayer, placed, books)


def test_money_of_a_tank_that_changes_is_the_mean_of_its_litres() -> None:
    # 60 m2 of A at 2 L/ha x 15 and 60 m2 of B at 0.5 kg/ha x 80: 0.18 + 0.24 in 2.4 L of 0.02 L/m2
    log = drive([10, 10], rate=0.02, names=["herbicide A", "fungicide B", "fungicide B"])
    found = accounted(log, machine(A, B))
    assert found.cost_per_l == pytest.approx(0.42 / 2.4, rel=5e-3)
    assert found.cost_per_m2 == pytest.approx(0.42 / 2.4 * 0.02, rel=5e-3)
    assert [book.area_m2["target"] for book in found.books] == pytest.approx([60.0, 60.0], rel=5e-3)
    assert [book.label.area_m2 for book in found.books] == [0.0, 0.0]
    # at the rate that was set, 2 and 0.5 a hectare
    assert [book.label.highest_per_m2 for book in found.books] == pytest.approx([2e-4, 5e-5])
    half = accounted(log, machine(A, replace(B, price=None, currency=None)))
    assert (half.cost_per_l, half.cost_per_m2) == (None, None)
    # with no maximum entered there is none to be above, and the dose is told all the same
    free = accounted(log, machine(replace(A, label_max_per_m2=None), B))
    assert (free.books[0].label.area_m2, free.books[0].label.highest_per_m2) == (None, pytest.approx(2e-4))
    unknown = accounted(log, machine(replace(A, rate_per_m2=None, label_max_per_m2=1e-4), B))
    assert (unknown.books[0].label.area_m2, unknown.books[0].label.highest_per_m2) == (None, None)


def test_money_saved_is_of_litres_else_of_ground_where_ground_is_what_is_known() -> None:
    found = accounted(drive([10, 10], rate=0.02), machine(A))
    # 2 L/ha at 15 in 200 L/ha: 0.15 a litre, 30 a hectare
    assert (found.cost_per_l, found.cost_per_m2) == (pytest.approx(0.15), pytest.approx(0.003))
    assert found.saved_money(4.0, 999.0) == pytest.approx(0.6)
    assert found.saved_money(None, 100.0) is None  # litres are known in this job, but not of this layout
    by_area = replace(found, basis="area")
    assert by_area.saved_money(None, 100.0) == pytest.approx(0.3)
    assert replace(by_area, cost_per_m2=None).saved_money(None, 100.0) is None
    assert replace(found, cost_per_l=None).saved_money(4.0, 999.0) is None


def test_litres_of_standing_are_known_from_flow_or_where_there_are_none() -> None:
    still = {"speed": np.array([5.0, 0, 0, 5, 5])}
    for given, opened, known in (
        ({"rate": 0.02}, [1, 1, 1, 1, 0], False),
        ({"rate": 0.02}, [1, 0, 0, 1, 0], True),
        ({"flow": 0.5}, [1, 1, 1, 1, 0], True),
        ({"flow": np.full(5, np.nan), "rate": 0.02}, [1, 1, 1, 1, 0], False),
    ):
        log = drive([5, 0, 0, 5], opened=opened, **still, **given)
        assert standing_litres_known(log, build_swath(log, machine(), PLANE, max_gap_s=6.0)) is known
    log = drive([5, 0, 0, 5], flow=np.array([0.6, 0.5, 0.25, 0.6, 0.0]), **still)
    (book,) = accounted(log, machine(A, rate=0.02)).books
    assert book.spray_l["standing"] == pytest.approx(0.75)
    assert book.use["standing"].amount == pytest.approx(0.75 / 0.02 * 2e-4)
    assert book.use["standing"].money == pytest.approx(0.75 / 0.02 * 2e-4 * 15.0)


def test_a_single_cell_counts_and_the_last_class_holds_what_is_above_a_hundred_times() -> None:
    sink = DoseSink.of(np.array([1.0, np.inf]))
    for dose in (2.0, 250.0, 100.0, 99.99):
        sink(SimpleNamespace(dose=np.array([[dose]]), count=np.array([[1]])))  # type: ignore[arg-type]  # what it reads
    sink(SimpleNamespace(dose=np.array([[3.0]]), count=np.array([[0]])))  # type: ignore[arg-type]
    assert sink.over.tolist() == [4, 0]
    assert np.flatnonzero(sink.steps).tolist() == [200, 9999, 10_000]
    assert sink.steps[[200, 9999, 10_000]].tolist() == [1, 1, 2]
    assert (sink.highest(0.0), sink.highest(2.0), sink.highest(3.0), sink.highest(4.0)) == (100.0, 100.0, 99.99, 2.0)
    assert sink.highest(4.5) == 0.0


def test_the_highest_dose_is_of_ten_square_metres() -> None:
    # twice over on 9 m2 and on 12 m2 of 0.25 m cells, once over on the rest
    for length, highest in ((1.5, 2e-4), (2.0, 4e-4)):
        y = np.array([0.0, 10.0, 20.0, 20.0 - length])
        log = log_from_path(
            np.zeros(4), y, 1.7e9 + np.array([0.0, 2.0, 4.0, 30.0]), PLANE, np.array([1, 1, 0, 0], bool),
            state_kind="work", heading_deg=0.0, rate_l_m2=0.02,
        )  # fmt: skip
        again = log_from_path(
            np.zeros(2), np.array([5.0, 5.0 + length]), 1.7e9 + np.array([100.0, 101.0]), PLANE,
            np.array([1, 0], bool), state_kind="work", heading_deg=0.0, rate_l_m2=0.02,
        )  # fmt: skip
        joined = replace(
            log,
            **{
                name: np.concatenate((getattr(log, name)[:3], getattr(again, name)))
                for name in ("time_s", "latitude_deg", "longitude_deg", "state", "heading_deg", "rate_l_m2")
            },
        )
        (book,) = accounted(joined, machine(A)).books
        assert book.label.highest_per_m2 == pytest.approx(highest), length
