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

    Before and after, the machine drives at one speed v in one direction, and between the two rows it moved as far as in
    any other step. A step back is then the clock's own. A step forward is where it is a whole number of half hours, as
    zones, dates and months are, and the way between is shorter than the 3/4 v^2 metres in which a machine stops and
    sets off again (braking at 2 m/s2, setting off at 1 m/s2), so that no pause lies in it. Any other may be one: the
    machine may have come back to where it left off, with the recording off meanwhile.

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
        step = float(steps[k])
        whole = abs((step - usual) / _HALF_HOUR_S - round((step - usual) / _HALF_HOUR_S)) * _HALF_HOUR_S
        if (step > 0 and whole > usual + 1.0) or not _drove_on(x, y, steps, k, usual, step > 0):
            continue
        if not sizes:
            out = time_s.copy()
        later = rows[k + 1 :]
        if source is not None:
            later = later[source[later] == source[rows[k]]]
        out[later] -= step - usual
        sizes.append(abs(step - usual))
    if not sizes:
        return time_s, None
    return out, Note.of("log.clock_stepped", count=len(sizes), most=Measure(max(sizes), "seconds"))


def _drove_on(x: Floats, y: Floats, steps: Floats, k: int, usual: float, forward: bool) -> bool:
    """Whether the machine drove on from row k to the next as it had before and did after, without a pause."""
    first, last = k - _BESIDE, k + 1 + _BESIDE
    if first < 0 or last >= x.shape[0]:
        return False
    beside = np.r_[steps[first:k], steps[k + 1 : last]]
    if not bool(((beside > 0.5 * usual) & (beside < 1.5 * usual)).all()):
        return False
    before = np.array([x[k] - x[first], y[k] - y[first]])
    after = np.array([x[last] - x[k + 1], y[last] - y[k + 1]])
    between = np.array([x[k + 1] - x[k], y[k + 1] - y[k]])
    slow, fast = sorted(float(np.hypot(*way)) / (_BESIDE * usual) for way in (before, after))
    way = float(np.hypot(*between))
    if slow <= 0 or fast - slow > _ALIKE * fast:
        return False
    speed = 0.5 * (slow + fast)
    if not 0.5 * speed * usual < way < 1.5 * speed * usual or (forward and way >= 0.75 * speed * speed):
        return False
    return all(
        float(a @ b) > _STRAIGHT_COS * math.hypot(*a) * math.hypot(*b) for a, b in ((before, between), (between, after))
    )
