"""Replays of a few metres, small enough to be interpreted: where every valve moves follows from a line of arithmetic.

A boom of 2 m with nozzles 0.5 m apart drives at 2 m/s and lays 0.02 L/m2. Valves move to a 32nd of a control step of
10 cm, 3 mm of way; litres are known to the length of way that a group was open on.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground, placed
from pathkit import PlanePath, line_path, log_of
from plainkit import plain_replay
from replaykit import identities, machine, named, replay_of, replayed
from shapely import Polygon

from swathledger.machine.machine import Valves
from swathledger.report.audited import Audit

SPEED = 2.0
RATE = 0.02
IDEAL = Valves()
CELL_M = 0.25
OUTLINE = shapely.box(-4.0, 0.0, 4.0, 6.0)
MM = 0.004  # of way: one 32nd of a control step, and a hair


def way(start: float, end: float, *, x: float = 0.0, step_s: float = 1.0, **more: Any) -> PlanePath:
    """North along ``x`` from ``start`` to ``end``."""
    return line_path([0.0], [end - start], origin=(x, start), speed_m_s=SPEED, step_s=step_s, **more)


def replay(
    path: PlanePath,
    boundary: Polygon = OUTLINE,
    *groups: str,
    valves: Valves = IDEAL,
    tolerance_m: float = 0.0,
    bearing_deg: float = 0.0,
    pond: Polygon | None = None,
    asked: dict[str, object] | None = None,
    sections: tuple[int, ...] = (4,),
    **settings: Any,
) -> Audit:
    """A drive and its field turned by a bearing about a place off the cells' corners, replayed."""
    at = (0.37, -1.23)
    log = log_of(path.rotated(bearing_deg).moved(*at), PLANE, state_kind="work", rate_l_m2=RATE)
    field = ground(placed(boundary, bearing_deg, at), None if pond is None else placed(pond, bearing_deg, at))
    sprayer = machine(2.0, 4, sections, valves=valves, replay=asked)
    audit = replayed(
        log, sprayer, field, groups=groups or ("boom",), tolerance_m=tolerance_m, cell_m=CELL_M, **settings
    )
    identities(audit)
    return audit


def open_m(audit: Audit, word: str, groups: int) -> float:
    """Way on which groups were open, summed over groups, from the litres."""
    volume = named(audit, word).volume_l
    assert volume is not None
    return volume / (RATE * 2.0 / groups)


def check(audit: Audit, word: str, groups: int, expected_m: float, switches: int = 2) -> None:
    """Litres and seconds of a layout whose groups were open on ``expected_m`` of way in all."""
    assert open_m(audit, word, groups) == pytest.approx(expected_m, abs=switches * MM)
    assert named(audit, word).open_group_s == pytest.approx(expected_m / SPEED, abs=switches * MM / SPEED)


# --- a square edge ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("bearing", [0.0, 33.0, 90.0, 200.0])
def test_ideal_valves_open_and_shut_on_the_edge(bearing: float) -> None:
    audit = replay(way(-1.03, 8.0), OUTLINE, "boom", "2", "nozzle", "limit", bearing_deg=bearing)
    for word, groups in (("boom", 1), ("2", 2), ("nozzle", 4)):
        check(audit, word, groups, 6.0 * groups, 2 * groups)
    # the floor: 12 m2 of 0.02 L/m2, wanted all the way of 9.03 m
    floor = named(audit, "limit")
    assert floor.volume_l == pytest.approx(0.24, abs=2.5e-3)  # seen every 10 cm
    assert floor.open_group_s == pytest.approx(9.03 / SPEED, abs=1e-6)
    assert floor.cells["over_application"] == 0


