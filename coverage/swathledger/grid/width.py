"""Whether ground is wider than the tolerance: its true width, traced along it, at any bearing.

Blocks of ``ceil(tolerance / h) + 2`` cells of one class are surely wider (the sample points of their outer rows and of
their outer corners lie farther apart than the tolerance whatever the bearing). All other ground is traced: column by
column of the axis that it runs along, some metres both ways, with its centre and slope followed. The count of its cells
times ``h^2`` is its area without bias, whatever the pattern of sample points; over the length of its centre line it is
its width. A strip that narrows is judged where it is: what is traced on one side is not farther than on the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare, njit_inline

REACH_CELLS, REACH_M = 60, 4.0
"""Ground is traced over so many columns, and so many metres, both ways: a width of 10 cm on cells of 10 cm then has a
standard error of 0.5 cm. Over twice that where the width is in doubt."""
SURE = 2.5
"""A width so many standard errors from the tolerance is not in doubt."""
LEAST_COLUMNS = 20
"""Near the end of a strip that narrows its width is taken over at least so many columns, as far as it reaches."""
UNLIKE = 2.5
"""A strip that reaches farther one way narrows where its mean widths differ by so many standard errors."""
BLOCK = 16
"""Ground is judged once a strip and block of so many cells each way, at fixed places of the plane's grid."""
SLACK = 2
"""Cells to either side of where a strip is expected in which it is looked for: sample points fray every edge by one."""
FIT_COLUMNS = 16
"""Columns to either side from which a strip's direction is taken before it is traced."""
FOLLOW, BEND = 0.25, 0.04
"""Share of the distance from where a strip was expected by which its centre, and its slope, are put right."""
STEEPEST = 3.0
DOUBT = 0.5
"""Standard errors by which a measured width must be above the tolerance."""
MAX_SIZE = 255
OPEN, WIDE, KEPT, LOST = 0, 1, 2, 4
"""Of a cell: not judged, surely wide (or of no class that is judged), judged wide, judged narrow."""


class Measure(NamedTuple):
    """What ground is measured with; lengths in cells.

    Attributes
    ----------
    tolerance : float
        The tolerance over the cell.
    size : int
        Side of a block that is surely wide; 0 where there is no tolerance.
    reach : int
        Columns traced both ways at most; half of it unless in doubt.
    gap : int
        Empty columns after which a strip has ended: on a strip as wide as the tolerance so many in a row are as good
        as never met.
    cap : int
        Cells in a column from which ground is wide.
    """

    tolerance: float
    size: int
    reach: int
    gap: int
    cap: int


