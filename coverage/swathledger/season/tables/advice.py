"""Alarms and actions of a season: every job's alarms, and its jobs' actions added up."""

from __future__ import annotations

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

    Litres and money are sums over the jobs that know them; None where none does. What was missed has no saving and
    comes last, its ``value`` the ground of all jobs; other values differ from machine to machine and are not added up.
    """
    groups: dict[tuple[str, str | None], list[LedgerAction]] = {}
    for job in jobs:
        for action in job.ledger.action:
            groups.setdefault((action.action, action.layout), []).append(action)
    rows = [
        SeasonAction(
            action=name,
            layout=layout,
            jobs=len(own),
            found_by=own[0].found_by,
            saved_l=sum_of_known(action.saved_l for action in own),
            saved_m2=sum_of_known(action.saved_m2 for action in own),
            saved_money=sum_of_known(action.saved_money for action in own),
            value=sum_of_known(action.value for action in own)
            if name in ("keep_off", "look_again", "catch_primes")
            else None,
        )
        for (name, layout), own in groups.items()
    ]
    return tuple(
        sorted(rows, key=lambda row: (row.action == "look_again", -(row.saved_l or 0.0), -(row.saved_m2 or 0.0)))
    )
