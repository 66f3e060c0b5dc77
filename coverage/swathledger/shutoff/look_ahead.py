"""Where the boom looks at the ground, and what it sees there."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare
from swathledger.grid.mask import TARGET
from swathledger.grid.pattern import sample_point
from swathledger.shutoff.state import N_MASK, TILE_BITS

BLOCK_M = 2.0
"""Longest stretch of the boom that is taken for untouched, or not, at once."""
NEAR_SLACK_M = 10.0
"""The list of near edges reaches this much farther than needed, so that it serves for a while."""


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


class Blocks(NamedTuple):
    """The places of a :class:`Probe` in short runs, each of one group; ``b`` blocks from left to right.

    Attributes
    ----------
    first, end : (b,) int64
        Places ``first .. end - 1``.
    weight : (b,) float64
        Sum of their weights.
    clear : (2, b) bool
        Working space, for the shutting and the opening look: no ground under the block that counts as treated.
    """

    first: NDArray[np.int64]
    end: NDArray[np.int64]
    weight: NDArray[np.float64]
    clear: NDArray[np.bool_]


class Valve(NamedTuple):
    """Controller and valves; see :class:`swathledger.machine.machine.Valves`."""

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


@njit_bare
def near_edges(drive, rim, a, reach_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """List the target's edges within ``reach_m`` of a pose. Returns how many."""
    x0 = drive.x[a] - reach_m
    x1 = drive.x[a] + reach_m
    y0 = drive.y[a] - reach_m
    y1 = drive.y[a] + reach_m
    edges = rim.edges
    count = 0
    for e in range(edges.shape[0]):
        if (
            max(edges[e, 0], edges[e, 2]) >= x0
            and min(edges[e, 0], edges[e, 2]) <= x1
            and max(edges[e, 1], edges[e, 3]) >= y0
            and min(edges[e, 1], edges[e, 3]) <= y1
        ):
            rim.near[count] = e
            count += 1
    return count


@njit_bare
def _untouched(ground, slots, slot, wake_s, x0, y0, x1, y1):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether nothing in a rectangle counts as treated, as its tiles tell."""
    tile_rows, tile_columns = ground.first.shape
    i0 = max((np.int64(np.floor(x0 / ground.h)) - ground.first_column) >> TILE_BITS, 0)
    i1 = min((np.int64(np.floor(x1 / ground.h)) - ground.first_column) >> TILE_BITS, tile_columns - 1)
    j0 = max((np.int64(np.floor(y0 / ground.h)) - ground.first_row) >> TILE_BITS, 0)
    j1 = min((np.int64(np.floor(y1 / ground.h)) - ground.first_row) >> TILE_BITS, tile_rows - 1)
    for j in range(j0, j1 + 1):
        for i in range(i0, i1 + 1):
            p = ground.first[j, i]
            # all that came after the first touch of the boom's own last moments is its own wake, too
            if p != 0 and (slots.pass_id[p] != slots.pass_id[slot] or slots.time_s[slot] - slots.time_s[p] >= wake_s):
                return False
    return True


@njit_bare
def find_clear(drive, ground, probe, blocks, which, slots, slot, wake_s, a, u0, u1, ahead_m, beside_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mark the blocks that meet no treated ground, nor any beside them, from ``u0`` to ``u1`` of a step."""
    b = a + 1
    count = blocks.first.shape[0]
    clear = blocks.clear[which]
    way = -ahead_m if drive.reverse[a] else ahead_m
    dx, dy = drive.x[b] - drive.x[a], drive.y[b] - drive.y[a]
    drx, dry = drive.right_x[b] - drive.right_x[a], drive.right_y[b] - drive.right_y[a]
    rx0, ry0 = drive.right_x[a] + u0 * drx, drive.right_y[a] + u0 * dry
    rx1, ry1 = drive.right_x[a] + u1 * drx, drive.right_y[a] + u1 * dry
    # places move along straight lines: what they pass over lies between the four corners
    x0, y0 = drive.x[a] + u0 * dx - ry0 * way, drive.y[a] + u0 * dy + rx0 * way
    x1, y1 = drive.x[a] + u1 * dx - ry1 * way, drive.y[a] + u1 * dy + rx1 * way
    k = 0
    while k < count:
        # neighbouring blocks share one question
        left = probe.lateral_m[blocks.first[k]]
        m = k + 1
        while m < count and probe.lateral_m[blocks.end[m] - 1] - left <= BLOCK_M:
            m += 1
        right = probe.lateral_m[blocks.end[m - 1] - 1]
        ax, bx, cx, ex = x0 + left * rx0, x0 + right * rx0, x1 + left * rx1, x1 + right * rx1
        ay, by, cy, ey = y0 + left * ry0, y0 + right * ry0, y1 + left * ry1, y1 + right * ry1
        untouched = _untouched(
            ground,
            slots,
            slot,
            wake_s,
            min(ax, bx, cx, ex),
            min(ay, by, cy, ey),
            max(ax, bx, cx, ex),
            max(ay, by, cy, ey),
        )
        for n in range(k, m):
            clear[n] = untouched
        k = m
    last = -np.inf  # right end of the last block that is not clear by itself
    for k in range(count):
        if not clear[k]:
            last = probe.lateral_m[blocks.end[k] - 1]
        elif probe.lateral_m[blocks.first[k]] - last <= beside_m:
            clear[k] = False
    # from the right: those marked just now lie right of treated ground and spread no farther by themselves, but do
    # here; that costs a look at more places and changes nothing
    last = np.inf
    for k in range(count - 1, -1, -1):
        if not clear[k]:
            last = probe.lateral_m[blocks.first[k]]
        elif last - probe.lateral_m[blocks.end[k] - 1] <= beside_m:
            clear[k] = False


