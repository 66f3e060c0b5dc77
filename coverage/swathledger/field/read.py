"""Reading a field: its boundary and exclusions out of a boundary file, chosen by name or by where the log lies."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from swathledger.errors import FieldError
from swathledger.field.field import Field, LocalPlane
from swathledger.field.mend import SLIVER_AREA_M2, as_polygons, check_crossings, join, mend, polygons_of
from swathledger.field.plane import geodesic_area_m2, plane_for, to_degrees, to_plane
from swathledger.field.proximity import Positions, distance_to_m, say_distance, share_inside
from swathledger.field.source import BoundaryFile, Feature, read_boundary_file
from swathledger.notes import Measure, Note

if TYPE_CHECKING:
    import os

    from numpy.typing import ArrayLike
    from shapely.geometry.base import BaseGeometry

_QUAD_SEGMENTS = 32  # of a buffer's quarter circle: the area of a buffered point is right to 0.04 %
_CLOSING_SHARE = 0.05  # a boundary drawn as a line is closed when its gap is at most this share of its length
_MOST_NAMES = 12


@dataclass(frozen=True, slots=True)
class FieldOutline:
    """A field of a boundary file, in degrees, for matching logs with fields.

    Attributes
    ----------
    geometry : Polygon or MultiPolygon
        The mended boundary; x longitude, y latitude, WGS84 degrees. Exclusions are not taken out.
    notes : tuple of Note
        What was mended.
    """

    field_id: str
    geometry: Polygon | MultiPolygon
    geodesic_area_m2: float
    recorded_area_m2: float | None
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class _Group:
    """The boundary features of one field."""

    field_id: str
    features: tuple[Feature, ...]

    @property
    def degrees(self) -> BaseGeometry:
        return cast("BaseGeometry", shapely.GeometryCollection([feature.geometry for feature in self.features]))


def read_field(
    path: str | os.PathLike[str],
    *,
    field_id: str | None = None,
    latitude_deg: ArrayLike | None = None,
    longitude_deg: ArrayLike | None = None,
) -> Field:
    """Read one field of a boundary file.

    Parameters
    ----------
    path : path-like
        Any vector file GDAL reads (GeoJSON, GeoPackage, Shapefile, KML, ...) or GeoParquet. Features carry
        ``field_id``, ``role`` (``boundary``, the default, or ``exclusion``) and, on exclusions, ``buffer_m``.
    field_id : str, optional
        The field wanted. None: the only one, or the one that holds most of the log.
    latitude_deg, longitude_deg : array_like, optional
        Positions of the log, WGS84 degrees: they choose the field, and a boundary of another place is refused.

    Returns
    -------
    Field
        On a plane centred on the boundary's bounding box; ``notes`` say what was mended, assumed or chosen.

    Raises
    ------
    FieldError
        The file cannot be read; the field is not in it (the message names those that are); several fields and nothing
        to choose by; no position of the log lies in the field (the message gives the distance and the nearest field);
        an exclusion along a line or at a point without ``buffer_m``; nothing left of the boundary or of the target.
    """
    from pathlib import Path

    return field_from(
        read_boundary_file(Path(path)), field_id=field_id, latitude_deg=latitude_deg, longitude_deg=longitude_deg
    )


def field_from(
    source: BoundaryFile,
    *,
    field_id: str | None = None,
    latitude_deg: ArrayLike | None = None,
    longitude_deg: ArrayLike | None = None,
) -> Field:
    """One field of boundaries that have been read, see :func:`read_field`."""
    notes = list(source.notes)
    groups = _groups(source, notes)
    positions = Positions.of(latitude_deg, longitude_deg)
    group = _chosen(source, groups, field_id, positions, notes)
    return _field(source, group, notes)


def list_fields(path: str | os.PathLike[str]) -> list[FieldOutline]:
    """Every field of a boundary file, in the order of the file.

    A field whose boundary cannot be mended into ground is left out.

    Raises
    ------
    FieldError
        The file cannot be read, or no field in it can be used.
    """
    from pathlib import Path

    source = read_boundary_file(Path(path))
    out: list[FieldOutline] = []
    last: FieldError | None = None
    for group in _groups(source, []):
        plane = plane_for(group.degrees)
        try:
            boundary, notes = _boundary(group, plane, source.file)
        except FieldError as error:
            last = error
            continue
        degrees = as_polygons(to_degrees(boundary, plane))
        area, note = _recorded(group)
        said = (*notes, note) if note else tuple(notes)
        out.append(FieldOutline(group.field_id, degrees, geodesic_area_m2(degrees), area, tuple(said)))
    if not out and last is not None:
        raise last
    return out


def _groups(source: BoundaryFile, notes: list[Note]) -> list[_Group]:
    """Boundary features by field, in the order of the file; names are given where the file has none."""
    bounds = [feature for feature in source.features if feature.role == "boundary"]
    if not bounds:
        raise FieldError(
            "every feature in it is an exclusion.",
            file=source.file,
            hint='One needs the role "boundary" (the default).',
        )
    names = [feature.name for feature in bounds]
    use_names = not source.has_field_id and None not in names and len(set(names)) == len(names)
    if use_names:
        notes.append(Note.of("field.names_for_ids"))
    members: dict[str, list[Feature]] = {}
    for index, feature in enumerate(bounds, start=1):
        name = feature.name if use_names else feature.field_id
        if name is None:
            name = source.stem if len(bounds) == 1 else f"{source.stem}-{index}"
            notes.append(Note.of("field.named", feature=feature.row, name=name))
        members.setdefault(name, []).append(feature)
    return [_Group(name, tuple(features)) for name, features in members.items()]


def _names(groups: Sequence[_Group]) -> str:
    names = [group.field_id for group in groups]
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return ", ".join(names[:_MOST_NAMES]) + more


def _chosen(
    source: BoundaryFile, groups: list[_Group], field_id: str | None, positions: Positions | None, notes: list[Note]
) -> _Group:
    """The field asked for, the one under the log, or the only one."""
    if field_id is not None:
        group = _by_name(source, groups, field_id)
    elif len(groups) == 1:
        group = groups[0]
    elif positions is None:
        raise FieldError(
            f"it holds {len(groups)} fields: {_names(groups)}.", file=source.file, hint="Say which one is meant."
        )
    else:
        group = _by_place(source, groups, positions, notes)
    if positions is not None:
        inside = _share(source, group, positions)
        # None: the boundary itself is at fault, which is told when it is built.
        if inside == 0.0:
            raise _elsewhere(source, groups, group, positions)
        if inside is not None and inside < 0.5:
            notes.append(Note.of("field.few_inside", share=Measure(100 * inside, "pct")))
    return group


def _by_name(source: BoundaryFile, groups: list[_Group], field_id: str) -> _Group:
    for group in groups:
        if group.field_id == field_id:
            return group
    wanted = field_id.strip().casefold()
    alike = [group for group in groups if group.field_id.strip().casefold() == wanted]
    if len(alike) == 1:
        return alike[0]
    close = difflib.get_close_matches(field_id, [group.field_id for group in groups], n=3, cutoff=0.5)
    hint = f"Did you mean {' or '.join(close)}?" if close else f"It has: {_names(groups)}."
    raise FieldError(f"there is no field {field_id!r} in it.", file=source.file, column="field_id", hint=hint)


def _by_place(source: BoundaryFile, groups: list[_Group], positions: Positions, notes: list[Note]) -> _Group:
    """The field that holds the largest share of the log's positions."""
    shares = [_share(source, group, positions) or 0.0 for group in groups]
    best = int(np.argmax(shares))
    if shares[best] == 0.0:
        raise _elsewhere(source, groups, None, positions)
    chosen = Measure(100 * shares[best], "pct")
    notes.append(Note.of("field.chosen", fields=len(groups), field=groups[best].field_id, share=chosen))
    for group, share in zip(groups, shares, strict=True):
        if group is not groups[best] and share >= 0.01:
            notes.append(Note.of("field.also_in", field=group.field_id, share=Measure(100 * share, "pct")))
    return groups[best]


