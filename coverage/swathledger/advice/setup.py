"""What the drive says of the machine, as actions: when sections move, where the boom is, spacing, order of passes.

Each is found by replaying today's groups with the controller that was fitted to the log, once as it acted and once with
the fault put right, so that nothing but the fault is in the difference.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import stdtrit

from swathledger.advice.moved import (
    Runs,
    headland_after,
    headland_exchanged,
    lines_of,
    longer_wanted,
    moved_left,
    runs_of,
    spaced,
)
from swathledger.documents.advice import LedgerAction
from swathledger.fitted.carrier import LEVEL, Controller, Found, Setup
from swathledger.fitted.fit import valves_of
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.resweep import resweep
from swathledger.shutoff.run import Job, Setting, drive_groups, logged_setting
from swathledger.swath.swath import Swath

LEAST_S: Final = 0.3
"""Net delays below this are within what valves and rows a second apart leave open."""
MOST_STRAYS: Final = 0.3
"""Where the model does not explain so many of the switches, a hand moved them, and no delay is read from them."""
LEAST_LAG_S: Final = 0.15
"""Opening and shutting that are off by less than this from one another are off alike."""
LEAST_SPACING_M: Final = 0.05
LEAST_GAPS: Final = 3
LEAST_ERROR_M: Final = 0.005
LEAST_RIGHT_M: Final = 0.1
SLIVER_M: Final = 0.1
"""Gaps below this open no valve in a replay here, however well the receiver knows its place."""
COARSE_M: Final = 0.25
"""Cells of the replays, of which only differences count."""


def by_hand(setup: Setup | None) -> bool:
    """Whether sections were not moved by a controller that the model explains; False where that cannot be told."""
    if setup is None:
        return False
    if setup.controller is not None:
        return setup.controller.strays > MOST_STRAYS
    why = setup.ahead_m.why_not
    return why is not None and why.code in ("fitted.as_one", "fitted.never_switched")


@dataclass(frozen=True, slots=True)
class _Laid:
    """Ground of one replay, m2."""

    over: float
    covered: float


class _WhatIf:
    """Replays of today's groups on coarse cells, each run once."""

    def __init__(self, job: Job, accounting: Accounting) -> None:
        self.job = job
        self.layout = logged_layout(job.log, job.machine)
        self.covered_m2 = accounting.areas.m2("covered")
        volumes = accounting.volumes
        applied = accounting.areas.m2("applied")
        litres = None if volumes is None or applied <= 0 else volumes.logged_l - volumes.standing_l
        self.dose_l_m2 = None if litres is None else litres / applied
        self._runs: dict[tuple[int, int, Setting], _Laid] = {}
        self._swaths: list[Swath] = []  # kept, so that their ids stay theirs

    def laid(self, swath: Swath, setting: Setting, believed: Swath | None = None) -> _Laid:
        """What the groups leave behind on a swath, deciding by it or by the swath on which they believe themselves."""
        key = (id(swath), id(believed), setting)
        if key not in self._runs:
            self._swaths += [swath] if believed is None else [swath, believed]
            job = replace(self.job, swath=swath if believed is None else believed)
            moments, _ = drive_groups(job, drive_of(job.swath), self.layout, setting, None)
            swept = resweep(swath, drive_of(swath), self.layout.edges_m, moments)
            placed = place_drive(job.log, job.machine, job.field, swept, job.cell_m)
            areas = account(placed, tolerance_m=0.0).areas
            self._runs[key] = _Laid(areas.m2("over_application"), areas.m2("covered"))
        return self._runs[key]

    def action(
        self, name: str, found_by: str, now: _Laid, then: _Laid, found: Found | None = None, value: float | None = None
    ) -> LedgerAction:
        """What is gained from one replay to the other: spray at equal cover, and ground no longer missed.

        Both follow what is to be set in proportion, and so does their interval.
        """
        share = self.covered_m2 / now.covered if now.covered > 0 else 0.0
        equal = now.covered / then.covered if then.covered > 0 else 0.0
        saved = (now.over - then.over * equal) * share
        missed = (then.covered - now.covered) * share
        low, high = _shares(found)
        litres = None if self.dose_l_m2 is None or saved <= 0 else saved * self.dose_l_m2
        return LedgerAction(
            action=name, found_by=found_by, saved_l=litres, saved_m2=saved if saved > 0 else None,
            missed_m2=missed if missed > 0 else None, low_l=None if litres is None or low is None else low * litres,
            high_l=None if litres is None or high is None else high * litres,
            level=None if litres is None or low is None else LEVEL, value=value,
        )  # fmt: skip


