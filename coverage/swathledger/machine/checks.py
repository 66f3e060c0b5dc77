"""Checks of a machine file that look at more than one key.

They work on the typed tables of what can be read, so that one run tells every fault: :func:`checked` tells the
values that are wrong by themselves and leaves them out.
"""

from __future__ import annotations

import codecs
import copy
import datetime as dt
import difflib
import re
import zoneinfo
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from swathledger.errors import MachineError
from swathledger.log.columns import KNOWN, meant
from swathledger.machine.file import BoomTable
from swathledger.machine.keys import build, entries, file_model, given_in, part_in
from swathledger.machine.machine import Antenna, Hitch, LogOptions, ReplayLayout, ReplaySettings
from swathledger.machine.plumbing import Plumbing, PlumbingLine, plumbing_of
from swathledger.machine.products import ProductTable
from swathledger.machine.validation import Fault, Path, from_pydantic, show

_TAKEN = re.compile(r"boom|nozzle|limit|logged|model|as logged|width .*|list \d+|layout \d+|\d+")
"""Names that a replayed layout cannot have: they are the program's own."""


def checked(part: type, raw: Mapping[str, Any], at: Path = ()) -> tuple[list[Fault], Any]:
    """Faults that a table's values have by themselves or beside their twins, and the table of all that can be read.

    Parameters
    ----------
    part : type
        Frozen part with keys.
    raw : mapping
        The table as TOML gives it.
    at : tuple
        Where it stands in the file.
    """
    from pydantic import ValidationError

    found: list[Fault] = []
    left: Any = raw
    try:
        file_model(part).model_validate(raw)
    except ValidationError as error:
        found = from_pydantic(error, raw, file_model(part))
        left = _without(raw, [fault.path for fault in found])
    table = file_model(part, True).model_validate(left)
    told = {fault.path for fault in found}
    found += [fault for fault in _twins(part, raw, table, ()) if fault.path not in told]
    return [Fault((*at, *fault.path), fault.text) for fault in found], table


def _without(raw: Mapping[str, Any], paths: Iterable[Path]) -> Any:
    """A copy without the values at these paths; a list that is wrong in one plain entry goes as a whole."""
    out = copy.deepcopy(dict(raw))
    for path in paths:
        at: Any = out
        for part, inner in zip(path, (*path[1:], None), strict=True):
            if isinstance(part, int):
                at = at[part]
                continue
            below = at.get(part)
            # into a table, or into an entry of a list of tables when the fault lies within that entry
            if not (isinstance(inner, str) or (isinstance(inner, int) and isinstance(path[-1], str))):
                at.pop(part, None)
                break
            at = below
    return out


def _twins(part: type, raw: Mapping[str, Any], table: Any, path: Path) -> Iterator[Fault]:
    """One quantity given in two units, in none where it is needed, or in one that makes it unlikely."""
    for entry in entries(part):
        given = [name for name in raw if name in entry.names]
        inner = part_in(entry.hint)
        if len(given) > 1:
            yield Fault((*path, given[1]), f"{given[0]} is given too; give one of them.")
        elif not given and entry.key.needed and len(entry.names) > 1:
            first, *others = entry.names
            yield Fault((*path, first), f"is missing; it is needed ({', '.join(others)} will do too).")
        elif given and entry.key.likely and (value := getattr(table, given[0])) is not None:
            low, high = entry.key.likely
            name = next(iter(entry.names))
            unit = entry.names[name]
            size = entry.size / unit.si_per_unit if unit is not None else 1.0
            if not low <= entry.own(value, given[0]) <= high and unit is not None:
                yield Fault(
                    (*path, given[0]),
                    f"makes {entry.own(value, given[0]) * size:g} {unit.symbol}; expected {low * size:g} to "
                    f"{high * size:g} {unit.symbol}. Is the unit right?",
                )
        below = getattr(table, given[0]) if given and inner is not None else None
        if inner is not None and isinstance(below, list):
            for index, item in enumerate(below):
                yield from _twins(inner, raw[given[0]][index], item, (*path, given[0], index))
        elif inner is not None and below is not None:
            yield from _twins(inner, raw[given[0]], below, (*path, given[0]))


