"""Standing in real drives, which log no flow: found by time and place, litres unknown; counted again from plain CSV."""

from __future__ import annotations

import csv
import itertools
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from swathledger.log.read import read_log
from swathledger.plumbing.standing_log import standing_report

COLUMNS = {
    "time": "timestamp",
    "work_state": "work_state",
    "working_width_m": "working_width_m",
    "speed_km_h": "ground_speed_kmh",
}


@pytest.mark.parametrize("name", ["F01", "F03", "F05", "F14", "F20"])
def test_standing_at_work_is_listed_without_litres(shared_dir: Path, name: str) -> None:
    path = shared_dir / "field_logs" / f"{name}.csv"
    if not path.is_file():
        pytest.skip("the real drives are not there")
    log = read_log(path, columns=COLUMNS)
    assert log.speed_m_s is not None
    with np.errstate(invalid="ignore"):
        standing = np.abs(log.speed_m_s[:-1]) < 0.1
    report = standing_report(log, None, standing, log.state[:-1, 0])
    assert all(event.litres is None and event.litres_source is None for event in report.discharges)
    assert report.discharges
    assert report.litres is None
    assert report.unmeasured == len(report.discharges)
    # The same seconds from the file itself: at work, slower than 0.1 m/s, next row within the gap limit of 6 s.
    expected = 0.0
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    for row, following in itertools.pairwise(rows):
        step = (
            datetime.fromisoformat(following["timestamp"]) - datetime.fromisoformat(row["timestamp"])
        ).total_seconds()
        if row["work_state"] == "1" and float(row["ground_speed_kmh"] or "nan") / 3.6 < 0.1 and 0 < step <= 6:
            expected += step
    assert sum(event.duration_s for event in report.discharges) == pytest.approx(expected, abs=0.01)
    for event in report.discharges:
        assert log.time_s[0] <= event.start_time_s <= log.time_s[-1]
        assert log.latitude_deg.min() <= event.latitude_deg <= log.latitude_deg.max()
    assert report.primes[0].occasion == "first_of_day"
