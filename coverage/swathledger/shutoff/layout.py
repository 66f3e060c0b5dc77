"""Outlet groups on a boom: by number, by width, or as the machine file lists them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.shutoff.results import Layout


def equal_groups(machine: Machine, count: int) -> NDArray[np.float64]:
    """Edges of ``count`` groups of equal nozzle numbers, as equal as they come where it does not divide.

    A machine known by its width alone is divided by width.

    Raises
    ------
    InputError
        More groups than nozzles.
    """
    edges = machine.boom.nozzle_edges_m
    nozzles = machine.boom.nozzle_count
    if nozzles == 1:
        return np.linspace(float(edges[0]), float(edges[-1]), count + 1)
    if count > nozzles:
        raise InputError(
            f"{count} groups were asked for; machine {machine.name!r} has {nozzles} nozzles.",
            column="groups",
            hint="Ask for no more groups than nozzles.",
        )
    cut = np.round(np.arange(count + 1) * nozzles / count).astype(np.int64)
    return np.asarray(edges[cut], dtype=np.float64)


def groups_of_width(machine: Machine, width_m: float) -> NDArray[np.float64]:
    """Edges of groups nearest to ``width_m`` wide: whole nozzles where the machine has them."""
    if not 0 < width_m < float("inf"):
        raise InputError(f"a group's width must be above 0, found {width_m!r}.", column="widths_m")
    boom = machine.boom
    count = max(1, round(boom.width_m / width_m))
    return equal_groups(machine, min(count, boom.nozzle_count) if boom.nozzle_count > 1 else count)


def listed_groups(machine: Machine, nozzles_per_group: Sequence[int]) -> NDArray[np.float64]:
    """Edges of groups given as nozzles per group, left to right.

    Raises
    ------
    InputError
        The list does not add up to the machine's nozzles.
    """
    counts = [int(n) for n in nozzles_per_group]
    if any(n < 1 for n in counts) or sum(counts) != machine.boom.nozzle_count:
        raise InputError(
            f"{counts} add up to {sum(counts)} nozzles; machine {machine.name!r} has {machine.boom.nozzle_count}.",
            column="replay.nozzles_per_group",
        )
    return np.asarray(machine.boom.nozzle_edges_m[np.concatenate(([0], np.cumsum(counts)))], dtype=np.float64)


def _told(count: int, boom_m: float) -> Note:
    """What equal groups are called."""
    if count == 1:
        return Note.of("shutoff.layout_boom", width=Measure(boom_m, "length"))
    return Note.of("shutoff.layout_groups", groups=count, width=Measure(boom_m / count, "length"))


def _told_nozzles(machine: Machine) -> Note:
    return Note.of("shutoff.layout_nozzle", width=Measure(machine.boom.nozzle_spacing_m, "length"))


def _told_listed(counts: Sequence[int]) -> Note:
    return Note.of("shutoff.layout_listed", groups=len(counts), nozzles="+".join(map(str, counts)))


def floor_layout(machine: Machine) -> Layout:
    """A valve for every cell."""
    return Layout("limit", Note.of("shutoff.layout_limit"), machine.boom.nozzle_edges_m[[0, -1]], limit=True)


def named_layout(machine: Machine, name: str) -> Layout | None:
    """The layout that a word of ``--groups`` stands for; None for ``nozzle`` where the machine has no nozzles."""
    edges = machine.boom.nozzle_edges_m
    if name == "limit":
        return floor_layout(machine)
    if name == "nozzle":
        if machine.boom.nozzle_count == 1:
            return None
        return Layout("nozzle", _told_nozzles(machine), edges)
    if name == "boom":
        return Layout("boom", _told(1, machine.boom.width_m), edges[[0, -1]])
    if not (name.isascii() and name.isdigit() and int(name) >= 1):
        raise InputError(
            f"{name!r} is no outlet group.",
            column="groups",
            hint="Use boom, nozzle, limit or a whole number of equal groups.",
        )
    cut = equal_groups(machine, int(name))
    return Layout(name, _told(int(name), machine.boom.width_m), cut)


def logged_layout(log: Log, machine: Machine) -> Layout:
    """The layout whose states the log records: nozzles, sections, or the boom as one."""
    boom = machine.boom
    edges = boom.nozzle_edges_m
    groups, cut = _told(1, boom.width_m), edges[[0, -1]]
    if log.state_kind == "nozzle":
        groups, cut = _told_nozzles(machine), edges
    elif log.state_kind == "section":
        groups = _told(len(boom.sections), boom.width_m)
        cut = edges[np.concatenate(([0], np.cumsum(boom.sections)))]
    return Layout("logged", Note.of("shutoff.layout_logged", groups=groups), cut)


def layouts_for(machine: Machine, groups: Sequence[str], notes: list[Note]) -> tuple[Layout, ...]:
    """All layouts to replay: the words given, and those of the machine file's ``[replay]`` table.

    Layouts that come to the same edges as an earlier one are kept once, but for those with valves of their own.
    """
    out: list[Layout] = []
    for name in groups:
        layout = named_layout(machine, name)
        if layout is None:
            notes.append(Note.of("shutoff.no_nozzles"))
            continue
        if not layout.limit and machine.boom.nozzle_count % layout.groups and machine.boom.nozzle_count > 1:
            notes.append(Note.of("shutoff.uneven_groups", nozzles=machine.boom.nozzle_count, groups=layout.groups))
        out.append(layout)
    for width in machine.replay.widths_m:
        cut = groups_of_width(machine, width)
        out.append(Layout(f"width {width:g} m", _told(cut.shape[0] - 1, machine.boom.width_m), cut))
    for number, counts in enumerate(machine.replay.nozzles_per_group, start=1):
        cut = listed_groups(machine, counts)
        out.append(Layout(f"list {number}", _told_listed(counts), cut))
    asked = machine.replay
    kept: list[Layout] = []
    for layout in out:
        if any(k.limit == layout.limit and np.array_equal(k.edges_m, layout.edges_m) for k in kept):
            continue
        over, beyond = (None, 0.0) if layout.limit else (asked.overlap_margin_m, asked.boundary_margin_m)
        kept.append(replace(layout, treated_margin_m=over, boundary_margin_m=beyond))
    floor = any(layout.limit for layout in kept)
    return (*kept, *(layout for layout in _own_layouts(machine, notes) if not (layout.limit and floor)))


def _own_layouts(machine: Machine, notes: list[Note]) -> Iterator[Layout]:
    """Those of ``[[replay.layouts]]``, with valves, threshold and margins of their own."""
    for number, asked in enumerate(machine.replay.layouts, start=1):
        if asked.width_m is not None:
            cut = groups_of_width(machine, asked.width_m)
            found: Layout | None = Layout("", _told(cut.shape[0] - 1, machine.boom.width_m), cut)
        elif isinstance(asked.groups, tuple):
            cut = listed_groups(machine, asked.groups)
            found = Layout("", _told_listed(asked.groups), cut)
        else:
            found = named_layout(machine, str(asked.groups))
        if found is None:
            notes.append(Note.of("shutoff.no_nozzles"))
            continue
        if found.limit:  # the floor has no valves, and one name
            yield found
            continue
        name = asked.name or f"layout {number}"
        yield replace(
            found,
            name=name,
            label=Note.of("shutoff.layout_named", name=name, groups=found.label),
            valves=asked.valves,
            off_when_covered=asked.off_when_covered,
            treated_margin_m=asked.overlap_margin_m,
            boundary_margin_m=asked.boundary_margin_m,
        )
