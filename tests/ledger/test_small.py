"""The balance, the set rate and the choice of ribbons, each by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drivekit import PLANE, books_of, ground, rectangle, sprayer
from pathkit import START_S, log_from_path

import swathledger.grid.frame as frame_module
import swathledger.ledger.account as account_module
from swathledger.grid.beyond import halo_rows, least_rows
from swathledger.ledger.accounting import Volumes
from swathledger.ledger.balance import Balance, balance_of, sum_of
from swathledger.ledger.place import place_drive
from swathledger.ledger.rate import set_rate, weighted_median
from swathledger.notes import Note
from swathledger.swath.build import build_swath

LAID = ("outside", "excluded", "turn", "restart", "guidance", "crossing")


def north(n=21, speed=4.0, x=0.0, opened=True, **logged):
    t = np.arange(float(n))
    state = np.full(n, opened)
    return log_from_path(np.full(n, x), speed * t, START_S + t, PLANE, state, heading_deg=0.0, **logged)


def balance(logged=200.0, on_target=150.0, standing=6.0, **by_cause):
    return Balance(logged, on_target, {**dict.fromkeys(LAID, 0.0), **by_cause}, standing)


def test_what_is_left_over_is_a_share_of_what_was_logged():
    found = balance(turn=10.0, outside=4.0)
    # 200 - 150 - 14 - 6 = 30: 15 %
    assert found.over_applied_l == 14.0
    assert found.unexplained_l == pytest.approx(30.0)
    assert found.unexplained_pct == pytest.approx(15.0)
    assert balance(on_target=210.0).unexplained_pct == pytest.approx(-8.0)  # more on the ground than logged
    assert balance(standing=None).unexplained_l == pytest.approx(50.0)  # what is not known counts as nothing
    assert balance(logged=0.0).unexplained_pct is None


def test_balances_add_up_and_standing_is_unknown_where_none_knows_it():
    both = sum_of([balance(turn=1.0), balance(logged=100.0, on_target=90.0, standing=None, turn=2.0, crossing=3.0)])
    assert both is not None
    assert (both.logged_l, both.on_target_l, both.standing_l) == (300.0, 240.0, 6.0)
    assert both.by_cause_l["turn"] == 3.0
    assert both.by_cause_l["crossing"] == 3.0
    part = sum_of([Balance(9.0, 8.0, {"turn": 1.0}, None)])  # causes that a ledger does not name are none
    assert part is not None
    assert part.by_cause_l == {**dict.fromkeys(LAID, 0.0), "turn": 1.0}
    assert part.over_applied_l == 1.0
    neither = sum_of([balance(standing=None)] * 2)
    assert neither is not None
    assert neither.standing_l is None
    assert sum_of([]) is None


@pytest.mark.parametrize(
    ("values", "weights", "median"),
    [([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], 2.0), ([3.0, 1.0, 2.0], [5.0, 1.0, 1.0], 3.0), ([1.0, 2.0], [1.0, 1.0], 1.0)],
)
def test_weighted_median(values, weights, median):
    assert weighted_median(np.array(values), np.array(weights)) == median


def test_with_rate_and_flow_each_row_has_its_own_setting():
    # 6 m at 4 m/s and 100 L/ha: 0.24 L/s. Rate unknown in row 5 and 0 in row 6: the last known one holds
    rate = np.full(21, 0.01)
    rate[10:] = 0.02
    rate[5], rate[6] = np.nan, 0.0
    log = north(rate_l_m2=rate, flow_l_s=np.full(21, 0.24))
    swath = build_swath(log, sprayer(6.0), PLANE)
    found = set_rate(log, sprayer(6.0), swath, [])
    assert found.per_step == pytest.approx([0.01] * 10 + [0.02] * 10)
    assert found.relative == pytest.approx([1.0] * 10 + [0.5] * 10, rel=1e-6)
    assert found.constant_l_m2 is None


def test_one_setting_throughout_is_named():
    log = north(rate_l_m2=np.full(21, 0.01), flow_l_s=np.full(21, 0.12))
    found = set_rate(log, sprayer(6.0), build_swath(log, sprayer(6.0), PLANE), [])
    assert found.constant_l_m2 == pytest.approx(0.01)
    assert found.relative == pytest.approx([0.5] * 20, rel=1e-6)


def test_flow_alone_is_held_against_the_machine_file():
    log = north(flow_l_s=np.full(21, 0.24))
    machine = sprayer(6.0, set_rate_l_m2=0.02)
    found = set_rate(log, machine, build_swath(log, machine, PLANE), [])
    assert found.constant_l_m2 == 0.02
    assert found.per_step.shape == found.relative.shape == (20,)
    assert found.relative == pytest.approx([0.5] * 20, rel=1e-6)
    # without it against its own median
    found = set_rate(log, sprayer(6.0), build_swath(log, sprayer(6.0), PLANE), [])
    assert found.constant_l_m2 == pytest.approx(0.01, rel=1e-6)


def test_rows_before_the_first_known_rate_have_that_one():
    rate = np.full(21, 0.02)
    rate[:3], rate[3] = np.nan, 0.01
    log = north(rate_l_m2=rate, flow_l_s=np.full(21, 0.24))
    found = set_rate(log, sprayer(6.0), build_swath(log, sprayer(6.0), PLANE), [])
    assert found.per_step == pytest.approx([0.01] * 4 + [0.02] * 16)


def test_a_rate_alone_is_held_against_its_median_by_area():
    # 5 steps of 4 m at 100 L/ha and 15 at 200: half of the ground had 200
    rate = np.where(np.arange(21) < 5, 0.01, 0.02)
    notes: list[Note] = []
    log = north(rate_l_m2=rate)
    found = set_rate(log, sprayer(6.0, set_rate_l_m2=0.03), build_swath(log, sprayer(6.0), PLANE), notes)
    assert found.constant_l_m2 == 0.02
    assert found.relative[[0, 19]] == pytest.approx([0.5, 1.0])
    assert [note.code for note in notes] == ["ledger.median_rate"]
    # a column of flow without a number in it is none, and so is one of rates
    assert set_rate(
        north(rate_l_m2=rate, flow_l_s=np.full(21, np.nan)), sprayer(6.0), build_swath(log, sprayer(6.0), PLANE), []
    ).per_step == pytest.approx(0.02)
    flow = north(rate_l_m2=np.full(21, np.nan), flow_l_s=np.full(21, 0.24))
    held = set_rate(flow, sprayer(6.0, set_rate_l_m2=0.02), build_swath(flow, sprayer(6.0), PLANE), [])
    assert held.constant_l_m2 == 0.02


def test_closure_is_a_share_of_what_was_logged():
    # 80 + 5 + 3 + 1 laid and 6 poured of 100 logged: 95, so 5 % are missing
    laid = {**dict.fromkeys(LAID, 0.0), "standing": 6.0}
    volumes = Volumes(80.0, 5.0, 3.0, 1.0, 6.0, 100.0, laid)
    assert (volumes.over_applied_l, volumes.applied_l) == (9.0, 89.0)
    assert volumes.closure_pct == pytest.approx(-5.0)
    assert Volumes(0.6, 0.0, 0.0, 0.0, 0.0, 0.5, laid).closure_pct == pytest.approx(20.0)
    assert Volumes(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, laid).closure_pct is None


def test_a_drive_that_sprayed_nothing_is_placed():
    log = north(opened=False)
    placed = place_drive(
        log, sprayer(6.0), ground(rectangle(-20, -5, 20, 90)), build_swath(log, sprayer(6.0), PLANE), 0.5
    )
    assert placed.far_m2 == 0.0
    assert placed.near.shape == (0,)


def test_ground_of_another_place_is_left_out_and_told():
    # the field lies 600 m east of a pass of 80 m by 6 m
    field = ground(rectangle(600, -5, 640, 90))
    log = north()
    placed = place_drive(log, sprayer(6.0), field, build_swath(log, sprayer(6.0), PLANE), 0.5)
    assert placed.far_m2 == pytest.approx(480.0, rel=1e-6)
    assert not placed.near.any()
    assert [note.code for note in placed.notes] == ["ledger.far", "ledger.no_rate"]
    near = ground(rectangle(480, -5, 520, 90))
    placed = place_drive(log, sprayer(6.0), near, build_swath(log, sprayer(6.0), PLANE), 0.5)
    assert placed.far_m2 == 0.0
    assert [note.code for note in placed.notes] == ["ledger.no_rate"]


@pytest.mark.parametrize(
    ("box", "east", "north_", "steps"),
    [  # beside the field every step is as far, before and behind it one is the nearest
        ((503.0, 0.0, 512.0, 80.0), 1, 0, 20),
        ((-512.0, 0.0, -503.0, 80.0), -1, 0, 20),
        ((-2.0, 580.0, 2.0, 589.0), 0, 1, 1),
        ((-2.0, -509.0, 2.0, -500.0), 0, -1, 1),
    ],
)
def test_a_place_is_the_field_s_to_500_m_and_no_farther(box, east, north_, steps):
    # the pass covers x from -3 to 3 and y from 0 to 80, to the last bit
    swath = replace(
        build_swath(north(), sprayer(6.0), PLANE), x_m=np.zeros(21), y_m=4.0 * np.arange(21.0), right_x=np.ones(21),
        right_y=np.zeros(21), distance_m=np.full(20, 4.0),
    )  # fmt: skip
    x0, y0, x1, y1 = box
    for moved, near in ((0.0, steps), (1e-9, 0)):
        dx, dy = moved * east, moved * north_
        placed = place_drive(north(), sprayer(6.0), ground(rectangle(x0 + dx, y0 + dy, x1 + dx, y1 + dy)), swath, 1.0)
        assert int(placed.near.sum()) == near
        assert placed.far_m2 == pytest.approx((20 - near) * 24.0)


def test_ground_that_is_left_out_takes_its_litres_along():
    # 6 m by 80 m at 0.02 L/m2; the field's far end is 480 m south of the start: of 20 steps the first five are within
    log = north(rate_l_m2=np.full(21, 0.02))
    result = books_of(log, sprayer(6.0), ground(rectangle(-20, -530, 20, -480.5)))
    assert result.books.far_m2 == pytest.approx(24.0 * 15, rel=1e-6)
    volumes = result.books.volumes
    assert volumes is not None
    assert volumes.logged_l == pytest.approx(0.02 * 24.0 * 5, rel=1e-6)
    assert volumes.outside_l == pytest.approx(volumes.logged_l, rel=1e-3)
    assert volumes.closure_pct == pytest.approx(0.0, abs=0.1)
    assert result.books.set_rate_l_m2 == pytest.approx(0.02)


def test_cells_treated_with_too_little_and_too_much_are_told_apart():
    # 6 m at 4 m/s and 100 L/ha: 0.24 L/s. Five steps of 24 m2 with half as much again, eight with half
    flow = np.full(21, 0.24)
    flow[:5], flow[5:13] = 0.36, 0.12
    log = north(rate_l_m2=np.full(21, 0.01), flow_l_s=flow)
    swath = build_swath(log, sprayer(6.0), PLANE)
    placed = place_drive(log, sprayer(6.0), ground(rectangle(-20, -5, 20, 90)), swath, 0.5)
    areas = account_module.account(placed, tolerance_m=0.0).areas
    assert areas.off_rate_high_cells * 0.25 == pytest.approx(5 * 24.0, rel=0.05)
    assert areas.off_rate_low_cells * 0.25 == pytest.approx(8 * 24.0, rel=0.05)


def test_bands_are_told_one_by_one_and_few_are_in_memory(monkeypatch):
    # 90 m of field in bands of one frame's rows each
    log = north(rate_l_m2=np.full(21, 0.02))
    field = ground(rectangle(-20, -5, 20, 400))
    placed = place_drive(log, sprayer(6.0), field, build_swath(log, sprayer(6.0), PLANE), 0.5)
    monkeypatch.setattr(frame_module, "BAND_CELLS", 1)
    count = len(placed.frame.bands(halo_rows(0.0, 0.5), least_rows(0.0, 0.5)))
    assert count > 20
    paint = account_module._one_band
    for threads, most in ((1, 2), (2, 4), (3, 5)):
        works, shares, rows = set(), [], []

        def spy(band, ground, work, works=works):
            works.add(id(work))
            return paint(band, ground, work)

        monkeypatch.setattr(account_module, "_one_band", spy)
        found = account_module.account(
            placed, tolerance_m=0.0, threads=threads, progress=shares.append,
            sinks=(lambda band, rows=rows: rows.append((band.first_row, band.count.shape[0])),),
        )  # fmt: skip
        assert len(works) == most
        assert shares == pytest.approx([(k + 1) / count for k in range(count)])
        assert [first for first, _ in rows] == list(np.cumsum([0] + [n for _, n in rows])[:-1])
        assert sum(n for _, n in rows) == placed.frame.rows
        assert found.areas.m2("covered") == pytest.approx(480.0, rel=0.01)


def test_standard_error_of_a_square_by_its_edge():
    result = books_of(north(), sprayer(6.0), ground(rectangle(-20, -5, 20, 90)))
    areas = result.books.areas
    assert areas.standard_error_m2("covered") == pytest.approx(0.01 * math.sqrt(areas.edges["covered"] / 5.0))


def test_a_drive_of_one_ribbon_is_placed_by_where_it_lies():
    # one step of 4 m: one ribbon; 600 m from the field it is another's
    log = north(n=2)
    swath = build_swath(log, sprayer(6.0), PLANE)
    assert swath.ribbon_step.shape == (1,)
    assert place_drive(log, sprayer(6.0), ground(rectangle(600, -5, 640, 90)), swath, 0.5).far_m2 == pytest.approx(24.0)
    assert place_drive(log, sprayer(6.0), ground(rectangle(-9, -5, 9, 90)), swath, 0.5).near.tolist() == [True]


def test_standing_is_known_unless_said_otherwise():
    volumes = Volumes(80.0, 5.0, 3.0, 1.0, 6.0, 100.0, {**dict.fromkeys(LAID, 0.0), "standing": 6.0})
    assert balance_of(volumes).standing_l == 6.0
    assert balance_of(volumes, standing_known=False).standing_l is None
