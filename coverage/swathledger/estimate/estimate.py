"""Best estimates and intervals of a drive's headlines: :func:`estimate_drive`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.carrier import Estimate, Headline
from swathledger.estimate.combine import Pull, headline
from swathledger.estimate.fields import moved_field
from swathledger.estimate.sizes import Sizes, sizes_of
from swathledger.estimate.states import Moments, moments_of
from swathledger.estimate.switching import CHAIN, SETTLING, Law, drawn, fitted, leaning, likely, matched
from swathledger.estimate.ways import Shift, draw_shifts, moved, no_shift, switched
from swathledger.field.field import Field
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.notes import Measure, Note
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.run import Control, Job, drive_groups, logged_setting
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
LEVEL = 0.9
DRAWS = 20
SOURCE_DRAWS = 8
SEED = 20_261_125
COARSE_M = 0.5
COARSER = 4.0
AREAS = {
    "over_application_pct": "over_application", "skip_pct": "skip", "outside_pct": "outside",
    "excluded_pct": "excluded",
}  # fmt: skip
STATED_S, UNSTATED_S = 0.08, 0.5
"""How well delays of valves are known before the log is looked at, s: where the machine file gives them, or not."""


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
    *,
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
    draws : int
        Redrawn drives.
    """
    notes: list[Note] = []
    sizes, assumed = sizes_of(log, machine, field, swath.sigma_m)
    notes += assumed
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    cell = max(accounting.areas.cell_m, min(COARSE_M, COARSER * accounting.areas.cell_m))
    moments = moments_of(log, machine, swath)
    law = None
    if moments is not None and moments.row.shape[0]:
        law = law_of(log, machine, field, swath, moments, control, rng)
        notes.append(_told(moments, law))
    drive = _Drive(log, machine, field, swath, cell, sizes, moments, law)
    read = figures_of(accounting)
    base = _figures(drive, swath, field)
    seeds = np.random.SeedSequence([seed, 2]).spawn(draws)
    plan = [(source, place) for source, place in _sources(drive).items() if _size(sizes, source) > 0]
    done, whole = 0, draws + SOURCE_DRAWS * len(plan)
    switches = [_moments(drive, child) for child in seeds]
    centres: list[dict[str, float]] = []
    for at_s in switches:
        centres.append(base if at_s is None else _figures(drive, _swept(drive, no_shift(swath), at_s), field))
        done += 1
        if progress is not None:
            progress(done / whole)
    pulled: list[list[tuple[dict[str, float], dict[str, float]]]] = []
    for source, _ in plan:
        pulled.append([])
        for child, at_s in zip(seeds[:SOURCE_DRAWS], switches, strict=False):
            pulled[-1].append(_both_ways(drive, child, at_s, source))
            done += 1
            if progress is not None:
                progress(done / whole)
    target = accounting.areas.m2("target")
    lines: list[Headline] = []
    for name, value in read.items():
        pulls = [
            Pull(
                SOURCE_OF[source],
                place,
                np.array([row[name] for row in centres[:SOURCE_DRAWS]]),
                np.array([plus[name] for plus, _ in rows]),
                np.array([minus[name] for _, minus in rows]),
            )
            for (source, place), rows in zip(plan, pulled, strict=True)
        ]
        cells = 0.0
        if name in AREAS and target > 0:
            cells = 100.0 * accounting.areas.standard_error_m2(AREAS[name]) / target
        switched_ = np.array([row[name] for row in centres])
        lines.append(headline(name, value, base[name], switched_, pulls, cells, level, floor=True))
    return Estimate(tuple(lines), draws, cell, tuple(notes))


SOURCE_OF = {
    "along": "receiver", "across": "receiver", "rows": "receiver", "headings": "headings", "antenna": "antenna",
    "latency": "latency", "boundary": "boundary",
}  # fmt: skip


