"""One layout, from its groups to what it would have left on the ground."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.field.field import Field
from swathledger.grid.causes import CAUSE_ORDER
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting, BandRaster
from swathledger.ledger.place import Placed, place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.shutoff.control import drive_layout
from swathledger.shutoff.drive import Drive, drive_of
from swathledger.shutoff.groups import DONE, SLACK_M, Plan, Scene, Switches, Valve, new_groups, new_switches
from swathledger.shutoff.results import Layout, LayoutResult, Seams
from swathledger.shutoff.resweep import everything_open, in_order, resweep
from swathledger.shutoff.seams import follow_seams, new_tracks, seams_from
from swathledger.shutoff.sight import Rule, decision_target, sight_of
from swathledger.shutoff.treated import MAX_CUTS, MAX_PIECE_M, MAX_PIECE_STEPS, empty_treated
from swathledger.swath.swath import Swath

LINKS_PER_PIECE = 24
MAX_PIECES = 1 << 28
AROUND_M = 100.0
"""Tiles reach this far beyond the target."""
TOO_LONG = InputError("the drive is too long to replay in one piece.", hint="Split it into days.")
QUANTITIES = (
    "target",
    "covered",
    "single",
    "overlap",
    "overlap_extra",
    "skip",
    "outside",
    "excluded",
    "over_application",
    "applied",
)
Sink = Callable[[BandRaster], None]


@dataclass(frozen=True, slots=True)
class Setting:
    """How one layout's groups decide and how its valves move.

    Attributes
    ----------
    valves : Valves
    off_when_covered : float
    treated_margin_m : float or None
        Overlap asked for at treated ground; None: the tolerance alone.
    boundary_margin_m : float
    """

    valves: Valves
    off_when_covered: float
    treated_margin_m: float | None
    boundary_margin_m: float


@dataclass(frozen=True, slots=True)
class Control:
    """Settings of the controller model.

    Attributes
    ----------
    logged_valves : Valves
        Of the log's own layout.
    valves : Valves
        Of replayed layouts that have none of their own.
    off_when_covered : float
    tolerance_m : float
        Ground within this beside treated ground counts as treated for the decision.
    level_pct : float
        Agreement below which savings are marked as resting on a model that does not match the machine.
    fitted : Setting or None
        What was fitted to the log in place of ``logged_valves``; of replayed layouts too, where none of their delays
        were named apart.
    """

    logged_valves: Valves
    valves: Valves
    off_when_covered: float
    tolerance_m: float
    level_pct: float
    fitted: Setting | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """What all layouts of one replay are run on."""

    log: Log
    machine: Machine
    field: Field
    swath: Swath
    cell_m: float
    control: Control


@dataclass(frozen=True, slots=True)
class LayoutRun:
    """A layout's result, and the group-seconds in which model and log agree and those judged."""

    result: LayoutResult
    same_s: float
    judged_s: float


def setting_of(layout: Layout, control: Control) -> Setting:
    """The layout's own settings; what it does not say is the replay's."""
    fitted = control.fitted
    if fitted is not None and layout.valves is None and control.valves == control.logged_valves:
        return Setting(
            fitted.valves,
            fitted.off_when_covered if layout.off_when_covered is None else layout.off_when_covered,
            fitted.treated_margin_m if layout.treated_margin_m is None else layout.treated_margin_m,
            layout.boundary_margin_m,
        )
    return Setting(
        control.valves if layout.valves is None else layout.valves,
        control.off_when_covered if layout.off_when_covered is None else layout.off_when_covered,
        layout.treated_margin_m,
        layout.boundary_margin_m,
    )


def logged_setting(control: Control) -> Setting:
    """Settings of the log's own layout: the machine's valves, or what was fitted to the log."""
    if control.fitted is not None:
        return control.fitted
    return Setting(control.logged_valves, control.off_when_covered, None, 0.0)


def _rule(edges_m: NDArray[np.float64], tolerance_m: float, margin_m: float | None) -> Rule:
    # a hair more than the tolerance, so that a gap just as wide is closed whatever the last bits
    beside = tolerance_m * (1 + 1e-6) + 3e-6 if tolerance_m else 0.0
    return Rule(float(edges_m[0]), float(edges_m[-1]), beside, float("nan") if margin_m is None else margin_m)


def _pieces_expected(drive: Drive, groups: int) -> int:
    way = float(drive.distance_m.sum())
    strips = way / MAX_PIECE_M + drive.moving.shape[0] / MAX_PIECE_STEPS
    return int(2 * strips * min(groups, 4)) + 64 * groups + 1024


def _scene(field: Field, drive: Drive, margin_m: float, pieces: int) -> Scene:
    target = decision_target(field.boundary, field.target, margin_m)
    x0, y0, x1, y1 = target.bounds if not target.is_empty else (0.0, 0.0, 1.0, 1.0)
    bounds = (x0 - AROUND_M, y0 - AROUND_M, x1 + AROUND_M, y1 + AROUND_M)
    return Scene(drive, empty_treated(bounds, pieces, LINKS_PER_PIECE * pieces), sight_of(target, pieces, MAX_CUTS))


