"""What many jobs come to: litres poured at standstill, the mass balance, and each product."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from swathledger.ledger.balance import sum_of
from swathledger.money.ledgers import JobLedger, distinct_primes


def _sum(values: Iterable[float | None]) -> float | None:
    """Sum of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


def season_standing(jobs: Sequence[JobLedger]) -> dict[str, Any]:
    """Standing discharges of many jobs: sums of what is known, and how much is not.

    ``recirculating_would_keep_l`` is of the measured primes; the two estimated ends are of the primes that the logs do
    not measure, from the plug-flow and the mixed model of each job's machine. What is not known is None, never 0: sums
    are of measured discharges, and None where there are discharges and none is measured.
    """
    measured_events, unmeasured_events = sum(job.measured for job in jobs), sum(job.unmeasured for job in jobs)
    seen = jobs if measured_events or not unmeasured_events else ()
    primes = distinct_primes(jobs)
    measured = [prime.litres for prime in primes if prime.litres is not None]
    unseen = [prime for prime in primes if prime.litres is None]
    return {
        "litres_l": _sum(job.standing_l for job in seen),
        "measured": measured_events,
        "unmeasured": unmeasured_events,
        "money": _sum(job.standing_money for job in seen),
        "active_g": _sum(job.standing_active_g for job in seen),
        "likely_primes": len(primes),
        "measured_primes": len(measured),
        "measured_primes_l": math.fsum(measured) if measured else None,
        "recirculating_would_keep_l": _sum(job.kept_l for job in jobs) if measured else None,
        "recirculating_would_keep_estimated_low_l": _sum(prime.returned_low_l for prime in unseen),
        "recirculating_would_keep_estimated_high_l": _sum(prime.returned_high_l for prime in unseen),
    }


def season_balance(jobs: Sequence[JobLedger]) -> dict[str, Any] | None:
    """Mass balance of many jobs; None where none logs litres."""
    known = [job.balance for job in jobs if job.balance is not None]
    found = sum_of(known)
    if found is None:
        return None
    return {
        "jobs": len(known),
        "jobs_without_litres": len(jobs) - len(known),
        "logged_l": found.logged_l,
        "on_target_l": found.on_target_l,
        "over_applied_l": found.over_applied_l,
        "by_cause": [{"cause": cause, "volume_l": litres} for cause, litres in found.by_cause_l.items()],
        "standing_l": found.standing_l,
        "unexplained_l": found.unexplained_l,
        "unexplained_pct": found.unexplained_pct,
    }


def season_products(tables: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Products of many jobs, added up by name (without regard to case), measure and currency.

    Parameters
    ----------
    tables : sequence of mapping
        The tables ``product`` of ledgers.

    Returns
    -------
    list of dict
        ``applied``, ``over_applied`` and ``standing`` hold the sums of what is known; ``jobs_without_amount`` says in
        how many jobs the amount over-applied is not. ``over_label_m2`` adds up the jobs' ground above the maximum
        entered, None where no job has one.
    """
    groups: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for table in tables:
        for book in table["products"]:
            key = (book["name"].strip().casefold(), book["measure"], book["currency"] or "")
            groups.setdefault(key, []).append(book)

    def part(books: Sequence[Mapping[str, Any]], name: str) -> dict[str, float | None]:
        return {key: _sum(book[name][key] for book in books) for key in ("amount", "money", "active_g")}

    return [
        {
            "name": books[0]["name"],
            "measure": measure,
            "currency": currency or None,
            "active_ingredient": books[0]["active_ingredient"],
            "jobs": len(books),
            "jobs_without_amount": sum(book["over_applied"]["amount"] is None for book in books),
            "applied": part(books, "applied"),
            "over_applied": part(books, "over_applied"),
            "standing": part(books, "standing"),
            "over_label_m2": _sum(book["label"]["over_m2"] for book in books),
            "jobs_over_label": sum((book["label"]["over_m2"] or 0.0) > 0 for book in books),
        }
        for (_, measure, currency), books in sorted(groups.items())
    ]
