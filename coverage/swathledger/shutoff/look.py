"""Where the boom looks at the ground, and what it sees there."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.mask import TARGET
from swathledger.grid.pattern import sample_point
from swathledger.shutoff.state import N_MASK


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
def near_edges(drive, rim, a, reach_m):  # type: ignore[no-untyped-def]  # numba infers the types
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


@njit
def look(drive, ground, rim, near, probe, slots, slot, wake_s, a, u, ahead_m, valve, treated, share):  # type: ignore[no-untyped-def]  # numba infers the types
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
    inside = _starts_inside(ground, rim, near, crossings, cx, cy, rx, ry, probe.lateral_m[0], probe.lateral_m[m - 1])
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