@njit_bare
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


@njit_bare
def _on_target(ground, rim, near, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a place is target; what lies beyond the frame is not.

    Exact: what the place's cell tells holds at the cell's sample point, and every edge between the two turns it.
    """
    i = np.int64(np.floor(x / ground.h))
    j = np.int64(np.floor(y / ground.h))
    column, row = i - ground.first_column, j - ground.first_row
    if not (0 <= column < ground.state.shape[1] and 0 <= row < ground.state.shape[0]):
        return False
    here = ground.state[row, column] >> 6 == TARGET
    su, sv = sample_point(i, j)
    dx, dy = x - (i + su) * ground.h, y - (j + sv) * ground.h
    for m in range(near):
        e = rim.near[m]
        ax, ay = rim.edges[e, 0] - x, rim.edges[e, 1] - y
        bx, by = rim.edges[e, 2] - x, rim.edges[e, 3] - y
        # the edge's ends lie on both sides of the line through the two points, and these on both sides of the edge
        side_a, side_b = ax * dy - ay * dx, bx * dy - by * dx
        if (side_a >= 0.0) != (side_b >= 0.0):
            ex, ey = bx - ax, by - ay
            of_place = ex * -ay - ey * -ax
            of_sample = of_place - (ex * dy - ey * dx)
            if (of_place >= 0.0) != (of_sample >= 0.0):
                here = not here
    return here


@njit_bare
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


@njit_bare
def _starts_inside(ground, rim, near, crossings, cx, cy, rx, ry, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether the line is on target left of its first crossing, read where no edge is near."""
    best = -1.0
    place = 0.5 * (left + right)
    flips = 0
    low = left
    for k in range(crossings + 1):
        high = right if k == crossings else min(max(rim.crossing[k], left), right)
        if high - low > best:
            best = high - low
            place = 0.5 * (low + high)
            flips = k
        low = high
    here = _on_target(ground, rim, near, cx + place * rx, cy + place * ry)
    return here if flips % 2 == 0 else not here


@njit_bare
def look(drive, ground, rim, near, probe, blocks, which, slots, slot, wake_s, a, u, ahead_m, valve, treated, share):  # type: ignore[no-untyped-def]  # numba infers the types
    """Share of every group's line, ``ahead_m`` ahead of the boom, that is target and not yet treated.

    Where the line leaves the target is found exactly; what is treated is read from the cells, but for blocks that
    :func:`find_clear` has found clear.
    """
    b = a + 1
    cx = drive.x[a] + u * (drive.x[b] - drive.x[a])
    cy = drive.y[a] + u * (drive.y[b] - drive.y[a])
    rx = drive.right_x[a] + u * (drive.right_x[b] - drive.right_x[a])
    ry = drive.right_y[a] + u * (drive.right_y[b] - drive.right_y[a])
    way = -ahead_m if drive.reverse[a] else ahead_m
    cx -= ry * way
    cy += rx * way
    clear = blocks.clear[which]
    lateral_m, group, weight = probe.lateral_m, probe.group, probe.weight
    crossings = _crossings(rim, near, cx, cy, rx, ry)
    inside = _starts_inside(ground, rim, near, crossings, cx, cy, rx, ry, lateral_m[0], lateral_m[-1])
    crossed = 0
    last_treated = -np.inf
    share[:] = 0.0
    for n in range(blocks.first.shape[0]):
        first, end = blocks.first[n], blocks.end[n]
        if clear[n] and (crossed == crossings or rim.crossing[crossed] > lateral_m[end - 1]):
            if inside and group[first] >= 0:
                share[group[first]] += blocks.weight[n]
            continue
        for k in range(first, end):
            lateral = lateral_m[k]
            while crossed < crossings and rim.crossing[crossed] <= lateral:
                inside = not inside
                crossed += 1
            if clear[n]:
                if inside and group[k] >= 0:
                    share[group[k]] += weight[k]
                continue
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
    for n in range(blocks.first.shape[0] - 1, -1, -1):
        if clear[n]:
            continue
        for k in range(blocks.end[n] - 1, blocks.first[n] - 1, -1):
            if treated[k] == 1:
                next_treated = lateral_m[k]
            elif treated[k] == 0 and next_treated - lateral_m[k] > valve.beside_m and group[k] >= 0:
                share[group[k]] += weight[k]