def _shares(found: Found | None) -> tuple[float | None, float | None]:
    """Ends of an interval as shares of its value, the lesser first; never below none."""
    if found is None or not found.value or found.low is None or found.high is None:
        return None, None
    ends = sorted((found.low / found.value, found.high / found.value))
    return max(ends[0], 0.0), ends[1]


def _off(found: Found, right: float, least: float) -> bool:
    """Whether a figure is surely not what it ought to be, and far enough off to act on."""
    if found.value is None or found.low is None or found.high is None:
        return False
    return abs(found.value - right) >= least and not found.low <= right <= found.high


def _minus(found: Found, other: float) -> Found:
    """A figure less what it ought to be."""
    if found.value is None or found.low is None or found.high is None:
        return found
    return Found(found.value - other, found.error, found.low - other, found.high - other)


def setup_actions(job: Job, accounting: Accounting, setup: Setup) -> tuple[LedgerAction, ...]:
    """What to change in the set-up, each with what it would have saved.

    Parameters
    ----------
    job : Job
        The drive and the controller model.
    accounting : Accounting
        What was done.
    setup : Setup
        What was found in the drive.

    Returns
    -------
    tuple of LedgerAction
        ``controller_offset`` (``value``: m that sections act late along the way, both opening and shutting),
        ``shut_off`` and ``open`` (``value``: s too late, negative too early), ``sideways`` (``value``: m that the boom
        lies right of where it is steered, negative left), ``spacing`` (``value``: m to add, negative to take off),
        ``headland_first`` and ``headland_last``.
    """
    if setup.controller is not None:
        # a row shows the valves as they were found: the controller may have opened up to a step before, and the model
        # is to say when
        job = replace(job, swath=longer_wanted(job.swath, job.log.quality.median_step_s, 0.0))
    control = replace(job.control, tolerance_m=max(job.control.tolerance_m, SLIVER_M))
    job = replace(job, control=control)
    what_if = _WhatIf(job, accounting)
    runs: list[Runs] = []

    def all_runs() -> Runs:
        if not runs:
            runs.append(runs_of(job.swath, job.field))
        return runs[0]

    # passes that end where nothing is treated yet are ended by the operator's switch, and say nothing of the sections'
    out = [] if headland_after(all_runs()) else _timing(job, what_if, setup)
    acted = _acted(job, setup)
    right = setup.right_m
    beside = _minus(right, setup.file_right_m)
    if beside.value is not None and _off(beside, 0.0, LEAST_RIGHT_M):
        # the controller goes by the same receiver: it decides where it believes the boom to be
        steered = moved_left(job.swath, beside.value)
        now, then = what_if.laid(job.swath, acted, steered), what_if.laid(steered, acted)
        out.append(what_if.action("sideways", "replay", now, then, beside, value=beside.value))
    out += _spacing(job, what_if, setup, acted, all_runs)
    if setup.controller is not None and what_if.layout.groups > 1:
        out += _order(job, what_if, all_runs())
    return tuple(out)


def _spacing(
    job: Job, what_if: _WhatIf, setup: Setup, acted: Setting, all_runs: Callable[[], Runs]
) -> list[LedgerAction]:
    """Passes driven nearer or farther than the boom is wide, replayed with passes moved.

    Two figures have to say so: all seams together, and the lines within the headland, whose median is what is set.
    """
    if not _off(_minus(setup.spacing_m, setup.boom_m), 0.0, LEAST_SPACING_M):
        return []
    lines = lines_of(job.swath, all_runs(), setup.boom_m)
    gaps = np.empty(0) if lines is None else lines.gaps_m()
    if lines is None or gaps.size < LEAST_GAPS:
        return []
    driven = float(np.median(gaps))
    # a median's error is a quarter more than a mean's; neighbours' distances share a line, which makes it less
    error = max(1.25 * float(gaps.std(ddof=1)) / np.sqrt(gaps.size), LEAST_ERROR_M)
    half = float(stdtrit(gaps.size - 1, 0.5 + LEVEL / 2)) * error
    add = setup.boom_m - driven
    found = Found(add, error, add - half, add + half)
    if not _off(found, 0.0, LEAST_SPACING_M):
        return []
    moved = spaced(job.swath, all_runs(), lines, driven, add)
    if moved is None:
        return []
    now, then = what_if.laid(job.swath, acted), what_if.laid(moved, acted)
    return [what_if.action("spacing", "replay", now, then, found, value=add)]


