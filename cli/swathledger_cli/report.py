"""``swathledger report``: pages of results that are there, rendered again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from swathledger_cli import options
from swathledger_cli.progress import reporting, sentence, summary

if TYPE_CHECKING:
    from swathledger.units import UnitSystem


class FormatsParam(options._ParamType):
    """A comma list of html and pdf; gives a tuple of str without repeats."""

    name = "list"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        """Check each word."""
        if isinstance(value, tuple):
            return value
        words = tuple(dict.fromkeys(word.strip().lower() for word in str(value).split(",") if word.strip()))
        wrong = [word for word in words if word not in {"html", "pdf"}]
        if wrong or not words:
            self.fail(f"{wrong[0] if wrong else value!r} is not a format. Use html, pdf or html,pdf", param, ctx)
        return words


@click.command(name="report")
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@options.setting(
    "--format",
    FormatsParam(),
    "LIST",
    "html, pdf or html,pdf. PDF needs the extra 'pdf' (WeasyPrint).",
    name="formats",
    default="html",
)
@options.units_option()
@options.language_option()
@click.option("--overwrite", is_flag=True, help="Replace pages of ours that were changed since they were written, too.")
@options.quiet_option()
def command(
    folder: Path, formats: tuple[str, ...], units: UnitSystem, language: str, overwrite: bool, quiet: bool
) -> None:
    """Render pages again from results, without computing anything again.

    DIR is what audit wrote (report.html), what study wrote (study.html), or what season wrote (season.html of the whole
    and of each client, and report.html of every job). Pages that this program made are replaced, others
    never.
    """
    from swathledger.report.rerender import FORMATS, render_again

    wanted = [name for name in FORMATS if name in formats]
    with reporting("pages", quiet=quiet) as reporter:

        def told(path: Path, done: int, total: int) -> None:
            reporter.total = total
            reporter.step(str(path.name), done - reporter.done)

        pages = render_again(folder, wanted, units, language=language, overwrite=overwrite, told=told)
    what = str(pages[0]) if len(pages) == 1 else sentence("report.pages", n=len(pages), folder=folder)
    summary(sentence(f"report.{units}", what=what), quiet=quiet)
