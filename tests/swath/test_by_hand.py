"""Standstill, course, gears, sub-steps, passes and litres on rows that can be worked out on paper."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drivekit import PLANE, sprayer
from pathkit import START_S, arc_path, log_from_path, log_of

from swathledger.errors import LogError
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Hitch
from swathledger.swath.build import build_swath, open_nozzles, runs_of_row
from swathledger.swath.pose import Poses, antenna_poses, follow_hitch, trailed_heading
from swathledger.swath.standstill import find_standing, freeze_standing, jitter_m
from swathledger.swath.track import (
    Track,
    _anchor_rows,
    _fill_held,
    _reverse_from_cusps,
    build_track,
    derive_course,
    estimate_sigma_m,
    find_cusps,
    wrap_rad,
)

PI = math.pi


def rows(x: Any, y: Any, t: Any = None, opened: Any = None, **logged: Any) -> Log:
    """A log of antenna places on the plane, one row a second unless times are given, all open but the last."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = x.shape[0]
    time_s = np.arange(n, dtype=float) if t is None else np.asarray(t, float)
    state = np.arange(n) < n - 1 if opened is None else np.asarray(opened, bool)
    return log_from_path(x, y, START_S + time_s, PLANE, state, **logged)


def codes(notes: Any) -> list[str]:
    return [note.code for note in notes]


# --- standstill -------------------------------------------------------------------------------------------------------
def stands(y: Any, t: Any = None, speed: Any = None, gap_s: float = 6.0, sigma_m: float = 0.0) -> list[int]:
    """Steps that stand, driving along y."""
    y = np.asarray(y, float)
    time_s = np.arange(y.size, dtype=float) if t is None else np.asarray(t, float)
    given = None if speed is None else np.broadcast_to(np.asarray(speed, float), y.shape)
    return np.flatnonzero(find_standing(np.zeros_like(y), y, time_s, given, gap_s, sigma_m)).tolist()


def test_a_row_stands_below_a_tenth_of_a_metre_a_second_either_way() -> None:
    y = np.zeros(6)
    assert stands(y, speed=[0.0, 0.099, 0.1, -0.099, -0.1, 0.0]) == [0, 1, 3]
    # a row without a speed is judged by the track, which stands all along
    assert stands(y, speed=[0.2, np.nan, 0.2, 0.0, np.nan, 0.2]) == [1, 3, 4]
    assert stands(y, t=[0.0, 6.0, 12.001, 13.0, 14.0, 15.0], speed=0.0) == [0, 2, 3, 4]
    assert stands([0.0, 0.0], speed=0.0) == [0]


def test_a_logged_standstill_is_believed_within_half_a_metre_and_a_fifth_a_second() -> None:
    # over a step of 1 s 0.5 + 0.2 = 0.7 m, over a window of 3 s 0.5 + 0.6 = 1.1 m
    assert stands([0.0, 0.69], speed=0.0) == [0]
    assert stands([0.0, 0.71], speed=0.0) == []
    assert stands([0.0, 0.36, 0.72, 1.08], speed=0.0) == [0, 1, 2]
    assert stands([0.0, 0.37, 0.74, 1.11], speed=0.0) == []
    assert stands([0.0, 0.37, 0.74, 0.9], speed=0.0) == [0, 1, 2]
    # noise of 0.1 m is let six times: 1.3 m over a step of 1 s
    assert stands([0.0, 1.29], speed=0.0, sigma_m=0.1) == [0]
    assert stands([0.0, 1.31], speed=0.0, sigma_m=0.1) == []
    # one leap within a long stand moves no step but its own, and the windows over it
    leap = np.where(np.arange(12) < 6, 0.0, 0.8)
    assert stands(leap, speed=0.0) == [0, 1, 2, 3, 4, 6, 7, 8, 9, 10]


def test_without_a_speed_standing_takes_three_seconds() -> None:
    assert stands([0, 2, 4, 4, 4, 4, 6, 8]) == [2, 3, 4]
    assert stands([0, 2, 4, 4, 4, 6, 8]) == []
    # slower than 0.1 m/s over the window, and each step slower than 0.2
    assert stands([0, 2, 4, 4.09, 4.18, 4.27, 6, 8]) == [2, 3, 4]
    assert stands([0, 2, 4, 4.11, 4.22, 4.33, 6, 8]) == []
    # the window reaches into a step that moved on by itself: 0.25 m in its last second is driving
    assert stands([0, 2, 4, 4, 4, 4.25, 6, 8]) == [2, 3]
    assert stands([0, 2, 3.75, 4, 4, 4, 6, 8]) == [3, 4]
    assert stands([0, 2, 4, 4, 4, 4.15, 6, 8]) == [2, 3, 4]
    # of steps shorter than half a second it takes 0.1 m
    y = [0.0, 0.5, 1.0, *[1.0] * 12, 1.09, 2.0, 3.0]
    assert stands(y, t=np.arange(len(y)) * 0.25) == list(range(2, 15))
    y[15] = 1.11
    assert stands(y, t=np.arange(len(y)) * 0.25) == list(range(2, 14))
    # a window with a longer gap than is allowed says nothing
    assert stands([0, 0, 0, 0], t=[0.0, 1.0, 2.0, 12.5]) == []
    assert stands([0, 0, 0, 0], t=[0.0, 1.0, 2.0, 5.0]) == [0, 1, 2]


def test_under_noise_standing_is_told_from_means() -> None:
    rng = np.random.default_rng(4)
    sigma = 0.3
    n = 240
    t = np.arange(n) / 2.0
    still = (t >= 30.0) & (t < 90.0)
    y = np.where(t < 30.0, 2.0 * t, np.where(t < 90.0, 60.0, 60.0 + 2.0 * (t - 90.0)))
    noisy = y + rng.normal(0, sigma, n)
    found = np.zeros(n - 1, bool)
    found[stands(noisy, t=t, sigma_m=sigma)] = True
    wrong = np.flatnonzero(found != still[:-1])
    assert wrong.size <= 6
    assert np.isin(wrong, [*range(56, 66), *range(174, 184)]).all()  # about the rows of arrival and of leaving alone


def test_driving_forth_and_back_under_noise_is_no_standstill() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(400) / 2.0
    y = 8.0 * np.sin(2 * PI * t / 16.0)  # 16 s a round: the means of 8 s come and go, 3 m/s at most
    # a few rows at the 25 turning points may pass for standing; means of halves alone would have whole rounds stand
    assert len(stands(y + rng.normal(0, 0.2, t.size), t=t, sigma_m=0.2)) < 25


