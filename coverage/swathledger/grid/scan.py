"""Which cells of one row lie inside a polygon: the primitive under every other kernel.

A polygon is a list of edges, each stored with its lower end first: ``x0, y0, y1, slope`` with
``x = x0 + (y - y0) slope``. A sample point is inside when an odd number of edges with ``y0 <= y < y1`` passes to the
right of it (``x_point < x_edge``): half-open, so that two polygons that share an edge neither share nor miss a point.
Shared edges are computed from the same numbers in the same order and therefore agree to the last bit.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare, njit_inline
from swathledger.grid.pattern import sample_point

HAIR = 1e-7
"""Of a cell: edges are taken this much wider when the cells they may cut are looked for."""


class EdgeStore(NamedTuple):
    """Working space for the edges of one polygon and for the spans of one row (reused between polygons)."""

    x0: NDArray[np.float64]
    y0: NDArray[np.float64]
    y1: NDArray[np.float64]
    slope: NDArray[np.float64]
    width: NDArray[np.float64]
    order: NDArray[np.int64]
    active: NDArray[np.int64]
    cursor: NDArray[np.int64]
    touch_first: NDArray[np.int64]
    touch_last: NDArray[np.int64]
    span_first: NDArray[np.int64]
    span_end: NDArray[np.int64]


def edge_store(edges: int, columns: int) -> EdgeStore:
    """Working space for polygons of up to ``edges`` edges on rows of up to ``columns`` cells."""
    spans = columns + 4
    return EdgeStore(
        np.empty(edges),
        np.empty(edges),
        np.empty(edges),
        np.empty(edges),
        np.empty(edges),
        np.empty(edges, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.zeros(2, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.empty(spans, dtype=np.int64),
        np.empty(spans, dtype=np.int64),
    )


@njit_bare
def put_edge(store, k, xa, ya, xb, yb):  # type: ignore[no-untyped-def]  # numba infers the types
    """Store the edge from (xa, ya) to (xb, yb) as edge ``k``, lower end first."""
    if ya > yb or (ya == yb and xa > xb):
        xa, ya, xb, yb = xb, yb, xa, ya
    store.x0[k] = xa
    store.y0[k] = ya
    store.y1[k] = yb
    store.width[k] = xb - xa
    store.slope[k] = (xb - xa) / (yb - ya) if yb > ya else 0.0


@njit_bare
def begin_rows(store, edges):  # type: ignore[no-untyped-def]  # numba infers the types
    """Order the edges by their lower end, so that rows from south to north can be walked with few of them in hand."""
    order, y0 = store.order, store.y0
    for e in range(edges):
        order[e] = e
    gap = 1
    while gap < edges // 9:
        gap = 3 * gap + 1
    while gap > 0:  # Shell's sort: plain insertion for the few edges of a ribbon, quick enough for long rings
        for e in range(gap, edges):
            this = order[e]
            k = e
            while k >= gap and y0[order[k - gap]] > y0[this]:
                order[k] = order[k - gap]
                k -= gap
            order[k] = this
        gap //= 3
    store.cursor[0] = 0
    store.cursor[1] = 0


@njit_inline
def inside(x0, y0, y1, slope, active, actives, px, py):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a point is inside, looking at the first ``actives`` active edges only."""
    odd = False
    for m in range(actives):
        e = active[m]
        if y0[e] <= py < y1[e] and px < x0[e] + (py - y0[e]) * slope[e]:
            odd = not odd
    return odd


@njit_bare
def _advance(order, y0, y1, active, cursor, edges, low, high):  # type: ignore[no-untyped-def]  # numba infers the types
    """Bring the active edges to the row between ``low`` and ``high``; returns their number."""
    added = cursor[0]
    actives = cursor[1]
    while added < edges and y0[order[added]] <= high:
        active[actives] = order[added]
        actives += 1
        added += 1
    cursor[0] = added
    kept = 0
    for m in range(actives):
        e = active[m]
        if y1[e] >= low:
            active[kept] = e
            kept += 1
    cursor[1] = kept
    return kept


