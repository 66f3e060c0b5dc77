"""Options that several commands share, written once so that they read and behave the same everywhere.

Each function returns a decorator::

    @click.command()
    @options.logs_argument()
    @options.machine_option(required=True)
    @options.out_option()
    @options.quiet_option()
    def command(logs, machine, out, quiet): ...
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

FC = TypeVar("FC", bound=Callable[..., Any] | click.Command)
Decorator = Callable[[FC], FC]

DERIVE: Literal["derive"] = "derive"
"""The value of ``--boundary`` that asks for a boundary from the ground covered."""

if TYPE_CHECKING:  # generic for type checkers in every version of click, at run time only in late ones
    _ParamType = click.ParamType[Any]
else:
    _ParamType = click.ParamType

_EXISTING_FILE = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)


class BoundaryParam(_ParamType):
    """A vector file, or the word ``derive``; gives a `Path` or `DERIVE`."""

    name = "file|derive"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path | Literal["derive"]:
        """Return `DERIVE` or the path of an existing file."""
        if value == DERIVE:
            return DERIVE
        path = _EXISTING_FILE.convert(value, param, ctx)
        return Path(path)


class GroupsParam(_ParamType):
    """A comma list of outlet groups; gives a tuple of str, in the order given."""

    name = "list"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        """Check each word: ``boom``, ``nozzle``, ``limit`` or a whole number of equal groups."""
        if isinstance(value, tuple):
            return value
        words = tuple(word.strip().lower() for word in str(value).split(",") if word.strip())
        if not words:
            self.fail("give boom, nozzle, limit or numbers of groups, e.g. boom,9,6,3,nozzle", param, ctx)
        for word in words:
            if word in {"boom", "nozzle", "limit"}:
                continue
            if not (word.isascii() and word.isdigit() and int(word) >= 1):
                self.fail(
                    f"{word!r} is not a group. Use boom, nozzle, limit or a whole number of equal groups, "
                    "e.g. boom,9,6,3,nozzle",
                    param,
                    ctx,
                )
        if len(set(words)) != len(words):
            self.fail(f"{value!r} names a group twice", param, ctx)
        return words


class PositiveFloat(_ParamType):
    """A finite number above zero."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        try:
            number = float(value)
        except (TypeError, ValueError):
            self.fail(f"{value!r} is not a number (decimal point, no unit)", param, ctx)
        if not (math.isfinite(number) and number > 0):
            self.fail(f"{value!r} must be above 0", param, ctx)
        return number


def paths_argument(name: str, metavar: str, *, folders: bool = True) -> Decorator[Any]:
    """One or more files (or folders), as ``name``: tuple of Path."""
    kind = click.Path(exists=True, dir_okay=folders, readable=True, path_type=Path)
    return click.argument(name, metavar=metavar, nargs=-1, required=True, type=kind)


def logs_argument() -> Decorator[Any]:
    """``LOG...``: one or more log files (or task-data folders) of one field, as `logs`: tuple of Path."""
    return paths_argument("logs", "LOG...")


def seed_option(help_text: str, default: int = 20_240_501) -> Decorator[Any]:
    """``--seed``, as `seed`: int."""
    return setting("--seed", click.IntRange(min=0), "N", help_text, default=default)


def setting(
    option: str, kind: Any, metavar: str, help_text: str, *, default: Any = None, name: str | None = None
) -> Decorator[Any]:
    """An option with one value; a default is shown. The command gets it as ``name``, or by the option's own."""
    names = [option] if name is None else [option, name]
    return click.option(
        *names, type=kind, default=default, show_default=default is not None, metavar=metavar, help=help_text
    )


def machine_option(*, required: bool = True) -> Decorator[Any]:
    """``--machine M.toml``, as `machine`: Path (or None)."""
    return click.option(
        "--machine",
        required=required,
        type=_EXISTING_FILE,
        metavar="M.toml",
        help="Machine file: boom, antenna, valves, columns.",
    )


