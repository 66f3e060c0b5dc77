"""Each of the seven causes in a drive that a reader can solve, two hits of one pass, and spraying at standstill."""

from __future__ import annotations

import numpy as np
import pytest
from drivekit import PLANE, books_of, drive, ground, rectangle, sprayer
from pathkit import START_S, PlanePath, line_path, log_from_path, standing, standing_path

from swathledger.grid.revisit import AWAY_M
from swathledger.log.log import Log


def straight(y: list[float], times: list[float], open_: list[bool], x: float = 0.0, heading: float = 0.0) -> PlanePath:
    """Rows at given stations along north, at given times."""
    n = len(y)
    return PlanePath(
        np.full(n, x),
        np.asarray(y, float),
        START_S + np.asarray(times, float),
        np.full(n, heading),
        np.asarray(open_, bool)[:, None],
    )


def steady(y0: float, y1: float, t0: float, *, open_: bool, speed: float = 2.0) -> tuple[list, list, list]:
    """Rows every second from y0 to y1 (the last row left out: the next stretch starts there)."""
    n = round(abs(y1 - y0) / speed)
    return list(np.linspace(y0, y1, n + 1)[:-1]), list(t0 + np.arange(n)), [open_] * n


def stretches(*parts) -> PlanePath:
    """Stretches ``(y0, y1, open)`` at 2 m/s, one row a second, and a last row shut."""
    y, t, o, now = [], [], [], 0.0
    for y0, y1, open_ in parts:
        a, b, c = steady(y0, y1, now, open_=open_)
        y, t, o = y + a, t + b, o + c
        now = t[-1] + 1.0
    return straight([*y, parts[-1][1]], [*t, now], [*o, False])


WIDE = ground(rectangle(-40, -40, 40, 140))


def test_turn_same_pass_back_over_itself():
    # Forward 40 m, back 40 m in reverse with everything open: one pass, so the second time is a turn, at once. Of the
    # last half metre before the turning point the boom never got away.
    path = stretches((0.0, 40.0, True), (40.0, 0.0, True))
    speed = np.concatenate((np.full(20, 2.0), np.full(20, -2.0), [0.0]))
    result = drive(path, sprayer(6.0), WIDE, speed_m_s=speed)
    assert result.swath.pass_count == 1
    assert set(result.causes()) == {"turn"}
    result.near("covered", 6.0 * 40.0)
    assert result.cause_m2("turn") == pytest.approx(6.0 * (40.0 - AWAY_M), abs=0.3)
    assert bool(result.swath.reverse[-2])


@pytest.mark.parametrize(("back_m", "metres"), [(0.4, 0.0), (2.0, 1.5 + 1.5)])
def test_a_boom_that_only_shakes_treats_once(back_m, metres):
    # To 40 m, back by so much, and on to 60 m: ground within half a metre of where the boom turned was never left. Of
    # the 2 m gone over three times, all but the half metre before the first turning point is met anew on the way back,
    # and all but that after the second on the way out again.
    y = np.array([0.0, 20.0, 40.0, 40.0 - back_m, 60.0])
    seconds = np.array([0.0, 5.0, 10.0, 11.0, 16.0])
    path = straight(list(y), list(seconds), [True] * 4 + [False])
    result = drive(path, sprayer(6.0), WIDE, speed_m_s=np.array([4.0, 4.0, -back_m, 4.0, 0.0]))
    result.near("covered", 6.0 * 60.0)
    assert result.m2("overlap_extra") == pytest.approx(6.0 * metres, abs=0.3)


def test_restart_same_line_over_ground_already_done():
    # Spray 0..40 m, back up shut to 30 m, spray on from there to 60 m: 10 m done twice, on one line.
    path = stretches((0.0, 40.0, True), (40.0, 30.0, False), (30.0, 60.0, True))
    speed = np.concatenate((np.full(20, 2.0), np.full(5, -2.0), np.full(15, 2.0), [0.0]))
    result = drive(path, sprayer(6.0), WIDE, speed_m_s=speed)
    assert result.swath.pass_count == 2
    assert result.swath.line_id.tolist() == [0, 0]
    assert set(result.causes()) == {"restart"}
    result.near("overlap_extra", 6.0 * 10.0)
    result.near("covered", 6.0 * 60.0)


def test_guidance_neighbouring_pass():
    out = line_path([0.0], [60.0])
    back = line_path([0.0], [60.0], bearing_deg=180.0, origin=(5.5, 60.0))
    result = drive(out.then(back, 60.0), sprayer(6.0), WIDE)
    assert set(result.causes()) == {"guidance"}
    result.near("overlap_extra", 0.5 * 60.0)


@pytest.mark.parametrize(
    ("angle", "cause"),
    [
        (14.0, "guidance"),
        (16.0, "crossing"),
        (90.0, "crossing"),
        (164.0, "crossing"),
        (166.0, "guidance"),
        (194.0, "guidance"),
    ],
)
def test_crossing_is_any_larger_angle(angle, cause):
    # Two strips crossing at their middles under an angle a: a rhombus of W^2 / sin a.
    first = line_path([-30.0], [30.0], origin=(0.0, 30.0))
    second = line_path([-30.0], [30.0], bearing_deg=angle, origin=(0.0, 30.0))
    result = drive(first.then(second, 60.0), sprayer(3.0), WIDE)
    assert set(result.causes()) == {cause}
    result.near("overlap_extra", 9.0 / abs(np.sin(np.radians(angle))))


