"""Drawn errors: of the size and correlation stated, source by source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from pathkit import arc_path, log_from_path, log_of, passes_path
from scipy import stats
from worlds import PLANE, SMALL, field_of, prepared

from swathledger.errors import InputError
from swathledger.estimate.fields import moved_field, moved_ring
from swathledger.machine.machine import Antenna, Hitch, Machine
from swathledger.notes import Note
from swathledger.statistics import streams
from swathledger.study.perturb import (
    NO_ERROR,
    SOURCES,
    ErrorModel,
    error_model_for,
    moved_log,
    moved_machine,
    only,
    perturbed,
    scaled,
)
from swathledger.study.switch_timing import bends, placed_switches, switch_places
from swathledger.words import say


def drive(groups=(), **more):
    """Two passes of 100 m, 5 m/s, 12 m boom on a field of 24 x 100 m."""
    log = log_of(passes_path(2, 100.0, 12.0), PLANE, speed_m_s=5.0, **more)
    x, y = PLANE.forward(log.latitude_deg, log.longitude_deg)
    field = field_of(shapely.box(x.min() - 6, y.min() - 6, x.max() + 6, y.max() + 6))
    return prepared(log, field, MACHINE, groups=groups)


MACHINE = Machine("one section", SMALL.boom.__class__(SMALL.boom.nozzle_edges_m, (24,)))


def positions(p):
    return np.column_stack(PLANE.forward(p.log.latitude_deg, p.log.longitude_deg))


def test_ring_stays_closed_and_moves_by_its_sigma_alike_for_neighbours():
    ring = shapely.get_coordinates(shapely.segmentize(shapely.box(0, 0, 400, 200).exterior, 5.0))
    rng = np.random.default_rng(1)
    moved = np.stack([moved_ring(ring, 0.2, 50.0, rng) - ring for _ in range(4000)])
    assert np.array_equal(moved[:, 0], moved[:, -1])
    assert moved.std(axis=0) == pytest.approx(np.full(ring.shape, 0.2), rel=0.06)
    # Gaussian correlation of length 50 m: exp(-(lag / 50)^2 / 2) at 5 and at 50 m along the line.
    for steps in (1, 10):
        found = np.corrcoef(moved[:, 20, 0], moved[:, 20 + steps, 0])[0, 1]
        assert found == pytest.approx(np.exp(-((5.0 * steps / 50.0) ** 2) / 2), abs=0.04)


def test_latency_moves_a_straight_drive_along_itself():
    base = drive()
    errors = only(ErrorModel(latency_sigma_s=0.4), "latency")
    seed = np.random.SeedSequence(5)
    delay = 0.4 * np.random.default_rng(seed.spawn(5)[3]).standard_normal()
    still = perturbed(base, NO_ERROR, np.random.SeedSequence(5))
    moved = positions(perturbed(base, errors, np.random.SeedSequence(5))) - positions(still)
    # inside the first pass, rows at the same speed: speed x delay
    speed = np.hypot(*(positions(base)[3] - positions(base)[2])) / (base.log.time_s[3] - base.log.time_s[2])
    assert np.hypot(*moved[2]) == pytest.approx(abs(delay) * speed, rel=1e-6)


def test_antenna_moves_ahead_and_right_or_the_way_to_the_hitch():
    rng = np.random.default_rng(2)
    ahead, right = 0.1 * np.random.default_rng(2).standard_normal(2)
    errors = ErrorModel(antenna_sigma_m=0.1)
    rigid = moved_machine(Machine("m", SMALL.boom, Antenna(3.0, 0.5)), errors, rng)
    assert (rigid.antenna.ahead_of_boom_m, rigid.antenna.right_of_centre_m) == pytest.approx((3 + ahead, 0.5 + right))
    trailed = moved_machine(Machine("m", SMALL.boom, hitch=Hitch(3.0, 6.0)), errors, np.random.default_rng(2))
    assert trailed.hitch.antenna_to_hitch_m == pytest.approx(3 + ahead)
    assert trailed.antenna.ahead_of_boom_m == 0.0


def test_exclusions_move_on_their_own_and_stay_inside():
    field = field_of(shapely.box(0, 0, 300, 200))
    pond = shapely.MultiPolygon([shapely.Point(100, 100).buffer(20)])
    moved = moved_field(replace(field, exclusions=pond), 2.0, np.random.default_rng(1))
    assert moved.boundary.is_valid
    assert moved.exclusions.is_valid
    assert moved.boundary.buffer(1e-6).contains(moved.exclusions)
    assert not moved.boundary.equals(field.boundary)


def test_switching_a_source_off_leaves_the_others_as_they_were():
    base = drive()
    errors = ErrorModel(gnss_sigma_m=0.05, latency_sigma_s=0.0)
    whole = perturbed(base, replace(errors, log_step=0.0), np.random.SeedSequence(9))
    alone = perturbed(base, only(errors, "gnss"), np.random.SeedSequence(9))
    assert np.array_equal(whole.log.latitude_deg, alone.log.latitude_deg)
    assert alone.field is base.field
    assert alone.machine is base.machine


def test_no_error_moves_nothing_but_switches_to_the_middle_of_their_steps():
    base = drive()
    same = perturbed(base, NO_ERROR, np.random.SeedSequence(1))
    assert (same.field, same.machine) == (base.field, base.machine)
    changes = np.flatnonzero((base.log.state[1:] != base.log.state[:-1]).any(axis=1))
    middle = (base.log.time_s[changes] + base.log.time_s[changes + 1]) / 2
    assert len(same.log) == len(base.log) + len(changes)
    assert np.isin(middle, same.log.time_s).all()
    assert np.isin(base.log.time_s, same.log.time_s).all()
    after = np.flatnonzero((same.log.state[1:] != same.log.state[:-1]).any(axis=1)) + 1
    assert same.log.time_s[after] == pytest.approx(middle)


def test_a_switch_is_drawn_anywhere_in_its_step_and_nowhere_else():
    base = drive()
    changes = np.flatnonzero((base.log.state[1:] != base.log.state[:-1]).any(axis=1))
    low, step = base.log.time_s[changes], np.diff(base.log.time_s)[changes]
    shares = []
    for seed in range(200):
        log = placed_switches(base.log, base, np.random.default_rng(seed))
        after = np.flatnonzero((log.state[1:] != log.state[:-1]).any(axis=1)) + 1
        shares.append((log.time_s[after] - low) / step)
    shares = np.concatenate(shares)
    assert shares.min() >= 0
    assert shares.max() <= 1
    assert stats.kstest(shares, "uniform").pvalue > 0.01


def test_sections_switch_apart_and_the_operators_switch_all_at_once():
    rng = np.random.default_rng(1)
    state = np.array([[0, 0, 0], [1, 1, 0], [1, 0, 1], [0, 0, 0]], dtype=bool)
    opened = switch_places(state, 0, rng, 1.0)
    assert opened[0] == opened[1] <= 1  # from all shut: one moment
    assert opened[2] == 2.0  # did not change
    turned = switch_places(state, 1, rng, 1.0)
    assert turned[1] != turned[2]
    assert len(set(switch_places(state, 2, None, 1.0)[[0, 2]])) == 1


def test_rows_put_into_a_bend_lie_on_it():
    # Radius 15 m, 5 m/s, a row a second, a switch half way between rows: within 2 cm of the circle.
    time_s = np.arange(12.0)
    angle = time_s * 5.0 / 15.0
    log = log_from_path(
        15 * np.cos(angle),
        15 * np.sin(angle),
        time_s,
        PLANE,
        (time_s > 5.5)[:, None],
        heading_deg=-np.rad2deg(angle) % 360.0,
    )
    base = replace(drive(), log=log)
    placed = placed_switches(log, base, None)
    x, y = PLANE.forward(placed.latitude_deg, placed.longitude_deg)
    assert len(placed) == 13
    assert np.hypot(x, y) == pytest.approx(np.full(13, 15.0), abs=0.02)
    assert placed.heading_deg[6] == pytest.approx(-np.rad2deg(5.5 / 3) % 360.0, abs=0.01)


def test_bend_that_begins_within_a_step_by_hand():
    # Straight for 2.5 s, then 20 degrees a second: 0, 0, 0, 10, 30 at 0..4 s. Rates 0, 0, 10, 20: from 0 to 20 in the
    # third step, p = (10 - 20) / (0 - 20) = 0.5; off the even turn by 0.5 x 0.5 x (0 - 20) x 1 s = -5 degrees.
    off, place = bends(np.array([0.0, 0.0, 0.0, 10.0, 30.0, 50.0]), np.arange(6.0))
    assert off == pytest.approx([0, 0, -5.0, 0, 0])
    assert place[2] == pytest.approx(0.5)
    # through north, and a bend that ends: 340, 0, 15, 15, 15; rates 20, 15, 0, 0: p = 15 / 20, 0.75 x 0.25 x 20
    off, place = bends(np.array([340.0, 0.0, 15.0, 15.0, 15.0]), np.arange(5.0))
    assert off == pytest.approx([0, 3.75, 0, 0])
    assert place[1] == pytest.approx(0.75)
    # rates not in order (a swerve), an unknown heading, a gap, no headings: nothing is known
    assert not bends(np.array([0.0, 0.0, 10.0, 10.0, 10.0]), np.arange(5.0))[0].any()
    assert not bends(np.array([0.0, 0.0, np.nan, 10.0, 30.0, 50.0]), np.arange(6.0))[0].any()
    gap = np.array([0.0, 1.0, 2.0, 12.0, 13.0, 14.0])
    assert not bends(np.array([0.0, 0.0, 0.0, 10.0, 30.0, 50.0]), gap)[0][2]
    assert not bends(None, np.arange(5.0))[0].any()


def test_bend_is_drawn_between_an_even_turn_and_one_at_once():
    time_s = np.arange(6.0)
    heading = np.array([0.0, 0.0, 0.0, 10.0, 30.0, 50.0])
    log = log_from_path(time_s * 0.5, 3 * time_s, time_s, PLANE, np.ones((6, 1), bool), heading_deg=heading)
    base = replace(drive(), log=log)
    assert placed_switches(log, base, None) is log  # nothing switches, and without a draw the turn is even
    middle = []
    for seed in range(300):
        placed = placed_switches(log, base, np.random.default_rng(seed))
        assert len(placed) == 7
        assert placed.time_s[3] == pytest.approx(2.5)
        middle.append(placed.heading_deg[3])
    # even: 5 degrees half way; at once: 0
    assert stats.kstest(np.asarray(middle) / 5.0, "uniform").pvalue > 0.01


def test_heading_errs_by_its_sigma_from_row_to_row():
    base = drive()
    base = replace(base, log=replace(base.log, heading_deg=np.zeros(len(base.log))))
    errors = replace(NO_ERROR, heading_sigma_deg=0.3)
    drawn = []
    for child in np.random.SeedSequence(3).spawn(200):
        log = perturbed(base, errors, child).log
        drawn.append((log.heading_deg[np.isin(log.time_s, base.log.time_s)] + 180.0) % 360.0 - 180.0)
    drawn = np.stack(drawn)
    assert drawn.std() == pytest.approx(0.3, rel=0.05)
    assert abs(np.corrcoef(drawn[:, 3], drawn[:, 4])[0, 1]) < 0.25


def test_scaled_errors_keep_their_lengths_and_times():
    quarter = scaled(ErrorModel(), 0.25)
    assert (quarter.gnss_sigma_m, quarter.heading_sigma_deg, quarter.log_step) == (0.015, 0.05, 0.25)
    assert (quarter.gnss_time_s, quarter.boundary_length_m) == (120.0, 50.0)


def test_what_is_stated_comes_before_what_is_assumed():
    base = drive()
    model, notes = error_model_for(base)
    assert model.gnss_sigma_m == 0.06  # nothing stated: a corrected receiver
    assert "assumed" in say(notes[0])
    stated, _ = error_model_for(drive(gnss_sigma_m=0.02))
    assert (stated.gnss_sigma_m, stated.gnss_time_s) == (0.02, 60.0)
    classed, notes = error_model_for(drive(gnss_sigma_m=0.02), "uncorrected")
    assert classed.gnss_sigma_m == 0.6
    with pytest.raises(InputError, match="no class"):
        error_model_for(base, "perfect")


def test_derived_boundary_has_no_error_of_its_own():
    base = drive()
    derived = replace(base, field=replace(base.field, source="derived"))
    model, notes = error_model_for(derived)
    assert model.boundary_sigma_m == 0.0
    assert Note.of("study.boundary_derived") in notes


@pytest.mark.parametrize("wrong", [{"gnss_sigma_m": -1.0}, {"gnss_time_s": 0.0}, {"gnss_white_share": 1.5},
                                   {"latency_sigma_s": float("inf")}])  # fmt: skip
def test_sizes_that_cannot_be_are_refused(wrong):
    with pytest.raises(InputError):
        ErrorModel(**wrong)


@pytest.mark.parametrize("source", SOURCES)
def test_each_source_alone_changes_something(source):
    base = drive()
    moved = perturbed(base, only(ErrorModel(), source), np.random.SeedSequence(4))
    changed = {
        "gnss": not np.array_equal(moved.log.latitude_deg, base.log.latitude_deg),
        "latency": not np.array_equal(moved.log.latitude_deg, base.log.latitude_deg),
        "boundary": not moved.field.boundary.equals(base.field.boundary),
        "antenna": moved.machine.antenna != base.machine.antenna,
        "log_step": len(moved.log) > len(base.log),
    }
    assert changed[source]


def test_latency_moves_headings_with_positions():
    # a circle of 25 m at 5 m/s, 0.2 rad/s: rows read 0.4 s later lie 2 m further on, headings 4.6 degrees further
    log = log_of(arc_path(25.0, sweep_deg=180.0), PLANE)
    base = replace(drive(), log=log)
    errors = only(ErrorModel(latency_sigma_s=0.4), "latency")
    for seed in range(4):
        rng = {name: np.random.default_rng([seed, k]) for k, name in enumerate(SOURCES)}
        delay = 0.4 * np.random.default_rng([seed, SOURCES.index("latency")]).standard_normal()
        moved = moved_log(log, base, errors, rng)
        x, y = PLANE.forward(moved.latitude_deg, moved.longitude_deg)
        inner = slice(2, -2)
        turned = (moved.heading_deg - log.heading_deg + 180.0) % 360.0 - 180.0
        assert turned[inner] == pytest.approx(np.full(len(log) - 4, np.degrees(0.2 * delay)), abs=0.05)
        # clockwise about (0, 0): a heading is the bearing from the centre and a quarter turn
        bearing = np.degrees(np.arctan2(x, y))
        assert ((moved.heading_deg - bearing) % 360.0)[inner] == pytest.approx(np.full(len(log) - 4, 90.0), abs=0.2)


def test_white_share_of_the_receivers_error_is_a_share_of_variance():
    base = drive()
    errors = only(ErrorModel(gnss_sigma_m=0.2, gnss_time_s=1e9, gnss_white_share=0.09, heading_sigma_deg=0.0), "gnss")
    x0, y0 = PLANE.forward(base.log.latitude_deg, base.log.longitude_deg)
    apart, slow = [], []
    for seed in range(150):
        moved = moved_log(base.log, base, errors, streams(seed, SOURCES))
        x, y = PLANE.forward(moved.latitude_deg, moved.longitude_deg)
        apart += [x - x0 - np.mean(x - x0), y - y0 - np.mean(y - y0)]
        slow += [np.mean(x - x0), np.mean(y - y0)]
    # what does not move within an hour is slow: 0.2 sqrt(0.91) = 0.191 m; the rest, 0.2 sqrt(0.09) = 0.06 m
    n = len(base.log)
    assert np.std(apart) / np.sqrt(1 - 1 / n) == pytest.approx(0.06, rel=0.03)
    assert np.std(slow) == pytest.approx(0.191, rel=0.12)
