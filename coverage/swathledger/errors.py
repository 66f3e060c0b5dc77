"""Exceptions that a caller is meant to see.

Every message names what was read (file, row, column where known), what was found there and what to do about it.
"""

from __future__ import annotations

from swathledger.text import printable


class SwathledgerError(Exception):
    """Base of all errors that swathledger raises on purpose."""


class InputError(SwathledgerError):
    """Something given by the user cannot be used as it is.

    Parameters
    ----------
    what : str
        What was found, in plain words.
    file : str, optional
        Name of the file it was found in.
    row : int, optional
        1-based line of the file (the header is line 1).
    column : str, optional
        Name of the column or key.
    hint : str, optional
        What to do about it.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        row: int | None = None,
        column: str | None = None,
        hint: str | None = None,
    ) -> None:
        self.what = what
        self.file = file
        self.row = row
        self.column = column
        self.hint = hint
        super().__init__(self._compose())

    def _compose(self) -> str:
        place = []
        if self.file is not None:
            place.append(printable(self.file))
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {self.column!r}")  # repr() escapes what cannot be seen
        head = ", ".join(place)
        text = f"{head}: {self.what}" if head else self.what
        return printable(f"{text} {self.hint}" if self.hint else text, keep="\n")


class LogError(InputError):
    """A log cannot be read or is not fit to use."""


class MachineError(InputError):
    """A machine file is missing, unreadable or wrong."""


class FieldError(InputError):
    """A boundary file is missing, unreadable or does not belong to the log."""


class OutputError(SwathledgerError):
    """Results cannot be written where they were asked for."""
