"""Replay of the recorded drive under other outlet groups: :func:`replay_drive`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.field.field import Field
from swathledger.grid.frame import Frame, polygon_edges
from swathledger.grid.paint import CAUSES
from swathledger.grid.scan import edge_store
from swathledger.ledger.account import Sink, account
from swathledger.ledger.accounting import CAUSE_ORDER, PAIRS_PER_CELL, Accounting, BandRaster
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.notes import Measure, Note
from swathledger.shutoff import results as results_module
from swathledger.shutoff.kernel import compare_cells, count_states, replay_layout
from swathledger.shutoff.layout import floor_layout, layouts_for, logged_layout
from swathledger.shutoff.look_ahead import BLOCK_M, Blocks, Probe, Rim, Valve
from swathledger.shutoff.paint_groups import MAX_BASE_POSES
from swathledger.shutoff.results import Layout, LayoutResult, Replay
from swathledger.shutoff.state import MAX_SLOTS, N_MASK, TILE_BITS, Drive, Ground, Slots
from swathledger.shutoff.steps import saving_steps
from swathledger.shutoff.turning import turn_litres
from swathledger.swath.swath import Swath

MAX_STEP_M = 0.1
"""Longest control step: at 5 m/s fifty decisions a second, finer than any valve."""
DEFAULT_LEVEL_PCT = 90.0


@dataclass(slots=True)
class Seen:
    """Collects what the accounting saw of every cell; its :meth:`sink` goes to ``account``."""

    mask: NDArray[np.uint8] | None = None
    count: NDArray[np.uint8] | None = None
    cause: NDArray[np.uint8] | None = None

    def sink_for(self, frame: Frame) -> Sink:
        """A sink that fills arrays of the frame's size."""
        shape = (frame.rows, frame.columns)
        self.mask, self.count, self.cause = (np.zeros(shape, np.uint8) for _ in range(3))

        def sink(band: BandRaster) -> None:
            rows = slice(band.first_row, band.first_row + band.count.shape[0])
            for whole, part in ((self.mask, band.mask), (self.count, band.count), (self.cause, band.cause)):
                if whole is not None:
                    whole[rows] = part

        return sink


@dataclass(frozen=True, slots=True)
class Control:
    """Settings of the controller model.

    Attributes
    ----------
    valves : Valves
    off_when_covered : float
    tolerance_m : float
        Ground within this beside treated ground counts as treated for the decision.
    revisit_s : float
    level_pct : float
        Agreement below which savings are marked as resting on a model that does not match the machine.
    """

    valves: Valves
    off_when_covered: float
    tolerance_m: float
    revisit_s: float
    level_pct: float = DEFAULT_LEVEL_PCT


def control_for(machine: Machine, off_when_covered: float, tolerance_m: float, revisit_s: float) -> Control:
    """Controller settings: the machine file's ``[valves]``, overruled by its ``[replay]`` table."""
    table = machine.replay
    changes = {
        name: float(value)
        for name in ("on_delay_s", "off_delay_s", "look_ahead_on_s", "look_ahead_off_s", "minimum_on_s")
        if isinstance(value := table.get(name), (int, float))
    }
    level = table.get("agreement_pct")
    return Control(
        replace(machine.valves, **changes),
        off_when_covered,
        tolerance_m,
        revisit_s,
        float(level) if isinstance(level, (int, float)) else DEFAULT_LEVEL_PCT,
    )


def probe_for(edges_m: NDArray[np.float64], cell_m: float, beside_m: float) -> Probe:
    """Lateral places at which the groups look at the ground.

    No farther apart than a cell, both ends of each group included, and places beyond the boom's ends as far as
    ``beside_m`` asks.
    """
    lateral: list[NDArray[np.float64]] = []
    weight: list[NDArray[np.float64]] = []
    group: list[NDArray[np.int64]] = []
    hair = 1e-6
    beyond = int(np.ceil(beside_m / cell_m - 1e-9)) if beside_m > 0 else 0
    outer = np.arange(beyond, 0, -1) * cell_m
    lateral.append(edges_m[0] - outer)
    weight.append(np.zeros(beyond))
    group.append(np.full(beyond, -1))
    for g in range(edges_m.shape[0] - 1):
        left, right = edges_m[g] + hair, edges_m[g + 1] - hair
        # an even number, so that half a group's share is passed at its middle
        parts = 2 * max(1, int(np.ceil((right - left) / (2 * cell_m) - 1e-4)))
        share = np.full(parts + 1, 1.0 / parts)
        share[[0, -1]] /= 2
        lateral.append(np.linspace(left, right, parts + 1))
        weight.append(share)
        group.append(np.full(parts + 1, g))
    lateral.append(edges_m[-1] + outer[::-1])
    weight.append(np.zeros(beyond))
    group.append(np.full(beyond, -1))
    return Probe(np.concatenate(lateral), np.concatenate(weight), np.concatenate(group).astype(np.int64))


