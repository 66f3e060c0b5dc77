"""Dates and clocks that cannot be, or need not be, those of the drive."""

from __future__ import annotations

import datetime as dt

import numpy as np

from swathledger.checkup.checkup import Finding
from swathledger.checkup.view import View
from swathledger.log.log import Log
from swathledger.motion import IMPOSSIBLE_M_S
from swathledger.notes import Measure, Note
from swathledger.text import moment

WEEK_S = 7 * 86_400.0
ROLLOVER_WEEKS = 1024
"""A receiver counts weeks in ten bits from 1980-01-06: after 1024 of them it is back at nothing."""
_EARLIEST_S = dt.datetime(1993, 12, 8, tzinfo=dt.UTC).timestamp()
"""Initial operation of GPS was declared on this day; no field log is older."""
_SLACK_S = 2 * 86_400.0
_LEAST_PACE_M_S = 0.02


def check_dates(log: Log, now_s: float, settled: bool = False) -> list[Finding]:
    """Dates in the future, before receivers were, or 1024 weeks too early.

    Parameters
    ----------
    now_s : float
        UTC seconds since 1970.
    settled : bool
        The user has said by how many weeks the dates are to be moved, if only by none.
    """
    if not log.time_is_absolute:
        return []
    last = float(log.time_s[-1])
    first = float(log.time_s[0])
    if last > now_s + _SLACK_S:
        return [Finding(Note.of("checkup.date_in_future", date=moment(last)), "doubtful")]
    if settled:
        return []
    later = first + ROLLOVER_WEEKS * WEEK_S
    if later <= now_s + _SLACK_S:
        line = f"add_weeks = {ROLLOVER_WEEKS}"
        code = "checkup.date_too_early" if first < _EARLIEST_S else "checkup.date_rolled_over"
        return [Finding(Note.of(code, date=moment(first), later=moment(later), line=line), "doubtful")]
    return []


def check_pace(log: Log, view: View) -> list[Finding]:
    """A clock in another unit: all driving faster than any machine, or slower than any work."""
    paces = view.speed_m_s[np.isfinite(view.speed_m_s)]
    if paces.size < 30:
        return []
    pace = float(np.median(paces))
    shown = Measure(pace, "speed")
    if pace > IMPOSSIBLE_M_S:
        return [Finding(Note.of("checkup.clock_slow", pace=shown), "unfit")]
    if pace < _LEAST_PACE_M_S:
        return [Finding(Note.of("checkup.clock_fast", pace=shown), "unfit")]
    return []