def test_a_standstill_lies_at_the_mean_of_its_rows() -> None:
    x, y = np.array([0.0, 1.0, 2.0, 6.0, 10.0]), np.array([0.0, -1.0, -2.0, -6.0, 5.0])
    standing = np.array([False, True, True, False])
    fx, fy = freeze_standing(x, y, standing)
    assert fx.tolist() == [0.0, 3.0, 3.0, 3.0, 10.0]
    assert fy.tolist() == [0.0, -3.0, -3.0, -3.0, 5.0]
    fx, _ = freeze_standing(x, y, np.array([True, False, True, True]))
    assert fx.tolist() == [0.5, 0.5, 6.0, 6.0, 6.0]


def test_noise_is_told_from_twenty_values_of_even_steps() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.normal(0, 0.2, (2, 200))
    t = np.arange(200.0)
    assert jitter_m(x[:22], y[:22], t[:22], 6.0) == 0.0  # 19 third differences
    assert jitter_m(x[:23], y[:23], t[:23], 6.0) > 0.0
    assert jitter_m(x, y, t, 0.5) == 0.0  # every step is a gap
    # steps a fifth off the median are even, more are not
    assert jitter_m(x, y, np.cumsum(np.where(np.arange(200) % 3 == 0, 1.19, 1.0)), 6.0) > 0.1
    assert jitter_m(x, y, np.cumsum(np.where(np.arange(200) % 3 == 0, 1.21, 1.0)), 6.0) == 0.0


def test_noise_across_the_way_needs_fifty_values_under_way() -> None:
    rng = np.random.default_rng(6)
    y = np.arange(400.0)
    x = rng.normal(0, 0.1, 400)
    on = np.ones(399, bool)
    assert estimate_sigma_m(x, y, on) == pytest.approx(0.1, rel=0.15)
    assert estimate_sigma_m(y, x, on) == pytest.approx(0.1, rel=0.15)
    assert estimate_sigma_m(x[:53], y[:53], on[:52]) is None
    assert estimate_sigma_m(x[:54], y[:54], on[:53]) is not None
    assert estimate_sigma_m(x, y, np.arange(399) < 51) is None  # 49 thirds of three usable steps
    assert estimate_sigma_m(x, y, np.arange(399) < 52) is not None
    assert estimate_sigma_m(x, y, ~on) is None
    assert estimate_sigma_m(x * 0.01, y * 0.01, on) is None  # steps of a centimetre are none
    assert estimate_sigma_m(x * 0.01, y * 0.03, on) is not None


# --- course -----------------------------------------------------------------------------------------------------------
def test_anchors_are_a_baseline_apart_and_a_short_rest_joins_the_last() -> None:
    x = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.4])
    zero = np.zeros(6)
    assert _anchor_rows(x, zero, 0, 5, 1.0).tolist() == [0, 2, 5]
    assert _anchor_rows(x, zero, 0, 4, 1.0).tolist() == [0, 2, 4]
    assert _anchor_rows(x, zero, 0, 3, 1.0).tolist() == [0, 3]
    assert _anchor_rows(x, zero, 0, 1, 1.0).tolist() == [0, 1]
    assert _anchor_rows(x, zero, 1, 5, 1.0).tolist() == [1, 5]
    assert _anchor_rows(zero, x, 2, 5, 0.5).tolist() == [2, 3, 5]


def test_course_between_the_middles_of_chords_and_beyond_them() -> None:
    # north 2 m, east 4 m, south 6 m: chords of 0, 90 and 180 degrees with their middles at 1, 4 and 9 m
    x, y = np.array([0.0, 0.0, 4.0, 4.0]), np.array([0.0, 2.0, 2.0, -4.0])
    none = np.zeros(3, bool)
    # 90 degrees over 3 m, then over 5 m: at 0 and 2 m -30 and 30; at 6 m 90 + 36; at 12 m 180 + 54
    found = np.rad2deg(derive_course(x, y, none, 1.0))
    assert found == pytest.approx([-30.0, 30.0, 126.0, 234.0])
    # one chord: the same course everywhere
    assert np.rad2deg(derive_course(x[:2], y[:2], none[:1], 1.0)) == pytest.approx([0.0, 0.0])
    # from a chord of 5 m on only the last two rows count
    assert np.rad2deg(derive_course(x, y, none, 50.0)) == pytest.approx([135.0] * 4)  # from (0, 0) to (4, -4)


def test_no_course_is_carried_over_a_break() -> None:
    x, y = np.array([0.0, 0.0, 5.0, 9.0, 9.0, 9.0]), np.array([0.0, 2.0, 2.0, 2.0, 2.0, 2.0])
    found = np.rad2deg(derive_course(x, y, np.array([False, True, False, True, False]), 1.0))
    assert found[:4] == pytest.approx([0.0, 0.0, 90.0, 90.0])
    assert np.isnan(found[4:]).all()  # a stretch that never moves
    alone = derive_course(x, y, np.array([True, False, False, False, False]), 1.0)
    assert np.isnan(alone[0])
    slow = derive_course(np.zeros(3), np.array([0.0, 0.2, 0.4]), np.zeros(2, bool), 1.0)
    assert slow.tolist() == [0.0, 0.0, 0.0]  # shorter than the baseline, and a course all the same


def test_unknown_courses_hold_the_last_known() -> None:
    nan = np.nan
    assert _fill_held(np.array([nan, 1.0, nan, nan, 2.0, nan])).tolist() == [1.0, 1.0, 1.0, 1.0, 2.0, 2.0]
    assert _fill_held(np.array([nan, nan])).tolist() == [0.0, 0.0]
    assert _fill_held(np.array([3.0])).tolist() == [3.0]


def test_angles_wrap_at_half_a_turn() -> None:
    assert wrap_rad(np.array([0.0, 3.0, PI, -PI, 4.0, -4.0])) == pytest.approx(
        [0.0, 3.0, -PI, -PI, 4.0 - 2 * PI, 2 * PI - 4.0]
    )