@pytest.mark.parametrize(
    ("on", "off", "look_on", "look_off"),
    [(0.3, 0.0, 0.0, 0.0), (0.0, 0.4, 0.0, 0.0), (0.2, 0.5, 0.35, 0.15), (0.0, 0.0, 0.3, 0.3), (0.1, 0.1, 0.4, 0.4)],
)
@pytest.mark.parametrize("step_s", [1.0, 0.05])
def test_delays_and_looks_move_both_ends_by_their_own_way(
    on: float, off: float, look_on: float, look_off: float, step_s: float
) -> None:
    valves = Valves(on_delay_s=on, off_delay_s=off, look_ahead_on_s=look_on, look_ahead_off_s=look_off)
    audit = replay(way(-2.03, 8.0, step_s=step_s), OUTLINE, "boom", "nozzle", valves=valves)
    # opens 2 m/s x (delay - look) after the edge, shuts as much after the other
    expected = 6.0 - SPEED * (on - look_on) + SPEED * (off - look_off)
    check(audit, "boom", 1, expected)
    check(audit, "nozzle", 4, 4 * expected, 8)


def test_a_drive_that_begins_within_the_field_begins_open() -> None:
    check(replay(way(2.0, 8.0)), "boom", 1, 4.0)
    check(replay(way(2.0, 8.0), valves=Valves(on_delay_s=0.5)), "boom", 1, 4.0)  # set at once, without the delay
    check(replay(way(2.0, 5.0)), "boom", 1, 3.0)
    check(replay(way(8.0, 9.0)), "boom", 1, 0.0)


def test_a_valve_stays_open_for_the_least_time() -> None:
    # a strip of 0.6 m takes 0.3 s; open for 1 s it is 2 m
    strip = shapely.box(-4.0, 0.0, 4.0, 0.6)
    check(replay(way(-1.03, 5.0), strip), "boom", 1, 0.6)
    check(replay(way(-1.03, 5.0), strip, valves=Valves(minimum_on_s=1.0)), "boom", 1, 2.0)
    late = Valves(minimum_on_s=1.0, on_delay_s=0.2, off_delay_s=0.1)
    check(replay(way(-1.03, 5.0), strip, valves=late), "boom", 1, 2.0)
    check(replay(way(-1.03, 5.0), strip, valves=Valves(minimum_on_s=0.2)), "boom", 1, 0.6)
    # the command to shut overtakes one to open that is still on its way: nothing opens
    check(replay(way(-1.03, 5.0), strip, valves=Valves(on_delay_s=0.5, off_delay_s=0.1)), "boom", 1, 0.0)
    check(replay(way(-1.03, 5.0), strip, valves=Valves(on_delay_s=0.35, off_delay_s=0.1)), "boom", 1, 0.1)


def test_two_strips_and_the_ground_between() -> None:
    strips = shapely.union_all([shapely.box(-4.0, 0.0, 4.0, 1.0), shapely.box(-4.0, 2.5, 4.0, 4.0)])
    path = way(-1.03, 6.0)
    check(replay(path, strips), "boom", 1, 2.5, 4)
    check(replay(path, strips, valves=Valves(off_delay_s=0.5)), "boom", 1, 4.5, 4)
    check(replay(path, strips, valves=Valves(off_delay_s=0.8)), "boom", 1, 4.0 + 1.6, 4)  # never shuts between
    check(replay(path, strips, valves=Valves(on_delay_s=0.25)), "boom", 1, 1.5, 4)


def test_what_the_operator_does_not_want_is_not_sprayed() -> None:
    path = way(-1.0, 6.0, step_s=0.25)
    path = replace(path, state=((path.y_m < 1.4) | ((path.y_m > 2.9) & (path.y_m < 5.9)))[:, None])
    audit = replay(path, OUTLINE, "boom", "nozzle")
    # wanted from -1 to 1.5 and from 3 to 6; in the field from 0 on
    check(audit, "boom", 1, 1.5 + 3.0, 4)
    check(audit, "nozzle", 4, 4 * 4.5, 16)


