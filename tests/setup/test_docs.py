"""The pages that are made from the program, and that every command explains itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from swathledger_cli.main import COMMANDS, cli

AVAILABLE = cli.list_commands(click.Context(cli))


def load(name: str) -> click.Command:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return command


def test_commands_page_is_not_stale(repository: Path) -> None:
    # In an interpreter of its own: click keeps a command's help option as whatever test called it first left it.
    code = "import generate_commands as g, sys; sys.stdout.reconfigure(encoding='utf-8'); sys.stdout.write(g.page())"
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=repository / "docs", capture_output=True, check=True, encoding="utf-8"
    )
    assert (repository / "docs" / "commands.md").read_text(encoding="utf-8") == ran.stdout, "run `make docs-commands`"


def test_every_entry_has_a_summary_that_fits_its_line() -> None:
    for name, summary in COMMANDS.items():
        assert summary.endswith("."), name
        assert len(summary) <= 80, name


@pytest.mark.parametrize("name", AVAILABLE)
def test_command_and_its_options_have_help(name: str) -> None:
    command = load(name)
    assert command.help, name
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.opts}"
            assert parameter.help.strip().endswith("."), f"{name} {parameter.opts}: a sentence ends with a period"


@pytest.mark.parametrize("name", AVAILABLE)
def test_help_of_a_command_exits_0(name: str) -> None:
    result = CliRunner().invoke(cli, [name, "--help"])
    assert result.exit_code == 0, result.output
    assert "Usage:" in result.output


def test_glossary_has_the_words_of_the_ledger(repository: Path) -> None:
    page = (repository / "docs" / "glossary.md").read_text(encoding="utf-8")
    for word in ("log", "epoch", "section", "nozzle", "outlet group", "ribbon", "pass", "target", "single", "overlap",
                 "skip", "outside", "excluded", "over-application", "prime", "rinse"):  # fmt: skip
        assert f"`{word}`" in page or f"**{word}**" in page, word


def test_readme_machine_file_is_accepted(repository: Path, tmp_path: Path) -> None:
    from swathledger.machine.read import read_machine

    text = (repository / "README.md").read_text(encoding="utf-8")
    block = text.split("```toml\n")[1].split("```")[0]
    (tmp_path / "machine.toml").write_text(block, encoding="utf-8")
    machine = read_machine(tmp_path / "machine.toml")
    assert machine.boom.nozzle_count == 48
    assert machine.boom.sections == (10, 9, 10, 9, 10)
    assert machine.columns == {"time": "timestamp"}


def test_readme_quick_start_is_two_commands(repository: Path) -> None:
    text = (repository / "README.md").read_text(encoding="utf-8")
    block = text.split("## Quick start")[1].split("```sh\n")[1].split("```")[0]
    assert [line.split("#")[0].strip() for line in block.splitlines()] == ["make demo", "make test"]
