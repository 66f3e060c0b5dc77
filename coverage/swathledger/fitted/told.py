"""Notes on what a drive says of its machine, values ready for the machine file."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shapely import MultiPolygon, Polygon

from swathledger.errors import InputError
from swathledger.field.field import Field, LocalPlane
from swathledger.fitted.carrier import Found, Setup
from swathledger.fitted.fit import fit_setup
from swathledger.fitted.seen import all_ground
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Machine
from swathledger.notes import Note
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

LEAST_AHEAD_M, LEAST_RIGHT_M, LEAST_SPACING_M = 0.3, 0.1, 0.1
"""Smaller disagreements between machine file and drive are not worth a word."""
COARSE_M = 0.5


@dataclass(frozen=True, slots=True)
class Overlap:
    """Overlap under the machine file and under what the drive suggests, % of the ground treated."""

    file_pct: float
    drive_pct: float


def _apart(found: Found, file_m: float, least_m: float) -> bool:
    if found.value is None or found.low is None or found.high is None:
        return False
    return abs(found.value - file_m) > least_m and not found.low <= file_m <= found.high


def ahead_apart(setup: Setup) -> bool:
    """Whether file and drive disagree fore and aft by more than the error, whatever the delays are."""
    return _apart(setup.ahead_m, setup.file_ahead_m, LEAST_AHEAD_M) and _apart(
        setup.ahead_by_file_timing_m, setup.file_ahead_m, LEAST_AHEAD_M
    )


def right_apart(setup: Setup) -> bool:
    """The same sideways."""
    return _apart(setup.right_m, setup.file_right_m, LEAST_RIGHT_M)


def disagreements(setup: Setup) -> tuple[Note, ...]:
    """Notes where machine file and drive disagree by more than the error."""
    notes: list[Note] = []
    if ahead_apart(setup):
        notes.append(_ahead(setup))
    if right_apart(setup):
        notes.append(_right(setup))
    if _apart(setup.spacing_m, setup.boom_m, LEAST_SPACING_M):
        notes.append(_spacing(setup))
    return tuple(notes)


MOST_ROWS = 200_000
"""Rows of a drive that is looked at: five hours and a half of ten a second, on one field."""


def setup_of(
    log: Log, machine: Machine, swath: Swath, target: Polygon | MultiPolygon | None, tolerance_m: float
) -> Setup | None:
    """What a drive says of its machine; None where it is too long to be looked at (:data:`MOST_ROWS`)."""
    if len(log) > MOST_ROWS:
        return None
    try:
        return fit_setup(log, machine, swath, target=target, tolerance_m=tolerance_m)
    except InputError:
        return None


def everything(setup: Setup, overlap: Overlap | None) -> tuple[Note, ...]:
    """All that the drive says, and why it does not say the rest."""
    notes: list[Note] = []
    if setup.ahead_m.value is None:
        notes.append(Note.of("fitted.cannot_tell_ahead", key=setup.ahead_key, why=_why(setup.ahead_m)))
    else:
        told = setup.ahead_by_file_timing_m
        notes.append(_ahead(setup))
        notes.append(Note.of("fitted.by_file_timing", key=setup.ahead_key, value=_m(told.value), half=_m(told.half_m)))
    if overlap is not None:
        notes.append(Note.of("fitted.overlap", file=f"{overlap.file_pct:.2f}", drive=f"{overlap.drive_pct:.2f}"))
    if setup.right_m.value is None:
        notes.append(Note.of("fitted.cannot_tell_right", why=_why(setup.right_m)))
    else:
        notes.append(_right(setup))
    if setup.spacing_m.value is None:
        notes.append(Note.of("fitted.cannot_tell_spacing", why=_why(setup.spacing_m)))
    else:
        notes.append(_spacing(setup))
    if setup.controller is not None:
        c = setup.controller
        notes.append(
            Note.of(
                "fitted.controller",
                on=_m(c.late_on_s.value),
                on_half=_m(c.late_on_s.half_m),
                off=_m(c.late_off_s.value),
                off_half=_m(c.late_off_s.half_m),
                covered=_m(c.covered.value),
                covered_low=_m(c.covered.low),
                covered_high=_m(c.covered.high),
                margin=_m(c.margin_m.value),
                margin_half=_m(c.margin_m.half_m),
                spread=_m(c.spread_s),
            )
        )
    return tuple(notes)


def _m(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _why(found: Found) -> Note:
    return found.why_not if found.why_not is not None else Note.of("fitted.no_neighbours")


def _ahead(setup: Setup) -> Note:
    given = setup.file_ahead_m != 0.0
    values = {"key": setup.ahead_key, "value": _m(setup.ahead_m.value), "half": _m(setup.ahead_m.half_m)}
    if given:
        return Note.of("fitted.ahead", file=_m(setup.file_ahead_m), **values)
    return Note.of("fitted.ahead_not_given", **values)


def _right(setup: Setup) -> Note:
    found = setup.right_m
    return Note.of("fitted.right", value=_m(found.value), half=_m(found.half_m), file=_m(setup.file_right_m))


def _spacing(setup: Setup) -> Note:
    found = setup.spacing_m
    return Note.of("fitted.spacing", value=_m(found.value), half=_m(found.half_m), boom=_m(setup.boom_m))


def as_suggested(machine: Machine, setup: Setup) -> Machine:
    """The machine file's machine with those offsets that the drive disputes."""
    antenna: Antenna = machine.antenna
    hitch = machine.hitch
    if right_apart(setup) and setup.right_m.value is not None:
        antenna = replace(antenna, right_of_centre_m=setup.right_m.value)
    if ahead_apart(setup) and setup.ahead_m.value is not None:
        if hitch is None:
            antenna = replace(antenna, ahead_of_boom_m=setup.ahead_m.value)
        else:
            hitch = replace(hitch, hitch_to_boom_m=max(setup.ahead_m.value, 0.1))
    return replace(machine, antenna=antenna, hitch=hitch)


def overlap_under_both(log: Log, machine: Machine, setup: Setup, swath: Swath, plane: LocalPlane) -> Overlap | None:
    """Overlap under file and suggestion, counted on coarse cells; None where they do not disagree."""
    suggested = as_suggested(machine, setup)
    if suggested == machine:
        return None
    other = build_swath(log, suggested, plane)
    return Overlap(_overlap_pct(log, machine, swath, plane), _overlap_pct(log, suggested, other, plane))


def _overlap_pct(log: Log, machine: Machine, swath: Swath, plane: LocalPlane) -> float:
    ground = all_ground(swath)
    field = Field("all ground", plane, ground, MultiPolygon(), "derived", ground.area)
    cells = account(place_drive(log, machine, field, swath, COARSE_M), tolerance_m=0.0).areas.cells
    return 100.0 * cells["overlap_extra"] / cells["covered"] if cells["covered"] else 0.0
