"""From a band's cells to counts, edge variances, classes and areas beyond tolerance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.frame import Band
from swathledger.grid.mask import TARGET
from swathledger.grid.paint import CAUSES, Cells

QUANTITIES = (
    "target", "applied", "covered", "single", "overlap", "overlap_extra", "skip", "outside", "excluded",
    "over_application", "boundary", "exclusion",
)
"""What is counted in cells, in this order; each is a whole number per cell."""
_N = len(QUANTITIES)

UNTOUCHED = 0
SINGLE = 1
OVERLAP = 2
SKIP = 3
OUTSIDE_TREATED = 4
EXCLUDED_TREATED = 5
EXCLUDED_CLEAR = 6
CLASSES = ("untouched", "single", "overlap", "skip", "outside", "excluded", "excluded_clear")
"""Class codes of a cell, as stored in cover.tif."""


_LOOKUP = np.array(
    [
        [UNTOUCHED, OUTSIDE_TREATED, OUTSIDE_TREATED],
        [SKIP, SINGLE, OVERLAP],
        [EXCLUDED_CLEAR, EXCLUDED_TREATED, EXCLUDED_TREATED],
    ],
    dtype=np.uint8,
)
"""Class by zone and by treatments (0, 1, more)."""


def quantity_table() -> NDArray[np.int64]:
    """(3 * 256, quantities) value of every quantity for a cell of zone ``z`` treated ``n`` times, at row 256 z + n."""
    n = np.arange(256)
    zero, one = np.zeros(256, dtype=np.int64), np.ones(256, dtype=np.int64)
    covered, single, overlap = (n >= 1).astype(np.int64), (n == 1).astype(np.int64), (n >= 2).astype(np.int64)
    extra, skip = np.maximum(n - 1, 0), (n == 0).astype(np.int64)
    outside = np.stack([zero, n, zero, zero, zero, zero, zero, n, zero, n, zero, zero], axis=1)
    target = np.stack([one, n, covered, single, overlap, extra, skip, zero, zero, extra, one, zero], axis=1)
    excluded = np.stack([zero, n, zero, zero, zero, zero, zero, zero, n, n, one, one], axis=1)
    return np.ascontiguousarray(np.vstack([outside, target, excluded]).astype(np.int64))


@njit
def _tally(mask, count, cause, dose, core, table, lookup, histogram, squares, causes, off_rate, classes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Histogram of (zone, treatments), edge squares, causes and off-rate cells of the core rows; classes of all rows."""
    rows, columns = mask.shape
    low = 0
    high = 0
    for r in range(rows):
        if not core[0] <= r < core[1]:
            for c in range(columns):
                classes[r, c] = lookup[mask[r, c], min(count[r, c], 2)]
            continue
        up = min(r + 1, rows - 1)
        key = np.int64(mask[r, 0]) * 256 + count[r, 0]
        run = 0
        for c in range(columns):
            zone = mask[r, c]
            n = count[r, c]
            classes[r, c] = lookup[zone, min(n, 2)]
            run += 1
            if zone == TARGET:
                if n == 1:
                    d = dose[r, c]
                    if d < 0.9:
                        low += 1
                    elif d > 1.1:
                        high += 1
                elif n > 1:
                    causes[cause[r, c]] += n - 1
            above = np.int64(mask[up, c]) * 256 + count[up, c]
            if above != key:
                for k in range(table.shape[1]):
                    squares[k] += (table[key, k] - table[above, k]) ** 2
            if c + 1 < columns:
                right = np.int64(mask[r, c + 1]) * 256 + count[r, c + 1]
                if right != key:
                    for k in range(table.shape[1]):
                        squares[k] += (table[key, k] - table[right, k]) ** 2
                    histogram[key] += run
                    run = 0
                    key = right
        histogram[key] += run
    off_rate[0] = low
    off_rate[1] = high


