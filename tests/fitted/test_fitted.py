"""Offsets, spacing and the controller against plain drives whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drivekit import PLANE
from plaindrive import Truth, drive_plain, machine_for

from swathledger.fitted.carrier import Setup
from swathledger.fitted.events import LEVELS, Events
from swathledger.fitted.fit import fit_setup, valves_of
from swathledger.fitted.likelihood import draw
from swathledger.fitted.lines import measure_lines
from swathledger.fitted.told import disagreements, everything
from swathledger.fitted.unbounded import setup_of_log
from swathledger.log.read import read_log
from swathledger.machine.machine import Antenna, Machine, Valves
from swathledger.machine.read import read_machine
from swathledger.notes import Note
from swathledger.swath.build import build_swath
from swathledger.words import say_all

UNEVEN = Truth(guidance_m=0.6, passes=14, length_m=100.0, hz=1.0, seed=31)
SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"


def found(truth: Truth, machine: Machine | None = None) -> Setup:
    log, _ = drive_plain(truth)
    sprayer = machine_for(truth) if machine is None else machine
    return fit_setup(log, sprayer, build_swath(log, sprayer, PLANE), tolerance_m=max(2 * truth.sigma_m, 0.1))


def combined(truth: Truth, setup: Setup) -> float:
    """What offset and delays make together at the speed of the switches, file's offset and delays 0."""
    assert setup.mean_speed_m_s is not None
    return truth.ahead_m + setup.mean_speed_m_s * (truth.late_on_s + truth.late_off_s) / 2


def _seam_events(offset_m: float, step_m: float, phases: np.ndarray) -> Events:
    """One square seam a crossing, at ways 0: opening and shutting by turns, the switch at ``offset_m`` for both."""
    n = phases.shape[0]
    low = offset_m - phases * step_m
    zeros = np.zeros(n)
    return Events(
        low, low + step_m, np.zeros((n, LEVELS.shape[0])), np.full(n, 4.0), np.arange(n) % 2 == 0,
        np.zeros(n, np.bool_), np.ones(n), zeros, np.arange(n), np.zeros(n, np.int64), np.arange(n), n, n, n,
    )  # fmt: skip


def test_intervals_between_rows_leave_what_all_of_them_share() -> None:
    # rows 4 m apart, switch 3 m past every seam; with the row before at 3 - 4 p all intervals hold 3. Openings share
    # 3 - 4 x 0.05 = 2.8 to 3 + 4 x (1 - 0.90) = 3.4, shuttings 2.6 to 3.2: even over 0.6 m each, sigma 0.17 m
    # each and 0.12 m their mean, a little more for the spread of single switches; the middles alone would give
    # 4 / sqrt(12) / sqrt(20) = 0.26 m
    phases = np.linspace(0.05, 0.95, 20)
    draws = draw(_seam_events(3.0, 4.0, phases), (0.0, 0.0), (0.0, 0.15))
    together = draws.behind_m + draws.mean_speed_m_s * (draws.late_on_s + draws.late_off_s) / 2
    assert abs(float(together.mean()) - 3.0) < 0.15
    assert 0.08 < float(together.std()) < 0.22
    # at one speed offset and delay cannot be told apart: what is left of them is what was taken for likely, 1.5 s each
    assert float(draws.behind_m.std()) > 2.0


@pytest.mark.parametrize("ahead_m", [0.0, 3.0, 8.0])
def test_the_offset_is_found_where_the_file_has_none(ahead_m: float) -> None:
    truth = Truth(ahead_m=ahead_m, slant_deg=20.0, hz=2.0, seed=3)
    setup = found(truth)
    told = setup.ahead_by_file_timing_m
    assert told.value is not None
    assert told.value == pytest.approx(ahead_m, abs=0.3)
    if ahead_m == 8.0:
        assert "fitted.ahead_not_given" in [note.code for note in disagreements(setup)]
    if ahead_m == 0.0:
        assert disagreements(setup) == ()


def test_a_file_that_is_right_is_left_alone() -> None:
    truth = Truth(ahead_m=4.0, right_m=0.4, hz=1.0, slant_deg=30.0, late_on_s=0.3, late_off_s=-0.2, seed=5)
    valves = Valves(on_delay_s=0.5, look_ahead_on_s=0.2, off_delay_s=0.3, look_ahead_off_s=0.5)
    setup = found(truth, machine_for(truth, ahead_m=4.0, right_m=0.4, valves=valves))
    assert disagreements(setup) == ()


