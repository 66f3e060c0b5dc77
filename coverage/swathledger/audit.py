"""The whole way for one field: read, place, sweep, count, replay, document, write.

:func:`prepare` reads and rebuilds, :func:`compute` places, counts and replays, :func:`run_audit` writes all results
into a folder at once or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from swathledger._called import callable_module
from swathledger.errors import InputError, LogError
from swathledger.notes import Measure, Note
from swathledger.report.audited import Prepared, Progress
from swathledger.settings import AuditSettings

__all__ = [
    "DEFAULT_GROUPS", "Prepared", "Progress", "compute", "count", "estimated", "one_job", "place", "prepare", "rebuilt",
    "resolve", "run_audit",
]  # fmt: skip

callable_module(__name__)

if TYPE_CHECKING:
    from swathledger.documents.advice import LedgerAction
    from swathledger.documents.ledger import Ledger
    from swathledger.field.field import Field
    from swathledger.field.source import BoundaryFile
    from swathledger.ledger.account import Sink
    from swathledger.ledger.place import Placed
    from swathledger.log.log import Log
    from swathledger.log.span import Spans
    from swathledger.machine.machine import Machine
    from swathledger.report.audited import Audit
    from swathledger.swath.swath import Swath

DEFAULT_TOLERANCE_M = 0.10
WORTH_SAYING_M = 1.0
DEFAULT_GROUPS = ("boom", "9", "6", "3", "nozzle", "limit")


def resolve(settings: AuditSettings, log: Log, machine: Machine) -> tuple[AuditSettings, list[Note]]:
    """Fill in what the user left to be derived; returns the settings and what was assumed."""
    from swathledger.grid.frame import default_cell_m
    from swathledger.motion import default_max_gap_s

    notes: list[Note] = []
    boom = machine.boom
    # A machine known by its width alone has no nozzles that a cell would have to resolve.
    spacing = boom.nozzle_spacing_m if boom.nozzle_count > 1 else boom.width_m
    cell = settings.cell_m if settings.cell_m is not None else default_cell_m(spacing)
    if settings.cell_m is not None and settings.cell_m > spacing / 4:
        notes.append(Note.of("audit.coarse_cell", cell=Measure(settings.cell_m, "length")))
    gap = settings.max_gap_s if settings.max_gap_s is not None else default_max_gap_s(log.quality.median_step_s)
    tolerance = settings.tolerance_m
    if tolerance is None:
        sigma = log.quality.gnss_sigma_m if log.quality.gnss_sigma_m is not None else machine.gnss_sigma_m
        if sigma is None:
            tolerance = DEFAULT_TOLERANCE_M
            notes.append(Note.of("audit.no_accuracy", tolerance=Measure(tolerance, "length")))
        else:
            tolerance = 2.0 * sigma
    groups, off = settings.groups, settings.off_when_covered
    if groups is None:
        groups = machine.replay.words or DEFAULT_GROUPS
    if off is None:
        off = machine.replay.off_when_covered or 1.0
    return (
        replace(settings, cell_m=cell, max_gap_s=gap, tolerance_m=tolerance, groups=groups, off_when_covered=off),
        notes,
    )


def prepare(
    logs: Sequence[Path],
    machine_path: Path | Machine,
    boundary: Path | Literal["derive"],
    settings: AuditSettings,
    *,
    spans: Sequence[Spans] | None = None,
    notes: Sequence[Note] = (),
) -> Prepared:
    """Read log, machine and boundary, and rebuild the swath.

    ``spans``: the stretches of each log that belong to this job, see :func:`swathledger.log.read.read_log`. ``notes``:
    assumptions to be told with the others.

    Raises
    ------
    LogError, MachineError, FieldError
        What was given cannot be used; the message says why and what to do.
    """
    from swathledger.log.read import read_log
    from swathledger.machine.read import read_machine

    machine = read_machine(machine_path) if isinstance(machine_path, Path) else machine_path
    log = read_log(
        list(logs),
        columns=machine.columns,
        options=machine.log_options.given(),
        sections=len(machine.boom.sections),
        nozzles=machine.boom.nozzle_count,
        spans=spans,
        section_widths_m=machine.boom.section_widths_m,
    )
    return rebuilt(log, machine, boundary, settings, name=logs[0].stem, notes=notes)


def rebuilt(
    log: Log,
    machine: Machine,
    boundary: Path | BoundaryFile | Field | Literal["derive"],
    settings: AuditSettings,
    *,
    name: str,
    notes: Sequence[Note] = (),
) -> Prepared:
    """Rebuild the swath of a log that has been read.

    ``name``: of a field whose boundary is derived, where the settings name none. As for :func:`prepare` otherwise.
    """
    from swathledger.checkup.examine import examine
    from swathledger.field.plane import plane_for
    from swathledger.field.read import field_from, read_field
    from swathledger.field.source import BoundaryFile
    from swathledger.fitted.told import disagreements, setup_of
    from swathledger.swath.build import build_swath

    checkup = examine(log, machine)
    log = checkup.log
    final, resolved = resolve(settings, log, machine)
    assumptions: list[Note] = [*notes, *log.quality.warnings, *checkup.notes, *resolved]
    if boundary == "derive":
        from swathledger.field.derive import field_from_quads

        plane = plane_for(latitude_deg=log.latitude_deg, longitude_deg=log.longitude_deg)
        swath = build_swath(log, machine, plane, max_gap_s=final.max_gap_s, bridge_s=final.bridge_s)
        xs, ys = swath.quads()
        if xs.shape[0] == 0:
            raise LogError(
                "nothing was sprayed while driving, so no boundary can be derived from the ground covered.",
                file=log.inputs[0][0],
                hint="Give a boundary file.",
            )
        given = settings.field_id if settings.field_id is not None else name
        field = field_from_quads(xs, ys, plane, boom_width_m=machine.boom.width_m, field_id=given)
    else:
        where = {"latitude_deg": log.latitude_deg, "longitude_deg": log.longitude_deg}
        if isinstance(boundary, Path):
            field = read_field(boundary, field_id=settings.field_id, **where)
        elif isinstance(boundary, BoundaryFile):
            field = field_from(boundary, field_id=settings.field_id, **where)
        else:
            field = boundary
        swath = build_swath(log, machine, field.plane, max_gap_s=final.max_gap_s, bridge_s=final.bridge_s)
    assumptions += [*field.notes, *swath.notes, *_switching(log, swath)]
    known = None if boundary == "derive" else field.target
    setup = setup_of(log, machine, swath, known, final.tolerance_m or DEFAULT_TOLERANCE_M)
    assumptions += () if setup is None else disagreements(setup)
    return Prepared(log, machine, field, swath, final, tuple(dict.fromkeys(assumptions)), checkup, setup)


def one_job(prepared: Prepared, asked: bool) -> Prepared:
    """Refuse a log of several jobs, which would count each other's ground as overlap; told where one is asked for."""
    from swathledger.log.jobs import new_jobs
    from swathledger.text import duration, moment

    log = prepared.log
    found = new_jobs(log)
    if not found:
        return prepared
    if asked:
        told = Note.of("audit.as_one_job", count=len(found) + 1)
        return replace(prepared, assumptions=(*prepared.assumptions, told))
    first = found[0]
    when = f" at {moment(first.begins_s, decimals=3)}" if log.time_is_absolute else ""
    why = (
        f"spraying began again{when} after a pause of {duration(first.begins_s - first.ended_s)}"
        if first.because == "pause"
        else f"the product changed{when} from {first.product_before!r} to {first.product!r}"
    )
    raise LogError(
        f"this is more than one job ({len(found) + 1} in all): {why}. Ground that both treated would count as overlap.",
        file=", ".join(name for name, _ in log.inputs),
        hint="Audit each job by itself (match and season tell them apart by field and day), or ask for all as one "
        "with --as-one-job.",
    )


