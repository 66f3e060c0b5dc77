"""GeoPackage points."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from swathledger.errors import LogError
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.vector_file import read_vector
from swathledger.vector.geopackage import SQLITE, tables_of


def _claims(head: bytes, path: Path) -> bool:
    del path
    return head.startswith(SQLITE)


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    """By the list of layers: opening the file with GDAL costs far more."""
    del options
    try:
        tables = tables_of(path)
    except LogError as error:
        return Sniffed("other", "geopackage", error.what)
    seen: Sniffed | None = None
    for table in tables:
        if "POINT" in table.kind or table.kind == "GEOMETRY":
            seen = by_names(table.fields, "geopackage", columns, points=True)
            if seen.kind == "log":
                return seen
    for table in tables:
        if "POLYGON" in table.kind:
            return Sniffed("boundary", "geopackage", f"holds a layer of {table.kind.title()}")
    return seen or Sniffed("other", "geopackage", "no layer of points or polygons")


FORMAT = Format("geopackage", _claims, _sniff, read_vector)
