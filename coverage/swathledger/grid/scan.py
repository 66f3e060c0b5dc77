"""Which cells of one row lie inside a polygon: the primitive under every other kernel.

A polygon is a list of edges, each stored with its lower end first: ``x0, y0, y1, slope`` with
``x = x0 + (y - y0) slope``. A sample point is inside when an odd number of edges with ``y0 <= y < y1`` passes to the
right of it (``x_point < x_edge``): half-open, so that two polygons that share an edge neither share nor miss a point.
Shared edges are computed from the same numbers in the same order and therefore agree to the last bit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.pattern import sample_point


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
        *(np.empty(edges) for _ in range(5)),
        np.empty(edges, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.zeros(2, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.empty(edges, dtype=np.int64),
        np.empty(spans, dtype=np.int64),
        np.empty(spans, dtype=np.int64),
    )


@njit
def put_edge(store, k, xa, ya, xb, yb):  # type: ignore[no-untyped-def]  # numba infers the types
    """Store the edge from (xa, ya) to (xb, yb) as edge ``k``, lower end first."""
    if ya > yb or (ya == yb and xa > xb):
        xa, ya, xb, yb = xb, yb, xa, ya
    store.x0[k] = xa
    store.y0[k] = ya
    store.y1[k] = yb
    store.width[k] = xb - xa
    store.slope[k] = (xb - xa) / (yb - ya) if yb > ya else 0.0


@njit
def begin_rows(store, edges):  # type: ignore[no-untyped-def]  # numba infers the types
    """Order the edges by their lower end, so that rows from south to north can be walked with few of them in hand."""
    if edges > 64:
        store.order[:edges] = np.argsort(store.y0[:edges])
    else:
        for e in range(edges):
            k = e
            y0 = store.y0[e]
            while k > 0 and store.y0[store.order[k - 1]] > y0:
                store.order[k] = store.order[k - 1]
                k -= 1
            store.order[k] = e
    store.cursor[0] = 0
    store.cursor[1] = 0


@njit
def inside(store, actives, px, py):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a point is inside, looking at the first ``actives`` active edges only."""
    odd = False
    for m in range(actives):
        e = store.active[m]
        if store.y0[e] <= py < store.y1[e] and px < store.x0[e] + (py - store.y0[e]) * store.slope[e]:
            odd = not odd
    return odd


@njit
def row_spans(store, edges, j, h, first_column, end_column):  # type: ignore[no-untyped-def]  # numba infers the types
    """Spans of cells of row ``j`` whose sample points lie inside, clipped to ``[first_column, end_column)``.

    Rows must be asked for from south to north after :func:`begin_rows`. Cells that no edge touches are judged a run at
    a time, the touched ones by their own sample point.
    Returns the number of spans written to ``store.span_first`` and ``store.span_end`` (half-open).
    """
    low = j * h
    high = low + h
    added = store.cursor[0]
    actives = store.cursor[1]
    while added < edges and store.y0[store.order[added]] <= high:
        store.active[actives] = store.order[added]
        actives += 1
        added += 1
    store.cursor[0] = added
    kept = 0
    touched = 0
    for m in range(actives):
        e = store.active[m]
        y0 = store.y0[e]
        y1 = store.y1[e]
        if y1 < low:
            continue
        store.active[kept] = e
        kept += 1
        if y1 > y0:
            ya = max(y0, low)
            yb = min(y1, high)
            xa = store.x0[e] + (ya - y0) * store.slope[e]
            xb = store.x0[e] + (yb - y0) * store.slope[e]
        else:
            xa = store.x0[e]
            xb = xa + store.width[e]
        # a hair wider than the edge itself, so that rounding never leaves a cut cell unjudged
        a = np.int64(np.floor(min(xa, xb) / h - 1e-7))
        b = np.int64(np.floor(max(xa, xb) / h + 1e-7))
        k = touched
        while k > 0 and store.touch_first[k - 1] > a:
            store.touch_first[k] = store.touch_first[k - 1]
            store.touch_last[k] = store.touch_last[k - 1]
            k -= 1
        store.touch_first[k] = a
        store.touch_last[k] = b
        touched += 1
    actives = kept
    store.cursor[1] = kept
    spans = 0
    k = 0
    while k < touched:
        a = store.touch_first[k]
        b = store.touch_last[k]
        k += 1
        while k < touched and store.touch_first[k] <= b + 1:
            b = max(b, store.touch_last[k])
            k += 1
        start = -1
        for i in range(max(a, first_column), min(b + 1, end_column)):
            u, v = sample_point(i, j)
            if inside(store, actives, (i + u) * h, (j + v) * h):
                if start < 0:
                    start = i - first_column
            elif start >= 0:
                store.span_first[spans] = start + first_column
                store.span_end[spans] = i
                spans += 1
                start = -1
        if start >= 0:
            store.span_first[spans] = start + first_column
            store.span_end[spans] = min(b + 1, end_column)
            spans += 1
        # the run up to the next touched cell is all in or all out
        if k < touched:
            lo = max(b + 1, first_column)
            hi = min(store.touch_first[k], end_column)
            if lo < hi and inside(store, actives, (b + 1.5) * h, low + 0.5 * h):
                store.span_first[spans] = lo
                store.span_end[spans] = hi
                spans += 1
    return spans
