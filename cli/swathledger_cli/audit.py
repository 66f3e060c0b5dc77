"""``swathledger audit``: where each square metre and each litre of one field went."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from swathledger_cli import errors, options
from swathledger_cli.progress import reporting, sentence, show_json, summary

if TYPE_CHECKING:
    from swathledger.documents.ledger import Ledger
    from swathledger.units import UnitSystem


@click.command(name="audit")
@options.logs_argument()
@options.boundary_option(required=True)
@options.machine_option(required=True)
@options.out_option()
@options.cell_option()
@options.groups_option()
@options.off_when_covered_option()
@options.setting(
    "--bridge",
    click.FloatRange(min=0, min_open=True),
    "SECONDS",
    "Bridge gaps of the log up to this long where the machine can have driven straight with spraying on at both "
    "ends, and mark it as assumed. Default: ground under them is told as not recorded.",
    name="bridge_s",
)
@options.units_option()
@options.field_option()
@click.option(
    "--product",
    metavar="TEXT",
    help="What was in the tank where the log names no product; several are "
    "joined by +. Default: all products of the machine file.",
)
@click.option(
    "--as-one-job",
    is_flag=True,
    help="Take spraying after a pause of hours, or with another product, as the same job. Otherwise such logs are "
    "refused: ground that two jobs treated would count as overlap.",
)
@options.interval_option()
@options.threads_option()
@options.overwrite_option()
@options.json_option()
@options.quiet_option()
def command(
    logs: tuple[Path, ...],
    boundary: Path | Literal["derive"],
    machine: Path,
    out: Path,
    cell: float | None,
    groups: tuple[str, ...] | None,
    off_when_covered: float | None,
    bridge_s: float | None,
    units: UnitSystem,
    field_id: str | None,
    product: str | None,
    as_one_job: bool,
    no_interval: bool,
    threads: int,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Account for one field: where each square metre and each litre went, and what finer shutoff would have saved.

    Several LOGs are taken as one job on one field and joined in order of time. Writes ledger.json, ledger.csv,
    cover.tif, ledger.gpkg and report.html into DIR. Exit codes: 0 done, 1 done but the log is unfit (the results say
    why), 2 not readable or a bad call.
    """
    from swathledger.audit import run_audit
    from swathledger.settings import AuditSettings

    settings = AuditSettings(
        cell_m=cell,
        groups=groups,
        off_when_covered=off_when_covered,
        bridge_s=bridge_s,
        units=units,
        field_id=field_id,
        product=product,
        threads=threads,
        interval=not no_interval,
    )
    with reporting("audit", 100, quiet=quiet) as reporter:

        def told(what: str, share: float) -> None:
            done = round(100 * share)
            if done > reporter.done:
                reporter.step(what, done - reporter.done)

        ledger = run_audit(
            logs, machine, boundary, out, settings, overwrite=overwrite, as_one_job=as_one_job, progress=told
        )
    if as_json:
        from swathledger.documents.document import dump

        show_json(dump(ledger))
    summary(_sentence(ledger, out), quiet=quiet)
    return errors.EXIT_NOT_FIT if ledger.verdict is not None and ledger.verdict.fit == "unfit" else errors.EXIT_OK


def _sentence(ledger: Ledger, out: Path) -> str:
    share = ledger.area.over_application_pct
    left = None if ledger.balance is None else ledger.balance.unexplained_pct
    fit = None if ledger.verdict is None else ledger.verdict.fit
    warning = sentence(f"audit.{fit}") if fit in {"doubtful", "unfit"} else ""
    return warning + sentence(
        "audit.done" if left is None else "audit.done_litres",
        field=ledger.field.id,
        share=sentence("unknown") if share is None else f"{share:.2f} %",
        left=f"{left or 0.0:+.2f}",
        folder=out,
    )
