"""Text that people and programs read: moments, durations, names for files, and names that any terminal can show."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import unicodedata
from pathlib import PurePath

#: Longest name that `slug` makes, characters.
MOST_CHARACTERS = 80

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
#: Categories that are no text to look at: controls, invisible formats (right-to-left overrides among them), surrogates,
#: private use, unassigned, and the separators of lines and paragraphs.
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_JOINERS = frozenset("\u200c\u200d")  # part of the spelling of several scripts, and of emoji


def moment(seconds: float, *, decimals: int = 3, fixed: bool = False) -> str:
    """A time in UTC as ISO 8601 with ``Z``.

    Parameters
    ----------
    seconds : float
        Since 1970-01-01, leap seconds ignored.
    decimals : {3, 6}
        Rounded to the millisecond or to the microsecond. Parts of a second are written only where there are any.
    fixed : bool
        Write them always: GeoPackage wants its dates so.

    Raises
    ------
    OverflowError
        Beyond the years 1 to 9999.

    Examples
    --------
    >>> moment(1_775_000_000.0)
    '2026-03-31T23:33:20Z'
    >>> moment(1_775_000_000.1)
    '2026-03-31T23:33:20.100Z'
    """
    micros = round(seconds * 10**decimals) * 10 ** (6 - decimals)
    when = _EPOCH + dt.timedelta(microseconds=micros)
    shortest = 0 if micros % 1_000_000 == 0 else 3 if micros % 1000 == 0 else 6
    places = {0: "seconds", 3: "milliseconds", 6: "microseconds"}[decimals if fixed else shortest]
    return when.isoformat(timespec=places).replace("+00:00", "Z")


def duration(seconds: float | None, unknown: str = "unknown") -> str:
    """A length of time in its two largest units; ``unknown`` where it is not known.

    Examples
    --------
    >>> duration(7.4), duration(185), duration(7500)
    ('7 s', '3 min 05 s', '2 h 05 min')
    """
    if seconds is None:
        return unknown
    hours, rest = divmod(round(seconds), 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {left:02d} s" if minutes else f"{left} s"


def slug(text: str, fallback: str = "unnamed") -> str:
    """A file name for any text: letters, digits, dash and underscore; accents are taken off, never empty.

    What ASCII has no letters for (other scripts, emoji) leaves a few digits of the text's hash behind, so that texts
    that differ in nothing else have names of their own.

    Examples
    --------
    >>> slug("Möhre & Söhne / ..")
    'Mohre-Sohne'
    >>> slug("../..")
    'unnamed'
    >>> slug("поле 7"), slug("луг 7")
    ('7-15eaa2', '7-f8fafe')
    """
    apart = unicodedata.normalize("NFKD", text)
    lost = any(not char.isascii() and unicodedata.category(char)[0] in "LNS" for char in apart)
    digest = hashlib.sha256(unicodedata.normalize("NFC", text).encode("utf-8", "surrogatepass")).hexdigest()[:6]
    plain = re.sub(r"[^A-Za-z0-9_]+", "-", apart.encode("ascii", "ignore").decode()).strip("-")
    if lost:
        plain = f"{plain[: MOST_CHARACTERS - 7]}-{digest}".strip("-") if plain else f"{fallback}-{digest}".strip("-")
    out = plain[:MOST_CHARACTERS].strip("-") or fallback
    return f"{out}_" if is_reserved(out) else out


def is_reserved(name: str) -> bool:
    """Whether some systems keep a file name for themselves."""
    return _RESERVED.fullmatch(name) is not None


def printable(text: str, *, keep: str = "") -> str:
    r"""Text that any terminal and any UTF-8 file can hold: what cannot be seen is written as an escape.

    Parameters
    ----------
    text : str
        Controls (those that move a cursor or ring a bell), invisible marks (those that turn the direction of writing)
        and bytes that were no text are written as ``\x1b``, ``\u202e``.
    keep : str
        Characters to let through, for instance the line feed.

    Examples
    --------
    >>> printable("plot 7\x1b[2J")
    'plot 7\\x1b[2J'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(char if char in keep else _shown(char) for char in text)


def _shown(char: str) -> str:
    if char in _JOINERS or unicodedata.category(char) not in _UNSEEN:
        return char
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file name that is not UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def inert(text: str) -> str:
    """Text for a cell that no spreadsheet runs as a formula, on one line: an apostrophe goes before the sign of one.

    Examples
    --------
    >>> inert("=1+1"), inert("north 40")
    ("'=1+1", 'north 40')
    """
    line = text if text.isprintable() else " ".join(text.splitlines())
    return f"'{line}" if text.startswith(_FORMULA) or line.startswith(_FORMULA) else line


def file_name(path: PurePath) -> str:
    """Name of a file as it is shown and recorded; see `printable`."""
    return printable(path.name)
