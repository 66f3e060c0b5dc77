"""``swathledger simulate``: a drive planned from boundaries alone, logged as a real machine would, with its truth."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

import click

from swathledger_cli import options, progress
from swathledger_cli.options import PositiveFloat

if TYPE_CHECKING:
    from swathledger.simulate.run import Simulated

WORDS = ("best", "longest", "contour")
_OPTIONAL_PLUS = click.FloatRange(min=0.0)


class BearingParam(options._ParamType):
    """A direction in degrees, or one of the words."""

    name = "deg|best|longest|contour"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | str:
        """Return a word or degrees from 0 to below 360."""
        word = str(value).strip().lower()
        if word in WORDS:
            return word
        try:
            number = float(word)
        except ValueError:
            self.fail(f"{value!r} is neither degrees nor one of {', '.join(WORDS)}", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a direction", param, ctx)
        return number % 360.0


@click.command(name="simulate")
@click.option(
    "--boundary",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    metavar="B",
    help="Vector file with boundaries and exclusions.",
)
@options.machine_option(required=True)
@options.out_option()
@click.option("--field", "field_id", metavar="ID", help="Which field of the boundary file. Default: every one.")
@options.setting(
    "--bearing",
    BearingParam(),
    "DEG|best|longest|contour",
    "Direction of the passes, degrees clockwise from north; best: least driving and turning; longest: "
    "along the longest side; contour: following the longest side.",
    default="best",
)
@options.setting(
    "--terraces",
    click.Path(exists=True, dir_okay=False, path_type=Path),
    "FILE",
    "Vector file with lines; a field that they cross is worked block by block, each along its own line.",
)
@options.setting(
    "--headland-laps", click.IntRange(1, 20), "N", "Laps round the headland. Default: as many as a turn needs."
)
@options.setting(
    "--turning-radius-m",
    PositiveFloat(),
    "N",
    "Least turning radius. Default: a quarter of the width, a third for trailed booms, at least 6.",
)
@click.option("--skip-passes", is_flag=True, help="Drive every other pass on the way out and the rest on the way back.")
@click.option(
    "--cross",
    type=click.Choice(["auto", "all", "none"]),
    default="auto",
    show_default=True,
    help="Exclusions that may be crossed with the boom shut; auto: long thin ones.",
)
@options.setting("--speed-km-h", PositiveFloat(), "N", "Speed on passes.", default=18.0)
@click.option(
    "--rate-hz",
    type=click.Choice(["0.2", "0.5", "1", "2", "5", "10"]),
    default="1",
    show_default=True,
    help="Rows of the log a second.",
)
@click.option(
    "--control",
    type=click.Choice(["auto", "manual"]),
    default="auto",
    show_default=True,
    help="Section control by covered ground, or the whole boom by hand.",
)
@options.off_when_covered_option()
@options.setting(
    "--guidance-sigma", _OPTIONAL_PLUS, "M", "How far the machine weaves about the planned line (sigma).", default=0.03
)
@options.setting(
    "--gnss-sigma",
    _OPTIONAL_PLUS,
    "M",
    "Error of logged positions, one axis (sigma). Default: the machine file's, else 0.02.",
)
@options.setting(
    "--switch-off-s", float, "S", "How late the operator shuts the master switch; negative: early.", default=0.3
)
@options.setting(
    "--charge-s", _OPTIONAL_PLUS, "S", "Time stood with the boom open before the start, charging it.", default=0.0
)
@options.setting(
    "--stop-s", _OPTIONAL_PLUS, "S", "A stop of this length on the way, during which the log is silent.", default=0.0
)
@click.option("--heading/--no-heading", default=True, show_default=True, help="Whether headings are logged.")
@click.option(
    "--format",
    "log_format",
    type=click.Choice(["csv", "geojson"]),
    default="csv",
    show_default=True,
    help="Format of the log.",
)
@options.units_option()
@click.option("--product", default="herbicide A", show_default=True, metavar="NAME", help="Product named in the log.")
@options.seed_option("The same seed gives the same bytes.", default=1)
@options.overwrite_option()
@options.quiet_option()
@options.json_option()
def command(
    boundary: Path,
    machine: Path,
    out: Path,
    field_id: str | None,
    bearing: float | str,
    terraces: Path | None,
    headland_laps: int | None,
    turning_radius_m: float | None,
    skip_passes: bool,
    cross: str,
    speed_km_h: float,
    rate_hz: str,
    control: str,
    off_when_covered: float | None,
    guidance_sigma: float,
    gnss_sigma: float | None,
    switch_off_s: float,
    charge_s: float,
    stop_s: float,
    heading: bool,
    log_format: str,
    units: str,
    product: str,
    seed: int,
    overwrite: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Make synthetic fields and drives whose truth is known.

    From boundaries alone: plans laps round the headland, passes, turns within the machine's radius, ponds driven round
    and waterways crossed shut, tips tidied, refills; drives the plan with weaving, receiver error, late valves and
    section control; and writes what the machine would have logged. DIR/logs holds the logs, DIR/truth what really
    happened.

    Nothing in a simulated log was sprayed by anybody.
    """
    from swathledger.simulate.drive import DriveSettings
    from swathledger.simulate.motion import Speeds
    from swathledger.simulate.plan import PlanSettings
    from swathledger.simulate.run import RunSettings, simulate
    from swathledger.simulate.write import Dialect
    from swathledger.units import M_S_PER_KM_H

    contour = bearing == "contour"
    if contour and terraces is not None:
        raise click.UsageError("--bearing contour follows one side and --terraces many lines: give one of them.")
    hz = float(rate_hz)
    settings = RunSettings(
        plan=PlanSettings(
            headland_laps=headland_laps,
            bearing="best" if contour else cast("float | Literal['best', 'longest']", bearing),
            skip_passes=skip_passes,
            cross=cast("Literal['auto', 'all', 'none']", cross),
        ),
        drive=DriveSettings(
            speeds=Speeds(pass_m_s=speed_km_h * M_S_PER_KM_H),
            log_hz=hz,
            step_s=0.1 if hz in {2.0, 10.0} else 0.2,
            control=cast("Literal['auto', 'manual']", control),
            off_when_covered=1.0 if off_when_covered is None else off_when_covered,
            guidance_sigma_m=guidance_sigma,
            gnss_sigma_m=gnss_sigma,
            switch_off_s=switch_off_s,
            charge_s=charge_s,
            seed=seed,
        ),
        turning_radius_m=turning_radius_m,
        contour=contour,
        stop_s=stop_s,
        dialect=Dialect(
            format=cast("Literal['csv', 'geojson']", log_format),
            units=cast("Literal['metric', 'us']", units),
            heading=heading,
            product=product,
        ),
    )
    with progress.reporting("fields", quiet=quiet) as report:
        outcomes = simulate(
            boundary,
            machine,
            out,
            field_id=field_id,
            settings=settings,
            terraces=terraces,
            overwrite=overwrite,
            progress=report.step,
        )
    if as_json:
        import json

        progress.show_json(json.dumps(_document(outcomes), indent=2, ensure_ascii=False, allow_nan=False))
    for outcome in outcomes:
        progress.summary("\n".join(_lines(outcome)), quiet=quiet)


