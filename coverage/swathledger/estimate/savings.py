"""What finer outlet groups spare, on a drive as read and on redrawn ones."""

from __future__ import annotations

from collections.abc import Sequence

from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.results import Layout, LayoutResult, Replay
from swathledger.shutoff.run import QUANTITIES, Job, logged_setting, run_layout, setting_of
from swathledger.shutoff.steps import saving_steps

SAVED, SAVED_VS_LOG = "saved_pct:", "saved_vs_log_pct:"
"""Quantities by layout: groups alone, at equal cover, and against what was done; per cent of what was done."""


def savings_read(replay: Replay) -> dict[str, float]:
    """Savings of all layouts of a replay by quantity; what is not known is left out."""
    out: dict[str, float] = {}
    for result in replay.results:
        step = result.step("resolution")
        if step is not None and step.saved_pct is not None:
            out[SAVED + result.layout.name] = step.saved_pct
        against = _against(replay.as_logged, result)
        if against is not None:
            out[SAVED_VS_LOG + result.layout.name] = against
    return out


def savings_of(job: Job, layouts: Sequence[Layout]) -> tuple[Accounting, dict[str, float]]:
    """What was done and savings of layouts on a drive, as :func:`savings_read` has them of a replay."""
    accounting = account(place_drive(job.log, job.machine, job.field, job.swath, job.cell_m), tolerance_m=0.0)
    own, today = logged_layout(job.log, job.machine), logged_setting(job.control)
    volumes = accounting.volumes
    done = LayoutResult(
        own,
        {name: accounting.areas.cells[name] for name in QUANTITIES},
        0.0,
        accounting.areas.cell_m,
        None if volumes is None else volumes.logged_l - volumes.standing_l,
        0.0,
        accounting.cause_cells,
    )
    model = run_layout(job, own, today).result
    retimed = {today: model}
    out: dict[str, float] = {}
    for layout in layouts:
        setting = today if layout.limit else setting_of(layout, job.control)
        result = run_layout(job, layout, setting).result
        if not layout.limit:
            if setting not in retimed:
                retimed[setting] = run_layout(job, own, setting).result
            steps = saving_steps(done, model, result, result, retimed=retimed[setting])
            share = next(step.saved_pct for step in steps if step.step == "resolution")
            if share is not None:
                out[SAVED + layout.name] = share
        against = _against(done, result)
        if against is not None:
            out[SAVED_VS_LOG + layout.name] = against
    return accounting, out


def _against(done: LayoutResult, result: LayoutResult) -> float | None:
    """Per cent of what was done that a layout does not lay, by litres where known, else by area."""
    if done.volume_l is not None and result.volume_l is not None:
        return 100.0 * (done.volume_l - result.volume_l) / done.volume_l if done.volume_l > 0 else None
    laid = done.m2("applied")
    return 100.0 * (laid - result.m2("applied")) / laid if laid > 0 else None