@njit_bare
def _row(store, actives, j, h, first_column, end_column, out_first, out_end, at):  # type: ignore[no-untyped-def]  # numba infers the types
    """Spans of row ``j`` written from index ``at`` on; returns the index behind the last of them."""
    x0, y0, y1, slope, width = store.x0, store.y0, store.y1, store.slope, store.width
    active, touch_first, touch_last = store.active, store.touch_first, store.touch_last
    low = j * h
    high = low + h
    per_cell = 1.0 / h
    for m in range(actives):
        e = active[m]
        if y1[e] > y0[e]:
            xa = x0[e] + (max(y0[e], low) - y0[e]) * slope[e]
            xb = x0[e] + (min(y1[e], high) - y0[e]) * slope[e]
        else:
            xa = x0[e]
            xb = xa + width[e]
        # a hair wider than the edge itself, so that rounding never leaves a cut cell unjudged
        a = np.int64(np.floor(min(xa, xb) * per_cell - HAIR))
        b = np.int64(np.floor(max(xa, xb) * per_cell + HAIR))
        k = m
        while k > 0 and touch_first[k - 1] > a:
            touch_first[k] = touch_first[k - 1]
            touch_last[k] = touch_last[k - 1]
            k -= 1
        touch_first[k] = a
        touch_last[k] = b
    end = first_column - 1  # of the latest span
    k = 0
    while k < actives:
        a = touch_first[k]
        b = touch_last[k]
        k += 1
        while k < actives and touch_first[k] <= b + 1:
            b = max(b, touch_last[k])
            k += 1
        for i in range(max(a, first_column), min(b + 1, end_column)):
            u, v = sample_point(i, j)
            if inside(x0, y0, y1, slope, active, actives, (i + u) * h, (j + v) * h):
                if i != end:
                    out_first[at] = i
                    at += 1
                end = i + 1
                out_end[at - 1] = end
        # the run up to the next touched cell is all in or all out
        if k < actives:
            lo = max(b + 1, first_column)
            hi = min(touch_first[k], end_column)
            if lo < hi and inside(x0, y0, y1, slope, active, actives, (b + 1.5) * h, low + 0.5 * h):
                if lo != end:
                    out_first[at] = lo
                    at += 1
                end = hi
                out_end[at - 1] = end
    return at


@njit_bare
def row_spans(store, edges, j, h, first_column, end_column):  # type: ignore[no-untyped-def]  # numba infers the types
    """Spans of cells of row ``j`` whose sample points lie inside, clipped to ``[first_column, end_column)``.

    Rows must be asked for from south to north after :func:`begin_rows`. Cells that no edge touches are judged a run at
    a time, the touched ones by their own sample point.
    Returns the number of spans written to ``store.span_first`` and ``store.span_end``: half-open, apart from each
    other, from west to east.
    """
    low = j * h
    actives = _advance(store.order, store.y0, store.y1, store.active, store.cursor, edges, low, low + h)
    if actives == 0:
        return 0
    return _row(store, actives, j, h, first_column, end_column, store.span_first, store.span_end, 0)


@njit_bare
def rows_spans(store, edges, j, end_row, h, first_column, end_column, out_row, out_first, out_end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Spans of rows ``j`` to ``end_row`` at once, as by :func:`row_spans` for one after the other.

    The three output arrays hold at least the spans of one row (columns / 2 + 2).
    Returns the number of spans and the row to go on with, which is ``end_row`` unless the output was full.
    """
    x0, y0, y1, slope = store.x0, store.y0, store.y1, store.slope
    active = store.active
    room = len(out_row) - (end_column - first_column) // 2 - 2
    per_cell = 1.0 / h
    at = 0
    while j < end_row and at <= room:
        low = j * h
        high = low + h
        actives = _advance(store.order, y0, y1, active, store.cursor, edges, low, high)
        before = at
        plain = False
        if actives == 2:
            e = active[0]
            f = active[1]
            if y0[e] <= low and y0[f] <= low and y1[e] >= high and y1[f] >= high:
                # two edges that pass the whole row, mostly the boom's own lines: what lies between them is inside
                xa = x0[e] + (low - y0[e]) * slope[e]
                xb = x0[e] + (high - y0[e]) * slope[e]
                xc = x0[f] + (low - y0[f]) * slope[f]
                xd = x0[f] + (high - y0[f]) * slope[f]
                if xc < xa:
                    e, f = f, e
                    xa, xb, xc, xd = xc, xd, xa, xb
                a = np.int64(np.floor(min(xa, xb) * per_cell - HAIR))
                b = np.int64(np.floor(max(xa, xb) * per_cell + HAIR))
                c = np.int64(np.floor(min(xc, xd) * per_cell - HAIR))
                d = np.int64(np.floor(max(xc, xd) * per_cell + HAIR))
                plain = bool(b < c and a >= first_column and d < end_column)
                if plain:
                    end: Any = a - 1
                    for i in range(a, b + 1):
                        u, v = sample_point(i, j)
                        if not (i + u) * h < x0[e] + ((j + v) * h - y0[e]) * slope[e]:
                            if i != end:
                                out_first[at] = i
                                at += 1
                            end = i + 1
                            out_end[at - 1] = end
                    if b + 1 < c:
                        if b + 1 != end:
                            out_first[at] = b + 1
                            at += 1
                        end = c
                        out_end[at - 1] = end
                    for i in range(c, d + 1):
                        u, v = sample_point(i, j)
                        if (i + u) * h < x0[f] + ((j + v) * h - y0[f]) * slope[f]:
                            if i != end:
                                out_first[at] = i
                                at += 1
                            end = i + 1
                            out_end[at - 1] = end
        if not plain and actives > 0:
            at = _row(store, actives, j, h, first_column, end_column, out_first, out_end, at)
        for k in range(before, at):
            out_row[k] = j
        j += 1
    return at, j
