"""Delimited text: comma, semicolon, tab or bar; decimal point or comma; any of the usual encodings and line ends.

A row is a line. The file is read in blocks; each block is parsed by Arrow, and its rows are counted against its lines.
Where they are not as many (fields too few or too many, a quotation mark that swallowed line ends), its lines are looked
at one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pacsv

from swathledger.errors import LogError
from swathledger.log.columns import ColumnPlan, plan_columns, require
from swathledger.log.csv_layout import CsvLayout, find_layout, option, quoted, split_line
from swathledger.log.format import Columns, Format, Sniffed, by_names
from swathledger.log.lines import MOST_LINE_BYTES, TOO_LONG, Block, TextFile
from swathledger.log.log import SetAside
from swathledger.log.table import MISSING_WORDS, OPEN_WORDS, SHUT_WORDS, Column, RawTable
from swathledger.notes import Note
from swathledger.text import file_name

_HEAD = 1 << 16
_HEAD_LINES = 200
_PARSED_AT_ONCE = 4 << 20  # above MOST_LINE_BYTES: Arrow wants a row whole within two of its pieces
_STATE_COLUMNS = ("master", "work_state", "reverse")
_WORD_COLUMNS = ("product", "gear", "section_mask", "nozzle_mask")
_ISO_WITH_ZONE = re.compile(r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d(:?\d\d)?)$")
_XML = re.compile(rb"^(\xef\xbb\xbf)?\s*<(\?xml|!|html|[A-Za-z]*DataSource)", re.IGNORECASE)
_EPOCH = re.compile(r"^-?\d{1,13}(\.\d+)?$")


def _variants(words: frozenset[str]) -> list[str]:
    return sorted({form for word in words for form in (word, word.upper(), word.capitalize())} - {""})


def _head_of(block: Block) -> list[str]:
    """The first lines of a file, enough to see its layout."""
    lines = block.data[: _HEAD + MOST_LINE_BYTES].decode("utf-8", "ignore").split("\n")
    if block.lines < len(lines):
        lines = lines[: block.lines]
    out, size = [], 0
    for line in lines[:_HEAD_LINES]:
        out.append(line)
        size += len(line)
        if size > _HEAD:
            break
    return out


def read_head(path: Path, columns: Columns = None, options: Mapping[str, object] | None = None) -> CsvLayout:
    """Layout of a file from its first 64 KiB only; where nothing there is a log's header, that of the first line."""
    given = options or {}
    block = next(TextFile(path, option(given, "encoding")).blocks(_HEAD), None)
    head = [] if block is None else _head_of(block)
    try:
        return _header(head, columns, given, file_name(path))[0]
    except LogError:
        return find_layout(head, given, file_name(path))


def last_fields(tail: bytes, layout: CsvLayout) -> int:
    """How many fields the last line of a piece of a file has."""
    line = re.split(rb"\r\n|\r|\n", tail)[-1].decode("utf-8", "replace")
    return len(split_line(line, layout.delimiter)[0])