def cross_faults(raw: Mapping[str, Any], table: Any) -> Iterator[Fault]:
    """Every fault of a machine file that shows only when keys are seen together.

    ``table``: all of it that can be read, from :func:`checked`.
    """
    boom = build(BoomTable, table.boom)
    if table.boom is not None:
        yield from _boom(boom, {entry.field for entry in entries(BoomTable) if entry.given(raw["boom"])})
    if table.hitch is not None:
        yield from _hitch(build(Hitch, table.hitch), build(Antenna, table.antenna))
    yield from _products(table.products or ())
    yield from _replay(build(ReplaySettings, table.replay), boom.nozzles)
    if table.plumbing is not None:
        yield from _plumbing(table.plumbing, boom)
    yield from _columns(table.columns or ())
    yield from _log(build(LogOptions, table.log))


def _products(tables: Iterable[Any]) -> Iterator[Fault]:
    names: set[str] = set()
    for index, item in enumerate(tables):
        product = build(ProductTable, item)
        name = product.name.strip().casefold()
        if name and name in names:
            yield Fault(
                ("products", index, "name"), f"found {show(product.name)} a second time. Give each product one table."
            )
        names.add(name)
        for key, text in product.faults():
            yield Fault(("products", index, key), text)


def product_faults(raw: Mapping[str, Any], at: Path = ()) -> Iterator[Fault]:
    """Faults of the ``products`` of another file's table that show only when keys are seen together."""
    products = raw.get("products")
    tables = [item if isinstance(item, Mapping) else {} for item in products] if isinstance(products, list) else []
    read = [checked(ProductTable, item, ("products", index)) for index, item in enumerate(tables)]
    twins = [fault for found, _ in read for fault in found if "is given too" in fault.text]
    for fault in (*twins, *_products(table for _, table in read)):
        yield Fault((*at, *fault.path), fault.text)


def _boom(boom: BoomTable, given: set[str]) -> Iterator[Fault]:
    count, sections, spacing, width = boom.nozzle_count, boom.sections, boom.nozzle_spacing_m, boom.width_m
    if count is not None and sections is not None and sum(sections) != count:
        yield Fault(
            ("boom", "sections"),
            f"found {show(sections)}, which add up to {sum(sections)} nozzles, but nozzle_count is {count}; "
            "make the two agree.",
        )
    if "section_widths_m" in given:
        others = sorted(given - {"section_widths_m"})
        if others:
            yield Fault(
                ("boom", "section_widths_m"),
                f"stands for a boom without nozzles, but {others[0]} is given too; give one.",
            )
        return
    if not given & {"nozzle_spacing_m", "width_m"}:
        yield Fault(
            ("boom",),
            "the width is missing. Give nozzle_count and nozzle_spacing_m (or nozzle_spacing_in), "
            "or width_m (or width_ft).",
        )
    n = count if count is not None else boom.nozzles
    counted = bool(given & {"nozzle_count", "sections"})
    if spacing is not None and width is not None:
        fit = width / spacing
        if n is not None and abs(n * spacing - width) > 0.01 * width:
            yield Fault(
                ("boom",),
                f"{n} nozzles at {spacing:g} m are {n * spacing:g} m, but the width is {width:g} m; "
                "correct one of them or leave the width out.",
            )
        elif not counted and (round(fit) < 1 or abs(fit - round(fit)) > 0.01 * fit):
            yield Fault(
                ("boom",),
                f"a width of {width:g} m is not a whole number of nozzles at {spacing:g} m; give nozzle_count.",
            )
    elif spacing is not None and not counted and "width_m" not in given:
        yield Fault(("boom",), "nozzle_spacing is given without nozzle_count, sections or a width; give one of them.")
    total = width if width is not None else (n * spacing if n is not None and spacing is not None else None)
    if total is not None and not 0.05 <= total <= 200:
        yield Fault(("boom",), f"the boom is {total:g} m wide; expected 0.05 to 200 m. Is the unit right?")


def _hitch(hitch: Hitch, antenna: Antenna) -> Iterator[Fault]:
    ahead, front, back = antenna.ahead_of_boom_m, hitch.antenna_to_hitch_m, hitch.hitch_to_boom_m
    if ahead and front and back and abs(ahead - front - back) > 0.05:
        yield Fault(
            ("antenna", "ahead_of_boom_m"),
            f"makes {ahead:g} m, but [hitch] adds up to {front + back:g} m; leave it out for a trailed boom.",
        )


def _groups(path: Path, groups: object, nozzles: int | None) -> Iterator[Fault]:
    if isinstance(groups, tuple) and nozzles is not None and sum(groups) != nozzles:
        yield Fault(path, f"found {show(groups)}, which add up to {sum(groups)} nozzles; the boom has {nozzles}.")
    if isinstance(groups, int) and nozzles is not None and groups > nozzles:
        yield Fault(path, f"found {groups} groups; the boom has only {nozzles} nozzles.")


