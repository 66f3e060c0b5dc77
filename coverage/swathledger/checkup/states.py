"""States of valves against flow, rate, speed and turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathledger.checkup.checkup import Finding
from swathledger.checkup.view import Flags, Floats, Ints, View, driven_m, wrap_rad
from swathledger.log.log import Log
from swathledger.notes import Measure, Note

_ROWS = 30
_MOVING_M_S = 0.5
_STANDING_M_S = 0.1
_STANDING_S = 120.0
"""Charging a boom takes a minute; two with every valve open pour litres a nozzle on one spot."""
_STOOD_M = 3.0
_ROAD_M_S = 10.0
"""36 km/h: faster than any boom is carried over a crop."""
_ROAD_S = 10.0
_SETTLED_S = 5.0
"""Flow meters are smoothed over a few seconds; nearer to a switch, state and flow need not agree."""
_AGAINST_S = 30.0
_AGAINST_SHARE = 0.01
_TURNING_MORE = 3.0
_PASSES = 4
_PASS_M = 50.0
_ALIKE_RAD = np.deg2rad(15.0)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows and the steps that follow them."""

    share: Floats  # of the outlets open, (n,)
    step_s: Floats  # (n - 1,), 0 over gaps
    step_m: Floats
    moving: Flags  # (n,)
    settled: Flags  # (n,), no switch within 5 s


def check_states(log: Log, view: View) -> list[Finding]:
    """What speaks against the recorded states."""
    if log.state_kind == "none":
        return []
    rows = _rows(log, view)
    inverted = _inverted_by_flow(log, rows) or _inverted_by_turns(view, rows)
    if inverted is not None:
        return [Finding(inverted, "unfit")]
    found = [*_against_flow(log, rows), *_standing_open(view, rows), *_on_the_road(view, rows)]
    return [Finding(note, "doubtful") for note in found]


def _rows(log: Log, view: View) -> _Rows:
    share = log.state.mean(axis=1)
    speed = np.where(np.isfinite(view.speed_m_s), view.speed_m_s, 0.0)
    switched = log.time_s[1:][(log.state[1:] != log.state[:-1]).any(axis=1)]
    settled = np.ones(len(log), bool)
    if switched.size:
        at = np.searchsorted(switched, log.time_s)
        before = log.time_s - switched[np.clip(at - 1, 0, None)]
        after = switched[np.clip(at, None, switched.size - 1)] - log.time_s
        least = max(_SETTLED_S, 2.0 * log.quality.median_step_s)  # a switch lies anywhere between two rows
        settled = ((at == 0) | (before >= least)) & ((at == switched.size) | (after >= least))
    step_s = np.where(view.linked, np.diff(view.time_s), 0.0)
    return _Rows(share, step_s, driven_m(view), speed > _MOVING_M_S, settled)


# --- inverted --------------------------------------------------------------------------------------------------------
def _inverted_by_flow(log: Log, rows: _Rows) -> Note | None:
    """More flow (or rate) with the valves shut than with them open."""
    opened, shut = rows.moving & (rows.share >= 0.5), rows.moving & (rows.share == 0)
    for values, what in ((log.flow_l_s, "flow"), (log.rate_l_m2, "rate")):
        if values is None:
            continue
        with_open, with_shut = values[opened & np.isfinite(values)], values[shut & np.isfinite(values)]
        if with_open.size < _ROWS or with_shut.size < _ROWS:
            continue
        if float(np.median(with_shut)) > 2.0 * float(np.median(with_open)):
            return Note.of("checkup.states_inverted", by=what)
        if what == "flow":
            return None
    return None


def _inverted_by_turns(view: View, rows: _Rows) -> Note | None:
    """Open in the turns and shut on pass beside pass.

    Shut ground is turned on far more than open ground in any work; where it is the other way round, by three times and
    more, and most of the way was driven shut on four or more straight lines of one direction, the codes are exchanged.
    """
    turn = np.abs(wrap_rad(np.diff(view.course_rad)))
    known = np.isfinite(turn) & (rows.step_s > 0)
    opened, shut = known & (rows.share[:-1] >= 0.5), known & (rows.share[:-1] == 0)
    way_open, way_shut = float(rows.step_m[opened].sum()), float(rows.step_m[shut].sum())
    if min(way_open, way_shut) < _PASS_M or way_shut < way_open:
        return None
    turned_open, turned_shut = float(turn[opened].sum()) / way_open, float(turn[shut].sum()) / way_shut
    if turned_open < _TURNING_MORE * turned_shut:
        return None
    lengths, directions, across = _passes(view, rows, shut & view.straight[:-1])
    if lengths.size < _PASSES:
        return None
    main = float(np.angle((lengths * np.exp(2j * directions)).sum()) / 2)
    alike = np.abs(wrap_rad(2 * (directions - main))) < 2 * _ALIKE_RAD
    lines = np.unique(np.round(across(main)[alike] / 2.0))
    if lines.size < _PASSES or float(lengths[alike].sum()) < 0.5 * way_shut:
        return None
    return Note.of("checkup.states_inverted", by="turns")