def test_a_cusp_is_a_turn_of_more_than_110_degrees_within_a_baseline() -> None:
    def cusps(turn_deg: float, leg_m: float = 4.0, baseline_m: float = 1.0) -> list[int]:
        a = math.radians(turn_deg)
        k = np.arange(1, 5) * leg_m / 4.0
        x = np.concatenate((np.zeros(5), k * math.sin(a)))
        y = np.concatenate((np.arange(5) * 1.0, 4.0 + k * math.cos(a)))
        return find_cusps(x, y, np.ones(8, bool), baseline_m).tolist()

    assert cusps(109.0) == []
    assert cusps(111.0) == [4]
    assert cusps(180.0) == [4]
    # a leg shorter than half the baseline is noise
    assert cusps(180.0, 4.0, 4.0) == [4]
    assert cusps(180.0, 1.9, 4.0) == []
    # every stretch by itself: three rows are enough, two are not
    y = np.array([0.0, 2.0, 0.0, 9.0, 7.0, 9.0, 20.0, 22.0])
    linked = np.array([True, True, False, True, True, False, True])
    assert find_cusps(np.zeros(8), y, linked, 1.0).tolist() == [1, 4]
    assert find_cusps(np.zeros(2), np.array([0.0, 1.0]), np.ones(1, bool), 1.0).tolist() == []


def test_the_turning_point_is_the_row_farthest_along_the_old_course() -> None:
    # rows every 0.3 m; with a baseline of 1 m the anchors pass the turning point by
    up = np.arange(0.0, 3.01, 0.3)
    y = np.concatenate((up, up[-2::-1]))
    for angle in (0.0, 1.0, 2.5, -2.0):
        x, along = math.sin(angle) * y, math.cos(angle) * y
        assert find_cusps(x, along, np.ones(y.size - 1, bool), 1.0).tolist() == [10]


def test_the_short_leg_between_two_cusps_is_the_reversed_one() -> None:
    def reversed_steps(cusps: list[int], along: Any, time: Any) -> list[int]:
        flags = _reverse_from_cusps(np.asarray(cusps), np.asarray(along, float), np.asarray(time, float), len(along))
        return np.flatnonzero(flags).tolist()

    steady = 10.0 * np.arange(8)
    assert reversed_steps([2, 5], steady, steady) == [2, 3, 4]
    assert reversed_steps([2, 5, 6], steady, steady) == [2, 3, 4]  # the pair is used up
    assert reversed_steps([1, 2, 5, 6], steady, steady) == [1, 5]
    assert reversed_steps([0, 6], steady, steady) == []  # 60 m
    assert reversed_steps([0, 6], steady * 0.99, steady) == list(range(6))
    assert reversed_steps([0, 6], steady * 0.99, steady * 2.0) == []  # 120 s
    assert reversed_steps([0, 6], steady * 0.99, steady * 1.99) == list(range(6))
    # a first cusp that is far from the second is no pair; the second and third are
    assert reversed_steps([0, 6, 7], steady, steady) == [6]
    assert reversed_steps([3], steady, steady) == []


# --- tracks -----------------------------------------------------------------------------------------------------------
def track(x: Any, y: Any, gap_s: float = 6.0, t: Any = None, **logged: Any) -> Track:
    reverse = logged.pop("reverse", None)
    log = rows(x, y, t, **logged)
    if reverse is not None:
        log = replace(log, reverse=np.asarray(reverse, bool))
    return build_track(log, np.asarray(x, float), np.asarray(y, float), gap_s)


def degrees(angle: Any) -> list[float]:
    return [round(float(v), 6) for v in (np.rad2deg(angle) + 180.0) % 360.0 - 180.0]


def test_gaps_and_jumps_end_a_track() -> None:
    # 25 m/s and 5 m beyond: 30 m in a second may be, more may not
    y = [0.0, 30.0, 60.1, 61.0, 62.0, 63.0]
    found = track(np.zeros(6), y, t=[0.0, 1.0, 2.0, 8.0, 14.001, 15.0])
    assert found.linked.tolist() == [True, False, True, False, True]
    assert found.jumps == 1  # a gap is no jump
    assert found.time_s.tolist() == pytest.approx([0.0, 1.0, 2.0, 8.0, 14.001, 15.0])
    both = track(np.zeros(3), [0.0, 500.0, 501.0], t=[0.0, 7.0, 8.0])
    assert (both.jumps, both.linked.tolist()) == (0, [False, True])


def test_a_receiver_s_course_at_standstill_is_that_of_the_last_row_under_way() -> None:
    y = [0, 2, 4, 4, 4, 4, 4, 6, 8]
    speed = [2, 2, 0, 0, 0, 0, 2, 2, 2]
    found = track(np.zeros(9), y, speed_m_s=speed, heading_deg=np.array([0, 5, 50, 80, 110, 140, 170, 20, 10.0]))
    assert found.standing.tolist() == [False] * 2 + [True] * 4 + [False] * 2
    # driving 0 to 5; arriving at 5; standing at 5; leaving from 5 to 20; 20 to 10
    assert degrees(found.heading_in_rad) == [0, 5, 5, 5, 5, 5, 5, 20]
    assert degrees(found.heading_out_rad) == [5, 5, 5, 5, 5, 5, 20, 10]
    # a log that begins at standstill holds what it begins with
    first = track(
        np.zeros(6), [0, 0, 0, 0, 2, 4], speed_m_s=[0, 0, 0, 2, 2, 2], heading_deg=np.array([7, 90, 99, 95, 20, 30.0])
    )
    assert degrees(first.heading_in_rad) == [7, 7, 7, 7, 20]
    assert degrees(first.heading_out_rad) == [7, 7, 7, 20, 30]


def test_headings_that_are_missing_are_the_track_s() -> None:
    nan = np.nan
    found = track([0, 1, 2, 3], np.zeros(4), heading_deg=np.array([80.0, nan, 85.0, nan]))
    assert degrees(found.heading_in_rad) == [80, 90, 85]
    assert degrees(found.heading_out_rad) == [90, 85, 90]
    assert "swath.heading_from_track" not in codes(found.notes)
    assert "swath.heading_from_track" in codes(track([0, 1, 2, 3], np.zeros(4)).notes)


@pytest.mark.parametrize("told", ["gear", "sign"])
@pytest.mark.parametrize("course", [False, True])
def test_a_machine_that_crabs_keeps_its_logged_heading_in_both_gears(told: str, course: bool) -> None:
    # forward 6 m, back 4, forward 6; the machine points 10 degrees to the right of its way. A receiver writes 190
    # while it drives back.
    y = np.array([0.0, 2, 4, 6, 4, 2, 4, 6, 8])
    back = np.array([False, False, False, True, True, False, False, False, False])
    given: dict[str, Any] = {"heading_deg": np.where(back & course, 190.0, 10.0)}
    if told == "gear":
        given["reverse"] = back
    else:
        given["speed_m_s"] = np.where(back, -2.0, 2.0)
    found = track(np.zeros(9), y, **given)
    assert found.reverse.tolist() == back[:-1].tolist()
    assert degrees(found.heading_in_rad) == [10] * 8
    assert degrees(found.heading_out_rad) == [10] * 8
    assert "swath.reversing_from_track" not in codes(found.notes)


