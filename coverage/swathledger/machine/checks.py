"""Checks of a machine file that look at more than one key.

They read the raw mapping and pass over values of a wrong type (told elsewhere), so that one run tells every fault.
"""

from __future__ import annotations

import codecs
import datetime as dt
import difflib
import math
import re
import zoneinfo
from collections.abc import Iterator, Mapping
from typing import Any

from swathledger.log.columns import KNOWN
from swathledger.machine.products import product_faults
from swathledger.machine.quantity import length
from swathledger.machine.validation import Fault, Path, show
from swathledger.units import M_PER_IN

_SUFFIX = re.compile(r"^(.*)_(mm|m|in|ft|l|gal|l_min|gal_min|l_ha|gal_ac)$")


def cross_faults(raw: Mapping[str, Any]) -> Iterator[Fault]:
    """Every fault that shows only when keys are seen together."""
    yield from _twice(raw, ())
    boom = _table(raw, "boom")
    if boom is not None:
        yield from _boom(boom)
    yield from _hitch(raw)
    yield from product_faults(raw)
    yield from _replay(raw)
    yield from _plumbing(raw)
    yield from _columns(raw)
    yield from _log(raw)


def _table(raw: Mapping[str, Any], key: str) -> Mapping[str, Any] | None:
    value = raw.get(key)
    return value if isinstance(value, Mapping) else None


