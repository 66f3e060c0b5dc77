"""What the document says of a replay is held against the right drive: what was done, or the model of it."""

from __future__ import annotations

from typing import Any

import pytest

from swathledger.documents.document import converted
from swathledger.documents.ledger import Ledger, LedgerLayout


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
