"""A file's columns before they are understood, and how single columns become numbers, states and text."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from swathledger.log.log import SetAside
from swathledger.notes import Note
from swathledger.text import moment

SHUT, OPEN, UNKNOWN, MISSING = 0, 1, 2, 3

OPEN_WORDS = frozenset({"1", "1.0", "true", "t", "on", "yes", "y", "open", "opened"})
SHUT_WORDS = frozenset({"0", "0.0", "false", "f", "off", "no", "n", "shut", "closed", "close"})
MISSING_WORDS = frozenset({"", "na", "n/a", "null", "none", "-"})
_NUMBER = r"^-?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"

#: Turns row indices into places a reader can find, e.g. ``["row 17"]``.
Places = Callable[[Sequence[int]], list[str]]


def feature_places(rows: Sequence[int]) -> list[str]:
    """Places in a file that has no lines of its own: features counted from 1."""
    return [f"feature {row + 1}" for row in rows]


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column as numbers.

    Attributes
    ----------
    values : (n,) float64
        NaN wherever there is no finite number.
    unreadable : (n,) bool
        Text that is no number, an explicit NaN, or an infinite number. Empty cells are not unreadable.
    """

    values: NDArray[np.float64]
    unreadable: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a file, in pieces that need not be of one type: a block of rows with an odd cell stays text.

    Attributes
    ----------
    pieces : tuple of pyarrow.Array
    """

    pieces: tuple[Any, ...]

    @classmethod
    def of(cls, *parts: Any) -> Column:
        """From arrays and chunked arrays."""
        pieces: list[Any] = []
        for part in parts:
            pieces += part.chunks if isinstance(part, pa.ChunkedArray) else [part]
        return cls(tuple(piece for piece in pieces if len(piece)) or tuple(pieces[:1]) or (pa.nulls(0),))

    def __len__(self) -> int:
        return sum(len(piece) for piece in self.pieces)

    @property
    def kind(self) -> Any:
        """Arrow type; text where the pieces differ."""
        kinds = {piece.type for piece in self.pieces if not pa.types.is_null(piece.type)}
        return kinds.pop() if len(kinds) == 1 else pa.string() if kinds else pa.null()

    def cell(self, row: int) -> Any:
        """One cell as a Python value; times as text."""
        for piece in self.pieces:
            if row < len(piece):
                one = _plain(piece[row : row + 1])
                if pa.types.is_timestamp(one.type) and one.type.tz is not None and one[0].is_valid:
                    return _moment(one[0])
                return (one.cast(pa.string()) if pa.types.is_temporal(one.type) else one)[0].as_py()
            row -= len(piece)
        raise IndexError(row)

    def head(self, count: int) -> Column:
        """The first cells."""
        out: list[Any] = []
        for piece in self.pieces:
            out.append(piece[:count])
            count -= len(out[-1])
        return Column.of(*out)

    def numbers(self) -> Numbers:
        """As float64; see `Numbers`."""
        found = [_numbers(_plain(piece)) for piece in self.pieces]
        return Numbers(
            np.concatenate([item.values for item in found]), np.concatenate([item.unreadable for item in found])
        )

    def states(self, meaning: Mapping[str, int]) -> tuple[NDArray[np.uint8], Counter[str]]:
        """As SHUT, OPEN, UNKNOWN or MISSING, and how often each value that is not empty stands there.

        ``meaning``: what values mean, by their `word_key`; it comes before our own words.
        """
        found = [_states(_plain(piece), meaning) for piece in self.pieces]
        words: Counter[str] = Counter()
        for _, own in found:
            words.update(own)
        return np.concatenate([codes for codes, _ in found]), words

    def words(self) -> list[str]:
        """As trimmed text, ``""`` where empty."""
        return [word for piece in self.pieces for word in _words(_plain(piece))]

    def values(self) -> list[Any]:
        """As Python values, None where a cell has none; times as text."""
        temporal = (
            piece.cast(pa.string()) if pa.types.is_temporal(piece.type) else piece for piece in map(_plain, self.pieces)
        )
        return [value for piece in temporal for value in piece.to_pylist()]

    def text(self) -> list[Any]:
        """Pieces as trimmed strings; null where a cell has no value."""
        return [_text_column(_plain(piece)) for piece in self.pieces]


def _moment(value: Any) -> str:
    seconds = value.cast(pa.timestamp("us", "UTC"), safe=False).value / 1e6
    try:
        return moment(seconds, decimals=6)
    except OverflowError:
        return f"{seconds:.0f} s after 1970"


def _plain(piece: Any) -> Any:
    """A piece whose type every step below knows: views as strings, bytes as what they spell, nested cells as JSON."""
    kind = piece.type
    if isinstance(kind, pa.BaseExtensionType):
        return _plain(piece.storage)
    if pa.types.is_run_end_encoded(kind):
        return _plain(pc.run_end_decode(piece))
    if pa.types.is_string_view(kind):
        return piece.cast(pa.string())
    if pa.types.is_dictionary(kind) and not pa.types.is_string(kind.value_type):
        return _plain(piece.dictionary_decode())
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_binary_view(kind):
        return pa.array([None if cell is None else _decoded(cell) for cell in piece.to_pylist()], pa.string())
    if pa.types.is_fixed_size_binary(kind):
        return _plain(piece.cast(pa.binary()))
    if pa.types.is_nested(kind) or pa.types.is_duration(kind) or pa.types.is_interval(kind):
        return pa.array([None if cell is None else str(cell) for cell in piece.to_pylist()], pa.string())
    return piece


@dataclass(frozen=True, slots=True)
class RawTable:
    """What a format module hands on.

    Attributes
    ----------
    file : str
        Name of the file.
    inputs : tuple of (str, str)
        Name and sha256 of each file read.
    headers : tuple of str
        All headers of the file.
    columns : dict of str to Column
        The columns that are needed, by header (others may lack).
    latitude_deg, longitude_deg : (n,) float64 or None
        Positions from geometry, NaN where a row has none.
    places : callable
        Row index to place.
    rejected : tuple of SetAside
        Rows that could not even be split into columns; not in ``columns``.
    truncated : bool
        Headers were cut at ten characters.
    warnings : tuple of Note
    section_widths_m : tuple of float
        Widths that the log itself states of the machine's sections, left to right; () where it states none.
    states_defined : bool
        The format itself says that codes other than 0 and 1 are no spraying.
    units : dict of str to str
        Units that stand in a row below the headers.
    """

    file: str
    inputs: tuple[tuple[str, str], ...]
    headers: tuple[str, ...]
    columns: Mapping[str, Column]
    latitude_deg: NDArray[np.float64] | None = None
    longitude_deg: NDArray[np.float64] | None = None
    places: Places = feature_places
    rejected: tuple[SetAside, ...] = ()
    truncated: bool = False
    warnings: tuple[Note, ...] = field(default=())
    section_widths_m: tuple[float, ...] = ()
    states_defined: bool = False
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Rows of the columns."""
        if self.latitude_deg is not None:
            return int(self.latitude_deg.shape[0])
        return max((len(column) for column in self.columns.values()), default=0)