def test_a_change_of_gear_at_either_end_of_a_log_is_one() -> None:
    last = track(np.zeros(5), [0, 2, 4, 6, 4], reverse=[0, 0, 0, 1, 1])
    assert degrees(last.heading_in_rad) == [0, 0, 0, 0]
    assert degrees(last.heading_out_rad) == [0, 0, 0, 0]
    first = track(np.zeros(5), [4, 2, 4, 6, 8], reverse=[1, 0, 0, 0, 0])
    assert degrees(first.heading_in_rad) == [0, 0, 0, 0]
    assert degrees(first.heading_out_rad) == [0, 0, 0, 0]
    # by the sign of the speed: slower than standstill is none
    slow = track(np.zeros(4), [0, 0.05, 0.1, 0.15], speed_m_s=[-0.09, -0.09, -0.09, 2.0])
    assert not slow.reverse.any()
    # standing still is no reversing
    stood = track(np.zeros(5), [0, 2, 2, 2, 4], speed_m_s=[2, 0, 0, 2, 2], reverse=[1, 1, 1, 1, 1])
    assert stood.reverse.tolist() == [True, False, False, True]


def test_reversing_is_guessed_from_the_track_alone_where_no_heading_is_logged() -> None:
    y = [0, 2, 4, 6, 8, 6, 4, 6, 8, 10]
    guessed = track(np.zeros(10), y)
    assert guessed.reverse.tolist() == [False] * 4 + [True, True] + [False] * 3
    assert degrees(guessed.heading_in_rad) == [0] * 9
    assert "swath.reversing_from_track" in codes(guessed.notes)
    # with a heading that turns round, it is a turn
    turned = track(np.zeros(10), y, heading_deg=np.where(np.isin(np.arange(10), [5]), 180.0, 0.0))
    assert not turned.reverse.any()
    assert "swath.reversing_from_track" not in codes(turned.notes)


# --- poses ------------------------------------------------------------------------------------------------------------
def still_track(x: Any, y: Any, heading_in: Any, heading_out: Any, **flags: Any) -> Track:
    n = len(x)
    off = np.zeros(n - 1, bool)
    base: dict[str, Any] = {"linked": ~off, "standing": off, "reverse": off}
    given = base | {name: np.asarray(value, bool) for name, value in flags.items()}
    return Track(
        np.asarray(x, float), np.asarray(y, float), np.arange(n, dtype=float), given["linked"], given["standing"],
        given["reverse"], np.radians(heading_in), np.radians(heading_out), 0, None, (),
    )  # fmt: skip


def parts_of(found: Track, max_step_m: float | None = None, trailed: bool = False) -> list[int]:
    poses = antenna_poses(found, max_step_m, trailed)
    return np.bincount(poses.row_step[poses.row_step >= 0]).tolist()


def test_a_turn_is_split_into_parts_of_a_twenty_fifth_of_a_radian() -> None:
    def turning(rad: float, chord: float = 5.0) -> Track:  # an arc: its chord lies midway between both headings
        half = math.degrees(rad) / 2
        return still_track([0, chord * math.sin(rad / 2)], [0, chord * math.cos(rad / 2)], [0.0], [2 * half])

    assert parts_of(turning(0.0)) == [1]
    assert parts_of(turning(0.039)) == [1]
    assert parts_of(turning(0.041)) == [2]
    assert parts_of(turning(0.1)) == [3]
    assert parts_of(turning(-0.1)) == [3]
    assert parts_of(turning(0.041), max_step_m=2.0) == [3]  # 5 m in steps of 2
    assert parts_of(turning(0.0), max_step_m=5.0) == [1]
    assert parts_of(turning(0.0), trailed=True) == [10]  # half a metre each
    assert parts_of(turning(0.0), max_step_m=0.25, trailed=True) == [20]
    assert parts_of(turning(0.0), max_step_m=0.001) == [400]
    assert parts_of(still_track([0, 1], [0, 5], [0.0], [20.0], standing=[True])) == [1]
    assert parts_of(still_track([0, 1], [0, 5], [0.0], [20.0], linked=[False]), max_step_m=0.5) == [1]


def test_a_bend_within_a_step_is_split_though_both_ends_look_the_same_way() -> None:
    # both headings 0, the chord 0.099 rad aside: twice that in parts of 0.04
    x, y = math.sin(0.099), math.cos(0.099)
    assert parts_of(still_track([0, 5 * x], [0, 5 * y], [0.0], [0.0])) == [5]
    assert parts_of(still_track([0, -5 * x], [0, -5 * y], [0.0], [0.0], reverse=[True])) == [5]
    assert parts_of(still_track([0, -5 * x], [0, -5 * y], [0.0], [0.0])) == [1]
    assert parts_of(still_track([0, 5 * x], [0, -5 * y], [0.0], [0.0], reverse=[True])) == [5]
    # 2 mm beside its chord or less it is noise: 0.08 m x 0.099 / 4 = 1.98 mm, 0.082 m: 2.03 mm
    for chord, parts in ((0.08, 1), (0.082, 5)):
        assert parts_of(still_track([0, chord * x], [0, chord * y], [0.0], [0.0])) == [parts]
    # from 60 degrees on it is no bend
    for degrees_aside, parts in ((59.0, math.ceil(2 * math.radians(59.0) / 0.04)), (61.0, 1)):
        a = math.radians(degrees_aside)
        assert parts_of(still_track([0, 5 * math.sin(a)], [0, 5 * math.cos(a)], [0.0], [0.0])) == [parts]


def test_a_path_whose_heading_is_far_from_its_chord_is_straight() -> None:
    for aside, straight in ((61.0, True), (59.0, False)):
        a = math.radians(aside)
        found = still_track([0, 4 * math.sin(a)], [0, 4 * math.cos(a)], [0.0], [0.0])
        poses = antenna_poses(found, 1.0, False)
        off = poses.x_m * math.cos(a) - poses.y_m * math.sin(a)  # beside the chord
        assert bool(np.abs(off).max() < 1e-9) is straight