def _switching(log: Log, swath: Swath) -> list[Note]:
    """How late switches are seen on average, where that is worth a word: half a step of the log, over a metre."""
    import numpy as np

    duration = np.diff(swath.time_s)
    swept = swath.wanted & ~swath.standing & (duration > 0)
    if log.state_kind == "none" or not bool(swept.any()):
        return []
    speed = float(swath.distance_m[swept].sum() / duration[swept].sum())
    late = 0.5 * speed * log.quality.median_step_s
    if late < WORTH_SAYING_M:
        return []
    step = Measure(log.quality.median_step_s, "seconds")
    return [Note.of("audit.switches_seen_late", step=step, late=Measure(late, "length"))]


def compute(prepared: Prepared, *, sinks: Sequence[Sink] = (), progress: Progress | None = None) -> Audit:
    """Account for a prepared drive and replay the outlet groups that the settings ask for."""
    return count(prepared, place(prepared), sinks, progress)


def place(prepared: Prepared) -> Placed:
    """The drive on the field's grid."""
    from swathledger.ledger.place import place_drive

    if prepared.settings.cell_m is None:
        raise InputError("settings must be resolved before computing; call prepare() first")
    return place_drive(prepared.log, prepared.machine, prepared.field, prepared.swath, prepared.settings.cell_m)


