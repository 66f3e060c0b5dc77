"""Delays, anticipation and least opening times of valves at an edge square to the drive (89.9 degrees)."""

from __future__ import annotations

import numpy as np
import pytest
from drivekit import rectangle
from pathkit import line_path
from replaykit import STEP_M, Crossing, block, machine, named

from swathledger.machine.machine import Valves

SPEED = 5.0
#: The boom's ends reach the edge this much apart: 18 m x tan 0.1 degree to either side.
SLANT_M = 18.0 * np.tan(np.radians(0.1))


def overshoot_m(valves: Valves, *, leaving: bool, word: str = "8", start_m: float = 0.0) -> float:
    """Metres sprayed beyond the edge, less metres left within it, as the mean over the boom."""
    case = Crossing(89.9, bearing_deg=77.0, leaving=leaving, valves=valves, speed_m_s=SPEED, start_m=start_m)
    audit = case.audit((word, "limit"))
    result, floor = named(audit, word), named(audit, "limit")
    return (result.m2("outside") - (result.m2("skip") - floor.m2("skip"))) / case.width_m


ALLOWED_M = STEP_M + SLANT_M


@pytest.mark.parametrize("word", ["boom", "8", "nozzle"])
@pytest.mark.parametrize("delay", [0.2, 0.7])
def test_late_closing_overshoots_speed_times_delay(word, delay):
    found = overshoot_m(Valves(off_delay_s=delay), leaving=True, word=word)
    assert found == pytest.approx(SPEED * delay, abs=ALLOWED_M)


@pytest.mark.parametrize("delay", [0.2, 0.7])
def test_late_opening_leaves_speed_times_delay(delay):
    assert overshoot_m(Valves(on_delay_s=delay), leaving=False) == pytest.approx(-SPEED * delay, abs=ALLOWED_M)


@pytest.mark.parametrize("look_on", [0.0, 0.4, 0.7, 0.9])
def test_right_compensation_shuts_on_the_edge(look_on):
    # whatever the other look-ahead is
    valves = Valves(off_delay_s=0.7, look_ahead_off_s=0.7, look_ahead_on_s=look_on)
    assert overshoot_m(valves, leaving=True) == pytest.approx(0.0, abs=ALLOWED_M)


@pytest.mark.parametrize("look_off", [0.0, 0.4, 0.7, 0.9])
def test_right_compensation_opens_on_the_edge(look_off):
    valves = Valves(on_delay_s=0.7, look_ahead_on_s=0.7, look_ahead_off_s=look_off)
    assert overshoot_m(valves, leaving=False) == pytest.approx(0.0, abs=ALLOWED_M)


@pytest.mark.parametrize(("delay", "look"), [(0.7, 0.5), (0.5, 0.7), (0.0, 0.3)])
def test_wrong_compensation_leaves_the_difference(delay, look):
    closing = Valves(off_delay_s=delay, look_ahead_off_s=look)
    assert overshoot_m(closing, leaving=True) == pytest.approx(SPEED * (delay - look), abs=ALLOWED_M)
    opening = Valves(on_delay_s=delay, look_ahead_on_s=look)
    assert overshoot_m(opening, leaving=False) == pytest.approx(-SPEED * (delay - look), abs=ALLOWED_M)


def test_phases_of_steps_average_out():
    found = [overshoot_m(Valves(off_delay_s=0.7), leaving=True, start_m=0.023 * n) for n in range(5)]
    assert np.mean(found) == pytest.approx(3.5, abs=0.6 * STEP_M)


def strip_audit(valves: Valves, length_m: float = 1.0, words=("boom",)):
    """A pass of 60 m at 5 m/s over a strip of target ``length_m`` long, in the middle; 6 m boom."""
    path = line_path([0.0], [60.0], origin=(0.3, -30.2), speed_m_s=SPEED)
    field = rectangle(-20, 0.0, 20, length_m)
    return block(path, machine(6.0, 12, valves=valves), field, groups=words, tolerance_m=0.0, state_kind="work")


def test_open_for_the_least_time():
    # the strip takes 0.2 s; the valve stays open for 1 s = 5 m
    assert named(strip_audit(Valves()), "boom").m2("applied") == pytest.approx(6.0, abs=6 * STEP_M)
    held = named(strip_audit(Valves(minimum_on_s=1.0)), "boom")
    assert held.m2("applied") == pytest.approx(30.0, abs=2 * 6 * STEP_M)
    assert held.m2("outside") == pytest.approx(24.0, abs=2 * 6 * STEP_M)


@pytest.mark.parametrize("looks", [(0.6, 0.2), (0.2, 0.6)])
def test_a_patch_shorter_than_the_difference_of_looks_is_still_treated(looks):
    # 1 m of target is passed in 0.2 s, less than the 0.4 s between the two looks
    valves = Valves(on_delay_s=looks[0], off_delay_s=looks[1], look_ahead_on_s=looks[0], look_ahead_off_s=looks[1])
    result = named(strip_audit(valves), "boom")
    assert result.m2("skip") <= named(strip_audit(Valves()), "boom").m2("skip") + 6 * STEP_M
    assert result.m2("outside") <= 6 * (SPEED * 0.6 + STEP_M)


def test_standing_on_ones_own_delay_makes_nothing_up():
    # a delay moves opening and shutting alike: what is applied stays, its place does not
    plain, late = named(strip_audit(Valves(), 12.0), "boom"), named(strip_audit(Valves(0.5, 0.5), 12.0), "boom")
    assert late.m2("applied") == pytest.approx(plain.m2("applied"), abs=2 * 6 * STEP_M)
    assert late.m2("outside") == pytest.approx(6 * 2.5, abs=6 * STEP_M)
    assert late.m2("skip") - plain.m2("skip") == pytest.approx(6 * 2.5, abs=6 * STEP_M)
