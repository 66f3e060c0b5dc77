"""``swathledger study``: shutoff resolution across fields, with intervals that mean something."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import options
from swathledger_cli.progress import reporting, sentence, show_json, summary

if TYPE_CHECKING:
    from swathledger.units import UnitSystem


@click.command(name="study")
@options.paths_argument("results", "RESULTS...")
@options.out_option()
@options.seed_option("Seed of every random draw; stored with the results.")
@options.setting("--resamples", click.IntRange(min=199), "N", "Bootstrap samples of fields.", default=4999)
@options.setting(
    "--level", click.FloatRange(0.0, 1.0, min_open=True, max_open=True), "SHARE", "Level of the intervals.", default=0.9
)
@options.setting(
    "--worth",
    click.FloatRange(min=0.0),
    "POINTS",
    "Halving a group is worth it while it spares this much, percentage points of the target.",
    default=0.25,
)
@options.setting(
    "--manifest",
    click.Path(exists=True, dir_okay=False, path_type=Path),
    "season.toml",
    "Manifest of the season: a sample of its drives is run again, to say how much the choices of the method matter.",
)
@options.setting(
    "--sample",
    click.IntRange(min=1),
    "N",
    "With --manifest: fields run again, evenly over their perimeter per area.",
    default=8,
)
@options.setting(
    "--cell", options.PositiveFloat(), "M", "With --manifest: side of a cell, m. Default: that of the results."
)
@options.threads_option()
@options.units_option()
@options.overwrite_option()
@options.json_option()
@options.quiet_option()
def command(
    results: tuple[Path, ...],
    out: Path,
    seed: int,
    resamples: int,
    level: float,
    worth: float,
    manifest: Path | None,
    sample: int,
    cell: float | None,
    threads: int,
    units: UnitSystem,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Study shutoff resolution across fields: curves, paired differences, shape, diminishing return.

    RESULTS are folders that audit or season wrote; every ledger.json below them is read. Fields, not cells or passes,
    are drawn for the intervals. Writes study.html, study.parquet, study.csv with its dictionary, study.json, figures,
    a methods paragraph and a citation file into DIR, and sensitivity.json where drives are run again.
    """
    from swathledger.documents.document import dump
    from swathledger.study.collected import StudySettings
    from swathledger.study.rerun import RerunSettings
    from swathledger.study.run import run_study

    if manifest is None and cell is not None:
        raise click.UsageError("--cell is of drives that are run again: give --manifest season.toml too.")
    again = None
    if manifest is not None:
        again = RerunSettings(manifest=manifest, sample=sample, cell_m=cell, threads=threads)
    settings = StudySettings(seed=seed, resamples=resamples, level=level, worth_points=worth)
    with reporting(sentence("study.again"), None, quiet=quiet) as reporter:
        document = run_study(
            results, out, settings, rerun_settings=again, units=units, overwrite=overwrite, progress=reporter.step
        )
    if as_json:
        show_json(dump(document))
    counts = {"fields": document.fields, "drives": document.jobs, "left": len(document.left_out)}
    summary(sentence("study.done_less" if document.left_out else "study.done", **counts, folder=out), quiet=quiet)
