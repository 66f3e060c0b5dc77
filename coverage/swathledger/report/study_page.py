"""``study.html``: a study as one self-contained page of figures and tables; and its figures as files."""

from __future__ import annotations

import base64
from functools import partial
from pathlib import Path
from typing import Any

from swathledger.documents.document import load
from swathledger.documents.study import SensitivityDocument, StudyDocument
from swathledger.errors import InputError
from swathledger.report.estimated import estimate_name
from swathledger.report.numbers import layout_words
from swathledger.report.study_pictures import curve_figure, difference_figure, diminishing_figure, shape_figure
from swathledger.report.template import page, sheet
from swathledger.units import UNKNOWN, UnitSystem, to_face, unit_symbol
from swathledger.words import ENGLISH, Words, words
from swathledger.words.numbers import shown

STUDY = "study.json"


def number(value: Any, digits: int = 2, *, sign: bool = False, unknown: str = UNKNOWN) -> str:
    """A number for a table; what is not known says so, and nothing reads "-0"."""
    if value is None:
        return unknown
    text = f"{float(value):{'+' if sign else ''},.{digits}f}"
    return text if text.strip("+-0.,") else text.lstrip("+-")


def p_value(value: Any) -> str:
    """A p value.

    Examples
    --------
    >>> p_value(0.00004), p_value(0.0312)
    ('< 0.001', '0.031')
    """
    if value is None:
        return "–"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def interval(low: Any, high: Any, digits: int = 2, *, t: Words) -> str:
    """An interval, or a dash where none is given."""
    return "–" if low is None or high is None else t("study.range", low=number(low, digits), high=number(high, digits))


def general(value: Any) -> str:
    """A coefficient of any size."""
    return "–" if value is None else f"{float(value):.4g}"


def study_layout(name: str, t: Words) -> str:
    """A layout of a study in plain words."""
    if name in {"as logged", "logged"}:
        return t(f"study.name.{name.replace(' ', '_')}")
    return layout_words(name, t)


def _lead(document: StudyDocument, t: Words, system: UnitSystem) -> str:
    """The answer in a sentence or two."""

    def width(metres: float, digits: int) -> str:
        return shown("length", metres, system, digits)

    points = document.curve.points
    means = {row.layout: row for row in document.layouts}
    done = means.get("as logged")
    parts = []
    level = f"{100 * document.settings.level:g} %"
    about = next((row for row in document.estimates if row.quantity == "over_application_pct"), None)
    if about is not None and about.fields == document.fields:
        ends = interval(about.low, about.high, t=t)
        few = about.holds == "errors" and about.fields > 1
        told = {"mean": number(about.best), "read": number(about.read), "level": level, "interval": ends}
        parts.append(t("study.lead.best_errors" if few else "study.lead.best", count=about.fields, **told))
    elif done is not None:
        share = interval(done.low, done.high, t=t)
        code = "study.lead.logged" if share == "–" else "study.lead.logged_interval"
        fields = 1 if document.fields == 1 else done.fields
        parts.append(t(code, count=fields, mean=number(done.mean), level=level, interval=share))
    if points:
        wide, fine = points[-1], points[0]
        values = {
            "wide": width(wide.group_width_m, 1),
            "wide_pct": number(wide.mean),
            "fine": width(fine.group_width_m, 2),
            "fine_pct": number(fine.mean),
        }
        parts.append(t("study.lead.replayed", **values))
    step = document.diminishing
    if step.from_m is not None:
        parts.append(t("study.lead.below", width=width(step.from_m, 1), points=f"{step.worth_points:g}"))
    elif step.halvings:
        parts.append(t("study.lead.every", points=f"{step.worth_points:g}"))
    return " ".join(parts)


def figures_of(document: StudyDocument, system: UnitSystem, t: Words) -> dict[str, bytes]:
    """Every figure that can be drawn, by name."""
    saving = [s.response for s in document.shape if s.response.startswith("saving:")]
    response = saving[0] if saving else "over_pct:as logged"
    drawn = {
        "curve": curve_figure(document, system, t),
        "differences": difference_figure(document, partial(study_layout, t=t), t),
        "shape": shape_figure(document, response, t),
        "diminishing": diminishing_figure(document, system, t),
    }
    return {name: picture for name, picture in drawn.items() if picture is not None}


def render_study(
    folder: Path, system: UnitSystem = "metric", *, language: str = ENGLISH, static: bool = False
) -> bytes:
    """The page of a study's folder, from ``study.json``, ``sensitivity.json`` and ``methods.md`` in it.

    Raises
    ------
    InputError
        The folder holds no study, or not one of this version.
    """
    document = load(StudyDocument, folder / STUDY)
    rerun = folder / "sensitivity.json"
    again = load(SensitivityDocument, rerun) if rerun.is_file() else None
    try:
        methods = (folder / "methods.md").read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError(f"no study can be read here ({error}).", file=str(folder), hint="Run study again.") from None
    t = words(language)
    return render(document, again, methods, system, figures_of(document, system, t), t, static=static)


def render(document: StudyDocument, again: SensitivityDocument | None, methods: str, system: UnitSystem,
           pictures: dict[str, bytes], t: Words, *, static: bool = False) -> bytes:  # fmt: skip
    """The page; the same documents give the same bytes. ``static``: for paper, nothing folded away."""
    num = partial(number, unknown=str(t("unknown")))
    paragraphs = [part for part in methods.split("\n\n") if part and not part.startswith("#")]
    return page(
        "study.html.j2",
        t,
        system,
        style=sheet("study.css", static=static),
        static=static,
        d=document,
        again=again,
        lead=_lead(document, t, system),
        num=num,
        p=p_value,
        span=partial(interval, t=t),
        gen=general,
        name=partial(study_layout, t=t),
        figure=partial(estimate_name, t=t),
        unit=unit_symbol("length", system),
        area=lambda ha: number(to_face("area", ha * 1e4, system), 1),
        area_unit=unit_symbol("area", system),
        width=lambda metres: num(None if metres is None else to_face("length", metres, system)),
        pictures={k: base64.b64encode(v).decode("ascii") for k, v in pictures.items()},
        methods=paragraphs[:-1],
        level=f"{100 * document.settings.level:g} %",
    )


def write_page(
    folder: Path, document: StudyDocument, again: SensitivityDocument | None, methods: str, system: UnitSystem
) -> None:
    """Write ``study.html`` and ``figures/*.svg``."""
    t = words()
    pictures = figures_of(document, system, t)
    if pictures:
        (folder / "figures").mkdir()
    for name, picture in pictures.items():
        (folder / "figures" / f"{name}.svg").write_bytes(picture)
    (folder / "study.html").write_bytes(render(document, again, methods, system, pictures, t))
