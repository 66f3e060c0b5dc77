"""What the document says of a replay is held against the right drive: what was done, or the model of it."""

from __future__ import annotations

from typing import Any

import pytest

from swathledger.documents.document import converted
from swathledger.documents.ledger import Ledger
from swathledger.documents.replay import LedgerLayout


@pytest.fixture(scope="module")
def ledger(written: Any) -> Ledger:
    return converted(Ledger, written.document, "")


def test_savings_are_against_the_log_and_against_its_layout_under_the_model(ledger: Ledger) -> None:
    assert ledger.model is not None
    done, modelled = ledger.model.as_logged, ledger.model.logged_layout
    assert done.volume_l is not None
    assert modelled.volume_l is not None
    assert abs(done.volume_l - modelled.volume_l) > 1.0  # else either reference would do

    def spared(row: LedgerLayout, reference: LedgerLayout) -> tuple[float, float]:
        assert row.volume_l is not None
        assert reference.volume_l is not None
        litres = reference.volume_l - row.volume_l
        return litres, 100.0 * litres / reference.volume_l

    assert ledger.replay
    for row in (*ledger.replay, done, modelled):
        assert (row.saved_l, row.saved_pct) == pytest.approx(spared(row, done), abs=1e-6)
        assert (row.saved_vs_model_l, row.saved_vs_model_pct) == pytest.approx(spared(row, modelled), abs=1e-6)
    assert (done.saved_l, modelled.saved_vs_model_l) == (0.0, 0.0)


def test_money_is_that_of_the_litres_saved(ledger: Ledger) -> None:
    assert ledger.product is not None
    cost = ledger.product.cost_per_l
    assert cost is not None
    for row in ledger.replay:
        assert row.saved_l is not None
        assert row.saved_vs_model_l is not None
        assert row.saved_money == pytest.approx(row.saved_l * cost, rel=1e-9)
        assert row.saved_vs_model_money == pytest.approx(row.saved_vs_model_l * cost, rel=1e-9)


def test_lines_of_a_saving_add_up_at_equal_cover(ledger: Ledger) -> None:
    model = ledger.model
    assert model is not None
    floor, done = model.floor, model.as_logged
    assert floor is not None
    for row in ledger.replay:
        assert [line.step for line in row.steps] == (
            ["model", "floor"] if row.groups is None else ["model", "timing", "resolution", "floor"]
        )
        # litres of the floor per covered hectare, on the ground that was really covered
        assert floor.volume_l is not None
        assert done.volume_l is not None
        left = floor.volume_l * done.covered_m2 / floor.covered_m2
        assert sum(line.saved_l or 0.0 for line in row.steps) == pytest.approx(done.volume_l - left, abs=1e-6)
        way = done.applied_m2 - floor.applied_m2 * done.covered_m2 / floor.covered_m2
        assert sum(line.saved_m2 for line in row.steps) == pytest.approx(way, abs=1e-6)
        if row.groups is None:
            continue
        resolution, today = row.step("resolution"), model.logged_layout
        assert resolution is not None
        assert row.volume_l is not None
        assert today.volume_l is not None
        per_ha = today.volume_l / today.covered_m2 - row.volume_l / row.covered_m2  # one set of valves for all layouts
        assert resolution.saved_l == pytest.approx(per_ha * done.covered_m2, abs=1e-6)
        assert resolution.saved_pct == pytest.approx(100.0 * resolution.saved_l / done.volume_l, rel=1e-9)


def test_trust_holds_the_model_against_the_saving_claimed(ledger: Ledger) -> None:
    model = ledger.model
    assert model is not None
    off = model.logged_layout.over_application_m2 - model.as_logged.over_application_m2
    assert model.over_application_difference_m2 == pytest.approx(off, abs=1e-6)
    assert model.claimed_by == "nozzle"
    nozzle = next(row for row in ledger.replay if row.label == "nozzle")
    line, first = nozzle.step("resolution"), nozzle.step("model")
    assert line is not None
    assert first is not None
    assert (model.claimed_m2, model.claimed_l) == (line.saved_m2, line.saved_l)
    assert first.saved_l is not None
    assert model.over_applied_difference_l == -first.saved_l
    assert model.trusted is (None if line.saved_m2 <= 0 else abs(off) <= line.saved_m2)
