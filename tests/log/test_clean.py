"""Rows set aside by reason; nothing lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import LogError
from swathledger.log.clean import clean_rows, distance_m
from swathledger.log.read import read_log
from swathledger.words import say_all

STEP = 3e-5  # degrees of latitude, 3.3 m


def straight(n: int, rate: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    index = np.arange(n)
    return 1000.0 + index / rate, -31.5 + index * STEP / rate, np.full(n, 117.2)


def counts(cleaned) -> dict[str, int]:
    return {reason: int(rows.size) for reason, rows in cleaned.reasons.items()}


def test_clean_rows_stay():
    cleaned = clean_rows(*straight(20))
    assert counts(cleaned) == {}
    np.testing.assert_array_equal(cleaned.order, np.arange(20))
    assert cleaned.warnings == ()


def test_a_degree_of_latitude():
    # pi / 180 * 6371008.8 m
    got = distance_m(np.array([0.0]), np.array([0.0]), np.array([1.0]), np.array([0.0]))
    assert got[0] == pytest.approx(111195.08, abs=0.01)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ((np.nan, -31.5, 117.2), "bad_time"),
        ((np.inf, -31.5, 117.2), "bad_time"),
        ((1000.0 + 400 * 86400, -31.5, 117.2), "bad_time"),
        ((1010.5, np.nan, 117.2), "bad_position"),
        ((1010.5, -31.5, np.inf), "bad_position"),
        ((1010.5, 0.0, 0.0), "zero_island"),
        ((1010.5, 117.2, -31.5), "swapped_axes"),
        ((1010.5, -95.0, 117.2), "out_of_range"),
        ((1010.5, -31.5, 190.0), "out_of_range"),
        ((1010.0, -31.5 + 10 * STEP, 117.2), "duplicate"),
        ((1010.0, -31.5 + 10.2 * STEP, 117.2), "duplicate_time"),
        ((1010.5, -31.6, 117.2), "impossible_jump"),  # 11 km away within half a second
    ],
)
def test_one_odd_row(row, reason):
    time, lat, lon = (np.append(values, odd) for values, odd in zip(straight(20), row, strict=True))
    cleaned = clean_rows(time, lat, lon)
    assert counts(cleaned) == {reason: 1}
    # of two equal rows the later one is kept: its states hold from then on
    np.testing.assert_array_equal(cleaned.reasons[reason], [10 if reason == "duplicate" else 20])
    assert cleaned.order.size == 20


def test_a_log_that_is_swapped_throughout():
    time, lat, lon = straight(20)
    cleaned = clean_rows(time, lon, lat)
    np.testing.assert_array_equal(cleaned.latitude_deg, lat)
    assert "exchanged throughout" in say_all(cleaned.warnings)[0]
    assert counts(cleaned) == {}


def test_longitudes_from_0_to_360():
    time, lat, _ = straight(20)
    cleaned = clean_rows(time, lat, np.full(20, 260.0))
    np.testing.assert_array_equal(cleaned.longitude_deg, np.full(20, -100.0))
    assert "360 was taken off" in say_all(cleaned.warnings)[0]


def test_a_drive_through_zero_zero_is_no_island():
    index = np.arange(-10, 10)
    cleaned = clean_rows(1000.0 + np.arange(20), index * STEP, np.zeros(20))
    assert counts(cleaned) == {}


def test_a_log_without_any_fix(write):
    rows = [f"2026-03-04T07:30:0{i}Z,0,0,1" for i in range(5)]
    with pytest.raises(LogError, match="of 5 rows only 0 can be used.*5 zero_island"):
        read_log(write(["time,latitude,longitude,work_state", *rows]))


@pytest.mark.parametrize(("scale", "hint"), [(1e7, "power of ten"), (4000.0, "metres of a projection")])
def test_positions_that_are_no_degrees(write, scale, hint):
    rows = [f"2026-03-04T07:30:0{i}Z,{-31.5 * scale},{117.2 * scale},1" for i in range(5)]
    with pytest.raises(LogError, match=hint):
        read_log(write(["time,latitude,longitude,work_state", *rows]))


def test_unsorted_rows_are_sorted_and_told():
    time, lat, lon = straight(20)
    time[[4, 5]] = time[[5, 4]]
    lat[[4, 5]] = lat[[5, 4]]
    cleaned = clean_rows(time, lat, lon)
    assert counts(cleaned) == {}
    np.testing.assert_array_equal(cleaned.time_s, 1000.0 + np.arange(20))
    assert "1 row stands after a later one" in say_all(cleaned.warnings)[0]


def test_newest_first():
    cleaned = clean_rows(*(values[::-1] for values in straight(20)))
    np.testing.assert_array_equal(cleaned.latitude_deg, straight(20)[1])
    assert "newest to the oldest" in say_all(cleaned.warnings)[0]


def test_an_excursion_of_several_rows():
    time, lat, lon = straight(20)
    lon[7:10] += 0.05  # 4.7 km for three rows, and back
    cleaned = clean_rows(time, lat, lon)
    np.testing.assert_array_equal(cleaned.reasons["impossible_jump"], [7, 8, 9])


def test_a_jump_for_good_is_a_gap_and_loses_no_row():
    time, lat, lon = straight(40)
    lon[20:] += 0.05
    assert counts(clean_rows(time, lat, lon)) == {}


def test_first_fix_at_a_wrong_place():
    time, lat, lon = straight(40)
    lat[0] += 0.5
    np.testing.assert_array_equal(clean_rows(time, lat, lon).reasons["impossible_jump"], [0])


def test_long_way_after_a_long_time_is_no_jump():
    time, lat, lon = straight(40)
    time[20:] += 3600
    lon[20:] += 0.5  # 47 km in an hour
    assert counts(clean_rows(time, lat, lon)) == {}


def test_ten_rows_a_second_with_stamps_of_whole_seconds():
    time, lat, lon = straight(100, rate=10.0)
    cleaned = clean_rows(np.floor(time), lat, lon)
    assert counts(cleaned) == {}
    np.testing.assert_allclose(cleaned.time_s, time)
    assert "rows share each time stamp" in say_all(cleaned.warnings)[0]


def test_coarse_stamps_keep_rows_at_standstill():
    time, lat, lon = straight(100, rate=10.0)
    lat[30:60] = lat[30]
    cleaned = clean_rows(np.floor(time), lat, lon)
    assert counts(cleaned) == {}
    np.testing.assert_allclose(cleaned.time_s, time)


def test_coarse_stamps_given_twice_lose_the_second_copy():
    time, lat, lon = (np.tile(values, 2) for values in straight(100, rate=10.0))
    cleaned = clean_rows(np.floor(time), lat, lon, np.repeat([0, 1], 100))
    assert counts(cleaned) == {"duplicate": 100}
    np.testing.assert_allclose(cleaned.time_s, straight(100, rate=10.0)[0])


def test_the_same_file_twice(drive_csv):
    log = read_log([drive_csv, drive_csv])
    assert len(log) == 4
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("duplicate", 4)]
    assert any("more than once" in text for text in say_all(log.quality.warnings))


def test_example_names_file_and_row(write):
    good = [f"2026-03-04T07:30:0{i}Z,-31.5000{i},117.2,1" for i in range(5)]
    one = write(["time,latitude,longitude,work_state", *good], "a.csv")
    two = write(["time,latitude,longitude,work_state", "2026-03-04T07:31:00Z,0,0,1"], "b.csv")
    log = read_log([one, two])
    (item,) = log.quality.set_aside
    assert item.reason == "zero_island"
    assert item.example == "b.csv, row 2: time 2026-03-04T07:31:00Z, latitude 0.0, longitude 0.0"


DIRTY = st.tuples(
    st.one_of(st.floats(0, 30), st.integers(0, 30).map(float), st.sampled_from([np.nan, np.inf, 1e9])),
    st.one_of(st.floats(-31.51, -31.49), st.sampled_from([0.0, 95.0, 117.2, np.nan, -31.5])),
    st.one_of(st.floats(117.19, 117.21), st.sampled_from([0.0, 200.0, -31.5, np.inf, 117.2])),
)


@given(st.lists(DIRTY, max_size=40))
def test_every_row_is_kept_or_counted_once(rows):
    time, lat, lon = (np.array([row[i] for row in rows], float) for i in range(3))
    cleaned = clean_rows(time, lat, lon)
    everywhere = np.concatenate([cleaned.order, *cleaned.reasons.values()]) if rows else cleaned.order
    np.testing.assert_array_equal(np.sort(everywhere), np.arange(len(rows)))
    assert (np.diff(cleaned.time_s) > 0).all()


@given(st.permutations(range(25)), st.integers(0, 24), st.sampled_from([0.0, 95.0, np.nan, -32.5]))
def test_order_of_rows_does_not_matter(order, at, odd):
    time, lat, lon = straight(25)
    lat[at] = odd
    expected = clean_rows(time, lat, lon)
    got = clean_rows(time[order], lat[order], lon[order])
    np.testing.assert_array_equal(got.time_s, expected.time_s)
    np.testing.assert_array_equal(got.latitude_deg, expected.latitude_deg)
    assert counts(got) == counts(expected)
