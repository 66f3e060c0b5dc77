"""States of sections, nozzles, the master switch; counts against the machine; reversing."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.errors import LogError
from swathledger.log.read import read_log
from swathledger.words import say_all


def lines(header: str, *cells: str) -> list[str]:
    return [f"time,latitude,longitude,{header}"] + [
        f"2026-03-04T07:30:{i:02d}Z,-31.{50000 + i},117.2,{row}" for i, row in enumerate(cells)
    ]


def test_sections_and_master(drive_csv):
    log = read_log(drive_csv, sections=2, nozzles=8)
    assert log.state_kind == "section"
    np.testing.assert_array_equal(log.state, [[1, 0], [1, 1], [0, 0], [0, 1]])  # master is off in the third row
    assert any("in 1 row the master switch" in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize(
    ("opened", "shut"),
    [
        ("1", "0"),
        ("true", "false"),
        ("TRUE", "FALSE"),
        ("True", "False"),
        ("on", "off"),
        ("On", "Off"),
        ("yes", "no"),
        ("open", "shut"),
        ("OPEN", "CLOSED"),
        ("1.0", "0.0"),
        (" on ", " off"),
    ],
)
def test_words_for_open_and_shut(write, opened, shut):
    log = read_log(write(lines("section_1", opened, shut, opened)))
    np.testing.assert_array_equal(log.state[:, 0], [True, False, True])
    assert log.quality.warnings == ()


def test_other_values_are_listed_with_counts_until_they_are_mapped(write):
    path = write(lines("section_1,work_state", "1,1", "2,1", "3.0,1", "fault,1", ",1", "2,1", "0,1"))
    with pytest.raises(LogError, match=r"found '1' \(8\), '2' \(2\), '3' \(1\), 'fault' \(1\), '0' \(1\)") as caught:
        read_log(path)
    assert (caught.value.row, caught.value.column) == (3, "section_1")
    assert '[log] states = {"2" = "..."' in str(caught.value)
    log = read_log(path, options={"states": {"2": "open", "3": "shut", "FAULT": "shut"}})
    np.testing.assert_array_equal(log.state[:, 0], [True, True, False, False, False, True, False])


@pytest.mark.parametrize(
    ("cells", "states"),
    [
        (["0", "100", "255", "100"], {"0": "shut", "100": "open", "255": "shut"}),
        (["0", "100", "0", "100"], {"100": "open"}),
        (["zu", "auf", "zu", "auf"], {"zu": "shut", "auf": "open"}),
        (["1", "0", "1", "0"], {"0": "open", "1": "shut"}),  # the machine file's word comes before ours
    ],
)
def test_codes_of_other_machines(write, cells, states):
    path = write(lines("section_1", *cells))
    if cells[0] != "1":
        with pytest.raises(LogError, match=r"\[log\] states"):
            read_log(path)
    log = read_log(path, options={"states": states})
    np.testing.assert_array_equal(log.state[:, 0], [False, True, False, True])


@pytest.mark.parametrize(
    ("blank", "expected"),
    [
        (None, [1, 0, 0, 0, 0, 1]),
        ("shut", [1, 0, 0, 0, 0, 1]),
        ("open", [1, 1, 1, 0, 1, 1]),
        ("unchanged", [1, 1, 1, 0, 0, 1]),
    ],
)
def test_blanks(write, blank, expected):
    options = {} if blank is None else {"blank_state": blank}
    log = read_log(write(lines("section_1,hdop", "1,1", ",1", ",1", "0,1", ",1", "1,1")), options=options)
    np.testing.assert_array_equal(log.state[:, 0], np.array(expected, bool))
    text = " ".join(say_all(log.quality.warnings))
    if blank is None:  # 2 of 6 cells open if shut, 4 of 6 if unchanged
        assert "3 states are empty" in text
        assert "33.3 %" in text
        assert "66.7 %" in text
        assert 'blank_state = "unchanged"' in text
    else:
        assert f"taken as {blank}" in text


def test_a_state_column_that_says_nothing_is_an_error(write):
    with pytest.raises(LogError, match="no cell says open or shut; found '37'") as caught:
        read_log(write(lines("section_1", "37", "37", "37")))
    assert caught.value.row == 2
    assert caught.value.column == "section_1"


def test_counts_that_fit_neither_are_both_printed(drive_csv):
    with pytest.raises(LogError, match="log has 2 section columns, the machine has 8 sections and 72 nozzles"):
        read_log(drive_csv, sections=8, nozzles=72)


def test_sections_as_many_as_nozzles_are_nozzles(drive_csv):
    log = read_log(drive_csv, sections=1, nozzles=2)
    assert log.state_kind == "nozzle"
    assert any("taken as nozzles" in text for text in say_all(log.quality.warnings))


def test_nozzles_win_over_sections(write):
    log = read_log(write(lines("section_1,nozzle_1,nozzle_2", "0,1,1", "0,1,0", "0,0,0")), sections=1, nozzles=2)
    assert log.state_kind == "nozzle"
    np.testing.assert_array_equal(log.state, [[1, 1], [1, 0], [0, 0]])
    assert any("nozzles are used" in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize("name", ["master", "work_state"])
def test_one_state_for_the_whole_width(write, name):
    log = read_log(write(lines(name, "1", "0", "1")), sections=8, nozzles=72)
    assert log.state_kind == "work"
    np.testing.assert_array_equal(log.state, [[True], [False], [True]])


def test_no_states(write):
    log = read_log(write(lines("hdop", "1", "1", "1")))
    assert log.state_kind == "none"
    assert log.state.all()
    assert log.state.shape == (3, 1)
    assert any("on all the time" in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize(
    ("header", "cells", "reverse"),
    [
        ("gear,speed_m_s", ["F,2", "R,2", "N,0"], [False, True, False]),
        ("gear,speed_m_s", ["3,2", "-1,2", "0,0"], [False, True, False]),
        ("gear,speed_m_s", ["Forward,2", "reverse,2", "R2,3"], [False, True, True]),
        ("reverse,speed_m_s", ["0,2", "1,2", "0,2"], [False, True, False]),
        ("speed_m_s,hdop", ["2,1", "-2,1", "2,1"], [False, True, False]),
    ],
)
def test_reversing(write, header, cells, reverse):
    log = read_log(write(lines(header + ",work_state", *(cell + ",1" for cell in cells))))
    np.testing.assert_array_equal(log.reverse, reverse)
    speeds = np.abs(log.speed_m_s)
    np.testing.assert_array_equal(log.speed_m_s, np.where(reverse, -speeds, speeds))


def test_forward_only_speed_tells_nothing_of_reversing(write):
    assert read_log(write(lines("speed_m_s,work_state", "2,1", "2,1", "0,1"))).reverse is None


def test_product(write):
    log = read_log(write(lines("product,work_state", "herbicide A,1", ",1", "fungicide B,1")))
    assert log.product == ("herbicide A", "", "fungicide B")