def test_a_path_is_straight_where_either_end_looks_far_from_its_chord() -> None:
    # 59 degrees are near, 61 are not: cos 60 is a half
    for start, end, curved in ((0.0, 61.0, False), (61.0, 0.0, False), (0.0, 59.0, True), (59.0, 0.0, True)):
        poses = antenna_poses(still_track([0, 0], [0, 4], [start], [end]), 1.0, False)
        assert bool(np.abs(poses.x_m).max() > 0.1) == curved, (start, end)


def test_the_middle_of_a_hermite_path_by_hand() -> None:
    # chord 4 m north, heading 20 degrees right at the start and 20 left at the end: an arc to the right. Tangents are
    # 4 / cos^2(10 deg) long; half way x = (b0 - b1) L sin 20 = (1/8 + 1/8) L sin 20, y = 2.
    found = still_track([0, 0], [0, 4], [20.0], [-20.0])
    poses = antenna_poses(found, 1.0, False)
    middle = poses.x_m.shape[0] // 2
    length = 4.0 / math.cos(math.radians(10.0)) ** 2
    assert (poses.x_m[middle], poses.y_m[middle]) == pytest.approx((length * math.sin(math.radians(20.0)) / 4, 2.0))
    assert poses.heading_rad[middle] == pytest.approx(0.0, abs=1e-12)
    assert poses.time_s[middle] == pytest.approx(0.5)
    # backwards along the same chord the nose points the other way: the path bulges to the same side
    back = antenna_poses(still_track([0, 0], [0, 4], [200.0], [160.0], reverse=[True]), 1.0, False)
    assert (back.x_m[middle], back.y_m[middle]) == pytest.approx((poses.x_m[middle], 2.0))
    # an S: 20 degrees right at both ends crosses its chord in the middle; at a quarter b0 - (-b1) ...
    quarter = antenna_poses(still_track([0, 0], [0, 4], [20.0], [20.0]), 1.0, False)
    n = quarter.x_m.shape[0] - 1
    u = np.arange(n + 1) / n
    tangent = 4.0 * math.sin(math.radians(20.0))
    assert quarter.x_m == pytest.approx(((u**3 - 2 * u**2 + u) + (u**3 - u**2)) * tangent, abs=1e-12)


def test_a_seam_holds_both_poses_and_belongs_to_no_step() -> None:
    # heading jumps from 0 to 90 at row 1
    poses = antenna_poses(still_track([0, 0, 5], [0, 5, 5], [0.0, 90.0], [0.0, 90.0]), None, False)
    assert poses.row_step.tolist() == [0, -1, 1]
    assert poses.epoch.tolist() == [0, 1, 1, 2]
    assert poses.linked.tolist() == [True, False, True]
    assert np.rad2deg(poses.heading_rad) == pytest.approx([0, 0, 90, 90])
    assert poses.y_m.tolist() == [0, 5, 5, 5]
    flags = antenna_poses(
        still_track([0, 0, 5], [0, 5, 5], [0.0, 90.0], [0.0, 90.0], reverse=[True, True], standing=[True, True]),
        None,
        False,
    )
    assert flags.reverse.tolist() == flags.standing.tolist() == [True, False, True]
    joined = antenna_poses(still_track([0, 0, 0], [0, 5, 9], [0.0, 0.0], [0.0, 0.0]), None, False)
    assert joined.row_step.tolist() == [0, 1]


def test_a_trailer_s_angle_by_hand() -> None:
    # tan(a/2) = 1 at 90 degrees; halved it is 2 atan(1/2) = 53.13 degrees
    assert math.degrees(trailed_heading(0.0, PI / 2, 0.5)) == pytest.approx(90.0 - 53.1301, abs=1e-4)
    assert math.degrees(trailed_heading(PI / 2, 0.0, 0.5)) == pytest.approx(53.1301, abs=1e-4)
    assert trailed_heading(0.3, 0.3, 0.5) == pytest.approx(0.3)
    # 350 and 10 degrees are 20 apart
    assert math.degrees(trailed_heading(math.radians(350.0), math.radians(10.0), 0.0)) == pytest.approx(10.0)
    assert math.degrees(trailed_heading(math.radians(350.0), math.radians(10.0), 1.0)) % 360 == pytest.approx(350.0)


# --- boom -------------------------------------------------------------------------------------------------------------
def test_a_boom_on_a_hitch_without_a_drawbar_is_rigid() -> None:
    log = rows(np.zeros(4), [0, 5, 10, 15], heading_deg=0.0)
    swath = build_swath(log, sprayer(hitch=Hitch(3.0, 0.0), antenna=Antenna(9.0, 1.0)), PLANE)
    assert swath.y_m.min() == pytest.approx(-3.0, abs=1e-5)
    assert swath.x_m == pytest.approx(-1.0, abs=1e-5)


def test_a_trailed_boom_is_held_at_its_hitch_while_reversing() -> None:
    y = np.array([0.0, 2, 4, 6, 8, 6, 4])
    log = replace(rows(np.zeros(7), y, heading_deg=0.0), reverse=np.array([0, 0, 0, 0, 1, 1, 1], bool))
    swath = build_swath(log, sprayer(hitch=Hitch(1.0, 4.0)), PLANE)
    assert swath.x_m == pytest.approx(0.0, abs=1e-5)
    assert swath.y_m.max() == pytest.approx(8.0 - 5.0, abs=1e-5)
    assert swath.right_x == pytest.approx(1.0)
    assert "swath.trailed_reversing" in codes(swath.notes)
    forward = build_swath(rows(np.zeros(7), np.arange(7) * 2.0, heading_deg=0.0), sprayer(hitch=Hitch(1.0, 4.0)), PLANE)
    assert "swath.trailed_reversing" not in codes(forward.notes)


@pytest.mark.parametrize(("clockwise", "sign"), [(True, 1.0), (False, -1.0)])
def test_yaw_for_the_dose_is_one_over_the_radius_and_turns_with_the_gear(clockwise: bool, sign: float) -> None:
    path = arc_path(20.0, sweep_deg=180.0, clockwise=clockwise)
    swath = build_swath(log_of(path, PLANE), sprayer(), PLANE)
    assert swath.turn_per_m == pytest.approx(sign / 20.0, rel=2e-3)
    # backwards over the same ground in the same time, looking the same way: the other sign
    back = log_of(path, PLANE)
    back = replace(
        back, latitude_deg=back.latitude_deg[::-1].copy(), longitude_deg=back.longitude_deg[::-1].copy(),
        heading_deg=back.heading_deg[::-1].copy(), reverse=np.ones(len(back), bool), state=np.ones_like(back.state),
        speed_m_s=None, rate_l_m2=None, flow_l_s=None,
    )  # fmt: skip
    turned = build_swath(back, sprayer(), PLANE)
    assert turned.reverse.all()
    assert turned.turn_per_m == pytest.approx(sign / 20.0, rel=2e-3)