def test_offset_and_delays_come_apart_where_speeds_differ() -> None:
    truth = Truth(ahead_m=5.0, late_on_s=1.2, late_off_s=-0.6, slant_deg=25.0, hz=10.0, passes=14, seed=9)
    setup = found(truth)
    assert setup.controller is not None
    assert setup.ahead_by_file_timing_m.value == pytest.approx(combined(truth, setup), abs=0.2)
    assert setup.controller.late_on_s.value == pytest.approx(1.2, abs=0.25)
    assert setup.controller.late_off_s.value == pytest.approx(-0.6, abs=0.25)


@pytest.mark.parametrize("right_m", [-1.0, 0.0, 0.7])
def test_sideways_offset_from_seams_that_alternate(right_m: float) -> None:
    setup = found(Truth(right_m=right_m, seed=11))
    assert setup.right_m.value == pytest.approx(right_m, abs=0.08)
    assert ("fitted.right" in [note.code for note in disagreements(setup)]) == (right_m != 0.0)


def test_spacing_beside_the_boom() -> None:
    setup = found(Truth(spacing_m=17.4, seed=13))
    assert setup.spacing_m.value == pytest.approx(17.4, abs=0.05)
    assert "fitted.spacing" in [note.code for note in disagreements(setup)]


def test_uneven_passes_have_an_error_to_match() -> None:
    # 14 passes, each 0.6 m off its place: two neighbours are 0.6 sqrt(2) off their distance, and the mean distance over
    # 13 of them is (last - first) / 13, at best 0.6 sqrt(2) / 13 = 0.07 m off; the interval is wider than twice that
    lines = measure_lines(build_swath(drive_plain(UNEVEN)[0], machine_for(UNEVEN), PLANE))
    if lines.spacing_m is not None and lines.spacing_error_m is not None:
        assert 0.02 < lines.spacing_error_m < 0.3
        assert lines.spacing_m == pytest.approx(18.0, abs=lines.factor * lines.spacing_error_m * 1.5)
    assert lines.right_m is None or abs(lines.right_m) < 0.5


def test_what_cannot_be_told_says_why() -> None:
    log, _ = drive_plain(Truth(seed=15))
    machine = machine_for(Truth())
    open_always = replace(log, state=np.ones_like(log.state))
    as_one = replace(log, state=np.repeat(log.state[:, 2:3], log.state.shape[1], axis=1))
    for changed, code in ((open_always, "fitted.never_switched"), (as_one, "fitted.as_one")):
        setup, notes = setup_of_log(changed, machine)
        assert setup.ahead_m.value is None
        assert isinstance(setup.ahead_m.why_not, Note)
        assert setup.ahead_m.why_not.code == code
        assert "cannot be told" in " ".join(say_all(notes))


def test_lines_are_ready_for_the_machine_file() -> None:
    setup = found(Truth(ahead_m=6.0, hz=5.0, slant_deg=15.0, seed=17))
    text = say_all(everything(setup, None))
    assert any("ahead_of_boom_m = " in line and "not given, 0 assumed" in line for line in text)
    assert any("right_of_centre_m = " in line for line in text)


def test_net_delays_become_valves_or_look_ahead() -> None:
    assert valves_of(0.4, -0.3) == Valves(on_delay_s=0.4, look_ahead_off_s=0.3)


def test_a_sample_shows_a_missing_antenna_and_nothing_where_it_is_given() -> None:
    sprayer = read_machine(SAMPLES / "machine_36m.toml")
    log = read_log([SAMPLES / "whaleback.csv"], columns=sprayer.columns, sections=len(sprayer.boom.sections))
    right, _ = setup_of_log(log, sprayer)
    assert disagreements(right) == ()
    missing, notes = setup_of_log(log, replace(sprayer, antenna=Antenna(gnss_sigma_m=0.02)))
    assert [note.code for note in disagreements(missing)] == ["fitted.ahead_not_given"]
    assert "fitted.overlap" in [note.code for note in notes]
    # what the drive says does not hang on what the file says
    assert missing.ahead_by_file_timing_m.value == pytest.approx(right.ahead_by_file_timing_m.value, abs=0.3)
