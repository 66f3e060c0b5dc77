"""States of all outlets in one cell: a string of bits, or a number whose bits are the outlets."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.table import MISSING, OPEN, SHUT, RawTable
from swathledger.notes import Note

_BASES = {"hex": 16, "decimal": 10}
_PREFIX = re.compile(r"^0x", re.IGNORECASE)


def _written(words: Sequence[str], options: Mapping[str, object], count: int | None) -> str | None:
    """How masks are written, as told or as all of them show."""
    given = options.get("state_mask")
    if given is not None:
        return str(given)
    if all(_PREFIX.match(word) for word in words):
        return "hex"
    bits = all(set(word) <= {"0", "1"} and len(word) == (count or len(words[0])) for word in words)
    return "bits" if bits and len(words[0]) > 1 else None


def mask_columns(
    raw: RawTable, header: str, options: Mapping[str, object], count: int | None, warnings: list[Note]
) -> list[NDArray[np.uint8]]:
    """Codes of every outlet, from the left.

    Parameters
    ----------
    raw, header
        The column, a mask a row; empty cells are unknown.
    options : mapping
        ``state_mask``: ``"bits"`` (``0110``: the first sign is the first outlet from the left), ``"hex"`` or
        ``"decimal"`` (the lowest bit is the first outlet). ``mask_first``: ``"right"`` where the first outlet of these
        is the right-most.
    count : int or None
        Outlets of the machine; None: as many as a string has signs.

    Raises
    ------
    LogError
        It is not said how masks are written, a mask cannot be read, or it opens outlets that the machine has not.
    """
    words, file = raw.columns[header].words(), raw.file
    there = sorted({word for word in words if word})
    how = _written(there, options, count) if there else "bits"
    if how is None or (how in _BASES and count is None):
        raise LogError(
            f"masks such as {there[-1]!r} may be written in several ways.",
            file=file,
            column=header,
            hint='Say in the machine file which: [log] state_mask = "bits", "hex" or "decimal".',
        )
    outlets = len(there[0]) if count is None and there else count or 1
    opened: dict[str, list[bool]] = {}
    for word in there:
        try:
            if how == "bits":
                if len(word) != outlets or set(word) - {"0", "1"}:
                    raise ValueError(word)
                opened[word] = [sign == "1" for sign in word]
            else:
                number = int(_PREFIX.sub("", word), _BASES[how])
                if not 0 <= number < 1 << outlets:
                    raise ValueError(word)
                opened[word] = [bool(number >> bit & 1) for bit in range(outlets)]
        except ValueError:
            place = raw.places([words.index(word)])[0].rpartition(" ")[2]
            raise LogError(
                f"the mask {word!r} is no {how} of {outlets} outlets.",
                file=file,
                row=int(place) if place.isdigit() else None,
                column=header,
                hint="Correct [log] state_mask, or use the machine file of the sprayer that made this log.",
            ) from None
    right = options.get("mask_first") == "right"
    table = {word: states[::-1] if right else states for word, states in opened.items()}
    first = "right" if right else "left"
    warnings.append(Note.of("log.masks", file=file, header=header, written=how, outlets=outlets, side=first))
    codes = {word: np.where(states, OPEN, SHUT).astype(np.uint8) for word, states in table.items()}
    empty = np.full(outlets, MISSING, np.uint8)
    rows = np.array([codes.get(word, empty) for word in words], np.uint8).reshape(len(words), outlets)
    return [np.ascontiguousarray(rows[:, k]) for k in range(outlets)]