def test_yaw_stays_within_its_gear_and_its_stretch() -> None:
    # straight north, then a gap, then a circle: no yaw leaks over the gap
    circle = arc_path(10.0, sweep_deg=90.0, speed_m_s=2.0)
    x = np.concatenate((np.zeros(5), circle.x_m))
    y = np.concatenate((np.arange(5) * 2.0 - 100.0, circle.y_m))
    t = np.concatenate((np.arange(5.0), 60.0 + np.arange(len(circle))))
    heading = np.concatenate((np.zeros(5), circle.heading_deg))
    swath = build_swath(rows(x, y, t, heading_deg=heading), sprayer(), PLANE)
    before = swath.time_s[:-1] < 4.0
    assert np.abs(swath.turn_per_m[before]).max() < 1e-9
    after = swath.linked & (swath.time_s[:-1] >= 60.0)
    assert swath.turn_per_m[after] == pytest.approx(0.1, rel=0.02)
    assert (swath.turn_per_m[~swath.linked] == 0.0).all()


# --- nozzles, widths --------------------------------------------------------------------------------------------------
def test_a_state_is_the_boom_s_its_sections_or_its_nozzles() -> None:
    boom = sprayer(4.0, [3, 5])
    for kind, columns, expected in (
        ("work", [1], [1] * 8),
        ("none", [0], [0] * 8),
        ("section", [1, 0], [1, 1, 1, 0, 0, 0, 0, 0]),
        ("nozzle", [1, 0, 0, 1, 1, 0, 0, 1], [1, 0, 0, 1, 1, 0, 0, 1]),
    ):
        log = rows([0, 0], [0, 1], opened=[columns] * 2, state_kind=kind)
        assert open_nozzles(log, boom)[0].tolist() == [bool(v) for v in expected], kind
    with pytest.raises(LogError):
        open_nozzles(rows([0, 0], [0, 1], opened=[[1, 0]] * 2, state_kind="nozzle"), boom)
    assert runs_of_row(np.zeros((2, 0), bool), np.array([0.0])).row.tolist() == []


def test_one_centred_ribbon_of_the_logged_width() -> None:
    width = np.array([4.0, 0.8, np.nan, 6.005, 7.0, 0.0, 4.0])
    log = replace(rows(np.zeros(7), np.arange(7) * 5.0, heading_deg=0.0, state_kind="work"), working_width_m=width)
    swath = build_swath(log, sprayer(6.0), PLANE)
    assert swath.width_by_row
    # none logged: the boom's; a centimetre more than the boom is rounding, a metre is a slip; no width sprays nothing
    assert swath.ribbon_step.tolist() == [0, 1, 2, 3, 4]
    assert swath.ribbon_right_m == pytest.approx([2.0, 0.4, 3.0, 3.0025, 3.0])
    assert swath.ribbon_left_m == pytest.approx([-2.0, -0.4, -3.0, -3.0025, -3.0])
    told = {note.code: note for note in swath.notes}
    assert dict(told["swath.no_width"].values)["count"] == 1
    assert dict(told["swath.wider_than_boom"].values)["count"] == 1
    assert "swath.centred" in told
    whole = replace(log, working_width_m=np.full(7, 6.0))
    assert not {"swath.centred", "swath.no_width", "swath.wider_than_boom"} & set(
        codes(build_swath(whole, sprayer(6.0), PLANE).notes)
    )
    sections = replace(log, state_kind="section")
    assert not build_swath(sections, sprayer(6.0), PLANE).width_by_row


# --- passes -----------------------------------------------------------------------------------------------------------
def lines(turn_deg: float, beside_m: float, width_m: float = 6.0) -> list[int]:
    """Two passes north; between them the heading swings and the second lies ``beside_m`` to the right."""
    y = np.arange(12) * 2.0
    x = np.where(np.arange(12) >= 7, beside_m, 0.0)
    heading = np.where(np.arange(12) == 5, turn_deg, 0.0)
    opened = np.isin(np.arange(12), [0, 1, 2, 8, 9, 10])
    return build_swath(rows(x, y, opened=opened, heading_deg=heading), sprayer(width_m), PLANE).line_id.tolist()


def test_passes_share_a_line_within_fifteen_degrees_and_half_a_boom() -> None:
    assert lines(0.0, 0.0) == [0, 0]
    assert lines(14.9, 0.0) == [0, 0]
    assert lines(15.1, 0.0) == [0, 1]
    assert lines(-14.9, 0.0) == [0, 0]
    assert lines(-15.1, 0.0) == [0, 1]
    assert lines(0.0, 2.99) == [0, 0]
    assert lines(0.0, 3.01) == [0, 1]
    assert lines(0.0, -3.01) == [0, 1]
    assert lines(0.0, 3.01, 8.0) == [0, 0]


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 200.0])
def test_beside_is_across_the_old_line_whatever_its_bearing(bearing: float) -> None:
    b = math.radians(bearing)
    for beside, expected in ((2.9, [0, 0, 0]), (3.1, [0, 1, 1]), (-2.9, [0, 0, 0]), (-3.1, [0, 1, 1])):
        along = np.arange(18) * 2.0
        across = np.where(np.arange(18) >= 6, beside, 0.0)
        x, y = along * math.sin(b) + across * math.cos(b), along * math.cos(b) - across * math.sin(b)
        opened = np.isin(np.arange(18), [0, 1, 2, 8, 9, 13, 14])
        swath = build_swath(rows(x, y, opened=opened, heading_deg=bearing), sprayer(6.0), PLANE)
        assert swath.line_id.tolist() == expected, beside


def test_a_gap_ends_a_pass_and_a_seam_does_not() -> None:
    t = np.array([0.0, 1, 2, 20, 21, 22])
    swath = build_swath(rows(np.zeros(6), 2.0 * t, t, heading_deg=0.0), sprayer(6.0), PLANE)
    assert swath.pass_id.tolist() == [0, 0, -1, 1, 1]
    assert (swath.pass_count, swath.gaps) == (2, 1)
    assert swath.unbridged_m == pytest.approx(36.0, abs=1e-5)
    # the heading jumps where it drives on from a stand: one pass
    y = [0, 2, 4, 6]
    seam = build_swath(
        replace(rows(np.zeros(4), y, heading_deg=np.array([0.0, 0, 0, 0])), reverse=np.array([0, 0, 1, 1], bool)),
        sprayer(6.0), PLANE,
    )  # fmt: skip
    assert set(seam.pass_id[seam.wanted].tolist()) == {0}


