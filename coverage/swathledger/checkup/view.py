"""What the positions alone say of a drive: course and speed at every row, over chords longer than the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.geodesy import metres_per_degree
from swathledger.log.log import Log
from swathledger.log.quality import position_noise_m
from swathledger.motion import default_max_gap_s, sigma_of_third, third_difference

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

_CHORD_SIGMAS = 40.0
"""A chord of 40 sigma has a course good to sqrt(2) / 40 rad: 2 degrees."""
_CHORD_M = (2.0, 20.0)
_LONGEST_S = 30.0
_STRAIGHT_RAD = np.deg2rad(10.0)
_FOLD_RAD = np.deg2rad(75.0)
_NOISE_UNKNOWN_M = 0.05
_NOISE_ROWS = 100


@dataclass(frozen=True, slots=True)
class View:
    """A log's rows on a plane, and what the track says at each.

    Attributes
    ----------
    x_m, y_m : (n,) float64
        East and north of the first row.
    time_s : (n,) float64
    linked : (n - 1,) bool
        False over gaps.
    course_rad : (n,) float64
        Direction of travel, clockwise from north, along the chord centred on the row; NaN where the machine stands,
        folds back or the chord would cross a gap. On an arc driven evenly it is the tangent.
    speed_m_s : (n,) float64
        Of that chord over its time; NaN as above.
    straight : (n,) bool
        Over 20 m the course changes by less than 10 degrees: a bend of 50 m radius or more.
    noise_m : float
        Position noise from row to row, one sigma.
    """

    x_m: Floats
    y_m: Floats
    time_s: Floats
    linked: Flags
    course_rad: Floats
    speed_m_s: Floats
    straight: Flags
    noise_m: float


def wrap_rad(angle: Floats) -> Floats:
    """Angle into [-pi, pi)."""
    out: Floats = (angle + np.pi) % (2 * np.pi) - np.pi
    return out


def plane_of(log: Log) -> tuple[Floats, Floats]:
    """East and north of the first row, m, on the ellipsoid's tangent: good to 0.1 % within a field."""
    north_m, east_m = metres_per_degree(float(np.median(log.latitude_deg)))
    return (log.longitude_deg - log.longitude_deg[0]) * east_m, (log.latitude_deg - log.latitude_deg[0]) * north_m


def driven_m(view: View) -> Floats:
    """(n - 1,) way of each step, m: speed by chords times time, for noise makes the way from row to row longer.

    Where no chord is, the step itself, unless it is within the noise (standing). 0 over gaps.
    """
    known = np.isfinite(view.speed_m_s)
    filled = np.where(known, view.speed_m_s, 0.0)
    count = known[:-1].astype(int) + known[1:]
    speed = (filled[:-1] + filled[1:]) / np.maximum(count, 1)
    raw = np.hypot(np.diff(view.x_m), np.diff(view.y_m))
    way = np.where(count > 0, speed * np.diff(view.time_s), np.where(raw > 4 * view.noise_m, raw, 0.0))
    out: Floats = np.where(view.linked, way, 0.0)
    return out


def noise_of(log: Log, x: Floats, y: Floats, linked: Flags) -> float:
    """Position noise from row to row, one sigma: across the track where that can be told, else of both axes together.

    The latter holds jerks of the machine and early stamps too, and is rather too large.
    """
    across = position_noise_m(log)
    if across is not None:
        return across
    if x.shape[0] < _NOISE_ROWS:
        return _NOISE_UNKNOWN_M
    even = linked[2:] & linked[1:-1] & linked[:-2]
    third = np.hypot(third_difference(x), third_difference(y))[even]
    third = third[third > 0]
    if not third.size:
        return _NOISE_UNKNOWN_M
    return max(_NOISE_UNKNOWN_M, sigma_of_third(float(np.median(third)), length_of_two_axes=True))


def view_of(log: Log) -> View:
    """Course and speed of a log by its positions.

    Each row takes the shortest chord, of as many rows behind as ahead, that is longer than 40 sigma of the noise (2 to
    20 m) and lasts at most 30 s. Whether it is straight there is told by a chord of 20 m and more.
    """
    x, y = plane_of(log)
    time = log.time_s
    linked = np.diff(time) <= default_max_gap_s(log.quality.median_step_s)
    noise = noise_of(log, x, y, linked)
    broken = np.concatenate([[0], np.cumsum(~linked)])
    least_m = float(np.clip(_CHORD_SIGMAS * noise, *_CHORD_M))
    course, speed, _ = _chords(x, y, time, broken, least_m, _LONGEST_S)
    _, _, turn = _chords(x, y, time, broken, _CHORD_M[1], 2 * _LONGEST_S)
    with np.errstate(invalid="ignore"):
        straight = turn < _STRAIGHT_RAD
    return View(x, y, time, linked, course, speed, straight, noise)


def _chords(
    x: Floats, y: Floats, time: Floats, broken: Ints, least_m: float, longest_s: float
) -> tuple[Floats, Floats, Floats]:
    """Course, speed, and the turn between a chord's halves, by the shortest chord of at least ``least_m`` a row."""
    n = x.shape[0]
    course, speed, bend = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    open_rows = np.arange(n, dtype=np.int64)
    arm = 1
    while open_rows.size:
        rows = open_rows[(open_rows >= arm) & (open_rows < n - arm)]
        a, b = rows - arm, rows + arm
        lasts = time[b] - time[a]
        whole = (broken[a] == broken[b]) & ((lasts <= longest_s) | (arm == 1))
        rows, a, b, lasts = rows[whole], a[whole], b[whole], lasts[whole]
        dx, dy = x[b] - x[a], y[b] - y[a]
        length = np.hypot(dx, dy)
        far = length >= least_m
        here, a, b = rows[far], a[far], b[far]
        first = np.arctan2(x[here] - x[a], y[here] - y[a])
        second = np.arctan2(x[b] - x[here], y[b] - y[here])
        turn = np.abs(wrap_rad(second - first))
        bend[here] = turn
        course[here] = np.where(turn < _FOLD_RAD, np.arctan2(dx[far], dy[far]), np.nan)
        speed[here] = np.where(turn < _FOLD_RAD, length[far] / lasts[far], np.nan)
        open_rows = rows[~far]
        arm *= 2
    return course, speed, bend
