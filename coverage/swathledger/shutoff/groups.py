"""What a layout's controller holds while it drives: the scene, its plan, the state of its groups and its switches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger.shutoff.drive import Drive
from swathledger.shutoff.sight import Rule, Sight
from swathledger.shutoff.treated import Treated

STEP_M = 0.1
"""Longest way between two looks: what wants spray for less than this may be missed."""
LOOKS_AT_ONCE = 10
"""Control steps for which treated ground nearby is looked for at once."""
HALVINGS = 5
PARTS = 1 << HALVINGS
MAX_WAITING = 16
"""Commands on their way to one valve; more than any delay and control step bring about."""
SLACK_M = 1e-4
"""Ground narrower than this is rounding, and opens no valve."""
DONE, NO_ROOM = 0, 1


class Scene(NamedTuple):
    """Where a layout is driven: the drive, what it has treated, and what it sees."""

    drive: Drive
    treated: Treated
    sight: Sight


class Valve(NamedTuple):
    """Valves and look-ahead; see :class:`swathledger.machine.machine.Valves`."""

    on_delay_s: float
    off_delay_s: float
    look_ahead_on_s: float
    look_ahead_off_s: float
    minimum_on_s: float


class Plan(NamedTuple):
    """What is driven: ``g`` groups.

    Attributes
    ----------
    edges_m : (g + 1,) float64
        Lateral edges of the groups.
    need_m : (g,) float64
        A group is to be open where more than this of its width wants spray.
    valve : Valve
    rule : Rule
    """

    edges_m: NDArray[np.float64]
    need_m: NDArray[np.float64]
    valve: Valve
    rule: Rule


class Groups(NamedTuple):
    """State of every group; ``g`` groups.

    Attributes
    ----------
    command, is_open, settled, spraying : (g,) bool
        What the controller asked for; the valve; whether the look that may undo the command has agreed with it;
        whether the group lays ground, the operator wanting spray too.
    waiting : (g,) int64
        Commands on their way.
    due_s, due_open : (g, MAX_WAITING)
    since_s, moved_s, hold_m : (g,) float64
        When the valve opened; when a command last reached it; way at which the ground that a command was given for is
        reached.
    from_step : (g,) int64
    from_u, until_u : (g,) float64
        Where the piece begins that the group lays; where, in the present step, it ended and is not yet taken down
        (-1: it did not).
    ended : (1,) int64
        1 where any did.
    mark_s, open_s : (g,) float64
        Since when the state is as it is; seconds open in the present control step.
    seen_m : (2, g) float64
        Width that wants spray, by the shutting and the opening look.
    halves_m : (PARTS, 2, g) float64
        The same between two looks.
    halves_known : (PARTS,) int64
        Control step for which these were looked at.
    """

    command: NDArray[np.bool_]
    is_open: NDArray[np.bool_]
    settled: NDArray[np.bool_]
    spraying: NDArray[np.bool_]
    waiting: NDArray[np.int64]
    due_s: NDArray[np.float64]
    due_open: NDArray[np.bool_]
    since_s: NDArray[np.float64]
    moved_s: NDArray[np.float64]
    hold_m: NDArray[np.float64]
    from_step: NDArray[np.int64]
    from_u: NDArray[np.float64]
    until_u: NDArray[np.float64]
    ended: NDArray[np.int64]
    mark_s: NDArray[np.float64]
    open_s: NDArray[np.float64]
    seen_m: NDArray[np.float64]
    halves_m: NDArray[np.float64]
    halves_known: NDArray[np.int64]


class Switches(NamedTuple):
    """Moments at which valves moved, in the order found; ``found`` (1,) of them are filled."""

    step: NDArray[np.int64]
    u: NDArray[np.float64]
    group: NDArray[np.int64]
    opens: NDArray[np.bool_]
    found: NDArray[np.int64]


class Part(NamedTuple):
    """One control step: of step ``step``, from ``u0`` to ``u1``, at ``speed_m_s`` from the moment ``step_s`` on."""

    step: int
    u0: float
    u1: float
    speed_m_s: float
    step_s: float
    seconds: float
    number: int


def new_groups(count: int) -> Groups:
    """Shut groups."""
    return Groups(
        np.zeros(count, np.bool_),
        np.zeros(count, np.bool_),
        np.ones(count, np.bool_),
        np.zeros(count, np.bool_),
        np.zeros(count, np.int64),
        np.full((count, MAX_WAITING), np.inf),
        np.zeros((count, MAX_WAITING), np.bool_),
        np.full(count, -np.inf),
        np.full(count, -np.inf),
        np.full(count, -np.inf),
        np.zeros(count, np.int64),
        np.zeros(count),
        np.full(count, -1.0),
        np.zeros(1, np.int64),
        np.zeros(count),
        np.zeros(count),
        np.zeros((2, count)),
        np.zeros((PARTS, 2, count)),
        np.full(PARTS, -1, np.int64),
    )


def new_switches(room: int) -> Switches:
    """Room for so many moments."""
    return Switches(
        np.empty(room, np.int64),
        np.empty(room),
        np.empty(room, np.int64),
        np.empty(room, np.bool_),
        np.zeros(1, np.int64),
    )
