"""From clean log rows to a track: plane positions, standstill, driving direction and heading at every row.

Headings are degrees or radians clockwise from north, as said at each name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.log.log import Log
from swathledger.motion import STANDSTILL_M_S, is_jump, sigma_of_third, third_difference
from swathledger.notes import Note
from swathledger.swath.standstill import find_standing, freeze_standing, jitter_m

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

CUSP_RAD = np.deg2rad(110.0)
"""A sharper change of direction between neighbouring chords is a change of gear, not a turn."""


@dataclass(frozen=True, slots=True)
class Track:
    """Rows of a log on the plane. ``n`` rows, ``n - 1`` steps.

    Attributes
    ----------
    x_m, y_m : (n,) antenna, frozen at its mean place while the machine stands.
    time_s : (n,) seconds since the first row.
    linked : (n - 1,) False where the step is a gap or a jump.
    standing : (n - 1,) machine stands still over the step.
    reverse : (n - 1,) machine drives backwards over the step.
    heading_in_rad, heading_out_rad : (n - 1,) heading of the machine at the start and the end of each step, unwrapped
        within the step (their difference is the turn made, below half a turn).
    jumps : number of steps cut because no machine could make them.
    sigma_m : position noise estimated from the track, or None.
    notes : assumptions.
    """

    x_m: Floats
    y_m: Floats
    time_s: Floats
    linked: Flags
    standing: Flags
    reverse: Flags
    heading_in_rad: Floats
    heading_out_rad: Floats
    jumps: int
    sigma_m: float | None
    notes: tuple[Note, ...]


def wrap_rad(angle: Floats) -> Floats:
    """Angle into [-pi, pi)."""
    return (angle + np.pi) % (2 * np.pi) - np.pi


def estimate_sigma_m(x_m: Floats, y_m: Floats, usable: Flags) -> float | None:
    """Position noise from third differences across the line of travel on straight, even driving.

    For independent noise of sigma the third difference has variance 20 sigma^2; its median absolute value is robust
    against turns. Correlated receiver error does not show in it, so this is a floor. None with fewer than 50 values.
    """
    if x_m.size < 54:
        return None
    dx, dy = np.diff(x_m), np.diff(y_m)
    length = np.hypot(dx, dy)
    ok = usable[:-2] & usable[1:-1] & usable[2:] & (length[1:-1] > 0.02)
    if int(ok.sum()) < 50:
        return None
    ux, uy = dx[1:-1][ok] / length[1:-1][ok], dy[1:-1][ok] / length[1:-1][ok]
    across = third_difference(y_m)[ok] * ux - third_difference(x_m)[ok] * uy
    return sigma_of_third(float(np.median(np.abs(across))))


def _anchor_rows(x_m: Floats, y_m: Floats, first: int, last: int, baseline_m: float) -> NDArray[np.int64]:
    """Rows of one linked stretch, at least ``baseline_m`` apart, both ends included."""
    keep = [first]
    xs, ys = x_m[first : last + 1].tolist(), y_m[first : last + 1].tolist()
    ax, ay = xs[0], ys[0]
    for offset, (px, py) in enumerate(zip(xs, ys, strict=True)):
        if math.hypot(px - ax, py - ay) >= baseline_m:
            keep.append(first + offset)
            ax, ay = px, py
    if keep[-1] != last:
        if len(keep) > 1:
            keep[-1] = last  # a short rest joins the last chord rather than making a noisy one
        else:
            keep.append(last)
    return np.asarray(keep, dtype=np.int64)


def _stretch_course(x_m: Floats, y_m: Floats, first: int, last: int, baseline_m: float, course: Floats) -> None:
    """Course over ground at the rows ``first..last`` of one stretch, written into ``course`` (radians).

    Chord courses belong to the middle of their chord; between the middles they are interpolated by distance, which
    is exact on a circle for any spacing of rows.
    """
    rows = _anchor_rows(x_m, y_m, first, last, baseline_m)
    chord = np.arctan2(np.diff(x_m[rows]), np.diff(y_m[rows]))
    length = np.hypot(np.diff(x_m[rows]), np.diff(y_m[rows]))
    if float(length.sum()) <= 0.0:
        return
    moving = length > 0
    chord, length = chord[moving], length[moving]
    mid = np.cumsum(length) - length / 2
    unwrapped = np.unwrap(chord)
    along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(x_m[first : last + 1]), np.diff(y_m[first : last + 1])))))
    along *= float(length.sum()) / along[-1]
    if unwrapped.size == 1:
        course[first : last + 1] = unwrapped[0]
        return
    slope_in = (unwrapped[1] - unwrapped[0]) / (mid[1] - mid[0])
    slope_out = (unwrapped[-1] - unwrapped[-2]) / (mid[-1] - mid[-2])
    value = np.interp(along, mid, unwrapped)
    value = np.where(along < mid[0], unwrapped[0] + slope_in * (along - mid[0]), value)
    value = np.where(along > mid[-1], unwrapped[-1] + slope_out * (along - mid[-1]), value)
    course[first : last + 1] = value


def derive_course(x_m: Floats, y_m: Floats, breaks: Flags, baseline_m: float) -> Floats:
    """Course over ground at every row from positions alone; NaN where a stretch never moves.

    Parameters
    ----------
    breaks : (n - 1,) bool
        Steps over which no course is carried (gaps, changes of gear).
    baseline_m : float
        Shortest chord that a course is read from.
    """
    n = x_m.size
    course = np.full(n, np.nan)
    cuts = np.flatnonzero(breaks)
    starts = np.concatenate(([0], cuts + 1))
    ends = np.concatenate((cuts, [n - 1]))
    for first, last in zip(starts, ends, strict=True):
        if last > first:
            _stretch_course(x_m, y_m, int(first), int(last), baseline_m, course)
    return course


def find_cusps(x_m: Floats, y_m: Floats, linked: Flags, baseline_m: float) -> NDArray[np.int64]:
    """Rows at which the track turns back on itself within one baseline: a change between forward and reverse."""
    cusps: list[int] = []
    n = x_m.size
    cuts = np.flatnonzero(~linked)
    for first, last in zip(np.concatenate(([0], cuts + 1)), np.concatenate((cuts, [n - 1])), strict=True):
        if last - first < 2:
            continue
        rows = _anchor_rows(x_m, y_m, int(first), int(last), baseline_m)
        dx, dy = np.diff(x_m[rows]), np.diff(y_m[rows])
        length = np.hypot(dx, dy)
        turn = np.abs(wrap_rad(np.diff(np.arctan2(dx, dy))))
        sharp = (turn > CUSP_RAD) & (length[:-1] >= 0.5 * baseline_m) & (length[1:] >= 0.5 * baseline_m)
        for k in np.flatnonzero(sharp):
            # the true turning point is the row farthest along the old course, near the anchor
            lo, hi = rows[k], rows[k + 2]
            ux, uy = dx[k] / length[k], dy[k] / length[k]
            along = (x_m[lo : hi + 1] - x_m[lo]) * ux + (y_m[lo : hi + 1] - y_m[lo]) * uy
            cusps.append(int(lo + int(np.argmax(along))))
    return np.unique(np.asarray(cusps, dtype=np.int64))


def _reverse_from_cusps(cusps: NDArray[np.int64], along_m: Floats, time_s: Floats, n: int) -> Flags:
    """Steps driven backwards, guessed from pairs of nearby cusps: the short leg between them is the reversed one."""
    reverse = np.zeros(n - 1, dtype=bool)
    k = 0
    while k + 1 < cusps.size:
        a, b = int(cusps[k]), int(cusps[k + 1])
        if along_m[b] - along_m[a] < 60.0 and time_s[b] - time_s[a] < 120.0:
            reverse[a:b] = True
            k += 2
        else:
            k += 1
    return reverse


def _fill_held(course: Floats) -> Floats:
    """Hold the last known value over NaN; the first known value backwards at the start."""
    known = np.flatnonzero(np.isfinite(course))
    if not known.size:
        return np.zeros_like(course)
    index = np.clip(np.searchsorted(known, np.arange(course.size), side="right") - 1, 0, None)
    return course[known[index]]


def build_track(log: Log, x_m: Floats, y_m: Floats, max_gap_s: float, bridged: Flags | None = None) -> Track:
    """Find standstill, gaps, reversing and heading.

    Logged headings are used where present; where the machine reverses and the logged value points along the way
    driven, it is a course and is turned round. Missing headings come from the track, held at standstill.

    ``bridged``: (n - 1,) steps that are linked though they are longer than ``max_gap_s``.
    """
    time_s = log.time_s - log.time_s[0]
    dt = np.diff(time_s)
    notes: list[Note] = []
    step = np.hypot(np.diff(x_m), np.diff(y_m))
    jump = is_jump(step, dt)
    linked = (dt <= max_gap_s) & ~jump
    if bridged is not None:
        linked |= bridged
    noise = jitter_m(x_m, y_m, time_s, max_gap_s)
    standing = find_standing(x_m, y_m, time_s, log.speed_m_s, max_gap_s, noise) & linked
    x, y = freeze_standing(x_m, y_m, standing)
    moving = linked & ~standing
    sigma = estimate_sigma_m(x, y, moving)
    baseline = float(np.clip(40.0 * (sigma or 0.0), 1.0, 10.0))

    reverse = np.zeros(step.size, dtype=bool)
    told = False
    if log.reverse is not None:
        reverse |= log.reverse[:-1]
        told = True
    if log.speed_m_s is not None and bool(np.any(log.speed_m_s < -STANDSTILL_M_S)):
        reverse |= np.nan_to_num(log.speed_m_s[:-1]) < -STANDSTILL_M_S
        told = True
    change = np.zeros(step.size, dtype=bool)
    if told:
        change[1:] = reverse[1:] != reverse[:-1]
        course = _course_with_gear(x, y, linked, reverse, baseline)
    else:
        cusps = find_cusps(x, y, linked, baseline)
        along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))))
        if log.heading_deg is None:
            reverse = _reverse_from_cusps(cusps, along, time_s, x.size)
            if bool(reverse.any()):
                notes.append(Note.of("swath.reversing_from_track"))
        course = _course_with_gear(x, y, linked, reverse, baseline, extra_breaks=cusps)
    heading_in, heading_out = course
    if log.heading_deg is not None:
        logged = np.deg2rad(log.heading_deg)
        heading_in, heading_out = _use_logged(logged, heading_in, heading_out, reverse, told, standing)
    else:
        notes.append(Note.of("swath.heading_from_track"))
    heading_out = heading_in + wrap_rad(heading_out - heading_in)
    return Track(
        x_m=x,
        y_m=y,
        time_s=time_s,
        linked=linked,
        standing=standing,
        reverse=reverse & moving,
        heading_in_rad=heading_in,
        heading_out_rad=heading_out,
        jumps=int(np.count_nonzero(jump & (dt <= max_gap_s))),
        sigma_m=sigma,
        notes=tuple(notes),
    )


def _course_with_gear(
    x: Floats, y: Floats, linked: Flags, reverse: Flags, baseline: float, extra_breaks: NDArray[np.int64] | None = None
) -> tuple[Floats, Floats]:
    """Heading at start and end of every step, derived separately on each side of a change of gear."""
    n = x.size
    breaks = ~linked
    turn_rows = np.flatnonzero(reverse[1:] != reverse[:-1]) + 1
    rows = turn_rows if extra_breaks is None else np.union1d(turn_rows, extra_breaks)
    # A row where the gear changes belongs to both stretches: split it in two, so that each side has its own course.
    row_index = np.arange(n)
    copies = np.ones(n, dtype=np.int64)
    copies[rows[(rows > 0) & (rows < n - 1)]] = 2
    source = np.repeat(row_index, copies)
    split_before = np.zeros(source.size - 1, dtype=bool)
    same = source[1:] == source[:-1]
    split_before[same] = True
    split_before[~same] = breaks[source[:-1][~same]]
    course = derive_course(x[source], y[source], split_before, baseline)
    last_copy = np.cumsum(copies) - 1
    first_copy = last_copy - copies + 1
    held = _fill_held(course)
    heading_in = held[last_copy[:-1]].copy()
    heading_out = held[first_copy[1:]].copy()
    heading_in[reverse] += np.pi
    heading_out[reverse] += np.pi
    return heading_in, heading_out


def _use_logged(
    logged: Floats, heading_in: Floats, heading_out: Floats, reverse: Flags, told: bool, standing: Flags
) -> tuple[Floats, Floats]:
    """Logged headings where present, derived ones elsewhere; courses turned round while reversing."""
    start, end = logged[:-1].copy(), logged[1:].copy()
    if told:
        # heading_in is already the machine's heading: a logged course over ground differs from it by half a turn.
        # The row between two gears may be written in either: a step beside a reversed one is asked too.
        near = reverse.copy()
        near[1:] |= reverse[:-1]
        near[:-1] |= reverse[1:]
        for value, derived in ((start, heading_in), (end, heading_out)):
            flip = near & (np.cos(value - derived) < 0)
            value[flip] += np.pi
    ok_in, ok_out = np.isfinite(start), np.isfinite(end)
    out_in = np.where(ok_in, start, heading_in)
    out_out = np.where(ok_out, end, heading_out)
    # A receiver's course is noise at standstill, from the row of arrival on: hold that of the last row under way.
    held_in = out_in.copy()
    for s in np.flatnonzero(standing):
        if s > 0 and not standing[s - 1]:
            out_out[s - 1] = out_in[s - 1]
            held_in[s] = out_in[s - 1]
        else:
            held_in[s] = held_in[s - 1 if s > 0 else 0]
    out_in = np.where(standing, held_in, out_in)
    out_out = np.where(standing, held_in, out_out)
    # The boom leaves from the line it stood on: a fresh course reading must not sweep a wedge.
    leaving = np.flatnonzero(standing[:-1] & ~standing[1:]) + 1
    out_in[leaving] = out_out[leaving - 1]
    return out_in, out_out
