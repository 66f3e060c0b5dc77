"""The table ``standing`` of ``ledger.json``: what was poured while the machine stood."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from swathledger.log.log import Log
from swathledger.plumbing.job import Reach, StandingJob
from swathledger.plumbing.standing import LikelyPrime, StandingDischarge
from swathledger.text import moment

CAUTION = (
    "Prime and rinse water is pesticide: the product label and local law come first on where it may go. A log shows "
    "what was recorded, no more."
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_text(log: Log, time_s: float) -> str | None:
    """A moment of the log; None where it has no absolute time."""
    return moment(time_s) if log.time_is_absolute else None


def _event(log: Log, event: StandingDischarge, reach: Reach, estimated_l: float | None) -> dict[str, Any]:
    kind = "measured" if event.litres is not None else "unmeasured" if event.occasion == "in_work" else "likely_prime"
    return {
        "start": utc_text(log, event.start_time_s),
        "start_s": event.start_time_s - float(log.time_s[0]),
        "duration_s": event.duration_s,
        "latitude": event.latitude_deg,
        "longitude": event.longitude_deg,
        "kind": kind,
        "occasion": event.occasion,
        "litres_l": event.litres,
        "estimated_l": estimated_l,
        "wetted_m2": event.wetted_m2,
        "to_boundary_m": event.distance_to_boundary_m,
        "inside_boundary": event.inside_boundary,
        "to_exclusion_m": event.distance_to_exclusion_m,
        "nozzles_to_boundary_m": reach.to_boundary_m,
        "nozzles_to_exclusion_m": reach.to_exclusion_m,
    }


def _prime(job: StandingJob, log: Log, prime: LikelyPrime) -> dict[str, Any]:
    litres = job.litres_of(prime)
    return {
        "start": utc_text(log, prime.time_s),
        "start_s": prime.time_s - float(log.time_s[0]),
        "latitude": prime.latitude_deg,
        "longitude": prime.longitude_deg,
        "occasion": prime.occasion,
        "break_s": prime.break_s,
        "event": None if prime.discharge is None else prime.discharge + 1,
        "measured": litres is not None,
        "litres_l": litres,
    }


def standing_table(job: StandingJob | None, log: Log) -> dict[str, Any] | None:
    """Events, likely primes and stops of a job, SI, absent knowledge null.

    ``litres_l`` is the sum of the measured events: null where there are events and none is measured, 0 where there are
    none. ``estimated_l`` (open nozzles x nozzle flow of the machine file) is never added to it.
    """
    if job is None:
        return None
    report = job.report
    estimates = [value for value in job.estimated_l if value is not None]
    spared = job.recirculation
    unmeasured = job.unmeasured_primes
    return {
        "litres_l": report.litres,
        "measured": len(report.discharges) - report.unmeasured,
        "unmeasured": report.unmeasured,
        "estimated_l": sum(estimates) if estimates else None,
        "duration_s": sum(event.duration_s for event in report.discharges),
        "events": [
            _event(log, event, reach, value)
            for event, reach, value in zip(report.discharges, job.reach, job.estimated_l, strict=True)
        ],
        "likely_primes": [_prime(job, log, prime) for prime in report.primes],
        "unmeasured_primes": unmeasured,
        "stops": [
            {
                "start": utc_text(log, stop.start_time_s),
                "start_s": stop.start_time_s - float(log.time_s[0]),
                "duration_s": stop.duration_s,
                "latitude": stop.latitude_deg,
                "longitude": stop.longitude_deg,
                "logged": stop.logged,
                "long": stop.long,
            }
            for stop in report.stops
        ],
        "recirculates": job.recirculates,
        "recirculating_would_keep_l": job.kept_l,
        "nozzle_bodies_known": None if spared is None else spared.nozzle_bodies_known,
        "recirculating_would_keep_estimated_low_l": None if spared is None else unmeasured * spared.returned_low_l,
        "recirculating_would_keep_estimated_high_l": None if spared is None else unmeasured * spared.returned_high_l,
        "footprint_m": job.footprint_m,
        "assumptions": [
            f"Ground wetted is open width x an assumed {job.footprint_m:g} m along the travel.",
            "Places, and distances from them, are the boom centre's; the nozzles' are from the outermost open ones.",
            "A first spray of the day, or one after a break of over 30 min, counts as a likely prime; a log that "
            "begins in the middle of a day makes its first spray look like one.",
        ],
        "caution": CAUTION,
    }
