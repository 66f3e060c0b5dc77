"""``swathledger match``: a folder of logs into the manifest of a season."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swathledger_cli import options
from swathledger_cli.progress import reporting, sentence, show_json, summary

if TYPE_CHECKING:
    from swathledger.season.find.match import Matched

    _ParamType = click.ParamType[Any]
else:
    _ParamType = click.ParamType

_FILE = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
_FOLDER = click.Path(exists=True, file_okay=False, readable=True, path_type=Path)
_MOST_SHOWN = 20


class FolderMachineParam(_ParamType):
    """``M.toml`` or ``FOLDER=M.toml``; gives a pair of paths, the folder None for all folders."""

    name = "machine"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[Path, Path | None]:
        """Return the machine file and the folder it is for."""
        if isinstance(value, tuple):
            return value[0], value[1]
        text = str(value)
        if "=" in text and not Path(text).exists():
            folder, _, machine = text.partition("=")
            return Path(_FILE.convert(machine, param, ctx)), Path(_FOLDER.convert(folder, param, ctx))
        return Path(_FILE.convert(text, param, ctx)), None


@click.command(name="match")
@click.argument("folder", metavar="FOLDER", type=_FOLDER)
@click.option(
    "--boundaries", required=True, type=_FILE, metavar="B", help="Vector file with the boundaries of all fields."
)
@click.option(
    "--machine",
    "machines",
    required=True,
    multiple=True,
    type=FolderMachineParam(),
    metavar="M.toml",
    help="Machine file, for all logs; as FOLDER=M.toml for those of one folder. May be given several times: "
    "a log that no folder claims must tell its machine by the number of its sections.",
)
@options.out_option(file=True)
@click.option("--client", default="", metavar="LABEL", help="Client that all jobs belong to.")
@click.option("--clients-from-folders", is_flag=True, help="Take the names of the folders in FOLDER as clients.")
@options.overwrite_option()
@options.json_option()
@options.quiet_option()
def command(
    folder: Path,
    boundaries: Path,
    machines: tuple[tuple[Path, Path | None], ...],
    out: Path,
    client: str,
    clients_from_folders: bool,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Match a folder of logs with field boundaries and write the manifest of a season.

    Logs are known by their content, whatever their names. A log that spans several fields is split; logs of one field,
    product, day and machine are joined; what belongs to no field is listed with the reason. Read the manifest and
    correct it before running it.
    """
    from swathledger.season.find.match import match, write_manifest

    if out.exists() and not overwrite:
        raise click.UsageError(f"{out} exists already; corrections made in it would be lost. Use --overwrite.")
    with reporting("files", quiet=quiet) as reporter:

        def told(done: int, total: int, name: str) -> None:
            reporter.total = total
            reporter.step(name, done - reporter.done)

        found = match(
            folder, boundaries, machines, out, client=client, clients_from_folders=clients_from_folders, told=told
        )
    write_manifest(found, out, overwrite=overwrite)
    if as_json:
        import json

        show_json(json.dumps(document(found), indent=1, ensure_ascii=False, allow_nan=False))
    for line in lines(found, out):
        summary(line, quiet=quiet)


def document(found: Matched) -> dict[str, object]:
    """What was found, for programs."""
    from swathledger.words import say

    return {
        "logs": found.logs,
        "fields": found.fields,
        "jobs": [
            {
                "id": job.id,
                "field": job.field,
                "client": job.client or None,
                "product": job.product or None,
                "day": None if job.day is None else job.day.isoformat(),
                "logs": [log.file for log in job.logs],
                "machine": job.machine,
            }
            for job in found.jobs
        ],
        "unplaced": [{"file": item.file, "reason": say(item.reason)} for item in found.unplaced],
        "missing": [{"field": item.field, "reason": say(item.reason)} for item in found.missing],
    }


def lines(found: Matched, out: Path) -> list[str]:
    """Lines for a person."""
    from swathledger.words import say

    jobs = len(found.jobs)
    fields = len({job.field for job in found.jobs})
    text = [sentence("match.done", logs=found.logs, jobs=jobs, some=fields, fields=found.fields, manifest=out)]
    text += [f"  {job.id}: {say(remark)}" for job in found.jobs for remark in job.remarks]
    if found.unplaced:
        text.append(sentence("match.unplaced", n=len(found.unplaced)))
        text += [f"  {item.file}: {say(item.reason)}" for item in found.unplaced[:_MOST_SHOWN]]
        if len(found.unplaced) > _MOST_SHOWN:
            text.append(sentence("match.more", n=len(found.unplaced) - _MOST_SHOWN))
    if found.missing:
        text.append(sentence("match.missing", fields=", ".join(item.field for item in found.missing)))
    return text
