"""What a study says in words: a methods paragraph for a paper, remarks on few fields, a citation file."""

from __future__ import annotations

from swathledger._version import __version__
from swathledger.documents.study import StudyDocument
from swathledger.notes import Note
from swathledger.words import words


def methods(document: StudyDocument) -> str:
    """A methods paragraph in Markdown, with the numbers of this study in it."""
    t, settings, agreement = words(), document.settings, document.agreement
    cells = [f"{c:g} m" for c in document.cells_m] or [t("study.method.no_cells")]
    cell = cells[0] if len(cells) == 1 else t("study.range", low=cells[0], high=cells[-1])
    off = ", ".join(f"{v:g}" for v in document.off_when_covered) or t("study.method.not_stated")
    trust = "" if agreement.median_pct is None else t(
        "study.method.trust", median=f"{agreement.median_pct:.1f}", some=agreement.below_level, drives=agreement.jobs
    )  # fmt: skip
    method = document.curve.points[0].method if document.curve.points else "none"
    values = {
        "drives": document.jobs,
        "fields": document.fields,
        "version": __version__,
        "cell": cell,
        "off": off,
        "trust": trust,
        "intervals": t(f"study.method.interval.{method.partition('-')[0]}", level=f"{100 * settings.level:g} %",
                       resamples=settings.resamples, seed=settings.seed),
    }  # fmt: skip
    parts = [t(f"study.method.{part}", **values) for part in ("drive", "inference", "references")]
    return "\n\n".join(["# " + t("study.methods"), *parts, document.caution, ""])


def citation() -> str:
    """Text of a citation file (Citation File Format 1.2.0) for the program that made the study."""
    return (
        "cff-version: 1.2.0\n"
        'message: "If you use these results, please cite the program that made them."\n'
        "type: software\n"
        'title: "swathledger: where each square metre and each litre of a spray drive went"\n'
        f'version: "{__version__}"\n'
        "license: Apache-2.0\n"
        "authors:\n"
        '  - name: "The swathledger authors"\n'
    )


def few_fields(fields: int) -> list[Note]:
    """What so few fields can and cannot say; nothing where there are enough."""
    if fields >= 8:
        return []
    if fields < 3:
        return [Note.of("study.one_field" if fields == 1 else "study.two_fields")]
    return [Note.of("study.few_fields", fields=fields)]