# --- litres -----------------------------------------------------------------------------------------------------------
def test_litres_are_the_flow_s_else_the_rate_s() -> None:
    # 6 m at 2 m/s; two sections, the right one shut in the second step
    opened = [[1, 1], [1, 0], [0, 0], [1, 1], [0, 0]]
    base = rows(np.zeros(5), [0, 2, 4, 6, 8], opened=opened, heading_deg=0.0)
    machine = sprayer(6.0, 2)
    flow = np.array([0.6, np.nan, 0.3, 0.9, np.nan])
    by_flow = build_swath(replace(base, flow_l_s=flow), machine, PLANE)
    assert by_flow.volume_l == pytest.approx([0.6, 0.6, 0.0, 0.9])  # the second holds the first's
    assert by_flow.dose_l_per_m2 == pytest.approx([0.6 / 12, 0.6 / 6, 0.0, 0.9 / 12], abs=1e-8)
    assert {n.code: dict(n.values)["count"] for n in by_flow.notes if n.code.endswith("held")} == {"swath.flow_held": 2}
    rate = np.array([np.nan, 0.02, 0.03, np.nan, 0.01])
    by_rate = build_swath(replace(base, rate_l_m2=rate), machine, PLANE)
    assert by_rate.dose_l_per_m2 == pytest.approx([0.02, 0.02, 0.0, 0.03])
    assert by_rate.volume_l == pytest.approx([0.24, 0.12, 0.0, 0.36], abs=1e-7)
    assert {n.code: dict(n.values)["count"] for n in by_rate.notes if n.code.endswith("held")} == {"swath.rate_held": 2}
    whole = build_swath(replace(base, rate_l_m2=np.full(5, 0.02)), machine, PLANE)
    assert not any(code.endswith("held") for code in codes(whole.notes))
    known = build_swath(base, sprayer(6.0, 2, set_rate_l_m2=0.05), PLANE)
    assert known.dose_l_per_m2 == pytest.approx([0.05, 0.05, 0.0, 0.05])
    assert "swath.set_rate" in codes(known.notes)
    logged = build_swath(replace(base, rate_l_m2=rate), sprayer(6.0, 2, set_rate_l_m2=0.05), PLANE)
    assert logged.dose_l_per_m2 == pytest.approx([0.02, 0.02, 0.0, 0.03])
    nothing = build_swath(replace(base, flow_l_s=np.full(5, np.nan), rate_l_m2=np.full(5, np.nan)), machine, PLANE)
    assert (nothing.dose_l_per_m2, nothing.volume_l) == (None, None)


def test_litres_poured_standing_are_the_flow_s_and_lay_no_dose() -> None:
    y = [0, 2, 2, 2, 4]
    log = replace(
        rows(np.zeros(5), y, heading_deg=0.0, speed_m_s=np.array([2.0, 0, 0, 2, 2])), flow_l_s=np.full(5, 0.5)
    )
    swath = build_swath(log, sprayer(6.0), PLANE)
    assert swath.standing.tolist() == [False, True, True, False]
    assert swath.volume_l == pytest.approx([0.5] * 4)
    assert swath.dose_l_per_m2 == pytest.approx([0.5 / 12, 0.0, 0.0, 0.5 / 12])
    assert swath.standing_open_s == 2.0
    assert swath.distance_m == pytest.approx([2.0, 0.0, 0.0, 2.0], abs=1e-6)
    assert swath.ribbon_step.tolist() == [0, 3]
    shut = build_swath(replace(log, state=np.zeros_like(log.state)), sprayer(6.0), PLANE)
    assert (shut.standing_open_s, shut.pass_count) == (0.0, 0)


def test_corners_of_a_ribbon_by_hand() -> None:
    # east 4 m, the left third of 6 m: right is south, so it lies 1 to 3 m north
    log = rows([0, 4], [0, 0], opened=[[1, 0, 0], [0, 0, 0]], heading_deg=90.0)
    xs, ys = build_swath(log, sprayer(6.0, 3), PLANE).quads()
    assert xs == pytest.approx(np.array([[0.0, 0.0, 4.0, 4.0]]), abs=1e-6)
    assert ys == pytest.approx(np.array([[3.0, 1.0, 1.0, 3.0]]), abs=1e-6)


def test_ribbons_are_in_time_order_from_left_to_right() -> None:
    opened = [[1, 0, 1], [0, 0, 0], [0, 1, 1], [0, 0, 0]]
    swath = build_swath(rows(np.zeros(4), [0, 2, 4, 6], opened=opened, heading_deg=0.0), sprayer(6.0, 3), PLANE)
    assert swath.ribbon_step.tolist() == [0, 0, 2]
    assert swath.ribbon_left_m.tolist() == [-3.0, 1.0, -1.0]
    assert swath.ribbon_right_m.tolist() == [-1.0, 3.0, 3.0]
    assert swath.wanted.tolist() == [True, False, True]
    assert swath.row_heading_deg == pytest.approx([0.0] * 4)


def test_a_swath_whose_parts_do_not_fit_cannot_be_built() -> None:
    swath = build_swath(rows(np.zeros(4), [0, 2, 4, 6], heading_deg=0.0), sprayer(6.0), PLANE)
    for name in ("y_m", "right_x", "right_y", "time_s", "epoch", "linked", "standing", "wanted", "distance_m",
                 "turn_per_m", "reverse", "pass_id"):  # fmt: skip
        with pytest.raises(LogError, match=name):
            replace(swath, **{name: getattr(swath, name)[:-1]})
    with pytest.raises(LogError, match="left"):
        replace(swath, ribbon_left_m=swath.ribbon_right_m)
    with pytest.raises(LogError, match="two poses"):
        replace(swath, x_m=swath.x_m[:1])


def test_a_turn_on_the_spot_does_not_shorten_the_pass_beside_it():
    # 15 steps of 4 m north, 6 m sideways within a second while the heading swings round, then 15 steps of 4 m south
    y = np.concatenate((4.0 * np.arange(16), 60.0 - 4.0 * np.arange(16)))
    x = np.where(np.arange(32) < 16, 0.0, 6.0)
    heading = np.where(np.arange(32) < 16, 0.0, 180.0)
    log = log_from_path(x, y, START_S + np.arange(32.0), PLANE, np.ones(32, bool), heading_deg=heading)
    swath = build_swath(log, sprayer(6.0), PLANE)
    along = swath.distance_m[np.diff(swath.time_s) > 0.99]
    assert along.shape == (30,)
    assert along == pytest.approx(4.0, abs=1e-3)


