"""What flow control of each nozzle would have spared in turns, against the integral over the boom.

A nozzle at x right of the centre moves |1 - k x| times as far as the centre, k = 1/R. On a full circle of radius R
with dose d and one flow for all: above = d 2 pi R integral of max(1 - |1 - k x|, 0), below the same of
max(|1 - k x| - 1, 0).
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import arc_path, line_path, log_of
from replaykit import block, machine, replay_of, replayed

DOSE = 0.02


def circle_litres(radius_m: float, *, clockwise: bool = True):
    path = arc_path(radius_m, clockwise=clockwise, speed_m_s=3.0, step_s=0.5)
    reach = radius_m + 30
    replay = replay_of(
        block(
            path, machine(36.0), shapely.box(-reach, -reach, reach, reach), groups=("boom",), rate_l_m2=DOSE, cell_m=0.5
        )
    )
    return replay.turn_spared_l, replay.turn_short_l


@pytest.mark.parametrize("clockwise", [True, False])
def test_wide_circle(clockwise):
    # R = 40 > 18: inner half integral of x / 40 over 0..18 = 18^2 / 80 = 4.05 m; the outer half misses as much
    above, below = circle_litres(40.0, clockwise=clockwise)
    assert above == pytest.approx(DOSE * 2 * np.pi * 40 * 4.05, rel=0.01)
    assert below == pytest.approx(DOSE * 2 * np.pi * 40 * 4.05, rel=0.01)


def test_circle_tighter_than_the_boom():
    # R = 12: the inner end moves backwards beyond x = 12. Inner: integral of x/12 over 0..12 = 6, of 2 - x/12 over
    # 12..18 = 12 - 7.5 = 4.5, together 10.5 m; outer: integral of x/12 over 0..18 = 13.5 m
    above, below = circle_litres(12.0)
    assert above == pytest.approx(DOSE * 2 * np.pi * 12 * 10.5, rel=0.01)
    assert below == pytest.approx(DOSE * 2 * np.pi * 12 * 13.5, rel=0.01)


def test_straight_driving_has_nothing_to_spare():
    path = line_path([0.0], [80.0], origin=(0.2, 0.1))
    replay = replay_of(block(path, machine(36.0), shapely.box(-50, -10, 50, 100), groups=("boom",), cell_m=0.5))
    assert (replay.turn_spared_l, replay.turn_short_l) == (0.0, 0.0)


def test_unknown_litres_stay_unknown():
    path = arc_path(30.0)
    replay = replay_of(
        block(path, machine(36.0), shapely.box(-60, -60, 60, 60), groups=("boom",), rate_l_m2=None, cell_m=0.5)
    )
    assert (replay.turn_spared_l, replay.turn_short_l) == (None, None)
    assert replay.results[0].volume_l is None
    # model against log is then told by area
    assert replay.volume_difference_pct == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize(
    ("open_half", "clockwise"), [("left", True), ("right", True), ("left", False), ("right", False)]
)
def test_a_boom_open_on_one_side_alone(open_half, clockwise):
    # R = 40, 18 m open beside the centre. On the inside of the turn every nozzle moves less than the centre: above =
    # integral of x / 40 over 0..18 = 18^2 / 80 = 4.05 m and nothing below; on the outside it is the other way round
    path = arc_path(40.0, clockwise=clockwise, speed_m_s=3.0, step_s=0.5, n_states=2)
    path.state[:, 1 if open_half == "left" else 0] = False
    log = log_of(path, PLANE, state_kind="section", rate_l_m2=DOSE)
    sprayer = machine(36.0, sections=(36, 36))
    audit = replayed(log, sprayer, ground(shapely.box(-80, -80, 80, 80)), groups=("boom",), cell_m=0.5)
    above, below = replay_of(audit).turn_spared_l, replay_of(audit).turn_short_l
    litres = DOSE * 2 * np.pi * 40 * 4.05
    inside = (open_half == "right") == clockwise
    assert above == pytest.approx(litres if inside else 0.0, rel=0.01, abs=1e-6)
    assert below == pytest.approx(0.0 if inside else litres, rel=0.01, abs=1e-6)
