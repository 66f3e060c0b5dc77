"""The local plane of a field: choosing its centre, and moving geometries to and fro."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from swathledger.errors import FieldError
from swathledger.field.field import LocalPlane
from swathledger.geodesy import distance_m, ellipsoid

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from shapely.geometry.base import BaseGeometry

_DECIMALS = 6  # of a degree: the centre can be written down and read back, and stays within 0.1 m of the box's


def plane_for(
    geometry: BaseGeometry | None = None,
    *,
    latitude_deg: ArrayLike | None = None,
    longitude_deg: ArrayLike | None = None,
) -> LocalPlane:
    """Lambert azimuthal equal-area plane centred on the bounding box of what is given, rounded to 1e-6 degree.

    Parameters
    ----------
    geometry : shapely geometry, optional
        x longitude, y latitude, WGS84 degrees.
    latitude_deg, longitude_deg : array_like, optional
        Positions, WGS84 degrees; points that are not finite are passed over. Used beside or instead of ``geometry``.

    Returns
    -------
    LocalPlane
        Longitudes on both sides of 180 degrees are taken as neighbours: the box is the narrower of the two possible.

    Raises
    ------
    FieldError
        There is no finite position, or one lies beyond 90 degrees of latitude.
    """
    lat, lon = np.empty(0), np.empty(0)
    if geometry is not None:
        xy = shapely.get_coordinates(geometry)
        lon, lat = xy[:, 0], xy[:, 1]
    if latitude_deg is not None and longitude_deg is not None:
        lat = np.concatenate([lat, np.asarray(latitude_deg, dtype=np.float64).ravel()])
        lon = np.concatenate([lon, np.asarray(longitude_deg, dtype=np.float64).ravel()])
    finite = np.isfinite(lat) & np.isfinite(lon)
    lat, lon = lat[finite], lon[finite]
    if lat.size == 0:
        raise FieldError("there is no position to centre the projection on.")
    if float(np.abs(lat).max()) > 90:
        raise FieldError(
            f"a latitude of {float(lat[np.argmax(np.abs(lat))])!r} degrees is beyond 90.",
            hint="Are latitude and longitude swapped, or the coordinates metres?",
        )
    west, east = float(lon.min()), float(lon.max())
    if east - west > 180:
        turned = lon % 360.0
        if float(turned.max() - turned.min()) < east - west:
            west, east = float(turned.min()), float(turned.max())
    middle = (west + east) / 2
    middle = (middle + 180.0) % 360.0 - 180.0 if not -180.0 <= middle <= 180.0 else middle
    # + 0.0 turns a negative zero into zero, which prints without a sign.
    return LocalPlane(
        latitude_0_deg=round((float(lat.min()) + float(lat.max())) / 2, _DECIMALS) + 0.0,
        longitude_0_deg=round(middle, _DECIMALS) + 0.0,
    )


def to_plane(geometry: BaseGeometry, plane: LocalPlane) -> BaseGeometry:
    """A geometry in WGS84 degrees (x longitude, y latitude) moved to the plane; heights are dropped."""

    def forward(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = plane.forward(xy[:, 1], xy[:, 0])
        return np.column_stack([x, y])

    return shapely.transform(geometry, forward)


def to_degrees(geometry: BaseGeometry, plane: LocalPlane) -> BaseGeometry:
    """A geometry of the plane in WGS84 degrees (x longitude, y latitude).

    Longitudes run on without a jump: across 180 degrees they go beyond it (180.01, never -179.99).
    """

    def inverse(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        latitude, longitude = plane.inverse(xy[:, 0], xy[:, 1])
        turn = np.round((longitude - plane.longitude_0_deg) / 360.0) * 360.0
        return np.column_stack([longitude - turn, latitude])

    return shapely.transform(geometry, inverse)


def geodesic_m(latitude_1: float, longitude_1: float, latitude_2: float, longitude_2: float) -> float:
    """Length of the shortest way between two positions on the WGS84 ellipsoid, m (Karney 2013, as below)."""
    return float(distance_m(latitude_1, longitude_1, latitude_2, longitude_2))


def geodesic_area_m2(geometry: BaseGeometry) -> float:
    """Area on the WGS84 ellipsoid of polygons in degrees, holes taken off; 0 where there is no polygon.

    Edges are geodesics. Method: Karney (2013), doi 10.1007/s00190-012-0578-z, by :class:`pyproj.Geod`.
    """
    geod = ellipsoid()

    def ring_area(ring: BaseGeometry) -> float:
        xy = shapely.get_coordinates(ring)
        return abs(float(geod.polygon_area_perimeter(xy[:, 0], xy[:, 1])[0]))

    total = 0.0
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Polygon) and not part.is_empty:
            total += ring_area(part.exterior) - sum(ring_area(hole) for hole in part.interiors)
    return total