def _share(source: BoundaryFile, group: _Group, positions: Positions) -> float | None:
    """Share of the log's positions in a field, None where its boundary is at fault."""
    try:
        boundary, _ = _boundary(group, positions.plane, source.file)
    except FieldError:
        return None
    return share_inside(boundary, positions)


def _elsewhere(source: BoundaryFile, groups: list[_Group], group: _Group | None, positions: Positions) -> FieldError:
    """The error for a boundary of another place."""
    far = [(distance_to_m(item.degrees, positions), item) for item in groups]
    nearest, near = min(far, key=lambda pair: pair[0])
    middle = f"{positions.plane.latitude_0_deg:.5f}, {positions.plane.longitude_0_deg:.5f}"
    if group is None:
        what = f"no position of the log lies in any of its {len(groups)} fields; the nearest is {near.field_id}, "
        what += f"{say_distance(nearest)} away (the log is centred on {middle})."
    else:
        own = next(distance for distance, item in far if item is group)
        what = (
            f"no position of the log lies in field {group.field_id}: the boundary is {say_distance(own)} from the log "
        )
        what += f"(centred on {middle})."
        if near is not group:
            what += f" The nearest field in the file is {near.field_id}, {say_distance(nearest)} away."
    hint = "Is this the boundary of another place?"
    swapped = shapely.transform((group or near).degrees, lambda xy: xy[:, ::-1])
    fits = bool(np.all(np.abs(shapely.get_coordinates(swapped)[:, 1]) <= 90))
    if fits and distance_to_m(swapped, positions) < min(50_000.0, nearest):
        hint = "Latitude and longitude look swapped in the boundary: longitude comes first."
    return FieldError(what, file=source.file, hint=hint)


