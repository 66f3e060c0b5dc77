"""``swathledger check``: what a log is worth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import errors, options, progress

if TYPE_CHECKING:
    from swathledger.checkup.checkup import Checkup, Counted
    from swathledger.log.quality import LogReport
    from swathledger.notes import Note
    from swathledger.units import UnitSystem


@click.command(name="check")
@options.logs_argument()
@options.machine_option(required=False)
@options.units_option()
@options.json_option()
def command(logs: tuple[Path, ...], machine: Path | None, units: UnitSystem, as_json: bool) -> int:
    """Say whether a log is fit to use and how to better it.

    Several LOGs are taken as one drive and joined in order of time. Columns of other names are mapped in the machine
    file's [columns] table. Exit codes: 0 fit, 1 doubtful or unfit, 2 not readable or a bad call.
    """
    from swathledger.checkup.examine import examine
    from swathledger.log.read import read_log

    sprayer = None
    if machine is not None:
        from swathledger.machine.read import read_machine

        sprayer = read_machine(machine)
    log = read_log(
        logs,
        columns=None if sprayer is None else sprayer.columns,
        options=None if sprayer is None else sprayer.log_options.given(),
        sections=None if sprayer is None else len(sprayer.boom.sections),
        nozzles=None if sprayer is None else sprayer.boom.nozzle_count,
        section_widths_m=None if sprayer is None else sprayer.boom.section_widths_m,
    )
    checkup = examine(log, sprayer)
    report = checkup.report
    setup: tuple[Note, ...] = ()
    if sprayer is not None and report.verdict != "unfit":
        from swathledger.fitted.unbounded import told_of_log

        setup = told_of_log(checkup.log, sprayer)
    if as_json:
        import json

        from swathledger.words import say

        document = report.document(say) | checkup.counted()
        document["setup"] = [say(note, units) for note in setup]
        progress.show_json(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        progress.show("\n".join(render(report, units, checkup, setup)))
    return errors.EXIT_OK if report.fit else errors.EXIT_NOT_FIT


def t(key: str, /, **values: object) -> str:
    """A sentence of the table ``check`` of the words."""
    from swathledger.words import words

    return words().line(f"check.{key}", **values)


def render(
    report: LogReport, units: UnitSystem, checkup: Checkup | None = None, setup: tuple[Note, ...] = ()
) -> list[str]:
    """Lines for a person."""
    from swathledger.text import duration, printable
    from swathledger.words import say_all
    from swathledger.words.numbers import text

    noise = text("small_length", report.position_noise_m, units)
    rows = {
        "log": ", ".join(report.inputs),
        "time": t(
            "when_unknown" if report.start_utc is None else "when",
            start=report.start_utc, end=report.end_utc, span=duration(report.span_s),
        ),
        "rows": t("used", used=f"{report.used:,}", rows=f"{report.epochs:,}"),
        "rate": t("a_second", rows=f"{report.rows_per_s:.3g}", step=f"{report.median_step_s:.3g}"),
        "gaps": t(
            "longer", n=report.gaps, limit=f"{report.gap_threshold_s:.3g}", time=duration(report.gaps_s),
            lost=duration(report.gaps_lost_s),
        ),
        "driven": t(
            "driven", all=text("distance", report.distance_m, units),
            sprayed=text("distance", report.sprayed_distance_m, units), share=f"{100 * report.spraying_share:.1f}",
        ),
        "states": t(f"state.{report.state_kind}", n=report.states, open=report.states_ever_open),
        "noise": noise if report.position_noise_m is None else t("noise", noise=noise),
    }  # fmt: skip
    counters = {} if checkup is None else {"counter": checkup.counter_m2, "meter": checkup.flow_l}
    rows |= {name: _compared(name, counted, units) for name, counted in counters.items() if counted is not None}
    lines = [f"{t('row.' + name) + ':':<16}{value}" for name, value in rows.items()]
    aside = [
        t("aside_example" if item.example else "aside", n=f"{item.count:,}", reason=item.reason, example=item.example)
        for item in report.set_aside
    ]
    told = [] if checkup is None else [item.note for item in checkup.findings if item.weight == "told"]
    blocks = {
        "understood": [name if name == head else f"{name} = {head!r}" for name, head in report.columns_understood],
        "ignored": list(report.columns_ignored),
        "set_aside": aside,
        "odd": say_all((*report.warnings, *told), units),
        "better": say_all(report.better, units),
        "setup": say_all(setup, units),
    }
    if not setup:
        del blocks["setup"]
    for name, items in blocks.items():
        title = t("block." + name)
        lines += [t("none", title=title)] if not items else [f"{title}:", *(f"  - {item}" for item in items)]
    reasons = say_all((*report.reasons, *report.doubts), units)
    lines += ["", t("verdict", verdict=report.verdict), *(f"  - {reason}" for reason in reasons)]
    return [printable(line) for line in lines]


def _compared(name: str, counted: Counted, units: UnitSystem) -> str:
    from swathledger.words.numbers import text

    kind = {"counter": "area", "meter": "volume"}[name]
    return t(
        f"compared.{name}",
        recorded=text(kind, counted.recorded, units),
        driven=text(kind, counted.driven, units),
        apart="" if counted.difference_pct is None else f" ({counted.difference_pct:+.1f} %)",
        step=t("compared.step", step=text("small_area", counted.step, units)) if counted.step > 0 else "",
    )
