"""Carriers of the plumbing stage: what stands between the tank and the nozzles, SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from swathledger.errors import MachineError
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
class Line:
    """One kind of line.

    Attributes
    ----------
    name : str
    inner_diameter_m, length_m : float
        Of one such line, m.
    carries : {"all", "section", "boom"}
        ``"all"``: the flow of the whole boom passes through it (suction, main hose). ``"section"``: the hose from a
        valve to one section. ``"boom"``: the pipe along which the nozzles of a section draw off.
    section : int or None
        Section served, from 1 at the left; None: every section (always None for ``"all"``).
    count : int or None
        How many there are in all. None: one, or one to each section where ``section`` is None.
    recirculated : bool or None
        Whether a recirculating boom sends this line's content back to the tank. None: not stated.
    """

    name: str
    inner_diameter_m: float
    length_m: float
    carries: Carries = "all"
    section: int | None = None
    count: int | None = None
    recirculated: bool | None = None

    def __post_init__(self) -> None:
        line_volume_l(self.inner_diameter_m, self.length_m)  # raises where a size is wrong
        if self.count is not None and self.count < 1:
            raise MachineError(f"line {self.name!r}: count must be at least 1, found {self.count}.")
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
    lines : tuple of Line
    held_l : float or None
        Content of sump, pump and filters, L; the whole flow passes through it.
    dead_ends : tuple of int or None
        Dead ends per section, left to right.
    dead_end_volume_l : float or None
        Content of one dead end, L.
    recirculates : bool or None
        Whether the boom can return its content to the tank with the nozzles shut.
    boom_feed : {"end", "centre"}
        Where a section's pipe is fed.
    nozzle_body_l : float or None
        Content between pipe and orifice of one nozzle, L: what even a recirculating boom must push out.
    tank_l, rinse_tank_l : float or None
        Sizes of the tanks, L.
    residual_l : float or None
        What the tank itself cannot pump out, L.
    nozzle_flow_l_s : float or None
        Flow of one nozzle, L/s.
    assumptions : tuple of Note
        What was taken for granted in reading the table, as plain sentences.
    """

    sections: tuple[int, ...]
    lines: tuple[Line, ...] = ()
    held_l: float | None = None
    dead_ends: tuple[int, ...] | None = None
    dead_end_volume_l: float | None = None
    recirculates: bool | None = None
    boom_feed: BoomFeed = "centre"
    nozzle_body_l: float | None = None
    tank_l: float | None = None
    rinse_tank_l: float | None = None
    residual_l: float | None = None
    nozzle_flow_l_s: float | None = None
    assumptions: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        if not self.sections or any(count < 1 for count in self.sections):
            raise MachineError(f"sections must hold at least one nozzle each, found {list(self.sections)}.")
        for name in ("held_l", "dead_end_volume_l", "nozzle_body_l", "residual_l"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < math.inf:
                raise MachineError(f"must not be negative, found {value!r}.", column=name)
        for name in ("tank_l", "rinse_tank_l", "nozzle_flow_l_s"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise MachineError(f"must be a positive number, found {value!r}.", column=name)
        if self.dead_ends is not None and len(self.dead_ends) != len(self.sections):
            raise MachineError(
                f"dead_ends has {len(self.dead_ends)} numbers, the boom has {len(self.sections)} sections.",
                column="dead_ends",
            )
        for line in self.lines:
            self._check_line(line)

    def _check_line(self, line: Line) -> None:
        k = len(self.sections)
        if line.section is not None and not 1 <= line.section <= k:
            raise MachineError(f"line {line.name!r} serves section {line.section}, the boom has 1 to {k}.")
        if line.carries == "section" and line.section is None and line.count is not None and line.count % k:
            raise MachineError(
                f"line {line.name!r}: {line.count} hoses cannot be shared out evenly over {k} sections.",
                hint="Give each section's hose its own entry with section = 1, 2, ...",
            )

    @property
    def nozzle_count(self) -> int:
        """Number of nozzles."""
        return sum(self.sections)

    def section_volume_l(self, line: Line, index: int) -> float:
        """Content of ``line`` that lies in section ``index`` (from 0), L; 0 for lines that carry all."""
        if line.carries == "all" or line.section not in (None, index + 1):
            return 0.0
        if line.section is not None or line.count is None:
            return line.volume_l * (line.count or 1)
        if line.carries == "boom":  # boom pipe is shared out by nozzles: one long pipe, or one to each section
            return line.volume_l * line.count * self.sections[index] / self.nozzle_count
        return line.volume_l * line.count / len(self.sections)

    def line_count(self, line: Line) -> int:
        """How many lines of this kind there are in all."""
        if line.count is not None:
            return line.count
        return len(self.sections) if line.carries != "all" and line.section is None else 1

    def line_total_l(self, line: Line) -> float:
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
    def dead_end_l(self) -> float | None:
        """Content of all dead ends, L; 0 where the file says there are none, None where it does not say."""
        if self.dead_ends is None:
            return None
        count = sum(self.dead_ends)
        if count == 0:
            return 0.0
        return None if self.dead_end_volume_l is None else count * self.dead_end_volume_l
