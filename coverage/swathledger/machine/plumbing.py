"""The plumbing of a machine: what stands between the tank and the nozzles, SI."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from swathledger.errors import MachineError
from swathledger.machine.keys import key, refuse_outside
from swathledger.notes import Note

Carries = Literal["all", "section", "boom"]
BoomFeed = Literal["end", "centre"]

L_PER_M3 = 1000.0


def line_volume_l(inner_diameter_m: float, length_m: float) -> float:
    """Volume that a full line holds, L: ``1000 * pi / 4 * d**2 * length``.

    Parameters
    ----------
    inner_diameter_m, length_m : float
        Metres; both above zero.

    Raises
    ------
    MachineError
        Where one of them is not a positive number.

    Notes
    -----
    Elementary geometry; agrees with the published hose table of the National Wildfire Coordinating Group (Water
    Handling Unit estimates, Table 3.1) to its rounding.

    Examples
    --------
    >>> round(line_volume_l(0.0254, 30.48), 3)
    15.444
    """
    for name, value in (("inner_diameter_m", inner_diameter_m), ("length_m", length_m)):
        if not 0 < value < math.inf:
            raise MachineError(f"a line's size must be a positive number, found {value!r}.", column=name)
    return L_PER_M3 * math.pi / 4.0 * inner_diameter_m**2 * length_m


@dataclass(frozen=True, slots=True)
class PlumbingLine:
    """One kind of line.

    ``section`` is None where every section has one (always so for ``carries = "all"``), ``count`` None for one, or for
    one to each section; ``recirculated``: whether a recirculating boom sends its content back to the tank.
    """

    name: str = key("what to call it", "")
    inner_diameter_m: float = key(
        "bore, 2 to 500 mm", above=0, needed=True, likely=(0.002, 0.5), file="inner_diameter_mm"
    )
    length_m: float = key("of one of them", above=0, needed=True)
    carries: Carries = key(
        "which flow passes through: the whole boom's (suction, main hose), one section's (hose from its valve), or "
        "that of the nozzles along it, which draw off (pipe)",
        "all",
    )
    section: int | None = key("the section it serves, 1 from the left", least=1)
    count: int | None = key("how many there are in all", least=1)
    recirculated: bool | None = key("whether it returns to the tank")

    def __post_init__(self) -> None:
        line_volume_l(self.inner_diameter_m, self.length_m)  # raises where a size is wrong
        refuse_outside(self, MachineError)
        if self.carries == "all" and self.section is not None:
            raise MachineError(
                f"line {self.name!r} belongs to section {self.section} but carries the flow of all.",
                hint='Set carries = "section" (hose to the section) or "boom" (pipe with the nozzles).',
            )

    @property
    def volume_l(self) -> float:
        """Volume of one such line, L."""
        return line_volume_l(self.inner_diameter_m, self.length_m)


@dataclass(frozen=True, slots=True)
class Plumbing:
    """All that holds liquid between the tank and the nozzles. None is "not known", never zero.

    Attributes
    ----------
    sections : tuple of int
        Nozzles per section, left to right.
    assumptions : tuple of Note
        What was taken for granted in reading the table.
    """

    sections: tuple[int, ...] = (1,)
    recirculates: bool | None = key("the boom returns to the tank with the nozzles shut", file="recirculating")
    lines: tuple[PlumbingLine, ...] = key("kinds of line", ())
    held_l: float | None = key("held in sump, pump and filters; the whole flow passes through it", least=0)
    dead_ends: int | tuple[int, ...] | None = key(
        "ends that flow passes by", least=0, shown="count, or one per section"
    )
    dead_end_length_m: float | None = key("of one dead end", above=0)
    dead_end_diameter_m: float | None = key("its bore", above=0, file="dead_end_diameter_mm")
    tank_l: float | None = key("product tank", above=0)
    rinse_tank_l: float | None = key("clean-water tank", above=0)
    residual_l: float | None = key("what the tank cannot pump out", least=0)
    boom_feed: BoomFeed = key("where a section's pipe is fed", "centre")
    nozzle_body_l: float | None = key(
        "held between pipe and orifice of one nozzle: what even a recirculating boom must push out",
        least=0,
        file="nozzle_body_ml",
    )
    nozzle_flow_l_s: float | None = key("flow of one nozzle", above=0)
    assumptions: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        if not self.sections or any(count < 1 for count in self.sections):
            raise MachineError(f"sections must hold at least one nozzle each, found {list(self.sections)}.")
        refuse_outside(self, MachineError)
        fault = self.line_fault() or self.dead_end_fault()
        if fault is not None:
            raise MachineError(fault[1], column=fault[0])

    def dead_end_fault(self) -> tuple[str, str] | None:
        """Key and words where the dead ends do not fit the sections."""
        if not isinstance(self.dead_ends, tuple) or len(self.dead_ends) == len(self.sections):
            return None
        return "dead_ends", (
            f"found {len(self.dead_ends)} counts; give one number for all sections, or one for each of the "
            f"{len(self.sections)}."
        )

    def line_fault(self) -> tuple[str, str] | None:
        """Key and words where a line does not fit the sections."""
        k = len(self.sections)
        for line in self.lines:
            if line.section is not None and not 1 <= line.section <= k:
                return "lines", f"line {line.name!r} serves section {line.section}, the boom has 1 to {k}."
            if line.carries == "section" and line.section is None and line.count is not None and line.count % k:
                return "lines", (
                    f"line {line.name!r}: {line.count} hoses cannot be shared out evenly over {k} sections; give each "
                    "section's hose its own entry with section = 1, 2, ..."
                )
        return None

    @property
    def nozzle_count(self) -> int:
        """Number of nozzles."""
        return sum(self.sections)

    def section_volume_l(self, line: PlumbingLine, index: int) -> float:
        """Content of ``line`` that lies in section ``index`` (from 0), L; 0 for lines that carry all."""
        if line.carries == "all" or line.section not in (None, index + 1):
            return 0.0
        if line.section is not None or line.count is None:
            return line.volume_l * (line.count or 1)
        if line.carries == "boom":  # boom pipe is shared out by nozzles: one long pipe, or one to each section
            return line.volume_l * line.count * self.sections[index] / self.nozzle_count
        return line.volume_l * line.count / len(self.sections)

    def line_count(self, line: PlumbingLine) -> int:
        """How many lines of this kind there are in all."""
        if line.count is not None:
            return line.count
        return len(self.sections) if line.carries != "all" and line.section is None else 1

    def line_total_l(self, line: PlumbingLine) -> float:
        """Content of all lines of this kind, L."""
        if line.carries == "all":
            return line.volume_l * (line.count or 1)
        return sum(self.section_volume_l(line, index) for index in range(len(self.sections)))

    @property
    def lines_l(self) -> float | None:
        """Content of all lines, L; None where no line is given."""
        return math.fsum(self.line_total_l(line) for line in self.lines) if self.lines else None

    @property
    def nozzle_bodies_l(self) -> float | None:
        """Content of all nozzle bodies, L; None where not given."""
        return None if self.nozzle_body_l is None else self.nozzle_body_l * self.nozzle_count

    @property
    def swept_l(self) -> float | None:
        """What flow displaces: lines, held volume and nozzle bodies where given, L, without dead ends.

        None where neither lines nor a held volume are given.
        """
        if not self.lines and self.held_l is None:
            return None
        return (self.lines_l or 0.0) + (self.held_l or 0.0) + (self.nozzle_bodies_l or 0.0)

    @property
    def dead_end_count(self) -> int | None:
        """Dead ends of all sections; None where the file does not say."""
        if isinstance(self.dead_ends, tuple):
            return sum(self.dead_ends)
        return None if self.dead_ends is None else self.dead_ends * len(self.sections)

    @property
    def dead_end_l(self) -> float | None:
        """Content of all dead ends, L; 0 where the file says there are none, None where it does not say."""
        count = self.dead_end_count
        if not count:
            return None if count is None else 0.0
        if self.dead_end_length_m is None or self.dead_end_diameter_m is None:
            return None
        return count * line_volume_l(self.dead_end_diameter_m, self.dead_end_length_m)


def plumbing_of(given: Mapping[str, Any], sections: tuple[int, ...], unsaid: Sequence[int] = ()) -> Plumbing:
    """The plumbing of a file, with what was taken for granted in reading it.

    Parameters
    ----------
    given : mapping
        Fields that the file gives.
    unsaid : sequence of int
        Positions of the lines whose ``carries`` is not given.

    Raises
    ------
    MachineError
        Lines or dead ends do not fit the sections.
    """
    lines = tuple(
        line if line.name else replace(line, name=f"line {number}")
        for number, line in enumerate(given.get("lines", ()), start=1)
    )
    notes = []
    if unsaid:
        notes.append(Note.of("plumbing.whole_flow", lines=tuple(lines[index].name for index in unsaid)))
    if any(line.carries == "boom" for line in lines):
        if "boom_feed" not in given:
            notes.append(Note.of("plumbing.fed_at_centre"))
    elif lines:
        notes.append(Note.of("plumbing.no_boom_line"))
    return Plumbing(sections, **dict(given) | {"lines": lines}, assumptions=tuple(notes))
