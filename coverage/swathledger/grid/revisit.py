"""Whether a boom left ground that it treated before it came over it again: what makes two hits of one pass two."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare

AWAY_M = 0.5
"""A boom farther than this from ground has left it: more than a spray fan is deep, and than a good receiver shakes."""
NOISE_SIGMAS = 6.0
"""Nearer than so many sigmas of one row's position noise a boom that seems to come back may only seem so."""


class Boom(NamedTuple):
    """Extent of the boom line, metres right of its centre, and the distance at which it has left ground."""

    left_m: float
    right_m: float
    away_m: float


def boom_of(nozzle_edges_m: NDArray[np.float64], sigma_m: float | None) -> Boom:
    """The whole boom, and how far it must be to have left ground under position noise (one sigma)."""
    away = max(AWAY_M, NOISE_SIGMAS * (sigma_m or 0.0))
    return Boom(float(nozzle_edges_m[0]), float(nozzle_edges_m[-1]), away)


@njit_bare
def is_away(lines, pose, boom, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether the boom line at a pose is off a place: beyond ``away_m`` before, behind or beside it."""
    dx = x - lines.x[pose]
    dy = y - lines.y[pose]
    lateral = dx * lines.right_x[pose] + dy * lines.right_y[pose]
    ahead = dy * lines.right_x[pose] - dx * lines.right_y[pose]
    return abs(ahead) > boom.away_m or lateral < boom.left_m - boom.away_m or lateral > boom.right_m + boom.away_m


@njit_bare
def pose_away(lines, first, last, boom, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """First of the poses ``first`` to ``last`` at which the boom was off a place; -1 where it never left."""
    for pose in range(first, last + 1):
        if is_away(lines, pose, boom, x, y):
            return pose
    return -1
