"""From folders of results to the jobs and fields of a study."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import fields
from pathlib import Path

from swathledger.documents.document import parse, reason
from swathledger.documents.ledger import Ledger, LedgerField
from swathledger.documents.replay import LedgerLayout
from swathledger.documents.study import LeftOut
from swathledger.errors import InputError
from swathledger.geodesy import distance_m
from swathledger.study.collected import AS_LOGGED, LOGGED, LayoutRow, StudyField, StudyJob
from swathledger.words import words

LEDGER = "ledger.json"
SAME_PLACE_M = 500.0
"""Fields of one name whose centres are farther apart are two fields."""


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


def read_ledgers(results: Sequence[Path]) -> tuple[tuple[StudyJob, ...], tuple[LeftOut, ...]]:
    """Read every ledger; those that cannot be used are told, never dropped silently.

    Raises
    ------
    InputError
        No ledger could be used.
    """
    jobs: list[StudyJob] = []
    left: list[LeftOut] = []
    t = words().below("study.left_out_for.")
    seen: dict[str, str] = {}
    names: dict[str, int] = {}
    for name, path in ledger_files(results):
        try:
            data = path.read_bytes()
            digest = hashlib.sha256(data).hexdigest()
            if digest in seen:
                left.append(LeftOut(name=name, reason=t("same", name=seen[digest])))
                continue
            ledger = parse(Ledger, data, str(path))
        except OSError as error:
            left.append(LeftOut(name=name, reason=t("unread", error=error.strerror or error)))
            continue
        except InputError as error:
            left.append(LeftOut(name=name, reason=reason(error)))
            continue
        seen[digest] = name
        names[name] = names.get(name, 0) + 1
        own = name if names[name] == 1 else f"{name} ({names[name]})"
        job = job_of(ledger, own)
        if isinstance(job, LeftOut):
            left.append(job)
        else:
            jobs.append(job)
    if not jobs:
        reasons = "; ".join(f"{item.name}: {item.reason}" for item in left[:5])
        raise InputError(f"none of {len(left)} ledgers can be used. {reasons}.", hint="Audit the fields again.")
    return tuple(jobs), tuple(left)


def _row(row: LedgerLayout, name: str | None = None) -> LayoutRow:
    names = (item.name for item in fields(LayoutRow) if item.name != "layout")
    return LayoutRow(layout=row.label if name is None else name, **{key: getattr(row, key) for key in names})


def _rows(ledger: Ledger) -> tuple[LayoutRow, ...]:
    rows = [_row(row) for row in ledger.replay]
    if ledger.model is not None:
        rows += [_row(ledger.model.logged_layout, LOGGED), _row(ledger.model.as_logged, AS_LOGGED)]
    else:
        area, volume = ledger.area, ledger.volume
        rows.append(
            LayoutRow(
                layout=AS_LOGGED,
                groups=None,
                group_width_m=None,
                over_application_m2=area.over_application_m2,
                skip_m2=area.skip_m2,
                applied_m2=area.applied_m2,
                overlap_extra_m2=area.overlap_extra_m2,
                outside_m2=area.outside_m2,
                excluded_m2=area.excluded_m2,
                standard_error_m2=area.standard_errors_m2.get("over_application_m2", area.standard_error_m2),
                volume_l=None if volume is None else volume.applied_l,
                saved_l=None,
                saved_pct=None,
            )
        )
    unique: dict[str, LayoutRow] = {}
    for row in rows:
        unique.setdefault(row.layout, row)
    return tuple(unique.values())


def _exclusions(field: LedgerField) -> int | None:
    """Separate pieces that are left out; older ledgers count holes only."""
    if field.exclusions is not None:
        return field.exclusions + field.holes
    return field.holes if field.exclusion_area_m2 == 0 else None


def job_of(ledger: Ledger, name: str) -> StudyJob | LeftOut:
    """One ledger as a job, or why it cannot be one."""
    field, area, model, made = ledger.field, ledger.area, ledger.model, ledger.provenance
    target = area.target_m2 or field.target_area_m2
    if target <= 0:
        return LeftOut(name=name, reason=words().line("study.left_out_for.no_target"))
    widest = next((row for row in ledger.replay if row.groups and row.group_width_m), None)
    return StudyJob(
        name=name,
        field_id=field.id or name,
        machine=made.machine,
        boundary=field.boundary,
        projection=made.projection,
        target_area_m2=target,
        perimeter_to_area_per_m=field.perimeter_to_area_per_m,
        compactness=field.compactness,
        convexity=field.convexity,
        exclusion_area_m2=field.exclusion_area_m2,
        exclusions=_exclusions(field),
        boom_width_m=None if widest is None else (widest.groups or 0) * (widest.group_width_m or 0.0),
        agreement_pct=None if model is None else model.section_seconds_agreement_pct,
        trusted=None if model is None else model.trusted,
        cell_m=made.cell_m,
        revisit_s=made.settings.revisit_s,
        off_when_covered=made.settings.off_when_covered,
        off_rate_pct=100.0 * area.off_rate_10pct_m2 / target,
        inputs=tuple(item.sha256 for item in made.inputs),
        rows=_rows(ledger),
        client=name.rpartition("/")[0].rpartition("/")[2],
        estimate=ledger.estimate or (),
    )


def _centre(projection: str) -> tuple[float, float] | None:
    latitude, longitude = (re.search(rf"\+{key}=(-?[\d.]+)", projection) for key in ("lat_0", "lon_0"))
    return None if latitude is None or longitude is None else (float(latitude[1]), float(longitude[1]))


def _apart_m(one: str, other: str) -> float:
    """Distance between two planes' centres; 0 where either is not known."""
    a, b = _centre(one), _centre(other)
    if a is None or b is None:
        return 0.0
    return float(distance_m(a[0], a[1], b[0], b[1]))


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
