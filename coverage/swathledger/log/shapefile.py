"""Shapefiles of points: column names are cut at ten characters, and ``working_width_m`` is found as ``working_wi``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from swathledger.errors import LogError
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.vector_file import read_vector
from swathledger.text import file_name

_MARK = b"\x00\x00\x27\x0a"
_POINTS, _AREAS = {1, 11, 21}, {5, 15, 25}
_HEAD = 1 << 16


def _claims(head: bytes, path: Path) -> bool:
    if path.suffix.lower() in (".dbf", ".shx", ".prj", ".cpg") and not head.startswith(_MARK):
        raise LogError("is a part of a shapefile.", file=file_name(path), hint="Give the .shp file.")
    return head.startswith(_MARK)


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    del options
    with path.open("rb") as stream:
        head = stream.read(36)
    shape = int.from_bytes(head[32:36], "little")
    if shape in _AREAS:
        return Sniffed("boundary", "shapefile", "holds polygons")
    if shape not in _POINTS:
        return Sniffed("other", "shapefile", "holds neither points nor polygons")
    table = next((part for part in (path.with_suffix(".dbf"), path.with_suffix(".DBF")) if part.is_file()), None)
    if table is None:
        return Sniffed("other", "shapefile", "its .dbf file is missing")
    with table.open("rb") as stream:
        head = stream.read(_HEAD)
    size = int.from_bytes(head[8:10], "little")
    names = [head[at : at + 11].split(b"\0")[0].decode("utf-8", "replace") for at in range(32, size - 1, 32)]
    return by_names([name for name in names if name], "shapefile", columns, points=True, truncated=True)


FORMAT = Format("shapefile", _claims, _sniff, read_vector)
