"""Points of any vector file that is read by GDAL: FlatGeobuf, KML, GPX, and what the modules beside this one claim."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from swathledger.errors import LogError
from swathledger.files import parts_of, sha256_of
from swathledger.log.columns import plan_columns, require
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.geometry import points_of, to_wgs84
from swathledger.log.table import Column, RawTable, feature_places, mend_text
from swathledger.notes import Note
from swathledger.text import file_name
from swathledger.vector.client import Layer, kind_of, layers, read_layer
from swathledger.vector.geopackage import tables_of


def read_vector(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read points through GDAL; positions come from the geometry unless ``columns`` maps ``latitude``.

    Raises
    ------
    LogError
        Not a vector file, not points, or several point layers and no ``layer`` option.

    Notes
    -----
    Times are fetched as text with their offsets, since GDAL's own date-times would lose which had none.
    """
    file, truncated = file_name(path), _is_truncated(path)
    if path.suffix.lower() == ".gpkg":
        tables_of(path)  # views are refused before GDAL works them out
    inputs = tuple((file_name(part), sha256_of(part)) for part in parts_of(path))
    layer = _layer(layers(path, LogError), options, file)
    by_geometry = "latitude" not in (columns or {})
    plan = plan_columns(layer.fields, columns, file=file, truncated=truncated)
    require(plan, layer.fields, file, position_from_geometry=by_geometry)
    found = read_layer(path, layer.name, LogError, columns=list(plan.headers), geometry=by_geometry)
    latitude = longitude = None
    warnings: list[Note] = [Note.of("log.reader_said", file=file, text=text) for text in dict.fromkeys(found.warnings)]
    if by_geometry:
        if found.geometry is None:
            raise LogError("the layer has no geometry.", file=file, hint="Map latitude and longitude in [columns].")
        shapes = found.table.column(found.geometry)
        x, y = points_of(shapes, file) if len(shapes) else (np.empty(0), np.empty(0))
        latitude, longitude, told = to_wgs84(x, y, found.crs, file)
        warnings += told
    table, mended = mend_text(found.table, file)
    warnings += mended
    if truncated:
        table = _dates_as_text(table)
    return RawTable(
        file=file,
        inputs=inputs,
        headers=layer.fields,
        columns={name: Column.of(table.column(name)) for name in plan.headers},
        latitude_deg=latitude,
        longitude_deg=longitude,
        places=feature_places,
        truncated=truncated,
        warnings=tuple(warnings),
    )


def _is_truncated(path: Path) -> bool:
    """Whether headers are cut at ten characters: a shapefile's, also in a zip file."""
    return path.suffix.lower() in (".shp", ".zip")


def _layer(found: Sequence[Layer], options: Mapping[str, object], file: str) -> Layer:
    wanted = options.get("layer")
    names = ", ".join(repr(layer.name) for layer in found)
    if wanted is not None:
        named = [layer for layer in found if layer.name == str(wanted)]
        if not named:
            raise LogError(f"has no layer {wanted!r}; it has {names}.", file=file, hint="Correct [log] layer.")
        return named[0]
    if not found:
        raise LogError("holds no layer.", file=file)
    points = [layer for layer in found if layer.kind is not None and "Point" in layer.kind]
    for few in (points, found):
        if len(few) == 1:
            return few[0]
    shown = ", ".join(repr(layer.name) for layer in points) or names
    raise LogError(f"holds the layers {shown}.", file=file, hint='Say which is the log: [log] layer = "...".')


def _dates_as_text(table: Any) -> Any:
    """A shapefile's date fields as text, so that a time of day beside them can be joined on."""
    for index, field in enumerate(table.schema):
        if pa.types.is_date(field.type):
            table = table.set_column(index, field.name, table.column(index).cast(pa.string()))
    return table


def _claims(head: bytes, path: Path) -> bool:
    return kind_of(path, head) is not None


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    del options
    for layer in layers(path, LogError):
        if "Polygon" in str(layer.kind):
            return Sniffed("boundary", "vector", f"holds a layer of {layer.kind}")
        if "Point" in str(layer.kind):
            return by_names(layer.fields, "vector", columns, points=True, truncated=_is_truncated(path))
    return Sniffed("other", "vector", "no layer of points or polygons")


FORMAT = Format("vector", _claims, _sniff, read_vector)
