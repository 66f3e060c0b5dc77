"""A drive under drawn errors: its poses moved, its valves moved when they are drawn to have moved."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.sizes import WHITE_SHARE, Sizes
from swathledger.estimate.states import Moments
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.groups import Switches
from swathledger.shutoff.resweep import resweep
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
KNOTS = 30.0
"""A slow error is drawn so many times in its correlation time, straight in between."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Where the boom is off, at every pose; the sum of the errors of some sources.

    Attributes
    ----------
    ahead_m, right_m : (p,) float64
        Along and across the boom's own heading.
    turn_rad : (p,) float64
        Of the boom, to the right.
    late_s : float
        By which valves moved later than drawn.
    """

    ahead_m: Floats
    right_m: Floats
    turn_rad: Floats
    late_s: float = 0.0

    def __add__(self, other: Shift) -> Shift:
        return Shift(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def __neg__(self) -> Shift:
        return Shift(*(-getattr(self, f.name) for f in fields(self)))


def no_shift(swath: Swath) -> Shift:
    """Nothing is off."""
    nothing = np.zeros(swath.x_m.shape[0])
    return Shift(nothing, nothing, nothing)


def slow_error(rng: np.random.Generator, time_s: Floats, sigma: float, scale_s: float) -> Floats:
    """(2, n) first-order Gauss-Markov errors, east and north, at increasing times."""
    step = scale_s / KNOTS
    n = math.ceil(float(time_s[-1]) / step) + 2
    keep = math.exp(-step / scale_s)
    white = rng.standard_normal((2, n))
    white[:, 1:] *= math.sqrt(1.0 - keep * keep)
    at = sigma * np.array([list(accumulate(row, lambda before, new: keep * before + new)) for row in white.tolist()])
    knots = np.arange(n) * step
    return np.stack([np.interp(time_s, knots, at[0]), np.interp(time_s, knots, at[1])])


def in_rows(rng: np.random.Generator, swath: Swath, count: int) -> Floats:
    """(count, p) standard normal numbers, new in every row of the log and straight in between."""
    rows = int(swath.epoch[-1]) + 1
    white = rng.standard_normal((count, rows + 1))
    first = np.searchsorted(swath.epoch, np.arange(rows))
    start = swath.time_s[first]
    end = np.append(start[1:], swath.time_s[-1])
    span = np.maximum(end - start, 1e-9)[swath.epoch]
    u = np.clip((swath.time_s - start[swath.epoch]) / span, 0.0, 1.0)
    return np.asarray((1.0 - u) * white[:, swath.epoch] + u * white[:, swath.epoch + 1])


@dataclass(frozen=True, slots=True)
class Drawn:
    """Errors of one draw by source and kind.

    Attributes
    ----------
    along, across : Shift
        The receiver's slow error, along the heading and across it.
    rows : Shift
        What is new in every row of the receiver's error; where savings are redrawn, see :func:`in_rows`.
    headings : Shift
        What is new in every row of the heading's.
    antenna, latency : Shift
    """

    along: Shift
    across: Shift
    rows: Shift
    headings: Shift
    antenna: Shift
    latency: Shift


def draw_shifts(swath: Swath, sizes: Sizes, rng: np.random.Generator) -> Drawn:
    """One draw of all errors of the drive."""
    nothing = no_shift(swath)
    east, north = slow_error(rng, swath.time_s, sizes.receiver_m * math.sqrt(1.0 - WHITE_SHARE), sizes.receiver_time_s)
    right = east * swath.right_x + north * swath.right_y
    ahead = north * swath.right_x - east * swath.right_y
    white = in_rows(rng, swath, 3)
    sigma = sizes.rows_m
    place = sizes.antenna_m * rng.standard_normal(2)
    ones = np.ones(swath.x_m.shape[0])
    return Drawn(
        replace(nothing, ahead_m=ahead),
        replace(nothing, right_m=right),
        replace(nothing, ahead_m=sigma * white[0], right_m=sigma * white[1]),
        replace(nothing, turn_rad=math.radians(sizes.heading_deg) * white[2]),
        replace(nothing, ahead_m=place[0] * ones, right_m=place[1] * ones),
        replace(nothing, late_s=sizes.latency_s * float(rng.standard_normal())),
    )


def moved(swath: Swath, shift: Shift) -> Swath:
    """The swath with its boom elsewhere."""
    cos, sin = np.cos(shift.turn_rad), np.sin(shift.turn_rad)
    x = swath.x_m + shift.right_m * swath.right_x - shift.ahead_m * swath.right_y
    y = swath.y_m + shift.right_m * swath.right_y + shift.ahead_m * swath.right_x
    return replace(
        swath,
        x_m=x,
        y_m=y,
        right_x=swath.right_x * cos + swath.right_y * sin,
        right_y=swath.right_y * cos - swath.right_x * sin,
    )


def switched(swath: Swath, moments: Moments, at_s: Floats) -> Swath:
    """The swath with valves that move at given moments instead of at the rows that show it.

    Moments are kept inside the stretch of bridged way that they lie in. The swath may have fewer rows than the log that
    the moments are of.
    """
    time_s = swath.time_s
    row_pose = np.searchsorted(time_s, moments.at_s)
    start, end = _stretches(swath)
    known = moments.at_s > moments.before_s
    behind = np.maximum(row_pose - 1, 0)
    when = np.where(known, np.clip(at_s, time_s[start[behind]], time_s[end[behind]]), moments.at_s)
    step = np.clip(np.searchsorted(time_s, when, side="right") - 1, 0, time_s.shape[0] - 2)
    length = time_s[step + 1] - time_s[step]
    u = np.divide(when - time_s[step], length, out=np.zeros(step.shape[0]), where=length > 0)
    step, u = (
        np.where(known, step, np.minimum(row_pose, time_s.shape[0] - 2)),
        np.where(known, np.clip(u, 0.0, 1.0), 0.0),
    )
    first = np.flatnonzero(moments.first_open)
    order = np.lexsort((moments.row, u, step))
    nothing = np.zeros(first.shape[0], dtype=np.int64)
    switches = Switches(
        np.concatenate([nothing, step[order]]).astype(np.int64),
        np.concatenate([nothing.astype(np.float64), u[order]]),
        np.concatenate([first, moments.column[order]]).astype(np.int64),
        np.concatenate([np.ones(first.shape[0], dtype=np.bool_), moments.opens[order]]),
        np.array([first.shape[0] + order.shape[0]]),
    )
    drive = drive_of(swath)
    everywhere = drive._replace(wanted=np.ones_like(drive.wanted))
    ahead = _next_sprayed(swath.pass_id)
    dose = None if swath.dose_l_per_m2 is None else swath.dose_l_per_m2[ahead]
    whole = replace(swath, pass_id=swath.pass_id[ahead], dose_l_per_m2=dose)
    out = resweep(whole, everywhere, moments.edges_m, switches)
    sprays = np.bincount(out.ribbon_step, minlength=out.linked.shape[0]) > 0
    return replace(out, wanted=sprays & out.linked)


def _stretches(swath: Swath) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last pose of the stretch of linked steps that every step lies in; a seam of no time joins."""
    joined = swath.linked | (np.diff(swath.time_s) <= 0)
    label = np.concatenate([[0], np.cumsum(~joined[1:] | ~joined[:-1])])
    first = np.searchsorted(label, np.arange(label[-1] + 1))
    last = np.searchsorted(label, np.arange(label[-1] + 1), side="right")
    return first[label].astype(np.int64), last[label].astype(np.int64)


def _next_sprayed(pass_id: NDArray[np.int64]) -> NDArray[np.int64]:
    """For every step itself where something is sprayed, else the next such step; behind the last, the last.

    A valve may have opened before the row that shows it: on the way before a pass, at the pass's dose.
    """
    known = np.flatnonzero(pass_id >= 0)
    if known.shape[0] == 0:
        return np.arange(pass_id.shape[0])
    k = np.minimum(np.searchsorted(known, np.arange(pass_id.shape[0])), known.shape[0] - 1)
    return np.asarray(known[k])
