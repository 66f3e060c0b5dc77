"""Logged values of ISO 11783-10 task data as columns: what is understood gets our names, the rest ``DDI n``."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.taskdata_binary import Records, held
from swathledger.log.taskdata_device import SECTION, DeviceElement, left_to_right, offsets_known, sections_below
from swathledger.log.taskdata_xml import Header
from swathledger.notes import Note

Floats = NDArray[np.float64]

SETPOINT_VOLUME_PER_AREA, ACTUAL_VOLUME_PER_AREA = 1, 2
ACTUAL_WORKING_WIDTH, ACTUAL_WORK_STATE = 67, 141
CONDENSED_ACTUAL, CONDENSED_SETPOINT = 161, 290
_BLOCKS, _BLOCK = 16, 16
_INSTALLED_NOT, _UNKNOWN = 3, 9
_MM = 1e-3
#: 0.01 mm3/m2 = 1e-8 L/m2 = 1e-4 L/ha.
_L_HA_PER_RAW = 1e-4

#: Entries of the data dictionary that we know: unit of the column and factor from the raw value.
UNITS: dict[int, tuple[str, float]] = {
    SETPOINT_VOLUME_PER_AREA: ("L/ha", _L_HA_PER_RAW),
    ACTUAL_VOLUME_PER_AREA: ("L/ha", _L_HA_PER_RAW),
    ACTUAL_WORKING_WIDTH: ("m", _MM),
    80: ("L", 1.0),
    116: ("m2", 1.0),
    134: ("m", _MM),
    135: ("m", _MM),
    ACTUAL_WORK_STATE: ("state", 1.0),
}
_OURS = {
    "work_state": (ACTUAL_WORK_STATE,),
    "working_width_m": (ACTUAL_WORKING_WIDTH,),
    "rate_l_ha": (ACTUAL_VOLUME_PER_AREA, SETPOINT_VOLUME_PER_AREA),
}
_STATE_COLUMNS = ("work_state", "master", "section", "nozzle")
_TOLD = {
    "work_state": "log.ddi_work_state", "working_width_m": "log.ddi_working_width", "rate_l_ha": "log.ddi_rate",
}  # fmt: skip


@dataclass(slots=True)
class Columns:
    """Columns of one time log.

    Attributes
    ----------
    values : dict of str to (n,) float64
        NaN where nothing is known yet.
    others : list of str
        Headers of values that nobody asked for.
    sections : list of DeviceElement
        Described sections that the states stand for, left to right; [] where the description names none.
    notes : list of Note
    """

    values: dict[str, Floats] = field(default_factory=dict)
    others: list[str] = field(default_factory=list)
    sections: list[DeviceElement] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


class _Source:
    """Values of one time log, found by data dictionary entry and device element."""

    def __init__(self, header: Header, records: Records) -> None:
        self._records = records
        self._where: dict[tuple[int, str], tuple[list[int], int | None]] = {}
        for index, item in enumerate(header.values):
            indices, fixed = self._where.setdefault((item.ddi, item.element), ([], item.fixed))
            indices.append(index)
            self._where[item.ddi, item.element] = (indices, item.fixed if fixed is None else fixed)

    @property
    def pairs(self) -> list[tuple[int, str]]:
        return list(self._where)

    def elements(self, ddi: int) -> list[str]:
        return [element for number, element in self._where if number == ddi]

    def raw(self, ddi: int, element: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        indices, fixed = self._where[ddi, element]
        return held(self._records, indices, fixed)

    def numbers(self, ddi: int, element: str) -> Floats:
        values, known = self.raw(ddi, element)
        scaled: Floats = np.where(known, values * UNITS.get(ddi, ("", 1.0))[1], np.nan)
        return scaled

    def is_logged(self, ddi: int, element: str) -> bool:
        return bool(self.raw(ddi, element)[1].any())


def build_columns(
    header: Header, records: Records, elements: Mapping[str, DeviceElement], mapped: Mapping[str, str], file: str
) -> Columns:
    """Turn the logged values of a time log into columns.

    Parameters
    ----------
    elements : mapping
        Device elements; empty where there is no device description.
    mapped : mapping
        The user's columns: our name to a header such as ``"DDI 116"``. What is named so is not chosen by itself.

    Raises
    ------
    LogError
        Several device elements log a work state, and nothing tells which of them is meant.
    """
    source = _Source(header, records)
    out = Columns()
    given = {name.strip().casefold() for name in mapped}
    from_states = any(name == word or name.startswith(f"{word}_") for name in given for word in _STATE_COLUMNS[2:])
    told: list[Note] = []
    used: set[tuple[int, str]] = set()
    owner = None if from_states else _sections(source, elements, out, told, used, file)
    for name, entries in _OURS.items():
        if name in given or (name == "work_state" and "master" in given):
            continue
        for ddi in entries:
            element = _pick(source, ddi, elements, owner, out, file)
            if element is None:
                continue
            out.values[name] = source.numbers(ddi, element)
            used.add((ddi, element))
            code = "log.ddi_set_rate" if ddi == SETPOINT_VOLUME_PER_AREA else _TOLD[name]
            told.append(Note.of(code, ddi=ddi, element=element))
            break
    if told:
        out.notes.append(Note.of("log.ddi_used", file=file, found=tuple(told)))
    _others(source, elements, out, used, {header.strip().casefold() for header in mapped.values()})
    return out


def _sections(
    source: _Source,
    elements: Mapping[str, DeviceElement],
    out: Columns,
    told: list[Note],
    used: set[tuple[int, str]],
    file: str,
) -> str | None:
    """Add section states; returns the element whose sections they are (or, where none is above them, the first)."""
    for base, word in ((CONDENSED_ACTUAL, "actual"), (CONDENSED_SETPOINT, "setpoint")):
        blocks = range(base, base + _BLOCKS)
        owners = dict.fromkeys(e for ddi, e in source.pairs if ddi in blocks and source.is_logged(ddi, e))
        if not owners:
            continue
        order = _ranked(list(owners), elements)
        if len(order) > 1:
            out.notes.append(Note.of("log.several_condensed", file=file, elements=tuple(order), used=order[0]))
        codes = _condensed(source, base, order[0])
        if word == "setpoint":
            codes = _no_change(codes)
            out.notes.append(Note.of("log.setpoint_states", file=file))
        used.update((ddi, order[0]) for ddi in blocks)
        count = _add_codes(codes, out, file)
        out.sections = sections_below(elements, order[0])
        if out.sections and len(out.sections) != count:
            described = len(out.sections)
            out.notes.append(
                Note.of("log.other_count", file=file, recorded=count, described=described, element=order[0])
            )
        numbers = [ddi for ddi in blocks if order[0] in source.elements(ddi)]
        code = "log.ddi_sections" if word == "actual" else "log.ddi_set_sections"
        told.append(Note.of(code, count=count, ddi=tuple(numbers), element=order[0]))
        return order[0]
    single = [e for e in source.elements(ACTUAL_WORK_STATE) if e in elements and elements[e].kind == SECTION]
    single = [e for e in single if source.is_logged(ACTUAL_WORK_STATE, e)]
    if not single:
        return None
    devices = [elements[e].device for e in single]
    if len(set(devices)) > 1:
        most = max(dict.fromkeys(devices), key=devices.count)
        several = tuple(dict.fromkeys(devices))
        out.notes.append(Note.of("log.several_devices", file=file, devices=several, used=most))
        single = [e for e in single if elements[e].device == most]
    out.sections = left_to_right([elements[e] for e in single])
    if len(single) > 1 and not offsets_known(out.sections):
        out.notes.append(Note.of("log.sections_by_number", file=file))
    values = [source.raw(ACTUAL_WORK_STATE, item.id) for item in out.sections]
    codes = np.stack([np.where(known, raw, _UNKNOWN) for raw, known in values], axis=1)
    _add_codes(codes, out, file)
    used.update((ACTUAL_WORK_STATE, e) for e in single)
    ids = tuple(item.id for item in out.sections)
    told.append(Note.of("log.ddi_single_sections", count=len(single), ddi=ACTUAL_WORK_STATE, elements=ids))
    return out.sections[0].parent or out.sections[0].id


def _condensed(source: _Source, base: int, element: str) -> NDArray[np.int64]:
    """(n, 256) codes, left to right: two bits a child, the left-most in the lowest; 9 where nothing is known yet."""
    parts = []
    for ddi in range(base, base + _BLOCKS):
        if element not in source.elements(ddi):
            continue
        raw, known = source.raw(ddi, element)
        bits = (raw[:, None] >> (2 * np.arange(_BLOCK))) & 3
        at = (ddi - base) * _BLOCK
        whole = np.full((raw.size, at + _BLOCK), _INSTALLED_NOT, np.int64)
        whole[:, at:] = np.where(known[:, None], bits, _UNKNOWN)
        parts.append(whole)
    widest = max(part.shape[1] for part in parts)
    codes = np.full((parts[0].shape[0], widest), _INSTALLED_NOT, np.int64)
    for part in parts:
        codes[:, part.shape[1] - _BLOCK : part.shape[1]] = part[:, -_BLOCK:]
    return codes


def _no_change(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Setpoints, where 11 means no change: the last one that was a change; 11 stays where there never is one."""
    out = codes.copy()
    rows = np.arange(codes.shape[0])
    for column in range(codes.shape[1]):
        change = codes[:, column] < _INSTALLED_NOT
        if not change.any():
            continue
        last = np.maximum.accumulate(np.where(change, rows, -1))
        out[:, column] = np.where(last >= 0, codes[last, column], _UNKNOWN)
    return out


