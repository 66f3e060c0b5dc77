"""The controller: one layout of outlet groups driven along the recorded poses, in the order of time.

Nothing here knows of cells. Where a group's wish turns between two looks the moment is found by halving, and valves
move when they are due, so that no figure rests on the length of a control step.
"""

from __future__ import annotations

import numpy as np

from swathledger._jit import njit, njit_bare
from swathledger.shutoff.drive import Stretch, line_at, moved_ahead
from swathledger.shutoff.groups import DONE, LOOKS_AT_ONCE, MAX_WAITING, NO_ROOM, PARTS, STEP_M, Part
from swathledger.shutoff.sight import MASK_M, NEAR_SLACK_M, PIECES, find_near_edges, find_wanting, wanting_widths
from swathledger.shutoff.treated import (
    ASKED,
    MAX_PIECE_M,
    MAX_PIECE_STEPS,
    MAX_PIECE_TURN_COS,
    USABLE,
    find_near,
    let_count,
    put_piece,
)


@njit_bare
def _ahead_m(scene, part, seconds):  # type: ignore[no-untyped-def]  # numba infers the types
    """Way ahead of the boom, negative in reverse."""
    way = part.speed_m_s * seconds
    return -way if scene.drive.reverse[part.step] else way


@njit_bare
def _margin_m(rule):  # type: ignore[no-untyped-def]  # numba infers the types
    """How far a rule's margin makes a controller look around."""
    return 0.0 if np.isnan(rule.margin_m) else abs(rule.margin_m)


@njit_bare
def _gather(scene, plan, part, u1):  # type: ignore[no-untyped-def]  # numba infers the types
    """List the treated pieces that both looks may meet from ``part.u0`` to ``u1``."""
    drive, treated, sight = scene
    treated.counts[ASKED] += 1
    margin = _margin_m(plan.rule)
    reach = plan.rule.beside_m + margin
    ends = (plan.rule.left_m - reach, plan.rule.right_m + reach)
    count = 0
    for which in range(2):
        way = _ahead_m(scene, part, plan.valve.look_ahead_off_s if which == 0 else plan.valve.look_ahead_on_s)
        if which == 0 or plan.valve.look_ahead_on_s != plan.valve.look_ahead_off_s:
            first = moved_ahead(line_at(drive, part.step, part.u0), way - margin)
            last = moved_ahead(line_at(drive, part.step, u1), way + margin)
            count = find_near(treated, first, last, ends, sight.near, count)
    sight.counts[PIECES] = count


