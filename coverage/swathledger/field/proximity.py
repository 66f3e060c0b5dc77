"""Where a log lies against a boundary: share of positions inside, distance between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from swathledger.errors import FieldError
from swathledger.field.plane import geodesic_m, plane_for, to_plane

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from shapely.geometry.base import BaseGeometry

    from swathledger.field.field import LocalPlane

_MOST_POSITIONS = 4000  # an even pick of this many tells a share to better than 1 %


@dataclass(frozen=True, slots=True)
class Positions:
    """Positions of a log, thinned, on a plane of their own.

    Attributes
    ----------
    plane : LocalPlane
        Centred on the log.
    latitude_deg, longitude_deg : (n,) float64
    x_m, y_m : (n,) float64
    """

    plane: LocalPlane
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]

    @classmethod
    def of(cls, latitude_deg: ArrayLike | None, longitude_deg: ArrayLike | None) -> Positions | None:
        """Positions from arrays of the same length; None where there is no finite one."""
        if latitude_deg is None or longitude_deg is None:
            return None
        lat = np.asarray(latitude_deg, dtype=np.float64).ravel()
        lon = np.asarray(longitude_deg, dtype=np.float64).ravel()
        if lat.shape != lon.shape:
            raise FieldError(f"{lat.size} latitudes and {lon.size} longitudes were given.")
        finite = np.isfinite(lat) & np.isfinite(lon)
        lat, lon = lat[finite], lon[finite]
        if lat.size == 0:
            return None
        if lat.size > _MOST_POSITIONS:
            pick = np.linspace(0, lat.size - 1, _MOST_POSITIONS).astype(np.int64)
            lat, lon = lat[pick], lon[pick]
        plane = plane_for(latitude_deg=lat, longitude_deg=lon)
        x, y = plane.forward(lat, lon)
        return cls(plane, lat, lon, x, y)


def share_inside(boundary: BaseGeometry, positions: Positions) -> float:
    """Share of the positions, 0..1, that lie in a boundary given on the positions' plane."""
    shapely.prepare(boundary)
    return float(np.mean(shapely.contains_xy(boundary, positions.x_m, positions.y_m)))


def distance_to_m(geometry: BaseGeometry, positions: Positions) -> float:
    """Geodesic distance between the nearest of the positions and a geometry in degrees; 0 where one is inside."""
    shape = to_plane(geometry, positions.plane)
    if not bool(np.isfinite(shapely.get_coordinates(shape)).all()):
        shape, lonlat = geometry, shapely.get_coordinates(geometry)  # the far side of the earth: any corner will do
        lon, lat = float(lonlat[0, 0]), float(lonlat[0, 1])
        index = 0
    else:
        distances = np.atleast_1d(shapely.distance(shape, shapely.points(positions.x_m, positions.y_m)))
        index = int(np.argmin(distances))
        if distances[index] == 0:
            return 0.0
        here = shapely.Point(positions.x_m[index], positions.y_m[index])
        near = shapely.get_coordinates(shapely.shortest_line(here, shape))[-1]
        latitude, longitude = positions.plane.inverse(near[:1], near[1:])
        lat, lon = float(latitude[0]), float(longitude[0])
    return float(geodesic_m(positions.latitude_deg[index], positions.longitude_deg[index], lat, lon))


def say_distance(metres: float) -> str:
    """A distance in words: metres below 1 km, then kilometres."""
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"
