"""Excel workbooks: the first sheet that is a log, read through openpyxl where it is installed."""

from __future__ import annotations

import csv
import datetime as dt
import io
import tempfile
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.csv_file import read_csv, read_head
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.table import RawTable
from swathledger.text import file_name

_MOST_BYTES, _MOST_RATIO = 1 << 30, 200
_SAMPLE = 200


def _book(path: Path) -> Any:
    file = file_name(path)
    try:
        import openpyxl
    except ImportError as error:
        raise LogError(
            "is a workbook, and openpyxl is not installed.", file=file,
            hint="Install it (pip install openpyxl), or save the sheet as CSV.",
        ) from error  # fmt: skip
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(item.file_size for item in archive.infolist())
        if size > min(_MOST_BYTES, max(1 << 20, _MOST_RATIO * path.stat().st_size)):
            raise LogError(f"unpacks to {size >> 20:,} MiB.", file=file, hint="Save the sheet as CSV.")
        return openpyxl.load_workbook(path, read_only=True, data_only=True)
    except LogError:
        raise
    except Exception as error:  # whatever a broken workbook makes openpyxl and its parsers say
        raise LogError(f"is not a readable workbook ({error}).", file=file, hint="Save the sheet as CSV.") from error


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, bool):
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value)


def _text(sheet: Any, most: int | None = None) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in sheet.iter_rows(max_row=most, values_only=True):
        writer.writerow([_cell(value).replace("\n", " ").replace("\r", " ") for value in row])
    return out.getvalue()


def _chosen(path: Path, columns: Columns, options: Mapping[str, object] | None) -> tuple[str, str]:
    """Name and text of the sheet that is the log."""
    file, wanted = file_name(path), (options or {}).get("layer")
    book = _book(path)
    try:
        names = list(book.sheetnames)
        if wanted is not None and wanted not in names:
            shown = ", ".join(map(repr, names))
            raise LogError(f"has no sheet {wanted!r}; it has {shown}.", file=file, hint="Correct [log] layer.")
        for name in names if wanted is None else [str(wanted)]:
            sheet = book[name]
            if not hasattr(sheet, "iter_rows"):
                continue
            if wanted is not None or _is_log(_text(sheet, _SAMPLE), columns, options):
                return name, _text(sheet)
        return names[0], _text(book[names[0]]) if hasattr(book[names[0]], "iter_rows") else ""
    finally:
        book.close()


def _is_log(text: str, columns: Columns, options: Mapping[str, object] | None) -> bool:
    with _as_text(Path("sheet"), text) as sample:
        try:
            return by_names(read_head(sample, columns, _plain(options)).names, "workbook", columns).kind == "log"
        except LogError:
            return False


def _plain(options: Mapping[str, object] | None) -> dict[str, object]:
    """Options that still mean something once the sheet is plain text."""
    given = {name: value for name, value in (options or {}).items() if name not in ("encoding", "layer")}
    return {**given, "delimiter": ",", "decimal": "."}


def read_workbook(path: Path, columns: Columns, options: Mapping[str, object]) -> RawTable:
    """Read a sheet as delimited text would be; ``[log] layer`` names it, else it is the first with times and places.

    Raises
    ------
    LogError
        No openpyxl; not a workbook; no sheet of that name; what :func:`swathledger.log.csv_file.read_csv` raises.
    """
    file = file_name(path)
    name, text = _chosen(path, columns, options)
    with _as_text(path, text) as sheet:
        raw = read_csv(sheet, columns, _plain(options))

    def places(rows: Sequence[int]) -> list[str]:
        with _as_text(path, text) as again:  # asked for only when something is wrong
            found = read_csv(again, columns, _plain(options)).places(rows)
        return [f"sheet {name!r}, {place}" for place in found]

    return replace(raw, file=file, inputs=((file, sha256_of(path)),), places=places)


@contextmanager
def _as_text(path: Path, text: str) -> Iterator[Path]:
    """A sheet's text as a file, whose lines are the sheet's rows, for as long as the context lasts."""
    with tempfile.TemporaryDirectory(prefix="swathledger-") as folder:
        sheet = Path(folder) / f"{path.stem}.csv"
        sheet.write_text(text, encoding="utf-8")
        yield sheet


def _claims(head: bytes, path: Path) -> bool:
    return head.startswith(b"PK\x03\x04") and path.suffix.lower() in (".xlsx", ".xlsm")


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    book = _book(path)
    try:
        texts = [_text(book[name], _SAMPLE) for name in book.sheetnames if hasattr(book[name], "iter_rows")]
    finally:
        book.close()
    if any(_is_log(text, columns, options) for text in texts):
        return Sniffed("log", "workbook", "has times and positions")
    return Sniffed("other", "workbook", "no sheet has times and positions")


FORMAT = Format("workbook", _claims, _sniff, read_workbook)
