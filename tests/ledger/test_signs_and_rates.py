"""Signs in reverse, the order of rates, jumps, and the standard error: each with its arithmetic by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE, books_of, ground, rectangle, sprayer
from pathkit import START_S, line_path, log_from_path, log_of

from swathledger.grid.strips import build_strips
from swathledger.ledger.accounting import Areas
from swathledger.ledger.rate import set_rate
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

RADIUS_M = 20.0


def circling(backwards: bool):
    """A quarter of a circle about (0, 0), the centre on the machine's right, at 2 m/s; driven ahead or in reverse."""
    t = np.arange(0.0, 16.0)
    way = 2.0 * t
    angle = (way[::-1] if backwards else way) / RADIUS_M
    state = np.ones(t.size, dtype=bool)
    state[-1] = False
    return log_from_path(
        -RADIUS_M * np.cos(angle),
        RADIUS_M * np.sin(angle),
        START_S + t,
        PLANE,
        state,
        heading_deg=np.degrees(angle),
        speed_m_s=np.full(t.size, -2.0 if backwards else 2.0),
        rate_l_m2=np.full(t.size, 0.02),
    )


@pytest.mark.parametrize("backwards", [False, True])
def test_the_inner_end_of_a_turn_goes_slower_whichever_way_it_is_driven(backwards):
    # A nozzle x right of the centre goes |1 - k x| as far; the turn is about x = +20, so k = 1/20 both ways.
    swath = build_swath(circling(backwards), sprayer(12.0), PLANE)
    assert bool(swath.reverse[:-1].all()) == backwards
    middle = swath.turn_per_m[3:-3]
    assert middle == pytest.approx(1.0 / RADIUS_M, rel=0.02)


@pytest.mark.parametrize("backwards", [False, True])
def test_litres_of_a_turn_close_whichever_way_it_is_driven(backwards):
    volumes = books_of(circling(backwards), sprayer(12.0), ground(rectangle(-40, -40, 40, 40))).books.volumes
    assert volumes is not None
    # 0.02 L/m2 over 12 m and a quarter circle of 30 m
    assert volumes.logged_l == pytest.approx(0.02 * 12.0 * 30.0, rel=2e-3)
    assert volumes.applied_l == pytest.approx(volumes.logged_l, rel=4e-3)


def test_a_machine_in_reverse_faces_the_way_it_came():
    y = np.concatenate((np.arange(0.0, 40.0, 2.0), np.arange(40.0, -1.0, -2.0)))
    back = np.arange(y.size) >= 20
    log = log_from_path(
        np.zeros(y.size),
        y,
        START_S + np.arange(y.size, dtype=float),
        PLANE,
        np.ones(y.size, bool),
        speed_m_s=np.where(back, -2.0, 2.0),
    )
    heading = build_swath(log, sprayer(6.0), PLANE).row_heading_deg
    np.testing.assert_allclose((heading + 180.0) % 360.0, 180.0, atol=0.5)  # north all the way, never south


# --- rates ----------------------------------------------------------------------------------------------------------
def rate_of(log, machine) -> tuple[float | None, Swath]:
    swath = build_swath(log, machine, PLANE)
    return set_rate(log, machine, swath, []).constant_l_m2, swath


def test_a_logged_rate_goes_before_the_machine_files():
    log = log_of(line_path([0.0], [50.0]), PLANE, rate_l_m2=0.02)
    found, swath = rate_of(log, sprayer(6.0, set_rate_l_m2=0.01))
    assert found == pytest.approx(0.02)
    assert swath.volume_l is not None
    assert swath.volume_l.sum() == pytest.approx(0.02 * 6.0 * 50.0)


def test_the_machine_files_rate_goes_before_what_flow_laid():
    # 0.24 L/s over 6 m at some speed v: a dose of 0.04 / v; it is held against the 0.01 of the machine file
    log = log_of(line_path([0.0], [50.0]), PLANE)
    log = replace(log, flow_l_s=np.full(len(log), 0.24))
    assert rate_of(log, sprayer(6.0, set_rate_l_m2=0.01))[0] == pytest.approx(0.01)


def test_a_change_of_rate_begins_a_new_strip():
    # 100 to 200 L/ha half way along 40 m, a row every 0.2 m: each half has its own dose, none anything between
    log = log_of(line_path([0.0], [40.0], step_s=0.05, speed_m_s=4.0), PLANE, rate_l_m2=0.01)
    north = (log.latitude_deg - log.latitude_deg[0]) * 111_000.0
    log = replace(log, rate_l_m2=np.where(north < 21.3, 0.01, 0.02))
    swath = build_swath(log, sprayer(6.0), PLANE)
    rate = np.full(swath.distance_m.shape[0], 0.01)
    strips = build_strips(swath, swath.dose_l_per_m2 / rate, rate)
    assert set(np.round(strips.dose, 9)) == {1.0, 2.0}
    assert strips.dose.shape[0] < swath.ribbon_step.shape[0] / 4  # but steps of one rate are joined


# --- jumps ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("jump_m", "gaps"), [(20.0, 0), (29.0, 0), (31.0, 1), (50.0, 1), (52.0, 1)])
def test_a_jump_no_machine_could_make_is_not_bridged(jump_m, gaps):
    # in one second: 25 m/s and 5 m of a receiver's correction make 30 m
    y = np.concatenate((np.arange(0.0, 21.0, 4.0), 20.0 + jump_m + np.arange(0.0, 21.0, 4.0)))
    log = log_from_path(
        np.zeros(y.size), y, START_S + np.arange(y.size, dtype=float), PLANE, np.ones(y.size, bool), heading_deg=0.0
    )
    swath = build_swath(log, sprayer(6.0), PLANE)
    assert swath.gaps == gaps
    assert swath.unbridged_m == pytest.approx(jump_m if gaps else 0.0, abs=1e-4)


# --- standard error ---------------------------------------------------------------------------------------------------
def test_standard_error_is_of_its_quantity_and_scales_with_the_cell():
    # 500 unlike pairs stand for 100 cells' variance: 10 cells; of 0.1 m: 0.1 m2, of 0.2 m: 0.4 m2
    for cell, expected in ((0.1, 0.1), (0.2, 0.4)):
        areas = Areas({"overlap": 7, "skip": 9}, {"overlap": 500, "skip": 5}, cell, 0, 0, {}, 0.1)
        assert areas.standard_error_m2("overlap") == pytest.approx(expected)
        assert areas.standard_error_m2("skip") == pytest.approx(cell**2)


def test_standard_error_of_over_application_counts_its_edges():
    # A pass of 6 m by 40 m over target that ends at 30 m: 10 m outside, 26 m of its outline are cut by no other cell.
    result = books_of(
        log_of(line_path([0.0], [40.0]), PLANE), sprayer(6.0), ground(rectangle(-10, -5, 10, 30)), cell_m=0.1
    )
    error = result.books.areas.standard_error_m2("over_application")
    # The rectangle of 6 x 10 m has 32 m of outline: 320 cells' sides and, where sample points fray them, up to thrice
    # as many unlike pairs
    assert 0.01 * (320 / 5) ** 0.5 <= error <= 0.01 * (3 * 320 / 5) ** 0.5