def _number(value: object) -> float | None:
    """The value as a finite number above zero, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value <= 0:
        return None
    return float(value)


def _counts(value: object) -> list[int] | None:
    """The value as a list of counts of 1 or more, or None."""
    if isinstance(value, list) and value and all(type(item) is int and item >= 1 for item in value):
        return value
    return None


def _twice(table: Mapping[str, Any], path: Path) -> Iterator[Fault]:
    """One quantity given in two units."""
    seen: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            if key != "columns":
                yield from _twice(value, (*path, key))
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, Mapping):
                    yield from _twice(item, (*path, key, index))
        # active_ingredient_g_l and its kin are checked with the product's unit
        elif not key.startswith("active_ingredient"):
            match = _SUFFIX.match(key)
            if match and match[1] in seen:
                yield Fault((*path, key), f"{seen[match[1]]} is given too; give one of them.")
            elif match:
                seen[match[1]] = key


def _boom(boom: Mapping[str, Any]) -> Iterator[Fault]:
    count = boom.get("nozzle_count")
    count = count if type(count) is int and count >= 1 else None
    sections = _counts(boom.get("sections"))
    spacing = _number(length(boom, "nozzle_spacing"))
    width = _number(length(boom, "width"))
    widths_key = next((key for key in ("section_widths_m", "section_widths_ft") if key in boom), None)
    has_nozzles = "nozzle_count" in boom or "sections" in boom

    if count is not None and sections is not None and sum(sections) != count:
        yield Fault(
            ("boom", "sections"),
            f"found {show(sections)}, which add up to {sum(sections)} nozzles, but nozzle_count is {count}; "
            "make the two agree.",
        )
    if widths_key is not None:
        for other in ("nozzle_count", "nozzle_spacing_m", "nozzle_spacing_in", "sections", "width_m", "width_ft"):
            if other in boom:
                yield Fault(
                    ("boom", widths_key), f"stands for a boom without nozzles, but {other} is given too; give one."
                )
                return
        return
    if (
        spacing is None
        and width is None
        and not any(key in boom for key in ("nozzle_spacing_m", "nozzle_spacing_in", "width_m", "width_ft"))
    ):
        yield Fault(
            ("boom",),
            "the width is missing. Give nozzle_count and nozzle_spacing_m (or nozzle_spacing_in), "
            "or width_m (or width_ft).",
        )
    n = count if count is not None else (sum(sections) if sections is not None else None)
    if spacing is not None and width is not None:
        fit = width / spacing
        if n is not None and abs(n * spacing - width) > 0.01 * width:
            yield Fault(
                ("boom",),
                f"{n} nozzles at {spacing:g} m are {n * spacing:g} m, but the width is {width:g} m; "
                "correct one of them or leave the width out.",
            )
        elif n is None and not has_nozzles and (round(fit) < 1 or abs(fit - round(fit)) > 0.01 * fit):
            yield Fault(
                ("boom",),
                f"a width of {width:g} m is not a whole number of nozzles at {spacing:g} m; give nozzle_count.",
            )
    elif spacing is not None and not has_nozzles:
        yield Fault(("boom",), "nozzle_spacing is given without nozzle_count, sections or a width; give one of them.")
    if spacing is not None and not 0.05 <= spacing <= 10:
        yield Fault(
            ("boom", next(key for key in ("nozzle_spacing_m", "nozzle_spacing_in") if key in boom)),
            f"makes {spacing:g} m between nozzles; expected 0.05 to 10 m. Is the unit right?",
        )
    total = width if width is not None else (n * spacing if n is not None and spacing is not None else None)
    if total is not None and not 0.05 <= total <= 200:
        yield Fault(("boom",), f"the boom is {total:g} m wide; expected 0.05 to 200 m. Is the unit right?")


def _hitch(raw: Mapping[str, Any]) -> Iterator[Fault]:
    hitch = _table(raw, "hitch")
    if hitch is None:
        return
    for stem in ("antenna_to_hitch", "hitch_to_boom"):
        if not any(f"{stem}_{unit}" in hitch for unit in ("m", "in", "ft")):
            yield Fault(("hitch", f"{stem}_m"), "is missing; a trailed boom needs both lengths of [hitch].")
    antenna = _table(raw, "antenna") or {}
    ahead, front, back = (
        length(antenna, "ahead_of_boom"),
        length(hitch, "antenna_to_hitch"),
        length(hitch, "hitch_to_boom"),
    )
    if ahead is not None and front is not None and back is not None and abs(ahead - front - back) > 0.05:
        key = next(key for key in antenna if key.startswith("ahead_of_boom"))
        yield Fault(
            ("antenna", key),
            f"makes {ahead:g} m, but [hitch] adds up to {front + back:g} m; leave it out for a trailed boom.",
        )


def _replay(raw: Mapping[str, Any]) -> Iterator[Fault]:
    replay, boom = _table(raw, "replay"), _table(raw, "boom") or {}
    if replay is None:
        return
    sections = _counts(boom.get("sections"))
    count = boom.get("nozzle_count")
    n = count if type(count) is int and count >= 1 else (sum(sections) if sections else None)
    layouts = replay.get("nozzles_per_group")
    for index, layout in enumerate(layouts if isinstance(layouts, list) else []):
        groups = _counts(layout)
        if groups is not None and n is not None and sum(groups) != n:
            yield Fault(
                ("replay", "nozzles_per_group", index),
                f"found {show(groups)}, which add up to {sum(groups)} nozzles; the boom has {n}.",
            )
    groups_asked = replay.get("groups")
    for index, group in enumerate(groups_asked if isinstance(groups_asked, list) else []):
        if type(group) is int and n is not None and group > n:
            yield Fault(("replay", "groups", index), f"found {group} groups; the boom has only {n} nozzles.")


def _plumbing(raw: Mapping[str, Any]) -> Iterator[Fault]:
    plumbing = _table(raw, "plumbing")
    if plumbing is None:
        return
    lines = plumbing.get("lines")
    for index, line in enumerate(lines if isinstance(lines, list) else []):
        if not isinstance(line, Mapping):
            continue
        for stem, units in (("inner_diameter", ("mm", "in")), ("length", ("m", "ft"))):
            if not any(f"{stem}_{unit}" in line for unit in units):
                choice = " or ".join(f"{stem}_{unit}" for unit in units)
                yield Fault(("plumbing", "lines", index), f"{choice} is missing; a line needs its bore and its length.")
        if "section" in line and line.get("carries", "all") == "all":
            yield Fault(("plumbing", "lines", index, "section"), 'needs carries = "section" or "boom".')
        bore = _number(line.get("inner_diameter_mm"))
        inches = _number(line.get("inner_diameter_in"))
        bore = bore if bore is not None else (inches * M_PER_IN * 1000 if inches is not None else None)
        if bore is not None and not 2 <= bore <= 500:
            key = "inner_diameter_mm" if "inner_diameter_mm" in line else "inner_diameter_in"
            yield Fault(
                ("plumbing", "lines", index, key), f"makes {bore:g} mm; expected 2 to 500 mm. Is the unit right?"
            )
    dead_ends, sections = plumbing.get("dead_ends"), (_table(raw, "boom") or {}).get("sections")
    if isinstance(dead_ends, list) and isinstance(sections, list) and len(dead_ends) != len(sections):
        yield Fault(
            ("plumbing", "dead_ends"),
            f"found {len(dead_ends)} counts; give one number for all sections, or one for each of the {len(sections)}.",
        )


def _columns(raw: Mapping[str, Any]) -> Iterator[Fault]:
    for name in _table(raw, "columns") or {}:
        if (
            name in {*KNOWN, "section", "nozzle"}
            or re.fullmatch(r"(section|nozzle)_[1-9]\d*", name)
            or re.search(r"\d$", name)
        ):
            continue
        hits = difflib.get_close_matches(name.lower(), KNOWN, n=1, cutoff=0.85)
        if hits:
            yield Fault(
                ("columns", name),
                f"this is not one of our column names. Did you mean {hits[0]}? (The name on the left is ours, the text "
                "on the right is the file's header; a column of your own goes under a name less like one of ours.)",
            )


def _log(raw: Mapping[str, Any]) -> Iterator[Fault]:
    log = _table(raw, "log") or {}
    zone, start = log.get("time_zone"), log.get("start")
    if isinstance(zone, str) and zone and not _is_zone(zone):
        yield Fault(
            ("log", "time_zone"),
            f'found {show(zone)}, which is no time zone; give a name such as "Australia/Perth" or an offset '
            'such as "+08:00".',
        )
    if isinstance(start, str) and start:
        try:
            dt.datetime.fromisoformat(start.strip())
        except ValueError:
            yield Fault(("log", "start"), f"found {show(start)}; write it like 2026-03-04T07:30:00+08:00.")
    mark = log.get("delimiter")
    if isinstance(mark, str) and len(mark) > 1 and mark not in {"tab", "\\t"}:
        yield Fault(("log", "delimiter"), f'found {show(mark)}; must be one character, or "tab".')
    encoding = log.get("encoding")
    if isinstance(encoding, str) and encoding:
        try:
            codecs.lookup(encoding)
        except (LookupError, ValueError):  # ValueError: a null character
            yield Fault(
                ("log", "encoding"),
                f'found {show(encoding)}, which is no encoding; give one such as "utf-8" or "cp1252".',
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