def drive_groups(
    job: Job, drive: Drive, layout: Layout, setting: Setting, as_done: NDArray[np.bool_] | None
) -> tuple[Switches, NDArray[np.float64]]:
    """When the valves of a layout would have moved, in order, and the seconds of :func:`drive_layout`."""
    valves = setting.valves
    width = np.diff(layout.edges_m)
    plan = Plan(
        np.ascontiguousarray(layout.edges_m),
        (1.0 - setting.off_when_covered) * width + SLACK_M,
        Valve(
            valves.on_delay_s, valves.off_delay_s, valves.look_ahead_on_s, valves.look_ahead_off_s, valves.minimum_on_s
        ),
        _rule(layout.edges_m, job.control.tolerance_m, setting.treated_margin_m),
    )
    compare = np.zeros((0, layout.groups), dtype=np.bool_) if as_done is None else as_done
    pieces = _pieces_expected(drive, layout.groups)
    while pieces < MAX_PIECES:
        scene = _scene(job.field, drive, setting.boundary_margin_m, pieces)
        switches, totals = new_switches(16 * pieces), np.zeros(3)
        if drive_layout(scene, plan, new_groups(layout.groups), switches, compare, totals) == DONE:
            return in_order(switches), totals
        pieces *= 4
    raise TOO_LONG


@dataclass(frozen=True, slots=True)
class Wanting:
    """What a valve for every place would have met.

    Attributes
    ----------
    seams : Seams
    area_m2 : (p - 1,) float64
        Ground of every step that wanted spray.
    """

    seams: Seams
    area_m2: NDArray[np.float64]


def find_wanting_ground(job: Job, drive: Drive, tolerance_m: float) -> Wanting:
    """Drive with a valve for every place; ground within the tolerance beside treated ground counts as treated."""
    boom = job.machine.boom
    rule = _rule(boom.nozzle_edges_m, tolerance_m, None)
    ignored = boom.nozzle_spacing_m if boom.nozzle_count > 1 else 0.5
    pieces = _pieces_expected(drive, 1)
    while pieces < MAX_PIECES:
        sums, area = np.zeros(6), np.zeros(drive.moving.shape[0])
        if follow_seams(_scene(job.field, drive, 0.0, pieces), rule, new_tracks(), ignored, sums, area) == DONE:
            return Wanting(seams_from(sums, job.field.target.area), area)
        pieces *= 4
    raise TOO_LONG


def _accounted(job: Job, swath: Swath, sink_for: Callable[[Placed], Sink] | None = None) -> Accounting:
    placed = place_drive(job.log, job.machine, job.field, swath, job.cell_m)
    sinks = () if sink_for is None else (sink_for(placed),)
    return account(placed, tolerance_m=0.0, sinks=sinks)


def run_layout(
    job: Job,
    layout: Layout,
    setting: Setting,
    as_done: NDArray[np.bool_] | None = None,
    sink_for: Callable[[Placed], Sink] | None = None,
) -> LayoutRun:
    """Drive a layout, and account for what it would have left as for the log itself.

    Parameters
    ----------
    as_done : (p - 1, groups) bool, optional
        What the log did, where the agreement is asked for.
    sink_for : callable, optional
        Is given the layout's swath on its grid, and gives what is to be shown every band of its cells.
    """
    drive = drive_of(job.swath)
    if layout.limit:
        return LayoutRun(_floor(job, drive, layout), 0.0, 0.0)
    switches, totals = drive_groups(job, drive, layout, setting, as_done)
    swath = resweep(job.swath, drive, layout.edges_m, switches)
    accounting = _accounted(job, swath, sink_for)
    areas, volumes = accounting.areas, accounting.volumes
    result = LayoutResult(
        layout,
        {name: areas.cells[name] for name in QUANTITIES},
        areas.standard_error_m2("over_application"),
        areas.cell_m,
        None if volumes is None else volumes.logged_l - volumes.standing_l,
        float(totals[0]),
        accounting.cause_cells,
    )
    return LayoutRun(result, float(totals[1]), float(totals[2]))


def _floor(job: Job, drive: Drive, layout: Layout) -> LayoutResult:
    """A valve for every cell: of all that the boom passed over while spray was wanted, the target's first treatments.

    Litres by the same rule as every layout's: what a nozzle lets out on a stretch, over the ground that wanted spray.
    """
    swath = everything_open(job.swath, drive, job.machine.boom.nozzle_edges_m)
    cells = _accounted(job, swath).areas.cells
    covered = cells["covered"]
    floor = dict.fromkeys(QUANTITIES, 0)
    floor |= {"target": cells["target"], "skip": cells["skip"]}
    floor |= dict.fromkeys(("covered", "single", "applied"), covered)
    litres: float | None = None
    if job.swath.dose_l_per_m2 is not None:
        litres = float((job.swath.dose_l_per_m2 * find_wanting_ground(job, drive, 0.0).area_m2).sum())
    seconds = np.diff(drive.time_s)
    return LayoutResult(
        layout,
        floor,
        0.0,
        job.cell_m,
        litres,
        float(seconds[drive.moving & drive.wanted].sum()),
        dict.fromkeys(CAUSE_ORDER, 0),
    )
