"""Drives with passes moved and their order exchanged, by hand: a rectangle, its two ends across, lines between."""

from __future__ import annotations

import numpy as np
import pytest
from drivekit import ground, sprayer
from pathkit import PlanePath, log_of
from shapely import box

from swathledger.advice.moved import (
    headland_after,
    headland_exchanged,
    lines_of,
    longer_wanted,
    moved_left,
    runs_of,
    spaced,
)
from swathledger.swath.build import build_swath

BOOM = 10.0
FIELD = ground(box(0, 0, 60, 120))
"""Ends 10 m deep; lines from y = 10 to 110."""


def drive(xs, headland_first=True):
    """End passes at y = 5 and 115, then lines at ``xs`` driven up and down; 5 m a row, shut between."""
    ends = [((0.0, 5.0), (60.0, 5.0)), ((60.0, 115.0), (0.0, 115.0))]
    lines = [((x, 10.0), (x, 110.0)) if k % 2 == 0 else ((x, 110.0), (x, 10.0)) for k, x in enumerate(xs)]
    rows, state = [], []
    for a, b in [*ends, *lines] if headland_first else [*lines, *ends]:
        n = round(np.hypot(b[0] - a[0], b[1] - a[1]) / 5.0)
        u = np.linspace(0.0, 1.0, n + 1)[:, None]
        rows.append(np.array(a) * (1 - u) + np.array(b) * u)
        state += [True] * n + [False]
    way = np.vstack(rows)
    number = np.concatenate([np.full(len(part), k) for k, part in enumerate(rows)])
    heading = np.concatenate([np.full(len(p), np.degrees(np.arctan2(*(p[-1] - p[0])))) for p in rows]) % 360
    time = np.arange(way.shape[0]) + 30.0 * number
    path = PlanePath(way[:, 0], way[:, 1], time, heading, np.array(state)[:, None])
    machine = sprayer(BOOM)
    return build_swath(log_of(path, FIELD.plane), machine, FIELD.plane)


def inner_x(swath, runs):
    """Mean x of every run, in the order of time."""
    return [round(float(np.mean(swath.x_m[a:b])), 3) for a, b in zip(runs.first, runs.last, strict=True)]


def test_which_runs_are_headland():
    swath = drive([15.0, 25.0, 35.0, 45.0])
    runs = runs_of(swath, FIELD)
    assert runs.headland.tolist() == [True, True, False, False, False, False]
    assert runs.family.tolist() == [False, False, True, True, True, True]
    assert runs.length_m == pytest.approx([60.0, 60.0, 100.0, 100.0, 100.0, 100.0], abs=0.1)
    assert not headland_after(runs)
    assert headland_after(runs_of(drive([15.0, 25.0], headland_first=False), FIELD))


def test_driven_spacing_is_that_of_neighbours():
    swath = drive([15.0, 24.5, 34.0, 43.5])
    lines = lines_of(swath, runs_of(swath, FIELD), BOOM)
    assert lines.gaps_m() == pytest.approx([9.5, 9.5, 9.5], abs=0.01)
    # a line left out makes no gap of its own, and one driven twice is one line
    swath = drive([15.0, 24.5, 24.5, 43.5])
    assert lines_of(swath, runs_of(swath, FIELD), BOOM).gaps_m() == pytest.approx([9.5], abs=0.01)


def test_lines_move_apart_from_the_one_driven_first():
    swath = drive([15.0, 24.5, 34.0, 43.5])
    runs = runs_of(swath, FIELD)
    moved = spaced(swath, runs, lines_of(swath, runs, BOOM), 9.5, 0.5)
    assert inner_x(moved, runs)[2:] == pytest.approx([15.0, 25.0, 35.0, 45.0], abs=0.01)
    assert inner_x(moved, runs)[:2] == inner_x(swath, runs)[:2]  # the headland stays
    # driven from the right, the line at the right stays
    swath = drive([43.5, 34.0, 24.5, 15.0])
    runs = runs_of(swath, FIELD)
    moved = spaced(swath, runs, lines_of(swath, runs, BOOM), 9.5, 0.5)
    assert inner_x(moved, runs)[2:] == pytest.approx([43.5, 33.5, 23.5, 13.5], abs=0.01)


def test_closer_lines_leave_one_more_to_be_driven():
    swath = drive([15.0, 25.5, 36.0])
    runs = runs_of(swath, FIELD)
    moved = spaced(swath, runs, lines_of(swath, runs, BOOM), 10.5, -0.5)
    assert inner_x(moved, runs)[2:] == pytest.approx([15.0, 25.0, 35.0], abs=0.01)
    more = moved.x_m[swath.x_m.shape[0] :]
    assert more == pytest.approx(45.0, abs=0.01)
    assert moved.wanted[-19:].all()


def test_the_order_exchanged_keeps_the_ground_and_every_step():
    swath = drive([15.0, 25.0, 35.0], headland_first=False)
    runs = runs_of(swath, FIELD)
    first = headland_exchanged(swath, runs, first=True)
    assert headland_exchanged(swath, runs, first=False) is None  # it is last already
    again = runs_of(first, FIELD)
    assert again.headland.tolist() == [True, True, False, False, False]
    assert sorted(inner_x(first, again)) == pytest.approx(sorted(inner_x(swath, runs)), abs=0.01)
    assert float(first.distance_m[first.wanted].sum()) == pytest.approx(float(swath.distance_m[swath.wanted].sum()))
    assert (np.diff(first.time_s) >= 0).all()
    back = headland_exchanged(first, again, first=False)
    assert inner_x(back, runs_of(back, FIELD)) == pytest.approx(inner_x(swath, runs), abs=0.01)


def test_the_boom_moves_to_its_own_left():
    swath = drive([15.0, 25.0])
    runs = runs_of(swath, FIELD)
    # up at x = 15 left is west, down at x = 25 it is east
    assert inner_x(moved_left(swath, 0.4), runs)[2:] == pytest.approx([14.6, 25.4], abs=0.01)


def test_spray_is_wanted_longer():
    swath = drive([15.0, 25.0])
    assert longer_wanted(swath, 0.0, 0.0) is swath
    seconds = np.diff(swath.time_s)
    longer = longer_wanted(swath, 0.0, 2.0)
    added = longer.wanted & ~swath.wanted
    # between passes the machine is not followed over 31 s: only linked steps can be sprayed
    assert (longer.linked[added]).all()
    assert (longer.pass_id[longer.wanted] >= 0).all()
    assert float(seconds[longer.wanted].sum()) >= float(seconds[swath.wanted].sum())
