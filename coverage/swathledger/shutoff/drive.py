"""The recorded drive as the replay's kernels want it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare
from swathledger.swath.swath import Swath


class Drive(NamedTuple):
    """The recorded drive; ``p`` poses, ``p - 1`` steps.

    Between two poses centre and boom vector move evenly, so that every place of the boom moves on a straight line.

    Attributes
    ----------
    x, y, right_x, right_y, time_s : (p,) float64
    moving : (p - 1,) bool, linked and not standing
    linked : (p - 1,) bool
    wanted : (p - 1,) bool
    reverse : (p - 1,) bool
    distance_m : (p - 1,) float64
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    right_x: NDArray[np.float64]
    right_y: NDArray[np.float64]
    time_s: NDArray[np.float64]
    moving: NDArray[np.bool_]
    linked: NDArray[np.bool_]
    wanted: NDArray[np.bool_]
    reverse: NDArray[np.bool_]
    distance_m: NDArray[np.float64]


class Line(NamedTuple):
    """A boom line: its centre, and the vector along it to the right."""

    x: float
    y: float
    right_x: float
    right_y: float


class Stretch(NamedTuple):
    """Part of the drive, from fraction ``first_u`` of step ``first`` to fraction ``last_u`` of step ``last``."""

    first: int
    first_u: float
    last: int
    last_u: float


def drive_of(swath: Swath) -> Drive:
    """The swath as the kernels want it."""
    return Drive(
        np.ascontiguousarray(swath.x_m),
        np.ascontiguousarray(swath.y_m),
        np.ascontiguousarray(swath.right_x),
        np.ascontiguousarray(swath.right_y),
        np.ascontiguousarray(swath.time_s),
        swath.linked & ~swath.standing & (swath.distance_m > 0),
        swath.linked,
        swath.wanted,
        swath.reverse,
        np.ascontiguousarray(swath.distance_m),
    )


@njit_bare
def line_at(drive, step, u):  # type: ignore[no-untyped-def]  # numba infers the types
    """The boom line at a fraction of a step."""
    x, y, rx, ry = drive.x[step], drive.y[step], drive.right_x[step], drive.right_y[step]
    if u > 0.0:
        end = step + 1
        x += u * (drive.x[end] - x)
        y += u * (drive.y[end] - y)
        rx += u * (drive.right_x[end] - rx)
        ry += u * (drive.right_y[end] - ry)
    return Line(x, y, rx, ry)


@njit_bare
def moved_ahead(line, way_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """A line moved square to itself: ahead of the boom where ``way_m`` is positive, looking forward."""
    return Line(line.x - line.right_y * way_m, line.y + line.right_x * way_m, line.right_x, line.right_y)
