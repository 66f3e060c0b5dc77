"""Cells to polygons: what is one piece, what it measures, and that bands make no difference."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from swathledger.grid.causes import CAUSES
from swathledger.grid.frame import Frame
from swathledger.report.polygonise import KINDS, PieceCollector, Pieces, spared_pieces
from swathledger.shutoff.over_applied import CellRuns


def collect(keys: NDArray[np.uint8], cuts: list[int], cell_m: float = 1.0, first: tuple[int, int] = (0, 0)) -> Pieces:
    """Pieces of a grid (row 0 southmost) taken in bands cut at the given rows; key 1 is "skip", 2 is "overlap"."""
    rows, columns = keys.shape
    collector = PieceCollector(
        Frame(cell_m, first[1], first[0], rows, columns), lambda key: (("skip", "overlap", "outside")[key - 1], None)
    )
    times = (keys * 2).astype(np.uint8)
    edges = sorted({0, rows, *cuts})
    for low, high in itertools.pairwise(edges):
        collector.add(low, keys[low:high], times[low:high], times[low:high].astype(np.float32))
    return collector.finish()


L_SHAPE = np.array(
    [
        [1, 1, 1, 1, 0, 2],  # south
        [1, 0, 0, 0, 0, 2],
        [1, 0, 1, 1, 0, 2],
        [0, 1, 1, 1, 0, 0],  # north; touches the L at a corner only
    ],
    np.uint8,
)


@pytest.mark.parametrize("cuts", [[], [1], [2], [1, 2, 3]])
def test_pieces_typed_out(cuts: list[int]) -> None:
    pieces = collect(L_SHAPE, cuts)
    # two metres a cell would not change the counts; corners do not join: 6 + 5 cells of skip, 3 of overlap
    assert [(p.kind, p.cells, p.treatments, p.dose) for p in pieces.drawn] == [
        ("overlap", 3, 12, 12.0),
        ("skip", 6, 12, 12.0),
        ("skip", 5, 10, 10.0),
    ]
    strip = pieces.of("overlap")[0].outline
    assert strip.bounds == (5.0, 0.0, 6.0, 3.0)


def test_outlines_stand_on_the_plane() -> None:
    keys = np.zeros((4, 6), np.uint8)
    keys[1:3, 2:5] = 1  # 3 x 2 cells of 2 m, from column 2 and row 1 of a frame that begins at (-10, 100)
    piece = collect(keys, [2], cell_m=2.0, first=(-10, 100)).drawn[0]
    assert piece.outline.bounds == (-16.0, 202.0, -10.0, 206.0)
    assert piece.outline.area == 24.0


def test_small_pieces_are_counted_and_not_drawn() -> None:
    keys = np.zeros((12, 12), np.uint8)
    keys[0, 0] = 1  # 0.04 m2
    keys[2, 0:4] = 1  # 0.16 m2
    keys[5:10, 2:7] = 1  # 25 cells of 0.04 m2: exactly 1 m2 is drawn
    pieces = collect(keys, [], cell_m=0.2)
    assert [p.cells for p in pieces.drawn] == [25]
    assert pieces.small_count == {"skip": 2}
    assert pieces.small_cells == {"skip": 5}


@given(keys=arrays(np.uint8, (9, 7), elements=st.integers(0, 2)), cuts=st.lists(st.integers(1, 8), max_size=4))
def test_bands_change_nothing(keys: NDArray[np.uint8], cuts: list[int]) -> None:
    whole, cut = collect(keys, []), collect(keys, cuts)
    for one, other in zip(cut.drawn, whole.drawn, strict=True):
        assert (one.kind, one.cells, one.treatments, one.outline.wkb) == (
            other.kind,
            other.cells,
            other.treatments,
            other.outline.wkb,
        )


@given(keys=arrays(np.uint8, (8, 8), elements=st.integers(0, 2)))
def test_every_cell_is_in_one_piece(keys: NDArray[np.uint8]) -> None:
    pieces = collect(keys, [3])  # cells of 1 m2: all are drawn
    for kind, key in (("skip", 1), ("overlap", 2)):
        assert sum(p.cells for p in pieces.of(kind)) == (keys == key).sum()
    assert all(p.outline.is_valid and p.outline.area > 0 for p in pieces.drawn)


def test_spared_ground_keeps_its_cause() -> None:
    spared = np.zeros((6, 6), np.uint8)
    spared[0:2] = CAUSES.index("guidance")
    spared[4:6] = CAUSES.index("crossing")
    runs = CellRuns(Frame(1.0, 0, 0, 6, 6))
    runs.add(0, spared, np.ones_like(spared))
    pieces = spared_pieces(runs)
    assert {(p.kind, p.cause, p.cells) for p in pieces.drawn} == {
        ("spared", "guidance", 12),
        ("spared", "crossing", 12),
    }


def test_pieces_add_up_to_the_ledger(written: Any) -> None:
    from swathledger.ledger.account import account
    from swathledger.ledger.place import place_drive
    from swathledger.report.polygonise import audit_pieces

    audit = written.audit
    collector, sink = audit_pieces(audit.accounting.frame)
    settings = audit.settings
    placed = place_drive(audit.log, audit.machine, audit.field, audit.swath, settings.cell_m)
    again = account(placed, tolerance_m=settings.tolerance_m, sinks=(sink,))
    pieces = collector.finish()
    for kind in ("overlap", "skip"):
        drawn = sum(p.cells for p in pieces.of(kind))
        assert drawn + pieces.small_cells.get(kind, 0) == again.areas.beyond_cells[kind]
        assert drawn > 0
    assert {p.kind for p in pieces.drawn} <= set(KINDS)
    assert all((p.cause is not None) == (p.kind == "overlap") for p in pieces.drawn)
