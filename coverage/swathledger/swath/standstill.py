"""When the machine stands still: from the logged speed, else from the track, under any receiver noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger.motion import STANDSTILL_M_S, sigma_of_third, third_difference

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

STANDSTILL_WINDOW_S = 3.0
"""Without a logged speed, standstill is judged over at least this time."""
NOISY_M = 0.05
"""Position noise from which standstill must be told from means instead of single rows."""
NOISY_WINDOW_S = 8.0


def find_standing(
    x_m: Floats, y_m: Floats, time_s: Floats, speed_m_s: Floats | None, max_gap_s: float, sigma_m: float = 0.0
) -> Flags:
    """Steps over which the machine stands still.

    Where speed is logged a step stands when the row's speed is below 0.1 m/s, unless the positions walk off meanwhile.
    Elsewhere a step stands when it lies in a window of at least 3 s (8 s under noise of 5 cm or more) over which the
    machine moved on slower than 0.1 m/s, as far as position noise lets that be seen.

    Parameters
    ----------
    sigma_m : float
        Position noise per axis, one row against the next.

    Returns
    -------
    (n - 1,) bool
    """
    n = x_m.size
    dt = np.diff(time_s)
    standing = np.zeros(n - 1, dtype=bool)
    known = np.zeros(n - 1, dtype=bool)
    if speed_m_s is not None:
        speed = np.abs(speed_m_s[:-1])
        known = np.isfinite(speed)
        slow = known & (speed < STANDSTILL_M_S) & (dt <= max_gap_s)
        standing = slow & ~_walks_off(x_m, y_m, time_s, slow, sigma_m)
    if not bool(known.all()):
        by_track = _slow_by_rows(x_m, y_m, time_s, max_gap_s)
        if sigma_m >= NOISY_M:
            by_track = _slow_by_means(x_m, y_m, time_s, max_gap_s, sigma_m)
        standing = np.where(known, standing, by_track)
    return standing & (dt <= max_gap_s)


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """First and one past the last index of every run of True."""
    edges = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def _walks_off(x_m: Floats, y_m: Floats, time_s: Floats, slow: Flags, sigma_m: float) -> Flags:
    """Steps of slow runs over which the positions move on all the same: a receiver that reports 0 is not believed.

    Held against 0.5 m + 0.2 m/s and the noise, over each step and over windows of 3 s within the run.
    """
    walks = np.zeros(slow.size, dtype=bool)
    for first, last in _runs(slow):
        rows = np.arange(first, last + 1)
        later = np.clip(np.searchsorted(time_s, time_s[rows] + STANDSTILL_WINDOW_S, side="left"), rows[0] + 1, last)
        later = np.maximum(later, np.minimum(rows + 1, last))
        for start, stop in ((rows, later), (rows[:-1], rows[1:])):
            moved = np.hypot(x_m[stop] - x_m[start], y_m[stop] - y_m[start])
            off = moved > 0.5 + 2 * STANDSTILL_M_S * (time_s[stop] - time_s[start]) + 6 * sigma_m
            for a, b in zip(start[off].tolist(), stop[off].tolist(), strict=True):
                walks[a:b] = True
    return walks


def _windows(time_s: Floats, window_s: float, max_gap_s: float) -> tuple[Ints, Ints]:
    """First and last row of every window of at least ``window_s`` that holds no more than one long gap."""
    end = np.searchsorted(time_s, time_s + window_s, side="left")
    start = np.flatnonzero(end < time_s.size)
    stop = end[start]
    short = time_s[stop] - time_s[start] <= window_s + max_gap_s
    return start[short], stop[short]


def _marked(n: int, start: Ints, stop: Ints) -> Flags:
    """Steps that lie in any of the windows."""
    mark = np.zeros(n + 1, dtype=np.int64)
    np.add.at(mark, start, 1)
    np.add.at(mark, stop, -1)
    out: Flags = np.cumsum(mark)[: n - 1] > 0
    return out


def _slow_by_rows(x_m: Floats, y_m: Floats, time_s: Floats, max_gap_s: float) -> Flags:
    """Standstill from the net way between the ends of windows of 3 s."""
    start, stop = _windows(time_s, STANDSTILL_WINDOW_S, max_gap_s)
    slow = np.hypot(x_m[stop] - x_m[start], y_m[stop] - y_m[start]) < STANDSTILL_M_S * (time_s[stop] - time_s[start])
    standing = _marked(x_m.size, start[slow], stop[slow])
    quick = np.hypot(np.diff(x_m), np.diff(y_m)) >= 2 * STANDSTILL_M_S * np.maximum(np.diff(time_s), 0.5)
    for first, last in _runs(standing):
        # The window reaches into the last moments of driving: there a step that itself moved on is driving.
        still = first + np.flatnonzero(~quick[first:last])
        standing[first : int(still[0]) if still.size else last] = False
        standing[int(still[-1]) + 1 if still.size else last : last] = False
    return standing


def _slow_by_means(x_m: Floats, y_m: Floats, time_s: Floats, max_gap_s: float, sigma_m: float) -> Flags:
    """Standstill under noise, over windows of 8 s: the mean of the later half lies where that of the earlier half does.

    Rows must also spread no wider than the noise: driving forth and back leaves the means where they were.
    """
    start, stop = _windows(time_s, NOISY_WINDOW_S, max_gap_s)
    if not start.size:
        return np.zeros(x_m.size - 1, dtype=bool)
    span = time_s[stop] - time_s[start]
    middle = np.clip(np.searchsorted(time_s, time_s[start] + NOISY_WINDOW_S / 2, side="left"), start + 1, stop)
    early, late = middle - start, stop + 1 - middle
    sums = [np.concatenate(([0.0], np.cumsum(v - v[0]))) for v in (x_m, y_m, time_s)]
    dx, dy, lag = ((v[stop + 1] - v[middle]) / late - (v[middle] - v[start]) / early for v in sums)
    rows = early + late
    spread = np.zeros(start.size)
    for v, total in zip((x_m, y_m), sums[:2], strict=True):
        square = np.concatenate(([0.0], np.cumsum((v - v[0]) ** 2)))
        spread += (square[stop + 1] - square[start]) / rows - ((total[stop + 1] - total[start]) / rows) ** 2
    slow = np.hypot(dx, dy) < STANDSTILL_M_S * lag + 4 * sigma_m * np.sqrt(1 / early + 1 / late)
    slow &= spread <= 2 * sigma_m**2 * (1 + 4 / np.sqrt(rows)) + (STANDSTILL_M_S * span) ** 2 / 12
    standing = _marked(x_m.size, start[slow], stop[slow])
    for first, last in _runs(standing):
        # The window reaches into the last moments of driving: rows away from where the machine stood are driving.
        here = slice(first, last + 1)
        away = np.hypot(x_m[here] - np.median(x_m[here]), y_m[here] - np.median(y_m[here]))
        near = first + np.flatnonzero(away <= 4 * sigma_m)
        standing[first : int(near[0]) if near.size else last] = False
        standing[int(near[-1]) if near.size else last : last] = False
    return standing


def freeze_standing(x_m: Floats, y_m: Floats, standing: Flags) -> tuple[Floats, Floats]:
    """Put every row of a standstill at the standstill's mean place, so that noise sweeps no ground."""
    x, y = x_m.copy(), y_m.copy()
    for first, last in _runs(standing):
        x[first : last + 1] = x_m[first : last + 1].mean()
        y[first : last + 1] = y_m[first : last + 1].mean()
    return x, y


def jitter_m(x_m: Floats, y_m: Floats, time_s: Floats, max_gap_s: float) -> float:
    """Position noise per axis of a whole log, standstill included, from third differences in both axes.

    As :func:`swathledger.swath.track.estimate_sigma_m`, but without a direction of travel, which noise itself makes at
    standstill: the length of the third difference is Rayleigh distributed, its median 1.1774 sqrt(20) sigma. Even steps
    only, since uneven ones look like noise along the way. 0 with fewer than 20 values.
    """
    dt = np.diff(time_s)
    even = (dt <= max_gap_s) & (np.abs(dt - np.median(dt)) <= 0.2 * np.median(dt))
    ok = even[:-2] & even[1:-1] & even[2:]
    if int(ok.sum()) < 20:
        return 0.0
    third = np.hypot(third_difference(x_m)[ok], third_difference(y_m)[ok])
    return sigma_of_third(float(np.median(third)), length_of_two_axes=True)
