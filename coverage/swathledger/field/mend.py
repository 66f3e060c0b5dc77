"""Mending polygons on the plane, and saying what was mended."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from swathledger.errors import FieldError
from swathledger.notes import Measure, Note

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

#: A part or a hole of a lesser area, m2, or of a lesser mean width (twice the area over the perimeter), m, is a slip of
#: the pen and no ground: no boom can be steered by it.
SLIVER_AREA_M2 = 1.0
SLIVER_WIDTH_M = 0.1
_WELD_M = 1e-4
#: Crossings of edges that are mended; a drawing of ground has a handful.
MOST_CROSSINGS = 10_000
_EDGES_AT_ONCE = 50
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


def check_crossings(parts: Sequence[BaseGeometry], what: str, file: str) -> None:
    """Refuse lines that cross themselves and each other more often than any drawing of ground does.

    Each crossing becomes a corner when it is mended: 2,000 corners that all cross would take minutes and gigabytes.

    Parameters
    ----------
    parts : sequence of shapely geometry
        Plane metres.
    what : str
        How the message calls them.

    Raises
    ------
    FieldError
        More than `MOST_CROSSINGS` crossings of one edge with another.
    """
    edges = np.concatenate([_edges_of(part) for part in parts]) if parts else np.empty((0, 2, 2))
    if edges.shape[0] < 4:
        return
    lines = np.asarray(shapely.linestrings(edges), dtype=object)
    tree = shapely.STRtree(lines)
    found = 0
    for at in range(0, lines.size, _EDGES_AT_ONCE):  # so that not even the list of crossings grows without bound
        found += tree.query(lines[at : at + _EDGES_AT_ONCE], predicate="crosses").shape[1]
        if found > 2 * MOST_CROSSINGS:  # each is met from both sides
            raise FieldError(
                f"{what} crosses itself more than {MOST_CROSSINGS:,} times.", file=file, hint="Draw it anew."
            )


def _edges_of(geometry: BaseGeometry) -> NDArray[np.float64]:
    """(n, 2, 2) ends of the edges of lines and rings."""
    xy, part = shapely.get_coordinates(_lines_of(geometry), return_index=True)
    same = part[1:] == part[:-1]
    edges = np.stack([xy[:-1][same], xy[1:][same]], axis=1)
    known: NDArray[np.float64] = edges[np.isfinite(edges).all(axis=(1, 2))]
    return known


def _lines_of(geometry: BaseGeometry) -> NDArray[np.object_]:
    parts = shapely.get_parts(shapely.get_parts(np.atleast_1d(np.asarray(geometry, dtype=object))))
    rings = shapely.get_rings(parts[shapely.get_type_id(parts) == 3])
    others = parts[np.isin(shapely.get_type_id(parts), (1, 2))]
    return np.concatenate([rings, others])


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
