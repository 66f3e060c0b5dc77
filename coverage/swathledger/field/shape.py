"""Measures of a field's shape, for setting losses beside the ground they happened on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from swathledger.field.mend import polygons_of

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

    from swathledger.field.field import Field

_SQUARE_SHARE = 1e-3  # sides of the enclosing rectangle closer than this leave no longer one


@dataclass(frozen=True, slots=True)
class ShapeMetrics:
    """Shape of a field.

    Area A and perimeter P are those of the boundary, its holes included (their area taken off, their edges added).

    Attributes
    ----------
    area_m2, geodesic_area_m2 : float
        A on the plane and on the ellipsoid.
    target_area_m2 : float
        A less the exclusions.
    perimeter_m : float
        P.
    target_perimeter_m : float
        Edges of the target: boundary and exclusions.
    perimeter_to_area_per_m : float
        P / A, 1/m.
    target_perimeter_to_area_per_m : float
        Target perimeter over target area, 1/m.
    compactness : float
        4 pi A / P2: circle 1, square 0.785.
    shape : float
        A / P2: circle 0.0796, square 0.0625, 4:1 rectangle 0.04 (Amiama, Bueno & Alvarez 2008).
    convexity : float
        A / area of the convex hull: 1 where there is no bay, hole or second part.
    long_axis_m, short_axis_m : float
        Sides of the smallest enclosing rectangle.
    long_axis_bearing_deg : float or None
        Its longer side, degrees clockwise from north, 0 <= bearing < 180. None where the sides are alike to 0.1 %.
    part_count, hole_count, exclusion_count : int
        Parts and holes of the boundary; separate pieces of excluded ground.
    """

    area_m2: float
    geodesic_area_m2: float
    target_area_m2: float
    perimeter_m: float
    target_perimeter_m: float
    perimeter_to_area_per_m: float
    target_perimeter_to_area_per_m: float
    compactness: float
    shape: float
    convexity: float
    long_axis_m: float
    short_axis_m: float
    long_axis_bearing_deg: float | None
    part_count: int
    hole_count: int
    exclusion_count: int


def shape_metrics(field: Field) -> ShapeMetrics:
    """Measure a field's shape on its plane.

    Notes
    -----
    A / P2, 4 pi A / P2 and A / hull: Amiama, Bueno & Alvarez (2008), Biosystems Engineering 100:198-205.
    """
    boundary, target = field.boundary, field.target
    area, perimeter = float(boundary.area), float(boundary.length)
    target_area, target_perimeter = float(target.area), float(target.length)
    long_side, short_side, bearing = _rectangle(boundary)
    parts = polygons_of(boundary)
    return ShapeMetrics(
        area_m2=area,
        geodesic_area_m2=field.geodesic_area_m2,
        target_area_m2=target_area,
        perimeter_m=perimeter,
        target_perimeter_m=target_perimeter,
        perimeter_to_area_per_m=perimeter / area,
        target_perimeter_to_area_per_m=target_perimeter / target_area,
        compactness=4 * math.pi * area / perimeter**2,
        shape=area / perimeter**2,
        convexity=min(1.0, area / float(shapely.convex_hull(boundary).area)),
        long_axis_m=long_side,
        short_axis_m=short_side,
        long_axis_bearing_deg=bearing,
        part_count=len(parts),
        hole_count=sum(len(part.interiors) for part in parts),
        exclusion_count=len(polygons_of(field.exclusions)),
    )


def _rectangle(boundary: Polygon | MultiPolygon) -> tuple[float, float, float | None]:
    """Long side, short side and bearing of the long side of the smallest enclosing rectangle."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(boundary))
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    order = int(np.argmax(lengths))
    long_side, short_side = float(lengths[order]), float(lengths[1 - order])
    if long_side - short_side <= _SQUARE_SHARE * long_side:
        return long_side, short_side, None
    bearing = math.degrees(math.atan2(sides[order, 0], sides[order, 1])) % 180.0
    return long_side, short_side, 0.0 if bearing >= 180.0 else bearing
