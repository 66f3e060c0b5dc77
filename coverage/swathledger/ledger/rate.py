"""The rate that doses are held against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SetRate:
    """The set rate of every step and the dose in units of it.

    Attributes
    ----------
    per_step : (p - 1,) float64
        Set rate, L/m2; 1 where volumes are unknown.
    relative : (p - 1,) float64
        Dose at the boom centre's ground speed over the set rate.
    constant_l_m2 : float or None
        The set rate where it is one number; None where unknown or varying.
    """

    per_step: Floats
    relative: Floats
    constant_l_m2: float | None


def weighted_median(value: Floats, weight: Floats) -> float:
    """Value at which half of the weight is reached."""
    order = np.argsort(value, kind="stable")
    running = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(running, running[-1] / 2)])


def _constant(dose: Floats, value: float) -> SetRate:
    return SetRate(np.full(dose.shape, value), dose / value, value)


def set_rate(log: Log, machine: Machine, swath: Swath, notes: list[Note]) -> SetRate:
    """What the operator set, from the best source there is.

    With rate and flow both logged the rate is the setting of each row and the flow what was done. With one of them
    alone, the setting is the area-weighted median of what was logged (for flow: the machine file's set rate first).
    Without either, the machine file's; without that, doses are relative and volumes unknown. What was chosen is
    written to ``notes``.
    """
    steps = swath.distance_m.size
    dose = swath.dose_l_per_m2
    if dose is None:
        notes.append(Note.of("ledger.no_rate"))
        return SetRate(np.ones(steps), np.ones(steps), None)
    swept = swath.wanted & ~swath.standing & (swath.distance_m > 0) & (dose > 0)
    if not bool(swept.any()):
        return SetRate(np.ones(steps), np.zeros(steps), None)
    has_rate = log.rate_l_m2 is not None and bool(np.isfinite(log.rate_l_m2).any())
    has_flow = log.flow_l_s is not None and bool(np.isfinite(log.flow_l_s).any())
    if has_rate and has_flow and log.rate_l_m2 is not None:
        logged = log.rate_l_m2
        known = np.flatnonzero(np.isfinite(logged) & (logged > 0))
        if known.size:
            index = np.clip(np.searchsorted(known, np.arange(len(log)), side="right") - 1, 0, None)
            per_row = logged[known[index]]
            per_step = per_row[swath.epoch[:-1]]
            values = np.unique(per_step[swept])
            constant = float(values.item()) if values.size == 1 else None
            notes.append(Note.of("ledger.logged_rate"))
            return SetRate(per_step, dose / per_step, constant)
    if not has_rate and machine.set_rate_l_m2 is not None:
        return _constant(dose, machine.set_rate_l_m2)
    value = weighted_median(dose[swept], swath.distance_m[swept])
    notes.append(Note.of("ledger.median_rate", rate=Measure(value, "rate")))
    return _constant(dose, value)
