"""Features of a boundary file, as read: any vector file that GDAL knows, or GeoParquet."""

from __future__ import annotations

import hashlib
import json
import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pyarrow as pa
import shapely

from swathledger.errors import FieldError
from swathledger.files import check_readable, parts_of, sha256_of
from swathledger.log.table import Column
from swathledger.notes import Note
from swathledger.text import file_name
from swathledger.units import named
from swathledger.vector.client import layers, read_layer
from swathledger.vector.geopackage import tables_of

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

Role = Literal["boundary", "exclusion"]

_AREA_COLUMNS = {name: unit.si_per_unit for name, unit in named("recorded_area", "area").items()}


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature of a boundary file.

    Attributes
    ----------
    row : int
        Position in the file, from 1 (counted on through all layers).
    geometry : shapely geometry
        WGS84 degrees, x longitude, y latitude, two-dimensional, not mended.
    name : str or None
        A ``name`` column's text, used where the file has no ``field_id``.
    role : {"boundary", "exclusion"}
    buffer_m : float
        0 where not given.
    """

    row: int
    geometry: BaseGeometry
    field_id: str | None
    name: str | None
    role: Role
    buffer_m: float
    recorded_area_m2: float | None


@dataclass(frozen=True, slots=True)
class BoundaryFile:
    """All features of a boundary file.

    Attributes
    ----------
    file : str
        Name of the file.
    stem : str
        Its name without the ending: the field's name where the file gives none.
    inputs : tuple of (str, str)
        Name and sha256 of each file read.
    """

    file: str
    stem: str
    features: tuple[Feature, ...]
    has_field_id: bool
    notes: tuple[Note, ...]
    inputs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class _Layer:
    name: str
    crs: str | None
    geometry: NDArray[np.object_]
    columns: Mapping[str, NDArray[Any]]
    has_geometry: bool = True


def read_boundary_file(path: str | Path) -> BoundaryFile:
    """Read every feature of a boundary file into WGS84 degrees.

    Raises
    ------
    FieldError
        The file is missing or unreadable, its coordinates are neither degrees nor in a coordinate system it names, or a
        value of ``role`` or ``buffer_m`` cannot be used.
    """
    file = Path(path)
    if "\0" not in str(path) and file.is_dir() and file.suffix.lower() != ".gdb":
        raise FieldError("this is a folder.", file=str(file), hint="Name the boundary file inside it.")
    if "\0" not in str(path) and not file.exists() and not file.is_symlink():
        raise FieldError("there is no such boundary file.", file=str(file), hint="Check the path.")
    check_readable(file, FieldError, folder=True)
    if file.is_file() and file.stat().st_size == 0:
        raise FieldError("the file is empty.", file=file_name(file), hint="It needs at least one polygon.")
    inputs = tuple(_hashes(file))
    notes: list[Note] = []
    return _boundaries(_layers(file, notes), file_name(file), file.stem, inputs, notes)


def boundaries_from(
    geometry: NDArray[np.object_], columns: Mapping[str, NDArray[Any]], crs: str | None, name: str
) -> BoundaryFile:
    """Features that are in memory already.

    Parameters
    ----------
    geometry : (n,) shapely geometries or None
    columns : mapping of str to (n,) array
        As a boundary file has them; None or NaN where a cell has no value.
    crs : str or None
        What PROJ understands; None: taken for WGS84 degrees, and said so.
    name : str
        Stands where a file's name would.

    Raises
    ------
    FieldError
        As for :func:`read_boundary_file`.
    """
    digest = hashlib.sha256(b"".join(shapely.to_wkb(shape) for shape in geometry if shape is not None)).hexdigest()
    return _boundaries([_Layer(name, crs, geometry, columns)], name, name, ((name, digest),), [])


def _boundaries(
    layers_: Sequence[_Layer], file: str, stem: str, inputs: tuple[tuple[str, str], ...], notes: list[Note]
) -> BoundaryFile:
    features: list[Feature] = []
    has_field_id = False
    for layer in layers_:
        if not layer.has_geometry:
            continue
        lookup = _Columns(layer.columns)
        has_field_id |= lookup.find("field_id") is not None
        features += _features(layer, lookup, file, len(features), notes)
    if not features:
        raise FieldError("there is no feature with a geometry in it.", file=file, hint="It needs at least one polygon.")
    return BoundaryFile(file, stem, tuple(features), has_field_id, tuple(dict.fromkeys(notes)), inputs)


def _hashes(file: Path) -> Iterator[tuple[str, str]]:
    """Name and sha256 of the file and of all that belongs to it."""
    try:
        for member in parts_of(file):
            yield member.name, sha256_of(member)
    except OSError as error:
        raise FieldError(f"cannot be read ({error.strerror or error}).", file=str(error.filename or file)) from error


def _layers(file: Path, notes: list[Note]) -> list[_Layer]:
    if file.suffix.lower() in {".parquet", ".geoparquet", ".pq"}:
        return [_parquet_layer(file)]
    if file.suffix.lower() == ".gpkg":
        tables_of(file, FieldError)  # views are refused before GDAL works them out
    out = []
    for layer in layers(file, FieldError):
        if layer.kind is None:  # a table without geometry
            continue
        found = read_layer(file, layer.name, FieldError)
        columns = {name: found.table.column(name) for name in found.table.column_names if name != found.geometry}
        geometry = found.table.column(found.geometry) if found.geometry is not None else pa.nulls(found.table.num_rows)
        out.append(_layer(layer.name, found.crs, geometry, columns, file, notes))
        notes += [_note(text) for text in found.warnings]
    return out


def _layer(name: str, crs: str | None, wkb: Any, columns: Mapping[str, Any], file: Path, notes: list[Note]) -> _Layer:
    """A layer with its geometries built, and its columns as numpy arrays; null where a cell has no value."""
    with warnings.catch_warnings(record=True) as caught, np.errstate(invalid="ignore"):  # told with their place below
        warnings.simplefilter("always")
        try:
            shapes = shapely.from_wkb(np.asarray(wkb.to_pylist(), dtype=object), on_invalid="fix")
        except (shapely.errors.GEOSException, TypeError) as error:
            raise FieldError(
                f"holds a geometry that cannot be built ({str(error).splitlines()[0]}).",
                file=file_name(file),
                hint="Export it again.",
            ) from error
    notes += [_note(str(warning.message)) for warning in caught]
    cells = {key: np.array(Column.of(column).values(), dtype=object) for key, column in columns.items()}
    return _Layer(name, crs, shapes, cells)


def _note(warning: str) -> Note:
    """A library's warning in our words."""
    text = warning.split(".", maxsplit=1)[0]
    return Note.of("field.ring_closed") if "closed ring" in text else Note.of("field.reader_said", text=text)


