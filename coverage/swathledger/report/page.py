"""``report.html``: one audited field as one self-contained page."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from markupsafe import Markup

from swathledger.notes import Note
from swathledger.report.advice import FIRST, action_rows, alarm_words
from swathledger.report.charts import replay_chart
from swathledger.report.drive_charts import dose_chart, drive_chart
from swathledger.report.estimated import best_and_interval, estimate_rows
from swathledger.report.layers import layers_of
from swathledger.report.map import map_figure, read_picture, view_box
from swathledger.report.numbers import Figures
from swathledger.report.read_results import Stored, read_results
from swathledger.report.saving import distrust, headline, largest, saving_words
from swathledger.report.template import page, sheet
from swathledger.units import UnitSystem
from swathledger.words import ENGLISH, Words, words
from swathledger.words.numbers import shown

MAP_HEIGHT_REM = 40.0
"""No map is higher than this."""
PRINT_HEIGHT_MM = 110.0
PRINT_WIDTH_MM = 130.0


def lead(figures: Figures, t: Words) -> Markup:
    """The answer in plain sentences, with its uncertainty: best estimates where there are any, else what was read."""
    n = figures.number
    area = figures.get("area")
    if area["over_application_pct"] is None:
        return t("lead.unknown")
    sentences = [_over_applied(figures, t)]
    if area["over_application_m2"] > 0:
        index = max(range(len(figures.get("cause"))), key=lambda i: float(figures.get(f"cause/{i}/area_m2")))
        sentences.append(
            t(
                "lead.why",
                share=figures.share(f"cause/{index}/area_m2", "area/over_application_m2"),
                cause=t(f"cause.lead.{figures.get(f'cause/{index}/cause')}"),
            )
        )
    skip = best_and_interval(figures, "skip_pct")
    sentences.append(
        t("lead.missed", skip_pct=n("area/skip_pct", "pct"), skip_area=n("area/skip_m2", "small_area"))
        if skip is None
        else t("lead.missed_about", **skip)
    )
    if area.get("not_recorded_m2"):
        missing = {"pct": n("area/not_recorded_pct", "pct"), "area": n("area/not_recorded_m2", "small_area")}
        sentences.append(t("lead.not_recorded", **missing))
    if figures.get("volume/standing_l"):
        sentences.append(t("lead.standing", litres=n("volume/standing_l", "volume")))
    saving = headline(figures, t)
    return Markup(" ").join([*sentences, *([saving] if saving is not None else [])])


def _over_applied(figures: Figures, t: Words) -> Markup:
    """How much was over-applied."""
    n = figures.number
    target = n("area/target_m2", "area", 2)
    known = figures.get("volume") is not None
    about = best_and_interval(figures, "over_application_pct")
    if about is not None:
        litres = best_and_interval(figures, "over_applied_l") if known else None
        applied = n("volume/applied_l", "volume", 0)
        told = t("lead.no_litres") if litres is None else t("lead.litres_about", applied=applied, **litres)
        return t("lead.about", target=target, litres=told, **about)
    error = n("area/standard_errors_m2/over_application_m2", "small_area")
    if figures.get("area/over_application_m2") == 0:
        return t("lead.nothing", target=target, error=error)
    values = {
        "target": target,
        "over_pct": n("area/over_application_pct", "pct"),
        "over_area": n("area/over_application_m2", "small_area"),
        "error": error,
    }
    if not known:
        return t("lead.answer_no_litres", **values)
    litres_read = t(
        "lead.litres", over_litres=n("volume/over_applied_l", "volume"), applied=n("volume/applied_l", "volume", 0)
    )
    return t("lead.answer", litres=litres_read, **values)


def _verdict(figures: Figures, t: Words, system: UnitSystem) -> list[str]:
    """Why the figures are not to be used as they are; empty where they are fit, or where that was not looked into."""
    found = figures.get("verdict")
    if found is None or found["fit"] == "fit":
        return []
    return [t.say(Note.from_document(why), system) for why in found["why"]]


def _antenna(figures: Figures, t: Words, system: UnitSystem) -> str | None:
    """That an offset of the antenna was assumed, told beside the figures that hang on it."""
    notes = figures.get("quality/notes") or []
    found = next((note for note in notes if note["code"] == "checkup.antenna_assumed"), None)
    return None if found is None else t.say(Note.from_document(found), system)


def _aside(reason: str, t: Words) -> str:
    """Why rows were set aside; a reason of a later version reads as it is written."""
    try:
        return t("quality.reason." + reason)
    except (KeyError, TypeError):
        return reason.replace("_", " ")


def _drive(stored: Stored, figures: Figures) -> dict[str, str] | None:
    rows = stored.layers["passes"].rows
    if not rows or rows[0]["start_utc"] is None:
        return None
    return {"start": figures.clock(rows[0]["start_utc"]), "end": figures.clock(rows[-1]["end_utc"])}


def render(stored: Stored, system: UnitSystem = "metric", *, language: str = ENGLISH, static: bool = False) -> bytes:
    """Make the page of a folder of results; the same results give the same bytes.

    Parameters
    ----------
    system : {"metric", "us"}
    language : str
        As in :func:`swathledger.words.words`.
    static : bool
        Without a script and with every figure laid out, as paper needs it.
    """
    t = words(language)
    figures = Figures(stored.document, system, t)
    picture = read_picture(stored.folder / "cover.tif", view_box(stored.layers["boundary"].geometry[0]))
    drawn = map_figure(stored, system, picture)
    aspect = drawn["width"] / drawn["height"]
    style = sheet(
        "style.css.j2",
        static=static,
        map=drawn,
        map_width_rem=round(MAP_HEIGHT_REM * aspect, 2),
        print_width_mm=round(min(PRINT_HEIGHT_MM * aspect, PRINT_WIDTH_MM), 1),
    )
    return page(
        "report.html.j2",
        t,
        system,
        style=style,
        script="map.js",
        static=static,
        aside=partial(_aside, t=t),
        f=figures,
        n=figures.number,
        layers=layers_of(stored, picture, t),
        dose=dose_chart(stored, picture),
        drive_chart=drive_chart(stored, system),
        lead=lead(figures, t),
        verdict=_verdict(figures, t, system),
        antenna=_antenna(figures, t, system),
        distrust=distrust(figures, t),
        alarms=alarm_words(figures, t),
        actions=action_rows(figures, t),
        first=FIRST,
        about=partial(best_and_interval, figures),
        estimates=estimate_rows(figures, t),
        clock=figures.clock,
        duration=figures.duration,
        drive=_drive(stored, figures),
        map=drawn,
        map_alt=t("map.alt", classes=", ".join(str(t(f"map.{name}")) for name in drawn["classes"])),
        map_spot=shown("length", drawn["spot_m"], system, 1),
        cause_order=[i for i in largest(figures.get("cause")) if figures.get(f"cause/{i}/area_m2") > 0],
        chart=replay_chart(figures),
        **saving_words(figures, t),
        cell=figures.number("provenance/cell_m", "small_length"),
        tolerance=figures.number("area/tolerance_m", "small_length"),
        span=figures.duration("quality/span_s"),
        standing_time=figures.duration("quality/standing_open_s"),
    )


def render_report(
    folder: Path, system: UnitSystem = "metric", *, language: str = ENGLISH, static: bool = False
) -> bytes:
    """Render the page of a folder that ``swathledger audit`` wrote, without computing anything again.

    Raises
    ------
    InputError
        The folder holds no results.
    """
    return render(read_results(folder), system, language=language, static=static)