def _boundary(group: _Group, plane: LocalPlane, file: str) -> tuple[Polygon | MultiPolygon, list[Note]]:
    """The field's boundary on a plane: mended, joined, without slivers."""
    parts: list[BaseGeometry] = []
    notes: list[Note] = []
    seen: dict[bytes, int] = {}
    shapes = [to_plane(feature.geometry, plane) for feature in group.features]
    if len(shapes) > 1 or not shapes[0].is_valid:
        check_crossings(shapes, f"the boundary of field {group.field_id!r}", file)
    for feature in group.features:
        key = shapely.to_wkb(shapely.normalize(feature.geometry))
        if key in seen:
            notes.append(Note.of("field.repeated", feature=feature.row, first=seen[key]))
            continue
        seen[key] = feature.row
        shape = to_plane(feature.geometry, plane)
        if not polygons_of(shape):
            shape, said = _closed(shape, feature, file)
            notes.append(said)
        mended, note = mend(shape)
        if note:
            notes.append(Note.of("field.boundary_mended", field=group.field_id, feature=feature.row, how=note))
        parts.append(mended)
    boundary, said_of_union = join(parts)
    notes += [Note.of("field.boundary_joined", field=group.field_id, how=note) for note in said_of_union]
    if boundary.is_empty:
        raise FieldError(
            f"the boundary of field {group.field_id!r} encloses less than {SLIVER_AREA_M2:g} m2 of ground.",
            file=file,
            hint="Check its corners.",
        )
    return boundary, notes


