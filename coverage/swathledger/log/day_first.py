"""Times with the day or the month first: which of them it is, where the column itself leaves no doubt."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from swathledger.errors import LogError

_WRITTEN = re.compile(
    r"^(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})[ T]+\d{1,2}:\d{2}(:\d{2}(?:\.\d{1,6})?)?(?:\s*([AaPp][Mm]))?$"
)
_CLOCK = re.compile(r"^\d{3,6}(?:\.\d+)?$")


def clock_text(words: Sequence[str]) -> list[str] | None:
    """Clock times written as numbers (73005 is 07:30:05), as text; None where some minute or second is beyond 59."""
    out = []
    for word in words:
        if not word:
            out.append("")
            continue
        if not _CLOCK.match(word):
            return None
        whole, dot, part = word.partition(".")
        whole = whole.zfill(6)
        if whole[:2] > "23" or whole[2:4] > "59" or whole[4:] > "59":
            return None
        out.append(f"{whole[:2]}:{whole[2:4]}:{whole[4:]}{dot}{part}")
    return out


def may_be_guessed(word: str) -> bool:
    """Whether a time is written with day, month and year by numbers, and not as ISO 8601 has it."""
    found = _WRITTEN.match(word.strip())
    return found is not None and not (found[2] == "-" and len(found[1]) == 4)


def time_format(words: Iterable[str], file: str, header: str) -> str | None:
    """The ``strptime`` pattern of a column such as ``04.03.2026 07:30:00``; None where it is written otherwise.

    With dots the day comes first, wherever dots are used. With strokes and dashes the column tells: a number above 12
    is a day.

    Raises
    ------
    LogError
        Day and month cannot be told apart.
    """
    cells = {word for word in words if word}
    found = [_WRITTEN.match(word) for word in cells]
    if not found or None in found:
        return None
    parts = [match.groups() for match in found if match is not None]
    marks, clocks, halves = ({row[at] for row in parts} for at in (1, 4, 5))
    dotted = {None if clock is None else "." in clock for clock in clocks}
    if len(marks) > 1 or len(dotted) > 1 or len({half is None for half in halves}) > 1:
        return None
    mark, half = marks.pop(), halves.pop()
    seconds = {None: "", False: ":%S", True: ":%S.%f"}[dotted.pop()]
    clock = f"%I:%M{seconds} %p" if half else f"%H:%M{seconds}"
    firsts, others = ([int(row[at]) for row in parts] for at in (0, 2))
    if min(len(row[0]) for row in parts) == 4:
        return f"%Y{mark}%m{mark}%d {clock}"
    year = "%Y" if max(len(row[3]) for row in parts) == 4 else "%y"
    day, month = max(firsts) > 12, max(others) > 12
    if mark != "." and day == month:
        raise LogError(
            f"day and month of times like {min(cells)} cannot be told apart.",
            file=file,
            column=header,
            hint=f'Say which comes first: [log] time_format = "%d{mark}%m{mark}{year} {clock}", or '
            f'"%m{mark}%d{mark}{year} {clock}".',
        )
    first = ("%d", "%m") if day or (mark == "." and not month) else ("%m", "%d")
    return f"{first[0]}{mark}{first[1]}{mark}{year} {clock}"
