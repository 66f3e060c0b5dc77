"""Ground under gaps of a log: what is not recorded, by hand, and what bridging makes of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drivekit import PLANE, books_of, ground, rectangle, sprayer
from pathkit import START_S, log_from_path

from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.swath.build import build_swath
from swathledger.swath.gaps import straight_gaps
from swathledger.words import say_all

FIELD = ground(rectangle(-60, -20, 60, 220))


def drive(x, y, t, heading_deg, state):
    """Rows of a boom; ``state`` a column a section."""
    return log_from_path(
        np.asarray(x, float),
        np.asarray(y, float),
        START_S + np.asarray(t, float),
        PLANE,
        np.asarray(state, bool),
        heading_deg=np.asarray(heading_deg, float),
    )


def straight(gap_s, state=None, bearing=0.0, speed=5.0):
    """20 s of driving on either side of a gap, one row a second, along a bearing from (0, 0)."""
    t = np.concatenate((np.arange(0, 21.0), 20.0 + gap_s + np.arange(0, 21.0)))
    s = speed * t
    b = math.radians(bearing)
    opened = np.ones((t.size, 1), bool) if state is None else np.asarray(state, bool)
    return drive(s * math.sin(b), s * math.cos(b), t, np.full(t.size, bearing), opened)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 270.0])
@pytest.mark.parametrize(("width", "gap_s", "speed"), [(12.0, 8.0, 2.0), (24.0, 15.0, 1.5)])
def test_ground_between_the_booms_is_not_recorded(bearing, width, gap_s, speed):
    field = ground(rectangle(-60, -20, 60, 220, bearing))
    result = books_of(straight(gap_s, bearing=bearing, speed=speed), sprayer(width), field)
    # the boom stood at 20 s and was seen again gap_s later: width x way between
    lost = width * speed * gap_s
    result.near("not_recorded", lost)
    result.near("covered", width * speed * 40.0)
    result.near("skip", 120.0 * 240.0 - width * speed * 40.0 - lost)


def test_spray_off_at_one_end_leaves_skip():
    for off in (20, 21):  # last row before the gap, first row after it
        state = np.ones((42, 1), bool)
        state[off] = False
        result = books_of(straight(15.0, state, speed=2.0), sprayer(12.0), FIELD)
        assert result.books.areas.cells["not_recorded"] == 0


def test_sections_open_at_either_end_count():
    # two sections of 6 m: the left one open before the gap only, the right one after it only
    state = np.zeros((42, 2), bool)
    state[:21, 0], state[21:, 1] = True, True
    result = books_of(straight(10.0, state, speed=2.0), sprayer(12.0, 2), FIELD)
    result.near("not_recorded", 12.0 * 20.0)
    # four sections, the outer two never open: only the inner 6 m may have been sprayed
    state = np.zeros((42, 4), bool)
    state[:, 1:3] = True
    result = books_of(straight(10.0, state, speed=2.0), sprayer(12.0, 4), FIELD)
    result.near("not_recorded", 6.0 * 20.0)


def test_ground_that_a_later_pass_treats_is_covered():
    # east along y = 50 with a gap from x = -10 to 10, then north along x = 5 through the middle of it
    t = np.concatenate((np.arange(0, 11.0), 30 + np.arange(0, 11.0), 100 + np.arange(0, 51.0)))
    x = np.concatenate((np.linspace(-50, -10, 11), np.linspace(10, 50, 11), np.full(51, 5.0)))
    y = np.concatenate((np.full(22, 50.0), np.linspace(0, 100, 51)))
    heading = np.concatenate((np.full(22, 90.0), np.zeros(51)))
    state = np.ones((t.size, 1), bool)
    state[21] = False  # shut at the end of the first pass: no gap with spray at both ends before the second
    result = books_of(drive(x, y, t, heading, state), sprayer(6.0), FIELD)
    # 20 m x 6 m under the gap, of which the 6 m wide pass north covers 6 m x 6 m
    result.near("not_recorded", 20.0 * 6.0 - 6.0 * 6.0)


def test_turn_within_a_gap_leaves_ground_ahead_and_behind():
    # north along x = 0 to y = 100 at 4 m/s; 40 s later found on x = 30, southward from y = 80
    t = np.concatenate((np.arange(0, 26.0), 65 + np.arange(0, 21.0)))
    y = np.concatenate((4.0 * np.arange(26), 80 - 4.0 * np.arange(21)))
    x = np.where(np.arange(t.size) < 26, 0.0, 30.0)
    heading = np.where(np.arange(t.size) < 26, 0.0, 180.0)
    result = books_of(drive(x, y, t, heading, np.ones((t.size, 1), bool)), sprayer(10.0), FIELD)
    # half of 40 s at 4 m/s = 80 m ahead of y = 100, and 80 m behind y = 80
    result.near("not_recorded", 10.0 * (80.0 + 80.0))
    # the field ends at y = 120: what lies beyond it is nobody's
    result = books_of(
        drive(x, y, t, heading, np.ones((t.size, 1), bool)), sprayer(10.0), ground(rectangle(-60, -20, 60, 120))
    )
    result.near("not_recorded", 10.0 * (20.0 + 40.0))


def test_pause_on_the_spot_hides_nothing():
    t = np.concatenate((np.arange(0, 11.0), 1000 + np.arange(0, 11.0)))
    y = np.concatenate((3.0 * np.arange(11), 30 + 3.0 * np.arange(11)))
    result = books_of(drive(np.zeros(22), y, t, np.zeros(22), np.ones((22, 1), bool)), sprayer(6.0), FIELD)
    assert result.swath.gaps == 1
    assert result.books.areas.cells["not_recorded"] == 0


def test_jump_is_no_straight_way():
    # one row 100 m aside within a second: either side may be wrong, so nothing is laid across
    y, x = np.arange(0, 100, 5.0), np.where(np.arange(20) < 10, 0.0, 50.0)
    result = books_of(drive(x, y, np.arange(20.0), np.zeros(20), np.ones((20, 1), bool)), sprayer(6.0), FIELD)
    # half a second at 5 m/s ahead of one and behind the other
    assert result.swath.gaps == 1
    result.near("not_recorded", 6.0 * 2.5 * 2)


@pytest.mark.parametrize("cell_m", [0.05, 0.1, 0.25])
def test_halves_of_a_field_add_up(cell_m):
    """Bands, threads and cells: the identity holds and every thread counts the same."""
    log, machine = straight(15.0, bearing=20.0, speed=3.0), sprayer(24.0)
    field = ground(rectangle(-60, -20, 60, 220, 20.0))
    placed = place_drive(log, machine, field, build_swath(log, machine, PLANE), cell_m)
    one, two = (account(placed, tolerance_m=0.1, threads=n).areas for n in (1, 2))
    assert one.cells == two.cells
    assert one.cells["target"] == one.cells["covered"] + one.cells["skip"] + one.cells["not_recorded"]
    assert one.m2("not_recorded") == pytest.approx(24.0 * 45.0, abs=4 * one.standard_error_m2("not_recorded") + 0.02)


def test_bridge_takes_straight_gaps_alone():
    log, machine = straight(15.0, speed=3.0), sprayer(12.0)
    plain = build_swath(log, machine, PLANE)
    assert (plain.gaps, plain.bridged.size) == (1, 0)
    assert build_swath(log, machine, PLANE, bridge_s=14.0).gaps == 1  # too long
    swath = build_swath(log, machine, PLANE, bridge_s=15.0)
    assert (swath.gaps, swath.bridged.size, swath.pass_count) == (0, 1, 1)
    assert any("45 m in all" in note for note in say_all(swath.notes))
    areas = account(place_drive(log, machine, FIELD, swath, 0.1), tolerance_m=0.1).areas
    assert areas.m2("covered") == pytest.approx(12.0 * 3.0 * 55.0, abs=1.0)
    assert areas.cells["not_recorded"] == 0


def test_bridge_leaves_turns_and_shut_ends():
    state = np.ones((42, 1), bool)
    state[20] = False
    assert build_swath(straight(15.0, state, speed=3.0), sprayer(), PLANE, bridge_s=60.0).gaps == 1
    t = np.concatenate((np.arange(0, 26.0), 65 + np.arange(0, 21.0)))
    y = np.concatenate((4.0 * np.arange(26), 80 - 4.0 * np.arange(21)))
    x, heading = (np.where(np.arange(t.size) < 26, a, b) for a, b in ((0.0, 30.0), (0.0, 180.0)))
    log = drive(x, y, t, heading, np.ones((t.size, 1), bool))
    assert build_swath(log, sprayer(), PLANE, bridge_s=60.0).gaps == 1


# --- what is straight -------------------------------------------------------------------------------------------------
def is_straight(start, end, leaving_deg, arriving_deg, seconds=20.0):
    x, y = np.array([[start[0], end[0]]], float), np.array([[start[1], end[1]]], float)
    leaving, arriving = np.deg2rad([leaving_deg]), np.deg2rad([arriving_deg])
    return bool(straight_gaps(x, y, leaving, arriving, np.array([[100.0, 100.0 + seconds]]))[0])


@pytest.mark.parametrize("start", [(0.0, 0.0), (1000.0, -500.0)])
@pytest.mark.parametrize("course", [0.0, 60.0, 200.0, 359.0])
def test_straight_is_along_the_line_between_the_two_places(start, course):
    b = math.radians(course)
    end = (start[0] + 40.0 * math.sin(b), start[1] + 40.0 * math.cos(b))
    assert is_straight(start, end, course, course)
    assert is_straight(start, end, course + 14.9, course - 14.9)
    assert not is_straight(start, end, course + 15.1, course)
    assert not is_straight(start, end, course, course - 15.1)
    assert not is_straight(start, end, course + 180.0, course + 180.0)  # found behind itself
    # 40 m may take 1.4 s and no less: 25 m/s and 5 m
    assert is_straight(start, end, course, course, 1.41)
    assert not is_straight(start, end, course, course, 1.39)


def test_on_the_spot_the_two_directions_are_held_against_each_other():
    assert is_straight((7.0, 3.0), (7.5, 3.5), 90.0, 100.0)
    assert not is_straight((7.0, 3.0), (7.5, 3.5), 90.0, 110.0)


@pytest.mark.parametrize("bridge_s", [None, 20.0])
def test_a_machine_that_reverses_is_followed_backwards(bridge_s):
    # driven backwards northwards with its nose to the south, a gap of 15 s in the middle: 45 m at 3 m/s
    t = np.concatenate((np.arange(0, 21.0), 35.0 + np.arange(0, 21.0)))
    log = log_from_path(
        np.zeros(t.size), 3.0 * t, START_S + t, PLANE, np.ones((t.size, 1), bool),
        heading_deg=np.full(t.size, 180.0), speed_m_s=np.full(t.size, -3.0),
    )  # fmt: skip
    swath = build_swath(log, sprayer(12.0), PLANE, bridge_s=bridge_s)
    assert swath.gaps == (1 if bridge_s is None else 0)
    areas = account(place_drive(log, sprayer(12.0), FIELD, swath, 0.1), tolerance_m=0.1).areas
    assert areas.m2("not_recorded") == pytest.approx(12.0 * 45.0 if bridge_s is None else 0.0, abs=1.0)
