"""What many jobs come to: litres poured at standstill, the mass balance, and each product."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from swathledger.documents.document import taken
from swathledger.documents.ledger import CauseLitres
from swathledger.documents.poured import Amounts, LedgerProduct, ProductLine
from swathledger.documents.season import SeasonBalance, SeasonProduct, SeasonStanding
from swathledger.ledger.balance import sum_of
from swathledger.money.ledgers import JobLedger, distinct_primes
from swathledger.statistics import sum_of_known


def season_standing(jobs: Sequence[JobLedger]) -> SeasonStanding:
    """Standing discharges of many jobs: sums of what is known, and how much is not.

    ``recirculating_would_keep_l`` is of the measured primes; the two estimated ends are of the primes that the logs do
    not measure, from the plug-flow and the mixed model of each job's machine. What is not known is None, never 0: sums
    are of measured discharges, and None where there are discharges and none is measured.
    """
    tables = [job.ledger.standing for job in jobs if job.ledger.standing is not None]
    poured = [job.ledger.product.standing for job in jobs if job.ledger.product is not None]
    measured_events, unmeasured_events = sum(t.measured for t in tables), sum(t.unmeasured for t in tables)
    known = measured_events > 0 or unmeasured_events == 0
    primes = distinct_primes(jobs)
    measured = [prime.litres for prime in primes if prime.litres is not None]
    unseen = [prime for prime in primes if prime.litres is None]
    return SeasonStanding(
        litres_l=sum_of_known(table.litres_l for table in tables) if known else None,
        measured=measured_events,
        unmeasured=unmeasured_events,
        money=sum_of_known(amounts.money for amounts in poured) if known else None,
        active_g=sum_of_known(amounts.active_g for amounts in poured) if known else None,
        likely_primes=len(primes),
        measured_primes=len(measured),
        measured_primes_l=math.fsum(measured) if measured else None,
        recirculating_would_keep_l=sum_of_known(t.recirculating_would_keep_l for t in tables) if measured else None,
        recirculating_would_keep_estimated_low_l=sum_of_known(prime.returned_low_l for prime in unseen),
        recirculating_would_keep_estimated_high_l=sum_of_known(prime.returned_high_l for prime in unseen),
    )


def season_balance(jobs: Sequence[JobLedger]) -> SeasonBalance | None:
    """Mass balance of many jobs; None where none logs litres."""
    known = [job.balance for job in jobs if job.balance is not None]
    found = sum_of(known)
    if found is None:
        return None
    by_cause = tuple(CauseLitres(cause=cause, volume_l=litres) for cause, litres in found.by_cause_l.items())
    return taken(SeasonBalance, found, jobs=len(known), jobs_without_litres=len(jobs) - len(known), by_cause=by_cause)


def season_products(tables: Iterable[LedgerProduct]) -> tuple[SeasonProduct, ...]:
    """Products of many jobs, added up by name (without regard to case), measure and currency.

    ``applied``, ``over_applied`` and ``standing`` hold the sums of what is known; ``jobs_without_amount`` says in how
    many jobs the amount over-applied is not. ``over_label_m2`` adds up the jobs' ground above the maximum entered, None
    where no job has one.
    """
    groups: dict[tuple[str, str, str], list[ProductLine]] = {}
    for table in tables:
        for line in table.products:
            groups.setdefault((line.name.strip().casefold(), line.measure, line.currency or ""), []).append(line)
    return tuple(
        SeasonProduct(
            name=lines[0].name,
            measure=lines[0].measure,
            currency=lines[0].currency,
            active_ingredient=lines[0].active_ingredient,
            jobs=len(lines),
            jobs_without_amount=sum(line.over_applied.amount is None for line in lines),
            applied=_amounts(line.applied for line in lines),
            over_applied=_amounts(line.over_applied for line in lines),
            standing=_amounts(line.standing for line in lines),
            over_label_m2=sum_of_known(line.label.over_m2 for line in lines),
            jobs_over_label=sum((line.label.over_m2 or 0.0) > 0 for line in lines),
        )
        for _, lines in sorted(groups.items(), key=lambda item: item[0])
    )


def _amounts(parts: Iterable[Amounts]) -> Amounts:
    listed = list(parts)
    return Amounts(
        amount=sum_of_known(part.amount for part in listed),
        money=sum_of_known(part.money for part in listed),
        active_g=sum_of_known(part.active_g for part in listed),
    )
