"""What a format module offers: how its files are known, peeked into and read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from swathledger.errors import LogError
from swathledger.log.columns import near_names, plan_columns

if TYPE_CHECKING:
    from swathledger.log.table import RawTable

Kind = Literal["log", "boundary", "other"]
Columns = Mapping[str, str] | None


@dataclass(frozen=True, slots=True)
class Sniffed:
    """What a file looks like.

    Attributes
    ----------
    kind : {"log", "boundary", "other"}
    format : str or None
        Name of the format; None where it is not known.
    reason : str
        Why, in plain words.
    """

    kind: Kind
    format: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Format:
    """One format of logs: a module's offer to the register in ``formats``.

    Attributes
    ----------
    name : str
    claims : callable
        Of the file's first 4 KiB (``b""`` of a folder) and its path: whether it is of this format. May raise LogError
        where it knows the file and knows that it is of no use.
    sniff : callable
        Of path, columns and options: log, boundary or other, by a small piece of the file.
    read : callable
        Of path, columns and options: the table.
    """

    name: str
    claims: Callable[[bytes, Path], bool]
    sniff: Callable[[Path, Columns, Mapping[str, object] | None], Sniffed]
    read: Callable[[Path, Columns, Mapping[str, object]], RawTable]


def by_names(
    names: Sequence[str], format_name: str, columns: Columns, *, points: bool = False, truncated: bool = False
) -> Sniffed:
    """A table is a log where it has a time and a position.

    Parameters
    ----------
    points : bool
        Positions come from a geometry.
    truncated : bool
        Headers were cut at ten characters.
    """
    try:
        plan = plan_columns(names, columns, file="file", truncated=truncated)
    except LogError as error:
        return Sniffed("other", format_name, error.what)
    lacking = [] if {"time", "seconds_from_start"} & set(plan.fixed) else ["time"]
    if not points and not {"x_m", "y_m"} <= set(plan.fixed):
        lacking += [name for name in ("latitude", "longitude") if name not in plan.fixed]
    if not lacking:
        return Sniffed("log", format_name, "has times and positions")
    near = [f"{name}? {other!r}" for name in lacking for other in near_names(name, names, 1)]
    return Sniffed(
        "other", format_name, f"has no column {', '.join(lacking)}" + (f" ({'; '.join(near)})" if near else "")
    )
