"""Ribbons joined along the way into strips, so that fewer inner boom lines are judged cell by cell."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.dose import balanced
from swathledger.swath.swath import Swath

MAX_STRIP_M = 4.0
MAX_STRIP_S = 2.0
MAX_STRIP_TURN_RAD = 0.06
MAX_POSES = 17
SAME_RATE = 0.01
"""A strip's steps have one rate to this share: a change of rate begins a new strip."""


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Strips(NamedTuple):
    """Ground swept by one run of open nozzles over a few neighbouring steps; ``s`` strips in time order.

    Attributes
    ----------
    first_pose, poses : (s,) int64
        The strip's boom lines are ``poses`` poses from ``first_pose`` on.
    left_m, right_m : (s,) float64
    dose : (s,) float64
        Dose at the boom centre's ground speed, in units of the set rate, after :func:`swathledger.grid.dose.balanced`.
    set_l_m2 : (s,) float64
        The set rate, L/m2 (1 where volumes are unknown).
    turn_per_m : (s,) float64
        Yaw per metre, rad/m, positive to the right in the direction of driving.
    pass_id, line_id : (s,) int32
    heading_deg : (s,) float32
    time_s : (s,) float64
        Middle of the strip.
    y_min, y_max : (s,) float64
        Extent, for choosing the strips of a band.
    """

    first_pose: NDArray[np.int64]
    poses: NDArray[np.int64]
    left_m: NDArray[np.float64]
    right_m: NDArray[np.float64]
    dose: NDArray[np.float64]
    set_l_m2: NDArray[np.float64]
    turn_per_m: NDArray[np.float64]
    pass_id: NDArray[np.int32]
    line_id: NDArray[np.int32]
    heading_deg: NDArray[np.float32]
    time_s: NDArray[np.float64]
    y_min: NDArray[np.float64]
    y_max: NDArray[np.float64]


class PoseLines(NamedTuple):
    """Boom lines: centre and unit vector to the right, each (p,) float64."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    right_x: NDArray[np.float64]
    right_y: NDArray[np.float64]


@njit
def _forward(lines, a, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether both ends of a ribbon move forward (or both backward) from pose ``a`` to ``a + 1``."""
    b = a + 1
    fx, fy = -lines.right_y[a], lines.right_x[a]
    dxl = lines.x[b] + left * lines.right_x[b] - lines.x[a] - left * lines.right_x[a]
    dyl = lines.y[b] + left * lines.right_y[b] - lines.y[a] - left * lines.right_y[a]
    dxr = lines.x[b] + right * lines.right_x[b] - lines.x[a] - right * lines.right_x[a]
    dyr = lines.y[b] + right * lines.right_y[b] - lines.y[a] - right * lines.right_y[a]
    along_l = dxl * fx + dyl * fy
    along_r = dxr * fx + dyr * fy
    if along_l > 0.0 and along_r > 0.0:
        return 1
    if along_l < 0.0 and along_r < 0.0:
        return -1
    return 0


@njit
def _join(lines, step, left, right, pass_id, step_m, time_s, rate, first, last):  # type: ignore[no-untyped-def]  # numba infers the types
    """Join greedily: write each strip's first and last step, return the strip of every ribbon and their number."""
    ribbons = len(step)
    strip_of = np.empty(ribbons, dtype=np.int64)
    strips = 0
    lo = 0  # strips that may still grow are those of the step before
    way = np.zeros(ribbons)
    direction = np.zeros(ribbons, dtype=np.int64)
    strip_left = np.empty(ribbons)
    strip_right = np.empty(ribbons)
    previous_strips = np.empty(ribbons, dtype=np.int64)
    current = np.empty(ribbons, dtype=np.int64)
    previous_count = 0
    previous_step = -2
    while lo < ribbons:
        s = step[lo]
        hi = lo
        while hi < ribbons and step[hi] == s:
            hi += 1
        if s != previous_step + 1:
            previous_count = 0
        for r in range(lo, hi):
            forward = _forward(lines, s, left[r], right[r])
            found = -1
            if forward != 0:
                for m in range(previous_count):
                    k = previous_strips[m]
                    if strip_left[k] == left[r] and strip_right[k] == right[r] and direction[k] == forward:
                        f = first[k]
                        cos_turn = lines.right_x[f] * lines.right_x[s + 1] + lines.right_y[f] * lines.right_y[s + 1]
                        if (
                            pass_id[f] == pass_id[s]
                            and way[k] + step_m[s] <= MAX_STRIP_M
                            and time_s[s + 1] - time_s[f] <= MAX_STRIP_S
                            and cos_turn >= np.cos(MAX_STRIP_TURN_RAD)
                            and s + 2 - f <= MAX_POSES
                            and abs(rate[s] - rate[f]) <= SAME_RATE * rate[f]
                        ):
                            found = k
                        break
            if found < 0:
                found = strips
                strips += 1
                first[found] = s
                strip_left[found] = left[r]
                strip_right[found] = right[r]
                direction[found] = forward
                way[found] = 0.0
            last[found] = s
            way[found] += step_m[s]
            strip_of[r] = found
            current[r - lo] = found
        previous_count = hi - lo
        for m in range(previous_count):
            previous_strips[m] = current[m]
        previous_step = s
        lo = hi
    return strip_of, strips


