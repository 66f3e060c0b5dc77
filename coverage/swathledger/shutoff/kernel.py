"""The replay kernel: one layout of outlet groups driven along the recorded poses, sequential in time.

Positions along a step between two poses are found by moving both centre and boom vector evenly, so that what is
painted is exactly a part of the ribbon that the log's own accounting paints.

A cell's state is one byte: its zone in the two upper bits (0 outside, 1 target, 2 excluded) and its separate
treatments below (held at 63). Beside it stands the slot of its last treatment: a stretch of one pass at most
``slot_s`` long, from which pass, time, heading and line are known.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.mask import TARGET
from swathledger.grid.paint import CROSSING, GUIDANCE, GUIDANCE_DEG, RESTART, TURN
from swathledger.grid.scan import begin_rows, put_edge, row_spans

N_MASK = 63
MAX_STRIP_M = 4.0
MAX_BASE_POSES = 24
MAX_SLOTS = 65535


class Drive(NamedTuple):
    """The recorded drive as the kernel wants it; ``p`` poses, ``p - 1`` steps.

    Attributes
    ----------
    x, y, right_x, right_y, time_s : (p,) float64
    moving : (p - 1,) bool, linked and not standing
    linked : (p - 1,) bool
    wanted : (p - 1,) bool
    distance_m, dose : (p - 1,) float64; dose in L/m2 (0 where unknown)
    reverse : (p - 1,) bool
    pass_id : (p - 1,) int64
    line_of_pass : (passes,) int64
    heading_deg : (p,) float64
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    right_x: NDArray[np.float64]
    right_y: NDArray[np.float64]
    time_s: NDArray[np.float64]
    moving: NDArray[np.bool_]
    linked: NDArray[np.bool_]
    wanted: NDArray[np.bool_]
    distance_m: NDArray[np.float64]
    dose: NDArray[np.float64]
    reverse: NDArray[np.bool_]
    pass_id: NDArray[np.int64]
    line_of_pass: NDArray[np.int64]
    heading_deg: NDArray[np.float64]


class Ground(NamedTuple):
    """Cells of one layout: ``state`` uint8 and ``slot`` uint16 (rows, columns), row 0 southmost; slot 0 is never."""

    state: NDArray[np.uint8]
    slot: NDArray[np.uint16]
    h: float
    first_row: int
    first_column: int


class Slots(NamedTuple):
    """What is known of each slot; index 0 is unused."""

    pass_id: NDArray[np.int32]
    line: NDArray[np.int32]
    time_s: NDArray[np.float64]
    heading_deg: NDArray[np.float32]


class Probe(NamedTuple):
    """Where the boom looks at the ground: ``m`` lateral places, group by group from left to right.

    Attributes
    ----------
    lateral_m : (m,) float64, increasing; both ends of every group are among them
    weight : (m,) float64, the share of its group each place stands for (sums to 1 a group)
    group : (m,) int64, -1 for places beyond the boom's ends
    """

    lateral_m: NDArray[np.float64]
    weight: NDArray[np.float64]
    group: NDArray[np.int64]


class Valve(NamedTuple):
    """Controller and valves; see :class:`swathledger.machine.carrier.Valves`."""

    on_delay_s: float
    off_delay_s: float
    look_ahead_on_s: float
    look_ahead_off_s: float
    minimum_on_s: float
    open_above: float
    beside_m: float


class Rim(NamedTuple):
    """Edges of the target, and working space for those near the boom.

    Attributes
    ----------
    edges : (e, 4) float64, ``x_a, y_a, x_b, y_b`` of all rings of the target
    near : (e,) int64, those that the current step may meet
    crossing : (e,) float64, where the boom's line crosses them
    """

    edges: NDArray[np.float64]
    near: NDArray[np.int64]
    crossing: NDArray[np.float64]


