"""Where one log, or several joined, hold more than one job: after a pause of hours, or with another product."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from swathledger.log.log import Log

PAUSE_S = 3 * 3600.0
"""Spraying that resumes later than this is another job: a night, a day of wind; a meal or a refill is shorter."""


@dataclass(frozen=True, slots=True)
class NewJob:
    """Where another job begins.

    Attributes
    ----------
    ended_s, begins_s : float
        Times of the last row that sprayed before, and of the first one after.
    because : {"pause", "product"}
    product_before, product : str
        What was in the tank; empty where the log names none.
    """

    ended_s: float
    begins_s: float
    because: Literal["pause", "product"]
    product_before: str
    product: str


def new_jobs(log: Log) -> tuple[NewJob, ...]:
    """Where spraying begins again as another job, in order of time; empty for one job.

    Rows that spray nothing begin no job, and rows that name no product keep that of the row before. A log without
    states sprays always.
    """
    rows = np.flatnonzero(log.state.any(axis=1))
    found: list[NewJob] = []
    held = ""
    for k, row in enumerate(rows.tolist()):
        named = "" if log.product is None else log.product[row].strip()
        before, held = held, named or held
        if k == 0:
            continue
        ended, begins = float(log.time_s[rows[k - 1]]), float(log.time_s[row])
        if before and held != before:
            found.append(NewJob(ended, begins, "product", before, held))
        elif begins - ended > PAUSE_S:
            found.append(NewJob(ended, begins, "pause", before, held))
    return tuple(found)