def boundary_option(*, required: bool = True) -> Decorator[Any]:
    """``--boundary B``, as `boundary`: Path, `DERIVE` (or None)."""
    return click.option(
        "--boundary",
        required=required,
        type=BoundaryParam(),
        metavar="B",
        help="Vector file with the field's boundary and exclusions, or 'derive' to take the ground covered (then all "
        "results are marked as derived).",
    )


def out_option(*, file: bool = False, help_text: str | None = None) -> Decorator[Any]:
    """``--out``, as `out`: Path of a folder (or, with ``file``, of a file)."""
    what = "File" if file else "Folder"
    said = f"{what} to write; an existing one is refused unless --overwrite is given."
    return click.option(
        "--out",
        required=True,
        type=click.Path(file_okay=file, dir_okay=not file, path_type=Path),
        metavar="FILE" if file else "DIR",
        help=said if help_text is None else help_text,
    )


def overwrite_option() -> Decorator[Any]:
    """``--overwrite``, as `overwrite`: bool."""
    return click.option("--overwrite", is_flag=True, help="Replace what an earlier run wrote there.")


def cell_option() -> Decorator[Any]:
    """``--cell``, as `cell`: float m, or None for the default."""
    return click.option(
        "--cell",
        type=PositiveFloat(),
        metavar="M",
        help="Side of a cell, m. Default: 0.1, and never more than a quarter of the nozzle spacing.",
    )


def groups_option() -> Decorator[Any]:
    """``--groups``, as `groups`: tuple of str, or None for the machine file's or the default."""
    return click.option(
        "--groups",
        type=GroupsParam(),
        metavar="LIST",
        help="Outlet groups to replay, comma separated: boom, nozzle, limit (a valve per cell), or a number of equal "
        "groups. Default: the machine file's [replay] groups, else boom,9,6,3,nozzle,limit.",
    )


def off_when_covered_option() -> Decorator[Any]:
    """``--off-when-covered``, as `off_when_covered`: float in (0, 1], or None."""
    return click.option(
        "--off-when-covered",
        type=click.FloatRange(0.0, 1.0, min_open=True),
        metavar="SHARE",
        help="Shut a group when this share of its footprint is treated or off target: 1.0 only when wholly covered, "
        "0.5 at half. Default: the machine file's, else 1.0.",
    )


def units_option() -> Decorator[Any]:
    """``--units``, as `units`: "metric" or "us"."""
    return click.option(
        "--units",
        type=click.Choice(["metric", "us"]),
        default="metric",
        show_default=True,
        help="Units that people read. JSON and Parquet stay SI.",
    )


def language_option() -> Decorator[Any]:
    """``--language``, as `language`: str."""
    return click.option(
        "--language",
        default="en",
        show_default=True,
        metavar="CODE|FILE",
        help="Language of the page: en, or a file of words of your own (see the docs on reports).",
    )


def field_option() -> Decorator[Any]:
    """``--field``, as `field_id`: str or None."""
    return click.option(
        "--field",
        "field_id",
        metavar="ID",
        help="Which field of the boundary file. Default: the one that the log lies in.",
    )


def threads_option() -> Decorator[Any]:
    """``--threads``, as `threads`: int >= 1."""
    return click.option(
        "--threads",
        type=click.IntRange(min=1),
        default=1,
        show_default=True,
        metavar="N",
        help="Threads of the kernels; changes no byte of any result.",
    )


def interval_option() -> Decorator[Any]:
    """``--no-interval``, as `no_interval`: bool."""
    return click.option(
        "--no-interval",
        is_flag=True,
        help="Leave out best estimates and intervals: quicker, and every figure is as it was read.",
    )


def json_option() -> Decorator[Any]:
    """``--json``, as `as_json`: bool."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document to stdout.")


def quiet_option() -> Decorator[Any]:
    """``--quiet``, as `quiet`: bool."""
    return click.option("-q", "--quiet", is_flag=True, help="No progress and no summary on stderr; errors still show.")