def pose_lines(swath: Swath) -> PoseLines:
    """The swath's boom lines as contiguous arrays for the kernels."""
    return PoseLines(
        np.ascontiguousarray(swath.x_m),
        np.ascontiguousarray(swath.y_m),
        np.ascontiguousarray(swath.right_x),
        np.ascontiguousarray(swath.right_y),
    )


def build_strips(swath: Swath, relative_dose: NDArray[np.float64], set_l_m2: NDArray[np.float64]) -> Strips:
    """Join a swath's ribbons into strips.

    Neighbouring ribbons of one run and pass are joined over at most 4 m, 2 s and 3.4 degrees, never across a change of
    rate nor where an end of the boom moves backwards. Dose is averaged over a strip, weighted by the way of the boom
    centre.

    Parameters
    ----------
    relative_dose : (p - 1,) float64
        Dose of every step at the boom centre's ground speed, in units of the set rate.
    set_l_m2 : (p - 1,) float64
        Set rate of every step, L/m2.
    """
    lines = pose_lines(swath)
    ribbons = len(swath.ribbon_step)
    first = np.empty(ribbons, dtype=np.int64)
    last = np.empty(ribbons, dtype=np.int64)
    strip_of, count = _join(
        lines,
        swath.ribbon_step,
        swath.ribbon_left_m,
        swath.ribbon_right_m,
        swath.pass_id,
        swath.distance_m,
        swath.time_s,
        relative_dose * set_l_m2,
        first,
        last,
    )
    first, last = first[:count], last[:count]
    lead = np.full(count, ribbons, dtype=np.int64)
    np.minimum.at(lead, strip_of, np.arange(ribbons))
    left, right = swath.ribbon_left_m[lead], swath.ribbon_right_m[lead]

    weight = np.maximum(swath.distance_m, 1e-12)
    cumulative = np.concatenate(([0.0], np.cumsum(weight)))
    total = cumulative[last + 1] - cumulative[first]

    laid_m = np.concatenate(([0.0], np.cumsum(relative_dose * set_l_m2 * swath.distance_m)))

    def mean(value: NDArray[np.float64]) -> NDArray[np.float64]:
        running = np.concatenate(([0.0], np.cumsum(weight * value)))
        exact = value[first]
        return np.where(first == last, exact, (running[last + 1] - running[first]) / total)

    dose, turn = mean(relative_dose), mean(swath.turn_per_m)
    pass_id = swath.pass_id[first]
    heading = np.rad2deg(np.arctan2(-swath.right_y, swath.right_x))
    y_min, y_max = _extent_y(lines, first, last, left, right)
    strips = Strips(
        first_pose=first,
        poses=last - first + 2,
        left_m=left,
        right_m=right,
        dose=dose,
        set_l_m2=set_l_m2[first],
        turn_per_m=turn,
        pass_id=pass_id.astype(np.int32),
        line_id=swath.line_id[pass_id].astype(np.int32),
        heading_deg=heading[(first + last + 1) // 2].astype(np.float32),
        time_s=(swath.time_s[first] + swath.time_s[last + 1]) / 2,
        y_min=y_min,
        y_max=y_max,
    )
    out_l = (right - left) * (laid_m[last + 1] - laid_m[first])
    return strips._replace(dose=balanced(strips, lines, out_l))


@njit
def _extent_y(lines, first, last, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    n = len(first)
    low = np.empty(n)
    high = np.empty(n)
    for k in range(n):
        lo = np.inf
        hi = -np.inf
        for p in range(first[k], last[k] + 2):
            a = lines.y[p] + left[k] * lines.right_y[p]
            b = lines.y[p] + right[k] * lines.right_y[p]
            lo = min(lo, a, b)
            hi = max(hi, a, b)
        low[k] = lo
        high[k] = hi
    return low, high
