"""Which header stands for what."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.errors import LogError
from swathledger.log.columns import KNOWN, near_names, plan_columns
from swathledger.log.read import read_log
from swathledger.words import say_all

TIMES = [f"2026-03-04T07:30:0{i}Z" for i in range(3)]


def rows(*cells: str) -> list[str]:
    return [",".join([TIMES[i], f"-31.5000{i}", "117.2", *cells]) for i in range(3)]


def test_missing_column_names_the_near_ones(write):
    path = write(["my timestamp,latitude_raw,longitude", "2026-03-04T07:30:00Z,-31.5,117.2"])
    with pytest.raises(LogError) as caught:
        read_log(path)
    text = str(caught.value)
    assert "no column for time (near names: 'my timestamp'" in text
    assert "latitude (near names: 'latitude_raw'" in text
    assert "longitude (" not in text
    assert "[columns]" in text


def test_mapped_header_that_is_absent_names_the_near_ones(write):
    path = write(["timestamp,latitude,longitude", "2026-03-04T07:30:00Z,-31.5,117.2"])
    with pytest.raises(LogError, match="'time_stamp'.*does not have.*'timestamp'"):
        read_log(path, columns={"time": "time_stamp"})


def test_mapped_and_folded_names():
    plan = plan_columns([" Time ", "LATITUDE", "x", "Speed_KM_H"], {"longitude": "X"}, file="f")
    assert plan.fixed == {"time": " Time ", "latitude": "LATITUDE", "longitude": "x", "speed_km_h": "Speed_KM_H"}
    assert plan.ignored == ()


def test_unknown_mapped_name_becomes_extra(write):
    path = write(["time,latitude,longitude,counter,other", *rows("5", "9")])
    log = read_log(path, columns={"machine_total_area_m2": "counter"})
    np.testing.assert_array_equal(log.extra["machine_total_area_m2"], [5.0] * 3)
    assert log.quality.columns_ignored == ("other",)
    assert ("machine_total_area_m2", "counter") in log.quality.columns_understood


def test_shapefile_names():
    plan = plan_columns(["time", "working_wi", "heading_de", "rate_gal_a"], file="f", truncated=True)
    assert plan.fixed["working_width_m"] == "working_wi"
    assert plan.fixed["heading_deg"] == "heading_de"
    assert plan.fixed["rate_gal_ac"] == "rate_gal_a"
    assert "working_width_m" not in plan_columns(["working_wi"], file="f").fixed


def test_every_known_name_is_found_by_itself():
    for name in KNOWN:
        assert plan_columns([name], file="f").fixed == {name: name}


def test_two_units_prefer_si_and_say_so(write):
    path = write(["time,latitude,longitude,work_state,speed_mph,speed_m_s", *rows("1", "10", "4")])
    log = read_log(path)
    np.testing.assert_array_equal(log.speed_m_s, [4.0] * 3)
    assert any("speed_m_s and as speed_mph" in text for text in say_all(log.quality.warnings))
    assert "speed_mph" in log.quality.columns_ignored


@pytest.mark.parametrize(
    ("column", "cell", "field", "expected"),
    [
        ("speed_m_s", "4", "speed_m_s", 4.0),
        ("speed_km_h", "36", "speed_m_s", 10.0),
        ("speed_mph", "10", "speed_m_s", 4.4704),  # a mile is 1609.344 m: 16093.44 / 3600
        ("working_width_m", "36", "working_width_m", 36.0),
        ("working_width_ft", "100", "working_width_m", 30.48),  # a foot is 0.3048 m
        ("rate_l_ha", "80", "rate_l_m2", 0.008),  # 80 / 10,000
        ("rate_gal_ac", "10", "rate_l_m2", 37.85411784 / 4046.8564224),
        ("flow_l_min", "120", "flow_l_s", 2.0),
        ("flow_gal_min", "60", "flow_l_s", 3.785411784),  # 231 cubic inches
        ("heading_deg", "-90", "heading_deg", 270.0),
        ("heading_deg", "360", "heading_deg", 0.0),
        ("hdop", "0.8", "hdop", 0.8),
    ],
)
def test_units(write, column, cell, field, expected):
    log = read_log(write([f"time,latitude,longitude,work_state,{column}", *rows("1", cell)]))
    np.testing.assert_allclose(getattr(log, field), [expected] * 3, rtol=1e-14)


@pytest.mark.parametrize(("column", "field"), [("rate_l_ha", "rate_l_m2"), ("flow_l_min", "flow_l_s")])
def test_negative_rates_are_unknown(write, column, field):
    log = read_log(write([f"time,latitude,longitude,work_state,{column}", *rows("1", "-5")]))
    assert np.isnan(getattr(log, field)).all()
    assert any("3 values of" in text and "negative" in text for text in say_all(log.quality.warnings))


def test_sigma_of_the_receiver(write):
    log = read_log(write(["time,latitude,longitude,work_state,gnss_sigma_m", *rows("1", "0.02")]))
    assert log.quality.gnss_sigma_m == 0.02


def test_numbers_of_states_must_run_from_one():
    with pytest.raises(LogError, match="found 1, 3, lacking 2"):
        plan_columns(["section_1", "section_3"], file="f")
    with pytest.raises(LogError, match="numbered 1 to k"):
        plan_columns(["nozzle_0", "nozzle_1"], file="f")
    with pytest.raises(LogError, match="two columns are named section 1"):
        plan_columns(["section_1", "Section 01"], file="f")


def test_states_are_ordered_by_number():
    headers = [f"section_{number}" for number in (10, 2, 1, 3, 4, 5, 6, 7, 8, 9)]
    assert plan_columns(headers, file="f").sections == tuple(f"section_{number}" for number in range(1, 11))


def test_pattern_for_states():
    plan = plan_columns(["Sec02", "Sec01", "Second"], {"section": "Sec{}"}, file="f")
    assert plan.sections == ("Sec01", "Sec02")
    assert plan.ignored == ("Second",)
    with pytest.raises(LogError, match="Boom"):
        plan_columns(["Sec1"], {"section": "Boom{}"}, file="f")


def test_pattern_from_zero_is_told():
    plan = plan_columns(["S0", "S1"], {"nozzle": "S{}"}, file="f")
    assert plan.nozzles == ("S0", "S1")
    assert "numbered from 0" in say_all(plan.warnings)[0]


def test_states_mapped_one_by_one():
    plan = plan_columns(["left", "right"], {"section_1": "left", "section_2": "right"}, file="f")
    assert plan.sections == ("left", "right")


def test_near_names():
    assert near_names("latitude", ["lat", "Latitud", "speed"]) == ["lat", "Latitud"]
    assert near_names("hdop", ["speed"]) == []
