"""The import contracts see every stage: each is broken on a copy, and the break is reported."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

# contract: (module that breaks it, the import put into it)
BREAKS = {
    "The library knows nothing of the command line": [
        ("grid/frame.py", "import click"),
        ("swath/pose.py", "import swathledger_cli.main"),
    ],
    "Stages, right to left": [
        ("log/log.py", "import swathledger.machine.machine"),
        ("grid/frame.py", "import swathledger.ledger.account"),
        ("ledger/rate.py", "import swathledger.shutoff.layout"),
        ("shutoff/layout.py", "import swathledger.money.product"),
        ("report/pdf.py", "import swathledger.audit"),
        ("units.py", "import swathledger.season.run.lock"),
    ],
    "A season: found, written down, run, added up": [
        ("season/manifest/manifest.py", "import swathledger.season.run.task"),
        ("season/run/task.py", "import swathledger.season.tables.columns"),
        ("season/find/match.py", "import swathledger.season.run.pool"),
    ],
    "Sentences live with the faces": [("grid/frame.py", "import swathledger.words")],
    "Only the season hands work to dask": [("grid/frame.py", "import dask"), ("report/pdf.py", "import distributed")],
    "Only the report draws": [("ledger/rate.py", "import matplotlib"), ("shutoff/layout.py", "import jinja2")],
    "numba is imported in one place": [("grid/frame.py", "import numba"), ("swath/build.py", "import numba")],
}


@pytest.fixture(scope="module")
def reported(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the linter says of a copy in which every contract is broken."""
    copy = tmp_path_factory.mktemp("broken")
    for name in ("coverage", "cli"):
        shutil.copytree(repository / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(repository / "pyproject.toml", copy)
    for breaks in BREAKS.values():
        for module, line in breaks:
            path = copy / "coverage" / "swathledger" / module
            path.write_text(path.read_text(encoding="utf-8") + f"\n{line}\n", encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(copy / "coverage"), str(copy / "cli")])}
    code = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    ran = subprocess.run(
        [sys.executable, "-c", code, "--no-cache"],
        cwd=copy,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1, ran.stdout + ran.stderr
    return re.sub(r"\s+", " ", ran.stdout)  # long lines are broken anywhere


@pytest.mark.parametrize("contract", BREAKS)
def test_a_broken_contract_is_reported(contract: str, reported: str) -> None:
    assert f"{contract} BROKEN" in reported


def test_every_contract_is_tried(repository: Path) -> None:
    import tomllib

    project = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))
    assert {contract["name"] for contract in project["tool"]["importlinter"]["contracts"]} == set(BREAKS)


def test_the_module_that_breaks_a_contract_is_named(reported: str) -> None:
    for module, line in (pair for breaks in BREAKS.values() for pair in breaks):
        importer = "swathledger." + module.removesuffix(".py").replace("/", ".")
        imported = line.removeprefix("import ")
        assert re.search(rf"{re.escape(importer)} -> {re.escape(imported)}\b", reported), (importer, imported)
