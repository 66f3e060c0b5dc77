"""``swathledger check`` as a person calls it."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from swathledger_cli.main import cli

HEADER = "timestamp,latitude,longitude,work_state,working_width_m"
ROWS = [f"2026-03-04T07:{30 + i // 60}:{i % 60:02d}Z,{-31.5 - i * 3e-5:.6f},117.2,{int(i > 9)},36" for i in range(90)]
MACHINE = 'name = "sprayer one"\n[boom]\nwidth_m = 36\n[columns]\ntime = "timestamp"\n'


def call(*args: object):
    return CliRunner().invoke(cli, ["check", *map(str, args)])


@pytest.fixture
def machine(write):
    return write(MACHINE, "machine.toml")


def test_fit(write, machine):
    result = call(write([HEADER, *ROWS]), "--machine", machine)
    assert result.exit_code == 0, result.output
    assert "Verdict: fit" in result.stdout
    assert "90 of 90 used" in result.stdout
    assert "time = 'timestamp'" in result.stdout
    assert "What would make it better" in result.stdout


def test_not_fit(write, machine):
    rows = [row.replace(",1,36", ",0,36") for row in ROWS]
    result = call(write([HEADER, *rows]), "--machine", machine)
    assert result.exit_code == 1
    assert "Verdict: unfit" in result.stdout
    assert "No row records any spraying." in result.stdout


def test_json(write, machine):
    result = call(write([HEADER, *ROWS, "2026-03-04T07:40:00Z,0,0,1,36"]), "--machine", machine, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["schema"] == "swathledger/check/2"
    assert document["epochs"] - document["used"] == sum(item["count"] for item in document["set_aside"]) == 1
    assert document["set_aside"][0]["reason"] == "zero_island"
    assert document["position_noise_m"] is None


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], "empty"),
        (["time,latitude,longitude"], "a header but no row"),
        (["when,latitude,longitude", "1,2,3"], "no column for time"),
    ],
)
def test_unreadable(write, lines, words):
    result = call(write(lines))
    assert result.exit_code == 2
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""


def test_bad_calls(tmp_path):
    assert call().exit_code == 2
    assert call(tmp_path / "none.csv").exit_code == 2


def test_us_units(write, machine):
    result = call(write([HEADER, *ROWS]), "--machine", machine, "--units", "us")
    # 89 steps of 3e-5 degrees = 296.9 m = 0.18 mi
    assert "0.18 mi" in result.stdout


def test_several_logs_are_one_drive(write, machine):
    first, second = write([HEADER, *ROWS[:40]], "a.csv"), write([HEADER, *ROWS[40:]], "b.csv")
    result = call(second, first, "--machine", machine)
    assert result.exit_code == 0
    assert "90 of 90 used" in result.stdout
    assert "b.csv, a.csv" in result.stdout
