"""Two source roots, one of them named like a package on the index: what keeps that harmless."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest


def test_source_roots_are_no_packages(repository: Path) -> None:
    # coverage/__init__.py would shadow coverage.py for whoever runs Python in the checkout.
    assert not (repository / "coverage" / "__init__.py").exists()
    assert not (repository / "cli" / "__init__.py").exists()
    assert (repository / "coverage" / "swathledger" / "__init__.py").is_file()
    assert (repository / "cli" / "swathledger_cli" / "__init__.py").is_file()


def test_top_level_stays_small(repository: Path) -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=repository, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "Makefile", "pyproject.toml",
               "coverage", "cli", "tests", "docs", "sample_logs"}  # fmt: skip
    assert {name for name in top if not name.startswith(".")} <= allowed


@pytest.fixture(scope="module")
def wheel(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names of the files of a wheel that was really built."""
    target = tmp_path_factory.mktemp("wheel")
    code = f"from hatchling.builders.wheel import WheelBuilder as B; print(*B('.').build(directory={str(target)!r}))"
    built = subprocess.run([sys.executable, "-c", code], cwd=repository, capture_output=True, text=True, check=True)
    with zipfile.ZipFile(built.stdout.split()[-1]) as archive:
        return set(archive.namelist())


def test_wheel_holds_both_packages_whole(repository: Path, wheel: set[str]) -> None:
    for root in ("coverage", "cli"):
        for path in (repository / root).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                assert path.relative_to(repository / root).as_posix() in wheel


def test_wheel_holds_nothing_named_coverage(wheel: set[str]) -> None:
    assert {name.split("/")[0].split("-")[0] for name in wheel} == {"swathledger", "swathledger_cli"}


def test_wheel_is_typed_licensed_and_has_the_command(wheel: set[str]) -> None:
    assert {"swathledger/py.typed", "swathledger_cli/py.typed"} <= wheel
    info = {name.split("/", 1)[1] for name in wheel if ".dist-info/" in name}
    assert {"licenses/LICENSE", "entry_points.txt"} <= info


def _no_coverage_py() -> bool:
    # Asked from a place without a folder named coverage.
    code = "import importlib.util as u; import sys; s = u.find_spec('coverage'); sys.exit(bool(s and s.origin))"
    return subprocess.run([sys.executable, "-c", code], cwd="/", check=False).returncode == 0


needs_no_coverage_py = pytest.mark.skipif(not _no_coverage_py(), reason="coverage.py is installed: nothing to guard")


@needs_no_coverage_py
def test_kernel_runs_beside_the_folder_named_coverage(repository: Path) -> None:
    # `python -c` puts the current folder first on the path, so `coverage` is the source root here.
    code = """
import sys
from swathledger._jit import jit_enabled, numba
@numba.njit
def total(values):
    s = 0.0
    for value in values:
        s += value
    return s
import numpy
assert total(numpy.arange(7.0)) == 21.0
assert not jit_enabled() or total.signatures, "it was compiled"
import coverage
assert coverage.__file__ is None and len(list(coverage.__path__)) >= 1, "the source root is left as it was"
print("ran")
"""
    ran = subprocess.run([sys.executable, "-c", code], cwd=repository, capture_output=True, text=True, check=False)
    assert ran.stdout == "ran\n", ran.stderr


@needs_no_coverage_py
def test_why_numba_is_imported_through_the_guard(repository: Path) -> None:
    # Without the guard numba takes the source root for coverage.py and fails on it. Should numba mend that one day,
    # this test fails, and the guard may go.
    bare = subprocess.run(
        [sys.executable, "-c", "import numba"], cwd=repository, capture_output=True, text=True, check=False
    )
    assert bare.returncode != 0
    assert "coverage" in bare.stderr


def test_guard_leaves_a_real_coverage_py_alone(tmp_path: Path) -> None:
    (tmp_path / "coverage").mkdir()
    (tmp_path / "coverage" / "__init__.py").write_text("__version__ = '7.0'\n")
    # A stand-in for numba, and kernels interpreted: only the question "is it coverage.py?" is under test.
    code = (
        "import sys, types; sys.modules['numba'] = types.ModuleType('numba'); "
        "import swathledger._jit as j; print(j._is_real_package())"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )
    assert ran.stdout == "True\n", ran.stderr


def test_constraints_pin_versions_and_name_no_host(repository: Path) -> None:
    lines = [
        line.strip()
        for line in (repository / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    for line in lines:
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+( ; .+)?", line), line
    pinned = {re.split("==", line)[0].lower().replace("_", "-") for line in lines}
    project = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = set(project["project"]["dependencies"])
    for extra in project["project"]["optional-dependencies"].values():
        wanted |= set(extra)
    missing = {re.split(r"[<>=~ ]", need)[0].lower().replace("_", "-") for need in wanted} - pinned
    assert not missing


needs_make = pytest.mark.skipif(shutil.which("make") is None, reason="make is not installed")


@needs_make
@pytest.mark.parametrize("target", ["demo", "test"])
def test_make_sets_itself_up(repository: Path, tmp_path: Path, target: str) -> None:
    for name in ("Makefile", "pyproject.toml"):
        shutil.copy(repository / name, tmp_path)
    (tmp_path / ".ci").mkdir()
    shutil.copy(repository / ".ci" / "constraints.txt", tmp_path / ".ci")
    plan = subprocess.run(
        ["make", "-n", target, "PYTHON=python3.99"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    steps = [plan.index(step) for step in ("python3.99 -m venv .venv", "pip", ".venv/bin/")]
    assert steps[0] == min(steps)
    assert "-c .ci/constraints.txt" in plan


@needs_make
def test_make_says_which_python_it_needs(repository: Path, tmp_path: Path) -> None:
    shutil.copytree(repository / ".ci", tmp_path / ".ci")
    for name in ("Makefile", "pyproject.toml"):
        shutil.copy(repository / name, tmp_path)
    ran = subprocess.run(["make", "test", "PYTHON=false"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ran.returncode != 0
    assert "needs Python 3.11 or later" in ran.stdout
    assert not (tmp_path / ".venv").exists()
