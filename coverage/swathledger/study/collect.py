"""From folders of results to the jobs and fields of a study."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from swathledger.errors import InputError
from swathledger.study.collected import AS_LOGGED, LOGGED, LayoutRow, LeftOut, StudyField, StudyJob

LEDGER = "ledger.json"
SCHEMA = re.compile(r"swathledger/ledger/\d+")
SAME_PLACE_M = 500.0
"""Fields of one name whose centres are farther apart are two fields."""
_M_PER_DEG = 111_195.0


def ledger_files(results: Sequence[Path]) -> list[tuple[str, Path]]:
    """Every ledger below the folders given, with a name for it, in the order of names.

    Hidden folders are passed over: they hold results that are not finished.

    Raises
    ------
    InputError
        A path is not there, or nothing below any of them is a ledger.
    """
    found: list[tuple[str, Path]] = []
    for path in results:
        if path.is_file():
            found.append((path.parent.name or path.name, path))
            continue
        if not path.is_dir():
            raise InputError("is neither a folder nor a file.", file=str(path), hint="Give folders of results.")
        below = []
        for file in path.rglob(LEDGER):
            parts = file.relative_to(path).parts[:-1]
            if not any(part.startswith(".") for part in parts):
                below.append(("/".join(parts) or path.absolute().name, file))
        found += sorted(below)
    if not found:
        raise InputError(
            f"no {LEDGER} lies below {', '.join(str(path) for path in results)}.",
            hint="Give a folder that swathledger audit or swathledger season wrote.",
        )
    return found


def read_results(results: Sequence[Path]) -> tuple[tuple[StudyJob, ...], tuple[LeftOut, ...]]:
    """Read every ledger; those that cannot be used are told, never dropped silently.

    Raises
    ------
    InputError
        No ledger could be used.
    """
    jobs: list[StudyJob] = []
    left: list[LeftOut] = []
    seen: dict[str, str] = {}
    names: dict[str, int] = {}
    for name, path in ledger_files(results):
        try:
            data = path.read_bytes()
            digest = hashlib.sha256(data).hexdigest()
            if digest in seen:
                left.append(LeftOut(name, f"the same ledger as {seen[digest]}"))
                continue
            document = json.loads(data)
        except OSError as error:
            left.append(LeftOut(name, f"cannot be read ({error.strerror or error})"))
            continue
        except ValueError:
            left.append(LeftOut(name, "is no JSON"))
            continue
        seen[digest] = name
        names[name] = names.get(name, 0) + 1
        own = name if names[name] == 1 else f"{name} ({names[name]})"
        job = job_of(document, own)
        if isinstance(job, LeftOut):
            left.append(job)
        else:
            jobs.append(job)
    if not jobs:
        reasons = "; ".join(f"{item.name}: {item.reason}" for item in left[:5])
        raise InputError(f"none of {len(left)} ledgers can be used. {reasons}.", hint="Audit the fields again.")
    return tuple(jobs), tuple(left)


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _number(table: dict[str, Any], key: str) -> float | None:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def _layout_row(row: dict[str, Any], name: str | None = None) -> LayoutRow:
    groups = _number(row, "groups")
    return LayoutRow(
        layout=str(row.get("label") or row.get("groups")) if name is None else name,
        groups=None if groups is None else int(groups),
        **{
            key: _number(row, key)
            for key in (
                "group_width_m", "over_application_m2", "skip_m2", "applied_m2", "overlap_extra_m2", "outside_m2",
                "excluded_m2", "standard_error_m2", "volume_l", "saved_l", "saved_pct",
            )
        },
    )  # fmt: skip


def _rows(document: dict[str, Any]) -> tuple[LayoutRow, ...]:
    replay = document.get("replay")
    rows = [_layout_row(_table(row)) for row in replay] if isinstance(replay, list) else []
    model = _table(document.get("model"))
    if isinstance(model.get("logged_layout"), dict):
        rows.append(_layout_row(model["logged_layout"], LOGGED))
    if isinstance(model.get("as_logged"), dict):
        rows.append(_layout_row(model["as_logged"], AS_LOGGED))
    else:
        area = dict(_table(document.get("area")))
        area["standard_error_m2"] = _table(area.get("standard_errors_m2")).get(
            "over_application_m2", area.get("standard_error_m2")
        )
        area["volume_l"] = _number(_table(document.get("volume")), "applied_l")
        rows.append(_layout_row(area, AS_LOGGED))
    unique: dict[str, LayoutRow] = {}
    for row in rows:
        unique.setdefault(row.layout, row)
    return tuple(unique.values())


def _exclusions(field: dict[str, Any], excluded_m2: float | None) -> int | None:
    """Separate pieces that are left out; older ledgers count holes only."""
    count, holes = field.get("exclusions"), field.get("holes")
    if isinstance(count, int):
        return count + (holes if isinstance(holes, int) else 0)
    return holes if isinstance(holes, int) and excluded_m2 == 0 else None


def job_of(document: Any, name: str) -> StudyJob | LeftOut:
    """One ledger as a job, or why it cannot be one. Keys that are absent become None."""
    if not isinstance(document, dict) or not SCHEMA.fullmatch(str(document.get("schema"))):
        found = document.get("schema") if isinstance(document, dict) else None
        return LeftOut(name, f"its schema is {found!r}, not swathledger/ledger")
    field, area = _table(document.get("field")), _table(document.get("area"))
    model, provenance = _table(document.get("model")), _table(document.get("provenance"))
    settings = _table(provenance.get("settings"))
    target = _number(area, "target_m2") or _number(field, "target_area_m2")
    if not target or target <= 0:
        return LeftOut(name, "it has no target area")
    rows = _rows(document)
    widest = next((row for row in rows if row.groups and row.group_width_m), None)
    off_rate = _number(area, "off_rate_10pct_m2")
    excluded = _number(field, "exclusion_area_m2")
    inputs = provenance.get("inputs")
    trusted = model.get("trusted")
    return StudyJob(
        name=name,
        field_id=str(field.get("id") or name),
        machine=str(provenance.get("machine") or "unknown"),
        boundary=str(field.get("boundary") or "unknown"),
        projection=str(provenance.get("projection") or ""),
        target_area_m2=target,
        perimeter_to_area_per_m=_number(field, "perimeter_to_area_per_m"),
        compactness=_number(field, "compactness"),
        convexity=_number(field, "convexity"),
        exclusion_area_m2=excluded,
        exclusions=_exclusions(field, excluded),
        boom_width_m=None if widest is None else (widest.groups or 0) * (widest.group_width_m or 0.0),
        agreement_pct=_number(model, "section_seconds_agreement_pct"),
        trusted=trusted if isinstance(trusted, bool) else None,
        cell_m=_number(provenance, "cell_m"),
        revisit_s=_number(settings, "revisit_s"),
        off_when_covered=_number(settings, "off_when_covered"),
        off_rate_pct=None if off_rate is None else 100.0 * off_rate / target,
        inputs=tuple(str(_table(item).get("sha256")) for item in inputs) if isinstance(inputs, list) else (),
        rows=rows,
    )


def _centre(projection: str) -> tuple[float, float] | None:
    latitude, longitude = (re.search(rf"\+{key}=(-?[\d.]+)", projection) for key in ("lat_0", "lon_0"))
    return None if latitude is None or longitude is None else (float(latitude[1]), float(longitude[1]))


def _apart_m(one: str, other: str) -> float:
    """Distance between two planes' centres, near enough; 0 where either is not known."""
    a, b = _centre(one), _centre(other)
    if a is None or b is None:
        return 0.0
    east = ((b[1] - a[1] + 180.0) % 360.0 - 180.0) * math.cos(math.radians(a[0]))
    return math.hypot(b[0] - a[0], east) * _M_PER_DEG


def fields_of(jobs: Iterable[StudyJob]) -> tuple[StudyField, ...]:
    """Jobs by field: the same name and, where the ledgers tell, the same place."""
    groups: list[list[StudyJob]] = []
    by_id: dict[str, list[list[StudyJob]]] = {}
    for job in jobs:
        for known in by_id.setdefault(job.field_id, []):
            if _apart_m(known[0].projection, job.projection) <= SAME_PLACE_M:
                known.append(job)
                break
        else:
            groups.append([job])
            by_id[job.field_id].append(groups[-1])
    return tuple(StudyField(number, group[0].field_id, tuple(group)) for number, group in enumerate(groups))