@njit_bare
def _look(scene, plan, part, u, seen_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Width of every group that wants spray, by the shutting look (row 0) and the opening look (row 1)."""
    drive, treated, sight = scene
    line = line_at(drive, part.step, u)
    valve = plan.valve
    ahead = moved_ahead(line, _ahead_m(scene, part, valve.look_ahead_off_s))
    wanting_widths(sight, find_wanting(drive, treated, sight, ahead, plan.rule), plan.edges_m, seen_m[0])
    if valve.look_ahead_on_s == valve.look_ahead_off_s:
        for g in range(seen_m.shape[1]):
            seen_m[1, g] = seen_m[0, g]
    else:
        ahead = moved_ahead(line, _ahead_m(scene, part, valve.look_ahead_on_s))
        wanting_widths(sight, find_wanting(drive, treated, sight, ahead, plan.rule), plan.edges_m, seen_m[1])


@njit_bare
def _wish(plan, groups, g, seen_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a group is to be open: an open one goes by the shutting look, a shut one by the opening look."""
    return seen_m[0 if groups.command[g] else 1, g] > plan.need_m[g]


@njit_bare
def _turning_u(scene, plan, groups, part, g):  # type: ignore[no-untyped-def]  # numba infers the types
    """Where in a control step a group's wish turned, by halving; looks between are shared by all groups."""
    low, high = 0, PARTS
    while high - low > 1:
        k = (low + high) // 2
        if groups.halves_known[k] != part.number:
            _look(scene, plan, part, part.u0 + (part.u1 - part.u0) * k / PARTS, groups.halves_m[k])
            groups.halves_known[k] = part.number
        if _wish(plan, groups, g, groups.halves_m[k]) == groups.command[g]:
            low = k
        else:
            high = k
    return part.u0 + (part.u1 - part.u0) * (low + 0.5) / PARTS


@njit_bare
def _put_run(scene, plan, groups, span, b, u, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Take down what groups ``span`` laid from one beginning to fraction ``u`` of step ``b``; False: no room."""
    g, e = span
    a = groups.from_step[g]
    if b < a or (b == a and u <= groups.from_u[g]):
        return True
    drive = scene.drive
    end_s = drive.time_s[b] + u * (drive.time_s[b + 1] - drive.time_s[b])
    stretch = Stretch(a, groups.from_u[g], b, u)
    return put_piece(scene.treated, stretch, plan.edges_m[g], plan.edges_m[e], end_s, way_m)


@njit_bare
def _put_all(scene, plan, groups, b, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Take down what all groups laid up to the end of step ``b``, neighbours of one beginning as one."""
    count = groups.spraying.shape[0]
    g = 0
    fits = True
    while g < count:
        e = g + 1
        if groups.spraying[g]:
            while (
                e < count
                and groups.spraying[e]
                and groups.from_step[e] == groups.from_step[g]
                and groups.from_u[e] == groups.from_u[g]
            ):
                e += 1
            fits = _put_run(scene, plan, groups, (g, e), b, 1.0, way_m) and fits
        g = e
    return fits


@njit_bare
def _put_shut(scene, plan, groups, step, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Take down what ended in a step, neighbours of one beginning and end as one."""
    if groups.ended[0] == 0:
        return True
    groups.ended[0] = 0
    count = groups.spraying.shape[0]
    g = 0
    fits = True
    while g < count:
        e = g + 1
        if groups.until_u[g] >= 0.0:
            while (
                e < count
                and groups.until_u[e] == groups.until_u[g]
                and groups.from_step[e] == groups.from_step[g]
                and groups.from_u[e] == groups.from_u[g]
            ):
                e += 1
            fits = _put_run(scene, plan, groups, (g, e), step, groups.until_u[g], way_m) and fits
            for k in range(g, e):
                groups.until_u[k] = -1.0
        g = e
    return fits


@njit_bare
def _spray(scene, plan, groups, g, step, u, on, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Let a group begin or end laying ground; False: no room."""
    fits = True
    if on and not groups.spraying[g]:
        if groups.until_u[g] >= 0.0:  # it ended in this very step before
            fits = _put_run(scene, plan, groups, (g, g + 1), step, groups.until_u[g], way_m)
            groups.until_u[g] = -1.0
        groups.from_step[g] = step
        groups.from_u[g] = u
    elif groups.spraying[g] and not on:
        groups.until_u[g] = u
        groups.ended[0] = 1
    groups.spraying[g] = on
    return fits


@njit_bare
def _move_valves(scene, plan, groups, switches, part, g, until_s, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Let what is due by ``until_s`` reach a group's valve; False: no room."""
    fits = True
    while groups.waiting[g] > 0:
        opens = groups.due_open[g, 0]
        when = groups.due_s[g, 0]
        if not opens:
            when = max(when, groups.since_s[g] + plan.valve.minimum_on_s)
        if when > until_s:
            break
        when = max(when, part.step_s + part.u0 * part.seconds, groups.moved_s[g])
        groups.moved_s[g] = when
        groups.waiting[g] -= 1
        for k in range(groups.waiting[g]):
            groups.due_s[g, k] = groups.due_s[g, k + 1]
            groups.due_open[g, k] = groups.due_open[g, k + 1]
        if opens != groups.is_open[g]:
            u = min(max((when - part.step_s) / part.seconds, part.u0), part.u1)
            fits = _switch(scene, plan, groups, switches, part.step, u, g, way_m) and fits
            if opens:
                groups.since_s[g] = when
                groups.mark_s[g] = when
            else:
                groups.open_s[g] += when - max(groups.mark_s[g], part.step_s + part.u0 * part.seconds)
    return fits


@njit_bare
def _switch(scene, plan, groups, switches, step, u, g, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Turn a valve over; False: no room."""
    groups.is_open[g] = not groups.is_open[g]
    n = switches.found[0]
    if n == switches.step.shape[0]:
        return False
    switches.step[n] = step
    switches.u[n] = u
    switches.group[n] = g
    switches.opens[n] = groups.is_open[g]
    switches.found[0] = n + 1
    on = groups.is_open[g] and scene.drive.wanted[step]
    return _spray(scene, plan, groups, g, step, u, on, way_m)


@njit_bare
def _start_afresh(scene, plan, groups, switches, part, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Look at once, a hair ahead of a step's beginning, and set every valve by it; False: no room."""
    fits = True
    valve = plan.valve
    # not on the line itself: a drive may begin on the very edge of treated ground
    _look(scene, plan, part, part.u1 * 0.5 / PARTS, groups.seen_m)
    for g in range(groups.command.shape[0]):
        groups.waiting[g] = 0
        groups.since_s[g] = -np.inf
        wish = groups.seen_m[1, g] > plan.need_m[g]
        groups.command[g] = wish
        # as of any command to open: a shutting look that sees less far undoes it no sooner than it can see that ground
        groups.settled[g] = not (wish and valve.look_ahead_on_s != valve.look_ahead_off_s)
        groups.hold_m[g] = way_m + part.speed_m_s * valve.look_ahead_on_s
        if wish != groups.is_open[g]:
            fits = _switch(scene, plan, groups, switches, part.step, 0.0, g, way_m) and fits
    return fits


@njit_bare
def _decide(scene, plan, groups, switches, part, g, two_looks, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Command a group by what was seen at the end of a control step, and let its valve follow; False: no room."""
    fits = True
    wish = _wish(plan, groups, g, groups.seen_m)
    metres = part.speed_m_s * part.seconds
    here_m = way_m + part.u1 * metres
    if wish == groups.command[g]:
        groups.settled[g] = True
    elif groups.settled[g] or here_m >= groups.hold_m[g]:
        if groups.settled[g]:
            u = _turning_u(scene, plan, groups, part, g)
        else:
            u = min(max((groups.hold_m[g] - way_m) / metres, part.u0), part.u1)
        now = part.step_s + u * part.seconds
        fits = _move_valves(scene, plan, groups, switches, part, g, now, way_m)
        valve = plan.valve
        groups.command[g] = wish
        groups.settled[g] = not two_looks
        look = valve.look_ahead_on_s if wish else valve.look_ahead_off_s
        groups.hold_m[g] = way_m + u * metres + part.speed_m_s * look
        # a newer command that gets there first takes the place of those before it
        due = now + (valve.on_delay_s if wish else valve.off_delay_s)
        n = groups.waiting[g]
        while n > 0 and (groups.due_s[g, n - 1] >= due or n == MAX_WAITING):
            n -= 1
        groups.due_s[g, n] = due
        groups.due_open[g, n] = wish
        groups.waiting[g] = n + 1
    until = part.step_s + part.u1 * part.seconds
    return _move_valves(scene, plan, groups, switches, part, g, until, way_m) and fits


@njit_bare
def _decide_all(scene, plan, groups, switches, part, two_looks, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Let every group decide; next to nothing happens to most of them. False: no room."""
    fits = True
    for g in range(groups.command.shape[0]):
        if groups.waiting[g] == 0 and _wish(plan, groups, g, groups.seen_m) == groups.command[g]:
            groups.settled[g] = True
        else:
            fits = _decide(scene, plan, groups, switches, part, g, two_looks, way_m) and fits
    return fits


@njit_bare
def _count_time(scene, groups, part, logged_open, totals):  # type: ignore[no-untyped-def]  # numba infers the types
    """Add a control step to the seconds open, those in which model and log agree, and those judged."""
    start = part.step_s + part.u0 * part.seconds
    end = part.step_s + part.u1 * part.seconds
    wanted = scene.drive.wanted[part.step]
    judged = wanted and logged_open.shape[0] > 0
    total, agreed, seconds = totals[0], totals[1], totals[2]
    for g in range(groups.is_open.shape[0]):
        open_s = groups.open_s[g]
        if groups.is_open[g]:
            open_s += end - max(groups.mark_s[g], start)
        groups.open_s[g] = 0.0
        groups.mark_s[g] = end
        if wanted:
            total += open_s
        if judged:
            agreed += open_s if logged_open[part.step, g] else end - start - open_s
            seconds += end - start
    totals[0], totals[1], totals[2] = total, agreed, seconds


@njit
def drive_layout(scene, plan, groups, switches, logged_open, totals):  # type: ignore[no-untyped-def]  # numba infers the types
    """Drive one layout along the recorded poses.

    Parameters
    ----------
    scene : Scene
        ``scene.treated`` is filled.
    plan : Plan
    groups : Groups
        Fresh.
    switches : Switches
        Receives the moments at which valves moved.
    logged_open : (p - 1, g) bool or (0, g)
        What the log did in every step, where the agreement is asked for.
    totals : (3,) float64
        Receives group-seconds open while spray was wanted; those in which model and log agree; those judged.

    Returns
    -------
    int
        ``NO_ROOM`` where pieces, links or moments are more than there is room for; else ``DONE``.
    """
    drive, treated, sight = scene
    valve = plan.valve
    count = groups.command.shape[0]
    two_looks = valve.look_ahead_on_s != valve.look_ahead_off_s
    look = max(valve.look_ahead_on_s, valve.look_ahead_off_s)
    margin = _margin_m(plan.rule)
    reach = max(abs(plan.rule.left_m), abs(plan.rule.right_m)) + margin + 2.0 * MASK_M
    fresh, fits = True, True
    way_m, piece_m, near_left_m, near_ahead_m = 0.0, 0.0, -1.0, 0.0
    piece_from = 0
    number = 0
    for a in range(drive.moving.shape[0]):
        if not fits:
            return NO_ROOM
        turned_round = a > 0 and drive.reverse[a] != drive.reverse[a - 1]
        if not drive.moving[a] or turned_round:
            # nothing is swept; what was laid is taken down, and a gap makes the controller look afresh
            if a > 0:
                fits = _put_all(scene, plan, groups, a - 1, way_m)
            for g in range(count):
                groups.spraying[g] = False
            if not drive.linked[a] or turned_round:
                fits = let_count(drive, treated, drive.time_s[a], way_m, True) and fits
            if not drive.linked[a]:
                fresh = True
            if not drive.moving[a]:
                continue
        length = drive.distance_m[a]
        seconds = drive.time_s[a + 1] - drive.time_s[a]
        speed = length / seconds if seconds > 0.0 else 0.0
        parts = max(np.int64(1), np.int64(np.ceil(length / STEP_M - 1e-9)))
        if near_left_m < length or speed * look > near_ahead_m:
            near_ahead_m = 1.2 * speed * look
            near_left_m = length + NEAR_SLACK_M
            find_near_edges(sight, drive.x[a], drive.y[a], reach + near_ahead_m + near_left_m)
        near_left_m -= length
        turned = drive.right_x[piece_from] * drive.right_x[a + 1] + drive.right_y[piece_from] * drive.right_y[a + 1]
        if piece_m + length > MAX_PIECE_M or a - piece_from >= MAX_PIECE_STEPS or turned < MAX_PIECE_TURN_COS:
            if a > 0:
                fits = _put_all(scene, plan, groups, a - 1, way_m) and fits
            for g in range(count):
                groups.from_step[g] = a
                groups.from_u[g] = 0.0
            piece_m, piece_from = 0.0, a
        piece_m += length
        for g in range(count):
            on = groups.is_open[g] and drive.wanted[a]
            if on != groups.spraying[g]:
                fits = _spray(scene, plan, groups, g, a, 0.0, on, way_m) and fits
        fits = _put_shut(scene, plan, groups, a, way_m) and fits
        gathered = 0
        for n in range(parts):
            number += 1
            part = Part(a, n / parts, (n + 1) / parts, speed, drive.time_s[a], seconds, number)
            usable = treated.counts[USABLE]
            now = part.step_s + part.u0 * seconds
            fits = let_count(drive, treated, now, way_m + part.u0 * length, False) and fits
            if n >= gathered or treated.counts[USABLE] != usable:
                gathered = n + LOOKS_AT_ONCE
                _gather(scene, plan, part, min(gathered / parts, 1.0))
            if fresh:
                fits = _start_afresh(scene, plan, groups, switches, part, way_m) and fits
                fresh = False
                for g in range(count):
                    groups.mark_s[g] = part.step_s
            _look(scene, plan, part, part.u1, groups.seen_m)
            fits = _decide_all(scene, plan, groups, switches, part, two_looks, way_m) and fits
            _count_time(scene, groups, part, logged_open, totals)
            fits = _put_shut(scene, plan, groups, a, way_m) and fits
        way_m += length
    last = drive.moving.shape[0] - 1
    if not (_put_all(scene, plan, groups, last, way_m) and fits):
        return NO_ROOM
    return DONE