# --- gaps at either end, trailers ---------------------------------------------------------------------------------
@pytest.mark.parametrize("times", [[0, 15, 16, 17, 18, 19], [0, 1, 2, 3, 4, 19]])
def test_a_gap_at_the_first_or_the_last_step_is_bridged_like_any_other(times: list[float]) -> None:
    # 3 m/s to the north
    t = np.asarray(times, float)
    log = rows(np.zeros(6), 3.0 * t, t, np.ones(6), heading_deg=0.0)
    swath = build_swath(log, sprayer(6.0), PLANE, max_gap_s=6.0, bridge_s=20.0)
    gap = int(np.argmax(np.diff(t)))
    assert (swath.gaps, swath.epoch[swath.bridged].tolist()) == (0, [gap])
    assert swath.distance_m.sum() == pytest.approx(57.0, rel=1e-6)
    left = build_swath(log, sprayer(6.0), PLANE, max_gap_s=6.0)
    assert (left.gaps, left.bridged.size) == (1, 0)
    assert left.cut.tolist() == [gap]
    assert left.unbridged_m == pytest.approx(45.0, rel=1e-6)
    assert left.unrecorded.area == pytest.approx(6.0 * 45.0, rel=1e-6)


def hitched(x: Any, y: Any, heading: Any, *, linked: Any = None, reverse: Any = None) -> Poses:
    n = len(x)
    off = np.zeros(n - 1, bool)
    return Poses(
        np.asarray(x, float), np.asarray(y, float), np.asarray(heading, float), np.arange(float(n)), np.arange(n),
        ~off if linked is None else np.asarray(linked, bool), off,
        off if reverse is None else np.asarray(reverse, bool), np.arange(n - 1),
    )  # fmt: skip


@pytest.mark.parametrize("right", [1.0, -1.0])
@pytest.mark.parametrize("turn", [0.02, 0.1])
def test_a_trailer_found_on_a_circle_runs_on_the_steady_one(right: float, turn: float) -> None:
    # the hitch on a circle of 20 m about (20, 0), or (-20, 0): it heads north where it is found. A drawbar of 5 m is
    # steady at asin(5 k), k the turn by chord, outside of the hitch's heading
    a = turn * np.arange(40)
    poses = hitched(right * 20.0 * (1.0 - np.cos(a)), 20.0 * np.sin(a), right * a)
    out = follow_hitch(poses, 0.0, 5.0)
    chord = 40.0 * math.sin(turn / 2)
    assert out.heading_rad[0] == pytest.approx(-right * math.asin(5.0 * turn / chord), abs=1e-9)
    # and stays on it: sqrt(400 - 25) from the middle, but for the corners of its chords
    far = np.hypot(out.x_m - right * 20.0, out.y_m)
    assert far == pytest.approx(math.sqrt(375.0), abs=0.5 * turn)
    # two metres are looked over: what turns later is no matter
    late = hitched(np.zeros(12), np.arange(12.0), np.where(np.arange(12) > 3, 0.5, 0.0))
    assert follow_hitch(late, 0.0, 5.0).heading_rad[0] == 0.0
    soon = hitched(np.zeros(12), np.arange(12.0), np.where(np.arange(12) > 1, 0.1, 0.0))
    # 0.1 rad over 2 m: turned back by half a step's turn, and steady at asin(5 x 0.05)
    assert follow_hitch(soon, 0.0, 5.0).heading_rad[0] == pytest.approx(-0.025 - math.asin(0.25))


def test_a_trailer_found_standing_alone_or_reversing_lies_straight() -> None:
    # one row between two gaps, rows on one place, a step backwards
    alone = hitched([0, 0, 50, 90, 90], [0, 1, 0, 0, 1], [0.0, 0.0, 0.7, 0.3, 0.3], linked=[1, 0, 0, 1])
    out = follow_hitch(alone, 0.0, 4.0)
    assert out.heading_rad[2] == pytest.approx(0.7)
    assert (out.x_m[2], out.y_m[2]) == pytest.approx((50 - 4 * math.sin(0.7), -4 * math.cos(0.7)))
    still = follow_hitch(hitched([5, 5, 5], [3, 3, 3], [0.4, 0.4, 0.4]), 0.0, 4.0)
    assert still.heading_rad.tolist() == [0.4, 0.4, 0.4]
    back = hitched([0, 0, 0], [5, 4, 3], [0.2, 0.3, 0.5], reverse=[1, 1])
    assert follow_hitch(back, 0.0, 4.0).heading_rad[0] == pytest.approx(0.2)


def test_backwards_the_angle_at_the_hitch_is_held() -> None:
    # two steps ahead, then back while the machine turns by 0.3 and by -0.1, past a full turn once
    poses = hitched([0, 0, 0, 0, 0], [0, 2, 4, 2, 0], [0.0, 0.0, 0.0, 0.3, 0.2 + 2 * PI], reverse=[0, 0, 1, 1])
    out = follow_hitch(poses, 1.0, 3.0)
    assert out.heading_rad.tolist() == pytest.approx([0.0, 0.0, 0.0, 0.3, 0.2])
    assert out.y_m[2] == pytest.approx(4.0 - 1.0 - 3.0)
    # 1 m from antenna to hitch along the machine, 3 m on along the trailer
    assert (out.x_m[3], out.y_m[3]) == pytest.approx((-4 * math.sin(0.3), 2 - 4 * math.cos(0.3)))


def test_rows_too_few_for_a_window_do_not_stand_under_noise() -> None:
    assert stands(np.zeros(5), sigma_m=0.2) == []
    assert stands(np.zeros(9), sigma_m=0.2) == list(range(8))


def test_neighbouring_straight_steps_share_their_places_to_the_last_bit() -> None:
    # by way of differences 0.1 is missed, from 0.4; heading across the chord: straight
    assert 0.4 + (0.1 - 0.4) != 0.1
    poses = antenna_poses(still_track([0.4, 0.1, 0.4], [0.4, 0.1, 0.4], [90.0, 0.0], [150.0, 0.0]), None, False)
    seam = int(np.flatnonzero(poses.row_step == -1)[0])
    assert (poses.x_m[seam], poses.y_m[seam]) == (0.1, 0.1)
    assert (poses.x_m[-1], poses.y_m[-1]) == (0.4, 0.4)
