"""Write docs/commands.md from the commands' own help, so that the page cannot say anything else.

Run ``make docs-commands`` after a change; a test fails while the page is stale.
"""

from __future__ import annotations

from pathlib import Path

import click

from swathledger_cli.main import COMMANDS, cli

PAGE = Path(__file__).with_name("commands.md")
WIDTH = 96

HEAD = """\
# Commands

<!-- Written by docs/generate_commands.py from --help; run `make docs-commands` instead of editing. -->

Progress goes to stderr, results to files, and with `--json` one JSON document to stdout. Nothing that exists is
overwritten unless `--overwrite` is given.

| exit code | means |
|---|---|
| 0 | done; for `check`: the log is fit to use |
| 1 | the answer is no: `check` finds the log unfit |
| 2 | the call or its input cannot be used; the message names file, row and column, and what to do |
| 3 | `season`: done, but some jobs failed; the summary and season.json name them and say why |
| 70 | a fault of the program; `SWATHLEDGER_DEBUG=1` shows where |
| 130 | interrupted |
| 141 | the reader of stdout went away |
"""


def _help(command: click.Command, context: click.Context) -> str:
    text = command.get_help(context)
    return "\n".join(line.rstrip() for line in text.splitlines())


def page() -> str:
    """Return the text of docs/commands.md."""
    settings = {"terminal_width": WIDTH, "max_content_width": WIDTH, "help_option_names": ["-h", "--help"]}
    top = click.Context(cli, info_name="swathledger", **settings)
    parts = [HEAD, f"## swathledger\n\n```text\n{_help(cli, top)}\n```\n"]
    for name in cli.list_commands(top):
        command = cli.get_command(top, name)
        if command is None:
            raise LookupError(f"the command {name!r} is listed but cannot be loaded")
        context = click.Context(command, info_name=name, parent=top, **settings)
        parts.append(f"## {name}\n\n{COMMANDS[name]}\n\n```text\n{_help(command, context)}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
