"""``season.html``: all fields of a season, or of one client, as one page that links to the reports of its jobs."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from swathledger.grid.causes import CAUSE_ORDER
from swathledger.report.advice import FIRST, action_rows, alarm_words
from swathledger.report.charts import nice_ticks
from swathledger.report.estimated import best_and_interval, estimate_path, estimate_rows
from swathledger.report.numbers import Figures, layout_words
from swathledger.report.read_season_results import StoredSeason, read_season
from swathledger.report.saving import RESOLUTION, step_lines, step_path
from swathledger.report.season_map import ground_of
from swathledger.report.template import page, sheet, told
from swathledger.units import UnitSystem
from swathledger.words import ENGLISH, Words, words

PAGE: Final = "season.html"
MOST_RANKED: Final = 15
MOST_SMALL: Final = 24
_PAPER: Final = (
    ".ranked li{display:block;overflow:hidden}.ranked li>*{display:inline-block;vertical-align:middle}"
    ".ranked .name{width:45mm}"
    ".ranked svg{width:70mm;height:4mm}.ranked .num{width:25mm}"
    ".totals,.small-multiples{display:block}.totals .tile{display:inline-block;width:33mm;margin:0 2mm 2mm 0}"
    ".totals .tile,.small-multiples li{vertical-align:top}"
    ".small-multiples li{display:inline-block;width:41mm;margin:0 3mm 3mm 0}"
    ".small-multiples svg{width:41mm;height:22mm}"
)
"""Layouts that WeasyPrint does well: its grids fail where a page ends in them."""


def main_cause(row: dict[str, Any]) -> str | None:
    """Cause of the most over-applied ground of a job."""
    known = [(row[f"cause_{cause}_m2"], cause) for cause in CAUSE_ORDER if row.get(f"cause_{cause}_m2")]
    return max(known, key=lambda item: item[0])[1] if known else None


def whole_season(figures: Figures, quantity: str) -> dict[str, Markup] | None:
    """Best and interval of a quantity; None where not every job that is done has one."""
    path = estimate_path(figures, quantity)
    if path is None or figures.get(f"{path}/jobs") != figures.get("jobs/done"):
        return None
    return best_and_interval(figures, quantity)


def money_words(figures: Figures, index: int, t: Words) -> Markup:
    """What over-applied product is worth: the best estimate with its interval, else as read, and said."""
    path = f"totals/money/{index}"
    currency = figures.get(f"{path}/currency")
    if figures.get(f"{path}/best") is None:
        return t("season.lead.money_read", money=figures.money(f"{path}/over_applied", currency, 0))
    ends = {end: figures.money(f"{path}/{end}", currency, 0) for end in ("best", "low", "high")}
    return t("season.lead.money_about", **ends)


def season_lead(figures: Figures, t: Words) -> Markup:
    """The season's answer in plain sentences."""
    n, document = figures.number, figures.document
    totals, jobs = document["totals"], document["jobs"]
    if not jobs["done"] or document["means"]["over_application_pct"] is None:
        return t("season.lead.nothing")
    values = {
        "jobs": n("jobs/done", "count"),
        "fields": n("fields/treated", "count"),
        "target": n("totals/target_m2", "area", 1),
        "over_pct": n("means/over_application_pct", "pct"),
        "over_area": n("totals/over_application_m2", "area", 2),
    }
    about = whole_season(figures, "over_application_pct")
    sentences = [t("season.lead.answer", **values) if about is None else t("season.lead.about", **(values | about))]
    litres = whole_season(figures, "over_applied_l")
    if litres is not None:
        sentences.append(t("season.lead.litres_about", applied=n("totals/applied_l", "volume", 0), **litres))
    elif totals["over_applied_l"] is not None:
        sentences.append(
            t(
                "season.lead.litres",
                over=n("totals/over_applied_l", "volume", 0),
                applied=n("totals/applied_l", "volume", 0),
                share=n("means/over_applied_pct_of_litres", "pct", 1),
                jobs=n("totals/jobs_with_volume", "count"),
            )
        )
    amounts = [money_words(figures, i, t) for i in range(len(totals["money"]))]
    if amounts:
        sentences.append(t("season.lead.money", money=Markup(", ").join(amounts)))
    index = max(range(len(totals["cause"])), key=lambda i: float(totals["cause"][i]["area_m2"] or 0))
    if totals["cause"][index]["area_m2"]:
        sentences.append(
            t(
                "season.lead.why",
                share=figures.share(f"totals/cause/{index}/area_m2", "totals/over_application_m2"),
                cause=t(f"cause.lead.{totals['cause'][index]['cause']}"),
            )
        )
    skip = whole_season(figures, "skip_pct")
    sentences.append(
        t("season.lead.missed", pct=n("means/skip_pct", "pct"), area=n("totals/skip_m2", "area", 2))
        if skip is None
        else t("season.lead.missed_about", **skip)
    )
    if totals.get("not_recorded_m2"):
        missing = {"pct": n("means/not_recorded_pct", "pct"), "area": n("totals/not_recorded_m2", "area", 2)}
        sentences.append(t("season.lead.not_recorded", **missing))
    saving = _saving(figures, t)
    return Markup(" ").join([*sentences, *([] if saving is None else [saving])])


