"""The command group. Nothing heavy is imported here: ``swathledger --help`` answers from the table below."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

import click

from swathledger._version import __version__
from swathledger_cli import errors

COMMANDS: dict[str, str] = {
    "check": "Say whether a log is fit to use and how to better it.",
    "audit": "Account for one field: where each litre went.",
    "match": "Match a folder of logs with field boundaries into a manifest.",
    "season": "Audit every field of a manifest; carry on past failures.",
    "report": "Render the pages of results again: other units, PDF.",
    "study": "Compare shutoff resolutions across the fields of a season.",
    "payback": "Work out when a finer shutoff would pay for itself.",
    "prime": "Work out line volume, priming and rinsing of a machine.",
    "simulate": "Make synthetic fields and drives whose truth is known.",
    "schema": "Print the JSON schema of a machine or manifest file.",
    "demo": "Run everything on the invented sample logs.",
}
"""Every command in the order of the work, with its line in the list; each is `command` in the module of its name."""


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands, in the table's order."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command, or None where there is no such command."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"swathledger_cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; an unknown one is told with the names nearest to it."""
        if args and not args[0].startswith("-") and args[0] not in self.list_commands(ctx):
            import difflib

            near = difflib.get_close_matches(args[0], self.list_commands(ctx), n=1, cutoff=0.6)
            hint = f"Did you mean {near[0]!r}?" if near else f"Commands: {', '.join(self.list_commands(ctx))}."
            ctx.fail(f"No such command {args[0]!r}. {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table, without importing them."""
        rows = [(name, COMMANDS[name]) for name in self.list_commands(ctx)]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the command line; on its own, end the process with one of the exit codes of `swathledger_cli.errors`."""

        def call() -> object:
            return super(LazyGroup, self).main(
                args, prog_name=prog_name, complete_var=complete_var, standalone_mode=False, **extra
            )

        if not standalone_mode:
            return call()
        errors.open_streams()
        errors.hear_warnings()
        sys.exit(errors.run(call))


@click.command(
    name="swathledger",
    cls=LazyGroup,
    invoke_without_command=True,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="The product label and local law come first. This is neither a legal spray record nor a substitute for a "
    "licensed adviser.",
)
@click.option("--version", "show_version", is_flag=True, help="Print the version and stop; with -v, all that matters.")
@click.option("-v", "verbose", is_flag=True, help="With --version: also versions and data paths of the libraries.")
@click.pass_context
def cli(ctx: click.Context, show_version: bool, verbose: bool) -> None:
    """Account for a spray drive from its log: where each square metre and each litre went.

    Progress goes to stderr, results to files. Exit codes: 0 done, 1 the answer is no, 2 the call or its input cannot
    be used.
    """
    if show_version:
        click.echo(f"swathledger {__version__}")
        if verbose:
            from swathledger.versions import report

            click.echo("\n".join(report()))
        ctx.exit(0)
    if ctx.invoked_subcommand is None:
        raise click.UsageError("Name a command.", ctx)


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Entry point of the console script."""
    cli.main(args, prog_name="swathledger")
    raise AssertionError("click returned")  # pragma: no cover - cli.main always exits


if __name__ == "__main__":
    main()