@njit
def _opening(classes, size, reach, run, tall, until, kept):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mark in ``kept`` every cell within ``reach`` of a full ``size`` x ``size`` block of its own class.

    ``run`` and ``tall`` count equal cells to the left and blocks' rows below; ``until[class, column]`` is the last row
    that a block's mark reaches. Row ``y`` is settled once blocks that begin up to ``y + reach`` are known.
    """
    rows, columns = classes.shape
    lag = size - 1 + reach
    for r in range(rows + lag):
        if r < rows:
            written = -1
            previous = -1
            for c in range(columns):
                k = classes[r, c]
                run[c] = run[c - 1] + 1 if c > 0 and classes[r, c - 1] == k else 1
                if run[c] >= size:
                    tall[c] = tall[c] + 1 if r > 0 and classes[r - 1, c] == k and tall[c] > 0 else 1
                else:
                    tall[c] = 0
                if tall[c] >= size:
                    if k != previous:
                        written = -1
                        previous = k
                    for x in range(max(written + 1, c - size + 1 - reach, 0), min(c + reach + 1, columns)):
                        until[k, x] = r + reach
                    written = min(c + reach, columns - 1)
        y = r - lag
        if y >= 0:
            for c in range(columns):
                kept[y, c] = until[classes[y, c], c] >= y


@njit
def _count_kept(classes, kept, count, core, cells, treatments):  # type: ignore[no-untyped-def]  # numba infers the types
    for r in range(core[0], core[1]):
        for c in range(classes.shape[1]):
            if kept[r, c]:
                cells[classes[r, c]] += 1
                treatments[classes[r, c]] += count[r, c]


def opening_size(tolerance_m: float, cell_m: float) -> int:
    """Side of the block that a strip must hold to be evidence, in cells: at least 2, else tolerance / cell rounded."""
    return 0 if tolerance_m <= 0 else max(2, round(tolerance_m / cell_m))


OPENING_REACH = 1
"""Edge cells this far around a full block belong to it: sample points fray every edge by one cell."""


def halo_rows(tolerance_m: float, cell_m: float) -> int:
    """Rows that a band must know beyond its own for areas beyond tolerance and edge counts."""
    return opening_size(tolerance_m, cell_m) + OPENING_REACH + 1


class BandTally:
    """Counts of one band; bands add up.

    Attributes
    ----------
    cells : (len(QUANTITIES),) int64
        Sums of the quantities over the band's own rows.
    squares : (len(QUANTITIES),) int64
        Sum over neighbouring cell pairs of the squared difference: the edge count of the quantity, weighted where a
        step is higher than one.
    causes : (len(CAUSES),) int64
        Extra treatments of target cells by the cell's cause.
    off_rate : (2,) int64
        Cells treated once with less than 0.9 and more than 1.1 of the set rate.
    beyond : dict
        ``overlap``, ``skip`` cells and ``outside`` treatments not in strips narrower than the tolerance.
    classes : (rows + 2 halo, columns) uint8
    kept : (rows + 2 halo, columns) uint8
        1 where the cell's class is beyond tolerance.
    """

    __slots__ = ("beyond", "causes", "cells", "classes", "kept", "off_rate", "squares")

    def __init__(self, band: Band, cells: Cells, tolerance_m: float, cell_m: float) -> None:
        shape = cells.mask.shape
        self.squares = np.zeros(_N, dtype=np.int64)
        self.causes = np.zeros(len(CAUSES), dtype=np.int64)
        self.off_rate = np.zeros(2, dtype=np.int64)
        self.classes: NDArray[np.uint8] = np.empty(shape, np.uint8)
        core = (band.halo, band.halo + band.rows)
        table = quantity_table()
        histogram = np.zeros(table.shape[0], dtype=np.int64)
        _tally(
            cells.mask, cells.times, cells.cause, cells.dose, core, table, _LOOKUP, histogram, self.squares,
            self.causes, self.off_rate, self.classes,
        )
        self.cells = histogram @ table
        size = max(opening_size(tolerance_m, cell_m), 1)
        reach = OPENING_REACH if size > 1 else 0
        self.kept: NDArray[np.uint8] = np.zeros(shape, np.uint8)
        columns = shape[1]
        _opening(
            self.classes, size, reach, np.zeros(columns, np.int32), np.zeros(columns, np.int32),
            np.full((len(CLASSES), columns), -1, np.int32), self.kept,
        )
        kept = np.zeros(len(CLASSES), dtype=np.int64)
        treatments = np.zeros(len(CLASSES), dtype=np.int64)
        _count_kept(self.classes, self.kept, cells.times, core, kept, treatments)
        self.beyond = {
            "overlap": int(kept[OVERLAP]), "skip": int(kept[SKIP]), "outside": int(treatments[OUTSIDE_TREATED]),
        }