# --- edges that slant -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("off", [1.0, 0.75, 0.5])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_group_opens_where_enough_of_its_width_wants_spray(off: float, side: float) -> None:
    # wanted beyond the line y = x (or y = -x): a group from a to b begins to want at y = its nearer end and wants
    # (1 - off) of its width w that much later. Opens there, shuts at the square edge y = 6.
    wedge = Polygon([(-4 * side, -4), (4 * side, 4), (4 * side, 6), (-4 * side, 6)])
    audit = replay(way(-3.03, 8.0), wedge, "boom", "2", "nozzle", off_when_covered=off)
    for word, groups in (("boom", 1), ("2", 2), ("nozzle", 4)):
        w = 2.0 / groups
        opens = [-1.0 + k * w + (1.0 - off) * w for k in range(groups)]
        check(audit, word, groups, sum(6.0 - y for y in opens), 2 * groups)


@pytest.mark.parametrize("off", [1.0, 0.6])
def test_a_group_shuts_where_enough_of_its_width_is_across(off: float) -> None:
    # leaving over y = 3 + x: the last of a group's width is across at y = 3 + its farther end
    wedge = Polygon([(-4, -3), (4, -3), (4, 7), (-4, -1)])
    audit = replay(way(-1.5, 6.0), wedge, "boom", "nozzle", off_when_covered=off)
    for word, groups in (("boom", 1), ("nozzle", 4)):
        w = 2.0 / groups
        ends = [-1.0 + (k + 1) * w - (1.0 - off) * w for k in range(groups)]
        check(audit, word, groups, sum(3.0 + end + 1.5 for end in ends), 2 * groups)


# --- ground treated before --------------------------------------------------------------------------------------------
def beside(offset_m: float, *, gap_s: float = 60.0, back: bool = False) -> PlanePath:
    """A pass from 0 to 6 m and another ``offset_m`` to its right, the same way or back."""
    second = way(0.0, 6.0, x=offset_m)
    if back:
        second = line_path([0.0], [6.0], bearing_deg=180.0, origin=(offset_m, 6.0), speed_m_s=SPEED)
    return way(0.0, 6.0).then(second, gap_s)


@pytest.mark.parametrize("back", [False, True])
def test_groups_wholly_over_treated_ground_are_shut(back: bool) -> None:
    # treated from -1 to 1; the second pass reaches from 0.3 to 2.3: of its nozzles 0.3-0.8 is shut, 0.8-1.3 is open
    audit = replay(beside(1.3, back=back), OUTLINE, "boom", "2", "nozzle", "limit")
    check(audit, "boom", 1, 12.0, 4)
    check(audit, "2", 2, 24.0, 8)
    check(audit, "nozzle", 4, 24.0 + 18.0, 10)
    # the floor treats 2 m and then 1.3 m
    assert named(audit, "limit").volume_l == pytest.approx(RATE * 6.0 * 3.3, rel=3e-3)
    assert named(audit, "nozzle").cells["skip"] == named(audit, "boom").cells["skip"]
    left = replay(beside(-1.3, back=back), OUTLINE, "nozzle")
    check(left, "nozzle", 4, 24.0 + 18.0, 10)


@pytest.mark.parametrize(("tolerance", "open_groups"), [(0.0, 3), (0.29, 3), (0.31, 2), (0.79, 2), (0.81, 1)])
def test_ground_within_the_tolerance_beside_treated_ground_counts_as_treated(
    tolerance: float, open_groups: int
) -> None:
    # 0.3 m of the second nozzle and 0.8 m of the third and second are not treated
    audit = replay(beside(1.3), OUTLINE, "nozzle", tolerance_m=tolerance)
    check(audit, "nozzle", 4, 24.0 + 6.0 * open_groups, 10)


@pytest.mark.parametrize("off", [1.0, 0.5, 0.3])
def test_a_threshold_shuts_groups_that_are_treated_in_part(off: float) -> None:
    # of the nozzle from 0.8 to 1.3 m 60 % want spray: it is open while more than 1 - off does
    audit = replay(beside(1.3), OUTLINE, "nozzle", off_when_covered=off)
    check(audit, "nozzle", 4, 24.0 + 6.0 * (3 if 0.6 > 1 - off else 2), 10)


