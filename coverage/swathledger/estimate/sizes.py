"""How far off each input may be, where that is from, and which errors the log has in it already."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathledger.field.field import Field
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note

RECEIVERS = {"rtk": (0.025, 60.0), "corrected": (0.25, 120.0), "uncorrected": (0.80, 300.0)}
"""Sigma of one axis, m, and the time over which the error goes by, s, by class of receiver: orders of magnitude of
common practice."""
COARSE_RECEIVER_M = 0.5
"""From this on what a receiver that does not steer adds cannot be taken off surely: told as a warning."""
UNSTATED_M = 0.04
"""Sigma of a receiver of which nothing is said: a machine that switches sections is mostly guided well."""
WHITE_SHARE = 0.1
"""Share of a receiver's variance that is new in every row."""
ANTENNA_M, LATENCY_S, BOUNDARY_M, HEADING_DEG = 0.03, 0.05, 0.10, 0.2
BOUNDARY_LENGTH_M = 50.0


@dataclass(frozen=True, slots=True)
class Sizes:
    """One standard deviation of every source; 0 where there is none.

    Attributes
    ----------
    receiver_m : float
        One axis of the receiver's position, :data:`WHITE_SHARE` of its variance new in every row.
    receiver_time_s : float
        Correlation time of the rest, a first-order Gauss-Markov process.
    heading_deg : float
        Of a logged heading, anew in every row; 0 where headings are taken from the track.
    antenna_m : float
        Place of the receiver on the machine, ahead and to the right, the same all drive long.
    latency_s : float
        Between positions and states of the log, the same all drive long.
    boundary_m : float
        One axis of boundary and exclusions, correlated over :data:`BOUNDARY_LENGTH_M` along the line.
    steers : bool or None
        Whether the log's receiver steers; None: not known.
    """

    receiver_m: float
    receiver_time_s: float
    heading_deg: float
    antenna_m: float
    latency_s: float
    boundary_m: float
    steers: bool | None

    @property
    def rows_m(self) -> float:
        """What is new in every row of the receiver's position, one axis."""
        return self.receiver_m * math.sqrt(WHITE_SHARE)


def correlation_s(sigma_m: float) -> float:
    """Correlation time of the class of receiver whose sigma is nearest."""
    return min(RECEIVERS.values(), key=lambda item: abs(math.log(item[0] / max(sigma_m, 1e-4))))[1]


def sizes_of(log: Log, machine: Machine, field: Field, position_sigma_m: float | None) -> tuple[Sizes, list[Note]]:
    """Sizes for a drive, the machine file's first, and what was assumed.

    Parameters
    ----------
    position_sigma_m : float or None
        Noise of single rows as the track shows it: a floor of what is assumed where nothing is stated.
    """
    notes: list[Note] = []
    errors = machine.errors
    stated = log.quality.gnss_sigma_m if log.quality.gnss_sigma_m is not None else machine.gnss_sigma_m
    sigma = max(UNSTATED_M, position_sigma_m or 0.0) if stated is None else stated
    time_s = errors.receiver_time_s if errors.receiver_time_s is not None else correlation_s(sigma)
    code = "estimate.receiver_assumed" if stated is None else "estimate.receiver_stated"
    notes.append(Note.of(code, sigma=Measure(sigma, "length"), time=Measure(time_s, "seconds")))
    steers = machine.antenna.steers
    notes.append(
        Note.of({True: "estimate.steers", False: "estimate.steers_not", None: "estimate.steers_unknown"}[steers])
    )

    if sigma >= COARSE_RECEIVER_M and steers is not True:
        notes.append(Note.of("estimate.coarse_receiver", sigma=Measure(sigma, "length")))

    def size(given: float | None, default: float) -> float:
        return default if given is None else given

    antenna, latency = size(errors.antenna_m, ANTENNA_M), size(errors.latency_s, LATENCY_S)
    boundary = 0.0 if field.source == "derived" else size(errors.boundary_m, BOUNDARY_M)
    # headings taken from the track are as good as its rows, and move with them
    heading = 0.0 if log.heading_deg is None else size(errors.heading_deg, HEADING_DEG)
    notes.append(
        Note.of(
            "estimate.sizes",
            antenna=Measure(antenna, "length"),
            latency=Measure(latency, "seconds"),
            boundary=Measure(boundary, "length"),
            heading_deg=heading,
        )
    )
    return Sizes(sigma, time_s, heading, antenna, latency, boundary, steers), notes
