"""Paths of bounded curvature: joined ends, known lengths, and no shorter way by brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.simulate.dubins import Pose, dubins_words, sample

place = st.floats(-60, 60)
angle = st.floats(-7, 7)


@given(place, place, angle, place, place, angle, st.floats(3, 15))
def test_every_word_ends_where_it_should(x0, y0, a0, x1, y1, a1, radius):
    start, end = Pose(x0, y0, a0), Pose(x1, y1, a1)
    for word in dubins_words(start, end, radius):
        path = sample(start, word, radius, 0.5)
        assert path[-1, 0] == pytest.approx(x1, abs=1e-5)
        assert path[-1, 1] == pytest.approx(y1, abs=1e-5)
        assert math.remainder(path[-1, 2] - a1, 2 * math.pi) == pytest.approx(0, abs=1e-5)
        driven = np.hypot(*np.diff(path[:, :2], axis=0).T).sum()
        assert driven == pytest.approx(word.length, rel=0.01, abs=1e-6)


def test_known_lengths():
    # Straight on; a half circle to the line beside; a U-turn 36 m wide with R = 9: two quarters and 18 m straight.
    assert dubins_words(Pose(0, 0, 0), Pose(50, 0, 0), 9)[0].length == pytest.approx(50)
    assert dubins_words(Pose(0, 0, 0), Pose(0, 18, math.pi), 9)[0].length == pytest.approx(9 * math.pi)
    assert dubins_words(Pose(0, 0, 0), Pose(0, 36, math.pi), 9)[0].length == pytest.approx(9 * math.pi + 18)
    # A bulb turn on to a line only R away, right, left round and right again: R (pi + 4 acos((R + R/2) / 2R)).
    bulb = dubins_words(Pose(0, 0, 0), Pose(0, 9, math.pi), 9)[0]
    assert bulb.length == pytest.approx(9 * (math.pi + 4 * math.acos(0.75)))
