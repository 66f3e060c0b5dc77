"""Replay of the recorded drive under other outlet groups: :func:`replay_drive`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.grid.causes import CAUSE_ORDER, CAUSES
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import Placed
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import floor_layout, layouts_for, logged_layout
from swathledger.shutoff.over_applied import CellRuns, OverApplied, by_cause, spared_sink
from swathledger.shutoff.results import Layout, LayoutResult, Replay, Seams
from swathledger.shutoff.run import (
    QUANTITIES,
    Control,
    Job,
    LayoutRun,
    Setting,
    Sink,
    find_wanting_ground,
    logged_setting,
    run_layout,
    setting_of,
)
from swathledger.shutoff.seams import resolution_pct, timing_pct
from swathledger.shutoff.steps import saving_steps
from swathledger.shutoff.turning import turn_litres
from swathledger.swath.swath import Swath

DEFAULT_LEVEL_PCT = 90.0
COARSE_SHARE = 0.25
"""Cells above this share of the nozzle spacing are coarse for single nozzles."""
PARALLEL_SHARE = 0.3
PART_SHARE = 0.12
PART_POINTS = 0.05
"""Closed form and replay part where they differ by more than this share of the form and these points of the target."""


def control_for(machine: Machine, off_when_covered: float, tolerance_m: float) -> Control:
    """Controller settings: the log's own layout has ``[valves]``; for the others ``[replay]`` may name other delays."""
    return Control(
        machine.valves,
        machine.replay.valves,
        off_when_covered,
        tolerance_m,
        DEFAULT_LEVEL_PCT if machine.replay.agreement_pct is None else machine.replay.agreement_pct,
    )


def logged_open(swath: Swath, layout: Layout) -> NDArray[np.bool_]:
    """(p - 1, groups) what each group of the logged layout did in every step: open where most of its width was."""
    edges = swath.nozzle_edges_m
    width = np.diff(edges)
    groups = np.clip(np.searchsorted(layout.edges_m, (edges[:-1] + edges[1:]) / 2) - 1, 0, layout.groups - 1)
    open_width = np.zeros((swath.row_open.shape[0], layout.groups))
    for g in range(layout.groups):
        mine = groups == g
        open_width[:, g] = swath.row_open[:, mine] @ width[mine] / width[mine].sum()
    return np.ascontiguousarray((open_width > 0.5)[swath.epoch[:-1]])


def _as_logged(accounting: Accounting, swath: Swath, layout: Layout, done: NDArray[np.bool_]) -> LayoutResult:
    """What was really done, in the same form as the replays; what left the boom at a standstill is in no saving."""
    volumes = accounting.volumes
    swept = swath.linked & ~swath.standing
    open_s = float((done.sum(axis=1) * np.diff(swath.time_s))[swept].sum())
    return LayoutResult(
        replace(layout, name="as logged", label=Note("shutoff.layout_done", layout.label.values)),
        {name: accounting.areas.cells[name] for name in QUANTITIES},
        accounting.areas.standard_error_m2("over_application"),
        accounting.areas.cell_m,
        None if volumes is None else volumes.logged_l - volumes.standing_l,
        open_s,
        accounting.cause_cells,
    )


@dataclass(frozen=True, slots=True)
class _Task:
    """One layout to be run, and what it is run for."""

    layout: Layout
    setting: Setting
    as_done: NDArray[np.bool_] | None = None
    spares: bool = False


