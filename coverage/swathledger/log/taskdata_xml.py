"""The XML side of ISO 11783-10 task data: tasks with their time logs, and the header of one time log.

Elements and attributes bear the standard's short names: TSK a task, TLG a time log, TIM a time, PTN a position, DLV a
data log value, DVC a device, XFR a reference to a further XML file of the same folder.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from swathledger.errors import LogError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

ROOT = "ISO11783_TaskData"
_INT32 = 1 << 31
MAIN_FILE = "TASKDATA.XML"
#: Names of files that task data may refer to: three letters and five digits, so no path can hide in one.
_NAME = re.compile(r"^[A-Za-z]{3}\d{5}$")
TIME_LOG_NAME = re.compile(r"^TLG\d{5}$", re.IGNORECASE)

#: Attributes of PTN that a record may hold, in the order of the standard: our name and little-endian type.
#: Types and the steps of C (mm), E and F (0.1) are from memory; A, B and D are seen in recorded data.
_POSITION: dict[str, tuple[str, str]] = {
    "A": ("latitude", "<i4"),
    "B": ("longitude", "<i4"),
    "C": ("up", "<i4"),
    "D": ("status", "u1"),
    "E": ("pdop", "<u2"),
    "F": ("hdop", "<u2"),
    "G": ("satellites", "u1"),
    "H": ("utc_ms", "<u4"),
    "I": ("utc_days", "<u2"),
}


@dataclass(frozen=True, slots=True)
class LoggedValue:
    """One DLV of a header.

    Attributes
    ----------
    ddi : int
        Number in the data dictionary (ISO 11783-11).
    element : str
        Identifier of the device element, e.g. ``"DET-2"``.
    fixed : int or None
        The value, where it is the same in all records and stands in the header.
    """

    ddi: int
    element: str
    fixed: int | None = None


@dataclass(frozen=True, slots=True)
class Header:
    """What each record of a time log holds.

    Attributes
    ----------
    file : str
        Name of the header file.
    fields : tuple of (str, str)
        Name and numpy type of the fixed part of a record, in order; ``ms`` and ``days`` come first.
    constants : dict of str to float
        Position fields that are the same in all records, in their own unit (degrees, code).
    values : tuple of LoggedValue
        In the order that a record's indices count.
    """

    file: str
    fields: tuple[tuple[str, str], ...]
    constants: dict[str, float]
    values: tuple[LoggedValue, ...]


@dataclass(frozen=True, slots=True)
class Task:
    """A task and its time logs: ``times`` as written, first start and last end ("" where not given)."""

    name: str
    designator: str
    times: tuple[str, str]
    time_logs: tuple[str, ...]

    def words(self) -> str:
        """For a message: name, times and time logs."""
        title = f"{self.name} {self.designator!r}" if self.designator else self.name
        when = " to ".join(filter(None, self.times)) or "time not given"
        return f"{title} ({when}; {', '.join(self.time_logs)})"


def parse(path: Path) -> Element:
    """Root of an XML file; anything that a parser might be made to expand or to fetch is refused.

    Raises
    ------
    LogError
        Not XML (with line and column), or it declares a document type or entities.
    """
    from xml.etree.ElementTree import ParseError

    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import parse as parse_safely

    try:
        tree = parse_safely(path, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except DefusedXmlException as error:
        raise LogError(
            "declares a document type or entities, which task data has no use for; it is not read.",
            file=path.name,
            hint="Take the file as the task controller wrote it.",
        ) from error
    except ParseError as error:
        line, column = error.position
        raise LogError(
            f"is not well-formed XML at line {line}, column {column + 1} ({error}).",
            file=path.name,
            hint="It may have been cut short: copy it again.",
        ) from error
    except (OSError, LookupError, ValueError) as error:
        raise LogError(f"cannot be read: {error}.", file=path.name) from error
    root: Element | None = tree.getroot()
    if root is None:  # pragma: no cover - a parser that found no root has raised
        raise LogError("holds no XML element.", file=path.name)
    return root


def sibling(folder: Path, name: str) -> Path | None:
    """A file of a folder by its name, in whatever case a memory stick wrote it."""
    exact = folder / name
    if exact.is_file():
        return exact
    fold = name.casefold()
    try:
        found = sorted(path for path in folder.iterdir() if path.name.casefold() == fold and path.is_file())
    except OSError:
        return None
    return found[0] if found else None


def main_file(folder: Path) -> Path | None:
    """TASKDATA.XML of a folder, or of the folder TASKDATA in it."""
    here = sibling(folder, MAIN_FILE)
    if here is not None:
        return here
    try:
        below = sorted(path for path in folder.iterdir() if path.name.casefold() == "taskdata" and path.is_dir())
    except OSError:
        return None
    return next((found for path in below if (found := sibling(path, MAIN_FILE)) is not None), None)


def read_main(path: Path) -> tuple[Element, tuple[Path, ...]]:
    """Root of TASKDATA.XML with what it refers to (XFR) put in, and all files read.

    Raises
    ------
    LogError
        Not task data, or a file that it refers to is missing.
    """
    root = parse(path)
    if root.tag != ROOT:
        raise LogError(f"is XML, but no task data: its root is {root.tag!r}, not {ROOT!r}.", file=path.name)
    files = [path]
    for reference in root.findall("XFR"):
        name = reference.get("A", "")
        part = sibling(path.parent, f"{name}.XML") if _NAME.match(name) else None
        if part is None:
            raise LogError(
                f"refers to the file {name!r}, and there is no {name}.XML beside it.",
                file=path.name,
                hint="Copy the whole TASKDATA folder.",
            )
        root.extend(list(parse(part)))
        files.append(part)
    return root, tuple(files)


def tasks_of(root: Element) -> tuple[Task, ...]:
    """Tasks that have time logs, in the order of the file."""
    found = []
    for number, task in enumerate(root.findall("TSK"), start=1):
        names = [name for log in task.findall("TLG") if TIME_LOG_NAME.match(name := log.get("A", ""))]
        if not names:
            continue
        effective = [time for time in task.findall("TIM") if time.get("D") == "4"] or task.findall("TIM")
        starts = sorted(text for time in effective if (text := time.get("A")))
        ends = sorted(text for time in effective if (text := time.get("B")))
        times = (starts[0] if starts else "", ends[-1] if ends else "")
        found.append(Task(task.get("A", f"task {number}"), task.get("B", "").strip(), times, tuple(names)))
    return tuple(found)


def read_header(path: Path) -> Header:
    """Header of a time log: which fields a record has.

    An attribute that is there but empty (``A=""``) is a field of every record; one with a value holds for all; one
    that is absent is not recorded.

    Raises
    ------
    LogError
        Not such a header, or it asks for fields whose layout is not known.
    """
    time = parse(path)
    if time.tag != "TIM":
        raise LogError(f"is no header of a time log: its root is {time.tag!r}, not 'TIM'.", file=path.name)
    if time.get("A") != "":
        raise LogError(
            f"TIM A is {time.get('A')!r}; it must be empty, for each record to have its own time.", file=path.name
        )
    for name in ("B", "C"):
        if time.get(name) == "":
            raise LogError(f"TIM {name} is empty: records with a stop or a duration are not known.", file=path.name)
    fields: list[tuple[str, str]] = [("ms", "<u4"), ("days", "<u2")]
    constants: dict[str, float] = {}
    position = time.find("PTN")
    for letter, (ours, kind) in _POSITION.items():
        text = None if position is None else position.get(letter)
        if text == "":
            fields.append((ours, kind))
        elif text is not None:
            constants[ours] = _number(text, f"PTN {letter}", path.name)
    values = tuple(_logged(item, number, path.name) for number, item in enumerate(time.findall("DLV")))
    return Header(path.name, tuple(fields), constants, values)


def _logged(item: Element, number: int, file: str) -> LoggedValue:
    ddi, text = hexadecimal(item.get("A", "")), item.get("B", "")
    if ddi is None:
        raise LogError(
            f"DLV {number} (counted from 0) has A={item.get('A')!r}; an entry of the data dictionary is a hexadecimal "
            "number.",
            file=file,
        )
    fixed = int(_number(text, f"DLV {number} B", file)) if text else None
    if fixed is not None and not -_INT32 <= fixed < _INT32:
        raise LogError(f"DLV {number} B is {text!r}; a value is a whole number of 32 bits.", file=file)
    return LoggedValue(ddi, item.get("C", ""), fixed)


def hexadecimal(text: str) -> int | None:
    """A number such as ``008D``; None where it is none."""
    return int(text, 16) if re.fullmatch(r"[0-9A-Fa-f]{1,4}", text) else None


def _number(text: str, what: str, file: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise LogError(f"{what} is {text[:40]!r}, which is no number.", file=file)
    return value
