"""The cells of a band, and what the coverage kernel is handed to treat them with."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger.grid.causes import CAUSES
from swathledger.grid.revisit import Boom
from swathledger.grid.strips import PoseLines, Strips
from swathledger.grid.workspace import Workspace

ON_TARGET, ON_OVERLAP, ON_OUTSIDE, ON_EXCLUDED = 0, 1, 2, 3
"""Slots of a deposit, litres: target the first time, again, beyond the boundary, on an exclusion."""
BY_CAUSE = 4
"""First of a deposit's slots for litres laid again, by cause: this + the cause's code."""
DEPOSITS = BY_CAUSE + len(CAUSES)
MAX_COUNT = 255
BLOCK = 32
"""Cells that are looked at together for earlier treatment."""
SPANS = 2048
"""Spans that are found before their cells are treated, beside those of one row."""
AHEAD = 8
"""Spans ahead of the one being treated whose cells are asked for."""


class Brush(NamedTuple):
    """What is painted.

    Attributes
    ----------
    boom : Boom
        How far the boom must go from ground that it treated to have left it.
    """

    strips: Strips
    lines: PoseLines
    boom: Boom


class Window(NamedTuple):
    """The cells in hand: rows and columns of the plane's grid, of which ``core_first .. core_end - 1`` are counted."""

    h: float
    first_row: int
    first_column: int
    rows: int
    columns: int
    core_first: int
    core_end: int


class Spans(NamedTuple):
    """Spans of cells, each a row and half-open columns of the plane's grid."""

    row: NDArray[np.int64]
    first: NDArray[np.int64]
    end: NDArray[np.int64]


class Run(NamedTuple):
    """Flat cells ``lo .. end - 1`` of one row; ``shift`` is the span's first, at column ``column`` of row ``row``."""

    lo: Any
    end: Any
    shift: Any
    row: int
    column: int


class Litres(NamedTuple):
    """Where litres are added up: ``core`` of the rows that count, ``halo`` of the others."""

    core: NDArray[np.float64]
    halo: NDArray[np.float64]


class Cells(NamedTuple):
    """State of a band's cells, each (rows + 2 halo, columns), row 0 southmost.

    Attributes
    ----------
    mask : uint8, 0 outside, 1 target, 2 excluded
    times : uint8, separate treatments, held at 255
    cause : uint8, why the cell is over-applied (first reason), 0 where it is not or where its place is the reason
    last : int32, 1 + index of the strip that hit it last, 0 for never
    dose : float32, sum of doses in units of the set rate
    """

    mask: NDArray[np.uint8]
    times: NDArray[np.uint8]
    cause: NDArray[np.uint8]
    last: NDArray[np.int32]
    dose: NDArray[np.float32]

    def flat(self) -> Cells:
        """The same memory, row after row."""
        mask, times, cause, last, dose = self
        return Cells(mask.reshape(-1), times.reshape(-1), cause.reshape(-1), last.reshape(-1), dose.reshape(-1))


def empty_cells(mask: NDArray[np.uint8], work: Workspace | None = None) -> Cells:
    """Untreated cells around a mask."""
    lend = (Workspace() if work is None else work).lend
    shape = mask.shape
    cells = Cells(
        mask,
        lend("times", shape, np.uint8),
        lend("cause", shape, np.uint8),
        lend("last", shape, np.int32),
        lend("dose", shape, np.float32),
    )
    for state in cells[1:]:
        state[:] = 0
    return cells
