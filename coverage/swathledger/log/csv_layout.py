"""How a delimited file is laid out, and one line of it as fields."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from swathledger.errors import LogError
from swathledger.log.headers import is_unit

DELIMITERS = (",", ";", "\t", "|")
MOST_COLUMNS = 10_000
_COMMA_NUMBER = re.compile(r"^\s*[+-]?\d+,\d+\s*$")
#: A quoted cell: a quotation mark inside it is doubled. Atomic, so that no other reading is tried.
_QUOTED = re.compile(r'"((?>[^"]*(?:""[^"]*)*))"')


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How a delimited file is laid out.

    ``skip`` lines stand before the first row of values; ``names`` are the headers, one per field of a row. ``repeated``
    holds each header that stands there more than once, with the numbers (from 1) of its first two columns; ``units``
    what a row below the headers says of some.
    """

    delimiter: str
    decimal: str
    skip: int
    names: tuple[str, ...]
    repeated: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)


def split_line(line: str, delimiter: str) -> tuple[list[str], bool]:
    """Fields of one line, and whether each quotation mark that opens a cell is closed on it.

    A mark opens a cell only where it is the cell's first character. Where one is not closed, all marks of the line are
    plain characters: a row never goes on in the next line.
    """
    if '"' not in line:
        return line.split(delimiter), True
    fields: list[str] = []
    at = 0
    while True:
        quoted = _QUOTED.match(line, at) if line.startswith('"', at) else None
        if quoted is None and line.startswith('"', at):
            return line.split(delimiter), False
        start, text = (at, "") if quoted is None else (quoted.end(), quoted[1].replace('""', '"'))
        end = line.find(delimiter, start)
        fields.append(text + (line[start:] if end < 0 else line[start:end]))
        if end < 0:
            return fields, True
        at = end + len(delimiter)


def quoted(fields: Sequence[str], delimiter: str) -> str:
    """The line that stands for these fields to any reader."""
    return delimiter.join('"' + field.replace('"', '""') + '"' for field in fields)


def option(options: Mapping[str, object], name: str) -> str | None:
    """An option that is text; None where it is not given."""
    value = options.get(name)
    if value is None:
        return None
    if not isinstance(value, str) or not value:
        raise LogError(f"must be text, found {value!r}.", column=f"[log] {name}")
    return value


def find_layout(head: Sequence[str], options: Mapping[str, object], file: str) -> CsvLayout:
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
    given = option(options, "delimiter")
    if given is not None:
        given = {"tab": "\t", "\\t": "\t"}.get(given, given)
        if len(given) != 1 or not given.isascii() or given in '"\r\n\0':
            raise LogError(f"must be one plain character, found {given!r}.", column="[log] delimiter")
    at = options.get("skip_rows", 0)
    if not isinstance(at, int) or at < 0:
        raise LogError(f"must be a whole number from 0, found {at!r}.", column="[log] skip_rows")
    while at < len(head):
        line = head[at].strip()
        if line.lower().startswith("sep=") and len(line) == 5:
            given = given or (line[4] if line[4].isascii() and line[4] != '"' else None)
        elif line and not line.startswith("#"):
            break
        at += 1
    else:
        raise LogError("the file is empty.", file=file, hint="Export the log again.")
    header = head[at]
    body = [line for line in head[at + 1 : at + 31] if line.strip()]

    def cells(line: str, delimiter: str) -> list[str]:
        return split_line(line, delimiter)[0]

    def score(delimiter: str) -> tuple[float, int]:
        width = len(cells(header, delimiter))
        same = sum(abs(len(cells(line, delimiter)) - width) <= 1 for line in body)
        return (same / len(body) if body else 1.0, width)

    usable = [mark for mark in DELIMITERS if len(cells(header, mark)) > 1]
    best = max(usable, key=lambda mark: (score(mark)[0] >= 0.5, score(mark)[1]), default=None)
    delimiter = given or best
    if delimiter is None:
        raise LogError(
            f"the header {header[:80]!r} has a single column.",
            file=file,
            row=at + 1,
            hint="Separate columns by comma, semicolon or tab, or set [log] delimiter.",
        )
    names = [name.strip().lstrip("\ufeff") for name in cells(header, delimiter)]
    if len(names) == 1 and best is not None:
        raise LogError(
            f"split at {delimiter!r} the header {header[:80]!r} is a single column; "
            f"{best!r} would give {len(cells(header, best))}.",
            file=file,
            row=at + 1,
            hint="Correct or leave out [log] delimiter.",
        )
    if len(names) > MOST_COLUMNS:
        raise LogError(
            f"the header has {len(names)} columns; a log has at most {MOST_COLUMNS:,}.",
            file=file,
            row=at + 1,
            hint="Is this a table of something else?",
        )
    repeated: dict[str, tuple[int, int]] = {}
    for name in {name for name in names if name and names.count(name) > 1}:
        first = names.index(name)
        repeated[name] = (first + 1, names.index(name, first + 1) + 1)
    names = _fit_names(names, [cells(line, delimiter) for line in body], file, at + 1)
    decimal = option(options, "decimal")
    if decimal is None:
        found = [cell for line in body for cell in cells(line, delimiter)] if delimiter != "," else []
        decimal = "," if any(_COMMA_NUMBER.match(cell) for cell in found) else "."
    if decimal not in (".", ","):
        raise LogError(f"must be '.' or ',', found {decimal!r}.", column="[log] decimal")
    units = _units(names, cells(head[at + 1], delimiter)) if at + 1 < len(head) else {}
    return CsvLayout(delimiter, decimal, at + 1 + bool(units), tuple(names), repeated, units)


def _units(names: Sequence[str], below: Sequence[str]) -> dict[str, str]:
    """Units in the row below the headers, where that row holds units and nothing else, and at least two of them."""
    cells = [cell.strip() for cell in below]
    if len(cells) != len(names) or not all(is_unit(cell) for cell in cells if cell) or sum(map(bool, cells)) < 2:
        return {}
    return {name: cell.strip("[]()") for name, cell in zip(names, cells, strict=True) if cell}


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
    fitted: dict[str, None] = {}
    seen: Counter[str] = Counter()
    for number, written in enumerate(names, start=1):
        name = base = written or f"column {number}"
        while name in fitted:
            seen[base] += 1
            name = f"{base} ({seen[base] + 1})"
        fitted[name] = None
    return list(fitted)
