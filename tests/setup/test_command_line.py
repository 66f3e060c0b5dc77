"""The command group, the shared options, progress, and how faults reach a person."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from swathledger._version import __version__
from swathledger.errors import LogError, OutputError
from swathledger_cli import errors, options, progress
from swathledger_cli.main import COMMANDS, cli

HEAVY = ("numpy", "numba", "pandas", "geopandas", "shapely", "rasterio", "pyogrio", "pyarrow", "pydantic", "scipy",
         "matplotlib", "jinja2", "dask", "rich")  # fmt: skip


def python(code: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run code in an interpreter of its own."""
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env={**os.environ, **env}
    )


# --- the group --------------------------------------------------------------------------------------------------------


def test_help_imports_nothing_heavy() -> None:
    # What "answers in under half a second" rests on; a timed test would depend on the machine.
    ran = python(
        "import sys\nfrom swathledger_cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as done:\n    assert done.code == 0\n"
        f"print('heavy:', [name for name in {HEAVY!r} if name in sys.modules])"
    )
    assert ran.stdout.splitlines()[-1] == "heavy: []", ran.stderr


def test_packages_import_nothing_heavy(repository: Path) -> None:
    # A command module may name any stage at its top: only the modules inside a stage may be heavy.
    stages = sorted(path.parent.name for path in (repository / "coverage" / "swathledger").glob("*/__init__.py"))
    assert "log" in stages
    imports = "; ".join(f"import swathledger.{stage}" for stage in stages)
    ran = python(f"import sys; {imports}; print('heavy:', [name for name in {HEAVY!r} if name in sys.modules])")
    assert ran.stdout == "heavy: []\n", ran.stderr


def test_help_lists_exactly_the_commands_that_are_there(repository: Path) -> None:
    modules = (repository / "cli" / "swathledger_cli").glob("*.py")
    there = {path.stem for path in modules if "@click.command(name=" in path.read_text(encoding="utf-8")}
    assert set(cli.list_commands(click.Context(cli))) == there
    shown = CliRunner().invoke(cli, ["--help"]).output
    for name, summary in COMMANDS.items():
        assert f"  {name} " in shown
        assert summary[:30] in shown


@pytest.mark.parametrize("name", cli.list_commands(click.Context(cli)))
def test_command_loads(name: str) -> None:
    assert isinstance(cli.get_command(click.Context(cli), name), click.Command)


def test_version() -> None:
    result = CliRunner().invoke(cli, ["--version"])
    assert (result.exit_code, result.output) == (0, f"swathledger {__version__}\n")


def test_no_arguments_show_help_and_are_a_bad_call() -> None:
    result = CliRunner().invoke(cli, [])
    assert result.exit_code == 2
    assert "Usage: swathledger" in result.output


def test_unknown_command_names_the_nearest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("swathledger_cli.main.COMMANDS", {"audit": "-", "prime": "-"})
    near = CliRunner().invoke(cli, ["adit"])
    assert near.exit_code == 2
    assert "No such command 'adit'. Did you mean 'audit'?" in near.output
    far = CliRunner().invoke(cli, ["zzz"])
    assert "No such command 'zzz'. Commands: audit, prime." in far.output


def test_unknown_option_is_a_bad_call() -> None:
    result = CliRunner().invoke(cli, ["--colour"])
    assert result.exit_code == 2
    assert "--colour" in result.output


# --- faults -----------------------------------------------------------------------------------------------------------