def _finest(figures: Figures) -> str | None:
    """Path of the layout that the page leads with: single nozzles, else the most groups; None where none has steps."""
    rows = {row["label"]: i for i, row in enumerate(figures.document["replay"])}
    labels = [label for label, i in rows.items() if step_path(figures, f"replay/{i}", RESOLUTION) is not None]
    counted = max((label for label in labels if label.isdigit()), key=int, default=None)
    label = "nozzle" if "nozzle" in labels else counted
    return None if label is None else f"replay/{rows[label]}"


def _saving(figures: Figures, t: Words) -> Markup | None:
    row = _finest(figures)
    path = None if row is None else step_path(figures, row, RESOLUTION)
    if row is None or path is None or figures.get(f"{path}/saved_l") is None:
        return None
    layout = layout_words(figures.get(f"{row}/label"), t, sentence=True)
    if figures.get(f"{path}/saved_l") <= 0:
        return t("season.lead.resolution_none", layout=layout)
    return t(
        "season.lead.resolution",
        layout=layout,
        saved=figures.number(f"{path}/saved_l", "volume", 0),
        pct=figures.number(f"{path}/saved_pct", "pct", 1),
        jobs=figures.number(f"{row}/jobs_with_volume", "count"),
    )


def _ranking(document: dict[str, Any]) -> tuple[str, str, list[dict[str, Any]]]:
    """Path, kind and rows of the ranking shown first: by litres where known, else by area."""
    by_litres = document["ranking"]["by_litres"]
    if by_litres:
        return "ranking/by_litres", "over_applied_l", by_litres
    return "ranking/by_area", "over_application_m2", document["ranking"]["by_area"]


