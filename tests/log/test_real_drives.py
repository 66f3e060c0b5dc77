"""Real drives beside the repository, read as they are through a column map."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from swathledger.log.formats import sniff
from swathledger.log.quality import assess
from swathledger.log.read import read_log

COLUMNS = {"time": "timestamp", "speed_km_h": "ground_speed_kmh", "machine_total_area_m2": "machine_total_area_m2"}
DRIVES = ["F01", "F03", "F04", "F05", "F09", "F14", "F15", "F20"]


@pytest.fixture
def drives(shared_dir: Path) -> Path:
    folder = shared_dir / "field_logs"
    if not folder.is_dir():
        pytest.skip("the real drives are not there")
    return folder


@pytest.mark.parametrize("name", DRIVES)
def test_every_row_as_the_plain_reader_of_python_has_it(drives, name):
    path = drives / f"{name}.csv"
    if not path.is_file():
        pytest.skip(f"{name} is not there")
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    log = read_log(path, columns=COLUMNS)
    assert len(log) == len(rows) == log.quality.epochs
    np.testing.assert_array_equal(log.latitude_deg, [float(row["latitude"]) for row in rows])
    np.testing.assert_array_equal(log.longitude_deg, [float(row["longitude"]) for row in rows])
    np.testing.assert_array_equal(log.time_s, [dt.datetime.fromisoformat(row["timestamp"]).timestamp() for row in rows])
    np.testing.assert_array_equal(log.state[:, 0], [row["work_state"] == "1" for row in rows])
    np.testing.assert_array_equal(log.working_width_m, [float(row["working_width_m"] or "nan") for row in rows])
    counter = [float(row["machine_total_area_m2"] or "nan") for row in rows]
    np.testing.assert_array_equal(log.extra["machine_total_area_m2"], counter)
    np.testing.assert_allclose(log.speed_m_s * 3.6, [float(row["ground_speed_kmh"] or "nan") for row in rows])
    assert log.state_kind == "work"


@pytest.mark.parametrize("name", DRIVES)
def test_they_are_fit(drives, name):
    report = assess(read_log(drives / f"{name}.csv", columns=COLUMNS))
    assert report.fit, report.reasons
    assert report.set_aside == ()
    if report.position_noise_m is not None:
        assert 0.002 < report.position_noise_m < 0.5  # a satellite receiver on a machine, better or worse


def test_two_logs_of_one_field(drives):
    both = read_log([drives / "F15.csv", drives / "F14.csv"], columns=COLUMNS)
    parts = [read_log(drives / f"{name}.csv", columns=COLUMNS) for name in ("F14", "F15")]
    np.testing.assert_array_equal(both.time_s, np.concatenate([part.time_s for part in parts]))
    assert assess(both).gaps >= 1


def test_they_are_recognised(drives):
    assert sniff(drives / "F01.csv", columns=COLUMNS).kind == "log"
    assert sniff(drives / "F01.csv").kind == "log"  # its headers are in plain use
    assert sniff(drives / "boundaries.geojson").kind == "boundary"
