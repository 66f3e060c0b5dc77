"""``swathledger season``: every job of a manifest, whatever happens to some of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import errors, options
from swathledger_cli.progress import reporting, show_json, summary

if TYPE_CHECKING:
    from swathledger.season.runner import Season
    from swathledger.season.schedule import Step
    from swathledger.units import UnitSystem

_MOST_SHOWN = 30


@click.command(name="season")
@click.argument(
    "manifests",
    metavar="season.toml...",
    nargs=-1,
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)
@options.out_option(
    help_text="Folder to write: a new or empty one, or that of an earlier run of the season, which is gone on with."
)
@click.option(
    "--jobs",
    "workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Worker processes. Default: one a core, fewer where memory asks for it.",
)
@click.option(
    "--dask",
    metavar="ADDRESS",
    help="Run on the workers of a Dask scheduler, as in tcp://HOST:8786; they must see the same paths.",
)
@click.option(
    "--resume/--no-resume",
    default=True,
    show_default=True,
    help="Leave jobs alone whose inputs, settings and program version have not changed since they were done.",
)
@click.option(
    "--verify",
    is_flag=True,
    help="Before a job is left alone, compare the bytes of all its files with what was written; otherwise their sizes.",
)
@options.cell_option()
@options.groups_option()
@options.interval_option()
@options.units_option()
@options.json_option()
@options.quiet_option()
def command(
    manifests: tuple[Path, ...],
    out: Path,
    workers: int | None,
    dask: str | None,
    resume: bool,
    verify: bool,
    cell: float | None,
    groups: tuple[str, ...] | None,
    no_interval: bool,
    units: UnitSystem,
    as_json: bool,
    quiet: bool,
) -> int:
    """Audit every job of a manifest that match wrote and you corrected. Several manifests are run as one season.

    Results of a job go to DIR/CLIENT/JOB, tables of the whole season to DIR: fields.parquet and fields.csv,
    replay.parquet, season.gpkg, season.json, and season.html to read; each client's folder has its own. A job that
    fails is told at the end and stops no other. Stop it whenever you like and run it again: it goes on where it was.
    Exit codes: 0 done, 3 done but some jobs failed, 2 nothing could be done.
    """
    from swathledger.season.manifest import read_manifest
    from swathledger.season.merge import merged
    from swathledger.season.runner import run_season

    overrides = {"cell_m": cell, "groups": groups, "units": _told(units), "interval": False if no_interval else None}
    once = {path.resolve(): path for path in manifests}
    given = merged([(path, read_manifest(path, overrides=overrides)) for path in once.values()])
    with reporting("jobs", quiet=quiet) as reporter:

        def told(step: Step) -> None:
            reporter.total = step.total
            reporter.step(_line(step), step.done - reporter.done)
            if step.outcome.kind == "failed":
                reporter.say(f"{step.outcome.id}: {step.outcome.reason}")

        season = run_season(
            given, out, workers=workers, dask=dask, resume=resume, verify=verify, told=told, say=reporter.say
        )
    if as_json:
        from swathledger.documents.document import dump

        show_json(dump(season.document))
    for line in lines(season, units):
        summary(line, quiet=quiet)
    return errors.EXIT_SOME_FAILED if season.failed else 0


def _told(units: UnitSystem) -> UnitSystem | None:
    """Units only where they were asked for: the manifest may name its own."""
    from click.core import ParameterSource

    asked = click.get_current_context().get_parameter_source("units")
    return units if asked is ParameterSource.COMMANDLINE else None


def _line(step: Step) -> str:
    """The last job, the rate, and the time left."""
    from swathledger.text import duration

    left = "" if step.left_s is None else f", {duration(step.left_s)} left"
    return f"{step.outcome.id}, {step.hectares_per_s:.2g} ha/s{left}"


def lines(season: Season, units: UnitSystem) -> list[str]:
    """Lines for a person."""
    from swathledger.words.numbers import text

    document = season.document
    jobs, totals = document.jobs, document.totals
    out = [f"{jobs.done} of {jobs.all} jobs done ({len(season.resumed)} of them before); results in {season.folder}"]
    if jobs.done:
        share = document.means.over_application_pct
        over = "unknown" if share is None else f"{share:.2f} % of {text('area', totals.target_m2, units)} treated"
        litres = totals.over_applied_l
        volume = "" if litres is None else f", {text('volume', litres, units)} of spray"
        out.append(f"Over-application: {over}{volume}")
    if document.doubtful:
        names = ", ".join(item.job for item in document.doubtful)
        out.append(f"To be taken with care, see season.json: {names}")
    if season.failed:
        out.append(f"Failed, {len(season.failed)} of {jobs.all}:")
        out += [f"  {name}: {reason}" for name, reason in list(season.failed.items())[:_MOST_SHOWN]]
        if len(season.failed) > _MOST_SHOWN:
            out.append(f"  and {len(season.failed) - _MOST_SHOWN} more; season.json lists all")
    if document.older:
        names = ", ".join(item.job for item in document.older)
        out.append(f"Of these the last good results stay, older than their inputs and in no total: {names}")
    if document.unplaced:
        out.append(f"Files that the manifest leaves without a place: {len(document.unplaced)}")
    if document.missing:
        out.append(f"Fields without a log: {', '.join(item.field for item in document.missing)}")
    return out
