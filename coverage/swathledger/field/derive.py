"""A boundary from the ground that was covered, where none was given."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import MultiPolygon

from swathledger.errors import FieldError
from swathledger.field.field import Field, LocalPlane
from swathledger.field.mend import as_polygons, polygons_of
from swathledger.field.plane import geodesic_area_m2, to_degrees
from swathledger.notes import Measure, Note

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

_CHUNK = 500  # quads joined at once: neighbours in time overlap, so their union stays small
_CHUNK_SIMPLIFY_M = 0.01
_WELD_M = 0.001  # on a grid of a millimetre the union of thousands of near-equal quads loses none of them
_SIMPLIFY_M = 0.05
_LEAST_SHARE = 0.01


def field_from_quads(
    x_m: ArrayLike,
    y_m: ArrayLike,
    plane: LocalPlane,
    *,
    boom_width_m: float | None = None,
    closing_m: float | None = None,
    field_id: str = "derived",
    inputs: tuple[tuple[str, str], ...] = (),
) -> Field:
    """Derive a field's boundary from quadrilaterals of covered ground.

    Parameters
    ----------
    x_m, y_m : (n, 4) array_like
        Corners in plane metres, going round; a quad crossing itself (a boom end sweeping backwards) counts as its
        convex hull. Rows that are not finite are passed over.
    boom_width_m : float, optional
        Working width, m: sets the default of ``closing_m`` to half of it.
    closing_m : float, optional
        Gaps and bays narrower than this are taken as ground of the field: missed strips between passes are skips, not
        holes of the boundary.
    inputs : tuple of (str, str)
        Name and sha256 of the files the quads come from.

    Returns
    -------
    Field
        ``source`` is ``"derived"``; ``notes`` say how the boundary was made and what it cannot show.

    Raises
    ------
    FieldError
        No quad covers any ground, or neither width is given.

    Notes
    -----
    Union, then morphological closing by a disc of diameter ``closing_m`` (dilation, then erosion), which never takes
    covered ground away. Parts of less than 1 % of the whole are dropped. Vertices are thinned to 0.05 m.
    """
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    if x.ndim != 2 or x.shape[1] != 4 or x.shape != y.shape:
        raise FieldError(f"quads must be two arrays of (n, 4) corners, found {x.shape} and {y.shape}.")
    width = closing_m if closing_m is not None else (boom_width_m / 2 if boom_width_m is not None else None)
    if width is None or not 0 <= width < np.inf:
        raise FieldError(
            f"the closing width must be 0 m or more, found {width!r}.", hint="Give closing_m or boom_width_m."
        )
    finite = np.isfinite(x).all(axis=1) & np.isfinite(y).all(axis=1)
    # to the micrometre: differences near the smallest float are no ground and upset the overlay
    corners = np.round(np.stack([x[finite], y[finite]], axis=-1), 6) + 0.0
    hulls = shapely.convex_hull(np.asarray(shapely.polygons(corners), dtype=object))
    quads = np.asarray(hulls, dtype=object)[np.asarray(shapely.area(hulls)) > 0]
    if quads.size == 0:
        raise FieldError(
            "no ground was covered, so no boundary can be derived.",
            hint="Give a boundary file, or check the log's states.",
        )
    chunks = [
        shapely.simplify(shapely.union_all(quads[at : at + _CHUNK], grid_size=_WELD_M), _CHUNK_SIMPLIFY_M)
        for at in range(0, quads.size, _CHUNK)
    ]
    covered = as_polygons(shapely.union_all(chunks, grid_size=_WELD_M))
    closed = covered
    if width > 0:
        grown = shapely.buffer(covered, width / 2)
        # joined with what was covered, since a disc of few corners could shave a little off
        closed = as_polygons(shapely.union(covered, shapely.buffer(grown, -width / 2)))
    thin = shapely.make_valid(shapely.simplify(closed, _SIMPLIFY_M), method="structure", keep_collapsed=False)
    parts = polygons_of(thin)
    least = _LEAST_SHARE * sum(part.area for part in parts)
    kept = [part for part in parts if part.area >= least]
    lost = [part.area for part in parts if part.area < least]
    boundary = as_polygons(MultiPolygon(kept))
    ground = Measure(covered.area, "small_area")
    notes = [
        Note.of("field.derived", covered=ground, closed=Measure(width, "length")),
        Note.of("field.derived_follows_drive"),
    ]
    if lost:
        notes.append(Note.of("field.derived_without", count=len(lost), area=Measure(sum(lost), "small_area")))
    return Field(
        field_id=field_id,
        plane=plane,
        boundary=boundary,
        exclusions=MultiPolygon(),
        source="derived",
        geodesic_area_m2=geodesic_area_m2(to_degrees(boundary, plane)),
        notes=tuple(notes),
        inputs=inputs,
    )
