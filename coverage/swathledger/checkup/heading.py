"""Logged headings against the course of the track.

A heading and the course over ground differ by the crab angle: a few degrees, to one side on the way out and to the
other on the way back. What is the same in all directions is the zero of the compass; what grows with the course is its
sense or its unit; what grows with the rate of turn is its lag.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from swathledger.checkup.checkup import Finding, Weight
from swathledger.checkup.view import Flags, Floats, View, wrap_rad
from swathledger.log.log import Log
from swathledger.notes import Measure, Note

_ROWS = 60
_SLOW_M_S = 0.3
_FINE_DEG = 6.0
"""Crab on a slope, a worn king pin and the chord's own error together stay below."""
_ASK_DEG = 15.0
"""Beyond this no machine drives past its own nose all day; below, a compass may be off by its declination."""
_SCATTER_DEG = 8.0
_NEAR_DEG = 20.0
_FOLLOWS = 0.85
_SPREAD = 0.97
"""Resultant length of directions that spread by more than about 15 degrees."""
_CONSTANT = 1.0 - 2e-5
"""Resultant length of headings that spread by less than about a third of a degree."""
_TURNING_RAD_S = math.radians(4.0)
_LAG_SEARCH_S = 8.0
_LAG_STEP_S = 2.0
"""A turn at a headland lasts some ten seconds: rows farther apart do not show its course."""
_LAG_M = 6.0
"""A receiver ahead of the axle makes the course lead the heading by its distance; no cab is longer than this."""
_LAG_DEG = 10.0


def check_heading(log: Log, view: View, settled: bool = False) -> tuple[Log, list[Finding]]:
    """Compare logged headings with the track; the log without them where they cannot be true.

    Parameters
    ----------
    settled : bool
        The user has said how headings are to be read: what is possible is not asked.
    """
    if log.heading_deg is None:
        return log, []
    logged = np.deg2rad(log.heading_deg)
    usable = np.isfinite(logged) & np.isfinite(view.course_rad) & (np.nan_to_num(view.speed_m_s) > _SLOW_M_S)
    if log.reverse is not None:
        usable &= ~log.reverse
    if log.speed_m_s is not None:
        usable &= ~(log.speed_m_s < 0)
    # a receiver ahead of the axle leads the heading in turns: the two are compared where it is straight
    plain = usable & view.straight
    if int(plain.sum()) < _ROWS:
        return log, []
    found = _judge(logged[plain], view.course_rad[plain], logged[usable], view.course_rad[usable], settled)
    if found is None:
        found = _lag(logged, view, usable)
    if found is None:
        return log, []
    note, weight, aside = found
    return (replace(log, heading_deg=None) if aside else log), [Finding(note, weight)]


def _judge(h: Floats, c: Floats, all_h: Floats, all_c: Floats, settled: bool) -> tuple[Note, Weight, bool] | None:
    off = np.abs(np.degrees(wrap_rad(h - c)))
    typical = float(np.median(off))
    follows = float((off < _NEAR_DEG).mean())
    if typical <= _FINE_DEG and follows >= _FOLLOWS:
        return None
    share = Measure(100.0 * (1.0 - follows), "pct")
    if _resultant(h) > _CONSTANT and _resultant(c) < _SPREAD:
        value = float(np.degrees(np.angle(np.exp(1j * h).mean())) % 360.0)
        return Note.of("checkup.heading_constant", value=round(value, 1) % 360.0, share=share), "doubtful", True
    ways = [(sense, unit) for sense in (1, -1) for unit in ("deg", "rad")]
    fits = [(fit[0], way, fit[1]) for way in ways if (fit := _fit(h, c, *way)) is not None]
    if fits:
        # on straights alone a drive up and down one line fits both senses: turns tell them apart
        _, (sense, unit), zero = min(
            (fit + _off_in_turns(all_h, all_c, *way, zero), way, zero) for fit, way, zero in fits
        )
        return _named(sense, unit, zero, share, settled)
    return Note.of("checkup.heading_astray", share=share, typical=round(typical)), "doubtful", True


def _resultant(angle: Floats) -> float:
    return float(abs(np.exp(1j * angle).mean()))


def _read(h: Floats, sense: int, unit: str) -> Floats | None:
    """Headings (radians, as read in degrees) in another sense and unit; None where they are out of its range."""
    if unit == "rad":
        plain = np.degrees(h)
        h = np.where(plain > 180.0, plain - 360.0, plain)
        if float(np.abs(h).max()) > 2 * math.pi + 0.01:
            return None
    return sense * h


