"""GeoJSON points (RFC 7946): a FeatureCollection, one feature a line, or a text sequence (RFC 8142)."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.geometry import to_wgs84
from swathledger.log.table import Column, RawTable, feature_places
from swathledger.notes import Note
from swathledger.text import file_name

_HEAD = 1 << 16
_MOST_BYTES = 1 << 30
_AT_ONCE = 50_000
_MOST_COLUMNS = 10_000
_KIND = re.compile(rb'"type"\s*:\s*"(Point|MultiPoint|LineString|MultiLineString|Polygon|MultiPolygon)"')
_KEY = re.compile(rb'"([^"\\]{1,80})"\s*:')
_AGAIN = "Export the log again."


class _Collection(msgspec.Struct):
    type: str | None = None
    features: list[msgspec.Raw] | None = None
    crs: Any = None


def _text_of(data: bytes) -> bytes:
    """UTF-8 without a mark; a file that is not UTF-8 is taken as Windows-1252."""
    text = data.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e")
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("cp1252", errors="replace").encode("utf-8")
    return text


def _features_of(text: bytes, file: str) -> tuple[Sequence[Any], Any]:
    """The features, as written or decoded, and the file's ``crs``."""
    try:
        whole = msgspec.json.decode(text, type=_Collection)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return _line_by_line(text, file, error), None
    if whole.type == "FeatureCollection":
        return whole.features or [], whole.crs
    if whole.type == "Feature":  # a file of a single line
        return [msgspec.Raw(text)], None
    raise LogError(
        f"holds a {whole.type or 'JSON object'}, not point features.",
        file=file,
        hint="Give a FeatureCollection of points.",
    )


def _line_by_line(text: bytes, file: str, error: Exception) -> list[Any]:
    """Features line by line; or, where the numbers include NaN, which JSON does not know, by the lenient reader."""
    features: list[Any] = []
    for number, line in enumerate(re.split(rb"\r\n|\r|\n", text.replace(b"\x1e", b"")), start=1):
        if not line.strip():
            continue
        item: Any = None
        try:
            item = _loads(line)
        except (ValueError, RecursionError):
            item = None
        if not isinstance(item, dict) or item.get("type") != "Feature":
            if features:
                raise LogError(f"is not a GeoJSON feature: {line[:60]!r}.", file=file, row=number, hint=_AGAIN)
            break
        features.append(item)
    if features:
        return features
    try:
        whole = json.loads(text)
    except (ValueError, RecursionError):
        raise LogError(f"is not GeoJSON: {error}.", file=file, hint=_AGAIN) from error
    found = whole.get("features") if isinstance(whole, dict) else None
    if not isinstance(found, list):
        raise LogError("is JSON, but no GeoJSON: it holds no list of features.", file=file, hint=_AGAIN)
    return found


def _loads(text: bytes | msgspec.Raw) -> Any:
    try:
        return msgspec.json.decode(text)
    except msgspec.DecodeError:
        return json.loads(bytes(text))


def _decoded(features: Sequence[Any], file: str) -> Iterator[tuple[int, dict[str, Any], Any]]:
    """Number from 1, properties and geometry of each feature.

    Raises
    ------
    LogError
        What stands there is no feature, or its properties are no object.
    """
    for number, raw in enumerate(features, start=1):
        try:
            item = _loads(raw) if isinstance(raw, msgspec.Raw) else raw
        except (ValueError, RecursionError) as error:
            raise LogError(f"feature {number} is not JSON: {error}.", file=file, hint=_AGAIN) from error
        if not isinstance(item, dict) or item.get("type") not in ("Feature", None):
            raise LogError(f"feature {number} is no feature: {str(item)[:60]!r}.", file=file, hint=_AGAIN)
        properties = item.get("properties")
        if properties is not None and not isinstance(properties, dict):
            raise LogError(
                f"feature {number} has {str(properties)[:40]!r} where its properties belong.", file=file, hint=_AGAIN
            )
        yield number, properties or {}, item.get("geometry")