def _parquet_layer(file: Path) -> _Layer:
    import pyarrow.parquet as pq

    try:
        table = pq.ParquetFile(file).read()
        geo = json.loads((table.schema.metadata or {}).get(b"geo", b"null"))
        name = geo["primary_column"]
        about = geo["columns"][name]
        geometry = table.column(name)
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise FieldError(
            f"cannot be read as GeoParquet ({str(error).splitlines()[0] if str(error) else type(error).__name__}).",
            file=file_name(file),
            hint="A Parquet boundary needs the GeoParquet metadata and a geometry column.",
        ) from error
    crs = about.get("crs", "OGC:CRS84")  # no key means CRS84, null means unknown
    columns = {key: table.column(key) for key in table.column_names if key != name}
    return _layer(file.stem, json.dumps(crs) if isinstance(crs, dict) else crs, geometry, columns, file, [])


class _Columns:
    """Columns found by our names: case does not matter, nor a Shapefile's cut to ten characters."""

    def __init__(self, columns: Mapping[str, NDArray[Any]]) -> None:
        self._columns = columns
        self._by_fold = {name.strip().lower(): name for name in reversed(list(columns))}

    def find(self, name: str) -> NDArray[Any] | None:
        for fold in (name, name[:10]):
            if fold in self._by_fold:
                return self._columns[self._by_fold[fold]]
        return None

    def text(self, name: str, index: int) -> str | None:
        """The value as text, None where there is none; 3.0 reads as "3"."""
        column = self.find(name)
        value = None if column is None else column[index]
        if value is None or (isinstance(value, float | np.floating) and math.isnan(value)):
            return None
        if isinstance(value, float | np.floating) and float(value).is_integer():
            value = int(value)
        return str(value).strip() or None


