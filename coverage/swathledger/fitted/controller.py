"""The controller of a replay, fitted to the log: :func:`fitted_control`."""

from __future__ import annotations

from dataclasses import dataclass, replace

from swathledger.field.field import Field
from swathledger.fitted.carrier import Setup
from swathledger.fitted.fit import fit_setup, valves_of
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.notes import Note
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.replay import logged_open
from swathledger.shutoff.run import Control, Job, Setting, drive_groups, logged_setting
from swathledger.swath.swath import Swath

CLEARLY_PCT = 0.5
"""A fitted controller is used where it agrees with the log in so many more of 100 section-seconds."""


@dataclass(frozen=True, slots=True)
class FittedControl:
    """What a replay is to run on.

    Attributes
    ----------
    control : Control
        With :attr:`Control.fitted` set where the fitted controller is clearly the better one.
    before_pct, after_pct : float or None
        Agreement with the log under the machine file's controller and under the fitted one.
    setup : Setup
    note : Note
        What was done.
    """

    control: Control
    before_pct: float | None
    after_pct: float | None
    setup: Setup
    note: Note


def as_read(valves: Valves, late_s: float) -> Valves:
    """The same valves as a log shows them whose rows are seen late: a row's state holds until the next."""
    on = valves.on_delay_s - valves.look_ahead_on_s + late_s
    off = valves.off_delay_s - valves.look_ahead_off_s + late_s
    return valves_of(on, off)


def _candidates(setup: Setup, control: Control, late_s: float) -> tuple[Setting, ...]:
    """Fitted settings: with the threshold and margin found, and with the delays alone."""
    found = setup.controller
    if found is None:
        return ()
    valves = as_read(found.on_these_poses, late_s)
    margin = found.margin_used_m if found.margin_used_m != 0.0 else None
    whole = Setting(valves, found.covered_used, margin, 0.0)
    return tuple(dict.fromkeys((whole, Setting(valves, control.off_when_covered, None, 0.0))))


def fitted_control(log: Log, machine: Machine, field: Field, swath: Swath, control: Control) -> FittedControl:
    """Fit the controller to a log, and take it where it agrees clearly better with it than the machine file's.

    The log's states hold from row to row, and the ledger counts them so: half a row's step is added to the delays
    fitted, so that the model is held against what the ledger counts.

    Parameters
    ----------
    field : Field
        Its target ends a section's wish as treated ground does.
    control : Control
        By the machine file.
    """
    target = field.target if field.source == "given" else None
    setup = fit_setup(log, machine, swath, target=target, tolerance_m=control.tolerance_m)
    layout = logged_layout(log, machine)
    done = logged_open(swath, layout)
    job = Job(log, machine, field, swath, 1.0, control)
    drive = drive_of(swath)

    def agreement(setting: Setting) -> float | None:
        _, totals = drive_groups(job, drive, layout, setting, done)
        return 100.0 * float(totals[1] / totals[2]) if totals[2] > 0 else None

    tried = _candidates(setup, control, log.quality.median_step_s / 2)
    if not tried:
        why = setup.ahead_m.why_not or Note.of("fitted.no_states")
        return FittedControl(control, None, None, setup, Note.of("fitted.not_fitted", why=why))
    before = agreement(logged_setting(control))
    scores = [agreement(setting) for setting in tried]
    best = max(range(len(tried)), key=lambda k: -1.0 if scores[k] is None else float(scores[k] or 0.0))
    after = scores[best]
    if before is None or after is None or after < before + CLEARLY_PCT:
        told = Note.of("fitted.kept", before=_pct(before), after=_pct(after))
        return FittedControl(control, before, after, setup, told)
    valves = tried[best].valves
    told = Note.of(
        "fitted.used",
        on=f"{valves.on_delay_s - valves.look_ahead_on_s:.2f}",
        off=f"{valves.off_delay_s - valves.look_ahead_off_s:.2f}",
        covered=f"{tried[best].off_when_covered:.2f}",
        before=_pct(before),
        after=_pct(after),
    )
    return FittedControl(replace(control, fitted=tried[best]), before, after, setup, told)


def _pct(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.1f}"
