"""``swathledger check``: what a log is worth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import errors, options, progress

if TYPE_CHECKING:
    from swathledger.checkup.checkup import Checkup, Counted
    from swathledger.log.quality import LogReport
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
    if as_json:
        import json

        from swathledger.words import say

        document = report.document(say) | checkup.counted()
        progress.show_json(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        progress.show("\n".join(render(report, units, checkup)))
    return errors.EXIT_OK if report.fit else errors.EXIT_NOT_FIT


def render(report: LogReport, units: UnitSystem, checkup: Checkup | None = None) -> list[str]:
    """Lines for a person."""
    from swathledger.text import duration, printable
    from swathledger.words import say_all
    from swathledger.words.numbers import text

    when = "date unknown" if report.start_utc is None else f"{report.start_utc} to {report.end_utc}"
    kinds = {
        "section": f"{report.states} sections, {report.states_ever_open} of them ever open",
        "nozzle": f"{report.states} nozzles, {report.states_ever_open} of them ever open",
        "work": "one work state for the whole width",
        "none": "none recorded; taken as spraying all the time",
    }
    noise = text("small_length", report.position_noise_m, units)
    if report.position_noise_m is not None:
        noise += " row to row across the track, one sigma: a lower bound"
    rows = [
        ("Log", ", ".join(report.inputs)),
        ("Time", f"{when}; {duration(report.span_s)}"),
        ("Rows", f"{report.used:,} of {report.epochs:,} used"),
        ("Rate", f"{report.rows_per_s:.3g} rows a second (median step {report.median_step_s:.3g} s)"),
        (
            "Gaps",
            f"{report.gaps} longer than {report.gap_threshold_s:.3g} s, {duration(report.gaps_s)} in all; "
            f"spraying lost for {duration(report.gaps_lost_s)}",
        ),
        (
            "Driven",
            f"{text('distance', report.distance_m, units)}, of it spraying "
            f"{text('distance', report.sprayed_distance_m, units)}; {100 * report.spraying_share:.1f} % of the "
            "time",
        ),
        ("States", kinds[report.state_kind]),
        ("Position noise", noise),
    ]
    for name, kind, counted in _counters(checkup):
        if counted is not None:
            rows.append((name, _compared(counted, kind, units)))
    lines = [f"{name + ':':<16}{value}" for name, value in rows]
    understood = [name if name == header else f"{name} = {header!r}" for name, header in report.columns_understood]
    lines += _block("Columns understood", understood)
    lines += _block("Columns ignored", list(report.columns_ignored))
    aside = [
        f"{item.count:,} {item.reason}" + (f", first: {item.example}" if item.example else "")
        for item in report.set_aside
    ]
    lines += _block("Rows set aside", aside)
    told = [] if checkup is None else [item.note for item in checkup.findings if item.weight == "told"]
    lines += _block("Guesses and odd things", say_all((*report.warnings, *told), units))
    lines += _block("What would make it better", say_all(report.better, units))
    lines += [
        "",
        f"Verdict: {report.verdict}",
        *(f"  - {reason}" for reason in say_all((*report.reasons, *report.doubts), units)),
    ]
    return [printable(line) for line in lines]


def _counters(checkup: Checkup | None) -> tuple[tuple[str, str, Counted | None], ...]:
    if checkup is None:
        return ()
    return ("Own counter", "area", checkup.counter_m2), ("Flow meter", "volume", checkup.flow_l)


def _compared(counted: Counted, kind: str, units: UnitSystem) -> str:
    from swathledger.words.numbers import text

    off = counted.difference_pct
    by = "by track, states and width" if kind == "area" else "by rate and ground swept"
    apart = "" if off is None else f" ({off:+.1f} %)"
    step = f"; it counts in steps of {text('small_area', counted.step, units)}" if counted.step > 0 else ""
    return f"{text(kind, counted.recorded, units)}, {text(kind, counted.driven, units)} {by}{apart}{step}"


def _block(title: str, items: list[str]) -> list[str]:
    if not items:
        return [f"{title}: none"]
    return [f"{title}:", *(f"  - {item}" for item in items)]