def _is_text(kind: Any) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def mend_text(table: Any, file: str) -> tuple[Any, tuple[Note, ...]]:
    """Replace text columns that claim UTF-8 but are not by what they hold read as Windows-1252, and tell it."""
    told = []
    for index, name in enumerate(table.column_names):
        column = table.column(index)
        if not _is_text(column.type):
            continue
        try:
            column.validate(full=True)
        except pa.ArrowInvalid:
            cells = column.cast(pa.binary()).to_pylist()
            words = [None if cell is None else _decoded(cell) for cell in cells]
            table = table.set_column(index, name, pa.chunked_array([pa.array(words, pa.string())]))
            told.append(Note.of("log.column_not_utf8", file=file, header=name))
    return table, tuple(told)


def _decoded(cell: bytes) -> str:
    try:
        return cell.decode("utf-8")
    except UnicodeDecodeError:
        return cell.decode("cp1252", errors="replace")


def _text_column(column: Any) -> Any:
    """The column as trimmed strings."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if not _is_text(column.type):
        column = column.cast(pa.string())
    return pc.utf8_trim(column, characters=' \t\r"')  # quotation marks after a blank are not taken off by the parser


def to_float(text: str) -> float | None:
    """A finite or infinite number written with a point or a comma; None where it is neither."""
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        pass
    if text.count(",") == 1 and "." not in text:
        try:
            return float(text.replace(",", "."))
        except ValueError:
            pass
    return None


def _numbers(column: Any) -> Numbers:
    kind = column.type
    count = len(column)
    if pa.types.is_null(kind):
        return Numbers(np.full(count, np.nan), np.zeros(count, bool))
    if (
        pa.types.is_boolean(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_decimal(kind)
    ):
        if pa.types.is_boolean(kind):
            column = column.cast(pa.uint8())
        values = np.array(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)
        finite = np.isfinite(values)
        unreadable = ~finite
        if column.null_count:
            unreadable &= np.asarray(column.is_valid())
        values[~finite] = np.nan
        return Numbers(values, unreadable)
    text = _text_column(column)
    plain = pc.fill_null(pc.match_substring_regex(text, _NUMBER), False)
    numbers = pc.if_else(plain, text, pa.scalar(None, text.type)).cast(pa.float64())
    values = np.array(numbers.to_numpy(zero_copy_only=False), dtype=np.float64)
    unreadable = np.zeros(count, bool)
    for row in np.flatnonzero(~np.asarray(plain)):
        word = text[int(row)].as_py()
        if word is None or word.casefold() in MISSING_WORDS:
            continue
        number = to_float(word)
        if number is None or not np.isfinite(number):
            unreadable[row] = True
        else:
            values[row] = number
    overflow = ~np.isfinite(values) & np.asarray(plain)
    values[overflow] = np.nan
    return Numbers(values, unreadable | overflow)


def _states(column: Any, meaning: Mapping[str, int]) -> tuple[NDArray[np.uint8], dict[str, int]]:
    if pa.types.is_null(column.type):
        return np.full(len(column), MISSING, np.uint8), {}
    encoded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    words = encoded.dictionary.to_pylist()
    lookup = np.empty(len(words) + 1, np.uint8)
    lookup[-1] = MISSING
    for index, value in enumerate(words):
        lookup[index] = state_of(value, meaning)
    indices = np.asarray(encoded.indices.fill_null(len(words)))
    often = np.bincount(indices, minlength=len(words) + 1)
    counts: dict[str, int] = {}
    for index, value in enumerate(words):
        if lookup[index] != MISSING and often[index]:
            word = str(int(value)) if isinstance(value, bool) else word_key(value)
            counts[word] = counts.get(word, 0) + int(often[index])
    return lookup[indices], counts


def word_key(value: Any) -> str:
    """A state's value for comparison: case and blanks do not count, and 2, 2.0 and "02" are one."""
    word = str(value).strip().casefold()
    number = to_float(word)
    return word if number is None or not math.isfinite(number) else f"{number:g}"


def state_of(value: Any, meaning: Mapping[str, int]) -> int:
    """SHUT, OPEN, UNKNOWN or MISSING, by the machine file's words and then by ours."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return MISSING
    if meaning and isinstance(value, bool):  # read from 1 and 0, or from words: which it was is not known any more
        for word in sorted(OPEN_WORDS if value else SHUT_WORDS):
            if word in meaning:
                return meaning[word]
    if meaning and word_key(value) in meaning:
        return meaning[word_key(value)]
    word = str(value).strip().casefold()
    if word in OPEN_WORDS:
        return OPEN
    if word in SHUT_WORDS:
        return SHUT
    return MISSING if word in MISSING_WORDS else UNKNOWN


def _words(column: Any) -> list[str]:
    if pa.types.is_null(column.type):
        return [""] * len(column)
    if not pa.types.is_dictionary(column.type):
        return list(_text_column(column).fill_null("").to_pylist())
    words = [*_text_column(column.dictionary).fill_null("").to_pylist(), ""]
    return [words[index] for index in column.indices.fill_null(len(words) - 1).to_pylist()]
