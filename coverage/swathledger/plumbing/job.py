"""Standing discharges of one job, on the very standing moments that the ledger's litres were taken from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.plumbing.prime import Recirculation, recirculation
from swathledger.plumbing.standing import LikelyPrime, StandingDischarge, StandingReport
from swathledger.plumbing.standing_log import standing_report
from swathledger.swath.swath import Swath

FOOTPRINT_M = 0.3
"""Assumed length, along the travel, of the ground that a standing boom wets, m: between the 0.15 m of a single flat fan
0.5 m above ground and the 0.6 m of a twin fan."""


@dataclass(frozen=True, slots=True)
class Reach:
    """How near the open part of a standing boom came to lines that matter.

    Attributes
    ----------
    to_boundary_m : float
        From the open nozzles' line to the nearest boundary line, m; 0 where it crosses one.
    to_exclusion_m : float or None
        To the nearest exclusion, m; 0 where it reaches into one; None: no exclusions given.
    """

    to_boundary_m: float
    to_exclusion_m: float | None


@dataclass(frozen=True, slots=True)
class StandingJob:
    """Standing discharges, likely primes and stops of a job.

    Attributes
    ----------
    report : StandingReport
        ``litres`` of its discharges are measured: they come from the logged flow, or are None. Places, and distances
        from them, are the boom centre's.
    reach : tuple of Reach
        For each discharge.
    estimated_l : tuple of float or None
        For each discharge: open nozzles x the nozzle flow of the machine file, L; None where either is not known, or
        where the litres are measured.
    recirculation : Recirculation or None
        What priming through a return would spare, from the machine's ``[plumbing]``; None where no volume is known.
    footprint_m : float
        Assumed length of the wetted ground along the travel, m.
    """

    report: StandingReport
    reach: tuple[Reach, ...]
    estimated_l: tuple[float | None, ...]
    recirculation: Recirculation | None
    recirculates: bool | None
    footprint_m: float

    def litres_of(self, prime: LikelyPrime) -> float | None:
        """Measured litres of the discharge that a prime began with; None where there is none or it is not known."""
        return None if prime.discharge is None else self.report.discharges[prime.discharge].litres

    @property
    def kept_l(self) -> float | None:
        """Of the measured primes, the litres that a recirculating boom would have kept in the tank.

        Each prime's litres less what still leaves the nozzles (plug flow). None where no volume of the lines is known,
        or where there are primes and none is measured.
        """
        litres = [self.litres_of(prime) for prime in self.report.primes]
        known = [value for value in litres if value is not None]
        if self.recirculation is None or (litres and not known):
            return None
        still = self.recirculation.still_low_l
        return float(sum(max(value - still, 0.0) for value in known))

    @property
    def unmeasured_primes(self) -> int:
        """Likely primes whose litres the log does not tell."""
        return sum(self.litres_of(prime) is None for prime in self.report.primes)


def standing_rows(swath: Swath, rows: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which intervals of a log of ``rows`` rows the swath stood in, and in which it sprayed; each (rows - 1,) bool."""
    standing, spraying = (np.zeros(rows - 1, dtype=np.bool_) for _ in range(2))
    row = swath.epoch[:-1]
    standing[row[swath.standing & swath.linked]] = True
    spraying[row[swath.wanted]] = True
    return standing, spraying


def at_the_boom(log: Log, field: Field, swath: Swath) -> Log:
    """The log with the boom centre's position in place of the antenna's; rows without a pose keep the antenna's."""
    rows = np.arange(len(log))
    pose = np.minimum(np.searchsorted(swath.epoch, rows), swath.epoch.size - 1)
    known = swath.epoch[pose] == rows
    latitude, longitude = field.plane.inverse(swath.x_m[pose], swath.y_m[pose])
    return replace(
        log,
        latitude_deg=np.where(known, latitude, log.latitude_deg),
        longitude_deg=np.where(known, longitude, log.longitude_deg),
    )


def reach_of(
    log: Log, field: Field, swath: Swath, opened: NDArray[np.bool_], events: Sequence[StandingDischarge]
) -> tuple[Reach, ...]:
    """Distances from the line of open nozzles, from the outermost on the left to that on the right.

    Parameters
    ----------
    opened : (n - 1, k) bool
        Open nozzles of each interval.
    """
    import shapely

    edges, edge_line = swath.nozzle_edges_m, field.boundary.boundary
    out = []
    for event in events:
        row = min(int(np.searchsorted(log.time_s, event.start_time_s)), opened.shape[0] - 1)
        pose = min(int(np.searchsorted(swath.epoch, row)), swath.epoch.size - 1)
        nozzles = np.flatnonzero(opened[row])
        left, right = (edges[nozzles[0]], edges[nozzles[-1] + 1]) if nozzles.size else (0.0, 0.0)
        ends = [
            (swath.x_m[pose] + side * swath.right_x[pose], swath.y_m[pose] + side * swath.right_y[pose])
            for side in (left, right)
        ]
        line = shapely.LineString(ends)
        exclusion = None if field.exclusions.is_empty else float(shapely.distance(line, field.exclusions))
        out.append(Reach(float(shapely.distance(line, edge_line)), exclusion))
    return tuple(out)


def standing_of(
    log: Log,
    machine: Machine,
    field: Field,
    swath: Swath,
    *,
    max_gap_s: float | None = None,
    previous_spray_end_s: float | None = None,
) -> StandingJob:
    """Find the standing discharges of a job.

    Parameters
    ----------
    log, machine, field, swath
        The carriers of the earlier stages. Standing and spraying are the swath's, so that measured litres add up to
        the ledger's standing volume.
    max_gap_s : float, optional
        As given to the swath.
    previous_spray_end_s : float, optional
        When the same machine last sprayed before this log, as ``Log.time_s``.
    """
    standing, spraying = standing_rows(swath, len(log))
    if log.state_kind == "none":
        # Nothing says when it sprayed but the flow, where there is one.
        flow = np.zeros(len(log)) if log.flow_l_s is None else np.nan_to_num(log.flow_l_s)
        spraying &= flow[:-1] > 0
    opened = swath.row_open[:-1]
    width = opened.astype(np.float64) @ np.diff(swath.nozzle_edges_m)
    if swath.width_by_row and log.working_width_m is not None:
        logged = log.working_width_m[:-1]
        width = np.where(np.isfinite(logged), logged, width)
    plumbing = machine.plumbing
    nozzles = opened.sum(axis=1, dtype=np.int64)

    placed = at_the_boom(log, field, swath)

    def report(nozzle_flow_l_s: float | None) -> StandingReport:
        return standing_report(
            placed,
            field,
            standing,
            spraying,
            max_gap_s=max_gap_s,
            open_nozzles=nozzles,
            nozzle_flow_l_s=nozzle_flow_l_s,
            open_width_m=width,
            footprint_m=FOOTPRINT_M,
            previous_spray_end_s=previous_spray_end_s,
        )

    measured = report(None)
    estimated: tuple[float | None, ...] = tuple(None for _ in measured.discharges)
    # A width-only machine has one "nozzle" that stands for many: its flow says nothing.
    if plumbing.nozzle_flow_l_s is not None and machine.boom.nozzle_count > 1:
        found = report(plumbing.nozzle_flow_l_s).discharges
        estimated = tuple(event.litres if event.litres_source == "nozzle" else None for event in found)
    return StandingJob(
        measured,
        reach_of(log, field, swath, opened, measured.discharges),
        estimated,
        recirculation(plumbing),
        plumbing.recirculates,
        FOOTPRINT_M,
    )
