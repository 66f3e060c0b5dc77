"""Section control as a machine does it: it knows where it has been, looks ahead, and its valves are late."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from swathledger.errors import InputError
from swathledger.machine.machine import Boom, Valves
from swathledger.simulate.path import Floats, forward_unit


@dataclass(slots=True)
class Memory:
    """What the controller knows of the ground: a north-up grid, each cell judged at its centre.

    ``off[row, column]`` is True where it is not target, ``treated`` where it was treated; rows northwards from ``y0``,
    columns eastwards from ``x0``. Ground off the grid is not target.
    """

    off: NDArray[np.bool_]
    treated: NDArray[np.bool_]
    x0: float
    y0: float
    cell_m: float

    @classmethod
    def over(cls, target: BaseGeometry, cell_m: float, margin_m: float = 2.0) -> Memory:
        """A fresh memory of a target: cells whose centre lies in it are to be treated."""
        from rasterio.features import rasterize
        from rasterio.transform import Affine

        x0, y0 = target.bounds[0] - margin_m, target.bounds[1] - margin_m
        columns = math.ceil((target.bounds[2] + margin_m - x0) / cell_m)
        rows = math.ceil((target.bounds[3] + margin_m - y0) / cell_m)
        burnt = rasterize(
            [(target, 1)],
            out_shape=(rows, columns),
            transform=Affine(cell_m, 0.0, x0, 0.0, -cell_m, y0 + rows * cell_m),
            dtype="uint8",
        )
        off = burnt[::-1] == 0
        return cls(off, np.zeros_like(off), x0, y0, cell_m)

    def cells(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Numbers of the cells under points, and which lie on the grid (the number of the others means nothing)."""
        column = np.floor((x - self.x0) / self.cell_m).astype(np.int64)
        row = np.floor((y - self.y0) / self.cell_m).astype(np.int64)
        inside = (row >= 0) & (column >= 0) & (row < self.off.shape[0]) & (column < self.off.shape[1])
        return row * self.off.shape[1] + column, inside

    def centres(self, cell: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Centres of cells, by their numbers."""
        row, column = np.divmod(cell, self.off.shape[1])
        return self.x0 + (column + 0.5) * self.cell_m, self.y0 + (row + 0.5) * self.cell_m

    def look(self, x: Floats, y: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Whether the cells under points are off the target, and whether they were treated."""
        cell, inside = self.cells(x, y)
        off, treated = np.ones(x.shape, dtype=np.bool_), np.zeros(x.shape, dtype=np.bool_)
        off[inside], treated[inside] = self.off.ravel()[cell[inside]], self.treated.ravel()[cell[inside]]
        return off, treated


@dataclass(frozen=True, slots=True)
class Controlled:
    """Per tick and section.

    Attributes
    ----------
    command, valve : (n, k) bool
        What the controller asked for, and what the valve did, from half a tick before a tick to half a tick after.
    """

    command: NDArray[np.bool_]
    valve: NDArray[np.bool_]


class LateValves:
    """Valves that obey late: openings come ``on_ticks`` late, closings ``off_ticks``; the newest command wins."""

    def __init__(self, sections: int, on_ticks: int, off_ticks: int) -> None:
        self.asked = np.zeros(sections, dtype=np.bool_)
        self.state = np.zeros(sections, dtype=np.bool_)
        self._on_ticks, self._off_ticks = on_ticks, off_ticks
        self._due = np.full(sections, -1, dtype=np.int64)

    def step(self, tick: int, ask: NDArray[np.bool_], off_ticks: int | None = None) -> NDArray[np.bool_]:
        """States of the valves at a tick, for what is asked from it on; ``off_ticks``: of these closings alone."""
        flips = ask != self.asked
        self._due[flips] = tick + np.where(
            ask[flips], self._on_ticks, self._off_ticks if off_ticks is None else off_ticks
        )
        self.asked = ask
        now = (self._due >= 0) & (self._due <= tick)
        self.state = np.where(now, ask, self.state)
        self._due[now] = -1
        return self.state


def delayed(command: NDArray[np.bool_], on_ticks: int, off_ticks: int) -> NDArray[np.bool_]:
    """(n, k) valve states for commands; see :class:`LateValves`."""
    valves = LateValves(command.shape[1], on_ticks, off_ticks)
    return np.array([valves.step(i, row) for i, row in enumerate(command)], dtype=np.bool_).reshape(command.shape)


@dataclass(frozen=True, slots=True)
class _Boom:
    """Where the boom is at a tick: centre, and the unit vector of its heading."""

    x: float
    y: float
    east: float
    north: float

    def ahead(self, x: Floats, y: Floats) -> Floats:
        """How far ahead of the boom's line points lie."""
        return (x - self.x) * self.east + (y - self.y) * self.north

    def right(self, x: Floats, y: Floats) -> Floats:
        """How far right of the boom's centre."""
        return (x - self.x) * self.north - (y - self.y) * self.east


def middles(values: Floats) -> Floats:
    """Middles of neighbouring values: where a tick's state begins and ends."""
    return np.asarray((values[1:] + values[:-1]) / 2, dtype=np.float64)


def _places(x: Floats, y: Floats, east: Floats, north: Floats) -> list[_Boom]:
    return [_Boom(float(a), float(b), float(c), float(d)) for a, b, c, d in zip(x, y, east, north, strict=True)]


class _Painter:
    """Takes ground for treated as the boom sweeps it, once the boom has left it: cells whose centre it passed over."""

    def __init__(self, memory: Memory, edges_m: Floats) -> None:
        self._memory, self._edges = memory, edges_m
        # so close that none of the cells under the boom is missed, however it stands
        self._fine = 0.7 * memory.cell_m
        self._across = np.linspace(
            edges_m[0], edges_m[-1], max(2, math.ceil((edges_m[-1] - edges_m[0]) / self._fine) + 1)
        )
        self._waiting: deque[tuple[float, NDArray[np.int64]]] = deque()
        self._way_m = 0.0

    def sweep(self, before: _Boom, after: _Boom, state: NDArray[np.bool_], moved_m: float, arc_m: float) -> None:
        """Sweep from one place to the next with these sections open; ``arc_m``: way of the boom's tip."""
        self._way_m += moved_m
        if state.any():
            f = np.linspace(0.0, 1.0, max(1, math.ceil(arc_m / self._fine)) + 1)[:, None]
            mine = state[np.clip(np.searchsorted(self._edges, self._across, side="right") - 1, 0, len(state) - 1)]
            # the ends of open runs belong to both neighbours' points
            mine[1:] |= mine[:-1].copy()
            mine[:-1] |= mine[1:].copy()
            u = self._across[mine]
            e, n = before.east + f * (after.east - before.east), before.north + f * (after.north - before.north)
            x = before.x + f * (after.x - before.x) + n * u
            y = before.y + f * (after.y - before.y) - e * u
            cell, inside = self._memory.cells(x.ravel(), y.ravel())
            cell = np.unique(cell[inside])
            cx, cy = self._memory.centres(cell)
            passed = (before.ahead(cx, cy) >= 0.0) != (after.ahead(cx, cy) >= 0.0)
            lateral = (before.right(cx, cy) + after.right(cx, cy)) / 2
            section = np.searchsorted(self._edges, lateral, side="right") - 1
            passed &= (section >= 0) & (section < len(state))
            passed[passed] = state[section[passed]]
            self._waiting.append((self._way_m, cell[passed]))
        # what lies under the boom itself is not ground that was treated before
        while self._waiting and self._waiting[0][0] < self._way_m - 2.0 * self._memory.cell_m:
            self._memory.treated.ravel()[self._waiting.popleft()[1]] = True


class _Eyes:
    """What share of every section's line is target that was not treated, some way ahead of the boom."""

    def __init__(self, memory: Memory, edges_m: Floats, tolerance_m: float) -> None:
        self._memory = memory
        width = float(edges_m[-1] - edges_m[0])
        step = min(0.6 * memory.cell_m, float(np.diff(edges_m).min()) / 2)
        count = math.ceil(width / step)
        self._beside = int(tolerance_m * count / width + 1e-9)
        within = edges_m[0] + (np.arange(count) + 0.5) * width / count
        self._section = np.searchsorted(edges_m, within, side="right") - 1
        self._per_section = np.bincount(self._section, minlength=len(edges_m) - 1)
        more = np.arange(1, self._beside + 1) * width / count
        self._across = np.concatenate([within[0] - more[::-1], within, within[-1] + more])

    def wanting(self, boom: _Boom, ahead_m: float) -> Floats:
        """(sections,) shares 0..1."""
        u = self._across
        x, y = boom.x + ahead_m * boom.east + u * boom.north, boom.y + ahead_m * boom.north - u * boom.east
        off, treated = self._memory.look(x, y)
        b = self._beside
        near = np.concatenate([[0], np.cumsum(treated)])
        inner = np.arange(b, len(u) - b)
        beside = near[inner + b + 1] - near[inner - b] > 0
        wants = ~(off[inner] | beside)
        return np.asarray(np.bincount(self._section, wants, len(self._per_section)) / self._per_section)


def _ticks(delay_s: float, step_s: float) -> int:
    """Whole ticks that a delay lasts; what is too much of the last one is looked ahead for."""
    return math.ceil(delay_s / step_s - 1e-6)


def _nearest(delay_s: float, step_s: float) -> int:
    """Whole ticks nearest to a delay, the fewer of two that are as near."""
    return math.ceil(delay_s / step_s - 0.5 - 1e-6)


def run_sections(
    x_m: Floats,
    y_m: Floats,
    heading_deg: Floats,
    speed_m_s: Floats,
    wanted: NDArray[np.bool_],
    boom: Boom,
    valves: Valves,
    memory: Memory,
    *,
    step_s: float,
    off_when_covered: float = 1.0,
    tolerance_m: float = 0.3,
    automatic: bool = True,
) -> Controlled:
    """Run the controller along a drive.

    Parameters
    ----------
    x_m, y_m, heading_deg : (n,) float64
        The boom as the controller BELIEVES it to be (with the receiver's error).
    wanted : (n,) bool
        The operator's master switch.
    memory : Memory
        Changed as ground is treated.
    off_when_covered : float
        A section is shut when at least this share of its line ahead is done.
    tolerance_m : float
        Along the line, ground so close beside treated ground counts as treated.
    automatic : bool
        False: all sections follow the master switch.

    Notes
    -----
    A section opens ``on_delay - look_ahead_on`` after its line met ground that wants spray, and shuts ``off_delay -
    look_ahead_off`` after it left it. What delays are short of whole ticks is looked ahead for. A tick's state holds
    from half a tick before it to half a tick after: the first tick that shows a change comes up to a whole tick after
    it was due, so that valves are half a tick early or late at most, and right on average. So much for time; the
    memory's cells add half of one.
    """
    if not 0 < off_when_covered <= 1:
        raise InputError(f"off_when_covered must be above 0 and at most 1, found {off_when_covered}")
    n, k = len(x_m), len(boom.sections)
    on_ticks, off_ticks = _ticks(valves.on_delay_s, step_s), _ticks(valves.off_delay_s, step_s)
    # a hand at the switch cannot be looked ahead for: the tick nearest to the delay
    nearest = _nearest(valves.off_delay_s, step_s)
    if not automatic:
        command = np.repeat(wanted[:, None], k, axis=1)
        return Controlled(command, delayed(command, _nearest(valves.on_delay_s, step_s), nearest))
    command = np.zeros((n, k), dtype=np.bool_)
    valve = np.zeros((n, k), dtype=np.bool_)
    edges = boom.nozzle_edges_m[np.concatenate([[0], np.cumsum(boom.sections)])]
    half = float(max(abs(edges[0]), abs(edges[-1])))
    look_on = valves.look_ahead_on_s + on_ticks * step_s - valves.on_delay_s
    look_off = valves.look_ahead_off_s + off_ticks * step_s - valves.off_delay_s
    # By how many ticks a section that is asked to open looks farther ahead than one that is asked to shut. Ground seen
    # from afar holds a section open until it is near; where shutting looks farther, what it shut stays so until other
    # ground begins.
    hold = math.floor((look_on - look_off) / step_s + 1e-6)
    nothing, never = np.zeros(k, dtype=np.bool_), np.full(k, n + abs(hold), dtype=np.int64)
    since_on, opened, wanted_on, wanted_off = never, nothing, nothing, nothing
    east, north = forward_unit(heading_deg)
    turned = np.abs(np.radians(np.mod(np.diff(heading_deg) + 180.0, 360.0) - 180.0))
    moved = np.hypot(np.diff(x_m), np.diff(y_m))
    at = _places(x_m, y_m, east, north)
    between = _places(*(middles(v) for v in (x_m, y_m, east, north)))
    painter, eyes = _Painter(memory, edges), _Eyes(memory, edges, tolerance_m)

    def wants(i: int, look_s: float) -> NDArray[np.bool_]:
        return np.asarray(1.0 - eyes.wanting(at[i], look_s * speed_m_s[i]) < off_when_covered - 1e-9)

    late = LateValves(k, on_ticks, off_ticks)
    for i in range(n):
        if wanted[i]:
            wants_on = wants(i, look_on)
            wants_off = wants_on if abs(look_on - look_off) < 1e-9 else wants(i, look_off)
            since_on = np.where(wants_on, 0, since_on + 1)
            opened = (opened | (wants_on & ~wanted_on)) & ~(wanted_off & ~wants_off)
            ask = wants_off | (since_on <= hold) if hold >= 0 else wants_on & opened
            wanted_on, wanted_off = wants_on, wants_off
        else:
            ask = nothing
            since_on, opened, wanted_on, wanted_off = never, nothing, nothing, nothing
        state = late.step(i, ask, None if wanted[i] else nearest)
        command[i], valve[i] = ask, state
        if 0 < i < n - 1:
            arc = (moved[i - 1] + moved[i] + half * (turned[i - 1] + turned[i])) / 2
            painter.sweep(between[i - 1], between[i], state, float(moved[i - 1] + moved[i]) / 2, float(arc))
    return Controlled(command, valve)
