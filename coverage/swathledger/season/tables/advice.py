"""Alarms and actions of a season: every job's alarms, and its jobs' actions added up."""

from __future__ import annotations

import math
from collections.abc import Sequence

from swathledger.documents.advice import LedgerAction
from swathledger.documents.document import taken
from swathledger.documents.season import SeasonAction, SeasonAlarm
from swathledger.money.ledgers import JobLedger
from swathledger.statistics import sum_of_known


def season_alarms(jobs: Sequence[JobLedger]) -> tuple[SeasonAlarm, ...]:
    """Alarms of every job, in the order of the jobs."""
    return tuple(
        taken(SeasonAlarm, alarm, job=job.name, field=job.ledger.field.id) for job in jobs for alarm in job.ledger.alarm
    )


def season_actions(jobs: Sequence[JobLedger]) -> tuple[SeasonAction, ...]:
    """Actions of the jobs added up by kind and layout, what would have saved most first.

    Litres and money are sums over the jobs that know them; None where none does. Intervals are added end by end, as
    though all jobs were off the same way, where every job has one. Ground not missed weighs as the mean dose of the
    jobs. What was missed has no saving and comes last, its ``value`` the ground of all jobs; other values differ from
    machine to machine and are not added up.
    """
    groups: dict[tuple[str, str | None], list[LedgerAction]] = {}
    dose = _mean_dose(jobs)
    for job in jobs:
        for action in job.ledger.action:
            groups.setdefault((action.action, action.layout), []).append(action)
    one_currency = len({job.ledger.product.currency for job in jobs if job.ledger.product is not None}) <= 1
    rows = [
        SeasonAction(
            action=name,
            layout=layout,
            jobs=len(own),
            found_by=own[0].found_by,
            saved_l=sum_of_known(action.saved_l for action in own),
            saved_m2=sum_of_known(action.saved_m2 for action in own),
            saved_money=sum_of_known(action.saved_money for action in own) if one_currency else None,
            missed_m2=sum_of_known(action.missed_m2 for action in own),
            low_l=_ends(own, "low_l"),
            high_l=_ends(own, "high_l"),
            value=sum_of_known(action.value for action in own)
            if name in ("keep_off", "look_again", "catch_primes")
            else None,
        )
        for (name, layout), own in groups.items()
    ]

    def rank(row: SeasonAction) -> tuple[bool, float, float]:
        missed = row.missed_m2 or 0.0
        return row.action == "look_again", -(row.saved_l or 0.0) - dose * missed, -(row.saved_m2 or 0.0) - missed

    return tuple(sorted(rows, key=rank))


def _mean_dose(jobs: Sequence[JobLedger]) -> float:
    """Litres a square metre over the jobs that know their litres; 0 where none does."""
    known = [job.ledger for job in jobs if job.ledger.volume is not None]
    ground = math.fsum(ledger.area.applied_m2 for ledger in known)
    litres = math.fsum(ledger.volume.applied_l for ledger in known if ledger.volume is not None)
    return litres / ground if ground > 0 else 0.0


def _ends(actions: Sequence[LedgerAction], end: str) -> float | None:
    """One end of the interval of all jobs that save litres; None where one of them has none."""
    ends = [getattr(action, end) for action in actions if action.saved_l is not None]
    return None if not ends or None in ends else math.fsum(ends)
