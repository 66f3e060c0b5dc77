"""Standstill, cusps and the way over a step under the receiver's noise, on rows that can be worked out on paper."""

from __future__ import annotations

import numpy as np
import pytest
from drivekit import PLANE, sprayer
from pathkit import line_path, log_of

from swathledger.swath.build import build_swath
from swathledger.swath.pose import Poses
from swathledger.swath.standstill import find_standing
from swathledger.swath.track import find_cusps
from swathledger.swath.way import way_of


def stands(x: np.ndarray, y: np.ndarray) -> bool:
    """Whether nine rows of a second each stand, under a noise of 10 cm."""
    found = find_standing(x, y, np.arange(9.0), None, 6.0, 0.1)
    assert found.all() == found.any()
    return bool(found.all())


def test_rows_that_spread_wider_than_the_noise_do_not_stand() -> None:
    # forth and back by d: variance d^2 80/81. Of nine rows 2 x 0.1^2 x (1 + 4/3) from noise and (0.1 x 8)^2 / 12 from
    # creeping, 0.1 m2 in all
    zigzag = np.where(np.arange(9) % 2, -1.0, 1.0)
    still = np.zeros(9)
    for d, stood in ((0.31, True), (0.325, False)):
        assert stands(d * zigzag, still) == stood
        assert stands(still, d * zigzag) == stood
        assert stands(100.0 + d * zigzag, still - 50.0) == stood


def test_rows_that_creep_stand_while_their_halves_lie_together() -> None:
    # four rows and five, 4.5 s apart: 0.1 x 4.5 m and 4 x 0.1 x sqrt(1/4 + 1/5) m are 0.718 m;
    # at 9 cm/s they part by 0.405
    assert stands(np.zeros(9), 0.09 * np.arange(9))
    assert not stands(np.zeros(9), 0.17 * np.arange(9))


def test_a_row_just_four_sigmas_from_where_the_others_stand_stands_with_them() -> None:
    first = np.zeros(9)
    first[0] = 0.4
    assert stands(np.zeros(9), first)
    assert stands(np.zeros(9), first[::-1].copy())


def test_a_chord_too_short_to_tell_is_no_cusp() -> None:
    # anchors 4 m apart at (0, 0), (0, 4) and (2.7, 7); the rest ends 3.97 m from there, 0.2 m beside the second
    x, y = np.array([0.0, 0.0, 2.7, 0.2]), np.array([0.0, 4.0, 7.0, 3.9])
    assert find_cusps(x, y, np.ones(3, bool), 4.0).size == 0
    # 3 m back from a chord of 4 m it is one
    back = np.array([0.0, 4.0, 8.0, 4.0, 1.0])
    assert find_cusps(np.zeros(5), back, np.ones(4, bool), 4.0).tolist() == [2]


def test_speed_under_noise_is_taken_over_a_time_and_adds_up_to_the_progress() -> None:
    # 5 s at 1 m/s and 5 s at 2 m/s, ten rows a second, with a shake of 2 cm from row to row
    t = np.arange(101) / 10.0
    y = np.where(t < 5.0, t, 2.0 * t - 5.0)
    shaken = y + np.where(np.arange(101) % 2, 0.02, 0.0)
    flat = np.zeros(101)
    off = np.zeros(100, bool)
    poses = Poses(flat, shaken, flat, t, np.arange(101), ~off, off, off, np.arange(100))
    way, window = way_of(poses, ~off, 0.05)
    assert way.sum() == pytest.approx(shaken[-1] - shaken[0])
    # away from the change and the ends every step is its speed's
    assert way[10:40] / way[25] == pytest.approx(np.ones(30), abs=0.06)
    assert way[60:90] / way[25] == pytest.approx(np.full(30, 2.0), abs=0.12)
    # 40 sigma are 2 m: over 2 s either way at 1 m/s (1 s shows 2 m at most), over 1 s at 2 m/s
    assert set(window[22:28]) == {2.0}
    assert set(window[65:85]) <= {0.5, 1.0}


def test_corners_of_ribbons_go_from_each_pose_to_the_next() -> None:
    swath = build_swath(log_of(line_path([0.0], [6.0], speed_m_s=2.0, step_s=1.0), PLANE), sprayer(6.0), PLANE)
    x, y = swath.quads()
    # steps of 2 m: start left, start right, end right, end left
    assert x == pytest.approx(np.tile([-3.0, 3.0, 3.0, -3.0], (3, 1)), abs=1e-6)
    assert y == pytest.approx(np.array([[0, 0, 2, 2], [2, 2, 4, 4], [4, 4, 6, 6]]), abs=1e-6)
