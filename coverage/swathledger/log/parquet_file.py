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
from swathledger.log.columns import ColumnPlan, plan_columns, require
from swathledger.log.geometry import points_of, to_wgs84
from swathledger.log.table import RawTable, feature_places, mend_text
from swathledger.notes import Note

Floats = NDArray[np.float64]


def _geometry_column(schema: Any) -> tuple[str, dict[str, Any]] | None:
    """Name and GeoParquet metadata of the geometry column; ``{}`` where there is no metadata."""
    try:
        geo = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
        name = geo.get("primary_column")
        if name in schema.names:
            return name, dict(geo["columns"][name])
    except (ValueError, KeyError, TypeError, AttributeError):
        pass
    for name in ("geometry", "geom", "wkb_geometry"):
        if name in schema.names and _is_binary(schema.field(name).type):
            return name, {}
    return None


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
    try:
        store = pq.ParquetFile(path)
        schema = store.schema_arrow
        nested = {name for name in schema.names if pa.types.is_nested(schema.field(name).type)}
        headers = tuple(name for name in schema.names if name not in nested)
        plan = plan_columns(headers, columns, file=path.name)
        shape = None if {"latitude", "longitude"} <= set(plan.fixed) else _geometry_column(schema)
        require(plan, headers, path.name, position_from_geometry=shape is not None)
        wanted = [*plan.headers, *([shape[0]] if shape else [])]
        table = store.read(columns=list(dict.fromkeys(wanted)))
    except (pa.ArrowInvalid, OSError) as error:
        raise LogError(f"is not a readable Parquet file: {error}.", file=path.name, hint="Export it again.") from error
    latitude = longitude = None
    warnings: tuple[Note, ...] = ()
    if shape is not None:
        latitude, longitude, warnings = _positions(table.column(shape[0]), shape[1], path.name)
        headers = tuple(name for name in headers if name != shape[0])
    table, told = mend_text(_plain(table, plan), path.name)
    warnings += told
    return RawTable(
        file=path.name,
        inputs=((path.name, sha256_of(path)),),
        headers=headers,
        table=table,
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


def _plain(table: Any, plan: ColumnPlan) -> Any:
    """The planned columns only."""
    return table.select(list(plan.headers))
