"""The tables ``standing`` and ``product`` of ``ledger.json``: what was poured at standstill, each product's way."""

from __future__ import annotations

import math
from collections.abc import Iterable

from swathledger.documents.document import NoteCode, taken
from swathledger.documents.poured import (
    Amounts,
    LedgerProduct,
    LedgerStanding,
    MoneyAndActive,
    ProductLabel,
    ProductLine,
    ProductPlace,
    StandingEvent,
    StandingPrime,
    StandingStop,
)
from swathledger.log.log import Log
from swathledger.money.account import OVER, PLACES, SMALLEST_SPOT_M2, ProductAccount, ProductBook
from swathledger.money.product import ProductUse
from swathledger.notes import Measure, Note
from swathledger.plumbing.job import Reach, StandingJob
from swathledger.plumbing.standing import LikelyPrime, StandingDischarge
from swathledger.report.drive import utc_text
from swathledger.words import say_all, words

_ON_GROUND = tuple(place for place in PLACES if place != "standing")


def _event(log: Log, event: StandingDischarge, reach: Reach, estimated_l: float | None) -> StandingEvent:
    return StandingEvent(
        start=utc_text(log, event.start_time_s),
        start_s=event.start_time_s - float(log.time_s[0]),
        duration_s=event.duration_s,
        latitude=event.latitude_deg,
        longitude=event.longitude_deg,
        kind="measured"
        if event.litres is not None
        else "unmeasured"
        if event.occasion == "in_work"
        else "likely_prime",
        occasion=event.occasion,
        litres_l=event.litres,
        estimated_l=estimated_l,
        wetted_m2=event.wetted_m2,
        to_boundary_m=event.distance_to_boundary_m,
        inside_boundary=event.inside_boundary,
        to_exclusion_m=event.distance_to_exclusion_m,
        nozzles_to_boundary_m=reach.to_boundary_m,
        nozzles_to_exclusion_m=reach.to_exclusion_m,
    )


def _prime(job: StandingJob, log: Log, prime: LikelyPrime) -> StandingPrime:
    litres = job.litres_of(prime)
    return StandingPrime(
        start=utc_text(log, prime.time_s),
        start_s=prime.time_s - float(log.time_s[0]),
        latitude=prime.latitude_deg,
        longitude=prime.longitude_deg,
        occasion=prime.occasion,
        break_s=prime.break_s,
        event=None if prime.discharge is None else prime.discharge + 1,
        measured=litres is not None,
        litres_l=litres,
    )


def standing_table(job: StandingJob | None, log: Log) -> LedgerStanding | None:
    """Events, likely primes and stops of a job.

    ``litres_l`` is the sum of the measured events: None where there are events and none is measured, 0 where there are
    none. ``estimated_l`` (open nozzles x nozzle flow of the machine file) is never added to it.
    """
    if job is None:
        return None
    report, spared, unmeasured = job.report, job.recirculation, job.unmeasured_primes
    notes = (
        Note.of("standing.wetted", footprint=Measure(job.footprint_m, "length")),
        Note.of("standing.places"),
        Note.of("standing.likely_prime"),
    )
    estimates = [value for value in job.estimated_l if value is not None]
    return LedgerStanding(
        litres_l=report.litres,
        measured=len(report.discharges) - report.unmeasured,
        unmeasured=report.unmeasured,
        estimated_l=sum(estimates) if estimates else None,
        duration_s=float(sum(event.duration_s for event in report.discharges)),
        events=tuple(
            _event(log, event, reach, value)
            for event, reach, value in zip(report.discharges, job.reach, job.estimated_l, strict=True)
        ),
        likely_primes=tuple(_prime(job, log, prime) for prime in report.primes),
        unmeasured_primes=unmeasured,
        stops=tuple(
            taken(
                StandingStop,
                stop,
                start=utc_text(log, stop.start_time_s),
                start_s=stop.start_time_s - float(log.time_s[0]),
                latitude=stop.latitude_deg,
                longitude=stop.longitude_deg,
            )
            for stop in report.stops
        ),
        recirculates=job.recirculates,
        recirculating_would_keep_l=job.kept_l,
        nozzle_bodies_known=None if spared is None else spared.nozzle_bodies_known,
        recirculating_would_keep_estimated_low_l=None if spared is None else unmeasured * spared.returned_low_l,
        recirculating_would_keep_estimated_high_l=None if spared is None else unmeasured * spared.returned_high_l,
        footprint_m=job.footprint_m,
        assumptions=tuple(say_all(notes)),
        notes=tuple(map(NoteCode.of, notes)),
        caution=str(words()("standing.caution")),
    )


def _sum(values: Iterable[float | None]) -> float | None:
    """Sum; None where one is not known."""
    listed = list(values)
    known = [value for value in listed if value is not None]
    return math.fsum(known) if len(known) == len(listed) else None


def _amounts(uses: Iterable[ProductUse]) -> Amounts:
    listed = list(uses)
    return Amounts(
        amount=_sum(use.amount for use in listed),
        money=_sum(use.money for use in listed),
        active_g=_sum(use.active_g for use in listed),
    )


def _line(book: ProductBook) -> ProductLine:
    label = book.label
    return taken(
        ProductLine,
        book.product,
        applied=_amounts(book.use[place] for place in _ON_GROUND),
        over_applied=_amounts(book.use[place] for place in OVER),
        standing=_amounts([book.use["standing"]]),
        place=tuple(
            taken(
                ProductPlace, book.use[place], name=place, spray_l=book.spray_l[place], area_m2=book.area_m2.get(place)
            )
            for place in PLACES
        ),
        label=ProductLabel(
            maximum_per_m2=label.label_max_per_m2,
            over_m2=label.area_m2,
            highest_per_m2=label.highest_per_m2,
            highest_on_at_least_m2=SMALLEST_SPOT_M2,
        ),
    )


def product_table(account: ProductAccount | None) -> LedgerProduct | None:
    """Products of a job."""
    if account is None:
        return None
    lines = tuple(_line(book) for book in account.books)

    def total(parts: Iterable[Amounts]) -> MoneyAndActive:
        listed = list(parts)
        return MoneyAndActive(
            money=_sum(part.money for part in listed), active_g=_sum(part.active_g for part in listed)
        )

    return taken(
        LedgerProduct,
        account,
        spray_rate_l_m2=account.tank.spray_rate_l_m2,
        spray_rate_source=account.tank.spray_rate_source,
        changed_during_job=not account.tank.whole,
        products=lines,
        applied=total(line.applied for line in lines),
        over_applied=total(line.over_applied for line in lines),
        standing=total(line.standing for line in lines),
        notes=tuple(say_all(account.tank.notes)),
        note_codes=tuple(map(NoteCode.of, account.tank.notes)),
        label_caution=str(words()("product.label_caution")),
        caution=str(words()("product.caution")),
    )
