"""Standing discharges, stops and likely primes found in a log.

All functions work on *intervals*: a log of n rows has n - 1 of them, and interval i runs from row i to row i + 1 with
the state and flow of row i. What happened in an interval longer than ``max_gap_s`` is not known; it is neither spraying
nor a known flow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError

LONG_STOP_S = 1800.0
"""A break in spraying longer than this (30 min) makes the next spray a likely prime, s."""

Occasion = Literal["first_of_day", "first_of_log", "after_long_stop", "in_work"]
LitresSource = Literal["flow", "nozzle"]


@dataclass(frozen=True, slots=True)
class StandingDischarge:
    """Spraying while the machine stood, as the log recorded it.

    Attributes
    ----------
    start_time_s : float
        As `Log.time_s`, s.
    duration_s : float
        Time sprayed at standstill, s (moving moments that were joined are not counted).
    latitude_deg, longitude_deg : float
        Mean position logged; see :func:`swathledger.plumbing.job.at_the_boom` for the boom's.
    litres : float or None
        What was poured, L; None where the log cannot tell.
    litres_source : {"flow", "nozzle"} or None
        ``"flow"``: logged flow. ``"nozzle"``: open nozzles times an assumed nozzle flow.
    occasion : {"first_of_day", "first_of_log", "after_long_stop", "in_work"}
        The first three make it a likely prime.
    wetted_m2 : float or None
        Ground wetted, m2: open width x the assumed length of the spray's footprint. None where not known.
    distance_to_boundary_m : float or None
        From there to the nearest boundary line, m, whichever side.
    distance_to_exclusion_m : float or None
        To the nearest exclusion, m, 0 inside one. None: no exclusions given, or no field.
    """

    start_time_s: float
    duration_s: float
    latitude_deg: float
    longitude_deg: float
    litres: float | None
    litres_source: LitresSource | None
    occasion: Occasion = "in_work"
    wetted_m2: float | None = None
    distance_to_boundary_m: float | None = None
    inside_boundary: bool | None = None
    distance_to_exclusion_m: float | None = None


@dataclass(frozen=True, slots=True)
class LikelyPrime:
    """The first spray of a day or after a long stop: lines were probably primed then.

    Attributes
    ----------
    time_s : float
        When spraying began.
    latitude_deg, longitude_deg : float
        Antenna at that moment.
    occasion : {"first_of_day", "first_of_log", "after_long_stop"}
    break_s : float or None
        Time without spraying before it, s; None before the first spray of the log.
    discharge : int or None
        Index of the standing discharge it began with. None: the log shows no pouring; a prime before the log began,
        or without the switch recorded, cannot be seen and its litres are not known.
    """

    time_s: float
    latitude_deg: float
    longitude_deg: float
    occasion: Occasion
    break_s: float | None
    discharge: int | None


@dataclass(frozen=True, slots=True)
class Stop:
    """A stand without spraying, or a gap in the log: a refill, a rest, rain.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Antenna where it began.
    logged : bool
        False: part of it is a gap in the log.
    long : bool
        Longer than `LONG_STOP_S`.
    """

    start_time_s: float
    duration_s: float
    latitude_deg: float
    longitude_deg: float
    logged: bool
    long: bool


@dataclass(frozen=True, slots=True)
class StandingReport:
    """Everything that one log shows of standing.

    Attributes
    ----------
    litres : float or None
        Sum over the discharges whose litres are known, L; None where no discharge has known litres, 0 where there are
        no discharges.
    unmeasured : int
        Discharges whose litres are not known.
    """

    discharges: tuple[StandingDischarge, ...]
    primes: tuple[LikelyPrime, ...]
    stops: tuple[Stop, ...]

    @property
    def litres(self) -> float | None:
        """Known litres; None where there are discharges and none is known."""
        known = [event.litres for event in self.discharges if event.litres is not None]
        return math.fsum(known) if known or not self.discharges else None

    @property
    def unmeasured(self) -> int:
        """Discharges whose litres are not known."""
        return sum(event.litres is None for event in self.discharges)

    @property
    def unseen_primes(self) -> int:
        """Likely primes that the log shows no pouring for."""
        return sum(event.discharge is None for event in self.primes)


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of True as half-open index pairs ``(first, one past last)``, in order."""
    padded = np.concatenate(([False], mask, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def find_discharges(
    time_s: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
    spraying: NDArray[np.bool_],
    standing: NDArray[np.bool_],
    *,
    flow_l_s: NDArray[np.float64] | None = None,
    open_nozzles: NDArray[np.int64] | None = None,
    nozzle_flow_l_s: float | None = None,
    open_width_m: NDArray[np.float64] | None = None,
    footprint_m: float | None = None,
    join_s: float = 2.0,
) -> tuple[StandingDischarge, ...]:
    """Standing discharges, in time order.

    Parameters
    ----------
    time_s, latitude_deg, longitude_deg : (n,) float64
    spraying, standing : (n - 1,) bool
        Per interval.
    flow_l_s : (n,) float64, optional
        Whole-boom flow, NaN where not logged; one NaN in an event makes its litres unknown, never smaller.
    open_nozzles : (n - 1,) int, optional
        Open nozzles; used with ``nozzle_flow_l_s`` where flow is not logged.
    nozzle_flow_l_s : float, optional
        Assumed flow of one nozzle, L/s. (A rate per area says nothing at standstill.)
    open_width_m : (n - 1,) float64, optional
    footprint_m : float, optional
        Assumed length of the spray's footprint along the travel direction, m.
    join_s : float
        Events closer than this with spraying throughout between them are one, s.

    Raises
    ------
    LogError
        Where shapes do not fit.
    """
    n = time_s.size
    for name, value, size in (
        ("spraying", spraying, n - 1),
        ("standing", standing, n - 1),
        ("flow_l_s", flow_l_s, n),
        ("open_nozzles", open_nozzles, n - 1),
        ("open_width_m", open_width_m, n - 1),
    ):
        if value is not None and value.shape != (max(size, 0),):
            raise LogError(f"{name} must have {size} values, found shape {value.shape}.")
    step = np.diff(time_s)
    both = spraying & standing
    joined = both.copy()
    for (_, end), (start, _) in zip(runs(both)[:-1], runs(both)[1:], strict=True):
        if time_s[start] - time_s[end] <= join_s and bool(spraying[end:start].all()):
            joined[end:start] = True
    events = []
    for first, last in runs(joined):
        used = np.flatnonzero(both[first:last]) + first
        duration = step[used]
        litres: float | None = None
        source: LitresSource | None = None
        if flow_l_s is not None and bool(np.isfinite(flow_l_s[used]).all()):
            litres, source = float(np.dot(flow_l_s[used], duration)), "flow"
        elif open_nozzles is not None and nozzle_flow_l_s is not None:
            litres, source = float(np.dot(open_nozzles[used], duration)) * nozzle_flow_l_s, "nozzle"
        wetted = None
        if open_width_m is not None and footprint_m is not None and bool(np.isfinite(open_width_m[used]).all()):
            wetted = float(open_width_m[used].max()) * footprint_m
        rows = slice(first, last)
        events.append(
            StandingDischarge(
                start_time_s=float(time_s[first]),
                duration_s=float(duration.sum()),
                latitude_deg=float(latitude_deg[rows].mean()),
                longitude_deg=float(longitude_deg[rows].mean()),
                litres=litres,
                litres_source=source,
                wetted_m2=wetted,
            )
        )
    return tuple(events)


def _solar_day(time_s: float, longitude_deg: float) -> int:
    """Number of the local solar day: UTC shifted by four minutes a degree, so that no time zone is needed."""
    return math.floor((time_s + longitude_deg * 240.0) / 86400.0)


def find_primes(
    time_s: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
    spraying: NDArray[np.bool_],
    discharges: Sequence[StandingDischarge] = (),
    *,
    time_is_absolute: bool = True,
    previous_spray_end_s: float | None = None,
    long_stop_s: float = LONG_STOP_S,
) -> tuple[LikelyPrime, ...]:
    """Likely primes: sprays that begin a day or follow a long break.

    A spray begins a day when it is the first of its local solar day and follows a break longer than ``long_stop_s``
    (so that work through midnight is not cut), or is the log's first. Logs without absolute time have no days: their
    first spray is ``first_of_log``.

    Parameters
    ----------
    time_s, latitude_deg, longitude_deg : (n,) float64
    spraying : (n - 1,) bool
    discharges : sequence of StandingDischarge
        A prime that began with one of them is told apart (``discharge`` holds its index).
    previous_spray_end_s : float, optional
        When the same machine last sprayed before this log. None: not known, and the log's first spray counts.
    """
    starts = {event.start_time_s: index for index, event in enumerate(discharges)}
    primes = []
    end = previous_spray_end_s
    for first, last in runs(spraying):
        now = float(time_s[first])
        pause = None if end is None else now - end
        longitude = float(longitude_deg[first])
        occasion: Occasion = "in_work"
        if end is None or pause is None:
            occasion = "first_of_day" if time_is_absolute else "first_of_log"
        elif pause > long_stop_s:
            new_day = time_is_absolute and _solar_day(now, longitude) != _solar_day(end, longitude)
            occasion = "first_of_day" if new_day else "after_long_stop"
        end = float(time_s[last])
        if occasion != "in_work":
            primes.append(LikelyPrime(now, float(latitude_deg[first]), longitude, occasion, pause, starts.get(now)))
    return tuple(primes)


def find_stops(
    time_s: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
    spraying: NDArray[np.bool_],
    standing: NDArray[np.bool_],
    gap: NDArray[np.bool_],
    *,
    shortest_s: float = 120.0,
    long_stop_s: float = LONG_STOP_S,
) -> tuple[Stop, ...]:
    """Stands without spraying, and gaps in the log, of at least ``shortest_s``; all masks are (n - 1,) per interval."""
    stops = []
    for first, last in runs((standing & ~spraying) | gap):
        duration = float(time_s[last] - time_s[first])
        if duration >= shortest_s:
            stops.append(
                Stop(
                    float(time_s[first]),
                    duration,
                    float(latitude_deg[first]),
                    float(longitude_deg[first]),
                    logged=not bool(gap[first:last].any()),
                    long=duration > long_stop_s,
                )
            )
    return tuple(stops)