def _add_codes(codes: NDArray[np.int64], out: Columns, file: str) -> int:
    """Columns ``section_1`` .. from codes; positions that are never installed are left out. Returns how many."""
    installed = ((codes != _INSTALLED_NOT) & (codes != _UNKNOWN)).any(axis=0)
    positions = np.flatnonzero(installed)
    if positions.size and positions[-1] + 1 != positions.size:
        absent = tuple(at + 1 for at in range(int(positions[-1])) if not installed[at])
        out.notes.append(Note.of("log.not_installed", file=file, sections=absent))
    for number, at in enumerate(positions.tolist(), start=1):
        state = codes[:, at].astype(np.float64)
        state[codes[:, at] == _UNKNOWN] = np.nan
        if not ((state == 0) | (state == 1)).any():
            out.notes.append(Note.of("log.section_in_error", file=file, section=number))
            state = np.zeros_like(state)
        out.values[f"section_{number}"] = state
    return int(positions.size)


def _ranked(names: list[str], elements: Mapping[str, DeviceElement]) -> list[str]:
    """Nearest to the device first, then by element number; what is not described keeps its place at the end."""

    def key(item: tuple[int, str]) -> tuple[int, int, int]:
        found = elements.get(item[1])
        return (found.depth, found.number, item[0]) if found else (99, 0, item[0])

    return [name for _, name in sorted(enumerate(names), key=key)]


