"""Positions that no receiver of a drive gives: rounded, frozen, or of two receivers in turn."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from swathledger.checkup.checkup import Finding, Weight, pct
from swathledger.checkup.view import Flags, Floats, Ints, plane_of
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
    apart_m, share = two_tracks(log)
    if share > 0:
        note = Note.of("checkup.two_receivers", apart=Measure(apart_m, "length"), share=pct(share))
        return log, [*found, Finding(note, "unfit")]
    frozen = frozen_rows(log)
    if frozen.any():
        log, finding = _thawed(log, frozen)
        found.append(finding)
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

    Rows are handed to whichever of two tracks foretells them better, by its last place and speed. One machine's track
    is foretold to the noise and what a machine can brake or turn; of two, the wrong one misses by their distance, again
    and again, and the right one does not.
    """
    x, y = plane_of(log)
    time = log.time_s
    miss = _miss(x, y, time)
    # where half of all rows are foretold badly, or many rows very badly, a second track is tried
    usual = float(np.median(miss))
    far = miss > max(_TWO_APART_M, 6.0 * min(usual, _reach_m(time)))
    if usual < _TWO_APART_M and float(far.mean()) < _TWO_LEAST / 2:
        return 0.0, 0.0
    track = _handed_out(x, y, time)
    share = float(min(track.mean(), 1.0 - track.mean()))
    changes = int(np.count_nonzero(np.diff(track)))
    if share < _TWO_LEAST or changes < 2 * _FROZEN_EPISODES:
        return 0.0, 0.0
    own = np.concatenate([_miss(x[track == k], y[track == k], time[track == k]) for k in (0, 1)])
    apart = _apart_m(x, y, time, track)
    if not math.isfinite(apart) or apart < _TWO_APART_M or float(np.median(own)) > apart / 4:
        return 0.0, 0.0
    return apart, share


def _reach_m(time: Floats) -> float:
    """How far braking or turning (3 m/s2) takes a machine from where its speed foretells it within a median step."""
    return 1.5 * float(np.median(np.diff(time))) ** 2


def _miss(x: Floats, y: Floats, time: Floats) -> Floats:
    """How far each row lies from where the two before it foretell it."""
    if x.shape[0] < 3:
        return np.zeros(1)
    ratio = np.diff(time)[1:] / np.diff(time)[:-1]
    ok = ratio < 3.0
    dx = x[2:] - x[1:-1] - ratio * (x[1:-1] - x[:-2])
    dy = y[2:] - y[1:-1] - ratio * (y[1:-1] - y[:-2])
    out: Floats = np.hypot(dx, dy)[ok]
    return out if out.size else np.zeros(1)


def _handed_out(x: Floats, y: Floats, time: Floats) -> Ints:
    """Which of two tracks, 0 or 1, each row belongs to."""
    n = x.shape[0]
    track = np.zeros(n, np.int64)
    last: list[list[tuple[float, float, float]]] = [[], []]

    def foretold(k: int, t: float) -> tuple[float, float]:
        seen = last[k]
        if len(seen) == 1 or seen[-1][0] <= seen[-2][0]:
            return seen[-1][1], seen[-1][2]
        (t0, x0, y0), (t1, x1, y1) = seen[-2:]
        if t - t1 > 30.0:
            return x1, y1
        share = (t - t1) / (t1 - t0)
        return x1 + share * (x1 - x0), y1 + share * (y1 - y0)

    xs, ys, ts = x.tolist(), y.tolist(), time.tolist()
    for i in range(n):
        miss = [math.inf, math.inf]
        for k in (0, 1):
            if last[k]:
                px, py = foretold(k, ts[i])
                miss[k] = math.hypot(xs[i] - px, ys[i] - py)
        if not last[0]:
            k = 0
        elif not last[1]:
            k = 0 if i < 2 or miss[0] < _first_miss(xs, ys, ts, i) else 1
        else:
            k = 0 if miss[0] <= miss[1] else 1
        track[i] = k
        last[k] = [*last[k][-1:], (ts[i], xs[i], ys[i])]
    return track


def _first_miss(xs: list[float], ys: list[float], ts: list[float], i: int) -> float:
    """How badly the first track may be foretold before a second one begins: 3 m/s2 over the step, and half a metre."""
    step = ts[i] - ts[i - 1]
    return max(_TWO_APART_M, 3.0 * step * step + 0.3 * math.hypot(xs[i] - xs[i - 1], ys[i] - ys[i - 1]))


def _apart_m(x: Floats, y: Floats, time: Floats, track: Ints) -> float:
    """Median distance of the lesser track's rows from the greater one's way at their time."""
    less = 1 if track.mean() <= 0.5 else 0
    here, there = track == less, track != less
    dx = x[here] - np.interp(time[here], time[there], x[there])
    dy = y[here] - np.interp(time[here], time[there], y[there])
    return float(np.median(np.hypot(dx, dy)))
