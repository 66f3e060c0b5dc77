"""Figures of a study, drawn as SVG; the same document gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from swathledger.documents.study import LayoutDifference, StudyDocument
from swathledger.units import UnitSystem, to_face, unit_symbol
from swathledger.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, OVER, CALM, QUIET = "#1b242c", "#d55e00", "#00497a", "#8a949c"
_STYLE: Any = {  # matplotlib types the keys as one long list of literals
    "svg.hashsalt": "swathledger", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 10.0,
    "axes.spines.top": False, "axes.spines.right": False, "axes.edgecolor": INK, "text.color": INK,
    "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "figure.constrained_layout.use": True,
    "axes.formatter.use_mathtext": False,
}  # fmt: skip


def drawn(width: float, height: float, draw: Callable[[Figure], None]) -> bytes:
    """An SVG of a figure, inches."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width, height))
        draw(figure)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": "swathledger"})
    return out.getvalue()


def _log_widths(axes: Axes, widths: list[float], system: UnitSystem, t: Words) -> None:
    axes.set_xscale("log")
    shown: list[float] = []
    for width in sorted(widths):
        if not shown or width / shown[-1] > 1.25:
            shown.append(width)
    axes.set_xticks(shown, [f"{w:.3g}" for w in shown])
    axes.set_xticks([], minor=True)
    axes.set_xlabel(t("study.axis.width", unit=unit_symbol("length", system)))


def _at(system: UnitSystem, width_m: float) -> float:
    return float(to_face("length", width_m, system))


def _spans(axes: Axes, spans: Iterable[tuple[int, float | None, float | None]], **style: Any) -> None:
    """A level line from low to high for every row that has one."""
    known = [span for span in spans if span[1] is not None]
    if known:
        y, left, right = zip(*known, strict=True)
        axes.hlines(y, left, right, **style)


def curve_figure(document: StudyDocument, system: UnitSystem, t: Words) -> bytes | None:
    """Each field's curve, their mean and its band; None where no field has a curve."""
    curves = [c for c in document.field_curves if len(c.points) >= 2]
    if not curves:
        return None
    points = document.curve.points

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        widths: set[float] = set()
        for number, curve in enumerate(curves):
            x = [_at(system, p.group_width_m) for p in curve.points]
            widths.update(x)
            y = [p.over_application_pct for p in curve.points]
            marker, label = "." if len(curves) < 4 else "", t("study.axis.a_field") if number == 0 else None
            axes.plot(x, y, color=QUIET, lw=0.8, alpha=0.8, marker=marker, zorder=1, label=label)
        if points and len(curves) > 1:
            x = [_at(system, p.group_width_m) for p in points]
            axes.plot(x, [p.mean for p in points], color=OVER, lw=2.4, marker="o", ms=4, label=t("study.axis.mean"))
            bands = (("together_low", "together_high", 0.13, "band"), ("low", "high", 0.25, "interval"))
            for low, high, alpha, word in bands if points[0].low is not None else ():
                ends = [getattr(p, low) for p in points], [getattr(p, high) for p in points]
                axes.fill_between(x, *ends, color=OVER, alpha=alpha, lw=0, label=t("study.axis." + word))
        floors = [c.limit_pct for c in curves if c.limit_pct is not None]
        if floors:
            axes.axhline(float(np.mean(floors)), color=INK, ls=":", lw=1.4, label=t("study.axis.floor"))
        _log_widths(axes, sorted(widths), system, t)
        axes.set_ylabel(t("study.axis.over"))
        axes.set_ylim(bottom=0)
        axes.legend(frameon=False, fontsize=9, loc="upper left")

    return drawn(7.6, 4.4, draw)


def _chosen_pairs(document: StudyDocument, most: int = 14) -> tuple[LayoutDifference, ...]:
    """Differences worth drawing: from what was done, and from the widest layout, to every other."""
    order = document.layouts_compared
    starts = {"as logged", *[name for name in order if name not in {"as logged", "logged"}][:1]}
    chosen = [d for d in document.differences if d.first in starts and d.second != "logged"]
    return tuple(chosen[:most])


