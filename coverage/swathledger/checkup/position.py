"""Positions that no receiver of a drive gives: rounded, frozen, or of two receivers in turn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import median_filter

from swathledger.checkup.checkup import Finding, Weight, pct
from swathledger.checkup.view import Flags, Floats, plane_of
from swathledger.geodesy import metres_per_degree
from swathledger.log.log import Log
from swathledger.motion import default_max_gap_s
from swathledger.notes import Measure, Note

_ROWS = 60
_DECIMALS = range(1, 7)
_UNFIT_M = 3.0
"""Rounding to q has sigma q / sqrt(12): at 3 m nearly a metre, more than any receiver that steers."""
_COARSE_M = 0.5
_ROUNDED_SHARE = 0.2
_FROZEN_STEPS = 2
_FROZEN_EPISODES = 3
_FROZEN_UNFIT = 0.25
_TWO_LEAST = 0.05
"""Share of the rows that the lesser of two tracks must have."""
_TWO_APART_M = 0.5
_REACH_M_S2 = 1.5
_COMES_BACK = 0.3
_APART_M_S = 1.0
_MOST_SLACK = 0.6
_COMING_BACK = 0.8


def check_positions(log: Log) -> tuple[Log, list[Finding]]:
    """Positions by themselves; the log with frozen positions replaced by the way between those before and after."""
    if len(log) < _ROWS:
        return log, []
    found: list[Finding] = []
    step_m = rounded_to_m(log)
    if step_m is not None:
        note = Note.of("checkup.positions_rounded", step=Measure(step_m, "length"))
        found.append(Finding(note, "unfit" if step_m >= _UNFIT_M else "doubtful"))
        return log, found
    jumped = jumps_set_aside(log)
    if jumped > _TWO_LEAST:
        return log, [Finding(Note.of("checkup.two_places", share=pct(jumped)), "unfit")]
    frozen = frozen_rows(log)
    if frozen.any():
        log, finding = _thawed(log, frozen)
        found.append(finding)
    apart_m, share = two_tracks(log)
    if share > 0:
        note = Note.of("checkup.two_receivers", apart=Measure(apart_m, "length"), share=pct(share))
        found.append(Finding(note, "unfit"))
    return log, found


# --- rounded ---------------------------------------------------------------------------------------------------------
def rounded_to_m(log: Log) -> float | None:
    """The step of positions rounded to few decimals or to single precision, m; None where it is below 0.5 m.

    A lattice alone proves nothing (a made-up drive may step by whole degrees' parts): its rounding must show, as steps
    that differ from their neighbours by one of the lattice.
    """
    north_m, east_m = metres_per_degree(float(np.median(log.latitude_deg)))
    coarsest = None
    for values, metres in ((log.latitude_deg, north_m), (log.longitude_deg, east_m)):
        unit = _lattice_deg(values)
        if unit is None or unit * metres < _COARSE_M:
            continue
        bend = np.abs(np.diff(values, n=2)) / unit
        moved = np.diff(values)[1:] != 0
        if moved.sum() and float((bend[moved] > 0.5).mean()) > _ROUNDED_SHARE:
            coarsest = max(coarsest or 0.0, unit * metres)
    return coarsest


def _lattice_deg(values: Floats) -> float | None:
    """The step that all values are whole multiples of; None where they have seven decimals or more."""
    for decimals in _DECIMALS:
        scaled = values * 10.0**decimals
        if bool((np.abs(scaled - np.round(scaled)) < 1e-4).all()):
            return float(10.0**-decimals)
    single = values.astype(np.float32)
    if bool((single.astype(np.float64) == values).all()):
        return float(np.spacing(np.abs(single).max()))
    return None


# --- frozen ----------------------------------------------------------------------------------------------------------
def frozen_rows(log: Log) -> Flags:
    """Rows whose position is that of the row before while the machine drove on.

    A machine that stands repeats its position too; but it does not catch up afterwards. Frozen are runs of at least two
    steps without any movement, after which one step makes good at least half of the way that the speed before and after
    asks for. Fewer than three such runs are chance.
    """
    x, y = plane_of(log)
    step_m, step_s = np.hypot(np.diff(x), np.diff(y)), np.diff(log.time_s)
    n = len(log)
    frozen = np.zeros(n, bool)
    still = step_m == 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    moving = np.flatnonzero(~still)
    if moving.size < 4:
        return frozen
    pace = step_m[moving] / step_s[moving]
    episodes = 0
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        # steps first .. last - 1 stand still; step ``last`` leaves, if there is one
        if last - first < _FROZEN_STEPS or last >= n - 1 or first == 0:
            continue
        stood_s = float(log.time_s[last] - log.time_s[first])
        if stood_s > default_max_gap_s(log.quality.median_step_s) * 5:
            continue
        before = pace[max(0, np.searchsorted(moving, first) - 3) : np.searchsorted(moving, first)]
        after_at = int(np.searchsorted(moving, last)) + 1
        after = pace[after_at : after_at + 3]
        if not before.size or not after.size:
            continue
        speed = 0.5 * (float(np.median(before)) + float(np.median(after)))
        missed_m = float(step_m[last]) - speed * float(step_s[last])
        if missed_m > 0.5 * speed * stood_s and missed_m > 1.0:
            frozen[first + 1 : last + 1] = True
            episodes += 1
    return frozen if episodes >= _FROZEN_EPISODES else np.zeros(n, bool)


def _thawed(log: Log, frozen: Flags) -> tuple[Log, Finding]:
    good = ~frozen
    latitude = np.interp(log.time_s, log.time_s[good], log.latitude_deg[good])
    longitude = np.interp(log.time_s, log.time_s[good], log.longitude_deg[good])
    runs = int(np.count_nonzero(np.diff(frozen.astype(np.int8)) == 1))
    share = float(frozen.mean())
    lasts = float(frozen.sum()) / runs * log.quality.median_step_s
    note = Note.of("checkup.positions_frozen", count=runs, lasts=Measure(lasts, "seconds"), share=pct(share))
    weight: Weight = "unfit" if share > _FROZEN_UNFIT else "doubtful"
    return replace(log, latitude_deg=latitude, longitude_deg=longitude), Finding(note, weight)


# --- two receivers ---------------------------------------------------------------------------------------------------
def two_tracks(log: Log) -> tuple[float, float]:
    """Distance (m) between two tracks that the rows belong to in turn, and the share of the lesser; 0 where one.

    A step from one track to the other misses what the speed foretells by the distance between them, and the next such
    step misses by as much in the opposite direction. Braking and turning miss too, by half the acceleration (to 3 m/s2)
    times the step squared, and noise by its size; but neither comes back step for step.
    """
    x, y = plane_of(log)
    step_s = np.diff(log.time_s)
    # the speed of two steps is that of one track where rows take turns; a median over five bridges single changes
    two = log.time_s[2:] - log.time_s[:-2]
    speed = [median_filter(np.r_[0.0, (v[2:] - v[:-2]) / two, 0.0], size=5, mode="nearest") for v in (x, y)]
    east, north = (np.diff(v) - 0.5 * (s[1:] + s[:-1]) * step_s for v, s in zip((x, y), speed, strict=True))
    size = np.hypot(east, north)
    even = step_s <= default_max_gap_s(log.quality.median_step_s)
    beyond = even & (size > _TWO_APART_M + _REACH_M_S2 * step_s**2)
    if np.count_nonzero(beyond) < 2 * _FROZEN_EPISODES:
        return 0.0, 0.0
    at = np.flatnonzero(even & (size > max(_TWO_APART_M, 0.5 * float(np.median(size[beyond])))))
    if np.count_nonzero(beyond) < 0.5 * at.size:
        return 0.0, 0.0  # mostly a stamp that comes early or late, which swings back too
    a, b = at[:-1], at[1:]
    # two machines drive apart meanwhile
    slack = _COMES_BACK * np.maximum(size[a], size[b]) + _APART_M_S * np.minimum(log.time_s[b] - log.time_s[a], 60.0)
    slack = np.minimum(slack, _MOST_SLACK * np.maximum(size[a], size[b]))
    back = np.hypot(east[a] + east[b], north[a] + north[b]) < slack
    if float(back.mean()) < _COMING_BACK:
        return 0.0, 0.0
    changes = np.zeros(len(log), np.int64)
    changes[at + 1] = 1
    other = float((np.cumsum(changes) % 2).mean())
    share = min(other, 1.0 - other)
    return (float(np.median(size[at])), share) if share >= _TWO_LEAST else (0.0, 0.0)


def jumps_set_aside(log: Log) -> float:
    """Share of the rows that were set aside as jumps no machine can make."""
    count = sum(item.count for item in log.quality.set_aside if item.reason == "impossible_jump")
    return count / log.quality.epochs
