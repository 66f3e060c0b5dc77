"""The same drive with one thing changed: passes moved aside, spray wanted longer, the order of passes exchanged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_T = TypeVar("_T", bound=np.generic)

RUN_TURN_RAD: Final = float(np.deg2rad(40.0))
"""A run of spraying ends where its heading has moved this far from the one it began with."""
LEAST_RUN_BOOMS: Final = 1.0
PARALLEL_RAD: Final = float(np.deg2rad(8.0))
CROSS_RAD: Final = float(np.deg2rad(25.0))
ALONG_RAD: Final = float(np.deg2rad(12.0))
EDGE_BOOMS: Final = 0.75
"""Whose centre is nearer to the boundary than so many widths of the boom runs along it."""
ALONG_SHARE: Final = 0.6
LEAST_FAMILY: Final = 0.4
"""Share of the way sprayed that one direction must have to be what the field is driven in."""
LEAST_OFF_M: Final = 0.05
SAME_LINE: Final = 0.3
"""Runs whose lines are nearer than so many spacings lie on one line."""
BETWEEN_S: Final = 60.0
"""Between two stretches whose order was exchanged."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Unbroken, fairly straight stretches of spraying, in the order of time; ``n`` of them.

    Attributes
    ----------
    first, last : (n,) int64
        First step and the one after the last.
    direction_rad : (n,) float64
        Mean heading, modulo pi.
    length_m : (n,) float64
    family_rad : float or None
        The direction in which most of the field is driven.
    headland : (n,) bool
        Along the boundary, or across the direction in which the field is driven.
    """

    first: Ints
    last: Ints
    direction_rad: Floats
    length_m: Floats
    family_rad: float | None
    headland: NDArray[np.bool_]

    @property
    def family(self) -> NDArray[np.bool_]:
        """Runs in the field's own direction, those along its sides included."""
        if self.family_rad is None:
            return np.zeros(self.first.shape[0], np.bool_)
        return _apart(self.direction_rad, self.family_rad) <= PARALLEL_RAD


def _apart(a: Floats, b: Floats | float) -> Floats:
    """Angle between directions modulo pi."""
    return np.abs((a - b + np.pi / 2) % np.pi - np.pi / 2)


def _heading(swath: Swath) -> Floats:
    return np.unwrap(np.arctan2(-swath.right_y, swath.right_x))


def runs_of(swath: Swath, field: Field) -> Runs:
    """Stretches of spraying, and which of them are headland."""
    boom = float(np.ptp(swath.nozzle_edges_m))
    heading = _heading(swath)
    usable = swath.wanted & swath.linked & ~swath.standing
    first, last, begun = [], [], -1
    for step in range(usable.shape[0] + 1):
        on = step < usable.shape[0] and bool(usable[step])
        if begun >= 0 and (not on or abs(heading[step] - heading[begun]) > RUN_TURN_RAD):
            first.append(begun)
            last.append(step)
            begun = -1
        if on and begun < 0:
            begun = step
    way = np.concatenate(([0.0], np.cumsum(swath.distance_m)))
    a, b = np.array(first, np.int64), np.array(last, np.int64)
    length = way[b] - way[a] if a.size else np.zeros(0)
    keep = length >= LEAST_RUN_BOOMS * boom
    a, b, length = a[keep], b[keep], length[keep]
    dx, dy = swath.x_m[b] - swath.x_m[a], swath.y_m[b] - swath.y_m[a]
    direction = np.arctan2(dx, dy) % np.pi
    family = _family(direction, length)
    headland = np.array([_along(swath, field, heading, i, j, boom) for i, j in zip(a, b, strict=True)], np.bool_)
    if family is not None:
        headland |= _apart(direction, family) > CROSS_RAD
    return Runs(a, b, direction, length, family, headland)


def _family(direction: Floats, length: Floats) -> float | None:
    """The direction with most of the way near it; None where none has enough."""
    if direction.size == 0:
        return None
    near = _apart(direction[:, None], direction[None, :]) <= PARALLEL_RAD
    weight = near @ length
    best = int(np.argmax(weight))
    if weight[best] < LEAST_FAMILY * length.sum():
        return None
    mine = near[best]
    double = np.exp(2j * direction[mine]) @ length[mine]
    return float(np.angle(double) / 2 % np.pi)


def _along(swath: Swath, field: Field, heading: Floats, first: int, last: int, boom: float) -> bool:
    """Whether most of a run lies next to the boundary and along it."""
    at = np.unique(np.linspace(first, last - 1, 25).astype(np.int64))
    points = shapely.points(swath.x_m[at], swath.y_m[at])
    edge = field.boundary.boundary
    near = shapely.distance(points, edge) <= EDGE_BOOMS * boom
    rings = shapely.get_parts(edge)
    lines = rings[np.argmin([shapely.distance(points, ring) for ring in rings], axis=0)]
    place = shapely.line_locate_point(lines, points)
    half = boom / 4
    a = shapely.line_interpolate_point(lines, np.maximum(place - half, 0.0))
    b = shapely.line_interpolate_point(lines, place + half)
    course = np.arctan2(shapely.get_x(b) - shapely.get_x(a), shapely.get_y(b) - shapely.get_y(a))
    return float(np.mean(near & (_apart(course, heading[at]) <= ALONG_RAD))) >= ALONG_SHARE


