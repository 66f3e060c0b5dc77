"""Logged speeds against the track's: their unit, and whether they move at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swathledger.checkup.checkup import Finding, pct
from swathledger.checkup.view import View
from swathledger.log.log import Log
from swathledger.notes import Measure, Note
from swathledger.units import named

_ROWS = 60
_MOVING_M_S = 0.5
_SLIP = (0.8, 1.25)
"""Wheel slip, a worn tyre and a radar on stubble stay within; no two units of speed do but miles and knots."""
_UNIT_NEAR = 0.08
_FROZEN_S = 30.0
"""Terminals repeat a speed until it changes; no machine keeps one for half a minute while its track does not."""
_FROZEN_OFF = 0.3
_FROZEN_SHARE = 0.1


def check_speed(log: Log, view: View) -> tuple[Log, list[Finding]]:
    """Compare logged speeds with the track; the log without them where they cannot be true."""
    if log.speed_m_s is None:
        return log, []
    told, driven = np.abs(log.speed_m_s), view.speed_m_s
    usable = np.isfinite(told) & np.isfinite(driven) & (np.nan_to_num(driven) > _MOVING_M_S)
    if int(usable.sum()) < _ROWS:
        return log, []
    ratio = float(np.median(told[usable] / driven[usable]))
    share = _frozen_share(told, view)
    found: Note | None = None
    if ratio < 1e-3:
        found = Note.of("checkup.speed_nothing")
    elif share > _FROZEN_SHARE:
        found = Note.of("checkup.speed_frozen", share=pct(share))
    elif not _SLIP[0] <= ratio <= _SLIP[1]:
        found = _unit(log, ratio)
    if found is None:
        return log, []
    return replace(log, speed_m_s=None), [Finding(found, "doubtful")]


def _frozen_share(told: np.ndarray, view: View) -> float:
    """Share of the driving time at one and the same logged speed for 30 s and more while the track's was another."""
    same = np.diff(told) == 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    step = np.diff(view.time_s)
    moving = np.nan_to_num(view.speed_m_s[:-1]) > _MOVING_M_S
    driving = float(step[moving & view.linked].sum())
    if driving <= 0:
        return 0.0
    frozen = np.zeros(step.shape[0], bool)
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if view.time_s[last] - view.time_s[first] >= _FROZEN_S:
            frozen[first:last] = True
    with np.errstate(invalid="ignore"):
        off = np.abs(told[:-1] - view.speed_m_s[:-1]) > _FROZEN_OFF * np.maximum(view.speed_m_s[:-1], _MOVING_M_S)
    return float(step[frozen & off & moving & view.linked].sum()) / driving


def _unit(log: Log, ratio: float) -> Note:
    """Which unit the numbers are in, where one of the known units explains the ratio."""
    units = named("speed", "speed")
    header = next(((name, header) for name, header in log.quality.columns_understood if name in units), None)
    shown = Measure(ratio, "ratio")
    if header is not None:
        name, header_name = header
        true = units[name].si_per_unit / ratio
        near = min(units, key=lambda other: abs(np.log(units[other].si_per_unit / true)))
        if near != name and abs(np.log(units[near].si_per_unit / true)) < _UNIT_NEAR:
            line = f'{near} = "{header_name}"'
            return Note.of("checkup.speed_unit", ratio=shown, name=name, unit=units[near].symbol, line=line)
    return Note.of("checkup.speed_scale", ratio=shown)
