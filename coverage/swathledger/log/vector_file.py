"""GeoPackage, Shapefile, and any other point file that GDAL reads."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from swathledger.errors import LogError
from swathledger.files import gdal_warnings, parts_of, plain_path, sha256_of
from swathledger.log.columns import plan_columns, require
from swathledger.log.geometry import points_of, to_wgs84
from swathledger.log.table import RawTable, feature_places, mend_text
from swathledger.notes import Note


def read_vector(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read points through GDAL; positions come from the geometry unless ``columns`` maps ``latitude``.

    Raises
    ------
    LogError
        Not a vector file, not points, or several point layers and no ``layer`` option.

    Notes
    -----
    A shapefile cuts column names at ten characters: ``working_width_m`` is found as ``working_wi``. Times are fetched
    as text with their offsets, since GDAL's own date-times would lose which had none.
    """
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FieldError

    truncated = path.suffix.lower() == ".shp"
    inputs = tuple((part.name, sha256_of(part)) for part in parts_of(path))
    heard: list[str] = []
    with plain_path(path) as plain, gdal_warnings(heard):
        try:
            layer = _layer(pyogrio, plain, options, path.name)
            headers = tuple(str(name) for name in pyogrio.read_info(plain, layer=layer)["fields"])
            by_geometry = "latitude" not in (columns or {})
            plan = plan_columns(headers, columns, file=path.name, truncated=truncated)
            require(plan, headers, path.name, position_from_geometry=by_geometry)
            meta, table = pyogrio.read_arrow(
                plain, layer=layer, columns=list(plan.headers), read_geometry=by_geometry, datetime_as_string=True
            )
        except (DataSourceError, DataLayerError, FieldError, pa.ArrowInvalid, OSError, UnicodeError) as error:
            raise LogError(
                f"cannot be read as a vector file: {error}.",
                file=path.name,
                hint="Give CSV, GeoJSON, GeoPackage, Shapefile or Parquet.",
            ) from error
    latitude = longitude = None
    warnings = tuple(Note.of("log.reader_said", file=path.name, text=text) for text in dict.fromkeys(heard))
    if by_geometry:
        name = meta.get("geometry_name") or "wkb_geometry"
        if name not in table.column_names:
            name = "wkb_geometry"
        if name not in table.column_names:
            raise LogError(
                "the layer has no geometry.", file=path.name, hint="Map latitude and longitude in [columns]."
            )
        x, y = points_of(table.column(name), path.name) if table.num_rows else (np.empty(0), np.empty(0))
        latitude, longitude, told = to_wgs84(x, y, meta.get("crs"), path.name)
        warnings += told
    table, told = mend_text(table, path.name)
    warnings += told
    if truncated:
        table = _dates_as_text(table)
    return RawTable(
        file=path.name,
        inputs=inputs,
        headers=headers,
        table=table,
        latitude_deg=latitude,
        longitude_deg=longitude,
        places=feature_places,
        truncated=truncated,
        warnings=warnings,
    )


def _layer(pyogrio: Any, path: Path, options: Mapping[str, object], file: str) -> str:
    layers = pyogrio.list_layers(path)
    names = [str(name) for name, _ in layers]
    wanted = options.get("layer")
    if wanted is not None:
        if str(wanted) not in names:
            raise LogError(
                f"has no layer {wanted!r}; it has {', '.join(map(repr, names))}.",
                file=file,
                hint="Correct [log] layer.",
            )
        return str(wanted)
    if not names:
        raise LogError("holds no layer.", file=file)
    points = [str(name) for name, kind in layers if kind is not None and "Point" in str(kind)]
    if len(points) == 1:
        return points[0]
    if len(names) == 1:
        return names[0]
    raise LogError(
        f"holds the layers {', '.join(map(repr, points or names))}.",
        file=file,
        hint='Say which is the log: [log] layer = "...".',
    )


def _dates_as_text(table: Any) -> Any:
    """A shapefile's date fields as text, so that a time of day beside them can be joined on."""
    for index, field in enumerate(table.schema):
        if pa.types.is_date(field.type):
            table = table.set_column(index, field.name, table.column(index).cast(pa.string()))
    return table