def difference_figure(document: StudyDocument, label: Callable[[str], str], t: Words) -> bytes | None:
    """Paired differences with their intervals; None where there are none."""
    chosen = _chosen_pairs(document)
    if not chosen or chosen[0].low is None:
        return None

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        rows = list(enumerate(reversed(chosen)))
        whole, alone = [(k, d.together_low, d.together_high) for k, d in rows], [(k, d.low, d.high) for k, d in rows]
        _spans(axes, whole, color=CALM, lw=1, label=t("study.axis.all_pairs"))
        _spans(axes, alone, color=CALM, lw=4, alpha=0.6, label=t("study.axis.one_pair"))
        means = [d.mean for _, d in rows]
        axes.plot(means, range(len(rows)), "o", color=INK, ms=5, label=t("study.axis.mean_difference"))
        axes.axvline(0.0, color=QUIET, lw=1)
        axes.set_yticks(range(len(chosen)), [f"{label(d.first)} → {label(d.second)}" for d in reversed(chosen)])
        axes.set_xlabel(t("study.axis.spared"))
        axes.legend(frameon=False, fontsize=9, loc="best")

    return drawn(7.6, 1.2 + 0.32 * len(chosen), draw)


def shape_figure(document: StudyDocument, response: str, t: Words) -> bytes | None:
    """One response against every measure of shape that varies, with the fitted line; None where there is none."""
    panels = [(s, s.fit) for s in document.shape if s.response == response and s.fit is not None]
    if not panels:
        return None

    def draw(figure: Figure) -> None:
        columns = min(3, len(panels))
        grid = figure.subplots(-(-len(panels) // columns), columns, squeeze=False, sharey=True)
        for axes in grid.ravel()[len(panels) :]:
            axes.set_visible(False)
        for axes, (panel, fit) in zip(grid.ravel(), panels, strict=False):
            x = np.asarray(panel.x)
            axes.plot(x, panel.y, "o", color=CALM, ms=3.5, alpha=0.75)
            terms = {term.name: term for term in fit.terms}
            ends = np.array([x.min(), x.max()])
            axes.plot(ends, terms["intercept"].estimate + terms[panel.predictor].estimate * ends, color=OVER)
            axes.set_xlabel(panel.predictor_words, fontsize=9)
            r2, rank = f"{fit.r2:.2f}", f"{panel.spearman:+.2f}"
            axes.set_title(t("study.axis.fit", r2=r2, rank=rank), fontsize=9)
        for axes in grid[:, 0]:
            axes.set_ylabel(panels[0][0].response_words, fontsize=9)

    return drawn(8.2, 2.7 * -(-len(panels) // min(3, len(panels))), draw)


def diminishing_figure(document: StudyDocument, system: UnitSystem, t: Words) -> bytes | None:
    """What each halving spares; None where a halving lies nowhere within the layouts."""
    steps = document.diminishing.halvings
    if not steps:
        return None

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        place = np.arange(len(steps))
        axes.bar(place, [s.mean for s in steps], color=OVER, alpha=0.75, width=0.6)
        for k, s in enumerate(steps):
            if s.low is not None and s.high is not None:
                axes.plot([k, k], [s.low, s.high], color=INK, lw=1.6)
        worth = document.diminishing.worth_points
        axes.axhline(worth, color=CALM, ls="--", lw=1.4, label=t("study.axis.worth", points=f"{worth:g}"))
        axes.set_xticks(place, [f"{_at(system, s.from_m):.3g} → {_at(system, s.to_m):.3g}" for s in steps])
        axes.set_xlabel(t("study.axis.halving", unit=unit_symbol("length", system)))
        axes.set_ylabel(t("study.axis.points"))
        axes.legend(frameon=False, fontsize=9)

    return drawn(7.6, 3.2, draw)
