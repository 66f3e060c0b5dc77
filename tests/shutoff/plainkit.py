"""A second replay engine, plain and slow: whole-field arrays of cell centres, written apart from the first.

Written from docs/replay.md. It takes the boom's poses as they are and does the rest by direct sampling: the target is
asked of shapely cell by cell; the ground that a group sees is looked up in an array at points 5 cm apart along its
line; a cell is treated when the boom's line passes over its centre under an open group. Found through ``pythonpath``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.machine.machine import Valves
from swathledger.swath.swath import Swath

CELL_M = 0.1
TICK_M = 0.05
POINT_M = 0.05
WAKE_S = 0.5
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Plain:
    """What one layout left: m2, and litres laid."""

    target: float
    covered: float
    overlap_extra: float
    beyond: float
    skip: float
    litres: float

    @property
    def applied(self) -> float:
        return self.covered + self.overlap_extra + self.beyond

    @property
    def over_application(self) -> float:
        return self.overlap_extra + self.beyond


class _Grid:
    """Cell centres around a field."""

    def __init__(self, swath: Swath, field: Field, half_boom_m: float) -> None:
        x0, y0, x1, y1 = field.boundary.bounds
        reach = half_boom_m + 15.0
        self.x0, self.y0 = x0 - reach, y0 - reach
        self.shape = (int((y1 + reach - self.y0) / CELL_M) + 1, int((x1 + reach - self.x0) / CELL_M) + 1)
        self.xs = self.x0 + (np.arange(self.shape[1]) + 0.5) * CELL_M
        self.ys = self.y0 + (np.arange(self.shape[0]) + 0.5) * CELL_M
        shapely.prepare(field.target)
        self.target = shapely.contains_xy(field.target, *np.meshgrid(self.xs, self.ys))

    def index(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        column = np.floor((x - self.x0) / CELL_M).astype(np.int64)
        row = np.floor((y - self.y0) / CELL_M).astype(np.int64)
        inside = (row >= 0) & (row < self.shape[0]) & (column >= 0) & (column < self.shape[1])
        return np.where(inside, row, 0), np.where(inside, column, 0), inside


class _Queue:
    """Commands on their way to one valve: a newer one that gets there first takes the place of those before."""

    def __init__(self, is_open: bool) -> None:
        self.command = self.is_open = is_open
        self.due: list[tuple[float, bool]] = []
        self.opened_s = -np.inf

    def ask(self, wish: bool, now: float, valves: Valves) -> None:
        if wish == self.command:
            return
        self.command = wish
        arrives = now + (valves.on_delay_s if wish else valves.off_delay_s)
        self.due = [(when, then) for when, then in self.due if when < arrives] + [(arrives, wish)]

    def move(self, now: float, valves: Valves) -> None:
        while self.due:
            when, then = self.due[0]
            if not then:
                when = max(when, self.opened_s + valves.minimum_on_s)
            if when > now:
                return
            self.due.pop(0)
            if then and not self.is_open:
                self.opened_s = when
            self.is_open = then


def _within(flags: NDArray[np.bool_], places: int) -> NDArray[np.bool_]:
    """Flags, and up to ``places`` neighbours on either side of each."""
    out = flags.copy()
    for k in range(1, places + 1):
        out[k:] |= flags[:-k]
        out[:-k] |= flags[k:]
    return out


def plain_replay(
    swath: Swath, field: Field, edges_m: Sequence[float], valves: Valves, tolerance_m: float, off: float = 1.0
) -> Plain:
    """Drive one layout; look-ahead must be the same for opening and shutting."""
    assert valves.look_ahead_on_s == valves.look_ahead_off_s
    edges = np.asarray(edges_m, dtype=np.float64)
    half = float(max(abs(edges[0]), abs(edges[-1])))
    grid = _Grid(swath, field, half)
    first_s = np.full(grid.shape, np.inf)
    times = np.zeros(grid.shape, np.int32)
    reach = round(tolerance_m / POINT_M)
    groups = edges.shape[0] - 1
    lateral = [np.arange(a + POINT_M / 2, b, POINT_M) for a, b in pairwise(edges)]
    points = np.concatenate(lateral)
    group = np.repeat(np.arange(groups), [len(part) for part in lateral])
    dose = swath.dose_l_per_m2 if swath.dose_l_per_m2 is not None else np.ones_like(swath.distance_m)
    queues: list[_Queue] | None = None
    litres = 0.0
    for step in range(swath.distance_m.shape[0]):
        if not swath.linked[step]:
            queues = None
            continue
        if swath.standing[step] or swath.distance_m[step] <= 0:
            continue
        length = float(swath.distance_m[step])
        seconds = float(swath.time_s[step + 1] - swath.time_s[step])
        ticks = int(np.ceil(length / TICK_M))
        ahead = length / seconds * valves.look_ahead_on_s * (-1.0 if swath.reverse[step] else 1.0)

        def pose(u: float, s: int = step) -> tuple[float, float, float, float]:
            return tuple(  # type: ignore[return-value]  # four numbers
                float((1 - u) * a[s] + u * a[s + 1]) for a in (swath.x_m, swath.y_m, swath.right_x, swath.right_y)
            )

        for tick in range(ticks):
            now = float(swath.time_s[step]) + (tick + 0.5) / ticks * seconds
            x, y, rx, ry = pose((tick + 0.5) / ticks)
            row, column, known = grid.index(x - ry * ahead + points * rx, y + rx * ahead + points * ry)
            old = known & (now - first_s[row, column] >= WAKE_S)
            wants = known & grid.target[row, column] & ~_within(old, reach)
            share = np.bincount(group, wants, groups) / np.bincount(group, minlength=groups)
            wish = share > 1.0 - off + 1e-9
            if queues is None:
                queues = [_Queue(bool(w)) for w in wish]
            for queue, w in zip(queues, wish, strict=True):
                queue.ask(bool(w), now, valves)
                queue.move(now, valves)
            opened = np.array([q.is_open for q in queues]) & bool(swath.wanted[step])
            if not opened.any():
                continue
            litres += float(dose[step]) * length / ticks * float(np.diff(edges)[opened].sum())
            _treat(grid, first_s, times, (pose(tick / ticks), pose((tick + 1) / ticks)), edges, opened, now)
    target, cell = grid.target, CELL_M**2
    return Plain(
        target=cell * int(target.sum()),
        covered=cell * int((target & (times > 0)).sum()),
        overlap_extra=cell * int(np.maximum(times[target] - 1, 0).sum()),
        beyond=cell * int(times[~target].sum()),
        skip=cell * int((target & (times == 0)).sum()),
        litres=litres,
    )


def _treat(
    grid: _Grid,
    first_s: Floats,
    times: NDArray[np.int32],
    lines: tuple[tuple[float, float, float, float], tuple[float, float, float, float]],
    edges: Floats,
    opened: NDArray[np.bool_],
    now: float,
) -> None:
    """Treat the cells whose centres the boom's line passes over between two poses under an open group."""
    low, high = edges[:-1][opened].min(), edges[1:][opened].max()
    xs = [x + a * rx for x, _, rx, _ in lines for a in (low, high)]
    ys = [y + a * ry for _, y, _, ry in lines for a in (low, high)]
    r0, c0, _ = grid.index(np.array([min(xs)]), np.array([min(ys)]))
    r1, c1, _ = grid.index(np.array([max(xs)]), np.array([max(ys)]))
    rows, columns = slice(int(r0[0]), int(r1[0]) + 1), slice(int(c0[0]), int(c1[0]) + 1)
    px, py = grid.xs[columns][None, :], grid.ys[rows][:, None]
    (xa, ya, rxa, rya), (xb, yb, rxb, ryb) = lines
    before = (py - ya) * rxa - (px - xa) * rya  # ahead of the line at the start, and at the end
    after = (py - yb) * rxb - (px - xb) * ryb
    passed = (before >= 0) != (after >= 0)
    j, i = np.nonzero(passed)
    if j.size == 0:
        return
    u = before[j, i] / (before[j, i] - after[j, i])
    x, y = px[0, i], py[j, 0]
    at = (1 - u) * ((x - xa) * rxa + (y - ya) * rya) + u * ((x - xb) * rxb + (y - yb) * ryb)
    which = np.searchsorted(edges, at, side="right") - 1
    hit = (which >= 0) & (which < opened.shape[0])
    hit[hit] = opened[which[hit]]
    j, i = j[hit] + rows.start, i[hit] + columns.start
    times[j, i] += 1
    first_s[j, i] = np.minimum(first_s[j, i], now)