def measure_of(tolerance_m: float, cell_m: float) -> Measure:
    """How ground is measured with a tolerance and a cell, both in metres."""
    if tolerance_m <= 0:
        return Measure(0.0, 0, 0, 0, 0)
    tolerance = min(tolerance_m / cell_m, MAX_SIZE - 2.0)
    size = int(np.ceil(tolerance - 1e-9)) + 2
    reach = 2 * max(REACH_CELLS, int(np.ceil(REACH_M / cell_m)), 2 * size)
    gap = int(min(np.ceil(5.0 / min(tolerance, 1.0)), reach // 4))
    return Measure(tolerance, size, reach, gap, 4 * size + 2)


def judge_rows(measure: Measure) -> int:
    """Rows beyond its own that must be known to judge a row."""
    return measure.reach + measure.cap + SLACK + 2 * BLOCK if measure.size else 0


class Trace(NamedTuple):
    """Working space of a trace, for the two ways: cells and length so far by column, and each column's extent."""

    cells: NDArray[np.int64]
    length: NDArray[np.float64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]


def trace_of(measure: Measure) -> Trace:
    """Empty working space."""
    shape = (2, measure.reach + 1)
    return Trace(np.zeros(shape, np.int64), np.zeros(shape), np.zeros(shape, np.int64), np.zeros(shape, np.int64))


@njit_inline
def _at(grid, upright, a, b):  # type: ignore[no-untyped-def]  # numba infers the types
    """Value at column ``a``, place ``b`` of a strip that runs along rows, or (upright) the other way round."""
    return grid[a, b] if upright else grid[b, a]


@njit_bare
def _extent(classes, own, upright, a, b, cap):  # type: ignore[no-untyped-def]  # numba infers the types
    """Extent and count of a column's cells of class ``own`` about place ``b``, over gaps of one cell."""
    end = classes.shape[1] if upright else classes.shape[0]
    low = b
    high = b
    count = 1
    while count < cap:
        if low >= 1 and _at(classes, upright, a, low - 1) == own:
            low -= 1
        elif low >= 2 and _at(classes, upright, a, low - 2) == own:
            low -= 2
        else:
            break
        count += 1
    while count < cap:
        if high + 1 < end and _at(classes, upright, a, high + 1) == own:
            high += 1
        elif high + 2 < end and _at(classes, upright, a, high + 2) == own:
            high += 2
        else:
            break
        count += 1
    return low, high, count


@njit_bare
def _walk(classes, kept, own, upright, a0, centre, slope, way, measure, columns, trace):  # type: ignore[no-untyped-def]  # numba infers the types
    """Trace one way (``way`` +1 or -1) from column ``a0``; returns last column, how it ended, centre there.

    Ended: 0 at the reach, 1 where the strip ends, 2 where it becomes surely wide.
    """
    side = 0 if way == 1 else 1
    cells, length, lows, highs = trace.cells[side], trace.length[side], trace.low[side], trace.high[side]
    end_a = classes.shape[0] if upright else classes.shape[1]
    end_b = classes.shape[1] if upright else classes.shape[0]
    cells[0] = 0
    length[0] = 0.0
    start = centre
    last = 0
    place = centre
    misses = 0
    for k in range(1, columns + 1):
        a = a0 + way * k
        centre += way * slope
        cells[k] = cells[k - 1]
        length[k] = length[k - 1] + np.sqrt(1.0 + slope * slope)
        lows[k] = 0
        highs[k] = -1
        if not (0 <= a < end_a) or abs(centre - start) > measure.reach or abs(slope) > STEEPEST:
            return last, 1, place
        b = np.int64(np.floor(centre + 0.5))
        found = np.int64(-1)
        for d in range(SLACK + 1):
            if 0 <= b - d < end_b and _at(classes, upright, a, b - d) == own:
                found = b - d
                break
            if 0 <= b + d < end_b and _at(classes, upright, a, b + d) == own:
                found = b + d
                break
        if found < 0:
            misses += 1
            if misses > measure.gap:
                return last, 1, place
            continue
        low, high, count = _extent(classes, own, upright, a, found, measure.cap)
        wide = count >= measure.cap
        for e in range(low, high + 1):
            wide = wide or (_at(kept, upright, a, e) == WIDE and _at(classes, upright, a, e) == own)
        if wide:
            return k - 1, 2, place
        misses = 0
        cells[k] += count
        lows[k] = low
        highs[k] = high
        off = (low + high) / 2 - centre
        centre += FOLLOW * off
        slope += way * BEND * off
        last = k
        place = centre
    return columns, 0, centre


@njit_bare
def _direction(classes, kept, own, r, c, radius):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether ground about a cell runs rather along columns (upright), its slope, and the number of cells seen."""
    rows, columns = classes.shape
    n = 0
    sr, sc, rr, cc, rc = 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(max(r - radius, 0), min(r + radius + 1, rows)):
        for i in range(max(c - radius, 0), min(c + radius + 1, columns)):
            if classes[j, i] == own and kept[j, i] != WIDE:
                y = np.float64(j - r)
                x = np.float64(i - c)
                n += 1
                sr += y
                sc += x
                rr += y * y
                cc += x * x
                rc += x * y
    rr -= sr * sr / n
    cc -= sc * sc / n
    rc -= sr * sc / n
    upright = rr > cc
    # slope of the longest axis of the cells' ellipse, as minor per major step
    more, less = (rr, cc) if upright else (cc, rr)
    root = np.sqrt((more - less) ** 2 + 4 * rc * rc)
    slope = 2 * rc / (more - less + root) if more - less + root > 0 else 0.0
    return upright, slope, n


@njit_bare
def _shift(upright, a0, columns, side, trace, top, left):  # type: ignore[no-untyped-def]  # numba infers the types
    """Last column of a trace, one way, that has a cell within the block at ``top``, ``left``."""
    way = 1 if side == 0 else -1
    first_a, first_b = (top, left) if upright else (left, top)
    last = 0
    for k in range(1, columns + 1):
        a = a0 + way * k
        if not first_a <= a < first_a + BLOCK:
            break
        if trace.low[side, k] < first_b + BLOCK and trace.high[side, k] >= first_b:
            last = k
    return last


@njit_bare
def _width(count, here, spread, ahead, behind, trace):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mean width of a trace and the number of its columns; its first has ``count`` cells over a length of ``here``.

    Taken as far one way as the other; over what reaches farther too, where the strip has the same width there.
    """
    cells, length = trace.cells, trace.length
    both = min(ahead, behind)
    near_a = min(ahead, max(both, LEAST_COLUMNS - behind))
    near_b = min(behind, max(both, LEAST_COLUMNS - ahead))
    area = count + cells[0, near_a] + cells[1, near_b]
    way = here + length[0, near_a] + length[1, near_b]
    columns = 1 + near_a + near_b
    more = ahead - near_a + behind - near_b
    if more > 0:
        more_area = cells[0, ahead] - cells[0, near_a] + cells[1, behind] - cells[1, near_b]
        more_way = length[0, ahead] - length[0, near_a] + length[1, behind] - length[1, near_b]
        error = np.sqrt(spread * (1.0 / columns + 1.0 / more))
        if abs(area / way - more_area / more_way) <= UNLIKE * error:
            area += more_area
            way += more_way
            columns += more
    return area / way, columns


@njit_bare
def _is_wide(classes, kept, r, c, measure, trace, top, left):  # type: ignore[no-untyped-def]  # numba infers the types
    """Judge the ground of a cell's strip in the middle of the block at ``top``, ``left``.

    Returns whether it is wide, and how it was traced: upright, from which column, how many ahead and behind.
    """
    own = classes[r, c]
    radius = max(6, measure.size + 2)
    upright, slope, n = _direction(classes, kept, own, r, c, radius)
    while n < 6 and radius < measure.gap:  # few cells where the tolerance is far below a cell
        radius *= 2
        upright, slope, n = _direction(classes, kept, own, r, c, radius)
    a0, b0 = (r, c) if upright else (c, r)
    low, high, count = _extent(classes, own, upright, a0, b0, measure.cap)
    trace.low[0, 0] = low
    trace.high[0, 0] = high
    if count >= measure.cap:
        return True, upright, a0, 0, 0
    centre = (low + high) / 2
    ahead, _, to = _walk(classes, kept, own, upright, a0, centre, slope, 1, measure, FIT_COLUMNS, trace)
    behind, _, fro = _walk(classes, kept, own, upright, a0, centre, slope, -1, measure, FIT_COLUMNS, trace)
    if ahead + behind >= 6:
        slope = (to - fro) / (ahead + behind)
    # from the middle of what lies in the block, or the next column towards here that has any
    move = (_shift(upright, a0, ahead, 0, trace, top, left) - _shift(upright, a0, behind, 1, trace, top, left)) // 2
    way, side = (1, 0) if move > 0 else (-1, 1)
    k = abs(move)
    while k > 0 and trace.high[side, k] < trace.low[side, k]:
        k -= 1
    if k > 0:
        a0 += way * k
        low, high, count = _extent(classes, own, upright, a0, trace.low[side, k], measure.cap)
        trace.low[0, 0] = low
        trace.high[0, 0] = high
        centre = (low + high) / 2
    tilt = 1.0 + slope * slope
    # each column's count has the variance of the cells that its two edges cut, 1/6 each
    spread = (1.0 + abs(slope)) / (3.0 * tilt)
    wide = False
    ahead, behind = 0, 0
    for reach in (measure.reach // 2, measure.reach):
        ahead, end_a, _ = _walk(classes, kept, own, upright, a0, centre, slope, 1, measure, reach, trace)
        behind, end_b, _ = _walk(classes, kept, own, upright, a0, centre, slope, -1, measure, reach, trace)
        beside = (end_a == 2 and ahead <= 1) or (end_b == 2 and behind <= 1)
        if beside or (end_a == 2 and end_b == 2 and ahead + behind < 6):
            return True, upright, a0, ahead, behind
        width, columns = _width(count, np.sqrt(tilt), spread, ahead, behind, trace)
        error = np.sqrt(spread / columns)
        wide = width >= measure.tolerance + DOUBT * error
        if abs(width - measure.tolerance) > SURE * error or (end_a != 0 and end_b != 0):
            break
    return wide, upright, a0, ahead, behind


@njit_bare
def _mark(classes, kept, own, upright, a0, columns, side, verdict, trace, top, left):  # type: ignore[no-untyped-def]  # numba infers the types
    """Give the cells of a trace within the block at ``top``, ``left`` their verdict."""
    way = 1 if side == 0 else -1
    for k in range(min(columns, BLOCK) + 1):
        at = 0 if k == 0 else side
        for b in range(trace.low[at, k], trace.high[at, k] + 1):
            j, i = (a0 + way * k, b) if upright else (b, a0 + way * k)
            if top <= j < top + BLOCK and left <= i < left + BLOCK and kept[j, i] == OPEN and classes[j, i] == own:
                kept[j, i] = verdict


@njit_bare
def _both(out, row):  # type: ignore[no-untyped-def]  # numba infers the types
    for c in range(len(out)):
        out[c] &= row[c]


@njit_bare
def _full(row):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether all of a row is 1."""
    all_of = np.uint8(1)
    for c in range(len(row)):
        all_of &= row[c]
    return all_of == 1


@njit_bare
def judge(classes, kept, first_row, core, measure, trace, spare):  # type: ignore[no-untyped-def]  # numba infers the types
    """Judge every open cell of the core rows: ``kept`` becomes KEPT or LOST there.

    Parameters
    ----------
    classes, kept : (rows, columns) uint8
        The core rows with :func:`judge_rows` on either side.
    first_row : int
        Row of the plane's grid of the first of them: blocks lie at fixed places.
    core : (2,) int
        First row that is judged, and the one after the last.
    spare : (columns,) uint8
        Working space.
    """
    rows, columns = classes.shape
    top = core[0] - (first_row + core[0]) % BLOCK
    while top < core[1]:
        least, most = max(top, 0), min(top + BLOCK, rows)
        spare[:] = 1
        for r in range(least, most):
            _both(spare, kept[r])
        left = -BLOCK
        while left + BLOCK < columns:
            left += BLOCK
            stop = min(left + BLOCK, columns)
            if _full(spare[left:stop]):
                continue
            for r in range(least, most):
                for i in range(left, stop):
                    if kept[r, i] != OPEN:
                        continue
                    own = classes[r, i]
                    wide, upright, a0, ahead, behind = _is_wide(classes, kept, r, i, measure, trace, top, left)
                    verdict = np.uint8(KEPT if wide else LOST)
                    _mark(classes, kept, own, upright, a0, ahead, 0, verdict, trace, top, left)
                    _mark(classes, kept, own, upright, a0, behind, 1, verdict, trace, top, left)
                    kept[r, i] = verdict
        top += BLOCK


@njit_bare
def settle(classes, times, kept, core, lost, lost_treatments):  # type: ignore[no-untyped-def]  # numba infers the types
    """Make ``kept`` 1 or 0 in the core rows; count cells and treatments that are lost, by class.

    ``classes`` and ``kept`` as for :func:`judge`; ``times`` holds the core rows only.
    """
    columns = classes.shape[1]
    for r in range(core[0], core[1]):
        row = kept[r]
        for left in range(0, columns, 64):
            stop = min(left + 64, columns)
            if _full(row[left:stop]):
                continue
            for c in range(left, stop):
                if row[c] == LOST:
                    lost[classes[r, c]] += 1
                    lost_treatments[classes[r, c]] += times[r - core[0], c]
                    row[c] = 0
                elif row[c] == KEPT:
                    row[c] = 1
