"""``study.html``: a study as one self-contained page of figures and tables; and its figures as files."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

from markupsafe import Markup

from swathledger.errors import InputError
from swathledger.report.study_pictures import (
    curve_figure,
    difference_figure,
    diminishing_figure,
    shape_figure,
    uncertainty_figure,
)
from swathledger.units import QUANTITIES, UnitSystem, to_face

SCHEMA = "swathledger/study/1"
STUDY = "study.json"
_UNKNOWN = "not known"


def number(value: Any, digits: int = 2, *, sign: bool = False) -> str:
    """A number for a table; what is not known says so, and nothing reads "-0"."""
    if value is None:
        return _UNKNOWN
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


def interval(low: Any, high: Any, digits: int = 2) -> str:
    """An interval, or a dash where none is given."""
    return "–" if low is None or high is None else f"{number(low, digits)} to {number(high, digits)}"


def general(value: Any) -> str:
    """A coefficient of any size."""
    return "–" if value is None else f"{float(value):.4g}"


def layout_words(name: str) -> str:
    """A layout in plain words."""
    if name in {"as logged", "logged"}:
        return "as logged" if name == "as logged" else "logged layout, replayed"
    known = {"boom": "whole boom", "nozzle": "single nozzles", "limit": "a valve for every cell"}
    return known.get(name, f"{name} groups" if name.isdigit() else name)


def _lead(document: dict[str, Any], unit: str, system: UnitSystem) -> str:
    """The answer in a sentence or two."""
    points = document["curve"]["points"]
    means = {row["layout"]: row for row in document["layouts"]}
    done = means.get("as logged")
    parts = []
    if done is not None:
        share = interval(done["low"], done["high"])
        extra = "" if share == "–" else f" ({100 * document['settings']['level']:g} % interval {share})"
        of = "On this field" if document["fields"] == 1 else f"On {done['fields']} fields"
        parts.append(f"{of} {number(done['mean'])} % of the target was over-applied as logged{extra}.")
    if points:
        wide, fine = points[-1], points[0]
        parts.append(
            f"Replayed with groups {number(to_face('length', wide['group_width_m'], system), 1)} {unit} wide it would "
            f"have been {number(wide['mean'])} %, with {number(to_face('length', fine['group_width_m'], system), 2)} "
            f"{unit} {number(fine['mean'])} %."
        )
    step = document["diminishing"]
    if step["from_m"] is not None:
        parts.append(
            f"Below {number(to_face('length', step['from_m'], system), 1)} {unit}, halving the group spares less than "
            f"{step['worth_points']:g} percentage points."
        )
    elif step["halvings"]:
        parts.append(f"Every halving replayed still spares {step['worth_points']:g} percentage points or more.")
    return " ".join(parts)


def figures_of(document: dict[str, Any], again: dict[str, Any] | None, system: UnitSystem) -> dict[str, bytes]:
    """Every figure that can be drawn, by name."""
    unit = QUANTITIES["length"].face(system).symbol
    saving = [s["response"] for s in document["shape"] if s["response"].startswith("saving:")]
    response = saving[0] if saving else "over_pct:as logged"
    drawn = {
        "curve": curve_figure(document, system, unit),
        "differences": difference_figure(document, layout_words),
        "shape": shape_figure(document, response),
        "diminishing": diminishing_figure(document, system, unit),
        "uncertainty": None if again is None else uncertainty_figure(again, "over_pct:as logged"),
    }
    return {name: picture for name, picture in drawn.items() if picture is not None}


def render_study(folder: Path, system: UnitSystem = "metric", *, static: bool = False) -> bytes:
    """The page of a study's folder, from ``study.json``, ``uncertainty.json`` and ``methods.md`` in it.

    Raises
    ------
    InputError
        The folder holds no study, or not one of this version.
    """
    try:
        document = json.loads((folder / STUDY).read_text(encoding="utf-8"))
        methods = (folder / "methods.md").read_text(encoding="utf-8")
        rerun = folder / "uncertainty.json"
        again = json.loads(rerun.read_text(encoding="utf-8")) if rerun.is_file() else None
    except (OSError, ValueError) as error:
        raise InputError(f"no study can be read here ({error}).", file=str(folder), hint="Run study again.") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise InputError(f"is not of the schema {SCHEMA}.", file=str(folder / STUDY), hint="Run study again.")
    return render(document, again, methods, system, figures_of(document, again, system), static=static)


def render(document: dict[str, Any], again: dict[str, Any] | None, methods: str, system: UnitSystem,
           pictures: dict[str, bytes], *, static: bool = False) -> bytes:  # fmt: skip
    """The page; the same documents give the same bytes. ``static``: for paper, nothing folded away."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("swathledger.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    unit = QUANTITIES["length"].face(system).symbol
    style = environment.get_template("study.css").render()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    paragraphs = [part for part in methods.split("\n\n") if part and not part.startswith("#")]
    page = environment.get_template("study.html.j2").render(
        d=document, again=again, lead=_lead(document, unit, system), num=number, p=p_value, span=interval, gen=general,
        name=layout_words, unit=unit, area=lambda ha: number(to_face("area", ha * 1e4, system), 1),
        area_unit=QUANTITIES["area"].face(system).symbol,
        width=lambda m: _UNKNOWN if m is None else number(to_face("length", m, system)),
        pictures={k: base64.b64encode(v).decode("ascii") for k, v in pictures.items()}, methods=paragraphs[:-1],
        static=static, style=Markup(style),  # noqa: S704  # our own style sheet
        style_hash=f"sha256-{digest}",
        level=f"{100 * document['settings']['level']:g} %",
    )  # fmt: skip
    return page.lstrip().encode()


def write_page(
    folder: Path, document: dict[str, Any], again: dict[str, Any] | None, methods: str, system: UnitSystem
) -> None:
    """Write ``study.html`` and ``figures/*.svg``."""
    pictures = figures_of(document, again, system)
    if pictures:
        (folder / "figures").mkdir()
    for name, picture in pictures.items():
        (folder / "figures" / f"{name}.svg").write_bytes(picture)
    (folder / "study.html").write_bytes(render(document, again, methods, system, pictures))
