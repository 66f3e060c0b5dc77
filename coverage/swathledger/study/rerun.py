"""Jobs of a season's manifest audited again: sensitivity needs the drives, not only their ledgers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swathledger.documents.study import FailedRerun, RerunField, SensitivityDocument
from swathledger.errors import InputError, SwathledgerError
from swathledger.study.collected import StudyField
from swathledger.words import words

if TYPE_CHECKING:
    from swathledger.audit import Prepared
    from swathledger.season.manifest.manifest import Job, Manifest

DEFAULT_SAMPLE = 8


@dataclass(frozen=True, slots=True)
class RerunSettings:
    """What is run again.

    Attributes
    ----------
    sample : int
        Fields taken, evenly over their perimeter per area.
    cell_m : float or None
        None: as the ledgers were made.
    """

    manifest: Path
    sample: int = DEFAULT_SAMPLE
    cell_m: float | None = None
    threads: int = 1


def evenly_chosen(fields: Sequence[StudyField], count: int) -> list[StudyField]:
    """Evenly spaced fields in the order of perimeter per area, both ends included; all where there are no more."""
    order = sorted(fields, key=lambda field: (field.first.perimeter_to_area_per_m or 0.0, field.number))
    if len(order) <= count:
        return order
    if count == 1:
        return [order[len(order) // 2]]
    return [order[round(k * (len(order) - 1) / (count - 1))] for k in range(count)]


def _season_job(field: StudyField, by_id: dict[str, Job]) -> Job | None:
    """The manifest's job that a field's first ledger came from, by its folder's name."""
    return by_id.get(field.first.name.rsplit("/", 1)[-1])


def prepare_job(manifest: Manifest, job: Job, field: StudyField, settings: RerunSettings) -> Prepared:
    """Read one job again, with the settings of its ledger."""
    from swathledger.audit import prepare

    first = field.first
    changes: dict[str, Any] = {"threads": settings.threads, "cell_m": settings.cell_m or first.cell_m}
    layouts = tuple(row.layout for row in first.rows if row.layout in {"boom", "nozzle", "limit"} or
                    row.layout.isdigit())  # fmt: skip
    return prepare(
        [manifest.path(log.file) for log in job.logs],
        manifest.path(job.machine),
        "derive" if job.boundary == "derive" else manifest.path(job.boundary),
        replace(job.settings, groups=layouts or job.settings.groups, **changes),
        spans=[log.spans for log in job.logs],
    )


def rerun(
    fields: Sequence[StudyField], settings: RerunSettings, *, progress: Callable[[str], None] | None = None
) -> SensitivityDocument:
    """Sensitivity of a sample of fields.

    A field that cannot be run again is told with its reason and the others go on.

    Raises
    ------
    InputError
        The manifest cannot be read, or none of its jobs belongs to the results.
    """
    from swathledger.season.manifest.manifest import read_manifest
    from swathledger.study.sensitivity import sensitivity

    manifest = read_manifest(settings.manifest)
    by_id = {job.id: job for job in manifest.jobs}
    known = [field for field in fields if _season_job(field, by_id) is not None]
    if not known:
        raise InputError(
            "none of its jobs has results among those given.",
            file=settings.manifest.name,
            hint="Give the manifest that the season was run from; folders of results are named by its jobs.",
        )
    chosen = evenly_chosen(known, settings.sample)
    out: list[RerunField] = []
    failed: list[FailedRerun] = []
    for field in chosen:
        job = _season_job(field, by_id)
        if job is None:  # pragma: no cover - chosen from known
            continue
        try:
            prepared = prepare_job(manifest, job, field, settings)
            changed = sensitivity(prepared, finer_cells=(prepared.settings.cell_m or 0.1) >= 0.2)
        except SwathledgerError as error:
            failed.append(FailedRerun(field_id=field.field_id, job=field.first.name, reason=str(error)))
        else:
            out.append(
                RerunField(
                    field_number=field.number,
                    field_id=field.field_id,
                    job=field.first.name,
                    jobs_of_field=len(field.jobs),
                    sensitivity=changed,
                )
            )
        if progress is not None:
            progress(field.field_id)
    return SensitivityDocument(
        manifest=settings.manifest.name,
        sampled_of=len(known),
        fields=tuple(out),
        failed=tuple(failed),
        note=str(words()("study.again.sample")),
    )
