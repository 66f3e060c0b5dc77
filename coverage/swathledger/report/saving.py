"""The saving of finer shutoff as a page tells it: resolution first, in steps that add up, and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from typing import Any

from markupsafe import Markup

from swathledger.report.estimated import best_and_interval
from swathledger.report.numbers import Figures, layout_words
from swathledger.units import from_face, to_face
from swathledger.words import Words
from swathledger.words.numbers import face_of, shown

RESOLUTION = "resolution"
DONE = ("model/as_logged/volume_l", "model/as_logged/applied_m2")
"""What was really laid, litres and square metres, on the cells of the replay."""


@dataclass(frozen=True, slots=True)
class StepLine:
    """One line of the way from what was done to the floor.

    Attributes
    ----------
    name : str
        A step; or a level: ``done``, ``layout`` or ``floor_left``, what is left after the steps above it.
    sign : str
        Of a step: minus where it spares, plus where it costs; empty for a level.
    number : Markup
        As shown the numbers add up to the last digit.
    x, width : float or None
        Bar of a step, per cent of the drawing, from the lowest level on the left to the highest on the right.
    """

    name: str
    words: str
    sign: str
    number: Markup
    x: float | None = None
    width: float | None = None


def step_path(figures: Figures, row: str, step: str) -> str | None:
    """Path of a step of a replayed layout; None where it has none."""
    steps = figures.get(f"{row}/steps") or []
    return next((f"{row}/steps/{k}" for k, line in enumerate(steps) if line["step"] == step), None)


def claimed(figures: Figures) -> int | None:
    """Index of the layout whose resolution the page leads with: the finest that is not the floor."""
    label = figures.get("model/claimed_by")
    rows = figures.get("replay") or []
    return next((i for i, row in enumerate(rows) if label is not None and row["label"] == label), None)


def step_lines(figures: Figures, row: str, done: tuple[str, str], t: Words) -> list[StepLine]:
    """Lines of a replayed layout; none where its steps are not known.

    Levels are rounded as they are shown, and a step is the difference of the two beside it: so the lines add up, and
    none is off by more than one in its last digit.

    Parameters
    ----------
    row : str
        Path of the layout.
    done : tuple of (str, str)
        Paths of litres and square metres that were really laid.
    """
    steps: list[dict[str, Any]] = figures.get(f"{row}/steps") or []
    by_litres = figures.get(done[0]) is not None and all(line["saved_l"] is not None for line in steps)
    base, saved, kind = (done[0], "saved_l", "volume") if by_litres else (done[1], "saved_m2", "small_area")
    start = figures.get(base)
    if not steps or start is None:
        return []
    levels = list(accumulate((line[saved] for line in steps), lambda level, spared: level - spared, initial=start))
    digits = face_of(kind, start, figures.system).digits
    rounded = [round(to_face(kind, level, figures.system), digits) for level in levels]
    low, span = min(levels), max(max(levels) - min(levels), 1e-9)
    layout = layout_words(figures.get(f"{row}/label"), t, sentence=True)
    paths = [f"{row}/steps/{k}/{saved}" for k in range(len(steps))]

    def number(key: str, value: float, face: float) -> Markup:
        words = shown(kind, from_face(kind, face, figures.system), figures.system, digits)
        return figures.element(key, f"line:{kind}", value, words)

    def level(name: str, at: int) -> StepLine:
        key = " less ".join([base, *paths[:at]])
        return StepLine(name, t(f"saving.level.{name}", layout=layout), "", number(key, levels[at], rounded[at]))

    lines = [level("done", 0)]
    for k, line in enumerate(steps):
        spared = rounded[k] - rounded[k + 1]
        left, right = sorted(levels[k : k + 2])
        lines.append(
            StepLine(
                line["step"],
                t(f"saving.step.{line['step']}", layout=layout),
                "−" if spared >= 0 else "+",
                number(paths[k], line[saved], abs(spared)),
                round(100.0 * (left - low) / span, 2),
                round(100.0 * (right - left) / span, 2),
            )
        )
        if line["step"] == RESOLUTION:
            lines.append(level("layout", k + 1))
    return [*lines, level("floor_left", len(steps))] if steps[-1]["step"] == "floor" else lines


def headline(figures: Figures, t: Words) -> Markup | None:
    """What narrower groups alone would save, under one model and one set of valves; None without a replay."""
    index = claimed(figures)
    path = None if index is None else step_path(figures, f"replay/{index}", RESOLUTION)
    if index is None or path is None:
        return None
    layout = layout_words(figures.get(f"replay/{index}/label"), t, sentence=True)
    pct = figures.get(f"{path}/saved_pct")
    if pct is None or pct <= 0:
        return t("lead.resolution_none", layout=layout)
    share = figures.number(f"{path}/saved_pct", "pct", 1)
    about = best_and_interval(figures, f"saved_pct:{figures.get(f'replay/{index}/label')}")
    if about is not None:
        share = t("lead.range", **about)
    if figures.get(f"{path}/saved_l") is None:
        return t("lead.resolution_area", layout=layout, pct=share)
    actions = figures.get("action") or []
    advised = next((f"action/{i}" for i, row in enumerate(actions) if row["action"] == "finer_groups"), None)
    told = path if about is None or advised is None else advised  # litres of the best estimate, where there is one
    saved = figures.number(f"{told}/saved_l", "volume")
    if figures.get(f"{told}/saved_money") is not None:
        saved = t("lead.and_money", litres=saved, money=figures.number(f"{told}/saved_money", "money"))
    return t("lead.resolution", layout=layout, saved=saved, pct=share)


def distrust(figures: Figures, t: Words) -> Markup | None:
    """The warning where the model is farther from the log than the saving that it is asked for."""
    model = figures.get("model")
    if not model or model["trusted"] is not False:
        return None
    return t("saving.distrust", **_against(figures))


def _against(figures: Figures) -> dict[str, Any]:
    """The model's own error and the saving claimed, in litres where known, else on the ground."""
    litres = figures.get("model/over_applied_difference_l") is not None and figures.get("model/claimed_l") is not None
    off, claim, kind = (
        ("model/over_applied_difference_l", "model/claimed_l", "volume")
        if litres
        else ("model/over_application_difference_m2", "model/claimed_m2", "small_area")
    )
    return {"off": figures.number(off, kind), "claimed": figures.number(claim, kind)}


