"""Painting what outlet groups sweep: outlines between any two places of the drive, spans, and the flush of groups."""

from __future__ import annotations

import numpy as np

from swathledger._jit import njit_bare
from swathledger.grid.mask import TARGET
from swathledger.grid.paint import CROSSING, GUIDANCE, GUIDANCE_DEG, RESTART, TURN
from swathledger.grid.scan import begin_rows, put_edge, row_spans
from swathledger.shutoff.state import N_MASK, TILE_BITS

MAX_STRIP_M = 4.0
MAX_BASE_POSES = 24


@njit_bare
def _outline(drive, store, a, ua, b, ub, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Edges of the ground swept from fraction ``ua`` of step ``a`` to fraction ``ub`` of step ``b``. Returns count."""
    k = 0
    px0 = py0 = px1 = py1 = 0.0
    for n in range(b - a + 2):
        if n == 0:
            s, u = a, ua
        elif n == b - a + 1:
            s, u = b, ub
        else:
            s, u = a + n, 0.0
        x0 = drive.x[s] + left * drive.right_x[s]
        y0 = drive.y[s] + left * drive.right_y[s]
        x1 = drive.x[s] + right * drive.right_x[s]
        y1 = drive.y[s] + right * drive.right_y[s]
        if u > 0.0:
            e = s + 1
            x0 += u * (drive.x[e] + left * drive.right_x[e] - x0)
            y0 += u * (drive.y[e] + left * drive.right_y[e] - y0)
            x1 += u * (drive.x[e] + right * drive.right_x[e] - x1)
            y1 += u * (drive.y[e] + right * drive.right_y[e] - y1)
        if n == 0:
            put_edge(store, 0, x0, y0, x1, y1)
            k = 1
        else:
            put_edge(store, k, px0, py0, x0, y0)
            put_edge(store, k + 1, px1, py1, x1, y1)
            k += 2
        px0, py0, px1, py1 = x0, y0, x1, y1
    put_edge(store, k, px0, py0, px1, py1)
    return k + 1


@njit_bare
def _why(slots, s, p):  # type: ignore[no-untyped-def]  # numba infers the types
    if slots.pass_id[s] == slots.pass_id[p]:
        return TURN
    difference = abs(slots.heading_deg[s] - slots.heading_deg[p]) % 180.0
    if min(difference, 180.0 - difference) > GUIDANCE_DEG:
        return CROSSING
    return RESTART if slots.line[s] == slots.line[p] else GUIDANCE


@njit_bare
def _span(state, last, this, limit, slots, revisit_s, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat the cells of a span once; ``limit`` treats only target cells that nothing treated yet."""
    if limit:
        for c in range(state.shape[0]):
            if state[c] == TARGET << 6:
                state[c] += 1
                last[c] = this
        return
    seen = np.uint8(0)
    for c in range(state.shape[0]):
        seen |= state[c] & np.uint8(N_MASK)
    if seen == 0:
        for c in range(state.shape[0]):
            state[c] += np.uint8(1)
            last[c] = this
        return
    my_pass = slots.pass_id[this]
    my_time = slots.time_s[this]
    for c in range(state.shape[0]):
        n = state[c] & N_MASK
        if n == 0:
            state[c] += np.uint8(1)
        else:
            p = last[c]
            again = p != this and (slots.pass_id[p] != my_pass or abs(my_time - slots.time_s[p]) > revisit_s)
            if again and n < N_MASK:
                state[c] += np.uint8(1)
                if state[c] >> 6 == TARGET:
                    causes[_why(slots, this, p)] += 1
        last[c] = this


@njit_bare
def _sweep(drive, ground, store, slots, this, a, ua, b, ub, left, right, limit, revisit_s, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    edges = _outline(drive, store, a, ua, b, ub, left, right)
    low = np.inf
    high = -np.inf
    for e in range(edges):
        low = min(low, store.y0[e])
        high = max(high, store.y1[e])
    rows, columns = ground.state.shape
    begin_rows(store, edges)
    j0 = max(np.int64(np.floor(low / ground.h - 1e-7)), ground.first_row)
    j1 = min(np.int64(np.floor(high / ground.h + 1e-7)), ground.first_row + rows - 1)
    for j in range(j0, j1 + 1):
        spans = row_spans(store, edges, j, ground.h, ground.first_column, ground.first_column + columns)
        for q in range(spans):
            c0 = store.span_first[q] - ground.first_column
            c1 = store.span_end[q] - ground.first_column
            for t in range(c0 >> TILE_BITS, ((c1 - 1) >> TILE_BITS) + 1):
                if ground.first[(j - ground.first_row) >> TILE_BITS, t] == 0:
                    ground.first[(j - ground.first_row) >> TILE_BITS, t] = this
            _span(
                ground.state[j - ground.first_row, c0:c1],
                ground.slot[j - ground.first_row, c0:c1],
                this,
                limit,
                slots,
                revisit_s,
                causes,
            )


@njit_bare
def flush(drive, ground, store, slots, edges_m, pending, g0, g1, b, ub, limit, revisit_s, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Paint what groups ``g0..g1`` swept since they were last painted, neighbours with one beginning at once."""
    opened, from_step, from_u, from_slot = pending
    g = g0
    while g < g1:
        if not opened[g]:
            g += 1
            continue
        e = g + 1
        while e < g1 and opened[e] and from_step[e] == from_step[g] and from_u[e] == from_u[g]:
            e += 1
        if b > from_step[g] or (b == from_step[g] and ub > from_u[g]):
            _sweep(
                drive,
                ground,
                store,
                slots,
                from_slot[g],
                from_step[g],
                from_u[g],
                b,
                ub,
                edges_m[g],
                edges_m[e],
                limit,
                revisit_s,
                causes,
            )
        g = e
