"""From a log to its standing report: what is found in the intervals that stood, and how far from edges it lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.motion import default_max_gap_s
from swathledger.plumbing.standing import (
    LONG_STOP_S,
    StandingDischarge,
    StandingReport,
    find_discharges,
    find_primes,
    find_stops,
)

if TYPE_CHECKING:
    from swathledger.field.field import Field
    from swathledger.log.log import Log


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
    field: Field | None,
    standing: NDArray[np.bool_],
    spraying: NDArray[np.bool_],
    *,
    max_gap_s: float | None = None,
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
    field : Field or None
        For the distances; without it they are None.
    standing, spraying : (n - 1,) bool
        Intervals in which the machine stood, and in which it sprayed, as the swath has them; in a gap it is not known.
    max_gap_s : float, optional
        Default: as the swath's.
    open_nozzles, nozzle_flow_l_s, open_width_m, footprint_m
        As in `find_discharges`.
    previous_spray_end_s, long_stop_s
        As in `find_primes`.
    """
    if len(log) < 2:
        return StandingReport((), (), ())
    gap = np.diff(log.time_s) > (default_max_gap_s(log.quality.median_step_s) if max_gap_s is None else max_gap_s)
    active = spraying & ~gap
    where = (log.time_s, log.latitude_deg, log.longitude_deg)
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