def _acted(job: Job, setup: Setup) -> Setting:
    """The controller as it acted, where that was found; else by the machine file."""
    found = setup.controller
    if found is None or found.strays > MOST_STRAYS:
        return logged_setting(job.control)
    valves = valves_of(found.acts_on_s.value or 0.0, found.acts_off_s.value or 0.0)
    margin = found.margin_used_m if found.margin_used_m > 0.0 else None
    return Setting(valves, found.covered_used, margin, 0.0)


def _net(setting: Setting) -> tuple[float, float]:
    valves = setting.valves
    return valves.on_delay_s - valves.look_ahead_on_s, valves.off_delay_s - valves.look_ahead_off_s


def _timing(job: Job, what_if: _WhatIf, setup: Setup) -> list[LedgerAction]:
    """Sections that act late or early: by a place where opening and shutting are off alike, else by their delays."""
    found = setup.controller
    if found is None or found.strays > MOST_STRAYS:
        return []
    on, off = found.acts_on_s, found.acts_off_s
    if not (_off(on, 0.0, LEAST_S) or _off(off, 0.0, LEAST_S)):
        return []
    acted = _acted(job, setup)
    on_s, off_s = _net(acted)
    now = what_if.laid(job.swath, acted)

    def then(late_on_s: float, late_off_s: float) -> _Laid:
        # ground that opened late or shut early was not wanted in the log, and would have been
        longer = longer_wanted(job.swath, max(on_s - late_on_s, 0.0), max(late_off_s - off_s, 0.0))
        return what_if.laid(longer, replace(acted, valves=valves_of(late_on_s, late_off_s)))

    if _alike(found) and setup.mean_speed_m_s is not None:
        both = _mean_way(on, off, setup.mean_speed_m_s)
        value = both.value or 0.0
        return [what_if.action("controller_offset", "fit", now, then(0.0, 0.0), both, value=value)]
    out = []
    if _off(off, 0.0, LEAST_S):
        out.append(what_if.action("shut_off", "fit", now, then(on_s, 0.0), off, value=off.value or 0.0))
    if _off(on, 0.0, LEAST_S):
        out.append(what_if.action("open", "fit", now, then(0.0, off_s), on, value=on.value or 0.0))
    return out


def _alike(found: Controller) -> bool:
    """Whether opening and shutting are off by the same: then a place is wrong, and no valve."""
    on, off = found.acts_on_s, found.acts_off_s
    if not (_off(on, 0.0, LEAST_S) and _off(off, 0.0, LEAST_S)):
        return False
    return (on.value or 0.0) * (off.value or 0.0) > 0 and not _off(found.lag_s, 0.0, LEAST_LAG_S)


def _mean_way(on: Found, off: Found, speed_m_s: float) -> Found:
    """What two delays, known to be alike, are along the way."""

    def mean(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else (a + b) / 2 * speed_m_s

    return Found(mean(on.value, off.value), mean(on.error, off.error), mean(on.low, off.low), mean(on.high, off.high))


def _order(job: Job, what_if: _WhatIf, runs: Runs) -> list[LedgerAction]:
    """The headland first or last, whichever would have saved over the order driven, by the machine file's controller.

    How sections acted is not asked of the drive here: without treated ground before them they had nothing to act on.
    """
    setting = logged_setting(job.control)
    out = []
    for name, first in (("headland_first", True), ("headland_last", False)):
        other = headland_exchanged(job.swath, runs, first=first)
        if other is None:
            continue
        now, then = what_if.laid(job.swath, setting), what_if.laid(other, setting)
        out.append(what_if.action(name, "replay", now, then))
    return out