def replay_drive(
    log: Log,
    machine: Machine,
    placed: Placed,
    accounting: Accounting,
    over: OverApplied,
    groups: Sequence[str],
    control: Control,
    *,
    threads: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Replay:
    """Replay a drive under other outlet groups.

    Parameters
    ----------
    placed : Placed
        The drive on the field's grid.
    accounting, over
        What was really done, and its over-applied cells.
    groups : sequence of str
        Words of ``--groups``; those of the machine file's ``[replay]`` table are added.
    control : Control
    threads : int
        Layouts replayed side by side; changes no byte of the result.
    """
    notes: list[Note] = []
    swath = placed.swath
    layouts = layouts_for(machine, groups, notes)
    if swath.width_by_row:
        notes.append(Note.of("shutoff.no_sides"))
    cell = accounting.areas.cell_m
    if machine.boom.nozzle_count > 1 and cell > COARSE_SHARE * machine.boom.nozzle_spacing_m * (1 + 1e-9):
        notes.append(Note.of("shutoff.coarse_cells", cell=Measure(cell, "length")))
    job = Job(log, machine, placed.field, swath, cell, control)
    own = logged_layout(log, machine)
    done = logged_open(swath, own)
    finest = _finest(layouts)
    today = logged_setting(control)
    tasks = [_Task(own, today, done), _Task(floor_layout(machine), today)]
    tasks += [
        _Task(layout, setting_of(layout, control), None, layout is finest) for layout in layouts if not layout.limit
    ]
    others = dict.fromkeys(task.setting for task in tasks[2:] if task.setting != today)
    tasks += [_Task(own, setting) for setting in others]
    totals = np.zeros(len(CAUSES), dtype=np.int64)
    spared = CellRuns(over.frame)

    def sink_for(layout: Placed) -> Sink:
        nonlocal spared
        spared, sink = spared_sink(over, layout.frame, totals)
        return sink

    ended = [0]

    def run(task: _Task) -> LayoutRun:
        out = run_layout(job, task.layout, task.setting, task.as_done, sink_for if task.spares else None)
        ended[0] += 1
        if progress is not None:
            progress(ended[0] / len(tasks))
        return out

    side_by_side = min(threads, len(tasks))
    if side_by_side > 1:
        with ThreadPoolExecutor(side_by_side) as pool:
            runs = list(pool.map(run, tasks))
    else:
        runs = [run(task) for task in tasks]
    as_logged = _as_logged(accounting, swath, own, done)
    model, floor = runs[0].result, runs[1].result
    seams = find_wanting_ground(job, drive_of(swath), control.tolerance_m).seams
    by_setting = {today: model} | {
        task.setting: r.result
        for task, r in zip(tasks, runs, strict=True)
        if task.layout is own and task.as_done is None
    }
    told = {
        id(task.layout): _told(r.result, task.setting, as_logged, model, by_setting[task.setting], floor, seams, today)
        for task, r in zip(tasks, runs, strict=True)
        if task.layout is not own and not task.layout.limit
    }
    floor = replace(floor, steps=saving_steps(as_logged, model, floor, floor))
    judged = runs[0].judged_s
    above, below = turn_litres(swath)
    return Replay(
        tuple(floor if layout.limit else told[id(layout)] for layout in layouts),
        model,
        as_logged,
        100.0 * runs[0].same_s / judged if judged > 0 else None,
        _difference(model, as_logged),
        control.level_pct,
        by_cause(totals, CAUSE_ORDER),
        above,
        below,
        spared,
        "" if finest is None else finest.name,
        tuple(notes),
        floor=floor,
        seams=seams,
    )


def _told(
    result: LayoutResult,
    setting: Setting,
    done: LayoutResult,
    model: LayoutResult,
    retimed: LayoutResult,
    floor: LayoutResult,
    seams: Seams,
    today: Setting,
) -> LayoutResult:
    """A layout's result with its steps, and the closed form beside them."""
    steps = saving_steps(done, model, result, floor, retimed=retimed)
    form = resolution_pct(seams, _width_m(model.layout), _width_m(result.layout))
    return replace(
        result,
        steps=steps,
        closed_form_pct=form,
        closed_form_timing_pct=timing_pct(seams, today.valves, setting.valves),
        closed_form_doubt=_doubt(form, retimed, result, setting, seams),
    )


def _width_m(layout: Layout) -> float:
    """Width that stands for groups of unlike widths: what they waste at an edge grows with the square."""
    width = np.diff(layout.edges_m)
    return float((width**2).sum() / width.sum())


def _doubt(form_pct: float, retimed: LayoutResult, finer: LayoutResult, setting: Setting, seams: Seams) -> str | None:
    """Why the closed form and the replay part, or None where they do not."""

    def per_covered(result: LayoutResult) -> float:
        return result.cells["applied"] / result.cells["covered"] if result.cells["covered"] else 0.0

    found = 100.0 * (per_covered(retimed) - per_covered(finer))
    if abs(found - form_pct) <= max(PART_POINTS, PART_SHARE * abs(form_pct)):
        return None
    if setting.off_when_covered < 1.0:
        return "threshold"
    if setting.treated_margin_m is not None or setting.boundary_margin_m != 0.0:
        return "margin"
    return "parallel" if seams.parallel_share > PARALLEL_SHARE else "apart"


def _finest(layouts: Sequence[Layout]) -> Layout | None:
    """The layout of the most groups, the limit left out."""
    real = [layout for layout in layouts if not layout.limit]
    return max(real, key=lambda layout: layout.groups) if real else None


def _difference(model: LayoutResult, done: LayoutResult) -> float | None:
    """How much more the model lays than the log, per cent; by area where litres are unknown."""
    if model.volume_l is not None and done.volume_l is not None:
        return 100.0 * (model.volume_l - done.volume_l) / done.volume_l if done.volume_l > 0 else None
    return 100.0 * (model.m2("applied") - done.m2("applied")) / done.m2("applied") if done.m2("applied") > 0 else None
