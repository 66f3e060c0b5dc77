"""Section control as a machine does it: it knows where it has been, looks ahead, and its valves are late."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from swathledger.errors import InputError
from swathledger.machine.machine import Boom, Valves
from swathledger.simulate.path import Floats, forward_unit


@dataclass(slots=True)
class Memory:
    """What the controller believes needs no spray: a north-up grid, True where treated or not target.

    ``done[row, column]``, rows northwards from ``y0``, columns eastwards from ``x0``; ground off the grid is done.
    """

    done: NDArray[np.bool_]
    x0: float
    y0: float
    cell_m: float

    @classmethod
    def over(cls, target: BaseGeometry, cell_m: float, margin_m: float = 2.0) -> Memory:
        """A fresh memory of a target: cells whose centre lies in it are to be done."""
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
        return cls(burnt[::-1] == 0, x0, y0, cell_m)

    def _index(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        column = np.floor((x - self.x0) / self.cell_m).astype(np.int64)
        row = np.floor((y - self.y0) / self.cell_m).astype(np.int64)
        inside = (row >= 0) & (column >= 0) & (row < self.done.shape[0]) & (column < self.done.shape[1])
        return row, column, inside

    def is_done(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Whether the cells under points need no spray."""
        row, column, inside = self._index(x, y)
        out = np.ones(x.shape, dtype=np.bool_)
        out[inside] = self.done[row[inside], column[inside]]
        return out

    def mark(self, x: Floats, y: Floats) -> None:
        """Take the cells under points for treated."""
        row, column, inside = self._index(x, y)
        self.done[row[inside], column[inside]] = True


@dataclass(frozen=True, slots=True)
class Controlled:
    """Per tick and section.

    Attributes
    ----------
    command, valve : (n, k) bool
        What the controller asked for, and what the valve did.
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

    def step(self, tick: int, ask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """States of the valves at a tick, for what is asked of them from it on."""
        flips = ask != self.asked
        self._due[flips] = tick + np.where(ask[flips], self._on_ticks, self._off_ticks)
        self.asked = ask
        now = (self._due >= 0) & (self._due <= tick)
        self.state = np.where(now, ask, self.state)
        self._due[now] = -1
        return self.state


def delayed(command: NDArray[np.bool_], on_ticks: int, off_ticks: int) -> NDArray[np.bool_]:
    """(n, k) valve states for commands; see :class:`LateValves`."""
    valves = LateValves(command.shape[1], on_ticks, off_ticks)
    return np.array([valves.step(i, row) for i, row in enumerate(command)], dtype=np.bool_).reshape(command.shape)


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
        A section is shut when at least this share of its footprint ahead is done.
    tolerance_m : float
        Ground so close beside treated ground counts as treated.
    automatic : bool
        False: all sections follow the master switch.
    """
    if not 0 < off_when_covered <= 1:
        raise InputError(f"off_when_covered must be above 0 and at most 1, found {off_when_covered}")
    n, k = len(x_m), len(boom.sections)
    on_ticks, off_ticks = round(valves.on_delay_s / step_s), round(valves.off_delay_s / step_s)
    if not automatic:
        command = np.repeat(wanted[:, None], k, axis=1)
        return Controlled(command, delayed(command, on_ticks, off_ticks))
    command = np.zeros((n, k), dtype=np.bool_)
    valve = np.zeros((n, k), dtype=np.bool_)
    starts = np.concatenate([[0], np.cumsum(boom.sections)])
    edges = boom.nozzle_edges_m[starts]
    centres = (boom.nozzle_edges_m[1:] + boom.nozzle_edges_m[:-1]) / 2
    counts = np.asarray(boom.sections, dtype=np.float64)
    # Points painted: every 0.8 cell along the boom, each section lengthened by the tolerance on both sides.
    fine = 0.8 * memory.cell_m
    paint = [
        np.linspace(a - tolerance_m, b + tolerance_m, max(2, math.ceil((b - a + 2 * tolerance_m) / fine) + 1))
        for a, b in itertools.pairwise(edges)
    ]
    paint_u = np.concatenate(paint)
    paint_section = np.repeat(np.arange(k), [len(p) for p in paint])
    half = float(max(abs(edges[0]), abs(edges[-1])))
    m = len(centres)
    # By how many ticks a section that is asked to open looks farther ahead than one that is asked to shut. Ground seen
    # from afar holds a section open until it is near; where shutting looks farther, what it shut stays so until other
    # ground begins.
    hold = round((valves.look_ahead_on_s - valves.look_ahead_off_s) / step_s)
    nothing, never = np.zeros(k, dtype=np.bool_), np.full(k, n + abs(hold), dtype=np.int64)
    since_on, opened, wanted_on, wanted_off = never, nothing, nothing, nothing
    east, north = forward_unit(heading_deg)
    turned = np.abs(np.radians(np.mod(np.diff(heading_deg) + 180.0, 360.0) - 180.0))
    moved = np.hypot(np.diff(x_m), np.diff(y_m))

    def wants(i: int, look_s: float) -> NDArray[np.bool_]:
        """Sections whose footprint ahead has ground to be done; never under the boom, which has just been painted."""
        near = look_s * speed_m_s[i] + 1.6 * memory.cell_m
        ahead = np.repeat([near, near + max(speed_m_s[i] * step_s, memory.cell_m)], m)
        across = np.concatenate([centres, centres])
        hit = memory.is_done(x_m[i] + ahead * east[i] + across * north[i], y_m[i] + ahead * north[i] - across * east[i])
        share = np.add.reduceat(hit[:m].astype(np.float64) + hit[m:], starts[:-1]) / (2 * counts)
        return np.asarray(share < off_when_covered - 1e-9)

    late = LateValves(k, on_ticks, off_ticks)
    for i in range(n):
        e, no = east[i], north[i]
        if wanted[i]:
            wants_on = wants(i, valves.look_ahead_on_s)
            wants_off = wants_on if hold == 0 else wants(i, valves.look_ahead_off_s)
            since_on = np.where(wants_on, 0, since_on + 1)
            opened = (opened | (wants_on & ~wanted_on)) & ~(wanted_off & ~wants_off)
            ask = wants_off | (since_on <= hold) if hold >= 0 else wants_on & opened
            wanted_on, wanted_off = wants_on, wants_off
        else:
            ask = nothing
            since_on, opened, wanted_on, wanted_off = never, nothing, nothing, nothing
        state = late.step(i, ask)
        command[i], valve[i] = ask, state
        if i + 1 < n and state.any():
            steps = max(1, math.ceil((moved[i] + half * turned[i]) / fine))
            u = paint_u[state[paint_section]]
            f = (np.arange(1, steps + 1) / steps)[:, None]
            ex, ny = e + f * (east[i + 1] - e), no + f * (north[i + 1] - no)
            cx, cy = x_m[i] + f * (x_m[i + 1] - x_m[i]), y_m[i] + f * (y_m[i + 1] - y_m[i])
            memory.mark((cx + ny * u).ravel(), (cy - ex * u).ravel())
    return Controlled(command, valve)
