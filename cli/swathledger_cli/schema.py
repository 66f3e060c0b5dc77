"""``swathledger schema``: JSON schemas of the files that users write, and of the results."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click

from swathledger_cli import options, progress


def _machine() -> dict[str, Any]:
    from swathledger.machine.file import schema

    return {"$schema": DIALECT, **schema()}


def _manifest() -> dict[str, Any]:
    from swathledger.season.manifest.spec import ManifestSpec

    return {"$schema": DIALECT, **ManifestSpec.model_json_schema()}


def _result(name: str) -> dict[str, Any]:
    from swathledger.documents.document import Document, json_schema
    from swathledger.documents.ledger import Ledger
    from swathledger.documents.season import SeasonDocument
    from swathledger.documents.study import StudyDocument

    kinds: dict[str, type[Document]] = {"ledger": Ledger, "season": SeasonDocument, "study": StudyDocument}
    return json_schema(kinds[name])


DIALECT = "https://json-schema.org/draft/2020-12/schema"
KINDS: dict[str, Callable[[], dict[str, Any]]] = {
    "machine": _machine,
    "manifest": _manifest,
    **{name: partial(_result, name) for name in ("ledger", "season", "study")},
}


@click.command(name="schema")
@click.argument("kind", type=click.Choice(list(KINDS)))
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="File to write; an existing one is refused unless --overwrite is given. Default: to stdout.",
)
@options.overwrite_option()
def command(kind: str, out: Path | None, overwrite: bool) -> None:
    """Print the JSON schema of a file: a machine or a manifest, as users write them, or a result.

    Editors complete and check TOML by it: name the written file in the first line of yours, as in `#:schema
    machine.schema.json`. Rules that look at more than one key are not in a schema; `check` and `audit` know them.
    """
    import json

    text = json.dumps(KINDS[kind](), indent=2, ensure_ascii=False) + "\n"
    if out is None:
        progress.show_json(text)
        return
    from swathledger.errors import OutputError
    from swathledger.files import write_whole

    if out.exists() and not overwrite:
        raise OutputError(f"{out} is there already. Give --overwrite to replace it, or another name.")
    write_whole(out, text)
    progress.summary(progress.sentence("schema.done", kind=kind, file=out), quiet=False)
