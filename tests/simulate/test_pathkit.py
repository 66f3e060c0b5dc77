"""Closed-form drives: positions, times and states worked out by hand."""

from __future__ import annotations

import numpy as np
import pathkit as cf
import pytest

from swathledger.errors import InputError
from swathledger.field.field import LocalPlane
from swathledger.machine.machine import Antenna

PLANE = LocalPlane(-33.5, 148.0)


def sprayed_length(path) -> float:
    """Metres driven while the first section is open: a row's state holds to the next row."""
    step = np.hypot(np.diff(path.x_m), np.diff(path.y_m))
    return float(step[path.state[:-1, 0]].sum())


def test_line_has_a_row_at_every_switch():
    # 5 m/s, 1 s: rows at 0, 5, 10, ...; section 2 opens at 7 and shuts at 23, which are no multiples of 5.
    path = cf.line_path([0.0, 7.0], [25.0, 23.0], bearing_deg=90.0)
    assert path.x_m.tolist() == pytest.approx([0, 5, 7, 10, 15, 20, 23, 25])
    assert path.y_m == pytest.approx(np.zeros(8), abs=1e-12)
    assert path.state[:, 0].tolist() == [True] * 7 + [False]
    assert path.state[:, 1].tolist() == [False, False, True, True, True, True, False, False]
    assert np.diff(path.time_s) == pytest.approx(np.diff(path.x_m) / 5.0, abs=1e-6)


def test_passes_are_sprayed_over_their_length_and_alternate():
    path = cf.passes_path(3, 123.4, 24.0, bearing_deg=37.0, origin=(10.0, -5.0))
    assert sprayed_length(path) == pytest.approx(3 * 123.4)
    assert set(np.round(path.heading_deg, 6)) == {37.0, 217.0}
    back = path.moved(-10.0, 5.0).rotated(-37.0)
    assert sorted(set(np.round(back.x_m, 6) + 0.0)) == [0.0, 24.0, 48.0]  # to the right of the first


@pytest.mark.parametrize("radius", [18.0, 30.0])
def test_driven_turn_is_a_half_circle_spray_off(radius):
    path = cf.passes_path(2, 100.0, 2 * radius, turn="drive", lead_m=10.0, step_s=0.1)
    turn = path.y_m > 110.0 + 1e-9
    assert not path.state[turn].any()
    assert np.hypot(path.x_m[turn] - radius, path.y_m[turn] - 110.0) == pytest.approx(np.full(turn.sum(), radius))
    assert path.y_m.max() == pytest.approx(110.0 + radius, abs=0.01)


def test_circle_is_logged_once_a_second_and_closes():
    path = cf.arc_path(40.0, warm_up_deg=90.0)
    assert np.hypot(path.x_m, path.y_m) == pytest.approx(np.full(len(path), 40.0))
    assert np.median(np.diff(path.time_s)) == pytest.approx(1.0)
    turned = np.unwrap(np.radians(path.heading_deg))
    swept = turned[-1] - turned[path.state[:, 0].argmax()]
    assert swept == pytest.approx(2 * np.pi)


def test_standing_opens_only_at_standstill():
    path = cf.standing_path(30.0)
    step = np.hypot(np.diff(path.x_m), np.diff(path.y_m))
    open_ = path.state[:-1, 0]
    assert np.diff(path.time_s)[open_].sum() == pytest.approx(30.0)
    assert step[open_].max() == 0.0
    log = cf.standing(PLANE, 30.0, flow_open_l_s=2.0)
    assert log.flow_l_s is not None
    assert float((np.diff(log.time_s) * log.flow_l_s[:-1]).sum()) == pytest.approx(60.0)


def test_motions_keep_what_is_sprayed():
    path = cf.line_path([0.0, 7.0], [25.0, 23.0], bearing_deg=20.0, lead_m=5.0)
    for other in (path.moved(3.0, 4.0), path.rotated(200.0), path.time_reversed(), path.mirrored()):
        step = np.hypot(np.diff(other.x_m), np.diff(other.y_m))
        lengths = sorted(float(step[other.state[:-1, k]].sum()) for k in (0, 1))
        assert lengths == pytest.approx([16.0, 25.0])
    # Reversed in time the machine faces the other way, so the narrow section changes sides.
    rev = path.time_reversed()
    step = np.hypot(np.diff(rev.x_m), np.diff(rev.y_m))
    assert step[rev.state[:-1, 0]].sum() == pytest.approx(16.0)
    assert rev.heading_deg[0] == pytest.approx(200.0)


def test_log_is_on_the_plane_with_the_antenna_ahead():
    log = cf.log_of(cf.passes_path(1, 50.0, 10.0, bearing_deg=90.0, lead_m=0.0), PLANE, antenna=Antenna(4.0, 1.0))
    x, y = PLANE.forward(log.latitude_deg, log.longitude_deg)
    assert x[0] == pytest.approx(4.0, abs=1e-6)  # driving east: ahead is east
    assert y[0] == pytest.approx(-1.0, abs=1e-6)  # and right is south


def test_bad_asks_are_refused():
    with pytest.raises(InputError, match="turn must be"):
        cf.passes_path(2, 10.0, 5.0, turn="hop")
    with pytest.raises(InputError, match="at least one pass"):
        cf.passes_path(0, 10.0, 5.0)
