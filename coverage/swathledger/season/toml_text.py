"""Writing a manifest as TOML that a person can read and correct."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from swathledger.season.manifest import Job, JobLog, Missing, Unplaced
from swathledger.season.spec import SCHEMA
from swathledger.text import moment as utc_moment

_HEAD = """\
# Which logs make up which job. Read it, correct it, then run: swathledger season THIS-FILE --out FOLDER
#
# A job is one treatment of one field. Paths are relative to this file. Several logs may belong to one job; of a log
# that spans several fields a job takes the stretch from (included) to (not included). A job may have a machine, a
# boundary ("derive": the ground covered) and [jobs.settings] of its own. Where you know better, move a file from
# [[unplaced]] to a job by hand. docs/season.md tells of every key.
"""


def text(value: str) -> str:
    """A TOML basic string."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def moment(seconds: float, absolute: bool) -> str:
    """A time of a log, in full: an offset date-time where the log has dates, else seconds from its start."""
    if not absolute:
        return repr(float(seconds))
    return utc_moment(seconds, decimals=6)  # to the microsecond, so that reading it gives the same rows


def _log(log: JobLog, absolute: bool) -> list[str]:
    if log.spans is None:
        return [text(log.file)]
    out = []
    for start, end in log.spans:
        keys = [f"file = {text(log.file)}"]
        if math.isfinite(start):
            keys.append(f"from = {moment(start, absolute)}")
        if math.isfinite(end):
            keys.append(f"to = {moment(end, absolute)}")
        out.append("{ " + ", ".join(keys) + " }")
    return out


def _list(key: str, items: Sequence[str]) -> list[str]:
    if len(items) == 1:
        return [f"{key} = [{items[0]}]"]
    return [f"{key} = [", *(f"  {item}," for item in items), "]"]


def _job(job: Job, absolute: bool, machine_shown: bool) -> list[str]:
    lines = ["[[jobs]]", f"id = {text(job.id)}", f"field = {text(job.field)}"]
    if job.client:
        lines.append(f"client = {text(job.client)}")
    if job.product:
        lines.append(f"product = {text(job.product)}")
    if job.day is not None:
        lines.append(f"day = {job.day.isoformat()}")
    if machine_shown:
        lines.append(f"machine = {text(job.machine)}")
    lines += _list("logs", [item for log in job.logs for item in _log(log, absolute)])
    if job.remarks:
        lines += _list("remarks", [text(remark) for remark in job.remarks])
    return lines


def manifest_text(
    jobs: Sequence[tuple[Job, bool]],
    unplaced: Sequence[Unplaced],
    missing: Sequence[Missing],
    *,
    boundaries: str,
    machine: str | None,
    rules: Sequence[tuple[str, str]] = (),
    by_itself: frozenset[str] = frozenset(),
) -> str:
    """The whole file.

    Parameters
    ----------
    jobs : sequence of (Job, bool)
        Each with whether its logs have dates.
    rules : sequence of (str, str)
        Folder and machine.
    by_itself : frozenset of str
        Ids of the jobs that name their machine themselves.
    """
    parts = [_HEAD, f"schema = {text(SCHEMA)}", f"boundaries = {text(boundaries)}"]
    if machine is not None:
        parts.append(f"machine = {text(machine)}")
    parts += [
        "",
        "# [settings]          # for all jobs; the names of the options of swathledger audit",
        "# cell_m = 0.1",
        '# groups = ["boom", 9, 6, 3, "nozzle", "limit"]',
        "",
    ]
    for folder, name in rules:
        parts += ["[[machine_rules]]", f"folder = {text(folder)}", f"machine = {text(name)}", ""]
    for job, absolute in jobs:
        parts += [*_job(job, absolute, job.id in by_itself), ""]
    for item in unplaced:
        parts += ["[[unplaced]]", f"file = {text(item.file)}", f"reason = {text(item.reason)}", ""]
    for gap in missing:
        parts += ["[[missing]]", f"field = {text(gap.field)}", f"reason = {text(gap.reason)}", ""]
    return "\n".join(parts).rstrip("\n") + "\n"