def blocks_of(probe: Probe) -> Blocks:
    """The places of a probe in runs of one group, no longer than ``BLOCK_M``."""
    first = [0]
    for k in range(1, probe.group.shape[0]):
        if probe.group[k] != probe.group[k - 1] or probe.lateral_m[k] - probe.lateral_m[first[-1]] > BLOCK_M:
            first.append(k)
    start = np.array(first, dtype=np.int64)
    end = np.append(start[1:], probe.group.shape[0])
    return Blocks(start, end, np.add.reduceat(probe.weight, start), np.zeros((2, start.shape[0]), dtype=np.bool_))


def drive_of(swath: Swath) -> Drive:
    """The swath as the kernel wants it."""
    dose = np.zeros_like(swath.distance_m) if swath.dose_l_per_m2 is None else swath.dose_l_per_m2
    heading = np.rad2deg(np.arctan2(-swath.right_y, swath.right_x))
    arrays = (swath.x_m, swath.y_m, swath.right_x, swath.right_y, swath.time_s)
    line = swath.line_id if swath.line_id.shape[0] else np.zeros(1, dtype=np.int64)
    x, y, right_x, right_y, time_s = (np.ascontiguousarray(a) for a in arrays)
    return Drive(
        x,
        y,
        right_x,
        right_y,
        time_s,
        swath.linked & ~swath.standing & (swath.distance_m > 0),
        swath.linked,
        swath.wanted,
        swath.distance_m,
        np.ascontiguousarray(dose),
        swath.reverse,
        swath.pass_id,
        line,
        heading,
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


def _cells(histogram: NDArray[np.int64]) -> dict[str, int]:
    """Quantities from a histogram of cell states."""
    state = np.arange(256)
    zone, n = state >> 6, state & N_MASK
    target, excluded, outside = zone == 1, zone == 2, zone == 0

    def total(value: NDArray[np.int64], where: NDArray[np.bool_]) -> int:
        return int((histogram * value)[where].sum())

    one = np.ones(256, dtype=np.int64)
    single, overlap = total((n == 1) * one, target), total((n >= 2) * one, target)
    extra = total(np.maximum(n - 1, 0), target)
    out = {
        "target": total(one, target),
        "covered": single + overlap,
        "single": single,
        "overlap": overlap,
        "overlap_extra": extra,
        "skip": total((n == 0) * one, target),
        "outside": total(n, outside),
        "excluded": total(n, excluded),
    }
    out["over_application"] = extra + out["outside"] + out["excluded"]
    out["applied"] = out["covered"] + out["over_application"]
    return out


@dataclass(frozen=True, slots=True)
class _Run:
    result: LayoutResult
    agreement: tuple[float, float]
    state: NDArray[np.uint8] | None


def _run_layout(
    layout: Layout,
    drive: Drive,
    rim_edges: NDArray[np.float64],
    mask: NDArray[np.uint8],
    frame: Frame,
    control: Control,
    has_litres: bool,
    as_done: NDArray[np.bool_] | None,
    keep_state: bool,
) -> _Run:
    valves = control.valves
    probe = probe_for(layout.edges_m, frame.cell_m, control.tolerance_m)
    valve = Valve(
        valves.on_delay_s,
        valves.off_delay_s,
        valves.look_ahead_on_s,
        valves.look_ahead_off_s,
        valves.minimum_on_s,
        1.0 - control.off_when_covered + 1e-9,
        control.tolerance_m * (1 + 1e-6) + 3e-6 if control.tolerance_m else -1.0,
    )
    compare = np.zeros((0, layout.groups), dtype=np.bool_) if as_done is None else as_done
    edges = rim_edges.shape[0]
    rim = Rim(rim_edges, np.empty(edges, dtype=np.int64), np.empty(edges))
    blocks = blocks_of(probe)
    tiles = tuple((n >> TILE_BITS) + 1 for n in mask.shape)
    slot_s = 1.0
    while True:
        ground = Ground(
            mask << np.uint8(6),
            np.zeros(mask.shape, np.uint16),
            np.zeros(tiles, np.uint16),
            frame.cell_m,
            frame.first_row,
            frame.first_column,
        )
        slots = Slots(
            np.zeros(MAX_SLOTS + 1, np.int32),
            np.zeros(MAX_SLOTS + 1, np.int32),
            np.zeros(MAX_SLOTS + 1),
            np.zeros(MAX_SLOTS + 1, np.float32),
        )
        causes = np.zeros(len(CAUSES), dtype=np.int64)
        store = edge_store(2 * MAX_BASE_POSES + 8, frame.columns)
        litres, open_s, same_s, judged_s, ok = replay_layout(
            drive,
            (ground, store, slots),
            (rim, probe, blocks),
            valve,
            layout.edges_m,
            layout.limit,
            (min(MAX_STEP_M, frame.cell_m), slot_s, control.revisit_s),
            compare,
            causes,
        )
        if ok:
            break
        slot_s *= 2
        if slot_s > max(control.revisit_s / 2, 4.0):
            raise InputError("the drive is too long to replay in one piece.", hint="Split it into days.")
    histogram, squares = np.zeros(256, dtype=np.int64), np.zeros(1, dtype=np.int64)
    count_states(ground.state, histogram, squares)
    cells = _cells(histogram)
    by_cause = dict.fromkeys(CAUSE_ORDER, 0)
    for code, name in enumerate(CAUSES):
        if name in by_cause:
            by_cause[name] = int(causes[code])
    by_cause["outside"], by_cause["excluded"] = cells["outside"], cells["excluded"]
    h2 = frame.cell_m**2
    volume: float | None = litres
    if not has_litres:
        volume = None
    elif layout.limit:
        # a valve per cell lays the set dose on the ground it covers: its area, not its open width, counts
        volume = _limit_litres(drive, cells["applied"] * h2)
    result = LayoutResult(
        layout, cells, float(h2 * (squares[0] / PAIRS_PER_CELL) ** 0.5), frame.cell_m, volume, open_s, by_cause
    )
    return _Run(result, (same_s, judged_s), ground.state if keep_state else None)


def _limit_litres(drive: Drive, area_m2: float) -> float:
    """Litres of the floor: its area at the mean dose of the drive."""
    weight = drive.distance_m * (drive.wanted & drive.moving)
    total = float(weight.sum())
    return area_m2 * float((drive.dose * weight).sum()) / total if total > 0 else 0.0


def _as_logged(accounting: Accounting, swath: Swath, layout: Layout, done: NDArray[np.bool_]) -> LayoutResult:
    """What was really done, in the same form as the replays."""
    cells = {
        name: accounting.areas.cells[name]
        for name in (
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
    }
    volumes = accounting.volumes
    swept = swath.linked & ~swath.standing
    open_s = float((done.sum(axis=1) * np.diff(swath.time_s))[swept].sum())
    return LayoutResult(
        replace(layout, name="as logged", label=layout.label.replace("as logged", "as it was done")),
        cells,
        accounting.areas.standard_error_m2("over_application"),
        accounting.areas.cell_m,
        None if volumes is None else volumes.logged_l - volumes.standing_l,
        open_s,
        accounting.cause_cells,
    )


def _coarser(frame: Frame) -> float:
    """The cell for a frame too large to be replayed whole: a whole multiple of its own."""
    factor = int(np.ceil((frame.cells / results_module.MAX_CELLS) ** 0.5))
    return frame.cell_m * factor


def replay_drive(
    log: Log,
    machine: Machine,
    field: Field,
    swath: Swath,
    accounting: Accounting,
    seen: Seen,
    groups: Sequence[str],
    control: Control,
    *,
    threads: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Replay:
    """Replay a drive under other outlet groups.

    Parameters
    ----------
    accounting, seen
        What was really done, and what it left of every cell (empty where the frame is too large: then both are made
        again on coarser cells).
    groups : sequence of str
        Words of ``--groups``; those of the machine file's ``[replay]`` table are added.
    control : Control
    threads : int
        Layouts replayed side by side; changes no byte of the result.
    """
    notes: list[Note] = []
    layouts = layouts_for(machine, groups, notes)
    if swath.width_by_row:
        notes.append(Note.of("shutoff.no_sides"))
    if seen.mask is None or seen.count is None or seen.cause is None:
        cell = _coarser(accounting.frame)
        notes.append(Note.of("shutoff.coarser_cells", cell=Measure(cell, "length")))
        accounting, seen = account_seen(log, machine, field, swath, accounting, cell, control, threads)
    if seen.mask is None or seen.count is None or seen.cause is None:
        raise InputError("the accounting left no cells to replay on")
    frame = accounting.frame
    own = logged_layout(log, machine)
    done = logged_open(swath, own)
    drive = drive_of(swath)
    has_litres = swath.dose_l_per_m2 is not None
    finest = _finest(layouts)
    mask = seen.mask
    rim_edges = polygon_edges(field.target)
    jobs = [(own, done, False), *((layout, None, layout is finest) for layout in layouts)]
    if not any(layout.limit for layout in layouts):
        jobs.append((floor_layout(machine), None, False))
    ended = [0]

    def run(job: tuple[Layout, NDArray[np.bool_] | None, bool]) -> _Run:
        layout, compare, keep = job
        out = _run_layout(layout, drive, rim_edges, mask, frame, control, has_litres, compare, keep)
        ended[0] += 1
        if progress is not None:
            progress(ended[0] / len(jobs))
        return out

    side_by_side = min(threads, max(1, results_module.MAX_CELLS // max(frame.cells, 1)) + 1, len(jobs))
    if side_by_side > 1:
        with ThreadPoolExecutor(side_by_side) as pool:
            runs = list(pool.map(run, jobs))
    else:
        runs = [run(job) for job in jobs]
    as_logged = _as_logged(accounting, swath, own, done)
    spared, by_cause = _spared(seen, next((r.state for r in runs if r.state is not None), None))
    same_s, judged_s = runs[0].agreement
    above, below = turn_litres(swath)
    floor = next(r.result for r in runs if r.result.layout.limit)
    results = tuple(
        replace(r.result, steps=saving_steps(as_logged, runs[0].result, r.result, floor))
        for r in runs[1 : 1 + len(layouts)]
    )
    return Replay(
        results,
        runs[0].result,
        as_logged,
        100.0 * same_s / judged_s if judged_s > 0 else None,
        _difference(runs[0].result, as_logged),
        control.level_pct,
        by_cause,
        above,
        below,
        frame,
        spared,
        "" if finest is None else finest.name,
        tuple(notes),
        floor=floor,
    )


def account_seen(
    log: Log,
    machine: Machine,
    field: Field,
    swath: Swath,
    accounting: Accounting,
    cell_m: float,
    control: Control,
    threads: int,
) -> tuple[Accounting, Seen]:
    """Account again on other cells, and keep what was seen of every cell."""
    from swathledger.ledger.account import frame_of, near_ribbons

    near, _ = near_ribbons(swath, field)
    seen = Seen()
    sink = seen.sink_for(frame_of(swath, field, cell_m, near))
    again = account(
        log,
        machine,
        field,
        swath,
        cell_m=cell_m,
        revisit_s=control.revisit_s,
        tolerance_m=accounting.areas.tolerance_m,
        threads=threads,
        sink=sink,
    )
    return again, seen


def _finest(layouts: Sequence[Layout]) -> Layout | None:
    """The layout of the most groups, the limit left out."""
    real = [layout for layout in layouts if not layout.limit]
    return max(real, key=lambda layout: layout.groups) if real else None


def _spared(seen: Seen, state: NDArray[np.uint8] | None) -> tuple[NDArray[np.uint8], dict[str, int]]:
    """Over-applied ground of the log that the finest layout leaves alone: cause codes, and treatments by cause."""
    by_cause = dict.fromkeys(CAUSE_ORDER, 0)
    if seen.mask is None or seen.count is None or seen.cause is None or state is None:
        return np.zeros((1, 1), np.uint8), by_cause
    spared = np.zeros(seen.mask.shape, np.uint8)
    totals = np.zeros(len(CAUSES), dtype=np.int64)
    compare_cells(seen.mask, seen.count, seen.cause, state, spared, totals)
    for code_number, name in enumerate(CAUSES):
        if name in by_cause:
            by_cause[name] = int(totals[code_number])
    return spared, by_cause


def _difference(model: LayoutResult, done: LayoutResult) -> float | None:
    """How much more the model lays than the log, per cent; by area where litres are unknown."""
    if model.volume_l is not None and done.volume_l is not None:
        return 100.0 * (model.volume_l - done.volume_l) / done.volume_l if done.volume_l > 0 else None
    return 100.0 * (model.m2("applied") - done.m2("applied")) / done.m2("applied") if done.m2("applied") > 0 else None
