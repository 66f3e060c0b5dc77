"""Drives whose ledger follows from geometry alone, at cells of 0.1 m, anywhere, in any direction, with any antenna.

Every area must be within 0.05 % of its closed form or within three standard errors, whichever is larger.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from drivekit import PLANE, books_of, drive, ground, placed, rectangle, sprayer
from hypothesis import given, settings
from hypothesis import strategies as st
from pathkit import START_S, PlanePath, arc_path, line_path, log_of, passes_path
from shapely import Polygon

from swathledger.field.field import LocalPlane
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Hitch
from swathledger.words import say_all

BEARINGS = [0.0, 90.0, 45.0, 135.0, math.degrees(math.atan(0.5)), math.degrees(math.atan(1 / 3)), 17.3, 200.0, 301.7]
PLACES = [
    (PLANE, (0.0, 0.0)),
    (LocalPlane(54.582294, 10.211990), (812.37, -455.05)),
    (LocalPlane(0.0, 179.9999), (-3.0, 41.0)),
]
ANTENNAS = [Antenna(), Antenna(3.7, 0.0), Antenna(-2.4, 1.15)]


CASES = [
    pytest.param(bearing, *PLACES[k % 3], ANTENNAS[(k + 1) % 3], id=f"{bearing:.1f}-{k % 3}")
    for k, bearing in enumerate(BEARINGS)
]
"""All bearings, each with another place and antenna."""


# --- parallel passes ------------------------------------------------------------------------------------------------
def check_passes(n, width, length, overlap, bearing, plane, origin, antenna, **logged):
    """``n`` passes of ``width`` whose neighbours overlap by ``overlap`` (a gap where negative), field = their hull."""
    machine = sprayer(width, antenna=antenna)
    spacing = width - overlap
    path = passes_path(n, length, spacing, bearing_deg=bearing, origin=origin)
    field = ground(rectangle(-width / 2, 0, (n - 1) * spacing + width / 2, length, bearing, origin), plane=plane)
    result = drive(path, machine, field, **logged)
    twice, missed = max(overlap, 0.0), max(-overlap, 0.0)
    result.near("applied", n * width * length)
    result.near("overlap", (n - 1) * twice * length)
    result.near("overlap_extra", (n - 1) * twice * length)
    result.near("skip", (n - 1) * missed * length)
    result.near("covered", n * width * length - (n - 1) * twice * length)
    result.near("single", n * width * length - 2 * (n - 1) * twice * length)
    result.near("target", field.target.area)
    # the field's edge is the swath's edge: nothing may fall beside it but a micrometre's worth
    assert result.m2("outside") <= 0.05
    assert result.swath.pass_count == n
    return result


@pytest.mark.parametrize(("bearing", "plane", "origin", "antenna"), CASES)
def test_passes_that_overlap(bearing, plane, origin, antenna):
    result = check_passes(4, 12.0, 100.0, 0.37, bearing, plane, origin, antenna)
    assert set(result.causes()) <= {"guidance", "outside"}
    assert result.cause_m2("guidance") == pytest.approx(result.m2("overlap_extra"), abs=1e-9)


@pytest.mark.parametrize(("bearing", "plane", "origin", "antenna"), CASES)
def test_passes_that_leave_gaps(bearing, plane, origin, antenna):
    check_passes(4, 12.0, 100.0, -0.23, bearing, plane, origin, antenna, log_heading=False)


@settings(max_examples=15)
@given(
    bearing=st.floats(0, 360),
    east=st.floats(-2000, 2000),
    north=st.floats(-2000, 2000),
    ahead=st.floats(-6, 6),
    right=st.floats(-2, 2),
    # a strip much thinner than a cell may be met by no sample point at all: see tests/grid/test_pattern.py
    overlap=st.one_of(st.floats(-0.8, -0.02), st.floats(0.02, 0.8)),
)
def test_passes_anywhere(bearing, east, north, ahead, right, overlap):
    check_passes(3, 9.0, 70.0, overlap, bearing, PLANE, (east, north), Antenna(ahead, right))


def test_passes_that_meet_neither_share_nor_miss_a_cell():
    # Neighbours meet exactly: an edge common to two passes, driven in opposite directions, 1e-6 m of rounding apart.
    result = check_passes(4, 12.0, 100.0, 0.0, 33.3, PLANE, (5.0, 5.0), Antenna())
    assert result.m2("overlap") + result.m2("skip") < 0.05


# --- an edge crossed at an angle --------------------------------------------------------------------------------------
@pytest.mark.parametrize(("bearing", "plane", "origin", "antenna"), CASES)
@pytest.mark.parametrize(("angle", "width"), [(30.0, 3.0), (60.0, 1.5), (75.0, 6.0)])
def test_sections_that_shut_when_wholly_across_an_edge(angle, width, bearing, plane, origin, antenna):
    # Laterally x, the edge lies at station 60 + x cot t. Section [a, a + w] shuts where its last corner crosses it: the
    # triangle beyond has legs w and w cot t, area w^2 / (2 tan t). (Derived.)
    boom, cot = 12.0, 1 / math.tan(math.radians(angle))
    sections = round(boom / width)
    machine = sprayer(boom, sections, antenna=antenna)
    right = -boom / 2 + width * np.arange(1, sections + 1)
    off = 60.0 + right * cot
    path = line_path([0.0] * sections, list(off), bearing_deg=bearing, lead_m=5.0).moved(*origin)
    edge = Polygon([(-boom / 2, 0), (boom / 2, 0), (boom / 2, 60 + boom / 2 * cot), (-boom / 2, 60 - boom / 2 * cot)])
    result = drive(path, machine, ground(placed(edge, bearing, origin), plane=plane))
    beyond = sections * width**2 / 2 * cot
    result.near("outside", beyond)
    result.near("applied", boom * 60.0 + beyond)
    result.near("covered", boom * 60.0)
    assert result.m2("skip") <= 0.05
    assert result.m2("overlap") == 0
    assert result.books.cause_cells["outside"] == result.books.areas.cells["outside"]


def test_waste_at_an_edge_is_linear_in_section_width():
    found = []
    for sections in (2, 4, 8):
        width = 24.0 / sections
        off = 80.0 + (-12.0 + width * np.arange(1, sections + 1))  # 45 degrees: cot = 1
        edge = Polygon([(-12, 0), (12, 0), (12, 92), (-12, 68)])
        result = drive(line_path([0.0] * sections, list(off)), sprayer(24.0, sections), ground(edge))
        found.append(result.m2("outside"))
    # 24 * w / 2 = 144, 72, 36 m2
    assert found == pytest.approx([144.0, 72.0, 36.0], rel=0.01)


# --- turns ---------------------------------------------------------------------------------------------------------
def disc(radius: float, centre=(0.0, 0.0)) -> Polygon:
    return shapely.Point(*centre).buffer(radius, quad_segs=512)


@pytest.mark.parametrize("log_heading", [True, False])
@pytest.mark.parametrize("clockwise", [True, False])
@pytest.mark.parametrize("radius", [20.0, 30.0])
def test_ring_logged_once_a_second(radius, clockwise, log_heading):
    width = 24.0
    antenna = Antenna(2.5, 0.0) if log_heading else Antenna()
    path = arc_path(radius, clockwise=clockwise, centre=(50.0, 20.0), start_bearing_deg=40.0)
    result = drive(
        path, sprayer(width, antenna=antenna), ground(disc(50.0, (50.0, 20.0))), log_heading=log_heading, rate_l_m2=0.02
    )
    result.near("applied", 2 * math.pi * radius * width, rel=1e-3)
    assert result.m2("overlap") < 0.001 * result.m2("applied")
    # Dose ratio R / (R + x), x outward, at each cell: above 1.1 inside r = R / 1.1, below 0.9 outside r = R / 0.9.
    high = math.pi * ((radius / 1.1) ** 2 - (radius - width / 2) ** 2)
    low = math.pi * ((radius + width / 2) ** 2 - (radius / 0.9) ** 2)
    areas = result.books.areas
    h2 = areas.cell_m**2
    assert areas.off_rate_high_cells * h2 == pytest.approx(high, rel=2e-3)
    assert areas.off_rate_low_cells * h2 == pytest.approx(low, rel=2e-3)


@pytest.mark.parametrize("clockwise", [True, False])
@pytest.mark.parametrize(
    ("radius", "width", "cell", "step", "speed"),
    [
        (60.0, 24.0, 0.1, 1.0, 5.0),  # 4,432.0 m2
        (60.0, 24.0, 0.1, 0.1, 5.0),
        (60.0, 24.0, 0.25, 0.2, 3.0),
        (60.0, 24.0, 0.05, 1.0, 5.0),
        (30.0, 36.0, 0.1, 0.2, 4.0),
        (12.2, 24.0, 0.1, 0.2, 3.0),
        (40.0, 24.0, 0.2, 0.5, 0.3),
        (8.0, 24.0, 0.05, 0.2, 3.0),  # folds back over its centre
    ],
)
def test_area_off_rate_of_a_ring(radius, width, cell, step, speed, clockwise):
    # All but R / 1.1 < r < R / 0.9; where the boom folds back, r < W / 2 - R is treated twice and left out.
    path = arc_path(radius, clockwise=clockwise, centre=(3.3, 1.7), speed_m_s=speed, step_s=step)
    result = drive(path, sprayer(width), ground(disc(radius + width / 2 + 1, (3.3, 1.7))), cell_m=cell, rate_l_m2=0.02)
    once_from, to = abs(radius - width / 2), radius + width / 2
    expected = math.pi * ((radius / 1.1) ** 2 - once_from**2 + to**2 - (radius / 0.9) ** 2)
    areas = result.books.areas
    assert (areas.off_rate_low_cells + areas.off_rate_high_cells) * cell**2 == pytest.approx(expected, rel=2e-3)
    assert result.books.volumes is not None
    if radius > width / 2 + 1:
        assert result.books.volumes.closure_pct == pytest.approx(0.0, abs=0.05)
        assert result.books.volumes.applied_l == pytest.approx(0.02 * 2 * math.pi * radius * width, rel=5e-4)
    else:  # what lies about the point that the boom turns on is met by few sample points
        assert result.books.volumes.closure_pct == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(("radius", "bearing"), [(8.0, 0.0), (5.0, 77.0), (11.5, 200.0)])
def test_turn_tighter_than_half_the_boom_sweeps_backwards(radius, bearing):
    # One revolution at 0.5 m/s about a point inside the boom. The outer arm sweeps the disc of R + W/2 once, the inner
    # arm (W/2 - R long) sweeps its own disc backwards, half a revolution later or earlier.
    width = 24.0
    # Ground within half a metre of the centre of the turn is never left.
    outer, inner = radius + width / 2, width / 2 - radius
    twice = math.pi * (inner**2 - min(inner, 0.5) ** 2)
    path = arc_path(radius, start_bearing_deg=bearing, speed_m_s=0.5)
    result = drive(path, sprayer(width), ground(disc(outer + 3.0)))
    result.near("applied", math.pi * outer**2 + twice, rel=1e-3)
    result.near("covered", math.pi * outer**2, rel=1e-3)
    result.near("overlap", twice, rel=1e-2)
    assert set(result.causes()) <= {"turn"}


@pytest.mark.parametrize("clockwise", [True, False])
def test_dose_where_the_boom_sweeps_backwards_is_finite_and_closes(clockwise):
    # |1 - x/R|: the nozzles about the centre of the turn hardly move, and no dose is infinite.
    path = arc_path(8.0, clockwise=clockwise, speed_m_s=0.5)
    result = drive(path, sprayer(24.0), ground(disc(23.0)), rate_l_m2=0.02)
    volumes = result.books.volumes
    assert volumes is not None
    # laid: each nozzle gives its share of rate x width x way of the boom centre, wherever it goes
    assert volumes.applied_l == pytest.approx(0.02 * 24.0 * 2 * math.pi * 8.0, rel=0.02)
    assert abs(volumes.closure_pct) < 2.0


@pytest.mark.parametrize(("radius", "to_hitch", "to_boom"), [(25.0, 1.5, 6.0), (40.0, 3.0, 9.0), (30.0, 2.0, 2.0)])
@pytest.mark.parametrize("clockwise", [True, False])
def test_trailed_boom_runs_inside_the_tractor(radius, to_hitch, to_boom, clockwise):
    # Hitch on sqrt(R^2 + a^2), axle tangent to its own circle: r = sqrt(R^2 + a^2 - b^2) (derived).
    width = 18.0
    inside = math.sqrt(radius**2 + to_hitch**2 - to_boom**2)
    log = log_of(arc_path(radius, clockwise=clockwise, warm_up_deg=360.0), PLANE)
    machine = sprayer(width, hitch=Hitch(to_hitch, to_boom))
    result = books_of(log, machine, ground(disc(radius + width)))
    result.near("applied", 2 * math.pi * inside * width, rel=1e-3)
    # the radius itself, over the sprayed round
    swept = np.concatenate((result.swath.wanted, [False]))
    r = np.hypot(result.swath.x_m, result.swath.y_m)[swept]
    assert np.abs(r - inside).max() < 0.02


# --- exclusions and ends --------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("bearing", "plane", "origin", "antenna"), CASES)
def test_strip_treated_twice_across_an_exclusion_and_past_both_ends(bearing, plane, origin, antenna):
    width, length, past, barred = 10.0, 80.0, 4.0, 7.0
    path = passes_path(2, length + 2 * past, 0.0, bearing_deg=bearing, alternate=False, gap_s=100.0).moved(*origin)
    boundary = rectangle(-9.0, past, 9.0, past + length, bearing, origin)
    waterway = rectangle(-9.0, past + 30.0, 9.0, past + 30.0 + barred, bearing, origin)
    result = drive(path, sprayer(width, antenna=antenna), ground(boundary, waterway, plane))
    on_target = width * (length - barred)
    result.near("applied", 2 * width * (length + 2 * past))
    result.near("covered", on_target)
    result.near("overlap", on_target)
    result.near("overlap_extra", on_target)
    result.near("outside", 2 * width * 2 * past)
    result.near("excluded", 2 * width * barred)
    result.near("skip", 8.0 * (length - barred))
    result.near("target", 18.0 * (length - barred))
    result.near("over_application", on_target + 4 * width * past + 2 * width * barred)
    assert result.m2("single") <= 0.05
    # the second time lies on the same line in the same direction: spraying resumed over ground already done
    assert set(result.causes()) == {"outside", "excluded", "restart"}


# --- section states, nozzle states, widths --------------------------------------------------------------------------
def with_state(log: Log, state, kind) -> Log:
    from dataclasses import replace

    return replace(log, state=np.ascontiguousarray(state), state_kind=kind)


def test_section_states_and_nozzle_states_give_the_same_ledger():
    machine = sprayer(12.0, [4, 10, 10])
    path = line_path([0.0, 3.0, 6.0], [40.0, 44.0, 41.0], bearing_deg=31.0, lead_m=5.0)
    field = ground(rectangle(-8, 2, 8, 42, 31.0))
    by_section = log_of(path, PLANE, rate_l_m2=0.015)
    by_nozzle = with_state(by_section, np.repeat(by_section.state, [4, 10, 10], axis=1), "nozzle")
    a, b = books_of(by_section, machine, field), books_of(by_nozzle, machine, field)
    assert a.books.areas == b.books.areas
    assert a.books.volumes == b.books.volumes
    assert a.books.cause_cells == b.books.cause_cells


def test_runs_of_sections_are_one_ribbon_each():
    # sections 1 and 2 open together are one ribbon of 7 m; with the middle shut there are two
    machine = sprayer(12.0, [4, 10, 10])
    path = line_path([0.0, 0.0, 50.0], [40.0, 40.0, 50.0])
    result = drive(path, machine, ground(rectangle(-8, -2, 8, 52)))
    assert set(zip(result.swath.ribbon_left_m, result.swath.ribbon_right_m, strict=True)) == {(-6.0, 1.0)}
    result.near("applied", 7.0 * 40.0)


@pytest.mark.parametrize("antenna", [Antenna(), Antenna(4.0, -1.0)])
def test_working_width_only(antenna):
    # 9 m over 50 m, then 4.5 m over 30 m, centred: 450 + 135 = 585 m2.
    machine = sprayer(9.0, nozzles=1, antenna=antenna)
    path = line_path([0.0], [80.0], bearing_deg=64.0, lead_m=5.0)
    along = path.x_m * math.sin(math.radians(64)) + path.y_m * math.cos(math.radians(64))
    width = np.where(along < 50.0 - 1e-6, 9.0, 4.5)
    result = drive(path, machine, ground(rectangle(-10, -5, 10, 90, 64.0)), state_kind="work", working_width_m=width)
    result.near("applied", 585.0)
    assert result.swath.width_by_row
    assert any("centred" in note for note in say_all(result.swath.notes))


def test_width_beyond_the_boom_is_a_slip():
    # a logged 1,000 m on a boom of 9 m: the boom's width is taken, and said
    path = line_path([0.0], [40.0])
    width = np.where(np.arange(len(path)) == 3, 1000.0, 9.0)
    field = ground(rectangle(-10, -5, 10, 45))
    result = drive(path, sprayer(9.0, nozzles=1), field, state_kind="work", working_width_m=width)
    result.near("applied", 360.0)
    assert any("1 row logs a working width of up to 1000 m" in note for note in say_all(result.swath.notes))


# --- one pass over its own ground -----------------------------------------------------------------------------------
def headland_turn(legs_m: float, radius_m: float, speed_m_s: float, step_s: float) -> PlanePath:
    """North at x = -R, half round (0, 0) to the right, south at x = R; open all the way."""
    whole = 2 * legs_m + math.pi * radius_m
    s = np.linspace(0.0, whole, round(whole / (speed_m_s * step_s)) + 1)
    angle = np.clip((s - legs_m) / radius_m, 0.0, math.pi)
    before, after = np.minimum(s - legs_m, 0.0), np.maximum(s - legs_m - math.pi * radius_m, 0.0)
    state = np.ones((s.size, 1), dtype=bool)
    state[-1] = False
    return PlanePath(
        -radius_m * np.cos(angle),
        radius_m * np.sin(angle) + before - after,
        START_S + s / speed_m_s,
        np.degrees(angle),
        state,
    )


@pytest.mark.parametrize(("speed", "step"), [(4.0, 0.2), (2.0, 0.1), (6.0, 0.1)])
@pytest.mark.parametrize("bearing", [0.0, 33.0])
def test_a_turn_with_the_boom_open_overlaps_however_quick(speed, step, bearing):
    # 24 m of boom, R = 6 m, legs of 64 m: both legs cover the 12 m between x = -6 and x = 6: 768 m2, done twice. The
    # inner arm, 6 m long, sweeps its half disc (56.5 m2) backwards over ground already done, and the way out does it a
    # third time. Ground within half a metre of the boom where it folds back was never left.
    path = headland_turn(64.0, 6.0, speed, step).rotated(bearing)
    result = drive(path, sprayer(24.0), ground(placed(shapely.box(-60, -120, 60, 60), bearing, (0.0, 0.0))))
    assert result.m2("overlap") == pytest.approx(768.0, rel=0.005)
    assert result.m2("overlap_extra") == pytest.approx(768.0 + 18.0 * math.pi, rel=0.015)
    assert set(result.causes()) == {"turn"}


@pytest.mark.parametrize(("radius", "width", "speed", "laps"), [(7.0, 10.0, 6.0, 4), (10.0, 7.0, 8.0, 4)])
def test_circles_of_a_short_period_are_laps(radius, width, speed, laps):
    # A lap takes 7 to 8 s. Four laps of a ring of 2 pi R W = 439.8 m2: three times too much, 1,319 m2.
    path = arc_path(radius, sweep_deg=360.0 * laps, speed_m_s=speed, step_s=0.2)
    result = drive(path, sprayer(width), ground(disc(radius + width)))
    assert result.m2("overlap_extra") == pytest.approx(1319.5, rel=0.002)
    assert result.m2("covered") == pytest.approx(439.8, rel=0.002)


def test_what_one_pass_treats_twice_against_a_plain_walk():
    # A second implementation: points, boom lines and nothing else. A point is hit when a ribbon passes over it; a hit
    # counts unless the boom (a line) stayed within half a metre of the point since the last one.
    path = headland_turn(15.0, 3.0, 3.0, 0.2)
    field = ground(shapely.box(-30, -40, 30, 30))
    result = drive(path, sprayer(14.0), field)
    swath = result.swath
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-12, 12, 4000), rng.uniform(-17, 12, 4000)
    where = shapely.points(x, y)
    xs, ys = swath.quads()
    count = np.zeros(x.size, dtype=int)
    off = np.ones(x.size, dtype=bool)
    for r in range(xs.shape[0]):
        a = int(swath.ribbon_step[r])
        line = shapely.LineString(
            [(swath.x_m[a] + e * swath.right_x[a], swath.y_m[a] + e * swath.right_y[a]) for e in (-7.0, 7.0)]
        )
        off |= shapely.distance(where, line) > 0.5
        swept = shapely.make_valid(shapely.Polygon(np.stack([xs[r], ys[r]], axis=1)))
        hit = shapely.contains(swept, where)
        count[hit & off] += 1
        off[hit] = False
    share = (24.0 * 29.0) / x.size
    extra = np.maximum(count - 1, 0).sum() * share
    error = 3 * share * math.sqrt(x.size * np.maximum(count - 1, 0).var())
    assert extra > 100
    assert result.m2("overlap_extra") == pytest.approx(extra, abs=error)
