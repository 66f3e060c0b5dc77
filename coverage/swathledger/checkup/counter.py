"""The machine's own counters against the drive: area by area counter, litres by flow meter."""

from __future__ import annotations

from typing import Any

import numpy as np

from swathledger.checkup.checkup import Counted, Finding
from swathledger.checkup.view import Floats, View, driven_m
from swathledger.log.log import Log
from swathledger.notes import Measure, Note
from swathledger.units import named

AREA_COUNTER = "area_counter"
_AREA_OFF_PCT = 10.0
"""Counters live on a wheel or radar and on the width entered: 5 % each is common practice."""
_KNOWN = 0.3
_CREEPING_M_S = 1.0
_FLOW_OFF_PCT = 15.0
"""Flow meter, rate and speed are each good to about 5 %."""


def counter_units() -> dict[str, float]:
    """Names under which a counter may be mapped, and m2 a unit; without a unit it counts m2."""
    return {AREA_COUNTER: 1.0, **{name: unit.si_per_unit for name, unit in named(AREA_COUNTER, "area").items()}}


def _swept_m2(log: Log, view: View, machine: Any) -> Floats | None:
    """(n - 1,) ground that each step swept, gaps left out; None where width or way are not known."""
    boom = None if machine is None else machine.boom
    if float(np.isfinite(view.speed_m_s).mean()) < _KNOWN:
        return None
    kind = log.state_kind
    if kind in ("work", "none"):
        width = np.full(len(log), np.nan) if log.working_width_m is None else log.working_width_m
        if boom is not None:
            width = np.where(np.isfinite(width), width, boom.width_m)
        open_m = np.where(log.state[:, 0], np.nan_to_num(width), 0.0)
        if not np.isfinite(width).any():
            return None
    else:
        if boom is None:
            return None
        widths = boom.section_widths_m if kind == "section" else tuple(np.diff(boom.nozzle_edges_m))
        if len(widths) != log.state.shape[1]:
            return None
        open_m = log.state @ np.asarray(widths)
    out: Floats = driven_m(view) * open_m[:-1]
    return out


def compare_counter(log: Log, view: View, machine: Any) -> Counted | None:
    """Swept ground by the machine's own counter and by track, states and width, over the same rows."""
    units = counter_units()
    name = next((name for name in log.extra if name.strip().casefold() in units), None)
    swept = _swept_m2(log, view, machine)
    if name is None or swept is None:
        return None
    values = log.extra[name] * units[name.strip().casefold()]
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return None
    at = known[np.clip(np.searchsorted(known, np.arange(len(log)), side="right") - 1, 0, None)]
    rise = np.diff(values[at])
    inside = np.zeros(len(log) - 1, bool)
    inside[known[0] : known[-1]] = True
    counts = inside & view.linked & (rise >= 0)  # a counter set back to nothing falls
    rises = rise[counts & (rise > 0)]
    if not rises.size:
        return None
    return Counted(float(swept[inside].sum()), float(rises.sum()), float(np.percentile(rises, 5)))


def compare_flow(log: Log, view: View, machine: Any) -> Counted | None:
    """Litres by flow meter and by rate times swept ground, over the steps for which both are known.

    Slower than 1 m/s a pump gives more than the rate asks for, and neither is wrong: such steps are left out.
    """
    rate = log.rate_l_m2
    if rate is None and machine is not None and machine.set_rate_l_m2 is not None:
        rate = np.full(len(log), machine.set_rate_l_m2)
    swept = _swept_m2(log, view, machine)
    if log.flow_l_s is None or rate is None or swept is None:
        return None
    both = (
        (swept > 0)
        & (np.nan_to_num(view.speed_m_s[:-1]) > _CREEPING_M_S)
        & np.isfinite(log.flow_l_s[:-1])
        & np.isfinite(rate[:-1])
    )
    if not both.any():
        return None
    litres = float((log.flow_l_s[:-1] * np.diff(view.time_s))[both].sum())
    return Counted(float((rate[:-1] * swept)[both].sum()), litres)


def counter_findings(counter: Counted | None, flow: Counted | None, gaps: int) -> list[Finding]:
    """Doubts where the counters are further off than they may be."""
    found = []
    if counter is not None:
        loose = (2 + gaps) * counter.step
        off = abs(counter.recorded - counter.driven)
        if off > _AREA_OFF_PCT / 100.0 * max(counter.driven, counter.recorded) + loose:
            note = Note.of(
                "checkup.counter_apart",
                counted=Measure(counter.recorded, "area"),
                driven=Measure(counter.driven, "area"),
                off=Measure(counter.difference_pct, "pct"),
            )
            found.append(Finding(note, "doubtful"))
    if flow is not None:
        off = abs(flow.recorded - flow.driven)
        if off > _FLOW_OFF_PCT / 100.0 * max(flow.driven, flow.recorded):
            note = Note.of(
                "checkup.flow_apart",
                metered=Measure(flow.recorded, "volume"),
                expected=Measure(flow.driven, "volume"),
                off=Measure(flow.difference_pct, "pct"),
            )
            found.append(Finding(note, "doubtful"))
    return found