def _off_in_turns(h: Floats, c: Floats, sense: int, unit: str, zero_deg: float) -> float:
    read = _read(h, sense, unit)
    if read is None:
        return math.inf
    return float(np.degrees(np.abs(wrap_rad(c - read - math.radians(zero_deg))).mean()))


def _fit(h: Floats, c: Floats, sense: int, unit: str) -> tuple[float, float] | None:
    """Scatter and zero (degrees) of a way to read headings; None where it does not fit."""
    read = _read(h, sense, unit)
    if read is None:
        return None
    left = c - read
    zero = float(np.angle(np.exp(1j * left).mean()))
    off = np.abs(np.degrees(wrap_rad(left - zero)))
    zero += float(np.median(wrap_rad(left - zero)))
    off = np.abs(np.degrees(wrap_rad(left - zero)))
    scatter = float(np.median(off))
    if scatter > _SCATTER_DEG or float((off < _NEAR_DEG).mean()) < _FOLLOWS:
        return None
    odd = 0.5 * (sense == -1) + 1.0 * (unit == "rad")  # of two readings that fit alike the plainer one is meant
    return scatter + odd, math.degrees(zero) % 360.0


def _named(sense: int, unit: str, zero: float, share: Measure, settled: bool) -> tuple[Note, Weight, bool] | None:
    near = 90.0 * round(zero / 90.0)
    zero = (near if abs(zero - near) <= _FINE_DEG else float(round(zero))) % 360.0
    lines = []
    if unit == "rad":
        lines.append('heading_unit = "rad"')
    if sense == -1:
        lines.append('heading_sense = "counterclockwise"')
    if zero:
        lines.append(f"heading_zero_deg = {zero:g}")
    line = ", ".join(lines)
    if not lines:
        return None
    if unit == "rad":
        return Note.of("checkup.heading_radians", share=share, line=line), "doubtful", True
    if sense == -1:
        return Note.of("checkup.heading_sense", zero=f"{zero:g}", share=share, line=line), "doubtful", True
    if zero == 180.0:
        return Note.of("checkup.heading_reversed", share=share, line=line), "doubtful", True
    signed = zero if zero <= 180.0 else zero - 360.0
    if abs(signed) <= _ASK_DEG:
        if settled:
            return None
        return Note.of("checkup.heading_ask", zero=f"{signed:+g}", line=line), "doubtful", False
    return Note.of("checkup.heading_zero", zero=f"{signed:+g}", share=share, line=line), "doubtful", True


def _lag(logged: Floats, view: View, usable: Flags) -> tuple[Note, Weight, bool] | None:
    """Headings that come late (or early): they fit the course of another row, seen where the machine turns."""
    n = logged.shape[0]
    step = float(np.median(np.diff(view.time_s)))
    if step > _LAG_STEP_S:
        return None
    change = wrap_rad(np.diff(view.course_rad)) / np.diff(view.time_s)
    turning = np.zeros(n, bool)
    turning[1:-1] = (np.abs(change[:-1]) > _TURNING_RAD_S) & (np.abs(change[1:]) > _TURNING_RAD_S)
    turning &= usable
    if int(turning.sum()) < _ROWS // 2:
        return None
    broken = np.concatenate([[0], np.cumsum(~view.linked)])
    rows = np.flatnonzero(turning)
    best, now = (math.inf, 0), math.inf
    most = max(2, math.ceil(_LAG_SEARCH_S / step))
    for shift in range(-most, most + 1):
        at = rows - shift
        inside = (at >= 0) & (at < n)
        a, b = rows[inside], at[inside]
        a, b = a[broken[a] == broken[b]], b[broken[a] == broken[b]]
        off = np.abs(wrap_rad(logged[a] - view.course_rad[b]))
        off = off[np.isfinite(off)]
        if off.size < _ROWS // 2:
            continue
        typical = float(np.degrees(np.median(off)))
        best = min(best, (typical, shift))
        now = typical if shift == 0 else now
    typical, shift = best
    late = shift * step
    way = abs(late) * float(np.nanmedian(view.speed_m_s[rows]))
    if abs(shift) < 2 or now < _LAG_DEG or typical > 0.5 * now or way < _LAG_M:
        return None
    line = f"heading_lag_s = {late:.2g}"
    note = Note.of("checkup.heading_late", late=Measure(late, "seconds"), typical=round(now), line=line)
    return note, "doubtful", True