def test_outside_and_excluded():
    # 10 m beyond the boundary, 6 m of pond.
    field = ground(rectangle(-10, 0, 10, 50), rectangle(-10, 20, 10, 26))
    result = drive(line_path([-10.0], [50.0]), sprayer(6.0), field, rate_l_m2=0.02)
    assert result.causes() == pytest.approx({"outside": 60.0, "excluded": 36.0}, rel=0.01)
    volumes = result.books.volumes
    assert volumes is not None
    assert volumes.outside_l == pytest.approx(60.0 * 0.02, rel=0.01)
    assert volumes.excluded_l == pytest.approx(36.0 * 0.02, rel=0.01)
    assert volumes.overlap_l == 0.0


def test_first_reason_stays():
    # a cell treated three times has the cause of its second treatment; extra treatments all count under it
    north = line_path([0.0], [60.0])
    east = line_path([-30.0], [30.0], bearing_deg=90.0, origin=(0.0, 30.0))
    again = line_path([0.0], [60.0])
    result = drive(north.then(east, 60.0).then(again, 60.0), sprayer(6.0), WIDE)
    # crossing first: 36 m2 treated three times, 2 extra each under `crossing`; the rest of the third pass on the line
    # of the first is on another line by number, so `guidance`
    assert result.cause_m2("crossing") == pytest.approx(72.0, rel=0.02)
    assert result.cause_m2("guidance") == pytest.approx(6.0 * 54.0, rel=0.02)


# --- standing ---------------------------------------------------------------------------------------------------------
def test_boom_charged_at_standstill():
    # 30 s at 2 L/s: 60 L, on no ground at all.
    result = books_of(standing(PLANE, 30.0, flow_open_l_s=2.0), sprayer(12.0), WIDE)
    volumes = result.books.volumes
    assert volumes is not None
    assert volumes.standing_l == pytest.approx(60.0)
    assert volumes.by_cause_l["standing"] == pytest.approx(60.0)
    assert volumes.logged_l == pytest.approx(60.0)
    assert volumes.applied_l == 0.0
    assert volumes.closure_pct == pytest.approx(0.0)
    assert result.m2("applied") == 0.0
    assert result.swath.standing_open_s == pytest.approx(30.0)
    assert result.books.cause_cells["standing"] == 0  # litres, no cells


def test_stop_in_the_middle_of_a_pass():
    # 50 m sprayed, 30 s standing open, 50 m sprayed: 100 m of swath, the stand's litres apart, no overlap.
    log = standing(PLANE, 30.0, spray_leads=True, flow_open_l_s=0.5)
    result = books_of(log, sprayer(12.0), WIDE)
    result.near("applied", 12.0 * 100.0)
    assert result.m2("overlap") < 0.05
    volumes = result.books.volumes
    assert volumes is not None
    assert volumes.standing_l == pytest.approx(15.0)
    assert volumes.applied_l == pytest.approx(0.5 * 20.0, rel=1e-3)


def noisy_stand(sigma: float, hz: float, *, speed: bool, heading: bool, seed: int) -> Log:
    """A charge of 60 s in the middle of a drive shut, every row with receiver error; 1 L/s while open."""
    path = standing_path(60.0, lead_m=50.0, bearing_deg=30.0, speed_m_s=4.0, step_s=1.0 / hz)
    rng = np.random.default_rng(seed)
    n = len(path)
    step = np.append(np.hypot(np.diff(path.x_m), np.diff(path.y_m)) / np.diff(path.time_s), 0.0)
    course = path.heading_deg.copy()
    if heading:  # a course over ground is noise at standstill
        still = step < 0.01
        course[still] = rng.uniform(0, 360, int(still.sum()))
    return log_from_path(
        path.x_m + rng.normal(0, sigma, n),
        path.y_m + rng.normal(0, sigma, n),
        path.time_s,
        PLANE,
        path.state,
        heading_deg=course if heading else None,
        speed_m_s=np.where(step > 0.01, step, np.abs(rng.normal(0, 0.02, n))) if speed else None,
        flow_l_s=np.where(path.state[:, 0], 1.0, 0.0),
    )


@pytest.mark.parametrize("heading", [True, False])
@pytest.mark.parametrize("speed", [True, False])
@pytest.mark.parametrize("hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("sigma", [0.02, 0.30])
def test_charge_under_receiver_noise_makes_no_phantom_area(sigma, hz, speed, heading):
    result = books_of(noisy_stand(sigma, hz, speed=speed, heading=heading, seed=4), sprayer(12.0), WIDE)
    volumes = result.books.volumes
    assert volumes is not None
    assert volumes.logged_l == pytest.approx(60.0, abs=1.01)
    # With 2 cm, or a logged speed, the stand is known to the second. With 30 cm and nothing but positions, its first
    # and last three seconds cannot be told from driving.
    sharp = speed or sigma < 0.1
    assert volumes.standing_l >= (59.0 if sharp else 50.0)
    assert result.m2("applied") <= 12.0 * (0.2 if sharp else 2.5)