def _passes(view: View, rows: _Rows, on: Flags):  # type: ignore[no-untyped-def]
    """Straight stretches of 50 m and more: lengths, directions, and how far across a direction each lies."""
    first, last = _runs(on)
    lengths = np.hypot(view.x_m[last] - view.x_m[first], view.y_m[last] - view.y_m[first])
    keep = lengths >= _PASS_M
    first, last, lengths = first[keep], last[keep], lengths[keep]
    directions = np.arctan2(view.x_m[last] - view.x_m[first], view.y_m[last] - view.y_m[first])
    mid_x, mid_y = (view.x_m[first] + view.x_m[last]) / 2, (view.y_m[first] + view.y_m[last]) / 2
    return lengths, directions, lambda main: mid_x * np.cos(main) - mid_y * np.sin(main)


def _runs(on: Flags) -> tuple[Ints, Ints]:
    """First row and last row (one past the last step) of every run of steps."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return edges[::2], edges[1::2]


# --- against flow and rate -------------------------------------------------------------------------------------------
def _against_flow(log: Log, rows: _Rows) -> list[Note]:
    """Shut where flow (or an applied rate) says open, and open where it says shut."""
    values, what = (log.flow_l_s, "flow") if log.flow_l_s is not None else (log.rate_l_m2, "rate")
    if values is None:
        return []
    known = rows.moving & rows.settled & np.isfinite(values)
    opened, shut = known & (rows.share >= 0.5), known & (rows.share == 0)
    if int(opened.sum()) < _ROWS:
        return []
    usual = float(np.median(values[opened]))
    if usual <= 0:
        return []
    if what == "rate" and int(shut.sum()) and float(np.median(values[shut])) > 0.5 * usual:
        return []  # a set rate, which stands there whatever the valves do
    step_s = np.append(rows.step_s, 0.0)
    open_s = float(step_s[rows.share > 0].sum())
    least_s = max(_AGAINST_S, _AGAINST_SHARE * open_s)
    found = []
    shut_s = float(step_s[shut & (values > 0.5 * usual)].sum())
    if shut_s > least_s:
        found.append(Note.of("checkup.shut_with_flow", what=what, lasts=Measure(shut_s, "seconds")))
    dry_s = float(step_s[opened & (values < 0.05 * usual)].sum())
    if dry_s > least_s:
        found.append(Note.of("checkup.open_without_flow", what=what, lasts=Measure(dry_s, "seconds")))
    return found


# --- where nothing is sprayed ----------------------------------------------------------------------------------------
def _standing_open(view: View, rows: _Rows) -> list[Note]:
    slow = (rows.step_m < _STANDING_M_S * rows.step_s) & (rows.step_s > 0) & (rows.share[:-1] > 0)
    first, last = _runs(slow)
    lasts = view.time_s[last] - view.time_s[first]
    # a machine that creeps under a poor receiver seems to stand from row to row, but not over the whole run
    spans = [
        np.hypot(np.ptp(view.x_m[a : b + 1]), np.ptp(view.y_m[a : b + 1])) for a, b in zip(first, last, strict=True)
    ]
    long = (lasts > _STANDING_S) & (np.asarray(spans) < max(_STOOD_M, 8 * view.noise_m))
    if not long.any():
        return []
    most = Measure(float(lasts[long].max()), "seconds")
    return [Note.of("checkup.open_standing", count=int(long.sum()), most=most)]


def _on_the_road(view: View, rows: _Rows) -> list[Note]:
    fast = (np.nan_to_num(view.speed_m_s[:-1]) > _ROAD_M_S) & (rows.share[:-1] > 0) & (rows.step_s > 0)
    lasts = float(rows.step_s[fast].sum())
    if lasts < _ROAD_S:
        return []
    return [
        Note.of(
            "checkup.open_on_the_road",
            lasts=Measure(lasts, "seconds"),
            way=Measure(float(rows.step_m[fast].sum()), "length"),
            speed=Measure(_ROAD_M_S, "speed"),
        )
    ]