@pytest.mark.parametrize("bearing", [0.0, 61.0])
@pytest.mark.parametrize(
    "valves", [IDEAL, Valves(on_delay_s=0.2, off_delay_s=0.3, look_ahead_on_s=0.1, look_ahead_off_s=0.1)]
)
def test_a_pass_across_shuts_over_the_one_before(bearing: float, valves: Valves) -> None:
    across = line_path([0.0], [8.0], bearing_deg=90.0, origin=(-4.0, 3.0), speed_m_s=SPEED)
    audit = replay(way(0.0, 6.0).then(across, 60.0), OUTLINE, "boom", "nozzle", bearing_deg=bearing, valves=valves)
    # 6 m, then 8 m less the 2 m of the first pass, moved by 2 m/s x (0.3 - 0.1) at its near end and (0.2 - 0.1) beyond
    late = SPEED * (valves.off_delay_s - valves.on_delay_s)
    check(audit, "boom", 1, 6.0 + 6.0 + late, 4)
    check(audit, "nozzle", 4, 4 * (12.0 + late), 16)
    if valves == IDEAL:
        assert named(audit, "boom").by_cause_cells["crossing"] == 0
    else:
        # sprayed for 0.4 m into treated ground: 2 m by 0.4
        found = named(audit, "boom").by_cause_cells["crossing"] * CELL_M**2
        assert found == pytest.approx(2.0 * 2.0 * 0.2, abs=0.35)


@pytest.mark.parametrize(("margin", "open_over"), [(0.25, 0.5), (0.5, 1.0), (-0.25, -0.5)])
def test_a_margin_at_treated_ground_is_overlapped_or_left(margin: float, open_over: float) -> None:
    across = line_path([0.0], [8.0], bearing_deg=90.0, origin=(-4.0, 3.0), speed_m_s=SPEED)
    margins: dict[str, object] = {"overlap_margin_m": margin}
    audit = replay(way(0.0, 6.0).then(across, 60.0), OUTLINE, "boom", "nozzle", tolerance_m=0.02, asked=margins)
    # on either side of the strip of 2 m that much more, or less, is treated
    check(audit, "boom", 1, 12.0 + open_over, 4)
    check(audit, "nozzle", 4, 4 * (12.0 + open_over), 16)


@pytest.mark.parametrize("margin", [0.4, -0.4])
def test_a_margin_at_the_boundary_is_treated_beyond_or_left(margin: float) -> None:
    audit = replay(way(-2.03, 8.0), OUTLINE, "boom", "nozzle", asked={"boundary_margin_m": margin})
    check(audit, "boom", 1, 6.0 + 2 * margin)
    check(audit, "nozzle", 4, 4 * (6.0 + 2 * margin), 8)
    outside = named(audit, "boom").m2("outside")
    assert outside == pytest.approx(2.0 * 0.8 if margin > 0 else 0.0, abs=0.3)


def test_a_pond_shuts_the_groups_over_it() -> None:
    # 1 m by 1.5 m to the right of the centre: the two right nozzles, or the right half
    pond = shapely.box(0.0, 2.0, 1.0, 3.5)
    audit = replay(way(0.0, 6.0), OUTLINE, "boom", "2", "nozzle", pond=pond)
    check(audit, "boom", 1, 6.0)
    check(audit, "2", 2, 6.0 + 4.5, 6)
    check(audit, "nozzle", 4, 12.0 + 9.0, 10)
    assert named(audit, "2").cells["excluded"] == 0
    assert named(audit, "boom").m2("excluded") == pytest.approx(1.5, abs=0.3)