def _replay(replay: ReplaySettings, nozzles: int | None) -> Iterator[Fault]:
    for index, counts in enumerate(replay.nozzles_per_group):
        yield from _groups(("replay", "nozzles_per_group", index), counts, nozzles)
    for index, group in enumerate(replay.groups or ()):
        yield from _groups(("replay", "groups", index), group, nozzles)
    names: set[str] = set()
    for index, layout in enumerate(replay.layouts):
        yield from _layout(("replay", "layouts", index), layout, nozzles, names)


def _layout(path: Path, layout: ReplayLayout, nozzles: int | None, names: set[str]) -> Iterator[Fault]:
    yield from _groups((*path, "groups"), layout.groups, nozzles)
    if layout.groups is None and layout.width_m is None:
        yield Fault((*path, "groups"), "is missing; give groups or width_m.")
    elif layout.groups is not None and layout.width_m is not None:
        yield Fault((*path, "width_m"), "groups is given too; give one of them.")
    if layout.name is None:
        return
    name = layout.name.strip().casefold()
    if not name or _TAKEN.fullmatch(name):
        yield Fault((*path, "name"), f"found {show(layout.name)}, which stands for another layout; name it otherwise.")
    elif name in names:
        yield Fault((*path, "name"), f"found {show(layout.name)} a second time; give each layout its own name.")
    names.add(name)


def _plumbing(table: Any, boom: BoomTable) -> Iterator[Fault]:
    for index, item in enumerate(table.lines or ()):
        if item.section is not None and item.carries in (None, "all"):
            yield Fault(("plumbing", "lines", index, "section"), 'needs carries = "section" or "boom".')
    needed = [entry for entry in entries(PlumbingLine) if entry.key.needed]
    if not all(any(getattr(item, name) for name in entry.names) for item in table.lines or () for entry in needed):
        return  # a size that is missing or wrong is told elsewhere
    sections = boom.sections if boom.sections is not None else (boom.nozzles or 1,)
    try:
        plumbing_of(given_in(Plumbing, table), sections)
    except MachineError as error:
        if error.column in {"lines", "dead_ends"}:
            yield Fault(("plumbing", error.column), error.what)


def _columns(names: Iterable[str]) -> Iterator[Fault]:
    for name in names:
        if (
            name in {*KNOWN, "section", "nozzle"}
            or re.fullmatch(r"(section|nozzle)_[1-9]\d*", name)
            or re.search(r"\d$", name)
        ):
            continue
        hits = meant(name) or difflib.get_close_matches(name.lower(), KNOWN, n=1, cutoff=0.85)
        if hits:
            yield Fault(
                ("columns", name),
                f"this is not one of our column names. Did you mean {' or '.join(hits)}? (The name on the left is "
                "ours, the text on the right is the file's header; a column of your own goes under a name less like "
                "one of ours.)",
            )


def _log(log: LogOptions) -> Iterator[Fault]:
    if log.time_zone is not None and not _is_zone(log.time_zone):
        yield Fault(
            ("log", "time_zone"),
            f'found {show(log.time_zone)}, which is no time zone; give a name such as "Australia/Perth" or an offset '
            'such as "+08:00".',
        )
    if isinstance(log.start, str):
        try:
            dt.datetime.fromisoformat(log.start.strip())
        except ValueError:
            yield Fault(("log", "start"), f"found {show(log.start)}; write it like 2026-03-04T07:30:00+08:00.")
    for code, meaning in (log.states or {}).items():
        if meaning not in {"open", "shut"}:
            yield Fault(("log", "states", code), f'found {show(meaning)}; must be "open" or "shut".')
    if log.delimiter is not None and len(log.delimiter) > 1 and log.delimiter not in {"tab", "\\t"}:
        yield Fault(("log", "delimiter"), f'found {show(log.delimiter)}; must be one character, or "tab".')
    if log.encoding is not None:
        try:
            codecs.lookup(log.encoding)
        except (LookupError, ValueError):  # ValueError: a null character
            yield Fault(
                ("log", "encoding"),
                f'found {show(log.encoding)}, which is no encoding; give one such as "utf-8" or "cp1252".',
            )


def _is_zone(name: str) -> bool:
    """Whether the log reader will know a time zone: UTC, an offset, or a name of the IANA data base."""
    if name.upper() in {"UTC", "Z"}:
        return True
    try:
        if name[0] in "+-":
            dt.datetime.strptime(name, "%z")
        else:
            zoneinfo.ZoneInfo(name)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        return False
    return True
