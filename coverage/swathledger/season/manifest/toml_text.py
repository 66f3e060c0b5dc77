"""Writing a manifest as TOML that a person can read and correct."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

import tomlkit

from swathledger.season.manifest.manifest import Job, JobLog, Missing, Unplaced
from swathledger.season.manifest.spec import SCHEMA
from swathledger.words import say, say_all, words


def toml_moment(seconds: float, absolute: bool) -> dt.datetime | float:
    """A time of a log, in full: an offset date-time where the log has dates, else seconds from its start."""
    if not absolute:
        return float(seconds)
    # Rounded to the microsecond, so that reading it gives the same rows.
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=round(seconds * 1e6))


def _logs(log: JobLog, absolute: bool) -> list[Any]:
    if log.spans is None:
        return [log.file]
    out: list[Any] = []
    for start, end in log.spans:
        entry = tomlkit.inline_table()
        entry["file"] = log.file
        if math.isfinite(start):
            entry["from"] = toml_moment(start, absolute)
        if math.isfinite(end):
            entry["to"] = toml_moment(end, absolute)
        out.append(entry)
    return out


def _list(items: Sequence[Any]) -> Any:
    """An array, one item a line where there are several."""
    out = tomlkit.array()
    out.extend(items)
    return out.multiline(len(items) > 1)


def _job(job: Job, absolute: bool, machine_shown: bool) -> dict[str, Any]:
    known = {
        "id": job.id,
        "field": job.field,
        "client": job.client or None,
        "product": job.product or None,
        "day": job.day,
        "machine": job.machine if machine_shown else None,
        "logs": _list([entry for log in job.logs for entry in _logs(log, absolute)]),
        "remarks": _list(say_all(job.remarks)) if job.remarks else None,
    }
    return {key: value for key, value in known.items() if value is not None}


def manifest_text(
    jobs: Sequence[tuple[Job, bool]],
    unplaced: Sequence[Unplaced],
    missing: Sequence[Missing],
    *,
    boundaries: str,
    machine: str | None,
    rules: Sequence[tuple[str, str]] = (),
    by_itself: frozenset[str] = frozenset(),
    files: Sequence[tuple[str, str]] = (),
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
    files : sequence of (str, str)
        Files of logs with their SHA-256.
    """
    out = tomlkit.document()
    _remark(out, "head")
    out.update({"schema": SCHEMA, "boundaries": boundaries})
    if machine is not None:
        out["machine"] = machine
    out.add(tomlkit.nl())
    _remark(out, "settings")
    tables = {
        "machine_rules": [{"folder": folder, "machine": name} for folder, name in rules],
        "jobs": [_job(job, absolute, job.id in by_itself) for job, absolute in jobs],
        "unplaced": [{"file": item.file, "reason": say(item.reason)} for item in unplaced],
        "missing": [{"field": gap.field, "reason": say(gap.reason)} for gap in missing],
    }
    for name, rows in tables.items():
        if rows:
            out.add(tomlkit.nl())
            out[name] = rows
    if files:
        out.add(tomlkit.nl())
        _remark(out, "files")
        out["files"] = [{"file": name, "sha256": digest} for name, digest in files]
    return tomlkit.dumps(out)


def _remark(out: tomlkit.TOMLDocument, key: str) -> None:
    for line in words().line(f"manifest.{key}").splitlines():
        out.add(tomlkit.comment(line))