def moved_left(swath: Swath, by_m: float) -> Swath:
    """The boom moved to the left of its own heading."""
    return replace(swath, x_m=swath.x_m - by_m * swath.right_x, y_m=swath.y_m - by_m * swath.right_y)


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of passes side by side in the direction in which the field is driven, headland along its sides included.

    Attributes
    ----------
    run : (k,) int64
        Runs, in the order of time.
    lateral_m : (k,) float64
        Place across that direction.
    number : (k,) float64
        Whole number of the line, from 0 on one side.
    inner : (k,) bool
        Not headland.
    """

    run: Ints
    lateral_m: Floats
    number: Floats
    inner: NDArray[np.bool_]

    def gaps_m(self) -> Floats:
        """Distances of neighbouring inner lines, without those far from what most are."""
        at = np.array([np.mean(self.lateral_m[self.inner & (self.number == n)]) for n in self._inner_lines()])
        if at.size < 2:
            return np.empty(0)
        gap = np.diff(at)[np.diff(self._inner_lines()) == 1.0]
        middle = float(np.median(gap)) if gap.size else 0.0
        spread = 1.4826 * float(np.median(np.abs(gap - middle))) if gap.size else 0.0
        return np.asarray(gap[np.abs(gap - middle) <= max(4 * spread, LEAST_OFF_M)])

    def _inner_lines(self) -> Floats:
        return np.unique(self.number[self.inner])


def lines_of(swath: Swath, runs: Runs, spacing_m: float) -> Lines | None:
    """Lines about ``spacing_m`` apart; None where the field is not driven in one direction."""
    if runs.family_rad is None:
        return None
    mine = np.flatnonzero(runs.family)
    if mine.size < 2:
        return None
    across = _across(runs.family_rad)
    lateral = np.array([
        float(np.mean(np.column_stack([swath.x_m[a:b], swath.y_m[a:b]]) @ across))
        for a, b in zip(runs.first[mine], runs.last[mine], strict=True)
    ])  # fmt: skip
    order = np.argsort(lateral, kind="stable")
    gaps = np.diff(lateral[order]) / spacing_m
    number = np.empty(mine.size)
    number[order] = np.concatenate(([0.0], np.cumsum(np.where(gaps < SAME_LINE, 0.0, np.maximum(np.round(gaps), 1.0)))))
    return Lines(mine, lateral, number, ~runs.headland[mine])


def _across(direction_rad: float) -> Floats:
    return np.array([np.cos(direction_rad), -np.sin(direction_rad)])


def spaced(swath: Swath, runs: Runs, lines: Lines, spacing_m: float, by_m: float) -> Swath | None:
    """Neighbouring passes ``by_m`` farther apart than ``spacing_m``, the one driven first left where it is.

    Headland runs stay, and every run moves square to the direction in which the field is driven; what lies between
    two runs moves evenly with them. None without neighbours.
    """
    inner, number = lines.inner, lines.number
    if runs.family_rad is None or int(inner.sum()) < 2:
        return None
    # the line driven first stays; a round along the edge is that line where the next lies one spacing from it
    started = int(np.flatnonzero(inner)[0])
    number = number - number[started]
    for k in np.flatnonzero(~inner & (np.abs(number) == 1.0) & (lines.run < lines.run[started])):
        apart = abs(lines.lateral_m[k] - lines.lateral_m[started])
        if abs(apart - spacing_m) < abs(apart - spacing_m - by_m):
            number = number - number[k]
            break
    shift = np.zeros(runs.first.shape[0])
    shift[lines.run] = np.where(inner, number * by_m, 0.0)
    knots = np.column_stack([runs.first, runs.last]).ravel()
    by = np.interp(np.arange(swath.x_m.shape[0]), knots, np.repeat(shift, 2))
    across = _across(runs.family_rad)
    ends = [] if by_m > 0 else [k for k in (_outermost(number, inner, 1.0), _outermost(number, inner, -1.0)) if k >= 0]
    if ends:
        # closer passes do not reach as far: what is left beside the last is driven as well, sprayed where it is due
        more = [np.arange(runs.first[k], runs.last[k]) for k in lines.run[ends]]
        longer = _in_turn(swath, [np.arange(swath.distance_m.shape[0]), *more])
        beside = [np.full(own.size + 1, shift[lines.run[k]] + np.sign(number[k]) * (spacing_m + by_m))
                  for own, k in zip(more, ends, strict=True)]  # fmt: skip
        swath, by = longer, np.concatenate([by, *beside])
    return replace(swath, x_m=swath.x_m + by * across[0], y_m=swath.y_m + by * across[1])


def _outermost(number: Floats, inner: NDArray[np.bool_], side: float) -> int:
    """The inner line farthest to one side of the one that stays; -1 where there is none."""
    far = np.where(inner, side * number, 0.0)
    return int(np.argmax(far)) if float(far.max()) > 0 else -1


def longer_wanted(swath: Swath, before_s: float, after_s: float) -> Swath:
    """Spray wanted so much earlier and so much longer than in the log, wherever the boom moves."""
    if before_s <= 0 and after_s <= 0:
        return swath
    start, end = swath.time_s[:-1], swath.time_s[1:]
    change = np.diff(np.concatenate(([0], swath.wanted.astype(np.int8), [0])))
    begins, ends = start[np.flatnonzero(change == 1)], end[np.flatnonzero(change == -1) - 1]
    wanted = swath.wanted.copy()
    for moment in begins:
        wanted |= (end > moment - before_s) & (start < moment)
    for moment in ends:
        wanted |= (start < moment + after_s) & (end > moment)
    wanted &= swath.wanted | (swath.linked & ~swath.standing)
    # what is new belongs to the pass that it leads to, or else comes from
    source = np.arange(wanted.shape[0])
    known = np.flatnonzero(swath.wanted)
    new = np.flatnonzero(wanted & ~swath.wanted)
    after = np.searchsorted(known, new)
    later, earlier = known[np.minimum(after, known.size - 1)], known[np.maximum(after - 1, 0)]
    leads = (after < known.size) & (start[later] - end[new] <= before_s)
    source[new] = np.where(leads, later, earlier)
    return replace(
        swath,
        wanted=wanted,
        pass_id=swath.pass_id[source],
        dose_l_per_m2=None if swath.dose_l_per_m2 is None else swath.dose_l_per_m2[source],
    )


def headland_exchanged(swath: Swath, runs: Runs, *, first: bool) -> Swath | None:
    """All headland runs moved to the front, or to the end; None where they are there already or there are none."""
    n = runs.first.shape[0]
    head = runs.headland
    if runs.family_rad is None or not head.any() or head.all():
        return None
    order = np.concatenate([np.flatnonzero(head), np.flatnonzero(~head)] if first else
                           [np.flatnonzero(~head), np.flatnonzero(head)])  # fmt: skip
    if bool((order == np.arange(n)).all()):
        return None
    # what is driven after a run belongs to it, up to the next
    begins = np.append(runs.first, swath.distance_m.shape[0])
    begins[0] = 0
    return _in_turn(swath, [np.arange(begins[k], begins[k + 1]) for k in order])


def headland_after(runs: Runs) -> bool:
    """Whether most of the headland was driven after most of the rest."""
    head = runs.headland
    if not head.any() or head.all():
        return False
    order = np.arange(head.size)

    def middle(mine: NDArray[np.bool_]) -> float:
        return float(np.average(order[mine], weights=runs.length_m[mine]))

    return middle(head) > middle(~head)


def _in_turn(swath: Swath, stretches: Sequence[Ints]) -> Swath:
    """Stretches of steps driven one after the other, without its ribbons."""
    steps = np.concatenate([np.append(own, -1) for own in stretches])[:-1]
    poses = np.concatenate([np.append(own, own[-1] + 1) for own in stretches])
    joint = steps < 0
    at = np.where(joint, 0, steps)

    def of_steps(value: NDArray[_T], at_joint: float) -> NDArray[_T]:
        out = value[at].copy()
        out[joint] = at_joint
        return out

    seconds = of_steps(np.diff(swath.time_s), BETWEEN_S)
    return replace(
        swath,
        x_m=swath.x_m[poses],
        y_m=swath.y_m[poses],
        right_x=swath.right_x[poses],
        right_y=swath.right_y[poses],
        time_s=np.concatenate(([0.0], np.cumsum(seconds))),
        epoch=swath.epoch[poses],
        linked=of_steps(swath.linked, False),
        standing=of_steps(swath.standing, False),
        wanted=of_steps(swath.wanted, False),
        distance_m=of_steps(swath.distance_m, 0.0),
        turn_per_m=of_steps(swath.turn_per_m, 0.0),
        reverse=of_steps(swath.reverse, False),
        pass_id=of_steps(swath.pass_id, -1),
        dose_l_per_m2=None if swath.dose_l_per_m2 is None else of_steps(swath.dose_l_per_m2, 0.0),
        volume_l=None if swath.volume_l is None else of_steps(swath.volume_l, 0.0),
        ribbon_step=np.empty(0, np.int64),
        ribbon_left_m=np.empty(0),
        ribbon_right_m=np.empty(0),
        cut=np.flatnonzero(joint),
        bridged=np.empty(0, np.int64),
    )
