"""``swathledger season``: every job of a manifest, whatever happens to some of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import errors, options
from swathledger_cli.progress import reporting, sentence, show_json, summary

if TYPE_CHECKING:
    from swathledger.season.run.schedule import Step
    from swathledger.season.season import Season
    from swathledger.units import UnitSystem

_MOST_SHOWN = 30


@click.command(name="season")
@options.paths_argument("manifests", "season.toml...", folders=False)
@options.out_option(
    help_text="Folder to write: a new or empty one, or that of an earlier run of the season, which is gone on with."
)
@options.setting(
    "--jobs",
    click.IntRange(min=1),
    "N",
    "Worker processes. Default: one a core, fewer where memory asks for it.",
    name="workers",
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
    from swathledger.season.manifest.manifest import read_manifest
    from swathledger.season.manifest.merge import merged
    from swathledger.season.season import run_season

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

    key, left = "season.step" if step.left_s is None else "season.step_left", duration(step.left_s)
    return sentence(key, job=step.outcome.id, rate=f"{step.hectares_per_s:.2g}", left=left)


def lines(season: Season, units: UnitSystem) -> list[str]:
    """Lines for a person."""
    from swathledger.words.numbers import text

    def t(key: str, /, **values: object) -> str:
        return sentence(f"season.{key}", **values)

    document, failed = season.document, list(season.failed.items())
    jobs, totals = document.jobs, document.totals
    out = [t("done", done=jobs.done, all=jobs.all, before=len(season.resumed), folder=season.folder)]
    if jobs.done:
        share, litres = document.means.over_application_pct, totals.over_applied_l
        how = "over_unknown" if share is None else "over" if litres is None else "over_litres"
        values = {"area": text("area", totals.target_m2, units), "litres": text("volume", litres, units)}
        out.append(t(how, share=f"{share or 0.0:.2f}", **values))
    if document.doubtful:
        out.append(t("care", jobs=", ".join(item.job for item in document.doubtful)))
    if failed:
        out.append(t("failed", failed=len(failed), all=jobs.all))
        out += [f"  {name}: {reason}" for name, reason in failed[:_MOST_SHOWN]]
    if len(failed) > _MOST_SHOWN:
        out.append(t("failed_more", n=len(failed) - _MOST_SHOWN))
    if document.older:
        out.append(t("older", jobs=", ".join(item.job for item in document.older)))
    if document.unplaced:
        out.append(t("unplaced", n=len(document.unplaced)))
    if document.missing:
        out.append(t("missing", fields=", ".join(item.field for item in document.missing)))
    return out
