"""From a log to its standing report: which intervals stood, what was found in them, how far from edges it lies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.motion import STANDSTILL_M_S, default_max_gap_s
from swathledger.plumbing.standing import (
    LONG_STOP_S,
    StandingDischarge,
    StandingReport,
    find_discharges,
    find_primes,
    find_stops,
    runs,
)

if TYPE_CHECKING:
    from swathledger.field.field import Field
    from swathledger.log.log import Log

WINDOW_S = 5.0
"""Without a logged speed, movement is judged over this long, s."""
SHORTEST_STAND_S = 0.999
"""Without a logged speed, a shorter stand is not believed, s."""


def _trim(standing: NDArray[np.bool_], own_m: NDArray[np.float64], step_s: NDArray[np.float64]) -> None:
    """Take the first and last moving intervals off each stand, in place, and drop stands too short to be sure of.

    The window sees movement only once it adds up, so a stand would keep the beginnings of the drive after it.
    """
    for first, last in runs(standing):
        noise = 3.0 * np.median(own_m[first:last])
        moving = own_m[first:last] > np.maximum(noise, STANDSTILL_M_S * step_s[first:last])
        still = np.flatnonzero(~moving)
        start, end = (first + int(still[0]), first + int(still[-1]) + 1) if still.size else (last, last)
        standing[first:start] = False
        standing[end:last] = False
        if step_s[start:end].sum() < SHORTEST_STAND_S:
            standing[start:end] = False


def standing_intervals(
    time_s: NDArray[np.float64],
    x_m: NDArray[np.float64],
    y_m: NDArray[np.float64],
    speed_m_s: NDArray[np.float64] | None = None,
    *,
    gnss_sigma_m: float | None = None,
) -> NDArray[np.bool_]:
    """Which intervals the machine stood in.

    Logged speed decides where there is one (below `STANDSTILL_M_S` either way). Elsewhere the track does: the
    antenna's net movement over the `WINDOW_S` seconds that end, or that begin, with the interval, and in the interval
    itself, is at most 0.5 m or three GNSS sigmas, whichever is larger; moments at either end of a stand that move
    more than the rest of it are taken off.

    Parameters
    ----------
    time_s, x_m, y_m : (n,) float64
        Strictly increasing time; antenna on a plane, m.
    speed_m_s : (n,) float64, optional
        NaN where not logged.
    gnss_sigma_m : float, optional

    Returns
    -------
    (n - 1,) bool
    """
    n = time_s.shape[0]
    if n < 2:
        return np.zeros(0, dtype=np.bool_)
    limit = max(STANDSTILL_M_S * WINDOW_S, 3.0 * (gnss_sigma_m or 0.0))
    index = np.arange(n - 1)
    # the last row at or before the window's end, the first at or after its start: never beyond the window
    ahead = np.maximum(np.searchsorted(time_s, time_s[:-1] + WINDOW_S, side="right") - 1, index + 1)
    behind = np.minimum(np.searchsorted(time_s, time_s[1:] - WINDOW_S, side="left"), index)

    def moved(first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.hypot(x_m[last] - x_m[first], y_m[last] - y_m[first])

    span_ahead, span_behind = time_s[ahead] - time_s[:-1], time_s[1:] - time_s[behind]
    full = 0.5 * WINDOW_S  # near the log's ends a window is cut short and says little
    small_ahead = (moved(index, ahead) <= limit) & (span_ahead >= full)
    small_behind = (moved(behind, index + 1) <= limit) & (span_behind >= full)
    own = moved(index, index + 1)
    standing: NDArray[np.bool_] = (small_ahead | small_behind) & (own <= limit)
    _trim(standing, own, np.diff(time_s))
    if speed_m_s is not None:
        logged = np.isfinite(speed_m_s[:-1])
        standing = np.where(logged, np.abs(np.nan_to_num(speed_m_s[:-1])) < STANDSTILL_M_S, standing)
    return standing


def with_distances(events: Sequence[StandingDischarge], field: Field) -> tuple[StandingDischarge, ...]:
    """Add each event's distance to the boundary and to the nearest exclusion, measured on the field's plane."""
    if not events:
        return ()
    import shapely

    x, y = field.plane.forward(
        np.array([event.latitude_deg for event in events]), np.array([event.longitude_deg for event in events])
    )
    points = shapely.points(x, y)
    to_edge = np.atleast_1d(shapely.distance(points, field.boundary.boundary))
    inside = np.atleast_1d(shapely.covers(field.boundary, points))
    to_exclusion = None if field.exclusions.is_empty else np.atleast_1d(shapely.distance(points, field.exclusions))
    return tuple(
        replace(
            event,
            distance_to_boundary_m=float(to_edge[index]),
            inside_boundary=bool(inside[index]),
            distance_to_exclusion_m=None if to_exclusion is None else float(to_exclusion[index]),
        )
        for index, event in enumerate(events)
    )


def standing_report(
    log: Log,
    field: Field | None = None,
    *,
    standing: NDArray[np.bool_] | None = None,
    spraying: NDArray[np.bool_] | None = None,
    max_gap_s: float | None = None,
    gnss_sigma_m: float | None = None,
    open_nozzles: NDArray[np.int64] | None = None,
    nozzle_flow_l_s: float | None = None,
    open_width_m: NDArray[np.float64] | None = None,
    footprint_m: float | None = None,
    previous_spray_end_s: float | None = None,
    long_stop_s: float = LONG_STOP_S,
) -> StandingReport:
    """Find discharges, likely primes and stops of one log.

    Parameters
    ----------
    log : Log
    field : Field, optional
        For the distances; without it they are None.
    standing : (n - 1,) bool, optional
        From another stage; worked out by `standing_intervals` where None.
    spraying : (n - 1,) bool, optional
        From another stage; the log's states where None. Gaps never count as spraying.
    max_gap_s : float, optional
        Default: 6 x the log's median step, at least 6 s.
    gnss_sigma_m : float, optional
        Default: the log's own.
    open_nozzles, nozzle_flow_l_s, open_width_m, footprint_m
        As in `find_discharges`. ``open_width_m`` defaults to the logged working width.
    previous_spray_end_s, long_stop_s
        As in `find_primes`.

    Notes
    -----
    A log that records no states (``state_kind == "none"``) cannot show when it sprayed: nothing is reported of
    discharges or primes, only stops.
    """
    n = len(log)
    if n < 2:
        return StandingReport((), (), ())
    gap = np.diff(log.time_s) > (default_max_gap_s(log.quality.median_step_s) if max_gap_s is None else max_gap_s)
    if standing is None:
        sigma = log.quality.gnss_sigma_m if gnss_sigma_m is None else gnss_sigma_m
        x, y = _plane_m(log, field)
        standing = standing_intervals(log.time_s, x, y, log.speed_m_s, gnss_sigma_m=sigma)
    knows = log.state_kind != "none"
    active: NDArray[np.bool_] = ~gap
    if spraying is not None:
        active &= spraying
    elif knows:
        active &= log.state[:-1].any(axis=1)
    else:
        active = np.zeros(n - 1, dtype=np.bool_)
    where = (log.time_s, log.latitude_deg, log.longitude_deg)
    if open_width_m is None and log.working_width_m is not None:
        open_width_m = log.working_width_m[:-1]
    found = find_discharges(
        *where,
        active,
        standing,
        flow_l_s=log.flow_l_s,
        open_nozzles=open_nozzles,
        nozzle_flow_l_s=nozzle_flow_l_s,
        open_width_m=open_width_m,
        footprint_m=footprint_m,
    )
    primes = find_primes(
        *where,
        active,
        found,
        time_is_absolute=log.time_is_absolute,
        previous_spray_end_s=previous_spray_end_s,
        long_stop_s=long_stop_s,
    )
    occasions = {prime.discharge: prime.occasion for prime in primes if prime.discharge is not None}
    found = tuple(replace(event, occasion=occasions.get(index, "in_work")) for index, event in enumerate(found))
    stops = find_stops(*where, active, standing, gap, long_stop_s=long_stop_s)
    return StandingReport(found if field is None else with_distances(found, field), primes, stops)


def _plane_m(log: Log, field: Field | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Antenna on the field's plane, or on a tangent plane good enough to tell standing from moving."""
    if field is not None:
        return field.plane.forward(log.latitude_deg, log.longitude_deg)
    metres = math.radians(1.0) * 6_371_008.8  # mean earth radius
    north = (log.latitude_deg - log.latitude_deg.mean()) * metres
    east = (log.longitude_deg - log.longitude_deg[0]) * metres * math.cos(math.radians(float(log.latitude_deg.mean())))
    return east, north
