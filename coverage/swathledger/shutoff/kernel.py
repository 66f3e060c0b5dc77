"""The replay kernel: one layout of outlet groups driven along the recorded poses, sequential in time.

Positions along a step between two poses are found by moving both centre and boom vector evenly, so that what is
painted is exactly a part of the ribbon that the log's own accounting paints.

A cell's state is one byte: its zone in the two upper bits (0 outside, 1 target, 2 excluded) and its separate
treatments below (held at 63). Beside it stands the slot of its last treatment: a stretch of one pass at most
``slot_s`` long, from which pass, time, heading and line are known.
"""

from __future__ import annotations

import numpy as np

from swathledger._jit import njit
from swathledger.grid.mask import EXCLUDED, TARGET
from swathledger.shutoff.look_ahead import NEAR_SLACK_M, find_clear, look, near_edges
from swathledger.shutoff.paint_groups import MAX_BASE_POSES, MAX_STRIP_M, flush
from swathledger.shutoff.state import MAX_SLOTS, N_MASK

MAX_WAITING = 16
"""Commands on their way to one valve; more than any delay and control step bring about."""
LOOKS_AT_ONCE = 10
"""Control steps for which untouched ground is looked for at once."""


@njit
def replay_layout(drive, cells, sight, valve, edges_m, limit, pace, logged_open, causes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Drive one layout along the recorded poses.

    Parameters
    ----------
    cells : (Ground, EdgeStore, Slots)
        The layout's cells, working space for outlines, and what is known of each slot (filled here).
    sight : (Rim, Probe, Blocks)
        Edges of the target, and where the boom looks.
    pace : (step_m, slot_s, revisit_s)
        Longest control step; length of a slot; time after which one pass treats ground anew.
    edges_m : (g + 1,) float64
        Lateral edges of the groups.
    limit : bool
        A valve for every cell.
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
    ground, store, slots = cells
    rim, probe, blocks = sight
    step_m, slot_s, revisit_s = pace
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
    # Delays shift: every command reaches its valve after its delay, unless a newer one reaches it first.
    waiting = np.zeros(groups, dtype=np.int64)
    due = np.full((groups, MAX_WAITING), np.inf)
    then = np.zeros((groups, MAX_WAITING), dtype=np.bool_)
    since = np.full(groups, -np.inf)
    opened = np.zeros(groups, dtype=np.bool_)
    from_step = np.zeros(groups, dtype=np.int64)
    from_u = np.zeros(groups)
    from_slot = np.zeros(groups, dtype=np.int64)
    pending = (opened, from_step, from_u, from_slot)
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
    # With two looks a group that opened on what lies far ahead must not shut on what lies near, where the target has
    # not begun yet (nor the other way round): a command stands until its own look has agreed with it, or the ground
    # that it was given for has been reached.
    settled = np.ones(groups, dtype=np.bool_)
    hold_m = np.full(groups, -np.inf)
    travelled_m = 0.0
    near = 0
    near_left_m = 0.0
    near_ahead_m = 0.0
    for a in range(drive.moving.shape[0]):
        if not drive.moving[a]:
            # nothing is swept; what was open is painted up to here, and a gap makes the controller look afresh
            if a > 0:
                flush(drive, ground, store, slots, edges_m, pending, 0, groups, a - 1, 1.0, limit, revisit_s, causes)
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
        if not limit and (fresh_start or near_left_m < length or ahead_most > near_ahead_m):
            near_ahead_m = 1.2 * ahead_most
            near = near_edges(drive, rim, a, half_boom + near_ahead_m + length + NEAR_SLACK_M + 1.0)
            near_left_m = length + NEAR_SLACK_M
        near_left_m -= length
        if drive.wanted[a] and (drive.pass_id[a] != slot_pass or drive.time_s[a] - slot_start >= slot_s):
            # a new slot begins on a pose, so that everything painted with the old one is painted first
            flush(drive, ground, store, slots, edges_m, pending, 0, groups, a - 1, 1.0, limit, revisit_s, causes)
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
            here_m = travelled_m + u * length
            middle = min(u + 0.5 / parts, 1.0)
            if limit:
                share[:] = 1.0
                share_on[:] = 1.0
            else:
                if part % LOOKS_AT_ONCE == 0:
                    until = min((part + LOOKS_AT_ONCE) / parts, 1.0)
                    find_clear(
                        drive,
                        ground,
                        probe,
                        blocks,
                        0,
                        slots,
                        slot,
                        wake_s,
                        a,
                        u,
                        until,
                        speed * valve.look_ahead_off_s,
                        valve.beside_m,
                    )
                    if two_looks:
                        find_clear(
                            drive,
                            ground,
                            probe,
                            blocks,
                            1,
                            slots,
                            slot,
                            wake_s,
                            a,
                            u,
                            until,
                            speed * valve.look_ahead_on_s,
                            valve.beside_m,
                        )
                look(
                    drive,
                    ground,
                    rim,
                    near,
                    probe,
                    blocks,
                    0,
                    slots,
                    slot,
                    wake_s,
                    a,
                    middle,
                    speed * valve.look_ahead_off_s,
                    valve,
                    treated,
                    share,
                )
                if two_looks:
                    look(
                        drive,
                        ground,
                        rim,
                        near,
                        probe,
                        blocks,
                        1,
                        slots,
                        slot,
                        wake_s,
                        a,
                        middle,
                        speed * valve.look_ahead_on_s,
                        valve,
                        treated,
                        share_on,
                    )
            for g in range(groups):
                ahead = share[g] if command[g] or not two_looks else share_on[g]
                wish = ahead > valve.open_above
                if fresh_start:
                    command[g] = wish
                    valve_open[g] = wish
                    waiting[g] = 0
                    since[g] = -np.inf
                    settled[g] = True
                elif wish == command[g]:
                    settled[g] = True
                elif settled[g] or here_m >= hold_m[g]:
                    command[g] = wish
                    settled[g] = not two_looks
                    hold_m[g] = here_m + speed * (valve.look_ahead_on_s if wish else valve.look_ahead_off_s)
                    arrives = now + (valve.on_delay_s if wish else valve.off_delay_s)
                    n = waiting[g]
                    while n > 0 and (due[g, n - 1] >= arrives or n == MAX_WAITING):
                        n -= 1
                    due[g, n] = arrives
                    then[g, n] = wish
                    waiting[g] = n + 1
                while waiting[g] > 0 and due[g, 0] <= now + 0.5 * dt:
                    if not then[g, 0] and now + 0.5 * dt < since[g] + valve.minimum_on_s:
                        break
                    if then[g, 0] and not valve_open[g]:
                        since[g] = now
                    valve_open[g] = then[g, 0]
                    waiting[g] -= 1
                    for k in range(waiting[g]):
                        due[g, k] = due[g, k + 1]
                        then[g, k] = then[g, k + 1]
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
                flush(drive, ground, store, slots, edges_m, pending, g, e, a, u, limit, revisit_s, causes)
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
        travelled_m += length
        since_flush += length
        base_poses += 1
        if since_flush >= MAX_STRIP_M or base_poses >= MAX_BASE_POSES:
            flush(drive, ground, store, slots, edges_m, pending, 0, groups, a, 1.0, limit, revisit_s, causes)
            for g in range(groups):
                from_step[g] = a + 1
                from_u[g] = 0.0
                from_slot[g] = slot
            since_flush = 0.0
            base_poses = 0
    last = drive.moving.shape[0] - 1
    flush(drive, ground, store, slots, edges_m, pending, 0, groups, last, 1.0, limit, revisit_s, causes)
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


@njit
def compare_cells(mask, count, cause, state, spared, totals):  # type: ignore[no-untyped-def]  # numba infers the types
    """Over-applied treatments of the log that a layout leaves out: their cause in ``spared``, their sum in ``totals``.

    ``mask``, ``count`` and ``cause`` as the accounting saw the cells, ``state`` as the layout left them; all
    (rows, columns). Place is the cause off the target: 1 outside, 2 excluded.
    """
    rows, columns = mask.shape
    for r in range(rows):
        for c in range(columns):
            before = int(count[r, c])
            if before == 0:
                continue
            base = 1 if mask[r, c] == TARGET else 0
            after = int(state[r, c] & N_MASK)
            less = max(min(before, N_MASK) - base, 0) - max(after - base, 0)
            if less > 0:
                code = cause[r, c] if base == 1 else np.uint8(2 if mask[r, c] == EXCLUDED else 1)
                spared[r, c] = code
                totals[code] += less
