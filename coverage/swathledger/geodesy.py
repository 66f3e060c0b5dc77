"""Distances on the WGS84 ellipsoid."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


@lru_cache(maxsize=1)
def ellipsoid() -> Any:
    """WGS84 as :class:`pyproj.Geod`. Method: Karney (2013), doi 10.1007/s00190-012-0578-z."""
    from pyproj import Geod

    return Geod(ellps="WGS84")


def distance_m(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, to_latitude_deg: ArrayLike, to_longitude_deg: ArrayLike
) -> NDArray[np.float64]:
    """Geodesic distances between pairs of positions, m, to a nanometre; NaN where a position is not finite.

    Examples
    --------
    >>> round(float(distance_m(0.0, 0.0, 1.0, 0.0)), 3)
    110574.389
    """
    a, b, c, d = np.broadcast_arrays(
        *(np.asarray(x, np.float64) for x in (latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg))
    )
    metres: NDArray[np.float64] = np.asarray(ellipsoid().inv(b, a, d, c)[2], np.float64)
    return metres


@lru_cache(maxsize=256)
def metres_per_degree(latitude_deg: float) -> tuple[float, float]:
    """Length of a degree at a latitude: northward, eastward, m. Taken over a hundredth of a degree."""
    half = 0.005
    north = distance_m(latitude_deg - half, 0.0, latitude_deg + half, 0.0)
    east = distance_m(latitude_deg, -half, latitude_deg, half)
    return float(north) / (2 * half), float(east) / (2 * half)
