"""What a file is, from a small piece of it: quick on large files and on folders of many."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from swathledger.errors import LogError
from swathledger.log.columns import near_names, plan_columns
from swathledger.log.taskdata_xml import MAIN_FILE, TIME_LOG_NAME, main_file, sibling

Format = Literal["csv", "geojson", "parquet", "geopackage", "shapefile", "taskdata", "vector"]
Kind = Literal["log", "boundary", "other"]

_HEAD = 1 << 16
_SQLITE = b"SQLite format 3\0"
_SHAPE = b"\x00\x00\x27\x0a"
_POINTS, _AREAS = {1, 11, 21}, {5, 15, 25}
_JSON_KIND = re.compile(rb'"type"\s*:\s*"(Point|MultiPoint|LineString|MultiLineString|Polygon|MultiPolygon)"')
#: Root of task data or of a time log's header, after a declaration and comments.
_TASK_XML = re.compile(rb"^(?:\xef\xbb\xbf)?\s*(?:<[?!][^>]*>\s*)*<(?:ISO11783_TaskData|TIM)[\s>/]")
_JSON_KEY = re.compile(rb'"([^"\\]{1,80})"\s*:')


@dataclass(frozen=True, slots=True)
class Sniffed:
    """What a file looks like.

    Attributes
    ----------
    kind : {"log", "boundary", "other"}
    format : str or None
        None where the format is not known.
    reason : str
        Why, in plain words.
    """

    kind: Kind
    format: Format | None
    reason: str


def find_format(path: Path) -> Format:
    """Format of a file, by its first bytes, then by its suffix.

    Raises
    ------
    LogError
        No such file, a folder, empty, or not a format that is known.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except FileNotFoundError:
        raise LogError("there is no such file.", file=str(path), hint="Check the path.") from None
    except IsADirectoryError:
        if main_file(path) is not None:
            return "taskdata"
        raise LogError(
            "is a folder, not a file, and holds no TASKDATA.XML.", file=str(path), hint="Give the files in it."
        ) from None
    except OSError as error:
        raise LogError(f"cannot be opened: {error.strerror or error}.", file=str(path)) from error
    if not head.strip(b" \t\r\n\0\xef\xbb\xbf"):
        raise LogError("the file is empty.", file=path.name, hint="Export the log again.")
    return _format_of(head, path)


def _format_of(head: bytes, path: Path) -> Format:
    suffix = path.suffix.lower()
    named = path.name.casefold() == MAIN_FILE.casefold() or (
        suffix in (".bin", ".xml") and TIME_LOG_NAME.match(path.stem)
    )
    if named or _TASK_XML.search(head):
        return "taskdata"
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith(_SQLITE):
        return "geopackage"
    if head.startswith(_SHAPE):
        return "shapefile"
    if head.startswith((b"PK\x03\x04", b"\x1f\x8b")) and suffix in (".zip", ".gz", ".kmz"):
        return "vector"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e")
    if start.startswith((b"{", b"[")):
        return "geojson"
    if start.startswith((b"<", b"fgb")):
        return "vector"
    if suffix in (".dbf", ".shx", ".prj", ".cpg"):
        raise LogError("is a part of a shapefile.", file=path.name, hint="Give the .shp file.")
    control = sum(byte < 9 or 13 < byte < 32 for byte in head.replace(b"\0", b""))
    if control > len(head) / 20:
        raise LogError(
            f"is not a format that is known; it starts with {head[:8]!r}.",
            file=path.name,
            hint="Give CSV, GeoJSON, GeoPackage, Shapefile or Parquet.",
        )
    return "csv"


def sniff(
    path: str | Path, *, columns: Mapping[str, str] | None = None, options: Mapping[str, object] | None = None
) -> Sniffed:
    """Tell a log from a boundary and from anything else, reading at most 64 KiB and the format's own index.

    Parameters
    ----------
    path : path
    columns, options : mapping, optional
        As for `read_log`: a log with headers of its own is recognised only through them.

    Returns
    -------
    Sniffed
        Never raises for what a file holds; an unreadable file is ``other``, with the reason.
    """
    path = Path(path)
    try:
        kind = find_format(path)
        if kind == "csv":
            from swathledger.log.csv_file import read_head

            return _by_names(read_head(path, options).names, "csv", columns)
        if kind == "geojson":
            return _sniff_geojson(path, columns)
        if kind == "parquet":
            return _sniff_parquet(path, columns)
        if kind == "taskdata":
            return _sniff_taskdata(path)
        if kind == "geopackage":
            return _sniff_geopackage(path, columns)
        if kind == "shapefile":
            return _sniff_shapefile(path, columns)
        return _sniff_vector(path, columns)
    except (LogError, OSError) as error:
        return Sniffed("other", None, str(error))


def is_log(
    path: str | Path, *, columns: Mapping[str, str] | None = None, options: Mapping[str, object] | None = None
) -> bool:
    """Whether a file looks like a log; see `sniff`."""
    return sniff(path, columns=columns, options=options).kind == "log"


