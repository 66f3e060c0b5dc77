"""From a band's cells to counts, edge variances, classes and ground that is surely wide."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare, njit_inline
from swathledger.grid.causes import CAUSES
from swathledger.grid.cells import Cells
from swathledger.grid.frame import Band
from swathledger.grid.mask import TARGET
from swathledger.grid.opening import CHUNK, surely_wide
from swathledger.grid.width import measure_of
from swathledger.grid.workspace import Workspace

QUANTITIES = (
    "target",
    "applied",
    "covered",
    "single",
    "overlap",
    "overlap_extra",
    "skip",
    "outside",
    "excluded",
    "over_application",
    "boundary",
    "exclusion",
    "not_recorded",
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
NOT_RECORDED = 7
CLASSES = ("untouched", "single", "overlap", "skip", "outside", "excluded", "excluded_clear", "not_recorded")
"""Class codes of a cell, as stored in cover.tif."""


JUDGED = np.array([False, False, True, True, True, True, False, True])
"""Classes whose ground is judged by its width: those that are drawn, and given beyond tolerance."""

_LOOKUP = np.array(
    [
        [UNTOUCHED, OUTSIDE_TREATED, OUTSIDE_TREATED],
        [SKIP, SINGLE, OVERLAP],
        [EXCLUDED_CLEAR, EXCLUDED_TREATED, EXCLUDED_TREATED],
        [NOT_RECORDED, SINGLE, OVERLAP],
    ],
    dtype=np.uint8,
)
"""Class by zone and by treatments (0, 1, more)."""


def quantity_table() -> NDArray[np.int64]:
    """(4 * 256, quantities) value of every quantity for a cell of zone ``z`` treated ``n`` times, at row 256 z + n."""
    n = np.arange(256)
    zero, one = np.zeros(256, dtype=np.int64), np.ones(256, dtype=np.int64)
    covered, single, overlap = (n >= 1).astype(np.int64), (n == 1).astype(np.int64), (n >= 2).astype(np.int64)
    extra, skip = np.maximum(n - 1, 0), (n == 0).astype(np.int64)
    outside = np.stack([zero, n, zero, zero, zero, zero, zero, n, zero, n, zero, zero, zero], axis=1)
    target = np.stack([one, n, covered, single, overlap, extra, skip, zero, zero, extra, one, zero, zero], axis=1)
    excluded = np.stack([zero, n, zero, zero, zero, zero, zero, zero, n, n, one, one, zero], axis=1)
    gap = target.copy()  # ground that the log does not tell of is neither covered nor skip
    gap[:, QUANTITIES.index("skip")], gap[:, QUANTITIES.index("not_recorded")] = zero, skip
    return np.ascontiguousarray(np.vstack([outside, target, excluded, gap]).astype(np.int64))


PART = 16
"""Neighbouring cells that are looked at together where those of a chunk differ."""
ONCE = 256 * TARGET + 1
"""Key (256 zone + treatments) of target ground treated once; below it: beyond the boundary, and target left out."""
LEAST = np.nextafter(np.float32(0.9), np.float32(1.0))
"""Least dose as stored that is not under 0.9 of the set rate: the nearest value, 0.8999999762, is."""
MOST = np.nextafter(np.float32(1.1), np.float32(1.0))
"""Greatest dose as stored that is not over 1.1 of the set rate: the nearest value, 1.1000000238, is."""


class Counts(NamedTuple):
    """What a band's cells add up to.

    Attributes
    ----------
    histogram : (1024,) int64, cells of the core rows by 256 zone + treatments
    squares : (len(QUANTITIES),) int64, squared differences between neighbours
    causes : (len(CAUSES),) int64, extra treatments of target cells
    off_rate : (2,) int64, cells treated once with too little, too much
    """

    histogram: NDArray[np.int64]
    squares: NDArray[np.int64]
    causes: NDArray[np.int64]
    off_rate: NDArray[np.int64]


class Tables(NamedTuple):
    """Quantities and class of a cell by zone and treatments; see :func:`quantity_table`."""

    quantity: NDArray[np.int64]
    classes: NDArray[np.uint8]


@njit_bare
def _pair(squares, table, a, b):  # type: ignore[no-untyped-def]  # numba infers the types
    """Count an edge between neighbours of unlike key."""
    for k in range(len(squares)):
        squares[k] += (table[a, k] - table[b, k]) ** 2


@njit_inline
def _all_alike(row, up, c, stop):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether values ``c`` to ``stop`` are the same, in this row and in the one above."""
    value = row[c]
    other = np.uint8(0)
    for k in range(c, stop):
        other |= (row[k] ^ value) | (up[k] ^ value)
    return other == 0