def read_csv(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read a delimited text log.

    Returns
    -------
    RawTable
        Numbers as float64 and states as bool where every cell of a block can be read so; where one cannot, the block's
        columns as text, so that the odd cells can be named. Lines with another number of fields than the header
        (``bad_row``) and lines of more than 1 MiB (``line_too_long``) are set aside; blank lines are no rows.

    Raises
    ------
    LogError
    """
    file = file_name(path)
    text = TextFile(path, option(options, "encoding"))
    blocks = text.blocks()
    first = next(blocks, None)
    head = [] if first is None else _head_of(first)
    layout, plan, told = _header(head, columns, options, file)
    if first is None or layout.skip > first.lines:  # pragma: no cover - find_layout has raised
        raise LogError("the file is empty.", file=file)
    rows = _Rows(file, layout, plan, _kinds(plan, layout, head[layout.skip :], options))
    for block in chain([first.without(layout.skip)], blocks):
        rows.add(block)
    return RawTable(
        file=file,
        inputs=((file, text.sha256),),
        headers=layout.names,
        columns=rows.columns(),
        places=rows.places(lambda: TextFile(path, text.encoding).blocks()),
        rejected=rows.rejected(),
        warnings=(*text.warnings, *told, *rows.warnings()),
        units=layout.units,
    )


def _refuse_repeated(plan: ColumnPlan, layout: CsvLayout, columns: Mapping[str, str] | None, file: str) -> None:
    """Raise where a column that is read stands there twice, unless the machine file names the header itself."""
    chosen = {header.strip().casefold() for header in (columns or {}).values()}
    for name, header in plan.understood:
        if header in layout.repeated and header.strip().casefold() not in chosen:
            one, two = layout.repeated[header]
            raise LogError(
                f"two columns are named {header!r}: columns {one} and {two}.",
                file=file,
                row=layout.skip,
                column=header,
                hint=f'Say which in the machine file: [columns] {name} = "{header}" for column {one}, '
                f'"{header} (2)" for column {two}.',
            )


def _header(
    head: Sequence[str], columns: Columns, options: Mapping[str, object], file: str
) -> tuple[CsvLayout, ColumnPlan, list[Note]]:
    """The header and what its names stand for; below lines about the file, where the first line is no header."""

    def read(at: int | None) -> tuple[CsvLayout, ColumnPlan]:
        layout = find_layout(head, options if at is None else {**options, "skip_rows": at}, file)
        plan = plan_columns(layout.names, columns, file=file, units=layout.units)
        require(plan, layout.names, file)
        _refuse_repeated(plan, layout, columns, file)
        return layout, plan

    try:
        return *read(None), []
    except LogError:
        if "skip_rows" in options:
            raise
        for at in range(1, min(len(head), _HEAD_LINES)):
            with suppress(LogError):
                layout, plan = read(at)
                row = layout.skip - bool(layout.units)
                return layout, plan, [Note.of("log.header_found", file=file, row=row, skip=row - 1)]
        raise


def _kinds(
    plan: ColumnPlan, layout: CsvLayout, body: Sequence[str], options: Mapping[str, object]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Arrow types by header: what the cells should be, and text that takes any cell."""
    text, words = pa.string(), pa.dictionary(pa.int32(), pa.string())
    fast: dict[str, Any] = {}
    slow: dict[str, Any] = {}
    outlets = {*plan.sections, *plan.nozzles}
    for name, header in plan.understood:
        if header in outlets or name in _STATE_COLUMNS:
            fast[header], slow[header] = pa.bool_(), words
        elif name in _WORD_COLUMNS:
            fast[header] = slow[header] = words
        elif name == "time":
            fast[header], slow[header] = _time_kind(header, plan, layout, body, options), text
        elif name == "date":
            fast[header] = slow[header] = text
        else:
            fast[header], slow[header] = pa.float64(), text
    return fast, slow


def _time_kind(
    header: str, plan: ColumnPlan, layout: CsvLayout, body: Sequence[str], options: Mapping[str, object]
) -> Any:
    """Times that leave no doubt are parsed at once; all others stay text until their way of writing is known."""
    at = layout.names.index(header)
    rows = [split_line(line, layout.delimiter)[0] for line in body if line.strip()]
    cells = [row[at] for row in rows if len(row) == len(layout.names)]
    if not cells or "date" in plan.fixed or options.get("time_format") is not None:
        return pa.string()
    if all(_ISO_WITH_ZONE.match(cell) for cell in cells):
        return pa.timestamp("us", "UTC")
    return pa.float64() if layout.decimal == "." and all(_EPOCH.match(cell) for cell in cells) else pa.string()


@dataclass(slots=True)
class _Lines:
    """The lines of a block, looked at one by one."""

    good: list[str]
    numbers: list[int]
    bad: list[tuple[int, str]]
    too_long: list[tuple[int, str]]
    unclosed: list[int]


class _Rows:
    """Rows of the blocks taken so far."""

    def __init__(
        self, file: str, layout: CsvLayout, plan: ColumnPlan, kinds: tuple[dict[str, Any], dict[str, Any]]
    ) -> None:
        self._file, self._layout, self._plan = file, layout, plan
        self._fast, self._slow = kinds
        self._tables: list[Any] = []
        self._starts: list[tuple[int, int]] = []  # rows before a block, and its first line
        self._rows = 0
        self._bad: dict[str, tuple[int, str]] = {}
        self._unclosed = (0, 0)

    def add(self, block: Block) -> None:
        """Take the rows of one block."""
        table = self._whole(block)
        if table is None:
            lines = self._looked_at(block)
            self._note(lines)
            text = "".join(f"{line}\n" for line in lines.good)
            table = self._typed(text.encode(), quotes=True) if lines.good else self._empty()
            if table.num_rows != len(lines.good):
                raise LogError(
                    f"of {len(lines.good)} rows from line {block.first_line} on {table.num_rows} were understood.",
                    file=self._file,
                    row=block.first_line,
                    hint="Look for odd characters there, or set [log] delimiter.",
                )
        self._starts.append((self._rows, block.first_line))
        self._rows += table.num_rows
        self._tables.append(table)

    def _whole(self, block: Block) -> Any | None:
        """The block as a table, where each line that is not empty is one row; None where that is not so."""
        if block.lines == block.empty:
            return self._empty()
        if block.too_long:
            return None
        quotes = b'"' in block.data
        end = len(block.data.rstrip(b"\n"))  # where nothing follows it, an unclosed cell swallows no row
        last = block.data[block.data.rfind(b"\n", 0, end) + 1 : end]
        if quotes and not split_line(last.decode("utf-8"), self._layout.delimiter)[1]:
            return None
        bad = 0

        def skip(_: Any) -> str:
            nonlocal bad
            bad += 1
            return "skip"

        table = self._typed(block.data, quotes=quotes, skip=skip)
        return table if not bad and table.num_rows == block.lines - block.empty else None

    def _looked_at(self, block: Block) -> _Lines:
        """Sort the lines of a block; what is quoted is quoted anew, so that Arrow reads what was understood here."""
        width, delimiter = len(self._layout.names), self._layout.delimiter
        out = _Lines([], [], [], [], [])
        for number, line in enumerate(block.text(), start=block.first_line):
            if not line.strip(" " if delimiter == "\t" else " \t"):
                continue  # a blank line is no row
            if line.startswith(TOO_LONG.decode()):
                out.too_long.append((number, f"more than {MOST_LINE_BYTES:,} bytes: {line[1:]!r}"))
                continue
            fields, closed = split_line(line, delimiter)
            if not closed:
                out.unclosed.append(number)
            if len(fields) == width:
                out.good.append(quoted(fields, delimiter) if '"' in line else line)
                out.numbers.append(number)
            else:
                shown = f"{len(fields)} fields, {width} expected: {line[:60]!r}"
                out.bad.append((number, shown if closed else f"a quotation mark is not closed; {shown}"))
        return out

    def _note(self, lines: _Lines) -> None:
        for reason, found in (("bad_row", lines.bad), ("line_too_long", lines.too_long)):
            if found:
                number, shown = found[0]
                count, example = self._bad.get(reason, (0, f"{self._file}, row {number}: {shown}"))
                self._bad[reason] = (count + len(found), example)
        if lines.unclosed:
            count, first = self._unclosed
            self._unclosed = (count + len(lines.unclosed), first or lines.unclosed[0])

    def _typed(self, data: bytes, *, quotes: bool, skip: Callable[[Any], str] | None = None) -> Any:
        try:
            return self._parsed(data, self._fast, quotes, skip)
        except pa.ArrowInvalid:
            pass  # some cell is not what its column says: as text it can be named
        try:
            return self._parsed(data, self._slow, quotes, skip)
        except pa.ArrowInvalid as error:
            raise LogError(
                f"cannot be split into columns: {error}.",
                file=self._file,
                hint="Look for a stray quotation mark, or set [log] delimiter.",
            ) from error

    def _parsed(self, data: bytes, kinds: dict[str, Any], quotes: bool, skip: Callable[[Any], str] | None) -> Any:
        return pacsv.read_csv(
            pa.BufferReader(data),
            read_options=pacsv.ReadOptions(column_names=list(self._layout.names), block_size=_PARSED_AT_ONCE),
            parse_options=pacsv.ParseOptions(
                delimiter=self._layout.delimiter, quote_char='"' if quotes else False, invalid_row_handler=skip
            ),
            convert_options=pacsv.ConvertOptions(
                include_columns=list(self._plan.headers),
                column_types=kinds,
                decimal_point=self._layout.decimal,
                null_values=sorted({form for word in MISSING_WORDS for form in (word, word.upper())}),
                true_values=_variants(OPEN_WORDS),
                false_values=_variants(SHUT_WORDS),
                strings_can_be_null=kinds is self._fast,
            ),
        )

    def _empty(self) -> Any:
        return pa.table({header: pa.array([], self._fast[header]) for header in self._plan.headers})

    def columns(self) -> dict[str, Column]:
        """The planned columns of all rows."""
        tables = self._tables or [self._empty()]
        return {header: Column.of(*(table.column(header) for table in tables)) for header in self._plan.headers}

    def rejected(self) -> tuple[SetAside, ...]:
        """Lines that are no rows, by reason."""
        return tuple(SetAside(reason, count, example) for reason, (count, example) in sorted(self._bad.items()))

    def warnings(self) -> list[Note]:
        """What was read as something else than it looks like."""
        count, first = self._unclosed
        return [Note.of("log.unclosed_quotes", file=self._file, count=count, row=first)] if count else []

    def places(self, again: Callable[[], Iterator[Block]]) -> Callable[[Sequence[int]], list[str]]:
        """Find the line of a row by reading the file once more: asked for only when something is wrong."""
        starts, looked_at, skip = self._starts, self._looked_at, self._layout.skip

        def places(rows: Sequence[int]) -> list[str]:
            found: dict[int, str] = {}
            wanted = sorted(set(rows))
            for (before, _), block in zip(starts, again(), strict=False):
                inner = block.without(skip) if block.first_line == 1 else block
                numbers = looked_at(inner).numbers if wanted and wanted[0] < before + inner.lines else []
                for row in [row for row in wanted if before <= row < before + len(numbers)]:
                    found[row] = f"row {numbers[row - before]}"
                wanted = [row for row in wanted if row not in found]
                if not wanted:
                    break
            return [found.get(row, "row unknown") for row in rows]

        return places


def _sniff(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object] | None) -> Sniffed:
    return by_names(read_head(path, columns, options).names, "csv", columns)


def _claims(head: bytes, path: Path) -> bool:
    """Anything that is text: asked last."""
    del path
    if not head or _XML.match(head):
        return False
    control = sum(byte < 9 or 13 < byte < 32 for byte in head.replace(b"\0", b""))
    return control <= len(head) / 20


FORMAT = Format("csv", _claims, _sniff, read_csv)
