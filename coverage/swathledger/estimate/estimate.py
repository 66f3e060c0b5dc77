"""Best estimates and intervals of a drive's headlines: :func:`estimate_drive`."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.carrier import Estimate, Headline
from swathledger.estimate.combine import Effect, Pull, effect_of, either, headline, saving_headline, switching_of
from swathledger.estimate.fields import moved_field
from swathledger.estimate.law import law_of
from swathledger.estimate.lines import Followed, followed
from swathledger.estimate.savings import savings_of, savings_read
from swathledger.estimate.sizes import Sizes, sizes_of
from swathledger.estimate.states import Moments, moments_of
from swathledger.estimate.switching import Law, drawn
from swathledger.estimate.ways import Shift, draw_shifts, moved, no_shift, switched
from swathledger.field.field import Field
from swathledger.fitted.told import MOST_ROWS
from swathledger.geodesy import metres_per_degree
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.shutoff.results import Replay
from swathledger.shutoff.run import Control, Job
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
LEVEL = 0.9
DRAWS = 20
SOURCE_DRAWS = 8
SAVING_SWITCHED, SAVING_DRAWS = 2, 4
"""Redrawn drives on which all layouts are replayed, with valves moved alone and with every error."""
MODEL_SHARE = 0.05
"""Share of a saving by which a controller with rules of its own, written apart, differed from the model on drives
without errors (six layouts on two drives of tests/estimate/plain_world.py at ten rows a second: root mean square)."""
REPLAY_TAKES = 20
DENSE_S, MOST_SPARSE_ROWS, THINNED = 0.4, 20, 3
"""With rows closer than this, s, the way between them is known well enough; rows needed; drives counted thinned."""
SPARSE_S = 2.5
"""With rows farther apart intervals hold less often than they say."""
SCATTER_INSIDE = 0.5
"""How likely a controller's misses are its model's: as likely as not."""
SEED = 20_261_125
COARSE_M = 0.5
COARSER = 4.0
AREAS = {
    "over_application_pct": "over_application", "skip_pct": "skip", "outside_pct": "outside",
    "excluded_pct": "excluded",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Drive:
    """What is drawn about."""

    log: Log
    machine: Machine
    field: Field
    swath: Swath
    cell_m: float
    sizes: Sizes
    moments: Moments | None
    law: Law | None
    lines: Followed
    max_gap_s: float | None
    bridge_s: float | None


def figures_of(accounting: Accounting) -> dict[str, float]:
    """Headlines of an accounted drive by quantity; litres where they are known."""
    areas = accounting.areas
    target = areas.m2("target")
    share = 100.0 / target if target > 0 else 0.0
    out = {name: areas.m2(cells) * share for name, cells in AREAS.items()}
    if accounting.volumes is not None:
        out["over_applied_l"] = accounting.volumes.over_applied_l
    return out


def estimate_drive(
    log: Log,
    machine: Machine,
    field: Field,
    swath: Swath,
    accounting: Accounting,
    control: Control,
    replay: Replay | None = None,
    *,
    max_gap_s: float | None = None,
    bridge_s: float | None = None,
    draws: int = DRAWS,
    level: float = LEVEL,
    seed: int = SEED,
    threads: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Estimate:
    """Best estimates and intervals of what a drive did.

    Parameters
    ----------
    log, machine, field, swath
        The drive as read.
    accounting : Accounting
        Of it; what was read.
    control : Control
        The controller model, whose moments of switching are fitted to the log.
    replay : Replay, optional
        Layouts whose savings are wanted.
    max_gap_s : float, optional
        Longest time between rows that was bridged.
    bridge_s : float, optional
        Longest straight gap that was bridged because it was asked for.
    draws : int
        Redrawn drives.
    threads : int
        Drives counted side by side; changes no byte of the result.
    """
    if log.state_kind == "none":
        # All was taken as open: how far that is off no redrawing of positions can say.
        unknown = (
            Headline(name, value, None, None, None, level, None, {}, {})
            for name, value in figures_of(accounting).items()
        )
        return Estimate(tuple(unknown), 0, accounting.areas.cell_m, (Note.of("estimate.no_states"),))
    notes: list[Note] = []
    sizes, assumed = sizes_of(log, machine, field, swath.sigma_m)
    notes += assumed
    if log.quality.median_step_s > SPARSE_S:
        notes.append(Note.of("estimate.sparse", step=Measure(log.quality.median_step_s, "seconds")))
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    cell = max(accounting.areas.cell_m, min(COARSE_M, COARSER * accounting.areas.cell_m))
    moments = moments_of(log, machine, swath)
    law = None
    if moments is not None and moments.row.shape[0]:
        law = law_of(log, machine, field, swath, moments, control, rng)
        notes.append(_told(moments, law))
    lines_ = followed(swath, field, sizes)
    if sizes.boundary_m > 0:
        notes.append(lines_.note())
    drive = _Drive(log, machine, field, swath, cell, sizes, moments, law, lines_, max_gap_s, bridge_s)
    read = figures_of(accounting)
    base = _figures(drive, swath, field)
    seeds = np.random.SeedSequence([seed, 2]).spawn(draws)
    plan = [(source, inside) for source, inside in _sources(drive).items() if _size(sizes, source) > 0]
    replays = 0 if replay is None else SAVING_DRAWS + SAVING_SWITCHED
    # a replay of all layouts takes about as long as so many counts of cells
    whole = draws + SOURCE_DRAWS + 2 * SOURCE_DRAWS * len(plan) + REPLAY_TAKES * replays
    done = [0]

    def told(count: int) -> None:
        done[0] += count
        if progress is not None:
            progress(done[0] / whole)

    switches = [_moments(drive, child) for child in seeds]
    # a hand scatters by itself; of a controller nobody tells whether it or its model does
    scatter = 0.0 if moments is None or moments.as_one else SCATTER_INSIDE
    quiet = [_moments(drive, child, calm=True) for child in seeds[: SOURCE_DRAWS if scatter else 0]]

    def centre(at_s: Floats | None) -> dict[str, float]:
        out = base if at_s is None else _figures(drive, _swept(drive, no_shift(swath), at_s), field)
        told(1)
        return out

    def pulled(task: tuple[str, int]) -> tuple[dict[str, float], dict[str, float]]:
        source, k = task
        out = _both_ways(drive, seeds[k], switches[k], source, k % 2 == 1)
        told(2)
        return out

    ways = [*switches, *quiet]
    tasks = [(source, k) for source, _ in plan for k in range(SOURCE_DRAWS)]
    if threads > 1:
        with ThreadPoolExecutor(threads) as pool:
            centres, both = list(pool.map(centre, ways)), list(pool.map(pulled, tasks))
    else:
        centres, both = [centre(at_s) for at_s in ways], [pulled(task) for task in tasks]
    centres, calm = centres[:draws], centres[draws:]
    bends = _thinned(drive, switches, centres)
    target = accounting.areas.m2("target")
    lines: list[Headline] = []

    def pull(name: str, n: int, which: slice) -> Pull:
        own = both[n * SOURCE_DRAWS : (n + 1) * SOURCE_DRAWS][which]
        return Pull(
            SOURCE_OF[plan[n][0]],
            plan[n][1],
            np.array([row[name] for row in centres[:SOURCE_DRAWS][which]]),
            np.array([plus[name] for plus, _ in own]),
            np.array([minus[name] for _, minus in own]),
        )

    def effect(name: str, n: int) -> Effect:
        if plan[n][0] != "boundary":
            return effect_of(pull(name, n, slice(None)))
        # drawn as they may be, under either of two conditions: nothing is taken off
        by_line, by_edge = (effect_of(replace(pull(name, n, slice(k, None, 2)), inside=0.0)) for k in (0, 1))
        return either(by_line, by_edge, plan[n][1])

    for name, value in read.items():
        effects = [effect(name, n) for n in range(len(plan))]
        full, middle = (np.array([row[name] for row in rows]) for rows in (centres, calm))
        effects.append(switching_of(base[name], full, middle, scatter))
        cells = 0.0
        if name in AREAS and target > 0:
            cells = 100.0 * accounting.areas.standard_error_m2(AREAS[name]) / target
        missing = None if bends is None else np.array([row[name] for row in bends])
        lines.append(headline(name, value, effects, draws, cells, level, missing, floor=True))
    if accounting.volumes is None:  # told as unknown rather than left out
        lines.append(Headline("over_applied_l", None, None, None, None, level, None, {}, {}))
    if replay is not None and len(log) > MOST_ROWS:
        notes.append(Note.of("estimate.too_long", rows=len(log), most=MOST_ROWS))
        read = savings_read(replay)
        lines += [Headline(name, value, None, None, None, level, None, {}, {}) for name, value in read.items()]
    elif replay is not None:
        lines += _savings(drive, replay, control, plan, switches, seeds, level, told)
    return Estimate(tuple(lines), draws, cell, tuple(notes))


def _savings(
    drive: _Drive,
    replay: Replay,
    control: Control,
    plan: list[tuple[str, float]],
    switches: list[Floats | None],
    seeds: list[np.random.SeedSequence],
    level: float,
    told: Callable[[int], None],
) -> list[Headline]:
    """Savings of all layouts: a few drives with valves moved alone, and a few with every error."""
    layouts = [result.layout for result in replay.results]
    count = min(SAVING_SWITCHED + SAVING_DRAWS, len(seeds))
    rows: list[dict[str, float]] = []
    for k, (child, at_s) in enumerate(zip(seeds[:count], switches, strict=False)):
        shift, field = no_shift(drive.swath), drive.field
        if k >= SAVING_SWITCHED:
            errors = draw_shifts(drive.swath, drive.sizes, np.random.default_rng([*_words(child), 3]))
            for source, _ in plan:
                if source != "boundary":
                    shift = shift + getattr(errors, source)
            by_edge = np.random.default_rng([*_words(child), 5]).random() < drive.lines.inside
            field = _lines(drive, child, bool(by_edge))
        swath = _swept(drive, shift, at_s)
        rows.append(savings_of(Job(drive.log, drive.machine, field, swath, drive.cell_m, control), layouts)[1])
        told(REPLAY_TAKES)
    lines = []
    for name, read in savings_read(replay).items():
        values = np.array([row[name] for row in rows if name in row])
        known = values.shape[0] == count and count > SAVING_SWITCHED + 1
        model = (
            0.0
            if replay.agreement_pct is None
            else abs(read) * math.hypot(1.0 - replay.agreement_pct / 100.0, MODEL_SHARE)
        )
        lines.append(
            saving_headline(
                name, read, values[:SAVING_SWITCHED], values[SAVING_SWITCHED:], model, level, drive.sizes.steers is True
            )
            if known
            else Headline(name, read, None, None, None, level, None, {}, {})
        )
    return lines


SOURCE_OF = {
    "along": "receiver", "across": "receiver", "rows": "receiver", "headings": "headings", "antenna": "antenna",
    "latency": "latency", "boundary": "boundary",
}  # fmt: skip


def _sources(drive: _Drive) -> dict[str, float]:
    """Every source of error but switching, and how likely it is inside the log, 0..1.

    A controller that goes by the log's receiver meets edges exactly where the log shows them met: what the receiver is
    off along the way is beside the log. A hand that goes by the ground has it in the log. Across the way it goes by
    who steers. What is new in every row no machine follows. Whether the place of the receiver and the delay of the log
    were set right by what was seen on the ground nobody tells; of the boundary the sprayed edge does.
    """
    by_hand = drive.moments is None or drive.moments.as_one
    across = {True: 0.0, False: 1.0, None: 0.5}[drive.sizes.steers]
    return {
        "along": 1.0 if by_hand else 0.0, "across": across, "rows": 1.0, "headings": 1.0, "antenna": 0.5,
        "latency": 0.5, "boundary": drive.lines.inside,
    }  # fmt: skip


def _size(sizes: Sizes, source: str) -> float:
    return {"antenna": sizes.antenna_m, "latency": sizes.latency_s, "boundary": sizes.boundary_m,
            "headings": sizes.heading_deg}.get(source, sizes.receiver_m)  # fmt: skip


def _thinned(
    drive: _Drive, switches: list[Floats | None], centres: list[dict[str, float]]
) -> list[dict[str, float]] | None:
    """What every second row left out would do to the figures, with valves moved at the same moments.

    None where rows are dense enough not to ask, or too few, or nothing is left.
    """
    log = drive.log
    step = log.quality.median_step_s
    if step < DENSE_S or len(log) < MOST_SPARSE_ROWS or drive.moments is None:
        return None
    thin = log_rows(log, np.unique(np.append(np.arange(0, len(log), 2), len(log) - 1)))
    swath = build_swath(
        thin, drive.machine, drive.field.plane, max_gap_s=2.0 * (drive.max_gap_s or step), bridge_s=drive.bridge_s
    )
    sparse = replace(drive, swath=swath)
    out = []
    for at_s, centre in zip(switches[:THINNED], centres, strict=False):
        if at_s is None:
            return None
        row = _figures(sparse, _swept(sparse, no_shift(swath), at_s), drive.field)
        out.append({name: value - centre[name] for name, value in row.items()})
    return out


def log_rows(log: Log, keep: NDArray[np.int64]) -> Log:
    """A log of some of its rows."""

    def kept(value: Any) -> Any:
        return None if value is None else value[keep]

    return replace(
        log, time_s=log.time_s[keep], latitude_deg=log.latitude_deg[keep], longitude_deg=log.longitude_deg[keep],
        heading_deg=kept(log.heading_deg), speed_m_s=kept(log.speed_m_s), reverse=kept(log.reverse),
        state=log.state[keep], working_width_m=kept(log.working_width_m), rate_l_m2=kept(log.rate_l_m2),
        flow_l_s=kept(log.flow_l_s), hdop=kept(log.hdop),
        product=None if log.product is None else tuple(log.product[k] for k in keep.tolist()),
        extra={name: value[keep] for name, value in log.extra.items()},
    )  # fmt: skip


def _told(moments: Moments, law: Law) -> Note:
    known = np.isfinite(law.model_s)
    return Note.of(
        "estimate.switching_as_one" if moments.as_one else "estimate.switching",
        count=int(moments.row.shape[0]),
        known=100.0 * float(known.mean()),
        inside=100.0 * law.inside,
        shut=Measure(float(law.shift_s[:, 0].mean()), "seconds"),
        open=Measure(float(law.shift_s[:, 1].mean()), "seconds"),
        spread=Measure(float(np.median(law.spread_s)), "seconds"),
    )


def _figures(drive: _Drive, swath: Swath, field: Field) -> dict[str, float]:
    placed = place_drive(drive.log, drive.machine, field, swath, drive.cell_m)
    return figures_of(account(placed, tolerance_m=0.0))


def _swept(drive: _Drive, shift: Shift, at_s: Floats | None) -> Swath:
    swath = moved(drive.swath, shift)
    if drive.moments is None or at_s is None:
        return swath
    return switched(swath, drive.moments, at_s + shift.late_s)


def _moments(drive: _Drive, child: np.random.SeedSequence, *, calm: bool = False) -> Floats | None:
    if drive.moments is None or drive.law is None:
        return None
    return drawn(drive.moments, drive.law, np.random.default_rng([*_words(child), 1]), calm=calm)


def _words(child: np.random.SeedSequence) -> list[int]:
    return [int(word) for word in child.generate_state(2)]


def _both_ways(
    drive: _Drive, child: np.random.SeedSequence, at_s: Floats | None, source: str, by_edge: bool
) -> tuple[dict[str, float], dict[str, float]]:
    """Figures with one source's error as drawn, and the other way round; ``by_edge``: see :func:`_lines`."""
    if source == "boundary":
        swath = _swept(drive, no_shift(drive.swath), at_s)
        plus, minus = (_figures(drive, swath, _lines(drive, child, by_edge, sign)) for sign in (1.0, -1.0))
        return plus, minus
    if source == "rows":
        east_north = drive.sizes.rows_m * np.random.default_rng([*_words(child), 4]).standard_normal(
            (2, len(drive.log))
        )
        swaths = (replace(drive, swath=_rebuilt(drive, sign * east_north)) for sign in (1.0, -1.0))
        plus, minus = (_figures(other, _swept(other, no_shift(other.swath), at_s), drive.field) for other in swaths)
        return plus, minus
    shift: Shift = getattr(draw_shifts(drive.swath, drive.sizes, np.random.default_rng([*_words(child), 3])), source)
    plus, minus = (_figures(drive, _swept(drive, way, at_s), drive.field) for way in (shift, -shift))
    return plus, minus


def _lines(drive: _Drive, child: np.random.SeedSequence, by_edge: bool, sign: float = 1.0) -> Field:
    """Where the field's lines may be; ``by_edge``: the machine went by the edge of the field and not by its lines."""
    rng = np.random.default_rng([*_words(child), 2])
    edges = drive.lines.edges if by_edge else ()
    return moved_field(drive.field, drive.sizes.boundary_m, rng, sign, edges=edges)


def _rebuilt(drive: _Drive, east_north_m: Floats) -> Swath:
    """The swath of the log with every row elsewhere: headings from the track and the way between rows move with it."""
    log = drive.log
    north, east = metres_per_degree(float(np.median(log.latitude_deg)))
    other = replace(
        log,
        latitude_deg=log.latitude_deg + east_north_m[1] / north,
        longitude_deg=log.longitude_deg + east_north_m[0] / east,
    )
    return build_swath(other, drive.machine, drive.field.plane, max_gap_s=drive.max_gap_s, bridge_s=drive.bridge_s)
