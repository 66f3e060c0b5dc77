"""Rows into Parquet, CSV and GeoPackage: the same rows give the same bytes."""

from __future__ import annotations

import csv
import datetime as dt
import io
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swathledger.errors import OutputError
from swathledger.files import DiskFullError, is_full, plain_target, write_whole, write_with
from swathledger.season.tables.columns import Kind, Row
from swathledger.text import inert

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


def cell(value: Any) -> str:
    """A value as text for CSV; not known is empty."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, (int, dt.date)):
        return str(value)
    return inert(str(value))


def write_csv(path: Path, rows: Sequence[Row], columns: Mapping[str, Kind]) -> None:
    """Comma, UTF-8, line feeds; texts that would be formulas are made inert."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(list(columns))
    out.writerows([cell(row[name]) for name in columns] for row in rows)
    write_whole(path, text.getvalue().encode("utf-8"))


def write_parquet(path: Path, rows: Sequence[Row], columns: Mapping[str, Kind]) -> None:
    """With the same types whatever is known."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"text": pa.string(), "number": pa.float64(), "count": pa.int64(), "flag": pa.bool_(), "day": pa.date32()}
    arrays = [pa.array([row[name] for row in rows], kinds[kind]) for name, kind in columns.items()]
    table = pa.Table.from_arrays(arrays, names=list(columns))
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    write_whole(path, sink.getvalue().to_pybytes())


def _values(rows: Sequence[Row], name: str, kind: Kind) -> tuple[Any, Any]:
    values = [row[name] for row in rows]
    mask = np.array([value is None for value in values], dtype=bool)
    if kind in ("text", "day"):
        return np.array([None if value is None else str(value) for value in values], dtype=object), mask
    kinds = {"number": np.float64, "count": np.int64, "flag": np.bool_}
    return np.array([0 if value is None else value for value in values], dtype=kinds[kind]), mask


def write_layers(
    path: Path, layers: Mapping[str, tuple[Sequence[Row], Mapping[str, Kind], Sequence[BaseGeometry | None]]], day: str
) -> None:
    """Write a GeoPackage in WGS84.

    Parameters
    ----------
    layers : mapping
        Name to rows, columns and geometries (None where there is none).
    day : str
        The date written into the file instead of now.

    Raises
    ------
    OutputError
    """
    import pyogrio
    import shapely
    from pyogrio import raw

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")

    def write(part: Path) -> None:
        with plain_target(part) as held:
            for number, (name, (rows, columns, shapes)) in enumerate(layers.items()):
                data, masks = zip(*(_values(rows, column, kind) for column, kind in columns.items()), strict=True)
                raw.write(
                    str(held),
                    geometry=np.array(shapely.to_wkb(np.array(_multi(shapes), dtype=object)), dtype=object),
                    field_data=list(data),
                    fields=np.array(list(columns), dtype=object),
                    field_mask=list(masks),
                    geometry_type="MultiPolygon",
                    crs="EPSG:4326",
                    driver="GPKG",
                    layer=name,
                    append=number > 0,
                )

    try:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{day}T00:00:00.000Z"})
        write_with(path, write)
    except RuntimeError as error:  # pyogrio's own errors
        words = f"{path}: cannot be written ({error})."
        if is_full(error, path.parent) or is_full(error, Path(tempfile.gettempdir())):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(words) from error
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _multi(shapes: Sequence[BaseGeometry | None]) -> list[BaseGeometry | None]:
    import shapely

    return [shapely.MultiPolygon([shape]) if isinstance(shape, shapely.Polygon) else shape for shape in shapes]
