"""Reading a machine file (TOML) into a :class:`~swathledger.machine.machine.Machine`."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, replace
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swathledger.errors import MachineError
from swathledger.files import read_small
from swathledger.machine.checks import checked, cross_faults
from swathledger.machine.file import BoomTable, MachineFile, RateTable
from swathledger.machine.keys import build, given_in
from swathledger.machine.machine import (
    Antenna,
    Boom,
    Controller,
    Errors,
    Hitch,
    LogOptions,
    Machine,
    ReplayLayout,
    ReplaySettings,
    Valves,
)
from swathledger.machine.plumbing import Plumbing, plumbing_of
from swathledger.machine.products import ProductTable
from swathledger.machine.validation import raise_all

if TYPE_CHECKING:
    import os


def read_machine(path: str | os.PathLike[str]) -> Machine:
    """Read and check a machine file.

    Parameters
    ----------
    path : path-like
        TOML 1.0, UTF-8. Keys and units: ``docs/machine.md``.

    Returns
    -------
    Machine
        SI, in frozen parts.

    Raises
    ------
    MachineError
        The file cannot be read, is no TOML (with the line), or is wrong: every fault at once, each with its path in the
        file, its line where that is sure, the value found, and what to do.
    """
    file = Path(path)
    data = _bytes_of(file)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise MachineError(
            "this is not text in UTF-8.",
            file=file.name,
            row=line,
            hint="A machine file is plain text in TOML; save it as UTF-8.",
        ) from error
    if "\0" in text:
        raise MachineError("this is a binary file.", file=file.name, hint="A machine file is plain text in TOML.")
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise MachineError(
            f"this is not valid TOML: {error}.", file=file.name, hint="Text stands in quotes, tables in [brackets]."
        ) from error
    machine = machine_from_mapping(raw, file=file.name, text=text)
    return replace(machine, source=(file.name, hashlib.sha256(data).hexdigest()))


def machine_from_mapping(raw: Mapping[str, Any], *, file: str = "machine", text: str = "") -> Machine:
    """Check the mapping of a machine file and build the carrier.

    Parameters
    ----------
    raw : mapping
        As :func:`tomllib.loads` gives it.
    file, text : str, optional
        Name and text of the file, for the words of errors.

    Raises
    ------
    MachineError
        Telling every fault at once.
    """
    faults, table = checked(MachineFile, raw)
    told = {fault.path for fault in faults}
    raise_all([*faults, *(fault for fault in cross_faults(raw, table) if fault.path not in told)], file, text)
    boom, valves = _boom(build(BoomTable, table.boom)), build(Valves, table.valves)
    antenna = build(Antenna, table.antenna)
    given = given_in(Antenna, table.antenna) if table.antenna is not None else {}
    offsets = ("ahead_of_boom_m", "right_of_centre_m") if table.hitch is None else ("right_of_centre_m",)
    plumbing = Plumbing(boom.sections)
    if table.plumbing is not None:
        unsaid = [index for index, line in enumerate(table.plumbing.lines or ()) if line.carries is None]
        plumbing = plumbing_of(given_in(Plumbing, table.plumbing), boom.sections, unsaid)
    return Machine(
        name=table.name,
        boom=boom,
        # On a trailed boom the lengths of [hitch] say where the boom is.
        antenna=antenna if table.hitch is None else replace(antenna, ahead_of_boom_m=0.0),
        hitch=None if table.hitch is None else build(Hitch, table.hitch),
        valves=valves,
        columns=table.columns or {},
        log_options=build(LogOptions, table.log),
        set_rate_l_m2=build(RateTable, table.rate).set_rate_l_m2,
        plumbing=plumbing,
        products=tuple(build(ProductTable, item).product() for item in table.products or ()),
        replay=_replay(valves, table.replay),
        errors=build(Errors, table.errors),
        antenna_assumed=tuple(name for name in offsets if name not in given),
    )


def machine_from_width(width_m: float, name: str = "machine of a stated width") -> Machine:
    """A machine of which only the working width is known: one nozzle, centred under the antenna.

    Raises
    ------
    MachineError
        The width is not a finite number above zero.
    """
    return machine_from_mapping({"name": name, "boom": {"width_m": float(width_m)}}, file=name)


def _bytes_of(file: Path) -> bytes:
    if "\0" not in str(file):
        if file.is_dir():
            raise MachineError("this is a folder.", file=str(file), hint="Name the machine's TOML file inside it.")
        if not file.exists() and not file.is_symlink():
            raise MachineError("there is no such machine file.", file=str(file), hint="Check the path.")
    data = read_small(file, MachineError)
    if not data.strip():
        raise MachineError("the file is empty.", file=file.name, hint="It needs at least name and a [boom] table.")
    return data


def _boom(table: BoomTable) -> Boom:
    if table.section_widths_m is not None:
        edges = np.array([0.0, *accumulate(table.section_widths_m)], dtype=np.float64)
        return Boom(nozzle_edges_m=edges - edges[-1] / 2, sections=(1,) * len(table.section_widths_m))
    spacing, width, count = table.nozzle_spacing_m, table.width_m, table.nozzles
    if count is None:
        count = round(width / spacing) if width is not None and spacing is not None else 1
    if spacing is None:
        spacing = (width or 0.0) / count
    edges = (np.arange(count + 1, dtype=np.float64) - count / 2) * spacing
    return Boom(nozzle_edges_m=edges, sections=table.sections if table.sections is not None else (count,))


def _replay(valves: Valves, table: Any) -> ReplaySettings:
    """``[replay]`` and its layouts, each with what it leaves out filled in from the table above it."""
    if table is None:
        return ReplaySettings(**asdict(valves))
    own = given_in(ReplaySettings, table)
    replay = ReplaySettings(**asdict(valves) | own)
    return replace(replay, layouts=_layouts(replay, table.layouts))


def _layouts(replay: ReplaySettings, items: Any) -> tuple[ReplayLayout, ...]:
    shared = {field.name: getattr(replay, field.name) for field in fields(Controller)} | {"off_when_covered": None}
    return tuple(ReplayLayout(**shared | given_in(ReplayLayout, item)) for item in items or ())


def with_layouts(machine: Machine, layouts: Sequence[Mapping[str, Any]]) -> Machine:
    """The machine with other ``[[replay.layouts]]``, given as in its file.

    Raises
    ------
    MachineError
        Telling every fault at once.
    """
    boom = {"section_widths_m": list(machine.boom.section_widths_m)}
    raw = {"name": machine.name, "boom": boom, "replay": {"layouts": [dict(item) for item in layouts]}}
    faults, table = checked(MachineFile, raw)
    told = {fault.path for fault in faults}
    raise_all([*faults, *(fault for fault in cross_faults(raw, table) if fault.path not in told)], "layouts", "")
    replay = machine.replay
    return replace(machine, replay=replace(replay, layouts=_layouts(replay, getattr(table.replay, "layouts", ()))))