def _closed(shape: BaseGeometry, feature: Feature, file: str) -> tuple[Polygon, Note]:
    """A boundary drawn as a line, closed where its ends nearly meet."""
    line = shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
    if line.geom_type not in {"LineString", "LinearRing"}:
        kind = shape.geom_type.lower()
        raise FieldError(
            f"feature {feature.row} is a boundary, but it is a {kind}.", file=file, hint="A boundary is a polygon."
        )
    xy = shapely.get_coordinates(line)
    gap = float(np.hypot(*(xy[-1] - xy[0])))
    if len(xy) < 4 - (gap > 0) or gap > _CLOSING_SHARE * line.length:
        raise FieldError(
            f"feature {feature.row} is a boundary, but it is a line whose ends are {gap:.1f} m apart.",
            file=file,
            hint="Close it, or draw it as a polygon.",
        )
    return Polygon(xy), Note.of("field.line_closed", feature=feature.row, gap=Measure(gap, "length"))


def _exclusions(
    source: BoundaryFile, group: _Group, plane: LocalPlane, boundary: Polygon | MultiPolygon, notes: list[Note]
) -> Polygon | MultiPolygon:
    """Exclusions of the field, buffered and clipped to its boundary."""
    parts: list[BaseGeometry] = []
    for feature in source.features:
        if feature.role != "exclusion" or feature.field_id not in (None, group.field_id):
            continue
        shape = to_plane(feature.geometry, plane)
        # A far feature may lie where the plane has no coordinates.
        if not bool(np.isfinite(shapely.get_coordinates(shape)).all()):
            continue
        if not shape.is_valid or (feature.buffer_m > 0 and not polygons_of(shape)):
            check_crossings([shape], f"the exclusion in feature {feature.row}", source.file)
        if polygons_of(shape):
            shape, note = mend(shape)
        else:
            note = None
            if feature.buffer_m == 0 and shapely.intersects(shape, boundary):
                kind = shape.geom_type.lower()
                raise FieldError(
                    f"feature {feature.row} is an exclusion drawn as a {kind}, which covers no ground.",
                    file=source.file,
                    column="buffer_m",
                    hint="Give it a buffer_m, the metres to keep clear on each side.",
                )
        if feature.buffer_m > 0:
            shape = shapely.buffer(shape, feature.buffer_m, quad_segs=_QUAD_SEGMENTS)
        if not shapely.intersects(shape, boundary):
            if feature.field_id is not None:
                notes.append(Note.of("field.exclusion_outside", feature=feature.row, field=group.field_id))
            continue
        if note:
            notes.append(Note.of("field.exclusion_mended", feature=feature.row, how=note))
        parts.append(as_polygons(shape))
    if not parts:
        return MultiPolygon()
    return as_polygons(shapely.intersection(shapely.union_all(parts), boundary))


def _recorded(group: _Group) -> tuple[float | None, Note | None]:
    """The area in the file's records: one figure for the field, or the sum of its features' figures."""
    known = [feature.recorded_area_m2 for feature in group.features if feature.recorded_area_m2 is not None]
    if not known:
        return None, None
    if len(set(known)) == 1:
        return known[0], None
    return float(sum(known)), Note.of("field.recorded_areas_differ", features=len(known), field=group.field_id)


def _field(source: BoundaryFile, group: _Group, notes: list[Note]) -> Field:
    plane = plane_for(group.degrees)
    boundary, said = _boundary(group, plane, source.file)
    notes += said
    known = {feature.field_id for feature in source.features if feature.role == "boundary"}
    for feature in source.features:
        if feature.role == "exclusion" and feature.field_id is not None and feature.field_id not in known:
            notes.append(Note.of("field.exclusion_of_no_field", feature=feature.row, field=feature.field_id))
    exclusions = _exclusions(source, group, plane, boundary, notes)
    if boundary.area - exclusions.area < SLIVER_AREA_M2:
        raise FieldError(f"the exclusions cover all of field {group.field_id!r}.", file=source.file)
    recorded, note = _recorded(group)
    if note:
        notes.append(note)
    return Field(
        field_id=group.field_id,
        plane=plane,
        boundary=boundary,
        exclusions=exclusions,
        source="given",
        geodesic_area_m2=geodesic_area_m2(to_degrees(boundary, plane)),
        recorded_area_m2=recorded,
        notes=tuple(notes),
        inputs=source.inputs,
    )