def saving_words(figures: Figures, t: Words) -> dict[str, Any]:
    """What the section on the replay is filled in with; empty without a replay."""
    replay, model = figures.get("replay"), figures.get("model")
    if not replay or not model:
        return {}
    index = claimed(figures)
    rows = [
        {
            "path": f"replay/{i}",
            "words": layout_words(row["label"], t),
            "resolution": step_path(figures, f"replay/{i}", RESOLUTION),
            "doubt": row["closed_form_doubt"],
        }
        for i, row in enumerate(replay)
    ]
    off = figures.get("provenance/settings/off_when_covered")
    spared = model["spared_by_cause"]
    by = next((row for row in replay if row["label"] == model["spared_by"]), None)
    agreement = model["section_seconds_agreement_pct"]
    return {
        "replay_note": t("replay.note", off=shown("pct", None if off is None else 100.0 * off, figures.system, 0)),
        "layouts": rows,
        "claimed": None if index is None else layout_words(replay[index]["label"], t, sentence=True),
        "step_lines": [] if index is None else step_lines(figures, f"replay/{index}", DONE, t),
        "doubts": [(row["words"], t(f"saving.doubt.{row['doubt']}")) for row in rows if row["doubt"]],
        "trust": None if model["claimed_m2"] is None else t("saving.trust", **_against(figures)),
        "agreement": None
        if agreement is None
        else t("saving.agreement", agreement=figures.number("model/section_seconds_agreement_pct", "pct", 1)),
        "spared_total": sum(row["area_m2"] for row in spared),
        "spared_order": [i for i in largest(spared) if spared[i]["area_m2"] > 0],
        "spared_by": model["spared_by"] if by is None else layout_words(by["label"], t, sentence=True),
    }


def largest(rows: list[dict[str, Any]]) -> list[int]:
    """Indices of rows by area, largest first."""
    return sorted(range(len(rows)), key=lambda i: (-rows[i]["area_m2"], i))
