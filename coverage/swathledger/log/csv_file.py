"""Delimited text: comma, semicolon, tab or bar; decimal point or comma; any of the usual encodings."""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pacsv

from swathledger.errors import LogError
from swathledger.log.columns import ColumnPlan, plan_columns, require
from swathledger.log.log import SetAside
from swathledger.log.table import MISSING_WORDS, OPEN_WORDS, SHUT_WORDS, RawTable
from swathledger.notes import Note

DELIMITERS = (",", ";", "\t", "|")
_BLOCK = 1 << 20
_HEAD = 1 << 16
_COMMA_NUMBER = re.compile(r"^\s*[+-]?\d+,\d+\s*$")
_BOMS = {codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_TEXT_COLUMNS = ("time", "date", "product", "gear")
_STATE_COLUMNS = ("master", "work_state", "reverse")


def _variants(words: frozenset[str]) -> list[str]:
    return sorted({form for word in words for form in (word, word.upper(), word.capitalize())} - {""})


@dataclass(frozen=True, slots=True)
class _Source:
    """A file's bytes as UTF-8: the path itself, or a transcoded copy in memory."""

    path: Path
    sha256: str
    transcoded: bytes | None
    warnings: tuple[Note, ...]

    def arrow(self) -> Any:
        return pa.BufferReader(self.transcoded) if self.transcoded is not None else str(self.path)

    def lines(self) -> Iterator[str]:
        """Lines of text with their ends, as `csv.reader` wants them."""
        if self.transcoded is not None:
            yield from io.StringIO(self.transcoded.decode("utf-8"), newline="")
        else:
            with self.path.open(encoding="utf-8-sig", errors="replace", newline="") as stream:
                yield from stream


@dataclass(frozen=True, slots=True)
class Layout:
    """How a delimited file is laid out.

    ``skip`` lines stand before the first row of values; ``names`` are the headers, one per field of a row.
    """

    delimiter: str
    decimal: str
    skip: int
    names: tuple[str, ...]


def _prepare(path: Path, encoding: str | None) -> _Source:
    """Hash the file, find its encoding and transcode it where it is not plain UTF-8."""
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")()
    is_utf8, has_nul, start = True, False, b""
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            start = start or block[:4]
            digest.update(block)
            has_nul = has_nul or b"\0" in block
            if is_utf8:
                try:
                    decoder.decode(block)
                except UnicodeDecodeError:
                    is_utf8 = False
    if is_utf8:
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            is_utf8 = False
    sha = digest.hexdigest()
    wide = next((name for bom, name in _BOMS.items() if start.startswith(bom)), None)
    encoding = encoding or wide
    if encoding is not None and codecs.lookup(encoding).name not in ("utf-8", "utf-8-sig"):
        try:
            text = path.read_bytes().decode(encoding)
        except UnicodeError as error:
            raise LogError(
                f"is not {encoding} text: {error}.", file=path.name, hint="Correct or leave out [log] encoding."
            ) from error
        return _Source(path, sha, text.lstrip("\ufeff").replace("\0", "").encode("utf-8"), ())
    if is_utf8 and not has_nul:
        return _Source(path, sha, None, ())
    return _mend(path, sha, has_nul)


def _mend(path: Path, sha: str, has_nul: bool) -> _Source:
    """Line by line UTF-8, else Windows-1252, else Latin-1: exports glued together from two programs exist."""
    out = io.BytesIO()
    foreign = plain = 0
    with path.open("rb") as stream:
        for raw_line in stream:
            line = raw_line.replace(b"\0", b"")
            try:
                text = line.decode("utf-8")
                plain += any(byte > 127 for byte in line) and not line.startswith(codecs.BOM_UTF8)
            except UnicodeDecodeError:
                foreign += 1
                try:
                    text = line.decode("cp1252")
                except UnicodeDecodeError:
                    text = line.decode("latin-1")
            out.write(text.encode("utf-8"))
    warnings = []
    if foreign:
        code = "log.mixed_encodings" if plain else "log.not_utf8"
        warnings.append(Note.of(code, file=path.name, count=foreign))
    if has_nul:
        warnings.append(Note.of("log.zero_bytes", file=path.name))
    data = out.getvalue()
    return _Source(path, sha, data.removeprefix(codecs.BOM_UTF8), tuple(warnings))


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # absurdly long field: not a table
        return [line]


def _option(options: Mapping[str, object], name: str) -> str | None:
    value = options.get(name)
    if value is None:
        return None
    if not isinstance(value, str) or not value:
        raise LogError(f"must be text, found {value!r}.", column=f"[log] {name}")
    return value


def find_layout(head: Sequence[str], options: Mapping[str, object], file: str) -> Layout:
    """Delimiter, decimal sign and headers from the first lines of a file.

    Parameters
    ----------
    head : sequence of str
        First lines without their ends.
    options : mapping
        ``delimiter``, ``decimal`` and ``skip_rows`` overrule what is found.

    Raises
    ------
    LogError
        Empty file, or no delimiter that makes sense of it.
    """
    given = _option(options, "delimiter")
    if given is not None:
        given = {"tab": "\t", "\\t": "\t"}.get(given, given)
        if len(given) != 1:
            raise LogError(f"must be one character, found {given!r}.", column="[log] delimiter")
    at = options.get("skip_rows", 0)
    if not isinstance(at, int) or at < 0:
        raise LogError(f"must be a whole number from 0, found {at!r}.", column="[log] skip_rows")
    while at < len(head):
        line = head[at].strip()
        if line.lower().startswith("sep=") and len(line) == 5:
            given = given or line[4]
        elif line and not line.startswith("#"):
            break
        at += 1
    else:
        raise LogError("the file is empty.", file=file, hint="Export the log again.")
    header = head[at]
    body = [line for line in head[at + 1 : at + 31] if line.strip()]

    def score(delimiter: str) -> tuple[float, int]:
        width = len(_fields(header, delimiter))
        same = sum(abs(len(_fields(line, delimiter)) - width) <= 1 for line in body)
        return (same / len(body) if body else 1.0, width)

    usable = [mark for mark in DELIMITERS if len(_fields(header, mark)) > 1]
    best = max(usable, key=lambda mark: (score(mark)[0] >= 0.5, score(mark)[1]), default=None)
    delimiter = given or best
    if delimiter is None:
        raise LogError(
            f"the header {header[:80]!r} has a single column.",
            file=file,
            row=at + 1,
            hint="Separate columns by comma, semicolon or tab, or set [log] delimiter.",
        )
    names = [name.strip().lstrip("\ufeff") for name in _fields(header, delimiter)]
    if len(names) == 1 and best is not None:
        raise LogError(
            f"split at {delimiter!r} the header {header[:80]!r} is a single column; "
            f"{best!r} would give {len(_fields(header, best))}.",
            file=file,
            row=at + 1,
            hint="Correct or leave out [log] delimiter.",
        )
    names = _fit_names(names, [_fields(line, delimiter) for line in body], file, at + 1)
    decimal = _option(options, "decimal")
    if decimal is None:
        cells = [cell for line in body for cell in _fields(line, delimiter)] if delimiter != "," else []
        decimal = "," if any(_COMMA_NUMBER.match(cell) for cell in cells) else "."
    if decimal not in (".", ","):
        raise LogError(f"must be '.' or ',', found {decimal!r}.", column="[log] decimal")
    return Layout(delimiter, decimal, at + 1, tuple(names))


def _fit_names(names: list[str], body: list[list[str]], file: str, header_row: int) -> list[str]:
    """Make the headers as many as the fields of a row: a delimiter at the end of lines is common."""
    widths = Counter(len(row) for row in body)
    if widths:
        width = widths.most_common(1)[0][0]
        if width == len(names) + 1 and all(not row[-1].strip() for row in body if len(row) == width):
            names = [*names, ""]
        elif width == len(names) - 1 and not names[-1]:
            names = names[:-1]
        elif width > len(names) and widths[len(names)] == 0:
            row = next(row for row in body if len(row) == width)
            raise LogError(
                f"the header has {len(names)} columns but rows have {width}, e.g. {row[:6]}.",
                file=file,
                row=header_row + 1,
                hint="Decimal commas in a comma-separated file? Export with semicolons or with decimal points.",
            )
    seen: Counter[str] = Counter()
    fitted = []
    for number, written in enumerate(names, start=1):
        name = written or f"column {number}"
        seen[name] += 1
        fitted.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return fitted


def read_head(path: Path, options: Mapping[str, object] | None = None) -> Layout:
    """Layout of a file from its first 64 KiB only."""
    options = options or {}
    with path.open("rb") as stream:
        data = stream.read(_HEAD)
    encoding = _option(options, "encoding") or next((n for bom, n in _BOMS.items() if data.startswith(bom)), None)
    if encoding is None:
        encoding = "utf-8-sig"
        try:
            codecs.getincrementaldecoder(encoding)().decode(data)
        except UnicodeDecodeError:
            encoding = "cp1252"
    text = data.decode(encoding, errors="replace")
    lines = text.splitlines()
    return find_layout(lines[:-1] if len(data) == _HEAD and len(lines) > 1 else lines, options, path.name)


def read_csv(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read a delimited text log.

    Returns
    -------
    RawTable
        Numbers as float64 and states as bool where every cell can be read so; where one cannot, all columns as
        text, so that the odd cells can be named.

    Raises
    ------
    LogError
    """
    source = _prepare(path, _option(options, "encoding"))
    head: list[str] = []
    size = 0
    for line in source.lines():
        head.append(line.rstrip("\r\n"))
        size += len(line)
        if size > _HEAD or len(head) >= 200:
            break
    if head:
        head[0] = head[0].lstrip("\ufeff")
    layout = find_layout(head, options, path.name)
    plan = plan_columns(layout.names, columns, file=path.name)
    require(plan, layout.names, path.name)
    table, bad = _parse(source, layout, plan)
    places = _Places(source, layout)
    rejected = (SetAside("bad_row", bad, places.first_bad()),) if bad else ()
    return RawTable(
        file=path.name,
        inputs=((path.name, source.sha256),),
        headers=layout.names,
        table=table,
        places=places,
        rejected=rejected,
        warnings=source.warnings,
    )


def _parse(source: _Source, layout: Layout, plan: ColumnPlan) -> tuple[Any, int]:
    """The planned columns, and the number of rows with too few or too many fields."""
    text = pa.string()
    fast: dict[str, Any] = {}
    slow: dict[str, Any] = {}
    outlets = {*plan.sections, *plan.nozzles}
    for name, header in plan.understood:
        if header in outlets or name in _STATE_COLUMNS:
            fast[header], slow[header] = pa.bool_(), pa.dictionary(pa.int32(), text)
        elif name in ("product", "gear"):
            fast[header] = slow[header] = pa.dictionary(pa.int32(), text)
        elif name in _TEXT_COLUMNS:
            fast[header] = slow[header] = text
        else:
            fast[header], slow[header] = pa.float64(), text
    try:
        return _parse_as(source, layout, plan, fast)
    except pa.ArrowInvalid:
        pass  # some cell is not what its column says: as text it can be named
    try:
        return _parse_as(source, layout, plan, slow)
    except pa.ArrowInvalid as error:
        raise LogError(
            f"cannot be split into columns: {error}.",
            file=source.path.name,
            hint="Look for a stray quotation mark, or set [log] delimiter.",
        ) from error


def _parse_as(source: _Source, layout: Layout, plan: ColumnPlan, kinds: dict[str, Any]) -> tuple[Any, int]:
    bad = 0

    def skip(_: Any) -> str:
        nonlocal bad
        bad += 1
        return "skip"

    as_text = pa.bool_() not in kinds.values() and pa.float64() not in kinds.values()
    try:
        table = pacsv.read_csv(
            source.arrow(),
            read_options=pacsv.ReadOptions(
                skip_rows=layout.skip, column_names=list(layout.names), block_size=4 * _BLOCK
            ),
            parse_options=pacsv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skip),
            convert_options=pacsv.ConvertOptions(
                include_columns=list(plan.headers),
                column_types=kinds,
                decimal_point=layout.decimal,
                null_values=sorted({form for word in MISSING_WORDS for form in (word, word.upper())}),
                true_values=_variants(OPEN_WORDS),
                false_values=_variants(SHUT_WORDS),
                strings_can_be_null=not as_text,
            ),
        )
    except pa.ArrowInvalid as error:
        if "Empty CSV" in str(error):
            return pa.table({header: pa.array([], kinds[header]) for header in plan.headers}), 0
        raise
    return table, bad


class _Places:
    """Finds the line of a row by reading the file again: asked for only when something is wrong."""

    def __init__(self, source: _Source, layout: Layout) -> None:
        self._source = source
        self._layout = layout

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        lines = self._source.lines()
        for _ in range(self._layout.skip):
            next(lines, None)
        reader = csv.reader(lines, delimiter=self._layout.delimiter)
        for row in reader:
            if row:
                yield reader.line_num + self._layout.skip, row

    def __call__(self, rows: Sequence[int]) -> list[str]:
        wanted = set(rows)
        found: dict[int, str] = {}
        index = 0
        for line, row in self._rows():
            if len(row) != len(self._layout.names):
                continue
            if index in wanted:
                found[index] = f"row {line}"
                if len(found) == len(wanted):
                    break
            index += 1
        return [found.get(row, f"row {row + self._layout.skip + 1}") for row in rows]

    def first_bad(self) -> str:
        names = len(self._layout.names)
        for line, row in self._rows():
            if len(row) != names:
                shown = self._layout.delimiter.join(row)[:60]
                return f"{self._source.path.name}, row {line}: {len(row)} fields, {names} expected: {shown!r}"
        return self._source.path.name
