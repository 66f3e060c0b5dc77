"""Ground that the log does not tell of: what the boom may have sprayed while rows are missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger.motion import is_jump
from swathledger.swath.pose import Poses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Run = tuple[float, float]

STRAIGHT_DEG = 15.0
"""Over a straight gap the heading is the same at both ends to within this."""
LONGEST_S = 300.0
"""Of a longer gap this much is laid ahead of its start and behind its end, half each: the rest is a pause."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A gap with spraying on at both ends.

    Attributes
    ----------
    pose : int
        Pose before the gap; the next pose is after it.
    before, after : sequence of (left, right)
        Lateral extents of the open runs at either end, metres right of the boom centre.
    """

    pose: int
    before: Sequence[Run]
    after: Sequence[Run]


def straight_gaps(x_m: Floats, y_m: Floats, leaving_rad: Floats, arriving_rad: Floats, time_s: Floats) -> Flags:
    """(g,) whether the machine can have driven straight over each gap.

    Parameters
    ----------
    x_m, y_m, time_s : (g, 2) float64
        Before and after each gap.
    leaving_rad, arriving_rad : (g,) float64
        Direction of travel before and after, radians clockwise from north.

    Notes
    -----
    Straight: both directions within 15 degrees of the line between the two places (of one another, where the machine
    did not move), so a turn into the neighbouring pass is none; no faster than a machine can go.
    """
    dx, dy = x_m[:, 1] - x_m[:, 0], y_m[:, 1] - y_m[:, 0]
    way = np.hypot(dx, dy)
    course = np.where(way > 1.0, np.arctan2(dx, dy), leaving_rad)
    off = [(angle - course + np.pi) % (2 * np.pi) - np.pi for angle in (leaving_rad, arriving_rad)]
    straight = (np.abs(off[0]) <= np.deg2rad(STRAIGHT_DEG)) & (np.abs(off[1]) <= np.deg2rad(STRAIGHT_DEG))
    out: Flags = straight & ~is_jump(way, time_s[:, 1] - time_s[:, 0])
    return out


def _strip(line_a: Floats, line_b: Floats, run: Run) -> Polygon | None:
    """Ground between two boom lines ``x, y, right_x, right_y`` under one run."""
    corners = [line[:2] + side * line[2:] for line in (line_a, line_b) for side in run]
    hull = shapely.convex_hull(shapely.MultiPoint(np.asarray(corners)))
    return hull if isinstance(hull, Polygon) else None


def unrecorded_ground(poses: Poses, gaps: Sequence[Gap], speed_m_s: float) -> MultiPolygon:
    """Ground that may have been sprayed in the gaps of a log with spraying on at both ends.

    Parameters
    ----------
    poses : Poses
        Boom centres.
    speed_m_s : float
        Usual speed while spraying.

    Returns
    -------
    MultiPolygon
        Plane metres; may reach beyond the field and over ground that other passes treated.

    Notes
    -----
    Over a straight gap it is the ground between the two boom lines, under every nozzle open at either end. Where the
    machine turned in between, nothing is known but where it came from and where it went to: the ground ahead of the
    first boom and behind the second, each as far as the usual speed carries in half the time. A jump is laid so too,
    since one of its ends is wrong.
    """
    if not gaps:
        return MultiPolygon()
    a = np.array([gap.pose for gap in gaps])
    b = a + 1
    leaving = poses.heading_rad[a] + np.pi * poses.reverse[np.maximum(a - 1, 0)]
    arriving = poses.heading_rad[b] + np.pi * poses.reverse[np.minimum(b, poses.reverse.size - 1)]
    ends = np.stack([a, b], axis=1)
    straight = straight_gaps(poses.x_m[ends], poses.y_m[ends], leaving, arriving, poses.time_s[ends])
    heading = poses.heading_rad
    line = np.stack([poses.x_m, poses.y_m, np.cos(heading), -np.sin(heading)], axis=1)
    parts: list[Polygon | None] = []
    for k, gap in enumerate(gaps):
        first, second = line[gap.pose], line[gap.pose + 1]
        if straight[k]:
            parts += [_strip(first, second, run) for run in (*gap.before, *gap.after)]
            continue
        way = speed_m_s * min(float(poses.time_s[gap.pose + 1] - poses.time_s[gap.pose]), LONGEST_S) / 2
        for start, course, runs in ((first, leaving[k], gap.before), (second, arriving[k] + np.pi, gap.after)):
            end = start + np.array([way * np.sin(course), way * np.cos(course), 0.0, 0.0])
            parts += [_strip(start, end, run) for run in runs]
    union = shapely.union_all([part for part in parts if part is not None])
    return MultiPolygon([part for part in shapely.get_parts(union).tolist() if isinstance(part, Polygon)])
