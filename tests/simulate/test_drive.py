"""Drives: litres add up, noise is as asked, valves are late by their delays, the hitch follows the tractrix."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from swathledger.errors import InputError
from swathledger.machine.machine import Antenna, Boom, Hitch, Machine, Valves
from swathledger.simulate import fields
from swathledger.simulate.control import Memory, delayed, run_sections
from swathledger.simulate.drive import DriveSettings, drive
from swathledger.simulate.motion import Course, PlannedStop, Speeds, speed_profile, trail
from swathledger.simulate.plan import PlanSettings, plan_drive
from swathledger.simulate.truth import open_spans, swept_m2

BOOM = Boom(np.linspace(-18, 18, 73), (9,) * 8)
MACHINE = Machine("test", BOOM, Antenna(4.0, 0.5), None, Valves(0.4, 0.2, 0.4, 0.2))
EXACT = DriveSettings(
    guidance_sigma_m=0.0, gnss_sigma_m=1e-9, rate_sigma=0.0, switch_spread_s=0.0, switch_off_s=0.0, tolerance_m=0.05
)
SHAPE = fields.rectangle(500, 250)


@pytest.fixture(scope="module")
def plan():
    return plan_drive(SHAPE.boundary, SHAPE.boundary.difference(SHAPE.target), 36.0, 9.0)


@pytest.fixture(scope="module")
def real(plan):
    settings = DriveSettings(charge_s=30.0, stops=(PlannedStop(900.0, 120.0),), seed=7)
    return drive(plan, MACHINE, SHAPE.target, settings)


def test_same_seed_same_drive(plan, real):
    again = drive(plan, MACHINE, SHAPE.target, real.settings)
    other = drive(plan, MACHINE, SHAPE.target, replace(real.settings, seed=8))
    assert np.array_equal(again.logged_x_m, real.logged_x_m)
    assert np.array_equal(again.logged_state, real.logged_state)
    assert np.array_equal(again.flow_l_s, real.flow_l_s)
    assert not np.array_equal(other.logged_x_m, real.logged_x_m)


def test_switching_off_one_error_leaves_the_others_as_they_were(plan, real):
    calm = drive(plan, MACHINE, SHAPE.target, replace(real.settings, rate_sigma=0.0))
    assert np.array_equal(calm.logged_x_m, real.logged_x_m)


def test_logged_flow_adds_up_to_the_true_litres(real):
    t = real.motion.time_s[real.rows]
    held = np.append(np.diff(t), 1.0)
    held[held > 5.0] = 1.0  # nothing flows in the silence
    assert (real.logged_flow_l_s * held).sum() == pytest.approx(real.volume_l, rel=1e-9)
    assert real.volume_l == pytest.approx(real.flow_l_s.sum() * 0.2, rel=1e-12)


def test_flow_is_open_width_times_speed_times_rate(plan):
    d = drive(plan, MACHINE, SHAPE.target, EXACT)
    moving = (d.motion.speed_m_s > 1.0) & d.control.valve.any(axis=1)
    open_m = d.control.valve.sum(axis=1) * 4.5
    assert d.flow_l_s[moving] == pytest.approx((open_m * d.motion.speed_m_s * 0.01)[moving])
    # And so litres / (rate) is the ground swept, but for the slow start and end and the inner side of turns.
    assert d.volume_l / 0.01 == pytest.approx(swept_m2(d).sum(), rel=0.005)


def test_a_pump_gives_no_less_than_at_three_kilometres_an_hour(plan):
    slow = replace(EXACT, speeds=Speeds(pass_m_s=0.5), step_s=1.0, grid_m=1.0)
    d = drive(plan, MACHINE, SHAPE.target, slow)
    whole = d.control.valve.all(axis=1)
    assert d.motion.speed_m_s[whole].max() < 0.51
    assert d.flow_l_s[whole] == pytest.approx(np.full(whole.sum(), 0.01 * 36.0 * 0.8))


def test_boom_charge_stands_open_and_is_told(real):
    charge = real.events[0]
    assert charge.kind == "boom_charge"
    # Half of 36 m x 5 m/s x 0.01 L/m2 = 0.9 L/s, for 30 s.
    assert charge.volume_l == pytest.approx(27.0)
    t = real.motion.time_s
    assert real.control.valve[t < 29.9].all()
    assert real.motion.speed_m_s[t < 29.9].max() == 0.0


def test_stop_leaves_a_gap_in_the_log_with_the_boom_shut(real):
    gap = np.diff(real.logged_time_s).max()
    assert gap == pytest.approx(110.0, abs=1.5)
    at = int(np.argmax(np.diff(real.logged_time_s)))
    assert not real.logged_state[at].any()
    # The machine did not move in the meantime (but for the receiver's wander).
    assert math.hypot(*(np.diff(v)[at] for v in (real.logged_x_m, real.logged_y_m))) < 0.2


def test_field_is_treated_and_little_else(plan):
    d = drive(plan, MACHINE, SHAPE.target, EXACT)
    # 12.5 ha; corners of (27 m)^2 (1 - pi/4) stay, sections overlap where they meet the headland.
    assert swept_m2(d).sum() == pytest.approx(SHAPE.target.area, rel=0.03)
    # Not a section is open on transport, in turns, or while standing.
    assert not d.control.valve[(d.motion.speed_m_s == 0.0)].any()
    boom = np.column_stack([d.motion.boom_x_m, d.motion.boom_y_m])[d.control.valve.any(axis=1)]
    assert np.abs(boom[:, 0]).max() < 250
    assert np.abs(boom[:, 1]).max() < 125


def test_manual_control_opens_all_or_nothing(plan):
    d = drive(plan, MACHINE, SHAPE.target, replace(EXACT, control="manual"))
    count = d.control.valve.sum(axis=1)
    assert set(count.tolist()) == {0, 8}
    auto = drive(plan, MACHINE, SHAPE.target, EXACT)
    assert d.volume_l > auto.volume_l


def test_late_operator_sprays_more(plan):
    manual = replace(EXACT, control="manual")
    late = drive(plan, MACHINE, SHAPE.target, replace(manual, switch_off_s=2.0))
    early = drive(plan, MACHINE, SHAPE.target, replace(manual, switch_off_s=-2.0))
    assert late.volume_l > early.volume_l


def test_operator_is_as_early_and_as_late_as_his_habit(plan):
    calm = replace(EXACT, control="manual", grid_m=1.0)
    sharp = drive(plan, MACHINE, SHAPE.target, calm)
    habit = drive(plan, MACHINE, SHAPE.target, replace(calm, switch_on_s=0.6, switch_off_s=-0.4))

    def edges(d):
        return np.flatnonzero(np.diff(d.wanted.astype(int)))

    # ticks of 0.2 s: on three later, off two earlier; the first and the last stretch begin and end at a standstill
    inner = slice(1, -1)
    moved = (edges(habit) - edges(sharp))[inner]
    assert set(moved[::2].tolist()) == {-2}
    assert set(moved[1::2].tolist()) == {3}


def _north(valves, start_m, speed_m_s=5.0, slant=0.0, lapped=False):
    """Way past 0 and past 100 m at which section 4 opened and shut: north over ground from 0 to 100 m.

    ``lapped``: the ground goes on, and ends where two passes across were sprayed before.
    """
    step = 0.2 * speed_m_s
    y = np.arange(-60.0 + start_m, 160.0, step)
    x = np.zeros(y.shape)
    lower, upper = (-60.0, 160.0) if lapped else (0.0, 100.0)
    target = shapely.Polygon([(a, b + a * slant) for a, b in ((-40, lower), (40, lower), (40, upper), (-40, upper))])
    memory = Memory.over(target, 0.25)
    if lapped:
        for middle in (-18.0, 118.0):
            across = np.arange(-40.0, 40.0, 1.0)
            slow = np.full(across.shape, 5.0)
            heading = np.full(across.shape, 90.0 - math.degrees(math.atan(slant)))
            run_sections(across, middle + slant * across, heading, slow, slow > 0, BOOM, Valves(), memory, step_s=0.2)
    found = run_sections(x, y, x, np.full(y.shape, speed_m_s), np.ones(y.shape, bool), BOOM, valves, memory, step_s=0.2)
    opened = np.flatnonzero(found.valve[:, 3] & (y > -25.0) & (y < 125.0))
    return y[opened[0]] - step / 2, y[opened[-1]] + step / 2 - 100.0


SOME_VALVES = [
    Valves(), Valves(1.0, 0.4, 1.0, 0.4), Valves(0.2, 1.2, 0.2, 1.2), Valves(0.6, 0.6, 1.0, 0.2),
    Valves(0.4, 0.3, 0.4, 0.4), Valves(0.6, 0.5, 0.5, 0.5), Valves(0.37, 0.71, 0.0, 0.13),
]  # fmt: skip


@pytest.mark.parametrize("lapped", [False, True])
@pytest.mark.parametrize("valves", SOME_VALVES)
def test_sections_switch_where_the_machine_file_says(valves, lapped):
    # opens at 5 m/s x (delay - look-ahead) past the edge, shuts so too; ticks of 0.2 s put single switches up to 0.5 m
    # to either side, and ten starts 0.1 m apart take that out of their mean
    # a tick's state holds from half a tick before it
    away = 5.0 * np.array([valves.on_delay_s - valves.look_ahead_on_s, valves.off_delay_s - valves.look_ahead_off_s])
    found = np.array([_north(valves, start, lapped=lapped) for start in np.arange(10) / 10])
    assert np.abs(found - away).max() <= 0.5 + 0.13  # and half a cell of its memory
    assert found.mean(axis=0) == pytest.approx(away, abs=0.13)


@pytest.mark.parametrize("speed_m_s", [1.0, 2.5, 7.0])
def test_how_fast_one_drives_moves_the_switch_by_the_delays_alone(speed_m_s):
    found = np.array([_north(Valves(0.5, 0.3, 0.1, 0.2), start, speed_m_s) for start in np.arange(7) / 7])
    # ticks are 0.2 to 1.4 m long here
    assert found.mean(axis=0) == pytest.approx([0.4 * speed_m_s, 0.1 * speed_m_s], abs=0.13 + 0.02 * speed_m_s)


def test_on_a_slant_a_section_opens_with_its_first_corner_and_shuts_with_its_last():
    # edges rise 0.5 m a metre to the right; section 4 reaches from -4.5 to 0 m: its left end is met first, 2.25 m
    # before the middle of the machine meets the edge, and its right end leaves the ground last, on the machine's line
    found = np.array([_north(Valves(), start, slant=0.5) for start in np.arange(10) / 10])
    assert found.mean(axis=0) == pytest.approx([-2.25, 0.0], abs=0.2)


def test_valves_are_late_by_their_delays():
    # Opens on command 0 (shows at tick 2 + 3 = 5), shuts on command at tick 8 (shows at 9).
    command = np.zeros((12, 1), dtype=bool)
    command[2:8] = True
    assert np.flatnonzero(delayed(command, 3, 1)[:, 0]).tolist() == [5, 6, 7, 8]
    # A command too short for the valve never shows.
    command[:] = False
    command[2:4] = True
    assert not delayed(command, 3, 1).any()


def test_controller_and_delay_model_agree(real):
    assert np.array_equal(real.control.valve[200:], delayed(real.control.command, 2, 1)[200:])


def test_logged_positions_have_the_sigma_asked_for(plan):
    errors = []
    for seed in range(12):
        d = drive(plan, MACHINE, SHAPE.target, DriveSettings(seed=seed, gnss_sigma_m=0.1, gnss_time_s=10.0, grid_m=1.0))
        errors += [d.logged_x_m - d.motion.antenna_x_m[d.rows], d.logged_y_m - d.motion.antenna_y_m[d.rows]]
    # Some 1,000 s at a correlation time of 10 s: about 24 x 50 independent values, so 2 % on the sigma.
    assert np.concatenate(errors).std() == pytest.approx(0.1, rel=0.08)


@pytest.mark.parametrize(("radius", "a", "b"), [(15.0, 3.4, 5.8), (20.0, 0.0, 6.0), (12.0, 2.0, 4.0)])
def test_trailed_boom_on_a_circle(radius, a, b):
    # Source: geometry; the boom settles on sqrt(R^2 + a^2 - b^2).
    angle = np.arange(0, 8 * math.pi, 0.2 / radius)
    x, y, heading = radius * np.sin(angle), radius * np.cos(angle), np.degrees(angle) + 90.0
    hx, hy = x - a * np.sin(np.radians(heading)), y - a * np.cos(np.radians(heading))
    bx, by, _ = trail(hx, hy, b, 90.0)
    assert np.hypot(bx, by)[-200:] == pytest.approx(np.full(200, math.sqrt(radius**2 + a**2 - b**2)), abs=0.01)


def test_trailed_boom_on_a_straight_follows_the_tractrix():
    # Started square to the drawbar: the offset falls as b / cosh(s / b).
    s = np.linspace(0, 20, 401)
    bx, _, _ = trail(np.zeros(401), s, 5.0, 90.0)
    assert bx == pytest.approx(-5.0 / np.cosh(s / 5.0), abs=1e-6)


def test_trailed_machine_sprays_the_field():
    boom = Boom(np.linspace(-12, 12, 49), (10, 9, 10, 9, 10))
    machine = Machine("trailed", boom, Antenna(), Hitch(3.4, 5.8), Valves(0.4, 0.4, 0.4, 0.4))
    plan = plan_drive(SHAPE.boundary, SHAPE.boundary.difference(SHAPE.target), 24.0, 8.0, lag_m=9.2)
    d = drive(plan, machine, SHAPE.target, EXACT)
    assert swept_m2(d).sum() == pytest.approx(SHAPE.target.area, rel=0.03)
    apart = np.hypot(d.motion.antenna_x_m - d.motion.boom_x_m, d.motion.antenna_y_m - d.motion.boom_y_m)
    assert apart.max() <= 9.2 + 1e-6


def test_reverse_is_logged_as_negative_speed_and_shut():
    shape = fields.triangle()
    plan = plan_drive(shape.boundary, shape.boundary.difference(shape.target), 36.0, 9.0)
    assert any(s.reverse for s in plan.segments)
    d = drive(plan, MACHINE, shape.target, EXACT)
    back = d.logged_speed_m_s < 0
    assert 5 < back.sum() < 200
    assert not d.logged_state[back].any()


def test_accelerations_and_turning_speeds_are_kept(plan):
    speeds = Speeds(pass_m_s=6.0, lateral_m_s2=0.8)
    d = drive(plan, MACHINE, SHAPE.target, replace(EXACT, speeds=speeds))
    v = d.motion.speed_m_s
    assert v.max() <= 6.0 + 1e-9
    change = np.diff(v) / 0.2
    assert change.max() < 0.5 * 1.6
    assert change.min() > -0.7 * 1.6
    turning = np.abs(np.mod(np.diff(d.motion.heading_deg) + 180, 360) - 180) / 0.2  # degrees a second
    assert (np.radians(turning) * v[1:]).max() < 0.8 * 1.3


def test_speed_gains_and_brakes_by_their_own_limits():
    # v^2 = 2 a s: gaining 0.5 m/s2 from a halt, braking 0.8 m/s2 into one, 4 m/s between
    n = 101
    flag = np.zeros(n, bool)
    zero, s = np.zeros(n), np.arange(101.0)
    course = Course(zero, s, zero, s, flag, flag, flag, np.full(n, 4.0), zero)
    v = speed_profile(course, Speeds(gain_m_s2=0.5, brake_m_s2=0.8), flag)
    assert v == pytest.approx(np.sqrt(np.minimum(16.0, np.minimum(2 * 0.5 * s, 2 * 0.8 * (100.0 - s)))))


def test_weaving_turns_the_nose_along_the_way_driven_also_in_reverse():
    shape = fields.triangle()
    plan = plan_drive(shape.boundary, shape.boundary.difference(shape.target), 36.0, 9.0)
    machine = replace(MACHINE, antenna=Antenna())
    m = drive(plan, machine, shape.target, replace(EXACT, guidance_sigma_m=0.6, grid_m=1.0, seed=5)).motion
    way = np.degrees(np.arctan2(np.diff(m.boom_x_m), np.diff(m.boom_y_m)))
    moving = (m.speed_m_s[:-1] > 0.5) & (m.speed_m_s[1:] > 0.5)
    for reverse in (False, True):
        these = moving & (m.reverse[:-1] == reverse) & (m.reverse[1:] == reverse)
        off = (m.heading_deg[:-1] - way + (180.0 if reverse else 0.0) + 180.0) % 360.0 - 180.0
        # 0.6 m over 25 m is a slope of 1.4 degrees; turned the wrong way it would be twice that off
        assert np.sqrt(np.mean(np.square(off[these]))) < 0.9


def test_open_spans_tell_the_valve_states(real):
    spans = open_spans(real)
    assert len(spans) == 8
    for k, section in enumerate(spans):
        # the first tick's state begins at the start of the drive, not half a tick before it
        ticks = real.control.valve[:, k].sum() - 0.5 * real.control.valve[0, k]
        assert sum(b - a for a, b in section) == pytest.approx(ticks * 0.2)


@pytest.mark.parametrize("radius", [30.0, 7.0, 2.0, 0.0])
def test_ground_swept_in_a_circle_inner_end_backwards_too(radius):
    # one section of 36 m: width x R x angle while R >= 18 m, else both arms' sectors, (R + 18)^2 + (18 - R)^2 over 2
    boom = Boom(np.linspace(-18, 18, 73), (72,))
    angle = np.linspace(0.0, 1.0, 401)
    motion = SimpleNamespace(
        boom_heading_deg=np.degrees(angle) + 90.0, boom_x_m=radius * np.sin(angle), boom_y_m=radius * np.cos(angle)
    )
    driven = SimpleNamespace(
        motion=motion, machine=SimpleNamespace(boom=boom), control=SimpleNamespace(valve=np.ones((401, 1), bool))
    )
    expected = 36.0 * radius if radius >= 18.0 else ((radius + 18.0) ** 2 + (18.0 - radius) ** 2) / 2
    assert swept_m2(driven) == pytest.approx([expected], rel=1e-4)


def test_log_rate_must_fit_the_ticks():
    with pytest.raises(InputError, match="does not fit"):
        DriveSettings(log_hz=3.0)


def test_ten_rows_a_second(plan):
    d = drive(plan, MACHINE, SHAPE.target, replace(EXACT, log_hz=10.0, step_s=0.1))
    assert np.diff(d.logged_time_s) == pytest.approx(np.full(len(d.rows) - 1, 0.1), abs=1e-5)


def test_contour_side_of_a_plan_is_followed():
    shape = fields.contour_sided()
    plan = plan_drive(
        shape.boundary, shape.boundary.difference(shape.target), 36.0, 9.0,
        settings=PlanSettings(contour_side=shape.contour_side),
    )  # fmt: skip
    assert plan.bearing_deg is None
    assert len([s for s in plan.segments if s.kind == "pass"]) >= 7
