"""Gaps bridged and not bridged; reversing told by sign, by gear, and by cusps alone; standstill; passes and lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE, books_of, ground, rectangle, sprayer
from pathkit import START_S, line_path, log_from_path, log_of, passes_path

from swathledger.motion import default_max_gap_s
from swathledger.swath.build import build_swath
from swathledger.swath.standstill import find_standing, jitter_m
from swathledger.words import say_all

FIELD = ground(rectangle(-40, -40, 40, 240))


def rows(y, t, *, open_=None, x=None, **logged):
    n = len(y)
    return log_from_path(
        np.zeros(n) if x is None else np.asarray(x, float),
        np.asarray(y, float),
        START_S + np.asarray(t, float),
        PLANE,
        np.ones(n, bool) if open_ is None else np.asarray(open_, bool),
        **logged,
    )


# --- gaps ---------------------------------------------------------------------------------------------------------
def with_hole(hole_s: float):
    """100 m at 5 m/s, one row a second, with a hole of ``hole_s`` from 50 m on."""
    t = np.concatenate((np.arange(0, 11.0), 10.0 + hole_s + np.arange(0, 11.0)))
    return rows(5.0 * t, t, heading_deg=0.0), t


def test_default_longest_gap():
    assert default_max_gap_s(1.0) == 6.0
    assert default_max_gap_s(0.1) == 6.0  # at least 6 s
    assert default_max_gap_s(2.0) == 12.0


@pytest.mark.parametrize(("hole_s", "bridged"), [(2.0, True), (6.0, True), (6.5, False), (60.0, False)])
def test_short_holes_are_bridged_and_long_ones_counted(hole_s, bridged):
    log, t = with_hole(hole_s)
    open_to_last = 5.0 * t[-1]
    result = books_of(log, sprayer(6.0), ground(rectangle(-40, -40, 40, open_to_last + 40)))
    swept = open_to_last if bridged else open_to_last - 5.0 * hole_s
    result.near("applied", 6.0 * swept)
    assert result.swath.gaps == (0 if bridged else 1)
    assert result.swath.unbridged_m == pytest.approx(0.0 if bridged else 5.0 * hole_s, abs=1e-3)
    assert result.swath.pass_count == (1 if bridged else 2)


def test_hole_with_nothing_open_loses_nothing():
    t = np.concatenate((np.arange(0, 11.0), 70.0 + np.arange(0, 11.0)))
    open_ = np.ones(22, bool)
    open_[10] = False
    swath = build_swath(rows(5.0 * t, t, open_=open_, heading_deg=0.0), sprayer(6.0), PLANE)
    assert (swath.gaps, swath.unbridged_m) == (1, 0.0)


def test_longest_gap_can_be_set():
    log, _ = with_hole(20.0)
    assert build_swath(log, sprayer(), PLANE, max_gap_s=30.0).gaps == 0
    assert build_swath(log, sprayer(), PLANE, max_gap_s=1.5).gaps == 1


def test_jump_no_machine_could_make_is_not_swept():
    # 100 m sideways within a second
    y, x = np.arange(0, 100, 5.0), np.where(np.arange(20) < 10, 0.0, 100.0)
    log = rows(y, np.arange(20.0), x=x, heading_deg=0.0)
    result = books_of(log, sprayer(6.0), ground(rectangle(-40, -40, 140, 140)))
    result.near("applied", 6.0 * (45.0 + 45.0))
    assert result.swath.gaps == 1
    assert result.swath.unbridged_m == pytest.approx(np.hypot(100, 5), abs=1e-3)


def test_litres_over_a_gap_are_not_invented():
    log, _ = with_hole(60.0)
    log = replace(log, flow_l_s=np.full(len(log), 0.5))
    volumes = books_of(log, sprayer(6.0), ground(rectangle(-40, -40, 40, 500))).books.volumes
    assert volumes is not None
    assert volumes.logged_l == pytest.approx(0.5 * 20.0)
    assert volumes.applied_l == pytest.approx(10.0, rel=1e-3)


# --- gears -------------------------------------------------------------------------------------------------------
def back_and_forth():
    """40 m forward, 20 m back, 60 m forward, at 2 m/s, all open; the machine faces north throughout."""
    y = np.concatenate((np.arange(0, 40, 2.0), np.arange(40, 20, -2.0), np.arange(20, 82, 2.0)))
    backwards = np.zeros(y.size, bool)
    backwards[20:30] = True
    return y, np.arange(y.size, dtype=float), backwards


@pytest.mark.parametrize("how", ["sign", "gear", "logged course", "cusps"])
def test_reversing_keeps_the_boom_the_right_way_round(how):
    y, t, backwards = back_and_forth()
    state = np.zeros((y.size, 2), bool)
    state[:-1, 0] = True  # the left half only: turned round, it would sweep the right side
    logged: dict = {}
    if how == "sign":
        logged = {"speed_m_s": np.where(backwards, -2.0, 2.0), "heading_deg": 0.0}
    elif how == "logged course":  # a receiver's course points where the antenna goes
        logged = {"speed_m_s": np.where(backwards, -2.0, 2.0), "heading_deg": np.where(backwards, 180.0, 0.0)}
    log = log_from_path(np.zeros(y.size), y, START_S + t, PLANE, state, **logged)
    if how == "gear":
        log = replace(log, reverse=backwards)
    result = books_of(log, sprayer(8.0, 2), FIELD)
    xs, _ = result.swath.quads()
    assert xs.max() <= 1e-6  # nothing right of the centre line
    result.near("covered", 4.0 * 80.0)
    result.near("overlap_extra", 4.0 * 2 * 20.0, rel=0.1)  # there, back and there again: two more times 20 m
    assert set(result.causes()) == {"turn"}
    assert int(result.swath.reverse.sum()) >= 10


def test_reversing_guessed_from_cusps_is_said():
    y, t, _ = back_and_forth()
    swath = build_swath(log_from_path(np.zeros(y.size), y, START_S + t, PLANE, np.ones(y.size, bool)), sprayer(), PLANE)
    assert any("reversing" in note for note in say_all(swath.notes))


def test_offset_antenna_while_reversing():
    # antenna 3 m ahead: driving back 20 m the boom leads; it goes over the antenna's stations, 3 m further south
    y, t, backwards = back_and_forth()
    log = log_from_path(
        np.zeros(y.size),
        y + 3.0,
        START_S + t,
        PLANE,
        np.ones(y.size, bool),
        heading_deg=0.0,
        speed_m_s=np.where(backwards, -2.0, 2.0),
    )
    from swathledger.machine.machine import Antenna

    swath = build_swath(log, sprayer(antenna=Antenna(3.0, 0.0)), PLANE)
    assert (swath.y_m.min(), swath.y_m.max()) == pytest.approx((0.0, 80.0), abs=1e-5)


# --- standstill -------------------------------------------------------------------------------------------------
def test_standstill_by_speed_and_by_track():
    y = np.concatenate((np.arange(0, 20, 2.0), np.full(20, 20.0), np.arange(22, 40, 2.0)))
    t = np.arange(y.size, dtype=float)
    by_track = find_standing(np.zeros_like(y), y, t, None, 6.0)
    assert np.flatnonzero(by_track).tolist() == list(range(10, 29))  # 19 steps between the 20 rows at 20 m
    speed = np.append(np.diff(y), 2.0)
    assert np.flatnonzero(find_standing(np.zeros_like(y), y, t, speed, 6.0)).tolist() == list(range(10, 29))


def test_reported_zero_is_not_believed_while_positions_walk_off():
    y = np.arange(0, 60, 0.2)  # 10 Hz at 2 m/s, each step only 0.2 m
    t = np.arange(y.size) / 10.0
    assert not find_standing(np.zeros_like(y), y, t, np.zeros_like(y), 6.0).any()
    still = np.zeros_like(y)
    assert find_standing(still, still, t, np.zeros_like(y), 6.0).all()


@pytest.mark.parametrize("sigma", [0.01, 0.1, 0.3])
def test_noise_is_measured_standing_and_driving(sigma):
    rng = np.random.default_rng(2)
    y = np.concatenate((np.arange(0, 400, 2.0), np.full(200, 400.0)))
    t = np.arange(y.size, dtype=float)
    x = rng.normal(0, sigma, y.size)
    assert jitter_m(x, y + rng.normal(0, sigma, y.size), t, 6.0) == pytest.approx(sigma, rel=0.1)
    assert jitter_m(x[:10], y[:10], t[:10], 6.0) == 0.0  # too few rows to tell


# --- passes and lines -----------------------------------------------------------------------------------------------
def test_passes_and_lines_are_numbered_in_time():
    swath = build_swath(log_of(passes_path(3, 50.0, 6.0), PLANE), sprayer(6.0), PLANE)
    assert swath.pass_count == 3
    assert swath.line_id.tolist() == [0, 1, 2]
    # one pass interrupted on its line keeps the line
    path = line_path([0.0], [30.0]).then(line_path([40.0], [70.0]), 2.0)
    swath = build_swath(log_of(path, PLANE), sprayer(6.0), PLANE)
    assert swath.line_id.tolist() == [0, 0]


def test_pass_ids_cover_exactly_the_sprayed_steps():
    swath = build_swath(log_of(passes_path(4, 50.0, 6.0, turn="drive", step_s=0.5), PLANE), sprayer(6.0), PLANE)
    np.testing.assert_array_equal(swath.pass_id >= 0, swath.wanted)
    assert sorted(set(swath.pass_id[swath.wanted].tolist())) == [0, 1, 2, 3]
