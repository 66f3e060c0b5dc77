"""The coverage kernel: how often, how much and why, for every cell of a band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare, njit_inline
from swathledger.grid.cause_rule import cause_of_strips
from swathledger.grid.cells import (
    AHEAD,
    BLOCK,
    BY_CAUSE,
    DEPOSITS,
    MAX_COUNT,
    ON_EXCLUDED,
    ON_OUTSIDE,
    ON_OVERLAP,
    ON_TARGET,
    SPANS,
    Brush,
    Cells,
    Litres,
    Run,
    Spans,
    Window,
    empty_cells,
)
from swathledger.grid.dose import place_of, row_of_doses
from swathledger.grid.frame import Band
from swathledger.grid.mask import EXCLUDED, OUTSIDE, TARGET
from swathledger.grid.prefetch import prefetch
from swathledger.grid.revisit import is_away, pose_away
from swathledger.grid.scan import HAIR, begin_rows, edge_store, put_edge, rows_spans
from swathledger.grid.strips import MAX_POSES
from swathledger.grid.workspace import Workspace


@njit_bare
def strip_edges(store, lines, first, poses, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Store a strip's outline: first boom line, right ends, last boom line, left ends. Returns the edge count."""
    last = first + poses - 1
    k = 0
    ax = lines.x[first] + left * lines.right_x[first]
    ay = lines.y[first] + left * lines.right_y[first]
    bx = lines.x[first] + right * lines.right_x[first]
    by = lines.y[first] + right * lines.right_y[first]
    put_edge(store, k, ax, ay, bx, by)
    k += 1
    for p in range(first + 1, last + 1):
        cx = lines.x[p] + left * lines.right_x[p]
        cy = lines.y[p] + left * lines.right_y[p]
        dx = lines.x[p] + right * lines.right_x[p]
        dy = lines.y[p] + right * lines.right_y[p]
        put_edge(store, k, ax, ay, cx, cy)
        put_edge(store, k + 1, bx, by, dx, dy)
        k += 2
        ax, ay, bx, by = cx, cy, dx, dy
    put_edge(store, k, ax, ay, bx, by)
    return k + 1


