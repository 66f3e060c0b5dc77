"""What a drive says of its machine: each figure with its error, or the reason why it cannot be told."""

from __future__ import annotations

from dataclasses import dataclass

from swathledger.machine.machine import Valves
from swathledger.notes import Note

LEVEL = 0.90
"""Of every interval here."""


@dataclass(frozen=True, slots=True)
class Found:
    """One figure found in the drive.

    Attributes
    ----------
    value, error : float or None
        Best value and its standard error; None where the drive cannot tell.
    low, high : float or None
        Interval of :data:`LEVEL`.
    why_not : Note or None
        Why it cannot be told.
    """

    value: float | None
    error: float | None = None
    low: float | None = None
    high: float | None = None
    why_not: Note | None = None

    @property
    def half_m(self) -> float:
        """Half the interval's width; infinite where nothing was found."""
        return float("inf") if self.low is None or self.high is None else (self.high - self.low) / 2


@dataclass(frozen=True, slots=True)
class Controller:
    """How sections really switched, against the ground as the log laid it.

    Attributes
    ----------
    late_on_s, late_off_s : Found
        Net delay: valve less look-ahead; negative where the controller acts ahead of the ground.
    covered : Found
        Share of a section that is covered when it shuts.
    margin_m, boundary_margin_m : Found
        Overlap asked for at treated ground; reach beyond the boundary.
    spread_s : float
        Spread of single moments about the model, one sigma.
    strays : float
        Share of switches that the model does not explain.
    on_these_poses : Valves
        Net delays as valves and look-ahead, for the poses by the machine file: what its offset misses is in them.
    margin_used_m : float
        Overlap margin that goes with ``on_these_poses``: 0 where none was found for sure.
    covered_used : float
    acts_on_s, acts_off_s : Found
        The net delays of ``on_these_poses`` with their error, where no margin below 0 is believed: offset and valve
        together, which the switches tell well even where they cannot tell the two apart.
    lag_s : Found
        How much later shutting is than opening on these poses; what is wrong with the place is not in it.
    """

    late_on_s: Found
    late_off_s: Found
    covered: Found
    margin_m: Found
    boundary_margin_m: Found
    spread_s: float
    strays: float
    on_these_poses: Valves
    margin_used_m: float
    covered_used: float
    acts_on_s: Found = Found(None)
    acts_off_s: Found = Found(None)
    lag_s: Found = Found(None)


@dataclass(frozen=True, slots=True)
class Setup:
    """Offsets, widths and controller found in one drive.

    Attributes
    ----------
    trailed : bool
        The machine file gives a hitch: what is missing ahead then belongs to ``hitch_to_boom_m``.
    file_ahead_m, file_right_m, boom_m : float
        By the machine file; for a trailed machine ``file_ahead_m`` is hitch to boom.
    ahead_m : Found
        Suggested. The valves' net delays are held to the machine file's within half a second, so that what speed and
        offset share is shared out by speeds as far as the drive's own differ.
    ahead_by_file_timing_m : Found
        The sharper figure that holds if the machine file's delays are right to the last bit.
    ahead_free_m : Found
        With the delays left open: what speeds alone tell apart.
    right_m : Found
        Rests on passes being spaced evenly by the boom's centre.
    spacing_m : Found
        Driven spacing of neighbouring passes.
    controller : Controller or None
    mean_speed_m_s : float or None
        At the switches.
    switches, crossings, seams, pairs : int
        Switches and crossings used, clean seams met, pairs of neighbouring passes.
    wander_m : float or None
        How far, one sigma, passes lie off an even spacing.
    """

    trailed: bool
    file_ahead_m: float
    file_right_m: float
    boom_m: float
    ahead_m: Found
    ahead_by_file_timing_m: Found
    ahead_free_m: Found
    right_m: Found
    spacing_m: Found
    controller: Controller | None
    mean_speed_m_s: float | None
    switches: int
    crossings: int
    seams: int
    pairs: int
    wander_m: float | None = None

    @property
    def ahead_key(self) -> str:
        """The machine file's key that :attr:`ahead_m` belongs to."""
        return "hitch_to_boom_m" if self.trailed else "ahead_of_boom_m"
