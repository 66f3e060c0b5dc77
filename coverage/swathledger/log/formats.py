"""The register of log formats, and what a file is by its first bytes and its suffix."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import import_module
from pathlib import Path

from swathledger.errors import LogError
from swathledger.files import check_readable
from swathledger.log.format import Format, Sniffed
from swathledger.text import file_name

#: Modules that each define ``FORMAT``, asked in this order. A new format is a module and a line here.
_MODULES = (
    "taskdata", "parquet_file", "geopackage_file", "shapefile", "geojson_file", "workbook_file", "packed",
    "vector_file", "nmea_file", "csv_file",
)  # fmt: skip
_HEAD = 4096


@lru_cache(maxsize=1)
def formats() -> tuple[Format, ...]:
    """All formats, in the order in which they are asked."""
    found = (import_module(f"swathledger.log.{module}").FORMAT for module in _MODULES)
    return tuple(item for item in found if isinstance(item, Format))


def find_format(path: Path) -> Format:
    """Format of a file, by its first bytes, then by its suffix.

    Raises
    ------
    LogError
        No such file, a folder, empty, or not a format that is known.
    """
    check_readable(path, LogError, folder=True)
    head = b""
    if path.is_file():
        try:
            with path.open("rb") as stream:
                head = stream.read(_HEAD)
        except OSError as error:
            raise LogError(f"cannot be opened: {error.strerror or error}.", file=str(path)) from error
        if not head.strip(b" \t\r\n\0\xef\xbb\xbf"):
            raise LogError("the file is empty.", file=file_name(path), hint="Export the log again.")
    for item in formats():
        if item.claims(head, path):
            return item
    if path.is_dir():
        raise LogError(
            "is a folder, not a file, and holds no TASKDATA.XML.", file=str(path), hint="Give the files in it."
        )
    raise LogError(
        f"is not a format that is known; it starts with {head[:8]!r}.",
        file=file_name(path),
        hint="Give CSV, GeoJSON, GeoPackage, Shapefile, Parquet, task data, a workbook or one of them packed.",
    )


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
        return find_format(path).sniff(path, columns, options)
    except (LogError, OSError) as error:
        return Sniffed("other", None, str(error))


def is_log(
    path: str | Path, *, columns: Mapping[str, str] | None = None, options: Mapping[str, object] | None = None
) -> bool:
    """Whether a file looks like a log; see `sniff`."""
    return sniff(path, columns=columns, options=options).kind == "log"
