"""Poses: curved interpolation, antenna offsets, trailed booms, headings from the track."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE, sprayer
from pathkit import START_S, arc_path, line_path, log_from_path, log_of, passes_path

from swathledger.errors import LogError
from swathledger.machine.machine import Antenna, Hitch
from swathledger.notes import Note
from swathledger.swath.build import build_swath, open_nozzles, runs_of_row
from swathledger.swath.track import derive_course, find_cusps


def heading_deg(swath):
    return np.degrees(np.arctan2(-swath.right_y, swath.right_x)) % 360.0


@pytest.mark.parametrize("step_deg", [5.0, 10.0, 20.0, 40.0])
def test_hermite_through_both_headings_lies_on_the_circle(step_deg):
    # The tangent length chord / cos^2(turn / 4) makes the cubic's middle lie on the arc: elsewhere it is off by
    # less than R turn^6 / 4000 or so; here held at 1e-5 R for 40 degrees.
    radius = 30.0
    path = arc_path(radius, sweep_deg=200.0, speed_m_s=radius * math.radians(step_deg), step_s=1.0)
    swath = build_swath(log_of(path, PLANE), sprayer(), PLANE, max_step_m=0.5)
    # the last step, to 200 degrees, may be shorter; it is an arc all the same
    assert np.abs(np.hypot(swath.x_m, swath.y_m) - radius).max() < 1e-5 * radius
    # and the heading is the tangent's
    tangent = (np.degrees(np.arctan2(swath.x_m, swath.y_m)) + 90.0) % 360.0
    off = (heading_deg(swath) - tangent + 180.0) % 360.0 - 180.0
    assert np.abs(off).max() < 0.25


def test_neighbouring_steps_share_their_pose_to_the_last_bit():
    path = arc_path(25.0, sweep_deg=90.0)
    swath = build_swath(log_of(path, PLANE), sprayer(), PLANE)
    x, y = PLANE.forward(*(getattr(log_of(path, PLANE), name) for name in ("latitude_deg", "longitude_deg")))
    for px, py in zip(x, y, strict=True):
        assert ((swath.x_m == px) & (swath.y_m == py)).any()


@pytest.mark.parametrize("bearing", [0.0, 90.0, 211.0])
def test_boom_centre_is_the_antenna_moved_back_and_left(bearing):
    # antenna 4 m ahead and 1 m right of the boom's centre: the boom is on the driven line, whatever the bearing
    antenna = Antenna(4.0, 1.0)
    path = line_path([0.0], [30.0], bearing_deg=bearing)
    swath = build_swath(log_of(path, PLANE, antenna=antenna), sprayer(antenna=antenna), PLANE)
    b = math.radians(bearing)
    across = swath.x_m * math.cos(b) - swath.y_m * math.sin(b)
    along = swath.x_m * math.sin(b) + swath.y_m * math.cos(b)
    assert across == pytest.approx(np.zeros_like(across), abs=1e-5)
    assert (along.min(), along.max()) == pytest.approx((0.0, 30.0), abs=1e-5)


def test_right_unit_vector_follows_its_sign_rule():
    # heading t clockwise from north: right = (cos t, -sin t); driving east, right is south
    swath = build_swath(log_of(line_path([0.0], [20.0], bearing_deg=90.0), PLANE), sprayer(), PLANE)
    assert swath.right_x == pytest.approx(0.0, abs=1e-12)
    assert swath.right_y == pytest.approx(-1.0)


# --- trailed ----------------------------------------------------------------------------------------------------------
def test_trailed_boom_swings_in_by_the_tractrix():
    # The hitch drives a corner of a right angle; behind it the trailer's angle obeys tan(a/2) = exp(-s/b), starting at
    # 90 degrees: tan(45) = 1 at s = 0.
    b = 5.0
    y = np.concatenate((np.linspace(-30, 0, 61), np.zeros(60)))
    x = np.concatenate((np.zeros(61), np.linspace(0.5, 30, 60)))
    heading = np.where(np.arange(121) <= 60, 0.0, 90.0)
    log = log_from_path(x, y, START_S + np.arange(121) / 4.0, PLANE, np.ones(121, bool), heading_deg=heading)
    swath = build_swath(log, sprayer(hitch=Hitch(0.0, b)), PLANE)
    s = np.array([2.0, 5.0, 10.0, 20.0])
    for way in s:
        hitch = int(
            np.argmin(
                np.hypot(
                    swath.x_m + b * np.sin(np.radians(heading_deg(swath))) - way,
                    swath.y_m + b * np.cos(np.radians(heading_deg(swath))),
                )
            )
        )
        expected = 90.0 - 2 * math.degrees(math.atan(math.exp(-way / b)))
        # the corner itself is a curve of half a metre here, so a little of the way is lost
        assert heading_deg(swath)[hitch] == pytest.approx(expected, abs=3.0)


def test_trailed_boom_on_a_straight_line_is_behind_by_both_lengths():
    log = log_of(line_path([0.0], [40.0]), PLANE)
    swath = build_swath(log, sprayer(hitch=Hitch(2.0, 6.0)), PLANE)
    assert swath.y_m[0] == pytest.approx(-8.0, abs=1e-6)
    assert swath.x_m == pytest.approx(0.0, abs=1e-6)


def test_trailed_boom_starts_at_the_steady_angle_of_the_curve_it_is_found_on():
    # no warm-up: the first metre is already on sqrt(R^2 + a^2 - b^2) to a few centimetres
    log = log_of(arc_path(30.0, sweep_deg=120.0), PLANE)
    swath = build_swath(log, sprayer(hitch=Hitch(1.5, 6.0)), PLANE)
    r = np.hypot(swath.x_m, swath.y_m)
    assert np.abs(r - math.sqrt(30.0**2 + 1.5**2 - 6.0**2)).max() < 0.05


# --- headings from the track ----------------------------------------------------------------------------------------
def test_course_of_a_circle_is_exact_for_any_spacing_of_rows():
    rng = np.random.default_rng(1)
    angle = np.cumsum(rng.uniform(0.05, 0.3, 60))
    x, y = 40.0 * np.sin(angle), 40.0 * np.cos(angle)
    course = derive_course(x, y, np.zeros(59, dtype=bool), 1.0)
    expected = angle + np.pi / 2  # clockwise
    off = (course - expected + np.pi) % (2 * np.pi) - np.pi
    assert np.abs(off).max() < math.radians(0.05)


def test_headings_from_the_track_agree_with_logged_ones():
    path = passes_path(3, 80.0, 24.0, turn="drive", bearing_deg=20.0)
    with_heading = build_swath(log_of(path, PLANE), sprayer(24.0), PLANE)
    without = build_swath(log_of(path, PLANE, log_heading=False), sprayer(24.0), PLANE)
    off = np.abs((without.row_heading_deg - with_heading.row_heading_deg + 180) % 360 - 180)
    assert off[without.row_open[:, 0]].max() < 3.0  # the ends of a pass touch the turn
    assert np.median(off) < 0.01
    assert Note.of("swath.heading_from_track") in without.notes


def test_rows_without_heading_take_the_tracks():
    path = arc_path(30.0, sweep_deg=180.0)
    heading = path.heading_deg.copy()
    heading[5:12] = np.nan
    log = replace(log_of(path, PLANE), heading_deg=heading)
    swath = build_swath(log, sprayer(), PLANE)
    off = np.abs((swath.row_heading_deg - path.heading_deg + 180) % 360 - 180)
    assert off.max() < 0.5


def test_cusp_is_found_where_the_track_turns_back():
    y = np.concatenate((np.arange(0, 21.0), np.arange(19, -1, -1.0)))
    assert find_cusps(np.zeros_like(y), y, np.ones(y.size - 1, bool), 1.0).tolist() == [20]


# --- nozzles and runs -------------------------------------------------------------------------------------------
def test_runs_of_open_nozzles_typed_out():
    opened = np.array([[1, 1, 0, 1], [0, 0, 0, 0], [0, 1, 1, 1]], dtype=bool)
    runs = runs_of_row(opened, np.array([-2.0, -1.0, 0.0, 1.0, 2.0]))
    assert runs.row.tolist() == [0, 0, 2]
    assert runs.left_m.tolist() == [-2.0, 1.0, -1.0]
    assert runs.right_m.tolist() == [0.0, 2.0, 2.0]


def test_state_columns_that_fit_neither_sections_nor_nozzles():
    machine = sprayer(12.0, [4, 10, 10])
    log = log_of(line_path([0.0] * 5, [20.0] * 5), PLANE)
    with pytest.raises(LogError, match=r"5 section state columns.*3 sections and 24 nozzles"):
        open_nozzles(log, machine)


def test_one_row_is_no_swath():
    log = log_from_path(np.zeros(1), np.zeros(1), np.array([START_S]), PLANE, np.ones(1, bool))
    with pytest.raises(LogError, match="at least 2 rows"):
        build_swath(log, sprayer(), PLANE)