def _sources(drive: _Drive) -> dict[str, str]:
    """Every source of error but switching, and where it is.

    A controller that goes by the log's receiver meets edges exactly where the log shows them met: what the receiver is
    off along the way is beside the log. A hand that goes by the ground has it in the log. Across the way it goes by
    who steers. What is new in every row no machine follows. Whether the place of the receiver, the delay of the log and
    the boundary were set right by what was seen on the ground nobody tells.
    """
    by_hand = drive.moments is None or drive.moments.as_one
    across = {True: "beside", False: "inside", None: "unsure"}[drive.sizes.steers]
    return {
        "along": "inside" if by_hand else "beside", "across": across, "rows": "inside", "headings": "inside",
        "antenna": "unsure", "latency": "unsure", "boundary": "unsure",
    }  # fmt: skip


def _size(sizes: Sizes, source: str) -> float:
    return {"antenna": sizes.antenna_m, "latency": sizes.latency_s, "boundary": sizes.boundary_m,
            "headings": sizes.heading_deg}.get(source, sizes.receiver_m)  # fmt: skip


def law_of(
    log: Log, machine: Machine, field: Field, swath: Swath, moments: Moments, control: Control, rng: np.random.Generator
) -> Law:
    """The law of the model's misses: the log's own layout driven by the model, its moments set beside the log's.

    Twice: where a valve opened tells where a later one shuts. The second time the model finds ground treated from the
    likely moments on rather than from the rows that show them.
    """
    layout = logged_layout(log, machine)
    stated = machine.valves != Valves() and not moments.as_one
    timing_s = STATED_S if stated else UNSTATED_S
    unknown = np.full(moments.row.shape[0], np.nan)
    if layout.edges_m.shape != moments.edges_m.shape or not np.allclose(layout.edges_m, moments.edges_m):
        return fitted(moments, unknown, np.zeros(unknown.shape[0]), timing_s, rng)
    law: Law | None = None
    for way in range(2):
        driven = swath if law is None else switched(swath, moments, likely(moments, law))
        job = Job(log, machine, field, driven, 1.0, control)
        switches, _ = drive_groups(job, drive_of(driven), layout, logged_setting(control), None)
        start = driven.time_s[switches.step]
        of_model = start + switches.u * (driven.time_s[switches.step + 1] - start), switches.group, switches.opens
        model = matched(moments, *of_model)
        lean = np.zeros(unknown.shape[0])
        if not moments.as_one:
            lean = leaning(layout.edges_m, *of_model, model, moments.column, moments.opens)
        law = fitted(moments, model, lean, timing_s, rng, CHAIN if way else SETTLING)
    return law if law is not None else fitted(moments, unknown, np.zeros(unknown.shape[0]), timing_s, rng)


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


def _moments(drive: _Drive, child: np.random.SeedSequence) -> Floats | None:
    if drive.moments is None or drive.law is None:
        return None
    return drawn(drive.moments, drive.law, np.random.default_rng([*_words(child), 1]))


def _words(child: np.random.SeedSequence) -> list[int]:
    return [int(word) for word in child.generate_state(2)]


def _both_ways(
    drive: _Drive, child: np.random.SeedSequence, at_s: Floats | None, source: str
) -> tuple[dict[str, float], dict[str, float]]:
    """Figures with one source's error as drawn, and the other way round."""
    if source == "boundary":
        swath = _swept(drive, no_shift(drive.swath), at_s)
        line = (
            moved_field(drive.field, drive.sizes.boundary_m, np.random.default_rng([*_words(child), 2]), sign)
            for sign in (1.0, -1.0)
        )
        plus, minus = (_figures(drive, swath, place) for place in line)
        return plus, minus
    shift: Shift = getattr(draw_shifts(drive.swath, drive.sizes, np.random.default_rng([*_words(child), 3])), source)
    plus, minus = (_figures(drive, _swept(drive, way, at_s), drive.field) for way in (shift, -shift))
    return plus, minus
