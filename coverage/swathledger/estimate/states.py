"""What valves did, row by row, as moments that are known between two rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MAX_WIDTHS = 64
"""A log of more widths than these is a varying one: its moments are left as read."""
WHOLE_SHARE = 0.95
"""A log in which so large a share of steps with a change moves everything at once is switched as one."""


@dataclass(frozen=True, slots=True)
class Moments:
    """Valves of a drive; ``g`` columns side by side on the boom, ``m`` moments at which one of them moved.

    Attributes
    ----------
    edges_m : (g + 1,) float64
        Lateral edges of the columns, m right of the boom's centre.
    first_open : (g,) bool
        States at the first row.
    row : (m,) int64
        Row that first shows the new state.
    column : (m,) int64
    opens : (m,) bool
    before_s, at_s : (m,) float64
        Time of the row before, and of the row: it moved between them. Equal where the way between is not known.
    step : (m,) int64
        Moments of one step and one direction have one number, from 0 in the order of time.
    as_one : bool
        Whether valves are moved all together, as a hand does.
    """

    edges_m: Floats
    first_open: Flags
    row: Ints
    column: Ints
    opens: Flags
    before_s: Floats
    at_s: Floats
    step: Ints
    as_one: bool


def columns_of(log: Log, machine: Machine, swath: Swath) -> tuple[Floats, Flags] | None:
    """Edges and states of what moves as one, (g + 1,) and (rows, g); None where widths vary too much to tell."""
    edges = machine.boom.nozzle_edges_m
    if swath.width_by_row:
        width = np.zeros(len(log))
        first = np.searchsorted(swath.epoch, np.arange(len(log)))
        found = np.searchsorted(swath.ribbon_step, first)
        known = np.minimum(found, max(swath.ribbon_step.shape[0] - 1, 0))
        mine = (found < swath.ribbon_step.shape[0]) & (swath.ribbon_step[known] == first)
        width[mine] = 2.0 * swath.ribbon_right_m[known[mine]]
        sizes = np.unique(np.round(width[width > 0], 3))
        if sizes.shape[0] == 0 or sizes.shape[0] > MAX_WIDTHS:
            return None
        half = np.concatenate([-sizes[::-1], sizes]) / 2.0
        middle = np.abs((half[:-1] + half[1:]) / 2.0)
        return half, np.round(width, 3)[:, None] / 2.0 > middle[None, :]
    if log.state_kind == "section":
        edges = edges[np.concatenate(([0], np.cumsum(machine.boom.sections)))]
        return edges, log.state
    if log.state_kind == "nozzle":
        return edges, log.state
    return edges[[0, -1]], log.state[:, :1]


def moments_of(log: Log, machine: Machine, swath: Swath) -> Moments | None:
    """The moments of a log at which valves moved; None where widths vary too much to tell."""
    found = columns_of(log, machine, swath)
    if found is None:
        return None
    edges, state = found
    time_s = log.time_s - log.time_s[0]
    pose = np.searchsorted(swath.epoch, np.arange(len(log)))
    bridged = np.zeros(len(log), dtype=bool)
    bridged[1:] = swath.linked[np.clip(pose[1:] - 1, 0, None)] | swath.linked[pose[:-1]]
    row, column = np.nonzero(state[1:] != state[:-1])
    row = row + 1
    opens = state[row, column]
    before = np.where(bridged[row], time_s[row - 1], time_s[row])
    _, step = np.unique(2 * row + opens, return_inverse=True)
    return Moments(
        np.ascontiguousarray(edges), state[0].copy(), row, column.astype(np.int64), opens, before, time_s[row],
        step.astype(np.int64), _as_one(state, np.unique(row)),
    )  # fmt: skip


def _as_one(state: Flags, changes: Ints) -> bool:
    """Whether nearly all rows that show a change have everything open after everything shut, or the other way round."""
    before, after = state[changes - 1], state[changes]
    whole = (before.all(axis=1) & ~after.any(axis=1)) | (after.all(axis=1) & ~before.any(axis=1))
    return bool(changes.shape[0]) and float(whole.mean()) >= WHOLE_SHARE
