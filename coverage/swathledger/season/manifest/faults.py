"""What is wrong with a manifest beyond types and ranges, told at once and with its place."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

from swathledger.errors import InputError
from swathledger.machine.checks import product_faults
from swathledger.machine.validation import Fault, line_of, show
from swathledger.season.manifest.inputs import machine_by_rule
from swathledger.season.manifest.names import UNLABELLED, name_fault
from swathledger.text import slug


def all_told(faults: list[Fault], file: str, text: str) -> InputError:
    """One error that tells every fault, with its line."""
    placed = [(line_of(text, fault.path), fault) for fault in faults]
    placed.sort(key=lambda item: (item[0] or 0, item[1].dotted))
    lines = [f"  {fault.dotted or 'file'}{f' (line {line})' if line else ''}: {fault.text}" for line, fault in placed]
    count = "1 fault" if len(lines) == 1 else f"{len(lines)} faults"
    return InputError(f"{count} in the manifest:\n" + "\n".join(lines), file=file)


def _tables(raw: Mapping[str, Any], key: str) -> list[tuple[int, Mapping[str, Any]]]:
    value = raw.get(key)
    if not isinstance(value, list):
        return []
    return [(number, item) for number, item in enumerate(value) if isinstance(item, Mapping)]


def cross_faults(raw: Mapping[str, Any]) -> list[Fault]:
    """Faults that show only when several keys are looked at together."""
    out = [*product_faults(raw, ())]
    ids: dict[str, int] = {}
    labels: dict[str, str] = {}
    rules = [(str(rule.get("folder")), str(rule.get("machine"))) for _, rule in _tables(raw, "machine_rules")]
    for number, job in _tables(raw, "jobs"):
        name = job.get("id")
        if isinstance(name, str) and name:
            fault = name_fault(name)
            if fault is not None:
                out.append(Fault(("jobs", number, "id"), f"found {show(name)}; {fault}: it names a folder."))
            first = ids.setdefault(name.casefold(), number)
            if first != number:
                out.append(
                    Fault(
                        ("jobs", number, "id"),
                        f"found {show(name)}; job {first + 1} has that id already. Give each job its own.",
                    )
                )
        label = job.get("client")
        if isinstance(label, str):
            folder = slug(label) if label else UNLABELLED
            other = labels.setdefault(folder.casefold(), label)
            if other != label:
                out.append(
                    Fault(
                        ("jobs", number, "client"),
                        f"found {show(label)}; it and {show(other)} would share the "
                        f"binder {folder!r}. Name them more differently.",
                    )
                )
        if "boundary" not in job and "boundaries" not in raw:
            out.append(Fault(("jobs", number, "boundary"), "is missing, and the manifest has no boundaries."))
        if "machine" not in job and "machine" not in raw and machine_by_rule(_first_file(job), rules) is None:
            out.append(
                Fault(
                    ("jobs", number, "machine"),
                    "is missing, no rule names a machine for its folder, and the manifest has no machine.",
                )
            )
        out += [*_span_faults(number, job), *product_faults(job, ("jobs", number))]
    return out


def _first_file(job: Mapping[str, Any]) -> str:
    logs = job.get("logs")
    first = logs[0] if isinstance(logs, list) and logs else ""
    return str(first.get("file", "")) if isinstance(first, Mapping) else str(first)


def _span_faults(number: int, job: Mapping[str, Any]) -> list[Fault]:
    out: list[Fault] = []
    for place, log in _tables(job, "logs"):
        start, end = log.get("from"), log.get("to")
        for key, value in (("from", start), ("to", end)):
            if isinstance(value, dt.datetime) and value.tzinfo is None:
                out.append(
                    Fault(
                        ("jobs", number, "logs", place, key),
                        f"found {value}; it needs an offset, as in {value.isoformat()}Z.",
                    )
                )
        aware = [value for value in (start, end) if not isinstance(value, dt.datetime) or value.tzinfo is not None]
        if start is None or end is None or len(aware) < 2:
            continue
        if isinstance(start, dt.datetime) != isinstance(end, dt.datetime):
            out.append(
                Fault(
                    ("jobs", number, "logs", place, "to"),
                    "is of another kind than from: give two times or two numbers of seconds.",
                )
            )
        elif seconds(start, -math.inf) >= seconds(end, math.inf):
            out.append(Fault(("jobs", number, "logs", place, "to"), f"found {end}; it must be later than from."))
    return out


def seconds(value: Any, open_end: float) -> float:
    """Seconds as in ``Log.time_s``."""
    if isinstance(value, dt.datetime):
        return value.timestamp()
    return float(value) if isinstance(value, (int, float)) else open_end
