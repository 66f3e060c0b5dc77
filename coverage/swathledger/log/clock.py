"""Clocks that are set while the machine drives on: a change of zone or date in the middle of a pass."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swathledger.geodesy import metres_per_degree
from swathledger.motion import default_max_gap_s
from swathledger.notes import Measure, Note

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_BESIDE = 3
_ALIKE = 0.3
_STRAIGHT_COS = 0.8
_HALF_HOUR_S = 1800.0
_LOOKED_AT = 1000


def mend_clock(
    time_s: Floats, lat: Floats, lon: Floats, rows: Indices, source: Indices | None
) -> tuple[Floats, Note | None]:
    """Take out steps of the clock under which the machine drove on as if nothing had been.

    Before and after, the machine drives at one speed in one direction, and the way between the two rows is one that it
    drives so between neighbouring rows. A step back is then the clock's own. A step forward is where it is a whole
    number of half hours, as zones, dates and months are: of pauses with the recording off that happen to begin and end
    at one speed in one line, one in some hundreds is. Any other step forward is taken for such a pause.

    Parameters
    ----------
    time_s, lat, lon : (n,) float64
    rows : (m,) int64
        Rows that can be used, in the file's order.
    source : (n,) int64, optional
        Which file each row came from.

    Returns
    -------
    (n,) float64 and Note or None
        The times, a copy where anything was taken out.
    """
    if rows.size < 2 * _BESIDE + 2:
        return time_s, None
    steps = np.diff(time_s[rows])
    usual = float(np.median(np.abs(steps)))
    if usual <= 0 or (steps < 0).sum() > steps.size / 2:
        return time_s, None
    limit = default_max_gap_s(usual)
    odd = np.flatnonzero(np.abs(steps) > limit)
    if source is not None:
        odd = odd[np.diff(source[rows])[odd] == 0]
    north_m, east_m = metres_per_degree(float(np.median(lat[rows])))
    x, y = lon[rows] * east_m, lat[rows] * north_m
    out = time_s
    sizes: list[float] = []
    for k in odd[:_LOOKED_AT].tolist():
        lasted = _drove_on(x, y, steps, k, limit)
        if lasted is None:
            continue
        off = float(steps[k]) - lasted
        whole = _HALF_HOUR_S * round(off / _HALF_HOUR_S)
        if whole and abs(off - whole) <= usual + 1.0:
            off = whole
        elif off > 0:
            continue
        if not sizes:
            out = time_s.copy()
        later = rows[k + 1 :]
        if source is not None:
            later = later[source[later] == source[rows[k]]]
        out[later] -= off
        sizes.append(abs(off))
    if not sizes:
        return time_s, None
    return out, Note.of("log.clock_stepped", count=len(sizes), most=Measure(max(sizes), "seconds"))


def _drove_on(x: Floats, y: Floats, steps: Floats, k: int, limit: float) -> float | None:
    """How long the way from row k to the next took, where the machine drove on as before and after; else None."""
    first, last = k - _BESIDE, k + 1 + _BESIDE
    if first < 0 or last >= x.shape[0]:
        return None
    took_before, took_after = steps[first:k], steps[k + 1 : last]
    if not bool(((took_before > 0) & (took_before <= limit) & (took_after > 0) & (took_after <= limit)).all()):
        return None
    before = np.array([x[k] - x[first], y[k] - y[first]])
    after = np.array([x[last] - x[k + 1], y[last] - y[k + 1]])
    between = np.array([x[k + 1] - x[k], y[k + 1] - y[k]])
    slow, fast = sorted(
        (float(np.hypot(*before)) / float(took_before.sum()), float(np.hypot(*after)) / float(took_after.sum()))
    )
    way, speed = float(np.hypot(*between)), 0.5 * (slow + fast)
    if slow <= 0 or way <= 0 or fast - slow > _ALIKE * fast or way > limit * speed:
        return None
    ahead = all(
        float(a @ b) > _STRAIGHT_COS * math.hypot(*a) * math.hypot(*b) for a, b in ((before, between), (between, after))
    )
    return way / speed if ahead else None