def count(
    prepared: Prepared, placed: Placed, sinks: Sequence[Sink], progress: Progress | None, *, own_layouts: bool = False
) -> Audit:
    """Count what was placed, and replay it; ``own_layouts``: the machine's ``[[replay.layouts]]`` alone will do."""
    from swathledger.ledger.account import account
    from swathledger.money.account import account_products, plan_products
    from swathledger.plumbing.job import standing_of
    from swathledger.report.audited import Audit
    from swathledger.shutoff.over_applied import OverApplied
    from swathledger.shutoff.replay import control_for, replay_drive

    settings, log, machine, swath = prepared.settings, prepared.log, prepared.machine, prepared.swath
    if settings.tolerance_m is None:
        raise InputError("settings must be resolved before computing; call prepare() first")
    # What the machine file says of plumbing and products is checked before the long work.
    standing = standing_of(log, machine, prepared.field, swath, max_gap_s=settings.max_gap_s)
    plan = plan_products(log, machine, placed, settings.product)
    shown = list(sinks)
    if plan is not None and plan.sink is not None:
        shown.append(plan.sink)
    groups = settings.groups or ()
    over = OverApplied(placed.frame) if groups or own_layouts else None
    if over is not None:
        shown.append(over.sink)
    # a replayed layout takes about as long as the accounting itself
    part = 1.0 / (2 + len(groups)) if groups else 1.0

    def told(what: str, first: float, share: float) -> Callable[[float], None] | None:
        return None if progress is None else (lambda done: progress(what, first + share * done))

    accounting = account(
        placed,
        tolerance_m=settings.tolerance_m,
        threads=settings.threads,
        sinks=shown,
        progress=told("covering ground", 0.0, part),
    )
    replay = None
    fitting: tuple[Note, ...] = ()
    actions: tuple[LedgerAction, ...] = ()
    hand = True
    if over is not None:
        control = control_for(machine, settings.off_when_covered or 1.0, settings.tolerance_m)
        if machine.replay.controller == "fitted":
            from swathledger.fitted.controller import fitted_control

            by_log = fitted_control(log, machine, prepared.field, swath, control)
            control, fitting = by_log.control, (by_log.note,)
        replay = replay_drive(
            log,
            machine,
            placed,
            accounting,
            over,
            groups,
            control,
            threads=settings.threads,
            progress=told("replaying", part, 1.0 - part),
        )
        if prepared.setup is not None:
            from swathledger.advice.setup import COARSE_M, by_hand, setup_actions
            from swathledger.shutoff.run import Job

            cell = max(placed.frame.cell_m, COARSE_M)
            hand = by_hand(prepared.setup)
            actions = setup_actions(Job(log, machine, prepared.field, swath, cell, control), accounting, prepared.setup)
    products = (
        None if plan is None else account_products(plan, log, machine, placed, accounting, threads=settings.threads)
    )
    notes = () if plan is None else plan.tank.notes
    assumptions = dict.fromkeys([*prepared.assumptions, *accounting.notes, *notes, *fitting])
    return Audit(
        log,
        machine,
        prepared.field,
        swath,
        accounting,
        replay,
        settings,
        tuple(assumptions),
        standing,
        products,
        checkup=prepared.checkup,
        actions=actions,
        by_hand=hand,
    )