def _pick(
    source: _Source, ddi: int, elements: Mapping[str, DeviceElement], owner: str | None, out: Columns, file: str
) -> str | None:
    """The element whose value stands for the whole machine; None where none does."""
    names = [e for e in source.elements(ddi) if source.is_logged(ddi, e)]
    names = [e for e in names if e not in elements or elements[e].kind != SECTION]
    if owner is not None and owner in elements:  # only the device that the sections belong to
        names = [e for e in names if e not in elements or elements[e].device == elements[owner].device]
    if not names:
        return None
    if len(names) > 1 and ddi == ACTUAL_WORK_STATE and not elements and owner is None:
        raise LogError(
            f"the work state (DDI {ddi}) of {len(names)} device elements is recorded ({', '.join(names)}), and there "
            "is no device description to tell which are sections.",
            file=file,
            hint=f'Put TASKDATA.XML beside it, or map one: [columns] work_state = "DDI {ddi} {names[0]}".',
        )
    order = _ranked(names, elements)
    if owner in order:
        order = [owner, *(name for name in order if name != owner)]
    if len(order) > 1:
        out.notes.append(
            Note.of("log.several_elements", file=file, ddi=ddi, elements=tuple(order), used=order[0], other=order[-1])
        )
    return order[0]


def _others(
    source: _Source,
    elements: Mapping[str, DeviceElement],
    out: Columns,
    used: set[tuple[int, str]],
    asked: Collection[str],
) -> None:
    """Every value that has no name of ours, and those the user asks for by number."""
    for ddi, element in source.pairs:
        full = f"DDI {ddi} {element}"
        alone = len(source.elements(ddi)) == 1
        short = f"DDI {ddi}" if alone else full
        if short.casefold() in asked:
            out.values[short] = source.numbers(ddi, element)
        elif (ddi, element) not in used:
            out.others.append(short)  # named only: there may be hundreds, each as long as the log
        if alone and full.casefold() in asked:
            out.values[full] = source.numbers(ddi, element)
        shown = elements[element].presentations.get(ddi) if element in elements else None
        if shown is None or not shown.unit:
            continue
        raw, known = source.raw(ddi, element)
        for name in dict.fromkeys((f"{short} {shown.unit}", f"{full} {shown.unit}")):
            if name.casefold() in asked:
                out.values[name] = np.where(known, (raw + shown.offset) * shown.scale, np.nan)
