"""The whole check-up of a log: what cannot be true is set aside and replaced, the rest is told with its weight."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

from swathledger.checkup.checkup import Checkup, Finding
from swathledger.checkup.counter import compare_counter, compare_flow, counter_findings
from swathledger.checkup.dates import check_dates, check_pace
from swathledger.checkup.heading import check_heading
from swathledger.checkup.position import check_positions
from swathledger.checkup.speed import check_speed
from swathledger.checkup.states import check_states
from swathledger.checkup.view import view_of
from swathledger.log.log import Log
from swathledger.log.quality import assess
from swathledger.notes import Note

_HEADING_KEYS = {"heading_unit", "heading_sense", "heading_zero_deg", "heading_lag_s"}
DOUBTFUL_READINGS = frozenset({"log.days_as_times", "log.clock_numbers", "log.blank_states", "log.clock_stepped"})
"""What reading a log may tell that leaves two readings possible."""


def examine(log: Log, machine: Any = None, *, now_s: float | None = None) -> Checkup:
    """Hold a log against its own track, its counters and the calendar.

    Parameters
    ----------
    log : Log
    machine : Machine, optional
        Widths, set rate, and what its ``[log]`` table says already.
    now_s : float, optional
        UTC seconds since 1970 that no log is later than; the computer's clock by default.

    Returns
    -------
    Checkup
    """
    options = {} if machine is None else machine.log_options.given()
    found = [Finding(note, "doubtful") for note in log.quality.warnings if note.code in DOUBTFUL_READINGS]
    told = {finding.note for finding in found}
    log, more = check_positions(log)
    found += more
    unfit = any(finding.weight == "unfit" for finding in found)
    view = view_of(log)
    pace = check_pace(log, view)
    found += pace
    found += check_dates(log, time.time() if now_s is None else now_s, "add_weeks" in options)
    if not unfit and not pace:
        # without places and times to go by nothing else can be judged
        log, more = check_heading(log, view, bool(_HEADING_KEYS & options.keys()))
        found += more
        log, more = check_speed(log, view)
        found += more
        found += check_states(log, view)
    report = assess(log, machine)
    counter, flow = compare_counter(log, view, machine), compare_flow(log, view, machine)
    if not any(finding.weight == "unfit" for finding in found):
        found += counter_findings(counter, flow, report.gaps)
    if machine is not None and machine.antenna_assumed:
        found.append(Finding(Note.of("checkup.antenna_assumed", names=machine.antenna_assumed), "told"))
    reasons = (*(item.note for item in found if item.weight == "unfit"), *report.reasons)
    doubts = tuple(item.note for item in found if item.weight == "doubtful")
    report = replace(
        report, verdict="unfit" if reasons else "doubtful" if doubts else "fit", reasons=reasons, doubts=doubts
    )
    findings = tuple(item for item in found if item.note not in told)
    return Checkup(log, findings, report, counter, flow)