def _position(geometry: Any, number: int, file: str) -> tuple[float, float]:
    """X and y, NaN where there are none."""
    if geometry is None:
        return math.nan, math.nan
    kind = geometry.get("type") if isinstance(geometry, dict) else geometry
    place = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind == "MultiPoint" and isinstance(place, list) and len(place) == 1:
        place = place[0]
    elif kind != "Point":
        raise LogError(
            f"feature {number} is a {str(kind)[:40]}, not a point.",
            file=file,
            hint="A log holds one point a row; is this a boundary?",
        )
    if isinstance(place, list) and len(place) >= 2:
        x, y = _number(place[0]), _number(place[1])
        if x is not None and y is not None:
            return x, y
    return math.nan, math.nan


def _number(value: Any) -> float | None:
    """A JSON number; None where it is none or no float can hold it."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


def _column(values: list[Any]) -> Any:
    """One property as an Arrow array: bool, float64, or text where it is mixed."""
    kinds = {type(value) for value in values if value is not None}
    if not kinds:
        return pa.nulls(len(values))
    if kinds <= {bool}:
        return pa.array(values, pa.bool_())
    if kinds <= {int, float}:
        numbers = [None if value is None else _number(value) for value in values]
        if all(number is not None or value is None for number, value in zip(numbers, values, strict=True)):
            return pa.array(numbers, pa.float64())
    words = [value if value is None or isinstance(value, str) else json.dumps(value) for value in values]
    try:
        return pa.array(words, pa.string())
    except UnicodeEncodeError:  # half of a character beyond the first plane
        return pa.array([None if word is None else word.encode("utf-8", "replace").decode() for word in words])


def read_geojson(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read GeoJSON points; positions come from the geometry unless ``columns`` maps ``latitude``.

    Raises
    ------
    LogError
        Not GeoJSON, or not points.
    """
    del options
    file = file_name(path)
    if path.stat().st_size > _MOST_BYTES:
        raise LogError(
            f"has {path.stat().st_size / 1e9:.1f} GB, and GeoJSON is read up to {_MOST_BYTES / 1e9:.1f} GB.",
            file=file,
            hint="Save it as CSV, Parquet or GeoPackage.",
        )
    features, crs = _features_of(_text_of(path.read_bytes()), file)
    by_geometry = "latitude" not in (columns or {})
    place = np.full((len(features), 2), np.nan)
    pieces: dict[str, list[Any]] = {}
    held: dict[str, list[Any]] = {}
    start = 0

    def put_away(end: int) -> None:
        for name in list(pieces | held):
            values = held.pop(name, [])
            values += [None] * (end - start - len(values))
            pieces.setdefault(name, [pa.nulls(start)] if start else []).append(_column(values))

    for number, properties, geometry in _decoded(features, file):
        if by_geometry:
            place[number - 1] = _position(geometry, number, file)
        for name, value in properties.items():
            cells = held.setdefault(name, [])
            cells += [None] * (number - 1 - start - len(cells))
            cells.append(value)
        if number - start == _AT_ONCE:
            put_away(number)
            start = number
        if len(held) > _MOST_COLUMNS:
            raise LogError(f"has more than {_MOST_COLUMNS:,} different properties.", file=file, hint="Is this a log?")
    put_away(len(features))
    latitude = longitude = None
    warnings: tuple[Note, ...] = ()
    if by_geometry:
        latitude, longitude, warnings = to_wgs84(place[:, 0], place[:, 1], _stated(crs), file)
    shown = {name: name.encode("utf-8", "replace").decode() for name in pieces}
    return RawTable(
        file=file,
        inputs=((file, sha256_of(path)),),
        headers=tuple(shown.values()),
        columns={shown[name]: Column.of(*parts) for name, parts in pieces.items()},
        latitude_deg=latitude,
        longitude_deg=longitude,
        places=feature_places,
        warnings=warnings,
    )


def _stated(crs: Any) -> str:
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    return name if isinstance(name, str) and name else "OGC:CRS84"


def _claims(head: bytes, path: Path) -> bool:
    del path
    return head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e").startswith((b"{", b"["))


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    del options
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    found = _KIND.search(head)
    if found is None:
        return Sniffed("other", "geojson", "no geometry near its start")
    shape = found[1].decode()
    if "Polygon" in shape:
        return Sniffed("boundary", "geojson", f"holds a {shape}")
    if "Point" not in shape:
        return Sniffed("other", "geojson", f"holds a {shape}")
    names = list(dict.fromkeys(key.decode("utf-8", "replace") for key in _KEY.findall(head)))
    return by_names(names, "geojson", columns, points=True)


FORMAT = Format("geojson", _claims, _sniff, read_geojson)