@njit_inline
def _untouched(last, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether nothing has hit cells ``lo`` to ``end`` yet."""
    seen = np.int32(0)
    for k in range(lo, end):
        seen |= last[k]
    return seen == 0


@njit_inline
def _sum(row, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Sum of ``row[lo:end]``, in eight lanes whatever the processor, so that it is the same everywhere."""
    s0, s1, s2, s3, s4, s5, s6, s7 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    whole = lo + (end - lo) // 8 * 8
    for k in range(lo, whole, 8):
        s0 += row[k]
        s1 += row[k + 1]
        s2 += row[k + 2]
        s3 += row[k + 3]
        s4 += row[k + 4]
        s5 += row[k + 5]
        s6 += row[k + 6]
        s7 += row[k + 7]
    for k in range(whole, end):
        s0 += row[k]
    return ((s0 + s4) + (s2 + s6)) + ((s1 + s5) + (s3 + s7))


@njit_bare
def _mixed_deposit(mask, doses, lo, end, litres, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Deposit on cells ``lo`` to ``end``, treated once, of more than one zone."""
    beyond, on, excluded = 0.0, 0.0, 0.0
    for k in range(lo, end):
        dose = np.float64(doses[k])
        zone = mask[k]
        beyond += dose if zone == OUTSIDE else 0.0
        on += dose if zone == TARGET else 0.0
        excluded += dose if zone == EXCLUDED else 0.0
    into[ON_TARGET] += on * litres
    into[ON_OUTSIDE] += beyond * litres
    into[ON_EXCLUDED] += excluded * litres


@njit_bare
def _treat_again(flat, brush, s, doses, run, h, litres, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat the cells of a run, some treated before; cell ``k`` gets ``doses[k - shift]``."""
    lo, end, shift, row, column = run
    y = (row + 0.5) * h
    mask, times, cause, last, sums = flat
    strips = brush.strips
    this = np.int32(s + 1)
    judged = np.int32(0)  # the strip before, for which what follows was found
    same_pass = False
    why = np.uint8(0)
    since = 0
    left_at = -1  # a pose at which the boom was off the last cell asked for: mostly off the next one too
    slot = ON_TARGET
    total = 0.0
    for k in range(lo, end):
        previous = last[k]
        zone = mask[k]
        dose = doses[k - shift]
        last[k] = this
        sums[k] += dose
        if previous == 0:
            times[k] = 1
        else:
            if previous != judged:
                judged = previous
                p = previous - 1
                same_pass = strips.pass_id[p] == strips.pass_id[s]
                since = strips.first_pose[p] + strips.poses[p] - 1
                left_at = -1
                why = cause_of_strips(strips, s, p)
            separate = True
            if same_pass:
                x = (column + np.int64(k - shift) + 0.5) * h
                if left_at < 0 or not is_away(brush.lines, left_at, brush.boom, x, y):
                    left_at = pose_away(brush.lines, since, strips.first_pose[s], brush.boom, x, y)
                separate = left_at >= 0
            if separate:
                if times[k] < MAX_COUNT:
                    times[k] += np.uint8(1)
                if zone == TARGET and cause[k] == 0:
                    cause[k] = why
        if zone == TARGET:
            put = ON_TARGET if cause[k] == 0 else BY_CAUSE + int(cause[k])
        else:
            put = ON_OUTSIDE if zone == OUTSIDE else ON_EXCLUDED
        if put != slot:
            into[slot] += total * litres
            total = 0.0
            slot = put
        total += dose
    into[slot] += total * litres


@njit_inline
def _ask_for(flat, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Have the cells of a row that comes soon fetched: rows lie far apart, and short rows would wait for each."""
    mask, times, _, last, doses = flat
    for k in range(lo, end, np.uintp(16)):  # 64 bytes of four-byte values
        prefetch(last, k)
        prefetch(doses, k)
    for k in range(lo, end, np.uintp(64)):
        prefetch(times, k)
        prefetch(mask, k)


@njit_bare
def _treat_fresh(flat, this, doses, even, run, litres, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat the cells of a run, none of them treated before."""
    lo, end, shift, _, _ = run
    mask, times, _, last, sums = flat
    one = np.uint8(1)
    for k in range(lo, end):
        last[k] = this
    for k in range(lo, end):
        sums[k] = doses[k - shift]
    zone = mask[lo]
    other = np.uint8(0)
    for k in range(lo, end):
        times[k] = one
        other |= mask[k] ^ zone
    if other == 0:
        total = np.float64(end - lo) * doses[lo - shift] if even else _sum(doses, lo - shift, end - shift)
        into[ON_TARGET if zone == TARGET else ON_OUTSIDE if zone == OUTSIDE else ON_EXCLUDED] += total * litres
    else:
        _mixed_deposit(mask, sums, lo, end, litres, into)


@njit_bare
def _treat_spans(flat, brush, s, spans, count, window, doses, place, litre_sums):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat the first ``count`` spans, all of strip ``s``."""
    last = flat.last
    this = np.int32(s + 1)
    block = np.uintp(BLOCK)
    base = np.float32(brush.strips.dose[s])
    litres = brush.strips.set_l_m2[s] * window.h * window.h
    even = place.level
    if even:
        # one dose for all: a row of it serves every span
        longest = 0
        for q in range(count):
            longest = max(longest, spans.end[q] - spans.first[q])
        for c in range(longest):
            doses[c] = base
    for q in range(count):
        if q + AHEAD < count:
            start = (spans.row[q + AHEAD] - window.first_row) * window.columns - window.first_column
            _ask_for(flat, np.uintp(start + spans.first[q + AHEAD]), np.uintp(start + spans.end[q + AHEAD]))
        j = spans.row[q]
        into = litre_sums.core if window.core_first <= j < window.core_end else litre_sums.halo
        start = (j - window.first_row) * window.columns - window.first_column
        shift = np.uintp(start + spans.first[q])
        span_stop = np.uintp(start + spans.end[q])
        if not even:
            row_of_doses(doses, spans.end[q] - spans.first[q], base, place, spans.first[q], j)
        lo = shift
        while lo < span_stop:
            fresh = _untouched(last, lo, span_stop)
            end = span_stop
            if not fresh:
                # what was touched before is mostly a fringe: only blocks that hold some of it are judged cell by cell
                end = min(lo + block, span_stop)
                fresh = _untouched(last, lo, end)
                while end < span_stop and _untouched(last, end, min(end + block, span_stop)) == fresh:
                    end = min(end + block, span_stop)
            run = Run(lo, end, shift, j, spans.first[q])
            if fresh:
                _treat_fresh(flat, this, doses, even, run, litres, into)
            else:
                _treat_again(flat, brush, s, doses, run, window.h, litres, into)
            lo = end


@njit_bare
def _paint(flat, brush, chosen, store, spans, doses, window, litre_sums):  # type: ignore[no-untyped-def]  # numba infers the types
    strips, lines, h = brush.strips, brush.lines, window.h
    for n in range(len(chosen)):
        s = chosen[n]
        first = strips.first_pose[s]
        left = strips.left_m[s]
        right = strips.right_m[s]
        edges = strip_edges(store, lines, first, strips.poses[s], left, right)
        place = place_of(strips, lines, s, h)
        j = max(np.int64(np.floor(strips.y_min[s] / h - HAIR)), window.first_row)
        end_row = min(np.int64(np.floor(strips.y_max[s] / h + HAIR)) + 1, window.first_row + window.rows)
        begin_rows(store, edges)
        while j < end_row:
            count, j = rows_spans(
                store,
                edges,
                j,
                end_row,
                h,
                window.first_column,
                window.first_column + window.columns,
                spans.row,
                spans.first,
                spans.end,
            )
            _treat_spans(flat, brush, s, spans, count, window, doses, place, litre_sums)


def paint_band(
    band: Band, cell_m: float, mask: NDArray[np.uint8], brush: Brush, work: Workspace | None = None
) -> tuple[Cells, NDArray[np.float64]]:
    """Paint all strips that reach a band, in time order.

    Parameters
    ----------
    mask : (rows + 2 halo, columns) uint8
        From :func:`swathledger.grid.mask.band_mask`.
    work : Workspace, optional
        Where the cells' memory is taken from.

    Returns
    -------
    cells : Cells
    deposit : (DEPOSITS,) float64
        Litres on the band's own rows (halo left out), by place and reason.
    """
    strips = brush.strips
    first_row = band.first_row - band.halo
    rows = band.rows + 2 * band.halo
    cells = empty_cells(mask, work)
    low, high = first_row * cell_m, (first_row + rows) * cell_m
    chosen = np.flatnonzero((strips.y_max >= low) & (strips.y_min <= high))
    deposit = np.zeros(DEPOSITS)
    _paint(
        cells.flat(),
        brush,
        chosen,
        edge_store(2 * MAX_POSES + 4, band.columns),
        Spans(*(np.empty(SPANS + band.columns, np.int64) for _ in range(3))),
        np.empty(band.columns, np.float32),
        Window(cell_m, first_row, band.first_column, rows, band.columns, band.first_row, band.first_row + band.rows),
        Litres(deposit, np.zeros(DEPOSITS)),
    )
    deposit[ON_OVERLAP] = deposit[BY_CAUSE:].sum()
    return cells, deposit