def _features(layer: _Layer, lookup: _Columns, file: str, offset: int, notes: list[Note]) -> Iterator[Feature]:
    known = np.array([shape is not None and not shape.is_empty for shape in layer.geometry], dtype=bool)
    if not known.all():
        notes.append(Note.of("field.no_geometry", count=int((~known).sum()), features=known.size))
    shapes = shapely.force_2d(layer.geometry)
    if known.any():
        shapes[known] = _in_degrees(shapes[known], layer.crs, file, notes)
    layer_role: Role = "exclusion" if layer.name.lower() in {"exclusion", "exclusions"} else "boundary"
    for index in np.flatnonzero(known).tolist():
        row = offset + index + 1
        area = None
        for column, factor in _AREA_COLUMNS.items():
            # the three names share their first ten characters, so a Shapefile's short name is taken as m2
            if area is None and (column == "recorded_area_m2" or column in layer.columns):
                area = _positive(lookup, column, index, factor)
        yield Feature(
            row=row,
            geometry=shapes[index],
            field_id=lookup.text("field_id", index),
            name=lookup.text("name", index),
            role=_role(lookup.text("role", index), layer_role, file, row),
            buffer_m=_buffer(lookup, index, file, row),
            recorded_area_m2=area,
        )


def _role(text: str | None, default: Role, file: str, row: int) -> Role:
    if text is None:
        return default
    if text.lower() == "boundary":
        return "boundary"
    if text.lower() == "exclusion":
        return "exclusion"
    raise FieldError(
        f"feature {row} has the role {text!r}.", file=file, column="role", hint='Roles are "boundary" and "exclusion".'
    )


def _buffer(lookup: _Columns, index: int, file: str, row: int) -> float:
    text = lookup.text("buffer_m", index)
    if text is None:
        return 0.0
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value < 10_000:
        raise FieldError(
            f"feature {row} has a buffer of {text!r}.", file=file, column="buffer_m", hint="Give metres, 0 or more."
        )
    return value


def _positive(lookup: _Columns, column: str, index: int, factor: float) -> float | None:
    """A recorded figure; None where it is absent or no positive number (it is only shown, never used)."""
    text = lookup.text(column, index)
    try:
        value = float(text) * factor if text is not None else math.nan
    except ValueError:
        return None
    return value if 0 < value < math.inf else None


def _in_degrees(shapes: NDArray[np.object_], crs: str | None, file: str, notes: list[Note]) -> NDArray[np.object_]:
    """The shapes in WGS84 degrees, checked to lie on the earth."""
    out = shapes
    if crs is None:
        notes.append(Note.of("field.no_crs"))
    else:
        from pyproj import CRS, Transformer
        from pyproj.exceptions import ProjError

        try:
            given = CRS.from_user_input(crs).to_2d()
            if given != CRS.from_epsg(4326) and given.to_authority() != ("OGC", "CRS84"):
                move = Transformer.from_crs(given, "EPSG:4326", always_xy=True)
                out = shapely.transform(shapes, lambda xy: np.column_stack(move.transform(xy[:, 0], xy[:, 1])))
                notes.append(Note.of("field.transformed", crs=given.name))
        except ProjError as error:
            raise FieldError(
                "its coordinate system is not understood.", file=file, hint="Save the file in WGS84 (EPSG:4326)."
            ) from error
    xy = shapely.get_coordinates(out)
    x, y = xy[:, 0], xy[:, 1]
    bad = ~(np.isfinite(x) & np.isfinite(y) & (np.abs(x) <= 360) & (np.abs(y) <= 90))
    if not bad.any():
        return out
    where = int(np.flatnonzero(bad)[0])
    first = shapely.get_coordinates(shapes)[where]
    if bool(np.all((np.abs(x) <= 90) & (np.abs(y) <= 360))):
        hint = "Latitude and longitude look swapped: longitude comes first."
    elif crs is None or out is shapes:
        hint = "They look like metres: save the file with its coordinate system, or in WGS84 (EPSG:4326)."
    else:
        hint = "They do not belong to the coordinate system that the file names."
    raise FieldError(
        f"coordinates such as ({first[0]:g}, {first[1]:g}) are no longitude and latitude in degrees.",
        file=file,
        hint=hint,
    )
