"""The study from folders of results to a folder of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from swathledger._version import __version__
from swathledger.documents.document import NoteCode, dump, rounded, taken
from swathledger.documents.study import LeftOut, Spread, StudyAgreement, StudyChoices, StudyDocument
from swathledger.notes import Measure, Note
from swathledger.study.collect import fields_of, read_ledgers
from swathledger.study.collected import StudyField, StudyJob, StudySettings
from swathledger.study.estimates import study_estimates
from swathledger.study.resolution import (
    common_layouts,
    differences,
    diminishing,
    field_curves,
    layout_means,
    mean_curve,
)
from swathledger.study.savings import savings
from swathledger.study.shape import by_machine, joint_regressions, shape_classes, shape_effects, width_regression
from swathledger.study.words import citation, few_fields, methods
from swathledger.words import say_all, words

if TYPE_CHECKING:
    from swathledger.study.rerun import RerunSettings

MARKER = "study.json"
DIGITS = 10
"""Significant digits written: the last bits' noise changes no byte."""


def _notes(fields: Sequence[StudyField], jobs: Sequence[StudyJob]) -> list[Note]:
    """What a reader must know before the numbers."""
    out = few_fields(len(fields))
    several = sum(len(field.jobs) > 1 for field in fields)
    if several:
        out.append(Note.of("study.several_drives", count=several))
    if not any(len(field.curve) >= 2 for field in fields):
        out.append(Note.of("study.no_curve"))
    low = sum(job.trusted is False for job in jobs)
    if low:
        out.append(Note.of("study.model_does_not_match", some=low, drives=len(jobs)))
    machines = {job.machine for job in jobs}
    widths = sorted({round(job.boom_width_m, 2) for job in jobs if job.boom_width_m is not None})
    if len(machines) > 1 and len(widths) > 1:
        booms = tuple(Measure(width, "length") for width in widths)
        out.append(Note.of("study.machines_and_booms", machines=len(machines), booms=booms))
    elif len(machines) > 1:
        out.append(Note.of("study.machines", machines=len(machines)))
    for code, values in (
        ("study.cells_differ", {job.cell_m for job in jobs}),
        ("study.revisit_differs", {job.revisit_s for job in jobs}),
        ("study.off_differs", {job.off_when_covered for job in jobs}),
    ):  # fmt: skip
        if len(values) > 1:
            known = sorted(value for value in values if value is not None)
            unknown = (Measure(None, "ratio"),) if None in values else ()
            out.append(Note.of(code, values=(*(Measure(value, "ratio") for value in known), *unknown)))
    derived = sum(job.boundary == "derived" for job in jobs)
    if derived:
        out.append(Note.of("study.boundaries_derived", some=derived, drives=len(jobs)))
    return out


def _spread(values: Sequence[float]) -> Spread:
    if not values:
        return Spread(least=None, median=None, most=None)
    return Spread(least=min(values), median=float(np.median(values)), most=max(values))


def study_document(
    fields: Sequence[StudyField], jobs: Sequence[StudyJob], left: Sequence[LeftOut], settings: StudySettings
) -> StudyDocument:
    """All results."""
    agreement = [job.agreement_pct for job in jobs if job.agreement_pct is not None]

    def used(values: list[float | None]) -> tuple[float, ...]:
        return tuple(sorted({v for v in values if v is not None}))

    notes = _notes(fields, jobs)
    document = StudyDocument(
        version=__version__,
        settings=taken(StudyChoices, settings),
        fields=len(fields),
        jobs=len(jobs),
        target_ha=sum(job.target_area_m2 for job in jobs) / 1e4,
        left_out=tuple(left),
        notes=tuple(say_all(notes)),
        note_codes=tuple(NoteCode.of(note) for note in notes),
        cells_m=used([job.cell_m for job in jobs]),
        revisit_s=used([job.revisit_s for job in jobs]),
        off_when_covered=used([job.off_when_covered for job in jobs]),
        agreement=StudyAgreement(
            jobs=len(agreement),
            median_pct=float(np.median(agreement)) if agreement else None,
            below_level=sum(job.trusted is False for job in jobs),
        ),
        off_rate_pct=_spread(used([job.off_rate_pct for job in jobs])),
        estimates=study_estimates(fields, settings),
        jobs_without_estimates=sum(not job.estimate for job in jobs),
        layouts_compared=common_layouts(fields),
        layouts=layout_means(fields, settings),
        curve=mean_curve(fields, settings),
        field_curves=field_curves(fields),
        savings=savings(jobs),
        differences=differences(fields, settings),
        diminishing=diminishing(fields, settings),
        shape=shape_effects(fields, settings),
        shape_joint=joint_regressions(fields, settings),
        shape_classes=shape_classes(fields),
        width_regression=width_regression(fields, settings),
        machines=by_machine(fields),
        caution=str(words()("caution.short")),
    )
    return rounded(document, DIGITS, 0.0)


def run_study(
    results: Sequence[Path],
    out: Path,
    settings: StudySettings | None = None,
    *,
    rerun_settings: RerunSettings | None = None,
    units: Literal["metric", "us"] = "metric",
    overwrite: bool = False,
    progress: Callable[[str], None] | None = None,
) -> StudyDocument:
    """Study the ledgers below ``results`` and write a folder that appears whole or not at all.

    Parameters
    ----------
    results : sequence of Path
        Folders of `audit` or `season`, or ledger files.
    out : Path
        Gets ``study.json``, ``study.parquet``, ``study.csv``, ``study_dictionary.csv``, ``study.html``,
        ``methods.md``, ``CITATION.cff``, ``figures/*.svg`` and, where drives were run again, ``sensitivity.json``.
    rerun_settings : RerunSettings, optional
        None: nothing is run again.
    units : {"metric", "us"}
        Of the page; tables and JSON stay SI.

    Returns
    -------
    StudyDocument
        As ``study.json`` holds it.

    Raises
    ------
    InputError
        No ledger can be used.
    OutputError
        ``out`` may not be replaced or cannot be written.
    """
    from swathledger.report.folder import new_folder
    from swathledger.report.study_page import write_page
    from swathledger.study.tidy import write_tidy_tables

    chosen = StudySettings() if settings is None else settings
    given = [*results, *([rerun_settings.manifest] if rerun_settings is not None else [])]
    with new_folder(out, by="study", overwrite=overwrite, inputs=given) as folder:
        jobs, left = read_ledgers(results)
        fields = fields_of(jobs)
        document = study_document(fields, jobs, left, chosen)
        again = None
        if rerun_settings is not None:
            from swathledger.study.rerun import rerun

            again = rounded(rerun(fields, rerun_settings, progress=progress), DIGITS, 0.0)
            (folder / "sensitivity.json").write_bytes(dump(again))
        write_tidy_tables(fields, folder)
        told = methods(document)
        (folder / "methods.md").write_text(told, encoding="utf-8")
        (folder / "CITATION.cff").write_text(citation(), encoding="utf-8")
        write_page(folder, document, again, told, units)
        (folder / MARKER).write_bytes(dump(document))
    return document