@njit
def _near_edges(drive, rim, a, reach_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """List the target's edges within ``reach_m`` of either pose of a step. Returns how many."""
    x0 = min(drive.x[a], drive.x[a + 1]) - reach_m
    x1 = max(drive.x[a], drive.x[a + 1]) + reach_m
    y0 = min(drive.y[a], drive.y[a + 1]) - reach_m
    y1 = max(drive.y[a], drive.y[a + 1]) + reach_m
    edges = rim.edges
    count = 0
    for e in range(edges.shape[0]):
        if (
            max(edges[e, 0], edges[e, 2]) >= x0 and min(edges[e, 0], edges[e, 2]) <= x1
            and max(edges[e, 1], edges[e, 3]) >= y0 and min(edges[e, 1], edges[e, 3]) <= y1
        ):
            rim.near[count] = e
            count += 1
    return count


@njit
def _crossings(rim, near, cx, cy, rx, ry):  # type: ignore[no-untyped-def]  # numba infers the types
    """Lateral places where the boom's line crosses the near edges, sorted into ``rim.crossing``. Returns how many."""
    count = 0
    for m in range(near):
        e = rim.near[m]
        ax, ay = rim.edges[e, 0] - cx, rim.edges[e, 1] - cy
        bx, by = rim.edges[e, 2] - cx, rim.edges[e, 3] - cy
        ahead_a = ay * rx - ax * ry
        ahead_b = by * rx - bx * ry
        if (ahead_a >= 0.0) != (ahead_b >= 0.0):
            lateral_a = ax * rx + ay * ry
            lateral_b = bx * rx + by * ry
            place = lateral_a + (lateral_b - lateral_a) * ahead_a / (ahead_a - ahead_b)
            k = count
            while k > 0 and rim.crossing[k - 1] > place:
                rim.crossing[k] = rim.crossing[k - 1]
                k -= 1
            rim.crossing[k] = place
            count += 1
    return count


@njit
def _on_target(ground, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether the cell at a place is target; what lies beyond the frame is not."""
    i = np.int64(np.floor(x / ground.h)) - ground.first_column
    j = np.int64(np.floor(y / ground.h)) - ground.first_row
    if 0 <= i < ground.state.shape[1] and 0 <= j < ground.state.shape[0]:
        return ground.state[j, i] >> 6 == TARGET
    return False


@njit
def _is_treated(ground, slots, slot, wake_s, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether the cell at a place was treated before; the boom's own wake of the last moments does not count."""
    i = np.int64(np.floor(x / ground.h)) - ground.first_column
    j = np.int64(np.floor(y / ground.h)) - ground.first_row
    if not (0 <= i < ground.state.shape[1] and 0 <= j < ground.state.shape[0]):
        return False
    if ground.state[j, i] & N_MASK == 0:
        return False
    p = ground.slot[j, i]
    return slots.pass_id[p] != slots.pass_id[slot] or slots.time_s[slot] - slots.time_s[p] >= wake_s


@njit
def _starts_inside(ground, rim, crossings, cx, cy, rx, ry, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether the line is on target left of its first crossing, read where no edge is near."""
    best = -1.0
    place = 0.5 * (left + right)
    flips = 0
    passed = 0
    low = left
    for k in range(crossings + 1):
        high = right if k == crossings else min(max(rim.crossing[k], left), right)
        if high - low > best:
            best = high - low
            place = 0.5 * (low + high)
            flips = passed
        low = high
        passed += 1
    here = _on_target(ground, cx + place * rx, cy + place * ry)
    return here if flips % 2 == 0 else not here


@njit
def _look(drive, ground, rim, near, probe, slots, slot, wake_s, a, u, ahead_m, valve, treated, share):  # type: ignore[no-untyped-def]  # numba infers the types
    """Share of every group's line, ``ahead_m`` ahead of the boom, that is target and not yet treated.

    Where the line leaves the target is found exactly; what is treated is read from the cells.
    """
    b = a + 1
    cx = drive.x[a] + u * (drive.x[b] - drive.x[a])
    cy = drive.y[a] + u * (drive.y[b] - drive.y[a])
    rx = drive.right_x[a] + u * (drive.right_x[b] - drive.right_x[a])
    ry = drive.right_y[a] + u * (drive.right_y[b] - drive.right_y[a])
    way = -ahead_m if drive.reverse[a] else ahead_m
    cx -= ry * way
    cy += rx * way
    m = probe.lateral_m.shape[0]
    crossings = _crossings(rim, near, cx, cy, rx, ry)
    inside = _starts_inside(ground, rim, crossings, cx, cy, rx, ry, probe.lateral_m[0], probe.lateral_m[m - 1])
    crossed = 0
    last_treated = -np.inf
    for k in range(m):
        lateral = probe.lateral_m[k]
        while crossed < crossings and rim.crossing[crossed] <= lateral:
            inside = not inside
            crossed += 1
        # 0 wants spray, 1 treated, 2 off target, 3 beside treated ground
        code = 2
        if inside:
            if _is_treated(ground, slots, slot, wake_s, cx + lateral * rx, cy + lateral * ry):
                code = 1
                last_treated = lateral
            else:
                code = 3 if lateral - last_treated <= valve.beside_m else 0
        treated[k] = code
    next_treated = np.inf
    share[:] = 0.0
    for k in range(m - 1, -1, -1):
        lateral = probe.lateral_m[k]
        if treated[k] == 1:
            next_treated = lateral
        elif treated[k] == 0 and next_treated - lateral > valve.beside_m and probe.group[k] >= 0:
            share[probe.group[k]] += probe.weight[k]


@njit
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


@njit
def _why(slots, s, p):  # type: ignore[no-untyped-def]  # numba infers the types
    if slots.pass_id[s] == slots.pass_id[p]:
        return TURN
    difference = abs(slots.heading_deg[s] - slots.heading_deg[p]) % 180.0
    if min(difference, 180.0 - difference) > GUIDANCE_DEG:
        return CROSSING
    return RESTART if slots.line[s] == slots.line[p] else GUIDANCE


@njit
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
            if p != this and (slots.pass_id[p] != my_pass or abs(my_time - slots.time_s[p]) > revisit_s):
                if n < N_MASK:
                    state[c] += np.uint8(1)
                    if state[c] >> 6 == TARGET:
                        causes[_why(slots, this, p)] += 1
        last[c] = this


@njit
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
            _span(
                ground.state[j - ground.first_row, c0:c1], ground.slot[j - ground.first_row, c0:c1], this, limit,
                slots, revisit_s, causes,
            )


@njit
def _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, g0, g1, b, ub, limit, revisit_s, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Paint what groups ``g0..g1`` swept since they were last painted, neighbours with one beginning at once."""
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
                drive, ground, store, slots, from_slot[g], from_step[g], from_u[g], b, ub, edges_m[g], edges_m[e],
                limit, revisit_s, causes,
            )
        g = e


@njit
def replay_layout(drive, ground, rim, probe, valve, edges_m, limit, step_m, slot_s, revisit_s, store, slots, logged_open, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Drive one layout along the recorded poses.

    Parameters
    ----------
    edges_m : (g + 1,) float64
        Lateral edges of the groups.
    limit : bool
        A valve for every cell.
    step_m : float
        Longest control step.
    logged_open : (p - 1, g) bool or (0, g)
        What the log did in every step, where the agreement is asked for.
    causes : (8,) int64
        Receives the extra treatments of target cells by cause.

    Returns
    -------
    litres, open_group_s, same_s, judged_s : float
        Litres laid; group-seconds open; group-seconds in which model and log agree, of those judged.
    ok : bool
        False where the drive needs more slots than there are.
    """
    groups = edges_m.shape[0] - 1
    width = np.empty(groups)
    for g in range(groups):
        width[g] = edges_m[g + 1] - edges_m[g]
    compare = logged_open.shape[0] > 0
    share = np.zeros(groups)
    share_on = np.zeros(groups)
    treated = np.zeros(probe.lateral_m.shape[0], dtype=np.int8)
    command = np.zeros(groups, dtype=np.bool_)
    valve_open = np.zeros(groups, dtype=np.bool_)
    due = np.full(groups, np.inf)
    since = np.full(groups, -np.inf)
    opened = np.zeros(groups, dtype=np.bool_)
    from_step = np.zeros(groups, dtype=np.int64)
    from_u = np.zeros(groups)
    from_slot = np.zeros(groups, dtype=np.int64)
    slot = 0
    slot_start = -np.inf
    slot_pass = np.int64(-1)
    litres = 0.0
    open_s = 0.0
    same_s = 0.0
    judged_s = 0.0
    fresh_start = True
    since_flush = 0.0
    base_poses = 0
    wake_s = 2.0 * slot_s
    half_boom = max(abs(probe.lateral_m[0]), abs(probe.lateral_m[-1]))
    two_looks = valve.look_ahead_on_s != valve.look_ahead_off_s
    for a in range(drive.moving.shape[0]):
        if not drive.moving[a]:
            # nothing is swept; what was open is painted up to here, and a gap makes the controller look afresh
            if a > 0:
                _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, 0, groups, a - 1,
                       1.0, limit, revisit_s, causes)
            opened[:] = False
            if not drive.linked[a]:
                fresh_start = True
            continue
        length = drive.distance_m[a]
        parts = max(np.int64(1), np.int64(np.ceil(length / step_m - 1e-9)))
        seconds = drive.time_s[a + 1] - drive.time_s[a]
        speed = length / seconds if seconds > 0.0 else 0.0
        dt = seconds / parts
        ahead_most = speed * max(valve.look_ahead_on_s, valve.look_ahead_off_s)
        near = 0 if limit else _near_edges(drive, rim, a, half_boom + ahead_most + 1.0)
        if drive.wanted[a] and (drive.pass_id[a] != slot_pass or drive.time_s[a] - slot_start >= slot_s):
            # a new slot begins on a pose, so that everything painted with the old one is painted first
            _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, 0, groups, a - 1, 1.0,
                   limit, revisit_s, causes)
            slot += 1
            if slot > MAX_SLOTS:
                return litres, open_s, same_s, judged_s, False
            slot_start = drive.time_s[a]
            slot_pass = drive.pass_id[a]
            slots.pass_id[slot] = slot_pass
            slots.line[slot] = drive.line_of_pass[slot_pass]
            slots.time_s[slot] = slot_start
            slots.heading_deg[slot] = drive.heading_deg[a]
            for g in range(groups):
                from_step[g] = a
                from_u[g] = 0.0
                from_slot[g] = slot
            since_flush = 0.0
            base_poses = 0
        for part in range(parts):
            u = part / parts
            now = drive.time_s[a] + part * dt
            look = min(u + 0.5 / parts, 1.0)
            if limit:
                share[:] = 1.0
                share_on[:] = 1.0
            else:
                _look(drive, ground, rim, near, probe, slots, slot, wake_s, a, look, speed * valve.look_ahead_off_s,
                      valve, treated, share)
                if two_looks:
                    _look(drive, ground, rim, near, probe, slots, slot, wake_s, a, look,
                          speed * valve.look_ahead_on_s, valve, treated, share_on)
            for g in range(groups):
                ahead = share[g] if command[g] or not two_looks else share_on[g]
                wish = ahead > valve.open_above
                if fresh_start:
                    command[g] = wish
                    valve_open[g] = wish
                    due[g] = np.inf
                    since[g] = -np.inf
                elif wish != command[g] and (wish or now - since[g] >= valve.minimum_on_s):
                    command[g] = wish
                    if wish == valve_open[g]:
                        due[g] = np.inf
                    else:
                        due[g] = now + (valve.on_delay_s if wish else valve.off_delay_s)
                if due[g] <= now + 0.5 * dt:
                    valve_open[g] = command[g]
                    due[g] = np.inf
                    if valve_open[g]:
                        since[g] = now
                is_open = valve_open[g] and drive.wanted[a]
                if is_open != opened[g]:
                    if is_open:
                        from_step[g] = a
                        from_u[g] = u
                        from_slot[g] = slot
                        opened[g] = True
                    else:
                        # neighbours that shut at once are painted at once, below
                        share[g] = -1.0
            fresh_start = False
            g = 0
            while g < groups:
                if share[g] != -1.0:
                    g += 1
                    continue
                e = g
                while e < groups and share[e] == -1.0:
                    e += 1
                _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, g, e, a, u, limit,
                       revisit_s, causes)
                for k in range(g, e):
                    opened[k] = False
                g = e
            swept = 0.0
            for g in range(groups):
                if opened[g]:
                    swept += width[g]
                    open_s += dt
                if compare and drive.wanted[a]:
                    judged_s += dt
                    if opened[g] == logged_open[a, g]:
                        same_s += dt
            litres += swept * drive.dose[a] * length / parts
        since_flush += length
        base_poses += 1
        if since_flush >= MAX_STRIP_M or base_poses >= MAX_BASE_POSES:
            _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, 0, groups, a, 1.0,
                   limit, revisit_s, causes)
            for g in range(groups):
                from_step[g] = a + 1
                from_u[g] = 0.0
                from_slot[g] = slot
            since_flush = 0.0
            base_poses = 0
    last = drive.moving.shape[0] - 1
    _flush(drive, ground, store, slots, edges_m, opened, from_step, from_u, from_slot, 0, groups, last, 1.0, limit,
           revisit_s, causes)
    return litres, open_s, same_s, judged_s, True


@njit
def count_states(state, histogram, squares):  # type: ignore[no-untyped-def]  # numba infers the types
    """Histogram of cell states, and the edge count of over-application (squared differences of neighbours)."""
    rows, columns = state.shape
    over = np.zeros(256, dtype=np.int64)
    for s in range(256):
        n = s & N_MASK
        over[s] = max(n - 1, 0) if s >> 6 == TARGET else n
    for r in range(rows):
        for c in range(columns):
            s = state[r, c]
            histogram[s] += 1
            if c + 1 < columns and state[r, c + 1] != s:
                squares[0] += (over[s] - over[state[r, c + 1]]) ** 2
            if r + 1 < rows and state[r + 1, c] != s:
                squares[0] += (over[s] - over[state[r + 1, c]]) ** 2
