"""Parquet, and GeoParquet points where there are no columns of degrees."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.columns import plan_columns, require
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.geometry import points_of, to_wgs84
from swathledger.log.table import Column, RawTable, feature_places, mend_text
from swathledger.notes import Note
from swathledger.text import file_name

Floats = NDArray[np.float64]
_MOST_ROWS, _MOST_COLUMNS = 200_000_000, 10_000


def _geometry_column(schema: Any) -> tuple[str, dict[str, Any]] | None:
    """Name and GeoParquet metadata of the geometry column; ``{}`` where there is no metadata."""
    name, about = _about_geometry(schema)
    if name is not None:
        return name, about
    for name in ("geometry", "geom", "wkb_geometry"):
        if name in schema.names and _is_binary(schema.field(name).type):
            return name, {}
    return None


def _about_geometry(schema: Any) -> tuple[str | None, dict[str, Any]]:
    """The primary geometry column and what GeoParquet's metadata say of it; None where they say nothing of use."""
    try:
        geo = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
        name = geo.get("primary_column")
        return (name, dict(geo["columns"][name])) if isinstance(name, str) and name in schema.names else (None, {})
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None, {}


def _is_binary(kind: Any) -> bool:
    return bool(pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_binary_view(kind))


def read_parquet(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read the columns that are needed from a Parquet file.

    Raises
    ------
    LogError
        Not Parquet, or no positions in it.
    """
    del options
    file = file_name(path)
    try:
        store = pq.ParquetFile(path)
        schema = store.schema_arrow
        _check_size(store, file)
        twice = next((name for name in schema.names if schema.names.count(name) > 1), None)
        if twice is not None:
            raise LogError(f"has two columns {twice!r}.", file=file, column=twice, hint="Name each once.")
        nested = {name for name in schema.names if pa.types.is_nested(schema.field(name).type)}
        headers = tuple(name for name in schema.names if name not in nested)
        plan = plan_columns(headers, columns, file=file)
        shape = None if {"latitude", "longitude"} <= set(plan.fixed) else _geometry_column(schema)
        require(plan, headers, file, position_from_geometry=shape is not None)
        wanted = [*plan.headers, *([shape[0]] if shape else [])]
        table = store.read(columns=list(dict.fromkeys(wanted)))
    except (pa.ArrowException, OSError, UnicodeError, ValueError) as error:
        raise LogError(f"is not a readable Parquet file: {error}.", file=file, hint="Export it again.") from error
    latitude = longitude = None
    warnings: tuple[Note, ...] = ()
    if shape is not None:
        latitude, longitude, warnings = _positions(table.column(shape[0]), shape[1], file)
        headers = tuple(name for name in headers if name != shape[0])
    table, told = mend_text(table.select(list(plan.headers)), file)
    warnings += told
    return RawTable(
        file=file,
        inputs=((file, sha256_of(path)),),
        headers=headers,
        columns={name: Column.of(table.column(name)) for name in plan.headers},
        latitude_deg=latitude,
        longitude_deg=longitude,
        places=feature_places,
        warnings=warnings,
    )


def _positions(column: Any, about: dict[str, Any], file: str) -> tuple[Floats, Floats, tuple[Note, ...]]:
    if pa.types.is_struct(column.type):  # GeoParquet 1.1 "point" encoding
        whole = column.combine_chunks()
        if isinstance(whole, pa.ChunkedArray):
            whole = whole.chunk(0)
        x, y = (np.asarray(whole.field(axis).to_numpy(zero_copy_only=False), np.float64) for axis in ("x", "y"))
    else:
        x, y = points_of(column, file)
    crs = about.get("crs", "OGC:CRS84")  # GeoParquet: no key means CRS84, null means unknown
    return to_wgs84(x, y, json.dumps(crs) if isinstance(crs, dict) else crs, file)


def _check_size(store: Any, file: str) -> None:
    """A file that claims more rows than its bytes could hold is refused before room is made for them."""
    if store.metadata.num_rows > _MOST_ROWS or store.metadata.num_columns > _MOST_COLUMNS:
        raise LogError(
            f"has {store.metadata.num_rows:,} rows of {store.metadata.num_columns:,} columns; a log is read up to "
            f"{_MOST_ROWS:,} rows of {_MOST_COLUMNS:,}.",
            file=file,
            hint="Is this a log?",
        )


def _claims(head: bytes, path: Path) -> bool:
    del path
    return head.startswith(b"PAR1")


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    del options
    try:
        schema = pq.read_schema(path)
        names = list(schema.names)
    except (pa.ArrowException, OSError, ValueError) as error:
        return Sniffed("other", "parquet", f"not readable: {error}")
    found = _about_geometry(schema)[1].get("geometry_types")
    shapes = [str(shape) for shape in found] if isinstance(found, list) else []
    if any("Polygon" in shape for shape in shapes):
        return Sniffed("boundary", "parquet", f"holds {' and '.join(shapes)}")
    return by_names(names, "parquet", columns, points=any("Point" in shape for shape in shapes))


FORMAT = Format("parquet", _claims, _sniff, read_parquet)