# --- steps, agreement -------------------------------------------------------------------------------------------------
def test_the_saving_in_steps_by_hand() -> None:
    # Logged: the whole boom open on all 24 m2 of two passes over each other by 0.7 m (0.48 L). The model of today's
    # boom does the same. Nozzles spare one of four over 6 m: 3 m2, 0.06 L. The floor spares 0.2 m more: 1.2 m2.
    audit = replay(beside(1.3), OUTLINE, "boom", "nozzle")
    lines = {step.step: step for step in named(audit, "nozzle").steps}
    assert list(lines) == ["model", "timing", "resolution", "floor"]
    assert [lines[k].saved_l for k in lines] == pytest.approx([0.0, 0.0, 0.06, 0.024], abs=1.5e-3)
    assert [lines[k].saved_pct for k in lines] == pytest.approx([0.0, 0.0, 12.5, 5.0], abs=0.3)
    assert lines["resolution"].saved_m2 == pytest.approx(3.0, abs=0.4)
    found = replay_of(audit)
    assert found.as_logged.volume_l == pytest.approx(0.48)
    assert found.agreement_pct == pytest.approx(100.0, abs=0.05)
    assert found.volume_difference_pct == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("end", "share"), [(6.0, 100.0), (8.0, 75.0)])
def test_agreement_is_of_the_seconds_in_which_spray_was_wanted(end: float, share: float) -> None:
    # logged open all the way; the model shuts at 6 m: of 8 m two disagree
    found = replay_of(replay(way(0.0, end), OUTLINE, "boom"))
    assert found.agreement_pct == pytest.approx(share, abs=0.1)
    assert found.volume_difference_pct == pytest.approx(share - 100.0, abs=0.1)


def test_today_s_valves_are_the_log_s_own_layout_s() -> None:
    late = Valves(off_delay_s=0.5)
    found = replay(way(0.0, 8.0), OUTLINE, "boom", valves=late)
    logged = replay_of(found).logged
    assert logged.volume_l == pytest.approx(RATE * 2.0 * 7.0, abs=RATE * 2.0 * MM)
    assert logged.open_group_s == pytest.approx(3.5, abs=MM)


# --- beside a second engine -------------------------------------------------------------------------------------------
def wandering(seed: int) -> PlanePath:
    """Three passes over a small field, crossing each other."""
    rng = np.random.default_rng(seed)
    path: PlanePath | None = None
    for _ in range(3):
        bearing = float(rng.uniform(0, 360))
        b = math.radians(bearing)
        middle = rng.uniform([-1.5, 1.5], [1.5, 4.5])
        start = middle - 4.0 * np.array([math.sin(b), math.cos(b)])
        one = line_path([0.0], [8.0], bearing_deg=bearing, origin=tuple(start), speed_m_s=SPEED, step_s=0.5)
        path = one if path is None else path.then(one, 60.0)
    assert path is not None
    return path


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    ("valves", "tolerance"),
    [
        (IDEAL, 0.1),
        (Valves(on_delay_s=0.2, off_delay_s=0.35), 0.0),
        (Valves(on_delay_s=0.1, off_delay_s=0.3, look_ahead_on_s=0.2, look_ahead_off_s=0.2, minimum_on_s=0.6), 0.1),
    ],
)
def test_a_plain_engine_lays_as_much_where_passes_wander(seed: int, valves: Valves, tolerance: float) -> None:
    # the plain engine looks every 5 cm at cells of 10 cm, so each of some twenty moments may be 5 to 10 cm off
    pond = shapely.Point(1.0, 3.0).buffer(0.8)
    audit = replay(wandering(seed), OUTLINE, "boom", "2", "nozzle", valves=valves, tolerance_m=tolerance, pond=pond)
    for word, groups in (("boom", 1), ("2", 2), ("nozzle", 4)):
        result = named(audit, word)
        plain = plain_replay(audit.swath, audit.field, result.layout.edges_m.tolist(), valves, tolerance)
        expected_m = plain.litres / (RATE * 2.0 / groups)
        found_m = open_m(audit, word, groups)
        # slivers at slanting edges open a valve before the plain engine's points meet them
        assert -0.12 * groups - 0.2 <= found_m - expected_m <= 0.12 * groups + 0.3 + 0.05 * expected_m