@njit_bare
def _tally_row(cells, r, up, tables, counts, out):  # type: ignore[no-untyped-def]  # numba infers the types
    """Tally row ``r``, given the row above: stretches of like cells at once, the others one by one."""
    mask, times, cause, dose = cells.mask[r], cells.times[r], cells.cause[r], cells.dose[r]
    up_mask, up_times = cells.mask[up], cells.times[up]
    table, lookup = tables.quantity, tables.classes
    histogram, squares, causes, off_rate = counts
    end = np.uintp(len(mask))
    c = np.uintp(0)
    while c < end:
        key = np.int64(mask[c]) * 256 + times[c]
        stop = min(c + np.uintp(CHUNK), end)
        alike = _all_alike(mask, up_mask, c, stop) and _all_alike(times, up_times, c, stop)
        if not alike:
            stop = min(c + np.uintp(PART), end)
            alike = _all_alike(mask, up_mask, c, stop) and _all_alike(times, up_times, c, stop)
        if alike and key <= ONCE:
            histogram[key] += np.int64(stop - c)
            code = lookup[mask[c], min(times[c], 2)]
            for k in range(c, stop):
                out[k] = code
            if key == ONCE:
                low = np.int32(0)
                high = np.int32(0)
                for k in range(c, stop):
                    low += np.int32(dose[k] < LEAST)
                    high += np.int32(dose[k] > MOST)
                off_rate[0] += low
                off_rate[1] += high
        else:
            for k in range(c, stop):
                zone = mask[k]
                n = times[k]
                here = np.int64(zone) * 256 + n
                histogram[here] += 1
                out[k] = lookup[zone, min(n, 2)]
                if here == ONCE:
                    off_rate[0] += np.int64(dose[k] < LEAST)
                    off_rate[1] += np.int64(dose[k] > MOST)
                elif here > ONCE and zone == TARGET:
                    causes[cause[k]] += n - 1
                above = np.int64(up_mask[k]) * 256 + up_times[k]
                if above != here:
                    _pair(squares, table, here, above)
                if k > c:
                    before = np.int64(mask[k - np.uintp(1)]) * 256 + times[k - np.uintp(1)]
                    if before != here:
                        _pair(squares, table, before, here)
        if c > 0:
            before = np.int64(mask[c - np.uintp(1)]) * 256 + times[c - np.uintp(1)]
            if before != key:
                _pair(squares, table, before, key)
        c = stop


@njit_bare
def _tally(cells, core, tables, counts, classes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Histogram of (zone, treatments), edges, causes and off-rate cells of the core rows; classes of all rows."""
    rows, columns = cells.mask.shape
    for r in range(rows):
        if core[0] <= r < core[1]:
            _tally_row(cells, r, min(r + 1, rows - 1), tables, counts, classes[r])
        else:
            for c in range(columns):
                classes[r, c] = tables.classes[cells.mask[r, c], min(cells.times[r, c], 2)]


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
    classes : (rows + 2 halo, columns) uint8
    wide : (rows + 2 halo, columns) uint8
        1 where the cell's ground is surely wider than the tolerance, or of no class that is judged; what else is beyond
        it, :class:`swathledger.grid.beyond.Beyond` finds.
    """

    __slots__ = ("causes", "cells", "classes", "off_rate", "squares", "wide")

    def __init__(
        self, band: Band, cells: Cells, tolerance_m: float, cell_m: float, work: Workspace | None = None
    ) -> None:
        lend = (Workspace() if work is None else work).lend
        shape = cells.mask.shape
        self.squares = np.zeros(_N, dtype=np.int64)
        self.causes = np.zeros(len(CAUSES), dtype=np.int64)
        self.off_rate = np.zeros(2, dtype=np.int64)
        self.classes: NDArray[np.uint8] = lend("classes", shape, np.uint8)
        core = (band.halo, band.halo + band.rows)
        table = quantity_table()
        histogram = np.zeros(len(table), dtype=np.int64)
        counts = Counts(histogram, self.squares, self.causes, self.off_rate)
        _tally(cells, core, Tables(table, _LOOKUP), counts, self.classes)
        self.cells = histogram @ table
        self.wide: NDArray[np.uint8] = lend("wide", shape, np.uint8)
        rows = np.empty((2, 2, shape[1]), np.uint8)
        surely_wide(self.classes, measure_of(tolerance_m, cell_m).size, JUDGED, rows[0], rows[1], self.wide)

    def quantities(self) -> dict[str, int]:
        """The band's cells by quantity."""
        return {name: int(value) for name, value in zip(QUANTITIES, self.cells, strict=True)}
