"""A straight edge crossed at an angle, by hand.

Groups of width w that shut only when wholly across waste a right triangle each: w wide, w / tan t long. k groups on a
boom of width W: W^2 / (2 k tan t) a crossing (geometry).
"""

from __future__ import annotations

import numpy as np
import pytest
from replaykit import ALL_WORDS, STEP_M, Crossing, identities, named, replay_of

ANGLES = [15.0, 30.0, 45.0, 60.0, 75.0]


def wasted(case: Crossing, audit, groups_word: str) -> float:
    return named(audit, groups_word).m2("overlap_extra" if case.treated else "outside")


def check_waste(case: Crossing, step_share: float, fringe_m: float = 0.0) -> None:
    """Every k within 2 % and ``step_share`` of what one control step of the whole boom sweeps, and no new skips.

    ``fringe_m``: how uncertain the strip beside treated ground is, since cells tell where that ground begins.
    """
    audit = case.audit()
    identities(audit)
    floor = named(audit, "limit")
    assert floor.cells["over_application"] == 0
    tol = case.tolerance_m if case.treated else 0.0
    for result in replay_of(audit).results[:-1]:
        found = wasted(case, audit, result.layout.name)
        expected = case.waste_m2(result.layout.groups, tol)
        least = case.waste_m2(result.layout.groups, tol + fringe_m)
        most = case.waste_m2(result.layout.groups, max(tol - fringe_m, 0.0))
        allowed = 0.02 * expected + step_share * STEP_M * case.width_m + 3 * result.standard_error_m2
        assert least - allowed <= found <= most + allowed, (case, result.layout.groups, found, expected)
        # off when wholly across: nothing is left that a valve per cell would have reached, but the strip that counts
        # as treated beside treated ground: a triangle of tol wide a group
        left = result.m2("skip") - floor.m2("skip")
        strip = result.layout.groups * (tol + fringe_m) ** 2 / (2 * np.tan(np.radians(case.angle_deg)))
        assert -1e-9 <= left <= STEP_M / 10 * case.width_m + 2 * strip, (case, result.layout.groups, left)


@pytest.mark.parametrize("leaving", [True, False])
@pytest.mark.parametrize("angle", ANGLES)
def test_boundary_edge_wastes_its_triangles(angle, leaving):
    # decisions are taken in the middle of a step: half a step at most
    check_waste(Crossing(angle, bearing_deg=23.0, leaving=leaving), 0.5)


@pytest.mark.parametrize("angle", ANGLES)
def test_mean_over_phases_and_bearings(angle):
    # k = 72 wastes 2.4 m2 at 75 degrees, less than a control step of the boom: the mean over phases has no such excuse
    words = ("boom", "4", "nozzle")
    errors = []
    for n in range(6):
        case = Crossing(angle, bearing_deg=61.0 * n + 7.0, leaving=n % 2 == 0, start_m=0.0317 * n)
        audit = case.audit(words)
        errors.append(
            [wasted(case, audit, r.layout.name) - case.waste_m2(r.layout.groups) for r in replay_of(audit).results]
        )
    mean = np.abs(np.mean(errors, axis=0))
    case = Crossing(angle)
    for k, error in zip((1, 4, 72), mean, strict=True):
        assert error <= 0.02 * case.waste_m2(k) + 0.15 * STEP_M * case.width_m, (angle, k, error)


@pytest.mark.parametrize("tolerance", [0.0, 0.1])
@pytest.mark.parametrize("angle", [15.0, 45.0, 75.0])
def test_treated_edge_wastes_its_triangles(angle, tolerance):
    # what is treated is read from cells: up to one more cell, so one whole step; with a tolerance groups shut when all
    # but that strip beside treated ground is treated: (w - tol)^2 / (2 tan t)
    check_waste(Crossing(angle, bearing_deg=23.0, treated=True, tolerance_m=tolerance), 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("leaving", [True, False])
@pytest.mark.parametrize("tolerance", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("bearing", [0.0, 45.0, 118.0, 270.0])
@pytest.mark.parametrize("angle", ANGLES)
def test_treated_edge_all_ways(angle, bearing, tolerance, leaving):
    # a cell's width across the boom is 0.1 m / tan 15 = 0.37 m along the way
    check_waste(
        Crossing(angle, bearing_deg=bearing, leaving=leaving, treated=True, tolerance_m=tolerance),
        1.0,
        fringe_m=0.1 if tolerance > 0 else 0.0,
    )


@pytest.mark.slow
@pytest.mark.parametrize("leaving", [True, False])
@pytest.mark.parametrize("bearing", [0.0, 45.0, 90.0, 118.0, 211.0, 270.0])
@pytest.mark.parametrize("angle", ANGLES)
def test_boundary_edge_all_ways(angle, bearing, leaving):
    check_waste(Crossing(angle, bearing_deg=bearing, leaving=leaving, start_m=0.041), 0.5)


def test_entering_treated_ground_backwards_in_time():
    check_waste(Crossing(40.0, bearing_deg=201.0, leaving=False, treated=True), 1.0)


@pytest.mark.parametrize("treated", [False, True])
@pytest.mark.parametrize("angle", [20.0, 45.0, 70.0])
def test_off_at_half_overlaps_as_much_as_it_skips(angle, treated):
    # half of every group's triangle on either side: w^2 / (8 tan t) overlap, and the same skipped
    case = Crossing(angle, bearing_deg=33.0, treated=treated, off=0.5)
    audit = case.audit()
    identities(audit)
    base = named(audit, "limit").m2("skip")
    for result in replay_of(audit).results[:-1]:
        over, skip = wasted(case, audit, result.layout.name), result.m2("skip") - base
        expected = case.waste_m2(result.layout.groups) / 4
        # shutting early moves the one down by as much as it moves the other up: twice the shift of one
        assert abs(over - skip) <= 0.02 * expected + 2 * STEP_M * case.width_m / 2 + 3 * result.standard_error_m2
        assert abs((over + skip) / 2 - expected) <= 0.02 * expected + 0.35, (result.layout.groups, over, skip, expected)


def test_share_between_half_and_whole():
    # off at 0.75: a quarter of the group is left when it shuts; waste (0.75 w)^2, skip (0.25 w)^2, over 2 tan t
    case = Crossing(30.0, bearing_deg=12.0, off=0.75)
    audit = case.audit(("boom", "4", "limit"))
    base = named(audit, "limit").m2("skip")
    for k in ("boom", "4"):
        whole = case.waste_m2(named(audit, k).layout.groups)
        half_step = STEP_M / 2 * case.width_m
        assert wasted(case, audit, k) == pytest.approx(0.75**2 * whole, rel=0.02, abs=half_step)
        assert named(audit, k).m2("skip") - base == pytest.approx(0.25**2 * whole, rel=0.02, abs=half_step)


def test_waste_is_linear_in_group_width():
    # W^2 / (2 k tan t): the boom's waste halves whenever groups are halved
    audit = Crossing(35.0, bearing_deg=140.0).audit(ALL_WORDS)
    waste = [named(audit, w).m2("outside") for w in ("boom", "2", "4", "8")]
    assert np.allclose(np.array(waste[:-1]) / np.array(waste[1:]), 2.0, rtol=0.03)
