"""How far the boom moved on over each step, in spite of the receiver's noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger.swath.pose import Poses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

WINDOWS_S = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Times on either side of a step that speed and yaw may be taken over."""
LONGEST_SPEED_S = 8.0
WAY_SIGMAS = 12.0
"""A way of so many sigmas of one row's position stands out of the noise, which is then under 12 % of it."""
YAW_SIGMAS, YAW_MOST_M = 40.0, 10.0
"""A yaw is taken over so many sigmas, at most 10 m: as far as the chords that headings are derived from."""
LEAST_M_S = 0.02
"""Speed below which a driven step is never taken: a boom that moves treats some ground."""


def forward_m(poses: Poses) -> Floats:
    """(p - 1,) metres the boom's centre moved square to the boom, positive ahead.

    Ground is swept by this part of a step alone: what moves along the boom, in a turn about a point off its line,
    sweeps nothing.
    """
    ahead_x, ahead_y = np.sin(poses.heading_rad), np.cos(poses.heading_rad)
    dx, dy = np.diff(poses.x_m), np.diff(poses.y_m)
    out: Floats = (dx * (ahead_x[:-1] + ahead_x[1:]) + dy * (ahead_y[:-1] + ahead_y[1:])) / 2
    return out


def stretches(poses: Poses, moving: Flags) -> Ints:
    """(p - 1,) number of the stretch of moving steps in one gear that each step belongs to."""
    cut = ~moving[1:] | ~moving[:-1] | (poses.reverse[1:] != poses.reverse[:-1])
    return np.concatenate(([0], np.cumsum(cut)))


def way_of(poses: Poses, moving: Flags, sigma_m: float) -> tuple[Floats, Floats]:
    """Way of the boom's centre over each step, and the time on either side over which yaw stands out of the noise.

    Lengths of noisy steps add up to more than the way: with 30 cm and ten rows a second by a third at 5 m/s, to many
    times the way when creeping. Signed progress adds up to the way itself. Where one step does not stand out of the
    noise, speed is taken over a longer time, and the ways of such steps of a stretch are scaled to their progress.

    Parameters
    ----------
    moving : (p - 1,) bool
        Linked steps under way.
    sigma_m : float
        Position noise of one row, one sigma per axis.

    Returns
    -------
    way_m, window_s : (p - 1,) float64
        ``way_m`` is 0 where the machine is not under way, else above 0.
    """
    dt = np.diff(poses.time_s)
    step = np.where(moving, np.where(poses.reverse, -1.0, 1.0) * forward_m(poses), 0.0)
    stretch = stretches(poses, moving)
    least, yaw_least = WAY_SIGMAS * sigma_m, min(YAW_SIGMAS * sigma_m, YAW_MOST_M)
    window = np.zeros(step.size)
    way = step.copy()
    short = moving & (step <= least)
    noisy = short.copy()
    unsure = np.flatnonzero(moving & (step <= yaw_least))
    if unsure.size:
        first = np.concatenate(([0], np.flatnonzero(np.diff(stretch)) + 1))
        last = np.concatenate((first[1:], [step.size]))
        starts, ends = poses.time_s[first[stretch]], poses.time_s[last[stretch]]
        progress = np.concatenate(([0.0], np.cumsum(step)))
        clock = poses.time_s + np.arange(poses.time_s.size) * 1e-9  # seams hold two poses at one time
        middle = (poses.time_s[:-1] + poses.time_s[1:]) / 2
        for reach in WINDOWS_S:
            t0 = np.maximum(middle[unsure] - reach, starts[unsure])
            t1 = np.minimum(middle[unsure] + reach, ends[unsure])
            moved = np.interp(t1, clock, progress) - np.interp(t0, clock, progress)
            window[unsure] = reach
            if reach <= LONGEST_SPEED_S:
                speed = np.divide(moved, t1 - t0, out=np.zeros_like(moved), where=t1 > t0)
                now = short[unsure]
                way[unsure[now]] = np.maximum(speed, LEAST_M_S)[now] * dt[unsure[now]]
                short[unsure[moved > least]] = False
            unsure = unsure[moved <= yaw_least]
            if not unsure.size:
                break
        # Steps that stand out are known: a turn that moved the boom sideways must not shorten the pass beside it.
        wanted = np.bincount(stretch, np.where(noisy, step, 0.0))
        found = np.bincount(stretch, np.where(noisy, way, 0.0))
        scale = np.divide(wanted, found, out=np.ones_like(found), where=(found > 0) & (wanted > 0.1 * found))
        way = np.where(noisy, way * scale[stretch], way)
    return np.where(moving, np.maximum(way, 1e-6), 0.0), window