def _by_names(
    names: Sequence[str],
    kind: Format,
    columns: Mapping[str, str] | None,
    *,
    points: bool = False,
    truncated: bool = False,
) -> Sniffed:
    """A table is a log where it has a time and a position."""
    try:
        plan = plan_columns(names, columns, file="file", truncated=truncated)
    except LogError as error:
        return Sniffed("other", kind, error.what)
    lacking = [] if {"time", "seconds_from_start"} & set(plan.fixed) else ["time"]
    if not points:
        lacking += [name for name in ("latitude", "longitude") if name not in plan.fixed]
    if not lacking:
        return Sniffed("log", kind, "has times and positions")
    near = [f"{name}? {other!r}" for name in lacking for other in near_names(name, names, 1)]
    return Sniffed("other", kind, f"has no column {', '.join(lacking)}" + (f" ({'; '.join(near)})" if near else ""))


def _sniff_taskdata(path: Path) -> Sniffed:
    """The records of a time log are the log; the XML files beside them must not count it a second time."""
    if path.is_dir():
        return Sniffed("log", "taskdata", "is a folder of task data")
    if path.suffix.lower() == ".bin":
        if sibling(path.parent, f"{path.stem}.xml") is None:
            return Sniffed("other", "taskdata", f"records of a time log without their header {path.stem}.xml")
        return Sniffed("log", "taskdata", "holds the records of a time log")
    if TIME_LOG_NAME.match(path.stem):
        return Sniffed("other", "taskdata", f"the header of the time log {path.stem}.bin")
    return Sniffed("other", "taskdata", "task data, whose drives are the time logs (TLG*.bin) beside it")


def _sniff_geojson(path: Path, columns: Mapping[str, str] | None) -> Sniffed:
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    found = _JSON_KIND.search(head)
    if found is None:
        return Sniffed("other", "geojson", "no geometry near its start")
    shape = found[1].decode()
    if "Polygon" in shape:
        return Sniffed("boundary", "geojson", f"holds a {shape}")
    if "Point" not in shape:
        return Sniffed("other", "geojson", f"holds a {shape}")
    names = list(dict.fromkeys(key.decode("utf-8", "replace") for key in _JSON_KEY.findall(head)))
    return _by_names(names, "geojson", columns, points=True)


def _sniff_parquet(path: Path, columns: Mapping[str, str] | None) -> Sniffed:
    import json

    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        schema = pq.read_schema(path)
        geo = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
    except (pa.ArrowInvalid, ValueError) as error:
        return Sniffed("other", "parquet", f"not readable: {error}")
    about = geo.get("columns", {}).get(geo.get("primary_column"), {})
    shapes = about.get("geometry_types") or []
    if any("Polygon" in shape for shape in shapes):
        return Sniffed("boundary", "parquet", f"holds {' and '.join(shapes)}")
    return _by_names(schema.names, "parquet", columns, points=any("Point" in shape for shape in shapes))


def _sniff_geopackage(path: Path, columns: Mapping[str, str] | None) -> Sniffed:
    """Read the layer list with SQLite itself: opening it with GDAL costs far more."""
    try:
        store = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            layers = store.execute("select table_name, geometry_type_name from gpkg_geometry_columns").fetchall()
            fields = {
                name: [row[1] for row in store.execute(f'pragma table_info("{name.replace(chr(34), "")}")')]
                for name, _ in layers
            }
        finally:
            store.close()
    except sqlite3.Error as error:
        return Sniffed("other", "geopackage", f"not a GeoPackage: {error}")
    seen: Sniffed | None = None
    for name, shape in layers:
        if "POINT" in shape.upper() or shape.upper() == "GEOMETRY":
            seen = _by_names(fields[name], "geopackage", columns, points=True)
            if seen.kind == "log":
                return seen
    for _, shape in layers:
        if "POLYGON" in shape.upper():
            return Sniffed("boundary", "geopackage", f"holds a layer of {shape.title()}")
    return seen or Sniffed("other", "geopackage", "no layer of points or polygons")


def _sniff_shapefile(path: Path, columns: Mapping[str, str] | None) -> Sniffed:
    with path.open("rb") as stream:
        head = stream.read(36)
    shape = int.from_bytes(head[32:36], "little")
    if shape in _AREAS:
        return Sniffed("boundary", "shapefile", "holds polygons")
    if shape not in _POINTS:
        return Sniffed("other", "shapefile", "holds neither points nor polygons")
    table = next((part for part in (path.with_suffix(".dbf"), path.with_suffix(".DBF")) if part.exists()), None)
    if table is None:
        return Sniffed("other", "shapefile", "its .dbf file is missing")
    with table.open("rb") as stream:
        head = stream.read(_HEAD)
    size = int.from_bytes(head[8:10], "little")
    names = [head[at : at + 11].split(b"\0")[0].decode("utf-8", "replace") for at in range(32, size - 1, 32)]
    return _by_names([name for name in names if name], "shapefile", columns, points=True, truncated=True)


def _sniff_vector(path: Path, columns: Mapping[str, str] | None) -> Sniffed:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    from swathledger.files import gdal_warnings, plain_path

    with plain_path(path) as plain, gdal_warnings([]):
        try:
            layers = pyogrio.list_layers(plain)
            for name, shape in layers:
                if "Polygon" in str(shape):
                    return Sniffed("boundary", "vector", f"holds a layer of {shape}")
                if "Point" in str(shape):
                    return _by_names(
                        list(pyogrio.read_info(plain, layer=name)["fields"]), "vector", columns, points=True
                    )
        except (DataSourceError, DataLayerError, UnicodeError) as error:
            return Sniffed("other", None, f"not a vector file: {error}")
    return Sniffed("other", "vector", "no layer of points or polygons")
