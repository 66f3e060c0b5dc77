"""Where ribbons join to strips and where a new strip begins: every limit met and passed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drivekit import PLANE, sprayer
from pathkit import START_S, log_from_path

from swathledger.grid.strips import Strips, build_strips, pose_lines
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath


def drive(
    steps_m: Any, seconds: Any = 1.0, *, opened: Any = None, heading_deg: Any = 0.0, sections: int = 1, **logged: Any
) -> Swath:
    """Rows one step after the other, driven to the north; all open unless said otherwise."""
    steps = np.asarray(steps_m, float)
    n = steps.size + 1
    y = np.concatenate(([0.0], np.cumsum(steps)))
    t = np.concatenate(([0.0], np.cumsum(np.broadcast_to(np.asarray(seconds, float), steps.shape))))
    on = np.ones((n, sections), bool) if opened is None else np.asarray(opened, bool).reshape(n, -1)
    log = log_from_path(np.zeros(n), y, START_S + t, PLANE, on, heading_deg=heading_deg, **logged)
    return build_swath(log, sprayer(6.0, sections), PLANE, max_gap_s=6.0)


def strips_of(swath: Swath, rate: Any = 1.0, set_rate: Any = 1.0) -> Strips:
    steps = swath.distance_m.shape[0]
    return build_strips(
        swath, np.broadcast_to(np.asarray(rate, float), steps), np.broadcast_to(np.asarray(set_rate, float), steps)
    )


def spans(found: Strips) -> list[tuple[int, int]]:
    """First pose and poses of every strip."""
    return list(zip(found.first_pose.tolist(), found.poses.tolist(), strict=True))


def test_a_strip_is_four_metres_long_at_most() -> None:
    # in a quarter of a second each, so that time is no limit
    assert spans(strips_of(drive([0.99] * 6, 0.25))) == [(0, 5), (4, 3)]
    assert spans(strips_of(drive([1.01] * 6, 0.25))) == [(0, 4), (3, 4)]
    whole = drive([1.0] * 5, 0.25)
    assert spans(strips_of(replace(whole, distance_m=np.full(5, 1.0)))) == [(0, 5), (4, 2)]  # to the last bit
    assert spans(strips_of(drive([5.0, 5.0], 0.25))) == [(0, 2), (1, 2)]  # a longer step is a strip by itself
    assert spans(strips_of(drive([1.9, 2.0, 0.05, 0.2], 0.25))) == [(0, 4), (3, 2)]


def test_a_strip_takes_two_seconds_at_most() -> None:
    assert spans(strips_of(drive([0.3] * 6, 0.5))) == [(0, 5), (4, 3)]
    assert spans(strips_of(drive([0.3] * 6, 0.625))) == [(0, 4), (3, 4)]
    assert spans(strips_of(drive([0.3] * 2, 3.0))) == [(0, 2), (1, 2)]


def test_a_strip_has_seventeen_poses_at_most() -> None:
    assert spans(strips_of(drive([0.05] * 20, 0.0625))) == [(0, 17), (16, 5)]


def test_a_strip_turns_three_and_a_half_degrees_at_most() -> None:
    # 0.06 rad are 3.438 degrees; the boom lines are set here, so that nothing is smoothed
    base = drive([0.5] * 6, 0.25)
    for per_step, expected in ((0.0149, [(0, 5), (4, 3)]), (0.0151, [(0, 4), (3, 4)]), (-0.0151, [(0, 4), (3, 4)])):
        turned = per_step * np.arange(7)
        swath = replace(base, right_x=np.cos(turned), right_y=-np.sin(turned))
        assert spans(strips_of(swath)) == expected, per_step


def test_a_change_of_rate_by_more_than_a_hundredth_begins_a_strip() -> None:
    for rates, expected in (
        ([1.0, 1.0099, 1.0, 1.0], [(0, 5)]),
        ([1.0, 1.0101, 1.0101, 0.9999], [(0, 2), (1, 3), (3, 2)]),
        ([1.0, 0.9901, 1.0, 1.0], [(0, 5)]),
        ([1.0, 0.9899, 0.9899, 0.9899], [(0, 2), (1, 4)]),
        ([0.02, 0.0203, 0.0203, 0.0203], [(0, 2), (1, 4)]),
    ):
        assert spans(strips_of(drive([0.5] * 4, 0.25), rates)) == expected, rates
    # a dose and a set rate that change against each other are one rate
    assert spans(strips_of(drive([0.5] * 4, 0.25), [1.0, 0.5, 0.5, 1.0], [0.01, 0.02, 0.02, 0.01])) == [(0, 5)]


def test_runs_that_change_begin_strips_and_others_go_on() -> None:
    # the left section is open all along, the middle from the second step on, the right in the first and third
    opened = [[1, 0, 1], [1, 0, 0], [1, 0, 1], [1, 0, 1], [0, 0, 0]]
    found = strips_of(drive([0.5] * 4, 0.25, opened=opened, sections=3))
    assert [
        (a, b, left, right)
        for (a, b), left, right in zip(spans(found), found.left_m.tolist(), found.right_m.tolist(), strict=True)
    ] == [(0, 5, -3.0, -1.0), (0, 2, 1.0, 3.0), (2, 3, 1.0, 3.0)]
    # a shut step between is another pass
    shut = strips_of(drive([0.5] * 4, 0.25, opened=[1, 0, 1, 1, 0]))
    assert spans(shut) == [(0, 2), (2, 3)]
    assert shut.pass_id.tolist() == [0, 1]
    assert shut.line_id.tolist() == [0, 0]


def test_a_strip_never_turns_back_nor_holds_an_end_that_does() -> None:
    # forward, back, forward
    back = np.array([False, False, True, True, False, False, False])
    swath = drive([0.5, 0.5, -0.5, -0.5, 0.5, 0.5], 0.25, speed_m_s=np.where(back, -2.0, 2.0))
    assert spans(strips_of(swath)) == [(0, 3), (2, 3), (4, 3)]
    # the boom turns about a point 2 m right of its centre: the right end goes back, the left one on
    turned = 0.25 * np.arange(4)
    pivot = replace(
        drive([0.5] * 3, 0.25), right_x=np.cos(turned), right_y=-np.sin(turned),
        x_m=2.0 - 2.0 * np.cos(turned), y_m=2.0 * np.sin(turned),
    )  # fmt: skip
    assert spans(strips_of(pivot)) == [(0, 2), (1, 2), (2, 2)]
    # in reverse about the same point: the right end goes forward
    behind = replace(pivot, right_y=np.sin(turned), y_m=-2.0 * np.sin(turned))
    assert spans(strips_of(behind)) == [(0, 2), (1, 2), (2, 2)]
    # of that boom only the left half: both its ends go forward, and it turns too far all the same
    slow = 0.01 * np.arange(4)
    about = replace(
        drive([0.5] * 3, 0.25), right_x=np.cos(slow), right_y=-np.sin(slow),
        x_m=2.0 - 2.0 * np.cos(slow), y_m=2.0 * np.sin(slow),
    )  # fmt: skip
    assert spans(strips_of(about)) == [(0, 2), (1, 2), (2, 2)]
    left = replace(about, ribbon_right_m=np.full(3, 1.0))
    assert spans(strips_of(left)) == [(0, 4)]


def test_what_a_strip_knows_is_the_mean_of_its_steps() -> None:
    # steps of 1 and 0.5 m, then a long one; doses 1 and 1.006 weighted by the way; set rate of the first
    swath = drive([1.0, 0.5, 5.0], [0.5, 0.25, 1.0])
    found = strips_of(swath, [1.0, 1.006, 2.0], [0.01, 0.01, 0.02])
    assert spans(found) == [(0, 3), (2, 2)]
    assert found.dose == pytest.approx([(1.0 + 0.5 * 1.006) / 1.5, 2.0])
    assert found.set_l_m2.tolist() == [0.01, 0.02]
    assert found.time_s.tolist() == [0.375, 1.25]
    assert found.turn_per_m == pytest.approx([0.0, 0.0], abs=1e-12)
    assert found.heading_deg.tolist() == [0.0, 0.0]
    assert (found.y_min.tolist(), found.y_max.tolist()) == (
        pytest.approx([0.0, 1.5], abs=1e-6), pytest.approx([1.5, 6.5], abs=1e-6),
    )  # fmt: skip
    assert (found.left_m.tolist(), found.right_m.tolist()) == ([-3.0, -3.0], [3.0, 3.0])
    assert found.pass_id.tolist() == [0, 0]


def test_a_strip_s_heading_is_its_middle_line_s_and_its_extent_that_of_all_its_ends() -> None:
    base = drive([0.5] * 4, 0.25)
    turned = np.radians([0.0, 1.0, 2.0, 3.0, 3.3])
    found = strips_of(replace(base, right_x=np.cos(turned), right_y=-np.sin(turned)))
    assert spans(found) == [(0, 5)]
    assert found.heading_deg == pytest.approx([2.0], abs=1e-4)
    # left ends rise by 3 sin(t), right ends fall: from -0 .. to 2 + 3 sin(3.3 deg)
    rights, lefts = base.y_m - 3 * np.sin(turned), base.y_m + 3 * np.sin(turned)
    assert found.y_min[0] == pytest.approx(min(rights.min(), lefts.min()))
    assert found.y_max[0] == pytest.approx(2.0 + 3.0 * np.sin(np.radians(3.3)), abs=1e-6)
    three = strips_of(replace(drive([0.5] * 3, 0.25), right_x=np.cos(turned[:4]), right_y=-np.sin(turned[:4])))
    assert three.heading_deg == pytest.approx([1.0], abs=1e-4)  # of three steps the second line


def test_a_swath_that_sprays_nothing_has_no_strips() -> None:
    found = strips_of(drive([0.5] * 4, 0.25, opened=[0] * 5))
    assert spans(found) == []
    assert found.dose.shape == found.y_min.shape == (0,)


def test_boom_lines_are_the_swath_s() -> None:
    swath = drive([0.5] * 4, 0.25)
    lines = pose_lines(swath)
    for ours, theirs in zip(lines, (swath.x_m, swath.y_m, swath.right_x, swath.right_y), strict=True):
        assert ours.tolist() == theirs.tolist()
