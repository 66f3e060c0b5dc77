"""``swathledger demo``: everything, on the invented sample logs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import options
from swathledger_cli.progress import Reporter, reporting, sentence, show, summary

if TYPE_CHECKING:
    from swathledger.documents.ledger import Ledger

MARKER = "demo.json"
"""Names the fields of the demo."""


@dataclass(frozen=True, slots=True)
class SampleJob:
    """One job of the demo: files of the folder of sample logs."""

    field_id: str
    log: str
    machine: str


SAMPLES = (
    SampleJob("long_mile", "long_mile.csv", "machine_36m.toml"),
    SampleJob("kite_tail", "kite_tail.csv", "machine_36m.toml"),
    SampleJob("dogleg", "dogleg.csv", "machine_24m.toml"),
    SampleJob("whaleback", "whaleback.csv", "machine_36m.toml"),
    SampleJob("duckhole", "duckhole.csv", "machine_36m.toml"),
    SampleJob("cartwheel", "cartwheel.geojson", "machine_24m.toml"),
)
BOUNDARIES = "boundaries.geojson"
SEASON_CELL_M = 0.5


def sample_folder() -> Path:
    """The sample logs: those of a checkout, else those that come with the installed package.

    Raises
    ------
    InputError
        They are in neither place.
    """
    import swathledger
    from swathledger.errors import InputError

    package = Path(swathledger.__file__).resolve().parent
    for folder in (package.parent.parent / "sample_logs", package / "sample_logs"):
        if (folder / BOUNDARIES).is_file():
            return folder
    raise InputError("the sample logs are not there.", hint="Install swathledger again, or run it from a checkout.")


def audit_samples(samples: Path, out: Path, reporter: Reporter) -> list[Ledger]:
    """Audit every sample into a folder of its own; returns their ledgers."""
    from swathledger.audit import run_audit
    from swathledger.settings import AuditSettings

    ledgers = []
    for number, sample in enumerate(SAMPLES):

        def told(what: str, share: float, done: int = 100 * number, name: str = sample.field_id) -> None:
            reporter.step(f"{name}: {what}", max(0, done + round(100 * share) - reporter.done))

        ledgers.append(
            run_audit(
                [samples / sample.log],
                samples / sample.machine,
                samples / BOUNDARIES,
                out / sample.field_id,
                AuditSettings(field_id=sample.field_id),
                progress=told,
            )
        )
    return ledgers


def season_of_samples(samples: Path, out: Path, reporter: Reporter) -> list[str]:
    """The same logs as a client's folder is found, shuffled, with files that have no place: matched, run as a season.

    Coarse cells and two layouts only: it shows the way, and the figures of the fields are those above. Returns lines
    for a person.
    """
    from swathledger.season.find.demo import shuffled_folder
    from swathledger.season.find.match import match, write_manifest
    from swathledger.season.manifest.manifest import read_manifest
    from swathledger.season.season import run_season
    from swathledger.words import say

    laid = shuffled_folder(samples, out / "logs as found")
    manifest = out / "season.toml"
    machines = [(path, None) for path in sorted(samples.glob("machine_*.toml"))]
    found = match(laid.folder, samples / BOUNDARIES, machines, manifest, client="Wandoo Bend")
    write_manifest(found, manifest)
    counts = {"jobs": len(found.jobs), "logs": found.logs}
    reporter.say(sentence("demo.matched", **counts, unplaced=len(found.unplaced)))
    given = read_manifest(manifest, overrides={"cell_m": SEASON_CELL_M, "groups": ("boom", "nozzle")})
    season = run_season(given, out / "results", say=reporter.say)
    return [
        sentence("demo.season", cell=f"{SEASON_CELL_M:g}", done=season.document.jobs.done, **counts),
        *(f"  {item.file}: {say(item.reason)}" for item in found.unplaced),
        *(sentence("demo.failed", job=name, reason=reason) for name, reason in season.failed.items()),
    ]


def _number(value: float | None, digits: int, factor: float = 1.0) -> str:
    return "unknown" if value is None else f"{value * factor:,.{digits}f}"


def table(ledgers: list[Ledger], out: Path) -> str:
    """The fields, one a line, with what each lost and where its report is."""
    heads = ("field", "target", "over_application", "skip", "over_applied", "report")
    rows = [tuple(sentence(f"demo.column.{head}") for head in heads)]
    for ledger in ledgers:
        area, volume, name = ledger.area, ledger.volume, ledger.field.id
        rows.append(
            (
                name,
                _number(area.target_m2, 2, 1e-4),
                _number(area.over_application_pct, 2),
                _number(area.skip_pct, 2),
                _number(None if volume is None else volume.over_applied_l, 1),
                str(out / name / "report.html"),
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [text.rjust(width) for text, width in zip(row, widths, strict=True)]
        cells[0], cells[-1] = row[0].ljust(widths[0]), row[-1]
        lines.append("  ".join(cells))
    return "\n".join(lines)


@click.command(name="demo")
@options.out_option()
@options.overwrite_option()
@options.quiet_option()
def command(out: Path, overwrite: bool, quiet: bool) -> None:
    """Run everything on the invented sample logs: six fields, two sprayers.

    Writes a folder for each field into DIR and prints what each lost; then matches the same logs, shuffled into folders
    with names that mean nothing, and runs them as a season in DIR/season. All of the farm is invented.
    """
    import json

    from swathledger.report.folder import new_folder

    with (
        new_folder(out, by="demo", overwrite=overwrite) as folder,
        reporting("demo", 100 * len(SAMPLES), quiet=quiet) as reporter,
    ):
        ledgers = audit_samples(sample_folder(), folder, reporter)
        season = season_of_samples(sample_folder(), folder / "season", reporter)
        listed = {"schema": "swathledger/demo/1", "fields": [ledger.field.id for ledger in ledgers]}
        (folder / MARKER).write_text(json.dumps(listed, indent=1) + "\n", encoding="utf-8")
    show(table(ledgers, out))
    for line in season:
        show(line)
    summary(sentence("demo.caution"), quiet=quiet)