def _small_multiples(stored: StoredSeason, figures: Figures) -> dict[str, Any]:
    """Curves of over-application against group width, all on the same axes."""
    import math

    by_job: dict[str, list[tuple[float, float]]] = {}
    for row in stored.replay:
        if row["group_width_m"] is not None and row["over_application_pct"] is not None:
            by_job.setdefault(row["job"], []).append((row["group_width_m"], row["over_application_pct"]))
    curves = {job: sorted(points) for job, points in by_job.items() if len(points) > 1}
    done = [row for row in stored.document["rows"] if row["job"] in curves and row["over_application_m2"] is not None]
    done.sort(key=lambda row: (-row["over_application_m2"], row["job"]))
    shown = done[:MOST_SMALL]
    if not shown:
        return {"panels": [], "left_out": 0}
    points = [point for row in shown for point in curves[row["job"]]]
    highest = [*(value for _, value in points), *(row["over_application_pct"] for row in shown)]
    top = nice_ticks(max(highest), 4)[-1]
    low, high = math.log(min(width for width, _ in points)), math.log(max(width for width, _ in points))

    def at(width: float, value: float) -> str:
        return f"{6 + 108 * (math.log(width) - low) / max(high - low, 1e-9):.1f},{62 - 56 * value / top:.1f}"

    unit = figures.symbol("length")
    return {
        "panels": [
            {
                "row": row,
                "points": " ".join(at(*point) for point in curves[row["job"]]),
                "done_y": round(62 - 56 * row["over_application_pct"] / top, 1),
            }
            for row in shown
        ],
        "left_out": len(done) - len(shown),
        "top": f"{top:g} %",
        "widths": f"{figures.face('length', math.exp(low)):.3g} {unit}",
        "widest": f"{figures.face('length', math.exp(high)):.3g} {unit}",
    }


def render_season(
    folder: Path,
    system: UnitSystem = "metric",
    *,
    language: str = ENGLISH,
    static: bool = False,
    place: Path | None = None,
) -> bytes:
    """Make the page of a season's folder; the same tables give the same bytes.

    Parameters
    ----------
    folder : Path
        With ``season.json``: of the whole season or of one client.
    system : {"metric", "us"}
    language : str
        As in :func:`swathledger.words.words`.
    static : bool
        Without a script, for paper.
    place : Path, optional
        Where the folder will be, with those of the jobs; None: where it is.

    Raises
    ------
    InputError
        The folder holds no season.
    """
    stored = read_season(folder, place)
    t = words(language)
    figures = Figures(stored.document, system, t)
    ground = ground_of(stored, system)
    document = stored.document
    path, key, ranked = _ranking(document)
    drawn = ground or {"width": 4.0, "height": 3.0, "bar_pct": 25.0}
    aspect = drawn["width"] / drawn["height"]
    style = sheet(
        "style.css.j2",
        "season.css",
        static=static,
        map=drawn,
        map_width_rem=round(34.0 * aspect, 2),
        print_width_mm=round(min(100.0 * aspect, 170.0), 1),
    ) + (_PAPER if static else "")
    finest = _finest(figures)
    care = {item["job"]: told(t, system, item["codes"], item["reasons"]) for item in document["doubtful"]}
    rows = document["rows"]
    return page(
        "season.html.j2",
        t,
        system,
        style=style,
        script="table.js",
        static=static,
        f=figures,
        n=figures.number,
        d=document,
        lead=season_lead(figures, t),
        about=partial(whole_season, figures),
        alarms=alarm_words(figures, t),
        actions=action_rows(figures, t),
        first=FIRST,
        estimates=estimate_rows(figures, t),
        map=ground,
        links=stored.links,
        main_cause=main_cause,
        care=care,
        rank_path=path,
        rank_key=key,
        ranked=ranked[:MOST_RANKED],
        rank_rest=max(0, len(ranked) - MOST_RANKED),
        causes=sorted(
            (i for i, row in enumerate(document["totals"]["cause"]) if row["area_m2"]),
            key=lambda i: -document["totals"]["cause"][i]["area_m2"],
        ),
        layout=layout_words,
        step_path=step_path,
        step_lines=[] if finest is None else step_lines(figures, finest, (f"{finest}/logged_volume_l", ""), t),
        finest=None if finest is None else layout_words(figures.get(f"{finest}/label"), t, sentence=True),
        small=_small_multiples(stored, figures),
        several=len(document["clients"]) > 1 and document["client"] is None,
        priced=any(row["over_applied_money"] is not None for row in rows),
        measured=any(row["over_applied_l"] is not None for row in rows),
        dated=any(row["day"] is not None for row in rows),
        named=any(row["product"] for row in rows),
        area_unit=figures.symbol("area"),
    )
