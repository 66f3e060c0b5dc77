"""Mending polygons on the plane, and saying what was mended."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import shapely
from shapely import MultiPolygon, Polygon

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

#: A part or a hole of a lesser area, m2, or of a lesser mean width (twice the area over the perimeter), m, is a slip of
#: the pen and no ground: no boom can be steered by it.

from swathledger.notes import Measure, Note

SLIVER_AREA_M2 = 1.0
SLIVER_WIDTH_M = 0.1
_WELD_M = 1e-4
_LEAST = {"area": Measure(SLIVER_AREA_M2, "small_area"), "width": Measure(SLIVER_WIDTH_M, "length")}


def polygons_of(geometry: BaseGeometry) -> list[Polygon]:
    """The polygons in a geometry of any kind, empty ones left out."""
    if isinstance(geometry, Polygon):
        return [] if geometry.is_empty else [geometry]
    if isinstance(geometry, MultiPolygon) or geometry.geom_type == "GeometryCollection":
        return [polygon for part in shapely.get_parts(geometry) for polygon in polygons_of(part)]
    return []


def as_polygons(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    """The polygonal part of a geometry: one polygon, or a multipolygon (empty where there is none)."""
    parts = polygons_of(geometry)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def mend(geometry: BaseGeometry) -> tuple[Polygon | MultiPolygon, Note | None]:
    """Make polygons valid.

    Parameters
    ----------
    geometry : shapely geometry
        Plane metres; anything but polygons is left out.

    Returns
    -------
    geometry : Polygon or MultiPolygon
        Valid. Where a ring crosses itself every loop of it is kept as ground (the "structure" rule of GEOS), so that a
        loop walked twice does not become a hole.
    note : Note or None
        What was wrong and by how much the area changed; None where nothing was.
    """
    before = as_polygons(geometry)
    if before.is_valid:
        return before, None
    reason = shapely.is_valid_reason(before)
    place = reason.split("[")[0].strip().lower()
    after = as_polygons(shapely.make_valid(before, method="structure", keep_collapsed=False))
    areas = {"before": Measure(before.area, "small_area"), "after": Measure(after.area, "small_area")}
    return after, Note.of("field.mended", fault=place, **areas)


def join(parts: Sequence[BaseGeometry]) -> tuple[Polygon | MultiPolygon, list[Note]]:
    """Union of polygons, without slivers.

    Returns
    -------
    geometry : Polygon or MultiPolygon
        Valid; empty where nothing is left.
    notes : list of Note
        Overlap between the parts, slivers dropped, narrow gaps closed.
    """
    notes: list[Note] = []
    pieces = [polygon for part in parts for polygon in polygons_of(part)]
    # Corners moved from degrees miss the neighbour's edge they stood on by a micrometre; a grid of 0.1 mm welds them.
    union = as_polygons(shapely.union_all(pieces, grid_size=_WELD_M if len(pieces) > 1 else None))
    doubled = sum(part.area for part in parts) - union.area
    if len(parts) > 1 and doubled > SLIVER_AREA_M2:
        notes.append(Note.of("field.parts_overlap", count=len(parts), area=Measure(doubled, "small_area")))
    kept, dropped, filled = [], 0, 0
    for part in polygons_of(union):
        if is_sliver(part):
            dropped += 1
            continue
        holes = [hole for hole in part.interiors if not is_sliver(Polygon(hole))]
        filled += len(part.interiors) - len(holes)
        kept.append(Polygon(part.exterior, holes))
    if dropped:
        notes.append(Note.of("field.slivers_dropped", count=dropped, **_LEAST))
    if filled:
        notes.append(Note.of("field.holes_filled", count=filled, **_LEAST))
    return as_polygons(MultiPolygon(kept)), notes


def is_sliver(polygon: Polygon) -> bool:
    """Whether a polygon is too small or too narrow to be ground."""
    return bool(polygon.area < SLIVER_AREA_M2 or 2 * polygon.area < SLIVER_WIDTH_M * polygon.exterior.length)
