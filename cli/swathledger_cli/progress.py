"""Progress on stderr: a bar on a terminal, a plain line now and then elsewhere, nothing when quiet."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from swathledger_cli import errors

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID

PLAIN_INTERVAL_S = 10.0
"""Shortest time between two plain lines, s."""


class Reporter:
    """Counts steps of a piece of work and tells of them.

    Parameters
    ----------
    what : str
        The work in plain words, e.g. "fields".
    total : int or None
        Number of steps; None where it is not known.
    quiet : bool
        Say nothing at all.
    """

    def __init__(self, what: str, total: int | None, *, quiet: bool = False, bar: RichProgress | None = None) -> None:
        self.what = what
        self.total = total
        self.done = 0
        self._quiet = quiet
        self._bar = bar
        self._task: TaskID | None = bar.add_task(what, total=total) if bar is not None else None
        self._said = time.monotonic()

    def step(self, note: str = "", count: int = 1) -> None:
        """Tell that ``count`` more steps are done; ``note`` names what was just finished."""
        self.done += count
        if self._quiet:
            return
        if self._bar is not None and self._task is not None:
            from swathledger.text import printable

            self._bar.update(self._task, advance=count, description=printable(f"{self.what} {note}".rstrip()))
            return
        now = time.monotonic()
        if now - self._said >= PLAIN_INTERVAL_S or self.done == self.total:
            self._said = now
            self._line(note)

    def say(self, message: str) -> None:
        """Print one line that stays, above the bar where there is one."""
        if self._quiet:
            return
        if self._bar is not None:
            from swathledger.text import printable

            self._bar.console.print(printable(message, keep="\n\t"), markup=False, highlight=False)
        else:
            errors.say(message)

    def _line(self, note: str) -> None:
        of = "" if self.total is None else f" of {self.total}"
        errors.say(f"{self.what}: {self.done}{of}{f' ({note})' if note else ''}")


@contextmanager
def reporting(what: str, total: int | None = None, *, quiet: bool = False) -> Iterator[Reporter]:
    """Report on a piece of work while the block runs.

    Examples
    --------
    >>> with reporting("fields", 3, quiet=True) as progress:
    ...     for _ in range(3):
    ...         progress.step()
    >>> progress.done
    3
    """
    if quiet or not sys.stderr.isatty():
        yield Reporter(what, total, quiet=quiet)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        yield Reporter(what, total, bar=bar)


def summary(message: str, *, quiet: bool) -> None:
    """Print a closing summary to stderr unless quiet."""
    if not quiet:
        errors.say(message)


def show(text: str) -> None:
    """Print a result to stdout, nothing in it that a terminal would obey."""
    from swathledger.text import printable

    click.echo(printable(text, keep="\n\t"))


def sentence(key: str, /, **values: object) -> str:
    """A sentence of the table ``terminal`` of the words."""
    from swathledger.words import words

    return words().line(f"terminal.{key}", **values)


def show_json(document: bytes | str) -> None:
    """Print JSON to stdout; what cannot be seen in its texts is escaped as JSON has it, and reads back the same."""
    text = document.decode() if isinstance(document, bytes) else document
    click.echo(escaped(text.removesuffix("\n")))


def escaped(text: str) -> str:
    r"""JSON with controls, turning marks and halves of characters as ``\uXXXX``.

    Examples
    --------
    >>> escaped('"a\u202eb"')
    '"a\\u202eb"'
    """
    from swathledger.text import printable

    if printable(text, keep="\n") == text:
        return text
    return "".join(c if c == "\n" or printable(c) == c else json.dumps(c)[1:-1] for c in text)