def _document(outcomes: list[Simulated]) -> dict[str, Any]:
    from swathledger.words import say_all

    return {
        "schema": "swathledger/simulate/1",
        "fields": [
            {
                "field": o.field_id,
                "log": str(o.log_file),
                "truth": str(o.truth_file),
                "table": str(o.table_file),
                "target_area_m2": o.target_m2,
                "rows": len(o.driven.rows),
                "volume_l": o.driven.volume_l,
                "duration_s": float(o.driven.motion.time_s[-1]),
                "length_m": o.driven.plan.length_m,
                "notes": say_all(o.notes),
                "codes": [note.document() for note in o.notes],
            }
            for o in outcomes
        ],
    }


def _lines(outcome: Simulated) -> list[str]:
    from swathledger.words import say_all

    driven = outcome.driven
    bearing, laps = driven.plan.bearing_deg, driven.plan.headland_laps
    done = progress.sentence(
        "simulate.done",
        field=outcome.field_id,
        area=f"{outcome.target_m2 / 1e4:.2f}",
        laps=progress.sentence("simulate.laps", count=laps),
        way=progress.sentence(
            "simulate.no_passes" if bearing is None else "simulate.passes", bearing=f"{bearing or 0.0:.1f}"
        ),
        km=f"{driven.plan.length_m / 1000:.2f}",
        minutes=f"{driven.motion.time_s[-1] / 60:.0f}",
        litres=f"{driven.volume_l:.0f}",
        rows=len(driven.rows),
        file=outcome.log_file,
    )
    return [done, *(progress.sentence("simulate.note", note=note) for note in say_all(outcome.notes))]
