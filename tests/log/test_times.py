"""Times as people and loggers write them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from swathledger.errors import LogError
from swathledger.log.read import read_log
from swathledger.words import say_all

NOON = 1772625600.0  # date -u -d 2026-03-04T12:00:00Z +%s


def lines(times: list[str], header: str = "time") -> list[str]:
    return [f"{header},latitude,longitude,work_state"] + [
        f"{time},-31.{50000 + i},117.2,1" for i, time in enumerate(times)
    ]


@pytest.mark.parametrize(
    "times",
    [
        ["2026-03-04T12:00:00Z", "2026-03-04T12:00:01Z", "2026-03-04T12:00:02Z"],
        ["2026-03-04T20:00:00+08:00", "2026-03-04T20:00:01+08:00", "2026-03-04T20:00:02+08:00"],
        ["2026-03-04 20:00:00+0800", "2026-03-04 20:00:01+0800", "2026-03-04 20:00:02+0800"],
        ["2026-03-04T12:00:00Z", "2026-03-04T20:00:01+08:00", "2026-03-04T02:30:02-09:30"],
        ["2026-03-04T20:00:00+08", "2026-03-04T20:00:01+08", "2026-03-04T20:00:02+08"],
        ["2026-03-04 12:00:00 UTC", "2026-03-04 12:00:01 utc", "2026-03-04 12:00:02z"],
        ["1772625600", "1772625601", "1772625602"],
        ["1772625600.0", "1772625601.0", "1772625602.0"],
    ],
)
def test_times_that_need_no_guess(write, times):
    log = read_log(write(lines(times)))
    np.testing.assert_array_equal(log.time_s, NOON + np.arange(3))
    assert log.quality.warnings == ()
    assert log.time_is_absolute


@pytest.mark.parametrize(
    ("times", "unit"),
    [
        (["1772625600000", "1772625601000", "1772625602000"], "in ms"),
        (["1772625600000000", "1772625601000000", "1772625602000000"], "in us"),
        (["1772625600000000000", "1772625601000000000", "1772625602000000000"], "in ns"),
        (["20260304120000", "20260304120001", "20260304120002"], "year, month, day"),
        (["2026-03-04T12:00:00", "2026-03-04T12:00:01", "2026-03-04T12:00:02"], "UTC is assumed"),
    ],
)
def test_times_that_are_guessed_and_told(write, times, unit):
    log = read_log(write(lines(times)))
    np.testing.assert_allclose(log.time_s, NOON + np.arange(3), atol=1e-6)
    assert any(unit in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize(
    "times",
    [
        ["2026-03-04T12:00:00.1Z", "2026-03-04T12:00:00.25Z", "2026-03-04T12:00:00.375500Z"],
        ['"2026-03-04T12:00:00,1Z"', '"2026-03-04T12:00:00,25Z"', '"2026-03-04T12:00:00,3755Z"'],
        ["1772625600.1", "1772625600.25", "1772625600.3755"],
        ["2026-03-04T12:00:00.100000000Z", "2026-03-04T12:00:00.250Z", "2026-03-04T12:00:00.3755Z"],
    ],
)
def test_parts_of_a_second_survive(write, times):
    log = read_log(write(lines(times)))
    np.testing.assert_allclose(log.time_s - NOON, [0.1, 0.25, 0.3755], atol=1e-6)


@pytest.mark.parametrize("zone", ["Australia/Perth", "+08:00"])
def test_zone_of_times_without_one(write, zone):
    times = ["2026-03-04T20:00:00", "2026-03-04T20:00:01", "2026-03-04T20:00:02"]
    log = read_log(write(lines(times)), options={"time_zone": zone})
    np.testing.assert_array_equal(log.time_s, NOON + np.arange(3))
    assert log.quality.warnings == ()


def test_an_offset_in_the_row_wins_over_the_zone(write):
    times = ["2026-03-04T12:00:00Z", "2026-03-04T20:00:01", "2026-03-04T12:00:02Z"]
    log = read_log(write(lines(times)), options={"time_zone": "Australia/Perth"})
    np.testing.assert_array_equal(log.time_s, NOON + np.arange(3))


def test_hour_that_does_not_exist(write):
    # Sydney's clocks went from 02:00 to 03:00 on 2026-10-04.
    times = ["2026-10-04T01:59:59", "2026-10-04T02:30:00", "2026-10-04T03:00:00", "2026-10-04T03:00:01"]
    log = read_log(write(lines(times)), options={"time_zone": "Australia/Sydney"})
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("bad_time", 1)]
    np.testing.assert_array_equal(np.diff(log.time_s), [1.0, 1.0])


def test_unknown_zone(write):
    with pytest.raises(LogError, match="not a time zone"):
        read_log(write(lines(["2026-03-04T20:00:00"] * 3)), options={"time_zone": "Mars/North"})


def test_day_first_only_when_told(write):
    times = ["04/03/2026 12:00:00", "04/03/2026 12:00:01", "04/03/2026 12:00:02"]
    with pytest.raises(LogError, match="04/03/2026 12:00:00 cannot be told apart.*time_format"):
        read_log(write(lines(times)))
    log = read_log(write(lines(times)), options={"time_format": "%d/%m/%Y %H:%M:%S", "time_zone": "UTC"})
    np.testing.assert_array_equal(log.time_s, NOON + np.arange(3))


def test_format_that_fits_nothing(write):
    with pytest.raises(LogError, match="cannot be read as a time by '%d.%m.%Y'"):
        read_log(write(lines(["2026-03-04T12:00:00Z"] * 3)), options={"time_format": "%d.%m.%Y"})


def test_date_and_time_in_two_columns(write):
    path = write(
        [
            "date,time,latitude,longitude,work_state",
            "2026-03-04,12:00:00,-31.5,117.2,1",
            "2026-03-04,12:00:01.5,-31.50001,117.2,1",
        ]
    )
    log = read_log(path, options={"time_zone": "UTC"})
    np.testing.assert_array_equal(log.time_s, [NOON, NOON + 1.5])


@pytest.mark.parametrize("header", ["time", "seconds_from_start"])
def test_seconds_from_an_unknown_start(write, header):
    log = read_log(write(lines(["0", "0.2", "0.4"], header)))
    assert not log.time_is_absolute
    np.testing.assert_allclose(log.time_s, [0, 0.2, 0.4])
    assert any("date is unknown" in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize("start", ["2026-03-04T20:00:00+08:00", dt.datetime(2026, 3, 4, 12, tzinfo=dt.UTC)])
def test_seconds_from_a_given_start(write, start):
    log = read_log(write(lines(["0", "0.2", "0.4"], "seconds_from_start")), options={"start": start})
    assert log.time_is_absolute
    np.testing.assert_allclose(log.time_s - NOON, [0, 0.2, 0.4], atol=1e-6)
    assert log.quality.warnings == ()


def test_start_without_offset(write):
    path = write(lines(["0", "1", "2"]))
    log = read_log(path, options={"start": "2026-03-04T12:00:00"})
    assert log.time_s[0] == NOON
    assert any("UTC is assumed" in text for text in say_all(log.quality.warnings))
    log = read_log(path, options={"start": "2026-03-04T20:00:00", "time_zone": "Australia/Perth"})
    assert log.time_s[0] == NOON
    with pytest.raises(LogError, match="not a date and time"):
        read_log(path, options={"start": "yesterday"})


def test_unreadable_times_are_counted(write):
    times = [
        "2026-03-04T12:00:00Z",
        "",
        "2026-03-04T12:00:61Z",
        "2026-03-04T12:00:03Z",
        "2026-03-04T12:00:04Z",
        "1980-01-06T00:00:00Z",
    ]
    log = read_log(write(lines(times)))
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("bad_time", 3)]
    assert "row 3" in log.quality.set_aside[0].example


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Australia/Perth"])
def test_time_stamps_of_every_unit(tmp_path, unit, zone):
    stamps = pa.array([int(NOON) + i for i in range(3)], pa.int64())
    typed = pa.compute.multiply(stamps, {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[unit]).cast(
        pa.timestamp(unit, tz=zone)
    )
    path = tmp_path / "drive.parquet"
    pq.write_table(
        pa.table(
            {
                "time": typed,
                "latitude": [-31.5, -31.50001, -31.50002],
                "longitude": [117.2] * 3,
                "work_state": [True] * 3,
            }
        ),
        path,
    )
    log = read_log(path)
    np.testing.assert_array_equal(log.time_s, NOON + np.arange(3))
    assert bool(log.quality.warnings) == (zone is None)


def test_hour_that_comes_twice(write):
    # Sydney's clocks went back from 03:00 to 02:00 on 2026-04-05: 02:30 came at 15:30Z (summer time) and at 16:30Z.
    first, second = 1775316600.0, 1775320200.0  # date -u -d 2026-04-04T15:30:00Z +%s, and an hour later
    once = ["2026-04-05T02:30:00", "2026-04-05T02:30:01", "2026-04-05T02:30:02"]
    log = read_log(write(lines(once)), options={"time_zone": "Australia/Sydney"})
    np.testing.assert_array_equal(log.time_s, first + np.arange(3))
    through = ["2026-04-05T02:30:00", "2026-04-05T02:59:59", "2026-04-05T02:00:00", "2026-04-05T02:30:00"]
    log = read_log(write(lines(through)), options={"time_zone": "Australia/Sydney"})
    np.testing.assert_array_equal(log.time_s, [first, first + 1799, second - 1800, second])
