"""Reading a machine file (TOML) into a :class:`~swathledger.machine.machine.Machine`."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swathledger.errors import MachineError
from swathledger.machine.checks import cross_faults
from swathledger.machine.machine import Antenna, Boom, Hitch, Machine, Valves
from swathledger.machine.products import product_table
from swathledger.machine.quantity import length
from swathledger.machine.validation import Fault, from_pydantic, raise_all
from swathledger.units import L_PER_GAL, M2_PER_AC, M_PER_FT, M_PER_IN

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
        SI. ``plumbing``, ``replay`` and ``products`` keep the file's keys, US spellings turned into the metric ones
        (``held_gal`` becomes ``held_l``, a rate in ``gal/ac`` one in ``L/ha``).

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
    except tomllib.TOMLDecodeError as error:
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
    from pydantic import ValidationError

    from swathledger.machine.spec import MachineSpec

    spec: MachineSpec | None = None
    faults: list[Fault] = []
    try:
        spec = MachineSpec.model_validate(dict(raw))
    except ValidationError as error:
        faults = from_pydantic(error, raw, MachineSpec)
    told = {fault.path for fault in faults}
    faults += [fault for fault in cross_faults(raw) if fault.path not in told]
    raise_all(faults, file, text)
    if spec is None:  # pragma: no cover - raise_all has raised
        raise MachineError("cannot be read.", file=file)
    given = spec.model_dump(exclude_none=True)
    antenna, hitch = given["antenna"], given.get("hitch")
    return Machine(
        name=spec.name,
        boom=_boom(given["boom"]),
        antenna=Antenna(
            # On a trailed boom the lengths of [hitch] say where the boom is.
            ahead_of_boom_m=0.0 if hitch is not None else length(antenna, "ahead_of_boom") or 0.0,
            right_of_centre_m=length(antenna, "right_of_centre") or 0.0,
        ),
        hitch=None
        if hitch is None
        else Hitch(
            antenna_to_hitch_m=length(hitch, "antenna_to_hitch") or 0.0,
            hitch_to_boom_m=length(hitch, "hitch_to_boom") or 0.0,
        ),
        valves=_valves(given["valves"]),
        columns=dict(spec.columns),
        log_options=given["log"],
        set_rate_l_m2=_set_rate(given["rate"]),
        plumbing=_metric(given["plumbing"]),
        products=tuple(product_table(item) for item in given["products"]),
        replay=_metric(_anticipation(given["replay"])),
        gnss_sigma_m=length(antenna, "gnss_sigma"),
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
    if file.is_dir():
        raise MachineError("this is a folder.", file=str(file), hint="Name the machine's TOML file inside it.")
    try:
        data = file.read_bytes()
    except FileNotFoundError as error:
        raise MachineError("there is no such machine file.", file=str(file), hint="Check the path.") from error
    except OSError as error:
        raise MachineError(f"cannot be read ({error.strerror}).", file=str(file)) from error
    if not data.strip():
        raise MachineError("the file is empty.", file=file.name, hint="It needs at least name and a [boom] table.")
    return data


def _boom(boom: Mapping[str, Any]) -> Boom:
    widths = boom.get("section_widths_m")
    if widths is None and "section_widths_ft" in boom:
        widths = [item * M_PER_FT for item in boom["section_widths_ft"]]
    if widths is not None:
        edges = np.array([0.0, *accumulate(widths)], dtype=np.float64)
        return Boom(nozzle_edges_m=edges - edges[-1] / 2, sections=(1,) * len(widths))
    sections = boom.get("sections")
    spacing, width = length(boom, "nozzle_spacing"), length(boom, "width")
    count = boom.get("nozzle_count")
    if count is None and sections is not None:
        count = sum(sections)
    if count is None:
        count = round(width / spacing) if width is not None and spacing is not None else 1
    if spacing is None:
        spacing = (width or 0.0) / count
    edges = (np.arange(count + 1, dtype=np.float64) - count / 2) * spacing
    return Boom(nozzle_edges_m=edges, sections=tuple(sections) if sections is not None else (count,))


def _anticipation(table: Mapping[str, Any]) -> dict[str, Any]:
    """``look_ahead_s`` stands for both of its kinds, unless they are given."""
    out = dict(table)
    both = out.pop("look_ahead_s", None)
    if both is not None:
        out.setdefault("look_ahead_on_s", both)
        out.setdefault("look_ahead_off_s", both)
    return out


def _valves(table: Mapping[str, Any]) -> Valves:
    return Valves(**_anticipation(table))


def _set_rate(table: Mapping[str, Any]) -> float | None:
    """Set rate in L/m2."""
    if "set_rate_l_ha" in table:
        return float(table["set_rate_l_ha"]) / 1e4
    if "set_rate_gal_ac" in table:
        return float(table["set_rate_gal_ac"]) * L_PER_GAL / M2_PER_AC
    return None


_METRIC = {
    "length_ft": ("length_m", M_PER_FT),
    "widths_ft": ("widths_m", M_PER_FT),
    "inner_diameter_in": ("inner_diameter_mm", M_PER_IN * 1e3),
    "dead_end_diameter_in": ("dead_end_diameter_mm", M_PER_IN * 1e3),
    "dead_end_length_in": ("dead_end_length_m", M_PER_IN),
    "held_gal": ("held_l", L_PER_GAL),
    "tank_gal": ("tank_l", L_PER_GAL),
    "rinse_tank_gal": ("rinse_tank_l", L_PER_GAL),
    "residual_gal": ("residual_l", L_PER_GAL),
    "nozzle_flow_gal_min": ("nozzle_flow_l_min", L_PER_GAL),
}


def _metric(table: Mapping[str, Any]) -> dict[str, Any]:
    """The same table under metric keys."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        if key in _METRIC:
            name, factor = _METRIC[key]
            out[name] = [item * factor for item in value] if isinstance(value, list) else value * factor
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            out[key] = [_metric(item) for item in value]
        else:
            out[key] = value
    return out
