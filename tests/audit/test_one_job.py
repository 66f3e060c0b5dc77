"""Two jobs in one audit are told and refused unless asked for as one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from swathledger.log.jobs import new_jobs
from swathledger.log.read import read_log

MACHINE = """name = "test"
[boom]
nozzle_count = 12
nozzle_spacing_m = 0.5
sections = [12]
"""
PASS_S = 50


def rows(start: str, product: str = "") -> list[str]:
    """100 m north at 2 m/s from the equator's edge, open all the way, one row a second."""
    begin = np.datetime64(start)
    return [
        f"{begin + np.timedelta64(k, 's')}Z,{10.0 + 2 * k / 110_600:.8f},20.0,{int(k < PASS_S)},{product}"
        for k in range(PASS_S + 1)
    ]


@pytest.fixture
def audit(tmp_path: Path):
    """``swathledger audit`` on jobs written to one log."""
    (tmp_path / "m.toml").write_text(MACHINE)

    def run(*jobs: list[str], options: tuple[str, ...] = ()):
        from swathledger_cli.audit import command

        text = "time,latitude,longitude,section_1,product\n" + "\n".join(row for job in jobs for row in job) + "\n"
        (tmp_path / "log.csv").write_text(text)
        places = ["--boundary", "derive", "--machine", str(tmp_path / "m.toml"), "--out", str(tmp_path / "out")]
        given = [str(tmp_path / "log.csv"), *places, "--groups", "boom", "--cell", "0.5", "--json", *options]
        return CliRunner().invoke(command, given)

    return run


def test_two_sprayings_nine_days_apart_are_refused(audit, tmp_path):
    found = audit(rows("2026-05-01T08:00:00"), rows("2026-05-10T08:00:00"))
    assert found.exit_code != 0
    said = str(found.exception) + found.output
    assert "2026-05-10T08:00:00Z" in said
    assert "--as-one-job" in said
    assert not (tmp_path / "out").exists()


def test_asked_for_as_one_they_overlap_and_that_is_said(audit):
    found = audit(rows("2026-05-01T08:00:00"), rows("2026-05-10T08:00:00"), options=("--as-one-job",))
    assert found.exit_code == 0, found.output
    assert "2 jobs were taken as one" in found.output


@pytest.mark.parametrize(
    ("second", "product", "because"),
    [
        ("2026-05-01T09:30:00", "herbicide A", []),  # a refill, a meal
        ("2026-05-01T13:00:00", "herbicide A", ["pause"]),
        ("2026-05-02T00:30:00", "herbicide A", ["pause"]),
        ("2026-05-01T08:30:00", "fungicide B", ["product"]),
        ("2026-05-01T08:30:00", "", []),  # a row without a name keeps that of the row before
    ],
)
def test_what_begins_another_job(tmp_path, second, product, because):
    first = rows("2026-05-01T08:00:00", "herbicide A")
    text = "time,latitude,longitude,section_1,product\n" + "\n".join([*first, *rows(second, product)]) + "\n"
    (tmp_path / "log.csv").write_text(text)
    log = read_log([tmp_path / "log.csv"])
    assert [job.because for job in new_jobs(log)] == because
