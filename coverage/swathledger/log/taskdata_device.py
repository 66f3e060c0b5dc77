"""The device description of ISO 11783-10 task data: device elements, what they are, where and how wide.

It never replaces the machine file: it tells which of a log's values belong to which section, and is compared with the
machine that was given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from swathledger.log.taskdata_xml import hexadecimal
from swathledger.notes import Note

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

SECTION = 4
_KINDS = {1: "device", 2: "function", 3: "bin", 4: "section", 5: "unit", 6: "connector", 7: "navigation reference"}
_WIDTH, _OFFSET_X, _OFFSET_Y = 67, 134, 135
_M_PER_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Presentation:
    """How a device shows a value: ``(raw + offset) * scale`` in ``unit``, under a name."""

    name: str
    offset: float
    scale: float
    unit: str


@dataclass(frozen=True, slots=True)
class DeviceElement:
    """One DET.

    Attributes
    ----------
    id : str
        As time logs refer to it.
    device : str
        Identifier and designator of its device.
    number, kind : int
        Element number and type (4: section).
    name : str
    parent : str or None
        Identifier of the element above it.
    depth : int
        Elements above it.
    properties : dict of int to int
        Fixed properties (DPT) by their number in the data dictionary, raw.
    presentations : dict of int to Presentation
    """

    id: str
    device: str
    number: int
    kind: int
    name: str
    parent: str | None = None
    depth: int = 0
    properties: Mapping[int, int] = field(default_factory=dict)
    presentations: Mapping[int, Presentation] = field(default_factory=dict)

    @property
    def kind_word(self) -> str:
        """Type in words."""
        return _KINDS.get(self.kind, f"element of type {self.kind}")

    def metres(self, ddi: int) -> float | None:
        """A fixed property in mm as metres."""
        raw = self.properties.get(ddi)
        return None if raw is None else raw * _M_PER_MM

    def words(self) -> str:
        """For a message: type, identifier, name, and the offsets and width it states."""
        text = f"{self.kind_word} {self.id}" + (f" {self.name!r}" if self.name else "")
        facts = [
            f"{label} {value:g} m"
            for label, ddi in (("width", _WIDTH), ("x", _OFFSET_X), ("y", _OFFSET_Y))
            if (value := self.metres(ddi)) is not None
        ]
        return f"{text} ({', '.join(facts)})" if facts else text


def elements_of(root: Element) -> dict[str, DeviceElement]:
    """All device elements of a file, by identifier, in the order of the file."""
    found: dict[str, DeviceElement] = {}
    for device in root.findall("DVC"):
        for item in _device(device):
            found.setdefault(item.id, item)
    return found


def _device(device: Element) -> list[DeviceElement]:
    title = device.get("A", "") + (f" {name!r}" if (name := device.get("B", "").strip()) else "")
    shown = {item.get("A", ""): item for item in device.findall("DVP")}
    processes = {item.get("A", ""): item for item in device.findall("DPD")}
    constants = {item.get("A", ""): item for item in device.findall("DPT")}
    by_object = {item.get("B", ""): item for item in device.findall("DET")}
    out = []
    for item in device.findall("DET"):
        properties: dict[int, int] = {}
        presentations: dict[int, Presentation] = {}
        for reference in item.findall("DOR"):
            key = reference.get("A", "")
            if key in constants:
                ddi, raw = hexadecimal(constants[key].get("B", "")), constants[key].get("C", "")
                if ddi is not None and raw.lstrip("-").isdigit():
                    properties[ddi] = int(raw)
            if key in processes:
                ddi = hexadecimal(processes[key].get("B", ""))
                made = _presentation(processes[key].get("E", ""), shown.get(processes[key].get("F", "")))
                if ddi is not None and made is not None:
                    presentations[ddi] = made
        above = _above(item, by_object)
        out.append(
            DeviceElement(
                id=item.get("A", ""),
                device=title,
                number=_whole(item.get("E", "")),
                kind=_whole(item.get("C", "")),
                name=item.get("D", "").strip(),
                parent=above[0] if above else None,
                depth=len(above),
                properties=properties,
                presentations=presentations,
            )
        )
    return out


def _above(item: Element, by_object: Mapping[str, Element]) -> list[str]:
    """Identifiers of the elements above one, nearest first; a ring of references ends at its first repeat."""
    chain: list[str] = []
    seen = {item.get("B", "")}
    key = item.get("F", "")
    while key in by_object and key not in seen:
        seen.add(key)
        chain.append(by_object[key].get("A", ""))
        key = by_object[key].get("F", "")
    return chain


def _presentation(name: str, item: Element | None) -> Presentation | None:
    if item is None:
        return None
    try:
        offset, scale = float(item.get("B", "0")), float(item.get("C", "1"))
    except ValueError:
        return None
    return Presentation(name.strip(), offset, scale, item.get("E", "").strip())


def _whole(text: str) -> int:
    return int(text) if text.isdigit() else 0


def sections_below(elements: Mapping[str, DeviceElement], parent: str | None) -> list[DeviceElement]:
    """Sections directly below an element, left to right; see `left_to_right`."""
    children = [item for item in elements.values() if item.kind == SECTION and item.parent == parent]
    return left_to_right(children)


def left_to_right(sections: Sequence[DeviceElement]) -> list[DeviceElement]:
    """Sections by y, which the standard counts positive to the right; by element number unless each states its y."""
    by_number = sorted(sections, key=lambda item: item.number)
    offsets = {item.id: item.properties.get(_OFFSET_Y) for item in sections}
    if any(value is None for value in offsets.values()):
        return by_number
    return sorted(by_number, key=lambda item: offsets[item.id] or 0)


def offsets_known(sections: Sequence[DeviceElement]) -> bool:
    """Whether each section states where it is across the machine."""
    return all(_OFFSET_Y in item.properties for item in sections)


def widths_m(sections: Sequence[DeviceElement]) -> tuple[float, ...]:
    """Widths left to right, m; () unless each section states one."""
    found = [item.metres(_WIDTH) for item in sections]
    known = [width for width in found if width is not None]
    return tuple(known) if known and len(known) == len(found) else ()


def describe(elements: Sequence[DeviceElement], sections: Sequence[DeviceElement], file: str) -> list[Note]:
    """What the description says of the elements that a log refers to."""
    told = []
    for device in dict.fromkeys(item.device for item in elements):
        own = [item for item in elements if item.device == device and item not in sections]
        found = [Note.of("said", text=item.words()) for item in own]
        mine = [item for item in sections if item.device == device]
        if mine:
            listed = tuple(Note.of("said", text=item.words()) for item in mine)
            found.append(Note.of("log.sections_described", count=len(mine), sections=listed))
        told.append(Note.of("log.device_described", file=file, device=device, found=tuple(found)))
    return told
