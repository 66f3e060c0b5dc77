"""What the drive says of the machine, as actions: when sections move, where the boom is taken to be, spacing.

Each is found by replaying today's groups with the controller that was fitted to the log, once as it acted and once with
the fault put right, so that nothing but the fault is in the difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from swathledger.documents.advice import LedgerAction
from swathledger.fitted.carrier import Found, Setup
from swathledger.fitted.fit import valves_of
from swathledger.ledger.accounting import Accounting
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.run import Job, Setting, run_layout
from swathledger.shutoff.steps import at_equal_cover

LEAST_S: Final = 0.3
"""Net delays below this are within what valves and rows a second apart leave open."""
MOST_STRAYS: Final = 0.3
"""Where the model does not explain so many of the switches, a hand moved them, and no delay is read from them."""
LEAST_SPACING_M: Final = 0.05
COARSE_M: Final = 0.25
"""Cells of the two replays, of which only the difference counts."""


def _off_zero(found: Found) -> bool:
    """Whether a figure is surely not zero, and large enough to act on."""
    if found.value is None or found.low is None or found.high is None:
        return False
    return abs(found.value) >= LEAST_S and not found.low <= 0.0 <= found.high


@dataclass(frozen=True, slots=True)
class _Delays:
    """Net delays on the poses that the machine file gives, s."""

    on_s: float
    off_s: float


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
        ``controller_offset`` (``value``: m that the controller acts late along the way, both opening and shutting),
        ``shut_off`` and ``open`` (``value``: s too late, negative too early), ``spacing`` (``value``: m to add).
    """
    return (*_timing(job, accounting, setup), *_spacing(accounting, setup))


def _timing(job: Job, accounting: Accounting, setup: Setup) -> list[LedgerAction]:
    found = setup.controller
    if found is None or found.strays > MOST_STRAYS:
        return []
    on, off = found.late_on_s, found.late_off_s
    if not (_off_zero(on) or _off_zero(off)):
        return []
    valves = found.on_these_poses
    acted = _Delays(valves.on_delay_s - valves.look_ahead_on_s, valves.off_delay_s - valves.look_ahead_off_s)
    margin = found.margin_used_m if found.margin_used_m != 0.0 else None
    runs: dict[_Delays, tuple[float, float | None]] = {}

    def laid(delays: _Delays) -> tuple[float, float | None]:
        """Ground treated and litres at the cover that was really reached."""
        if delays not in runs:
            setting = Setting(valves_of(delays.on_s, delays.off_s), found.covered_used, margin, 0.0)
            result = run_layout(job, logged_layout(job.log, job.machine), setting).result
            whole, litres = at_equal_cover(result, result)
            covered = result.m2("covered")
            share = accounting.areas.m2("covered") / covered if covered > 0 else 0.0
            runs[delays] = whole * share, None if litres is None else litres * share
        return runs[delays]

    def saved(right: _Delays) -> tuple[float, float | None]:
        (before_m2, before_l), (after_m2, after_l) = laid(acted), laid(right)
        return before_m2 - after_m2, None if before_l is None or after_l is None else before_l - after_l

    def action(name: str, value: float, right: _Delays) -> LedgerAction:
        m2, litres = saved(right)
        return LedgerAction(action=name, found_by="fit", saved_l=litres, saved_m2=m2, value=value)

    if _off_zero(on) and _off_zero(off) and _alike(on, off) and setup.mean_speed_m_s is not None:
        late = ((on.value or 0.0) + (off.value or 0.0)) / 2
        return [action("controller_offset", late * setup.mean_speed_m_s, _Delays(0.0, 0.0))]
    out = []
    if _off_zero(off):
        out.append(action("shut_off", off.value or 0.0, _Delays(acted.on_s, 0.0)))
    if _off_zero(on):
        out.append(action("open", on.value or 0.0, _Delays(0.0, acted.off_s)))
    return out


def _alike(on: Found, off: Found) -> bool:
    """Whether opening and shutting are late by the same: then a place is wrong, and no valve."""
    apart = abs((on.value or 0.0) - (off.value or 0.0))
    return apart <= math.hypot(on.half_m, off.half_m)


def _wander_share(near_m: float, sigma_m: float) -> float:
    """Share of neighbours' overlap that their wander would leave at the right spacing.

    Of seams that overlap by ``near + e``, e normal: ``E max(e, 0) / E max(near + e, 0)``.
    """
    if sigma_m <= 0:
        return 0.0
    z = near_m / sigma_m
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    below = 0.5 * (1.0 + math.erf(z / math.sqrt(2)))
    return (1.0 / math.sqrt(2 * math.pi)) / (z * below + density)


def _spacing(accounting: Accounting, setup: Setup) -> list[LedgerAction]:
    """Passes driven closer than the boom is wide: the overlap of neighbours, less what wander alone would leave."""
    found = setup.spacing_m
    if found.value is None or found.low is None or found.high is None:
        return []
    near = setup.boom_m - found.value
    if near < LEAST_SPACING_M or found.low <= setup.boom_m <= found.high:
        return []
    share = 1.0 - _wander_share(near, math.sqrt(2.0) * (setup.wander_m or 0.0))
    area = share * accounting.cause_cells["guidance"] * accounting.areas.cell_m**2
    volumes = accounting.volumes
    litres = None if volumes is None else share * volumes.by_cause_l["guidance"]
    return [LedgerAction(action="spacing", found_by="fit", saved_l=litres, saved_m2=area, value=near)]
