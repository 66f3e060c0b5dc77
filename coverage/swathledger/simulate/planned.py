"""What a plan is: segments in driving order, and what may be chosen of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from swathledger.notes import Note
from swathledger.simulate.laps import polygons, union

Kind = Literal["lap", "pass", "crossing", "tidy", "turn", "transport", "refill"]


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of the plan driven in one way.

    Attributes
    ----------
    kind : str
        ``lap``, ``pass``, ``crossing`` (an exclusion crossed shut), ``tidy`` (a run into ground the rest left),
        ``turn``, ``transport``, ``refill`` (a stop; its path is a single place).
    spray : bool
        Whether the operator wants spray.
    x_m, y_m : (n,) float64
        Path of the guided point: the boom's centre, or the tractor's antenna for a trailed boom.
    heading_deg : (n,) float64
        Where the machine faces, degrees clockwise from north (against the travel when ``reverse``).
    reverse : bool
        Driven backwards.
    hold_s : float
        Time stood at the end.
    """

    kind: Kind
    spray: bool
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    heading_deg: NDArray[np.float64]
    reverse: bool = False
    hold_s: float = 0.0

    @property
    def length_m(self) -> float:
        """Length of the path."""
        return float(np.hypot(np.diff(self.x_m), np.diff(self.y_m)).sum())


@dataclass(frozen=True, slots=True)
class DrivePlan:
    """Segments in driving order, each starting where the one before ended.

    Attributes
    ----------
    lag_m : float
        How far the boom follows behind the guided point.
    bearing_deg : float or None
        Of the passes, 0..180; None for contour passes or none.
    notes : tuple of Note
        What was guessed, and where no sound way was found.
    """

    segments: tuple[Segment, ...]
    width_m: float
    turning_radius_m: float
    lag_m: float
    bearing_deg: float | None
    headland_laps: int
    notes: tuple[Note, ...] = ()

    @property
    def length_m(self) -> float:
        """Length driven."""
        return sum(s.length_m for s in self.segments)

    @property
    def sprayed_m(self) -> float:
        """Length driven with spray wanted."""
        return sum(s.length_m for s in self.segments if s.spray)

    def swaths(self) -> BaseGeometry:
        """Ground under the boom where spray is wanted: the whole boom, no section control.

        The boom is taken to run on the guided line, ``lag_m`` behind the guided point.
        """
        return union(swath_parts(self.segments, self.width_m, self.lag_m))


def swath_parts(segments: Sequence[Segment], width_m: float, lag_m: float) -> list[Polygon]:
    """The swath of each stretch on which spray is wanted; see :meth:`DrivePlan.swaths`."""
    if not segments:
        return []
    x = np.concatenate([s.x_m for s in segments])
    y = np.concatenate([s.y_m for s in segments])
    station = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    out: list[Polygon] = []
    first = 0
    for segment in segments:
        last = first + len(segment.x_m) - 1
        if segment.spray and last > first:
            at = station[first : last + 1] - lag_m
            line = LineString(np.column_stack([np.interp(at, station, x), np.interp(at, station, y)]))
            out += polygons(line.buffer(width_m / 2, cap_style="flat", quad_segs=16))
        first = last + 1
    return out


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """What may be chosen of a plan.

    Attributes
    ----------
    headland_laps : int or None
        None: as many as a turn needs, at least 1.
    bearing : float, "best" or "longest"
        Direction of the passes, degrees clockwise from north; ``"best"`` tries the sides' directions and every 15
        degrees for the least driving and turning; ``"longest"`` follows the longest side.
    contour_side : LineString or None
        Passes follow this side instead.
    terraces : tuple of LineString
        The ground inside the laps is worked in the blocks between these lines, each along its own terrace; the first
        block follows the first, from its other side.
    skip_passes : bool
        Every other pass out, the rest back.
    cross : {"auto", "all", "none"}
        Which exclusions may be crossed with the boom shut; ``"auto"``: long thin ones.
    clearance_m : float
        Least distance of the machine's centre from the boundary and from obstacles.
    clockwise : bool
        Sense of the outer laps.
    tidy : bool
        Runs into corners that laps and passes leave.
    tank_m2 : float or None
        Ground one tank treats; None: no refills.
    refill_s : float
        Time a refill takes.
    """

    headland_laps: int | None = None
    bearing: float | Literal["best", "longest"] = "best"
    contour_side: LineString | None = None
    terraces: tuple[LineString, ...] = ()
    skip_passes: bool = False
    cross: Literal["auto", "all", "none"] = "auto"
    clearance_m: float = 2.5
    clockwise: bool = False
    tidy: bool = True
    tank_m2: float | None = None
    refill_s: float = 600.0
