"""The machine file's ``[plumbing]`` table, from the mapping a `Machine` carries to the SI carrier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self

from pydantic import BaseModel, Field, ValidationError, model_validator

from swathledger.errors import MachineError
from swathledger.machine.spec import LineSpec, PlumbingSpec
from swathledger.notes import Note
from swathledger.plumbing.lines import Line, Plumbing, line_volume_l
from swathledger.units import L_PER_GAL, M_PER_FT, M_PER_IN, S_PER_MIN


def _pair(table: BaseModel, name: str, metric: str, us: str) -> tuple[float | None, float | None]:
    """Values of one quantity in both units; at most one is set (checked by `_one_unit`)."""
    return getattr(table, f"{name}_{metric}"), getattr(table, f"{name}_{us}")


def _one_unit(table: BaseModel, pairs: tuple[tuple[str, str], ...], *, required: bool = False) -> None:
    """Refuse a quantity given in two units, or (``required``) in none."""
    for one, other in pairs:
        given = [key for key in (one, other) if getattr(table, key) is not None]
        if len(given) == 2:
            raise ValueError(f"give {one} or {other}, not both")
        if required and not given:
            raise ValueError(f"{one} (or {other}) is missing")


class LineTable(LineSpec):
    """One entry of ``[[plumbing.lines]]``, its keys checked together."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        _one_unit(self, (("inner_diameter_mm", "inner_diameter_in"), ("length_m", "length_ft")), required=True)
        if self.section is not None and self.carries in (None, "all"):
            raise ValueError('section needs carries = "section" or "boom"')
        return self

    def line(self, number: int) -> Line:
        """Return the SI carrier; ``number`` (from 1) names a line that has no name."""
        return Line(
            name=self.name or f"line {number}",
            inner_diameter_m=_metres_small(*_pair(self, "inner_diameter", "mm", "in")),
            length_m=_metres_long(*_pair(self, "length", "m", "ft")),
            carries=self.carries or "all",
            section=self.section,
            count=self.count,
            recirculated=self.recirculated,
        )


class PlumbingTable(PlumbingSpec):
    """``[plumbing]``, its keys checked together."""

    lines: list[LineTable] = Field(default_factory=list)  # type: ignore[assignment]  # narrower; tables are frozen

    @model_validator(mode="after")
    def _check(self) -> Self:
        _one_unit(
            self,
            (
                ("held_l", "held_gal"),
                ("dead_end_length_m", "dead_end_length_in"),
                ("dead_end_diameter_mm", "dead_end_diameter_in"),
                ("tank_l", "tank_gal"),
                ("rinse_tank_l", "rinse_tank_gal"),
                ("residual_l", "residual_gal"),
                ("nozzle_flow_l_min", "nozzle_flow_gal_min"),
            ),
        )
        return self


def _metres_small(mm: float | None, inches: float | None) -> float:
    return mm / 1000.0 if mm is not None else (inches or 0.0) * M_PER_IN


def _metres_long(metres: float | None, feet: float | None) -> float:
    return metres if metres is not None else (feet or 0.0) * M_PER_FT


def _litres(litres: float | None, gallons: float | None) -> float | None:
    if litres is not None:
        return litres
    return None if gallons is None else gallons * L_PER_GAL


def _faults(error: ValidationError) -> str:
    """Every fault in one line each, with its place in the table."""
    rows = []
    for fault in error.errors():
        place = "plumbing"
        for part in fault["loc"]:
            place += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
        rows.append(f"{place}: {fault['msg'].removeprefix('Value error, ')}")
    return "; ".join(rows)


def _dead_end_volume(table: PlumbingTable) -> float | None:
    length_m, length_in = _pair(table, "dead_end_length", "m", "in")
    mm, inches = _pair(table, "dead_end_diameter", "mm", "in")
    if (length_m is None and length_in is None) or (mm is None and inches is None):
        return None
    return line_volume_l(_metres_small(mm, inches), length_m if length_m is not None else (length_in or 0.0) * M_PER_IN)


def plumbing_from_mapping(
    mapping: Mapping[str, Any], sections: tuple[int, ...], *, file: str | None = None
) -> Plumbing:
    """Check a ``[plumbing]`` table and turn it into SI.

    Parameters
    ----------
    mapping : mapping
        The table as read from TOML (`Machine.plumbing`); may be empty.
    sections : tuple of int
        Nozzles per section, left to right (`Boom.sections`).
    file : str, optional
        Named in errors.

    Returns
    -------
    Plumbing
        With every guess that was made in ``assumptions``.

    Raises
    ------
    MachineError
        With every fault at once.
    """
    try:
        table = PlumbingTable.model_validate(dict(mapping))
    except ValidationError as error:
        raise MachineError(_faults(error), file=file, column="plumbing") from None
    notes: list[Note] = []
    lines = tuple(entry.line(number) for number, entry in enumerate(table.lines, start=1))
    unsaid = [line.name for line, entry in zip(lines, table.lines, strict=True) if entry.carries is None]
    if unsaid:
        notes.append(Note.of("plumbing.whole_flow", lines=tuple(unsaid)))
    if any(line.carries == "boom" for line in lines):
        if table.boom_feed is None:
            notes.append(Note.of("plumbing.fed_at_centre"))
    elif lines:
        notes.append(Note.of("plumbing.no_boom_line"))
    dead_ends: tuple[int, ...] | None
    if isinstance(table.dead_ends, int):
        dead_ends = (table.dead_ends,) * len(sections)
    else:
        dead_ends = None if table.dead_ends is None else tuple(table.dead_ends)
    flow = table.nozzle_flow_l_min, table.nozzle_flow_gal_min
    try:
        return Plumbing(
            sections=sections,
            lines=lines,
            held_l=_litres(*_pair(table, "held", "l", "gal")),
            dead_ends=dead_ends,
            dead_end_volume_l=_dead_end_volume(table),
            recirculates=table.recirculating,
            boom_feed=table.boom_feed or "centre",
            nozzle_body_l=None if table.nozzle_body_ml is None else table.nozzle_body_ml / 1000.0,
            tank_l=_litres(*_pair(table, "tank", "l", "gal")),
            rinse_tank_l=_litres(*_pair(table, "rinse_tank", "l", "gal")),
            residual_l=_litres(*_pair(table, "residual", "l", "gal")),
            nozzle_flow_l_s=(
                flow[0] / S_PER_MIN
                if flow[0] is not None
                else None
                if flow[1] is None
                else flow[1] * L_PER_GAL / S_PER_MIN
            ),
            assumptions=tuple(notes),
        )
    except MachineError as error:
        raise MachineError(error.what, file=file, column=error.column or "plumbing", hint=error.hint) from None