def estimated(audit: Audit, progress: Progress | None = None) -> Audit:
    """The audit with best estimates and intervals of its headlines, and what was assumed for them."""
    from swathledger.estimate.estimate import estimate_drive
    from swathledger.shutoff.replay import control_for

    settings = audit.settings
    if settings.tolerance_m is None or audit.accounting.areas.cells["target"] == 0:
        return audit
    control = control_for(audit.machine, settings.off_when_covered or 1.0, settings.tolerance_m)
    found = estimate_drive(
        audit.log,
        audit.machine,
        audit.field,
        audit.swath,
        audit.accounting,
        control,
        audit.replay,
        max_gap_s=settings.max_gap_s,
        bridge_s=settings.bridge_s,
        threads=settings.threads,
        progress=None if progress is None else lambda done: progress("redrawing the drive", 0.9 + 0.1 * done),
    )
    assumptions = tuple(dict.fromkeys([*audit.assumptions, *found.notes]))
    return replace(audit, estimate=found, assumptions=assumptions)


def run_audit(
    logs: Sequence[Path],
    machine_path: Path | Machine,
    boundary: Path | Literal["derive"],
    out: Path,
    settings: AuditSettings,
    *,
    overwrite: bool = False,
    spans: Sequence[Spans] | None = None,
    notes: Sequence[Note] = (),
    progress: Progress | None = None,
    as_one_job: bool = False,
    among: bool = False,
    also: Mapping[str, bytes] | None = None,
) -> Ledger:
    """Audit one field and write ``ledger.json``, ``ledger.csv``, ``cover.tif``, ``ledger.gpkg`` and ``report.html``.

    The folder ``out`` appears whole or not at all, with a list of what was written (``written.json``); files that no
    such list names are left as they are.

    Parameters
    ----------
    overwrite : bool
        Results of an earlier audit may be replaced.
    among : bool
        Results may be put among other files, whose names they never take.
    also : mapping of str to bytes, optional
        Files to be written with the results.

    Returns
    -------
    Ledger
        The document of ``ledger.json``.

    Raises
    ------
    LogError
        The logs hold more than one job and ``as_one_job`` is not set.
    OutputError
        ``out`` exists and ``overwrite`` is not set, or cannot be written.
    """
    from swathledger.report.folder import new_folder
    from swathledger.report.write import ResultFolder, share_of_computing

    given = [path for path in (*logs, machine_path, boundary) if isinstance(path, Path)]
    with new_folder(out, by="audit", overwrite=overwrite, inputs=given, among=among) as folder:
        prepared = one_job(prepare(logs, machine_path, boundary, settings, spans=spans, notes=notes), as_one_job)
        placed = place(prepared)
        with ResultFolder(folder, placed, prepared.settings.threads) as results:
            computing = share_of_computing(progress)
            audit = count(prepared, placed, results.sinks, computing)
            if prepared.settings.interval:
                audit = estimated(audit, computing)
            document = results.write(audit, progress)
        for name, data in (also or {}).items():
            (folder / name).write_bytes(data)
        return document
