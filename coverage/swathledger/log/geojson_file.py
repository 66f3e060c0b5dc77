"""GeoJSON points (RFC 7946): a FeatureCollection, one feature a line, or a text sequence (RFC 8142)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.geometry import to_wgs84
from swathledger.log.table import RawTable, feature_places
from swathledger.notes import Note


class _Geometry(msgspec.Struct):
    type: str | None = None
    coordinates: Any = None


class _Feature(msgspec.Struct):
    type: str | None = None
    geometry: _Geometry | None = None
    properties: dict[str, Any] | None = None


class _Collection(msgspec.Struct):
    type: str | None = None
    features: list[_Feature] | None = None
    crs: dict[str, Any] | None = None


def _decode(data: bytes, file: str) -> tuple[list[_Feature], dict[str, Any] | None]:
    text = data.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e")
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        text = text.decode("cp1252", errors="replace").encode("utf-8")
    try:
        whole = msgspec.json.decode(text, type=_Collection)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        return _decode_other(text, file, error), None
    if whole.type == "FeatureCollection":
        return whole.features or [], whole.crs
    if whole.type == "Feature":  # a file of a single line
        return [msgspec.json.decode(text, type=_Feature)], None
    raise LogError(
        f"holds a {whole.type or 'JSON object'}, not point features.",
        file=file,
        hint="Give a FeatureCollection of points.",
    )


def _decode_other(text: bytes, file: str, error: Exception) -> list[_Feature]:
    """Features line by line; or, where the numbers include NaN, which JSON does not know, by the lenient reader."""
    lines = text.replace(b"\x1e", b"").splitlines()
    features: list[_Feature] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            features.append(msgspec.json.decode(line, type=_Feature))
        except (msgspec.DecodeError, UnicodeDecodeError):
            try:
                features.append(_lenient(json.loads(line)))
            except (ValueError, TypeError, AttributeError) as second:
                if features:
                    raise LogError(
                        f"is not a GeoJSON feature: {line[:60]!r}.", file=file, row=number, hint="Export the log again."
                    ) from second
                break
    if features and all(feature.type == "Feature" for feature in features):
        return features
    try:
        whole = json.loads(text)
        return [_lenient(item) for item in whole["features"]]
    except (ValueError, TypeError, KeyError, AttributeError):
        raise LogError(f"is not GeoJSON: {error}.", file=file, hint="Export the log again.") from error


def _lenient(item: dict[str, Any]) -> _Feature:
    geometry = item.get("geometry")
    return _Feature(
        type=item.get("type"),
        geometry=None if geometry is None else _Geometry(geometry.get("type"), geometry.get("coordinates")),
        properties=item.get("properties"),
    )


def _position(feature: _Feature, index: int, file: str) -> tuple[float, float]:
    geometry = feature.geometry
    if geometry is None:
        return (np.nan, np.nan)
    place = geometry.coordinates
    if geometry.type == "MultiPoint" and isinstance(place, list) and len(place) == 1:
        place = place[0]
    elif geometry.type != "Point":
        raise LogError(
            f"feature {index + 1} is a {geometry.type}, not a point.",
            file=file,
            hint="A log holds one point a row; is this a boundary?",
        )
    if isinstance(place, list) and len(place) >= 2:
        x, y = place[0], place[1]
        if isinstance(x, (int, float)) and isinstance(y, (int, float)):
            return float(x), float(y)
    return (np.nan, np.nan)


def _column(values: list[Any]) -> Any:
    """One property as an Arrow column: bool, float64, or text where it is mixed."""
    kinds = {type(value) for value in values if value is not None}
    if kinds <= {bool}:
        return pa.array(values, pa.bool_())
    if kinds <= {int, float}:
        return pa.array([None if value is None else float(value) for value in values], pa.float64())
    return pa.array(
        [value if value is None or isinstance(value, str) else json.dumps(value) for value in values], pa.string()
    )


def read_geojson(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read GeoJSON points; positions come from the geometry unless ``columns`` maps ``latitude``.

    Raises
    ------
    LogError
        Not GeoJSON, or not points.
    """
    del options
    features, crs = _decode(path.read_bytes(), path.name)
    names = list(dict.fromkeys(name for feature in features for name in (feature.properties or {})))
    table = (
        pa.table(
            {
                name: pa.chunked_array([_column([(feature.properties or {}).get(name) for feature in features])])
                for name in names
            }
        )
        if names
        else pa.table({"feature": pa.array(range(len(features)), pa.float64())})
    )
    latitude = longitude = None
    warnings: tuple[Note, ...] = ()
    if "latitude" not in (columns or {}):
        places = np.array([_position(feature, index, path.name) for index, feature in enumerate(features)])
        x, y = (places[:, 0], places[:, 1]) if len(features) else (np.empty(0), np.empty(0))
        stated = ((crs or {}).get("properties") or {}).get("name") or "OGC:CRS84"
        latitude, longitude, warnings = to_wgs84(x, y, stated, path.name)
    return RawTable(
        file=path.name,
        inputs=((path.name, sha256_of(path)),),
        headers=tuple(names),
        table=table,
        latitude_deg=latitude,
        longitude_deg=longitude,
        places=feature_places,
        warnings=warnings,
    )