def _raising(error: BaseException):
    def call() -> object:
        raise error

    return call


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (LogError("found 'abc' where a number belongs.", file="a.csv", row=7, column="latitude", hint="Mend it."), 2,
         "Error: a.csv, row 7, column 'latitude': found 'abc' where a number belongs. Mend it.\n"),
        (OutputError("cannot write there"), 2, "Error: cannot write there\n"),
        (PermissionError(errno.EACCES, "Permission denied", "out"), 2, "Error: out: Permission denied\n"),
        (KeyboardInterrupt(), 130, "Interrupted.\n"),
        (click.Abort(), 130, "Interrupted.\n"),
        (MemoryError(), 70, "Error: out of memory. Use larger cells (--cell) or fewer jobs (--jobs).\n"),
        (BrokenPipeError(), 141, ""),
    ],
)  # fmt: skip
def test_fault_is_one_plain_message_and_a_code(
    error: BaseException, code: int, said: str, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(errors.DEBUG_VARIABLE, raising=False)
    monkeypatch.setattr(errors, "_drop_stdout", lambda: None)
    assert errors.run(_raising(error)) == code
    assert capfd.readouterr().err == said


def test_bug_tells_what_to_report_and_shows_no_traceback(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(errors.DEBUG_VARIABLE, raising=False)
    assert errors.run(_raising(ZeroDivisionError("division by zero"))) == 70
    said = capfd.readouterr().err
    assert "ZeroDivisionError: division by zero" in said
    assert "SWATHLEDGER_DEBUG=1" in said
    assert "Traceback" not in said


def test_debugging_lets_faults_through(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(errors.DEBUG_VARIABLE, "1")
    with pytest.raises(ZeroDivisionError):
        errors.run(_raising(ZeroDivisionError()))


@pytest.mark.parametrize(("returned", "code"), [(None, 0), (0, 0), (1, 1), (True, 0), ("text", 0)])
def test_what_a_command_returns(returned: object, code: int) -> None:
    assert errors.run(lambda: returned) == code


def test_closed_pipe_is_quiet() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)  # nobody will read
    try:
        ran = subprocess.run(
            [sys.executable, "-m", "swathledger_cli.main", "--help"],
            stdout=write_end, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    finally:
        os.close(write_end)
    assert ran.stderr == ""
    assert ran.returncode in {1, errors.EXIT_BROKEN_PIPE}  # click ends itself with 1 where it writes directly


# --- shared options ---------------------------------------------------------------------------------------------------


@click.command()
@options.logs_argument()
@options.machine_option(required=False)
@options.boundary_option(required=False)
@options.out_option()
@options.overwrite_option()
@options.cell_option()
@options.groups_option()
@options.off_when_covered_option()
@options.units_option()
@options.field_option()
@options.threads_option()
@options.json_option()
@options.quiet_option()
def echo(**given: object) -> None:
    """Print what was understood."""
    click.echo(repr({key: str(value) if isinstance(value, Path) else value for key, value in given.items()}))


def understood(tmp_path: Path, *extra: str) -> dict[str, object]:
    (tmp_path / "a.csv").touch()
    result = CliRunner().invoke(echo, [str(tmp_path / "a.csv"), "--out", str(tmp_path / "out"), *extra])
    assert result.exit_code == 0, result.output
    return eval(result.output.replace("PosixPath", ""))  # noqa: S307  # our own repr of plain values


def test_defaults_of_the_shared_options(tmp_path: Path) -> None:
    given = understood(tmp_path)
    del given["logs"], given["out"]
    assert given == {
        "machine": None, "boundary": None, "overwrite": False, "cell": None,
        "groups": None, "off_when_covered": None, "units": "metric",
        "field_id": None, "threads": 1, "as_json": False, "quiet": False,
    }  # fmt: skip


def test_values_of_the_shared_options(tmp_path: Path) -> None:
    (tmp_path / "m.toml").touch()
    given = understood(
        tmp_path, "--machine", str(tmp_path / "m.toml"), "--boundary", "derive", "--cell", "0.25", "--groups",
        "Boom, 4,limit", "--off-when-covered", "0.5", "--units", "us", "--field", "7b", "--threads", "2",
        "--json", "-q", "--overwrite",
    )  # fmt: skip
    assert given["machine"] == str(tmp_path / "m.toml")
    assert given["boundary"] == options.DERIVE
    assert given["groups"] == ("boom", "4", "limit")
    assert (given["cell"], given["off_when_covered"], given["units"]) == (0.25, 0.5, "us")
    assert (given["field_id"], given["threads"], given["as_json"], given["quiet"]) == ("7b", 2, True, True)


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (["--groups", "boom,half"], "'half' is not a group. Use boom, nozzle, limit or a whole number"),
        (["--groups", "boom,0"], "'0' is not a group"),
        (["--groups", "3,3"], "names a group twice"),
        (["--groups", ","], "give boom, nozzle, limit"),
        (["--cell", "0"], "'0' must be above 0"),
        (["--cell", "0,1"], "'0,1' is not a number (decimal point, no unit)"),
        (["--cell", "nan"], "'nan' must be above 0"),
        (["--off-when-covered", "0"], "0.0 is not in the range"),
        (["--off-when-covered", "1.1"], "1.1 is not in the range"),
        (["--units", "imperial"], "'imperial' is not one of"),
        (["--threads", "0"], "0 is not in the range"),
        (["--machine", "nowhere.toml"], "'nowhere.toml' does not exist"),
        (["--boundary", "nowhere.gpkg"], "'nowhere.gpkg' does not exist"),
    ],
)
def test_bad_value_is_told(tmp_path: Path, extra: list[str], said: str) -> None:
    (tmp_path / "a.csv").touch()
    result = CliRunner().invoke(
        echo, [str(tmp_path / "a.csv"), "--out", str(tmp_path / "out"), *extra], terminal_width=500
    )
    assert result.exit_code == 2
    assert said in result.output


# --- progress ---------------------------------------------------------------------------------------------------------


def test_quiet_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with progress.reporting("fields", 2, quiet=True) as reporter:
        reporter.step("a")
        reporter.step("b")
        reporter.say("note")
    progress.summary("done", quiet=True)
    assert capsys.readouterr() == ("", "")
    assert reporter.done == 2


def test_without_a_terminal_plain_lines_go_to_stderr(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter([0.0, 1.0, 11.0, 12.0])  # start, then one reading a step; a line needs 10 s since the last
    monkeypatch.setattr(progress.time, "monotonic", lambda: next(clock))
    with progress.reporting("fields", 3) as reporter:
        reporter.step("a")
        reporter.step("b")
        reporter.step("c")
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == ["fields: 2 of 3 (b)", "fields: 3 of 3 (c)"]


def test_on_a_terminal_a_bar_goes_to_stderr(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with progress.reporting("fields", 2) as reporter:
        reporter.step("a")
        reporter.say("[odd] note")
        reporter.step("b")
    out, err = capsys.readouterr()
    assert out == ""
    assert "2/2" in err
    assert "[odd] note" in err


# --- versions ---------------------------------------------------------------------------------------------------------


def _version(**env: str) -> str:
    ran = subprocess.run(
        [sys.executable, "-m", "swathledger_cli.main", "--version", "-v"],
        capture_output=True, text=True, check=True, env={**os.environ, **env},
    )  # fmt: skip
    return ran.stdout


def test_verbose_version_names_libraries_and_paths(monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "GDAL_DRIVER_PATH"):
        monkeypatch.delenv(variable, raising=False)
    shown = _version()
    for part in ("numpy", "numba", "GEOS", "PROJ", "GDAL", "pyogrio", "rasterio", "data "):
        assert part in shown
    assert "not usable" not in shown
    assert "No clash" in shown


def test_verbose_version_tells_of_a_clash(tmp_path: Path) -> None:
    shown = _version(PROJ_DATA=str(tmp_path))
    assert f"clash: PROJ_DATA is set to {tmp_path}, which exists" in shown
    assert "clash: rasterio cannot look up EPSG:4326" in shown
    assert "No clash" not in shown
