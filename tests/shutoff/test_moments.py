"""When each valve moves and what ground is taken down, by a line of arithmetic each: the controller without cells.

A boom of 2 m drives north at 2 m/s, groups from its left to its right end. A moment is known to half a 32nd of a
control step of 10 cm, 1.6 mm of way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
import shapely
from drivekit import PLANE
from pathkit import PlanePath, line_path, log_of
from replaykit import machine

from swathledger.machine.machine import Valves
from swathledger.shutoff.control import drive_layout
from swathledger.shutoff.drive import Drive, drive_of
from swathledger.shutoff.groups import (
    DONE,
    MAX_WAITING,
    NO_ROOM,
    SLACK_M,
    Plan,
    Scene,
    Switches,
    Valve,
    new_groups,
    new_switches,
)
from swathledger.shutoff.results import Seams
from swathledger.shutoff.resweep import everything_open, in_order, resweep
from swathledger.shutoff.seams import follow_seams, new_tracks, seams_from
from swathledger.shutoff.sight import Rule, sight_of
from swathledger.shutoff.treated import MAX_CUTS, MAX_PIECE_M, MAX_PIECE_STEPS, PIECES, Treated, empty_treated
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

pytestmark = pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")  # interpreted, the cells' hash wraps round
SPEED = 2.0
IDEAL = Valves()
BOX = shapely.box(-4.0, 0.0, 4.0, 6.0)
NAN = float("nan")
HAIR = 0.0017
BOOM = (-1.0, 1.0)
FOUR = (-1.0, -0.5, 0.0, 0.5, 1.0)


def way(start: float, end: float, *, x: float = 0.0, step_s: float = 1.0) -> PlanePath:
    """North along ``x`` from ``start`` to ``end``."""
    return line_path([0.0], [end - start], origin=(x, start), speed_m_s=SPEED, step_s=step_s)


def swath_of(path: PlanePath, **logged: Any) -> Swath:
    log = log_of(path, PLANE, state_kind="work", rate_l_m2=0.02, **logged)
    return build_swath(log, machine(2.0, 4, (4,)), PLANE, max_gap_s=6.0)


@dataclass(frozen=True)
class Driven:
    """What came of a layout."""

    swath: Swath
    drive: Drive
    switches: Switches
    totals: np.ndarray
    treated: Treated
    edges: np.ndarray

    def moments(self) -> list[tuple[int, bool, float, float]]:
        """Group, whether it opens, second of the log, and y of the boom's centre."""
        at = self.switches.step + self.switches.u
        poses = np.arange(self.drive.x.size)
        time, y = np.interp(at, poses, self.drive.time_s), np.interp(at, poses, self.drive.y)
        found = zip(self.switches.group, self.switches.opens, time, y, strict=True)
        return [(int(g), bool(o), float(t), float(v)) for g, o, t, v in found]

    def pieces(self) -> list[tuple[float, float, float, float]]:
        """From which y to which, and between which lateral places, ground was taken down."""
        poses = np.arange(self.drive.x.size)
        n = int(self.treated.counts[PIECES])
        start = np.interp(self.treated.first[:n] + self.treated.first_u[:n], poses, self.drive.y)
        end = np.interp(self.treated.last[:n] + self.treated.last_u[:n], poses, self.drive.y)
        found = zip(start, end, self.treated.left_m[:n], self.treated.right_m[:n], strict=True)
        return [tuple(map(float, piece)) for piece in found]  # type: ignore[misc]  # four each

    def area_m2(self) -> float:
        return sum(abs(b - a) * (right - left) for a, b, left, right in self.pieces())


def driven(
    path: PlanePath | Swath,
    where: shapely.Polygon = BOX,
    edges: Any = BOOM,
    valves: Valves = IDEAL,
    *,
    beside_m: float = 0.0,
    margin_m: float = NAN,
    off: float = 1.0,
    done: Any = None,
    room: int = 256,
) -> Driven:
    swath = swath_of(path) if isinstance(path, PlanePath) else path
    drive = drive_of(swath)
    cut = np.asarray(edges, float)
    valve = Valve(
        valves.on_delay_s, valves.off_delay_s, valves.look_ahead_on_s, valves.look_ahead_off_s, valves.minimum_on_s
    )
    plan = Plan(cut, (1.0 - off) * np.diff(cut) + SLACK_M, valve, Rule(cut[0], cut[-1], beside_m, margin_m))
    treated = empty_treated((-40.0, -40.0, 40.0, 40.0), room, 40 * room)
    switches, totals = new_switches(16 * room), np.zeros(3)
    scene = Scene(drive, treated, sight_of(where, room, MAX_CUTS))
    compare = np.zeros((0, cut.size - 1), np.bool_) if done is None else np.asarray(done, np.bool_)
    assert drive_layout(scene, plan, new_groups(cut.size - 1), switches, compare, totals) == DONE
    return Driven(swath, drive, in_order(switches), totals, treated, cut)


def check(found: Driven, expected: list[tuple[int, bool, float]], tolerance_m: float = HAIR) -> None:
    """Every switch: group, opens, y; ground and seconds follow from them."""
    got = [(g, o, y) for g, o, _, y in found.moments()]
    assert [(g, o) for g, o, _ in got] == [(g, o) for g, o, _ in expected]
    assert [y for _, _, y in got] == pytest.approx([y for _, _, y in expected], abs=tolerance_m)


# --- one edge after the other -----------------------------------------------------------------------------------------
def test_a_boom_opens_and_shuts_on_the_edges() -> None:
    found = driven(way(-1.03, 8.0))
    check(found, [(0, True, 0.0), (0, False, 6.0)])
    (_, _, opened, _), (_, _, shut, _) = found.moments()
    assert (opened, shut) == pytest.approx((1.03 / SPEED, 7.03 / SPEED), abs=HAIR)
    assert found.totals.tolist() == pytest.approx([3.0, 0.0, 0.0], abs=HAIR)
    assert found.area_m2() == pytest.approx(12.0, abs=2 * HAIR * 2)


@pytest.mark.parametrize("step_s", [1.0, 0.25, 0.05])
@pytest.mark.parametrize(
    "valves",
    [
        Valves(on_delay_s=0.3),
        Valves(off_delay_s=0.4),
        Valves(on_delay_s=0.2, off_delay_s=0.5, look_ahead_on_s=0.35, look_ahead_off_s=0.15),
        Valves(look_ahead_on_s=0.3, look_ahead_off_s=0.3),
        Valves(on_delay_s=0.1, off_delay_s=0.1, look_ahead_on_s=0.4, look_ahead_off_s=0.0),
        Valves(off_delay_s=0.1, look_ahead_on_s=0.0, look_ahead_off_s=0.4),
    ],
)
def test_delays_come_after_and_looks_before(valves: Valves, step_s: float) -> None:
    opens = SPEED * (valves.on_delay_s - valves.look_ahead_on_s)
    shuts = 6.0 + SPEED * (valves.off_delay_s - valves.look_ahead_off_s)
    found = driven(way(-2.03, 8.0, step_s=step_s), edges=FOUR, valves=valves)
    check(found, [(g, True, opens) for g in range(4)] + [(g, False, shuts) for g in range(4)])
    assert found.totals[0] == pytest.approx(4 * (shuts - opens) / SPEED, abs=8 * HAIR)
    assert found.area_m2() == pytest.approx(2.0 * (shuts - opens), abs=2 * 2 * HAIR)


def test_a_drive_begins_as_what_it_sees_says() -> None:
    check(driven(way(2.0, 8.0)), [(0, True, 2.0), (0, False, 6.0)], 1e-9 + HAIR)
    # set at once, without the delay: as though it had driven up to here
    slow = driven(way(2.0, 8.0), valves=Valves(on_delay_s=0.5, off_delay_s=0.25))
    check(slow, [(0, True, 2.0), (0, False, 6.5)])
    assert slow.moments()[0][3] == pytest.approx(2.0, abs=1e-6)
    check(driven(way(2.0, 5.0)), [(0, True, 2.0)])
    check(driven(way(8.0, 9.0)), [])
    # on the very edge of the field: what begins there begins open
    check(driven(way(0.0, 5.0)), [(0, True, 0.0)], 1e-6)
    # of the two looks the one for opening counts: 0.4 s ahead the field has begun
    ahead = Valves(look_ahead_on_s=0.4, look_ahead_off_s=0.0)
    check(driven(way(-0.5, 5.0), valves=ahead), [(0, True, -0.5)], 1e-6)
    check(driven(way(-0.5, 5.0), valves=Valves(look_ahead_on_s=0.1)), [(0, True, -0.2)])


def test_a_valve_stays_open_for_the_least_time() -> None:
    strip = shapely.box(-4.0, 0.0, 4.0, 0.6)
    for valves, opens, shuts in (
        (Valves(minimum_on_s=1.0), 0.0, 2.0),
        (Valves(minimum_on_s=0.2), 0.0, 0.6),
        (Valves(minimum_on_s=1.0, on_delay_s=0.2, off_delay_s=0.1), 0.4, 2.4),
        (Valves(minimum_on_s=0.25, on_delay_s=0.2, off_delay_s=0.1), 0.4, 0.9),
        (Valves(minimum_on_s=0.05, on_delay_s=0.2, off_delay_s=0.1), 0.4, 0.8),
        (Valves(on_delay_s=0.35, off_delay_s=0.1), 0.7, 0.8),
    ):
        found = driven(way(-1.03, 5.0), strip, valves=valves)
        check(found, [(0, True, opens), (0, False, shuts)])
        assert found.totals[0] == pytest.approx((shuts - opens) / SPEED, abs=2 * HAIR)
        assert found.area_m2() == pytest.approx(2 * (shuts - opens), abs=4 * HAIR)
    # a command to shut that overtakes one to open: nothing opens
    check(driven(way(-1.03, 5.0), strip, valves=Valves(on_delay_s=0.5, off_delay_s=0.1)), [])


def test_commands_on_their_way_arrive_in_their_order() -> None:
    # strips of 0.3 m every 0.6 m are 0.15 s each; both delays of 1 s hold seven commands at once
    strips = shapely.union_all([shapely.box(-4.0, 0.6 * k, 4.0, 0.6 * k + 0.3) for k in range(6)])
    found = driven(way(-1.03, 9.0), strips, valves=Valves(on_delay_s=1.0, off_delay_s=1.0))
    check(found, [e for k in range(6) for e in ((0, True, 0.6 * k + 2.0), (0, False, 0.6 * k + 2.3))])
    assert found.totals[0] == pytest.approx(6 * 0.15, abs=12 * HAIR)
    assert found.area_m2() == pytest.approx(6 * 0.6, abs=24 * HAIR)
    # shut 0.2 s later than opened: gaps of 0.15 s are never seen by the valve
    late = driven(way(-1.03, 9.0), strips, valves=Valves(on_delay_s=0.8, off_delay_s=1.0))
    check(late, [(0, True, 1.6), (0, False, 3.3 + 2.0)])
    # opened 0.2 s later than shut: strips of 0.15 s neither
    check(driven(way(-1.03, 9.0), strips, valves=Valves(on_delay_s=1.0, off_delay_s=0.8)), [])
    assert MAX_WAITING >= 12


def test_a_newer_command_takes_the_place_of_those_it_overtakes() -> None:
    strips = shapely.union_all([shapely.box(-4.0, 0.0, 4.0, 1.0), shapely.box(-4.0, 2.5, 4.0, 4.0)])
    path = way(-1.03, 7.0)
    check(driven(path, strips, valves=Valves(off_delay_s=0.5)), [(0, o, y) for o, y in
        ((True, 0.0), (False, 2.0), (True, 2.5), (False, 5.0))])  # fmt: skip
    check(driven(path, strips, valves=Valves(off_delay_s=0.8)), [(0, True, 0.0), (0, False, 5.6)])
    check(driven(path, strips, valves=Valves(on_delay_s=0.25)), [(0, o, y) for o, y in
        ((True, 0.5), (False, 1.0), (True, 3.0), (False, 4.0))])  # fmt: skip
    check(driven(path, strips, valves=Valves(on_delay_s=0.6)), [(0, True, 3.7), (0, False, 4.0)])


# --- two looks --------------------------------------------------------------------------------------------------------
def test_a_command_holds_until_the_ground_it_was_given_for_is_reached() -> None:
    # shutting looks 0.2 s (0.4 m) ahead and opening 0.5 s (1 m): a boom told to open at y = -1 is not told to shut by
    # the nearer look, which sees no field until y = -0.4
    valves = Valves(look_ahead_on_s=0.5, look_ahead_off_s=0.2)
    check(driven(way(-3.03, 8.0), valves=valves), [(0, True, -1.0), (0, False, 5.6)])
    # shutting looks farther: told to shut at y = 5; the nearer look sees field until 5.8 and does not open again
    valves = Valves(look_ahead_on_s=0.1, look_ahead_off_s=0.5)
    check(driven(way(-3.03, 8.0), valves=valves), [(0, True, -0.2), (0, False, 5.0)])
    # a strip of 0.5 m: seen from -1 to -0.5 by the farther look, from -0.4 to 0.1 by the nearer; told to shut once both
    # have lost it
    strip = shapely.box(-4.0, 0.0, 4.0, 0.5)
    valves = Valves(look_ahead_on_s=0.5, look_ahead_off_s=0.2)
    check(driven(way(-3.03, 8.0), strip, valves=valves), [(0, True, -1.0), (0, False, 0.1)])
    # a gap of 0.3 m from 2 to 2.3: the farther, shutting look loses the field at 1; the opening look, 0.2 m ahead,
    # sees field until 1.8 and again from 2.1
    gap = shapely.union_all([shapely.box(-4.0, 0.0, 4.0, 2.0), shapely.box(-4.0, 2.3, 4.0, 6.0)])
    valves = Valves(look_ahead_on_s=0.1, look_ahead_off_s=0.5)
    check(driven(way(-3.03, 8.0), gap, valves=valves), [(0, o, y) for o, y in
        ((True, -0.2), (False, 1.0), (True, 2.1), (False, 5.0))])  # fmt: skip


# --- what the operator wants, gaps, turning back ----------------------------------------------------------------------
def test_ground_is_laid_where_the_operator_wants_it_alone() -> None:
    path = way(-1.0, 8.0, step_s=0.25)
    path = replace(path, state=((path.y_m < 1.4) | ((path.y_m > 2.9) & (path.y_m < 7.4)))[:, None])
    found = driven(path, edges=FOUR)
    check(found, [(g, o, y) for o, y in ((True, 0.0), (False, 6.0)) for g in range(4)])
    # wanted to 1.5 and from 3 on: 1.5 + 3 m of 2 m; open in 4 groups for 4.5 m
    assert found.area_m2() == pytest.approx(9.0, abs=4 * HAIR)
    assert found.totals[0] == pytest.approx(4 * 4.5 / SPEED, abs=8 * HAIR)


def test_agreement_counts_open_and_shut_alike_in_steps_where_spray_was_wanted() -> None:
    # seen from -1 to 7 in rows of 1 m; of two groups the log had the left open from 0 to 5, the right from 1 to 6
    path = way(-1.0, 8.0, step_s=0.5)
    path = replace(path, state=(path.y_m < 6.9)[:, None])
    swath = swath_of(path)
    y = swath.y_m[:-1]
    done = np.stack(((y > -0.1) & (y < 4.9), (y > 0.9) & (y < 5.9)), axis=1)
    found = driven(swath, edges=(-1.0, 0.0, 1.0), done=done)
    # model: both open from 0 to 6, of the 8 m wanted; each group of the log agrees but for 1 m
    assert found.totals.tolist() == pytest.approx([2 * 3.0, 2 * 3.5, 2 * 4.0], abs=4 * HAIR)


def test_an_unbridged_gap_makes_the_controller_look_afresh() -> None:
    # 10 s without rows from y = 2 to 4: after it the boom, 1 m to the side, is set at once
    path = way(-1.03, 2.0).then(way(4.0, 8.0, x=1.0), 10.0)
    valves = Valves(on_delay_s=0.5, off_delay_s=0.25)
    found = driven(path, valves=valves)
    assert not found.drive.linked.all()
    got = [(o, y) for _, o, _, y in found.moments()]
    assert [o for o, _ in got] == [True, False]
    assert [y for _, y in got] == pytest.approx([1.0, 6.5], abs=HAIR)  # it was open, and stays
    pieces = found.pieces()
    assert sum(abs(b - a) for a, b, *_ in pieces) == pytest.approx(1.0 + 2.5, abs=2 * HAIR)
    assert all(b <= 2.0 + 1e-6 or a >= 4.0 - 1e-6 for a, b, *_ in pieces)
    # what was treated before a gap is treated after it: back over the same ground, at once
    again = way(-1.03, 5.0).then(way(3.0, 8.0), 10.0)
    found = driven(again)
    check(found, [(0, True, 0.0), (0, False, 3.0), (0, True, 5.0), (0, False, 6.0)])
    assert found.area_m2() == pytest.approx(2 * 6.0, abs=8 * HAIR)


def test_reversing_looks_the_other_way_and_meets_what_was_laid() -> None:
    # forward to 4, back to 2 and forward to 8: ground already treated is not treated again
    n = 40
    y = np.concatenate((np.linspace(-1.03, 4.0, n), np.linspace(4.0, 2.0, 15)[1:], np.linspace(2.0, 8.0, n)[1:]))
    back = np.zeros(y.size, bool)
    back[n - 1 : n + 13] = True
    steps = np.abs(np.diff(y))
    path = PlanePath(
        np.zeros(y.size), y, np.concatenate(([0.0], np.cumsum(steps / SPEED))), np.zeros(y.size),
        np.ones((y.size, 1), bool),
    )  # fmt: skip
    found = driven(swath_of(path, speed_m_s=np.where(back, -SPEED, SPEED)))
    assert found.drive.reverse.sum() == 14
    check(found, [(0, True, 0.0), (0, False, 4.0), (0, True, 4.0), (0, False, 6.0)])
    assert found.area_m2() == pytest.approx(12.0, abs=8 * HAIR)


# --- pieces -----------------------------------------------------------------------------------------------------------
def test_neighbours_of_one_beginning_are_taken_down_as_one_piece() -> None:
    path = way(-1.03, 7.0, step_s=0.5)
    for edges in (BOOM, (-1.0, 0.0, 1.0), FOUR):
        found = driven(path, edges=edges).pieces()
        assert all((left, right) == (-1.0, 1.0) for _, _, left, right in found)
        assert max(b - a for a, b, *_ in found) <= MAX_PIECE_M + 1e-9
        assert sum(b - a for a, b, *_ in found) == pytest.approx(6.0, abs=2 * HAIR)
    # a field whose edge begins later for the right half: two pieces side by side, of one end
    step = shapely.union_all([shapely.box(-4.0, 0.0, 0.0, 3.0), shapely.box(0.0, 1.0, 4.0, 3.0)])
    found = driven(path, step, FOUR).pieces()
    sides = {(left, right): (a, b) for a, b, left, right in found if b < 3.0 - HAIR}
    assert set(sides) == {(-1.0, 0.0), (0.0, 1.0)}
    # up to the next row, at 1.97 m; from there on as one
    assert sides[-1.0, 0.0] == pytest.approx((0.0, 1.97), abs=HAIR)
    assert sides[0.0, 1.0] == pytest.approx((1.0, 1.97), abs=HAIR)
    assert found[-1] == pytest.approx((1.97, 3.0, -1.0, 1.0), abs=HAIR)
    # the inner two begin later: three pieces, the outer two apart
    notch = BOX.difference(shapely.box(-0.5, -1.0, 0.5, 1.0))
    sides = {(left, right) for _, b, left, right in driven(path, notch, FOUR).pieces() if b < 2.0}
    assert sides == {(-1.0, -0.5), (-0.5, 0.5), (0.5, 1.0)}


def test_pieces_are_short_in_way_and_in_steps() -> None:
    # four steps of 0.9 m are 3.6 m, and a fifth would be too long
    long = driven(way(0.0, 20.0, step_s=0.45), shapely.box(-4, 0, 4, 30))
    assert [b - a for a, b, *_ in long.pieces()] == pytest.approx([3.6] * 5 + [2.0], abs=1e-6)
    steps = driven(way(0.0, 2.0, step_s=0.02), shapely.box(-4, 0, 4, 30))
    n = int(steps.treated.counts[PIECES])
    covered = steps.treated.last[:n] - steps.treated.first[:n] + 1
    assert covered.tolist() == [MAX_PIECE_STEPS, MAX_PIECE_STEPS, 2]


def test_what_begins_and_ends_within_a_control_step_is_taken_down() -> None:
    # 0.1 s open, whole within one step of 2 m, four times
    strips = shapely.union_all([shapely.box(-4.0, y, 4.0, y + 0.2) for y in (-0.8, -0.3, 0.3, 0.7)])
    found = driven(way(-1.0, 7.0), strips, FOUR)
    expected = [(y, y + 0.2) for y in (-0.8, -0.3, 0.3, 0.7)]
    check(found, [(g, o, y) for ends in expected for o, y in zip((True, False), ends, strict=True) for g in range(4)])
    assert [(a, b) for a, b, *_ in found.pieces()] == [pytest.approx(e, abs=HAIR) for e in expected]
    assert all((left, right) == (-1.0, 1.0) for _, _, left, right in found.pieces())


def test_room_that_is_too_small_is_told() -> None:
    drive = drive_of(swath_of(way(-1.03, 20.0, step_s=0.25)))
    edges = np.array(FOUR)
    plan = Plan(edges, np.full(4, SLACK_M), Valve(0.0, 0.0, 0.0, 0.0, 0.0), Rule(-1.0, 1.0, 0.0, NAN))
    sight = sight_of(shapely.box(-4.0, 0.0, 4.0, 18.0), 64, MAX_CUTS)
    none = np.zeros((0, 4), np.bool_)
    for pieces, links, moments, expected in (
        (64, 640, 64, DONE), (64, 640, 8, DONE), (64, 640, 7, NO_ROOM), (64, 640, 4, NO_ROOM), (64, 640, 3, NO_ROOM),
        (2, 640, 64, NO_ROOM), (64, 4, 64, NO_ROOM), (64, 1, 64, NO_ROOM), (0, 640, 64, NO_ROOM),
    ):  # fmt: skip
        scene = Scene(drive, empty_treated((-40.0, -40.0, 40.0, 40.0), pieces, links), sight)
        found = drive_layout(scene, plan, new_groups(4), new_switches(moments), none, np.zeros(3))
        assert found == expected, (pieces, links, moments)


# --- part of the width, ground treated before -------------------------------------------------------------------------
@pytest.mark.parametrize("off", [1.0, 0.75, 0.4])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_groups_open_and_shut_by_the_share_of_their_width(off: float, side: float) -> None:
    # wanted beyond y = side x: group k of width 0.5 begins to want at its nearer end, and wants the share 1 - off of
    # its width that much later; it shuts at the square edge y = 6
    wedge = shapely.Polygon([(-4 * side, -4), (4 * side, 4), (4 * side, 6), (-4 * side, 6)])
    found = driven(way(-3.03, 8.0), wedge, FOUR, off=off)
    groups = range(4) if side > 0 else range(3, -1, -1)
    opens = [(g, True, -1.0 + 0.5 * k + (1.0 - off) * 0.5) for k, g in enumerate(groups)]
    check(found, opens + [(g, False, 6.0) for g in range(4)])


@pytest.mark.parametrize(
    "valves", [IDEAL, Valves(on_delay_s=0.2, off_delay_s=0.3, look_ahead_on_s=0.1, look_ahead_off_s=0.1)]
)
@pytest.mark.parametrize("margin", [NAN, 0.25, -0.25])
def test_a_pass_across_shuts_over_the_one_before(valves: Valves, margin: float) -> None:
    across = line_path([0.0], [8.0], bearing_deg=90.0, origin=(-4.0, 3.0), speed_m_s=SPEED)
    swath = swath_of(way(0.0, 6.0).then(across, 60.0))
    found = driven(swath, edges=FOUR, valves=valves, beside_m=0.02, margin_m=margin)
    more = 0.0 if np.isnan(margin) else margin
    late_off = SPEED * (valves.off_delay_s - valves.look_ahead_off_s)
    late_on = SPEED * (valves.on_delay_s - valves.look_ahead_on_s)
    poses = np.arange(swath.x_m.size)
    x = np.interp(found.switches.step + found.switches.u, poses, swath.x_m)
    east = [(int(g), bool(o), float(v)) for g, o, v in
        zip(found.switches.group, found.switches.opens, x, strict=True) if abs(v) > 1e-6]  # fmt: skip
    shut, opened = -1.0 + more + late_off, 1.0 - more + late_on
    assert [(g, o) for g, o, _ in east if abs(abs(_) - 4.0) > 1e-6] == [(g, o) for o in (False, True) for g in range(4)]
    inner = [v for _, _, v in east if abs(abs(v) - 4.0) > 1e-6]
    assert inner == pytest.approx([shut] * 4 + [opened] * 4, abs=HAIR)


def test_a_boom_does_not_meet_its_own_wake() -> None:
    # circles tight enough that the inner end stands: one turn of a boom about its right end
    n = 60
    t = np.linspace(0.0, 2 * np.pi, n)
    path = PlanePath(
        1.0 - np.cos(t), 3.0 + np.sin(t), 2 * np.pi * np.arange(n) / (n - 1) / SPEED, np.degrees(t),
        np.ones((n, 1), bool),
    )  # fmt: skip
    found = driven(path, shapely.box(-10, -10, 10, 10), (-1.0, 0.0, 1.0))
    shut = [(g, t_) for g, o, t_, _ in found.moments() if not o]
    # the outer half comes round to its beginning after one turn, pi seconds; nothing shuts before
    assert all(moment > np.pi - 0.1 for g, moment in shut if g == 0)


# --- the swath that they leave ----------------------------------------------------------------------------------------
def test_a_layout_s_swath_has_a_ribbon_where_its_groups_were_open() -> None:
    step = shapely.union_all([shapely.box(-4.0, 0.0, 0.0, 3.0), shapely.box(0.0, 1.0, 4.0, 5.0)])
    found = driven(way(-1.03, 7.0, step_s=0.5), step, FOUR)
    left = resweep(found.swath, found.drive, found.edges, found.switches)
    assert left.x_m.size == found.swath.x_m.size + 4  # at 0, 1, 3 and 5, each within a step
    width = np.bincount(left.ribbon_step, left.ribbon_right_m - left.ribbon_left_m, left.distance_m.size)
    # 1 m by 3 m on the left, 1 m by 4 m on the right
    assert (width * left.distance_m).sum() == pytest.approx(7.0, abs=4 * HAIR)
    assert left.volume_l is not None
    assert left.volume_l.sum() == pytest.approx(0.02 * 7.0, abs=1e-3)
    assert left.distance_m.sum() == pytest.approx(found.swath.distance_m.sum())
    for a, b, expected in ((-1.0, 0.0, []), (0.0, 1.0, [(-1, 0)]), (1.0, 3.0, [(-1, 1)]), (3.0, 5.0, [(0, 1)])):
        middle = (left.y_m[:-1] + left.y_m[1:]) / 2
        mine = np.flatnonzero((middle > a + 0.01) & (middle < b - 0.01))
        assert mine.size
        for s in mine:
            of_step = left.ribbon_step == s
            ribbons = list(zip(left.ribbon_left_m[of_step], left.ribbon_right_m[of_step], strict=True))
            assert ribbons == [tuple(map(float, e)) for e in expected]
    # two runs apart at once
    notch = BOX.difference(shapely.box(-0.5, -1.0, 0.5, 7.0))
    apart = driven(way(-1.03, 7.0, step_s=0.5), notch, FOUR)
    twice = resweep(apart.swath, apart.drive, apart.edges, apart.switches)
    assert set(zip(twice.ribbon_left_m, twice.ribbon_right_m, strict=True)) == {(-1.0, -0.5), (0.5, 1.0)}
    area = (twice.ribbon_right_m - twice.ribbon_left_m) * twice.distance_m[twice.ribbon_step]
    assert area.sum() == pytest.approx(6.0, abs=4 * HAIR)


def test_switches_where_nothing_is_wanted_or_swept_leave_no_pose() -> None:
    swath = swath_of(way(0.0, 6.0, step_s=0.5))  # six steps of 1 m
    drive = drive_of(swath)
    edges = np.array([-1.0, 0.0, 1.0])

    def left(drive: Drive, *moments: tuple[int, float, int, bool]) -> list[tuple[float, float, float, float]]:
        switches = new_switches(len(moments))
        for n, (step, u, group, opens) in enumerate(moments):
            switches.step[n], switches.u[n], switches.group[n], switches.opens[n] = step, u, group, opens
        switches.found[0] = len(moments)
        out = resweep(swath, drive, edges, switches)
        a = out.ribbon_step
        found = zip(out.y_m[a], out.y_m[a + 1], out.ribbon_left_m, out.ribbon_right_m, strict=True)
        return [tuple(round(float(v), 6) for v in ribbon) for ribbon in found]  # type: ignore[misc]  # four each

    both = [(0, 0.0, 0, True), (0, 0.0, 1, True)]
    assert left(drive) == []
    assert left(drive, *both, (2, 0.0, 0, False), (2, 0.0, 1, False)) == [(0, 1, -1, 1), (1, 2, -1, 1)]
    assert left(drive, (1, 0.25, 1, True), (1, 0.75, 1, False)) == [(1.25, 1.75, 0, 1)]
    assert left(drive, (5, 0.5, 0, True)) == [(5.5, 6, -1, 0)]
    # at the very end of a step: of the next one
    assert left(drive, (1, 1.0, 0, True), (2, 1.0, 0, False)) == [(2, 3, -1, 0)]
    # nothing wanted in step 1: what opens there lays ground from step 2 on
    wanted = drive.wanted.copy()
    wanted[1] = False
    shut = (3, 0.0, 0, False)
    assert left(drive._replace(wanted=wanted), (1, 0.5, 0, True), shut) == [(2, 3, -1, 0)]
    assert left(drive._replace(moving=wanted), (1, 0.5, 0, True), shut) == [(2, 3, -1, 0)]
    assert left(drive._replace(moving=wanted), (0, 0.5, 0, True), shut) == [(0.5, 1, -1, 0), (2, 3, -1, 0)]
    whole = everything_open(swath, drive._replace(wanted=wanted), edges)
    assert whole.ribbon_step.tolist() == [0, 2, 3, 4, 5]
    assert set(zip(whole.ribbon_left_m, whole.ribbon_right_m, strict=True)) == {(-1.0, 1.0)}
    assert whole.volume_l is not None
    assert whole.volume_l.tolist() == pytest.approx([0.04, 0.0, 0.04, 0.04, 0.04, 0.04])


# --- seams ------------------------------------------------------------------------------------------------------------
def seams(path: PlanePath | Swath, where: shapely.Polygon, beside_m: float = 0.0) -> np.ndarray:
    """Way along seams crossed, along others; boom that wanting ground ends and begins under; by speed; area."""
    drive = drive_of(swath_of(path) if isinstance(path, PlanePath) else path)
    scene = Scene(drive, empty_treated((-40.0, -40.0, 40.0, 40.0), 256, 9999), sight_of(where, 256, MAX_CUTS))
    sums, area = np.zeros(6), np.zeros(drive.moving.size)
    assert follow_seams(scene, Rule(-1.0, 1.0, beside_m, NAN), new_tracks(), 0.25, sums, area) == DONE
    return np.append(sums, area.sum())


def test_square_edges_begin_and_end_the_whole_boom() -> None:
    # 2 m of boom begin and end; no way along a seam; at 2 m/s
    found = seams(way(-1.03, 8.0), BOX)
    assert found == pytest.approx([0.0, 0.0, 2.0, 2.0, 4.0, 4.0, 12.0], abs=0.11 * 2)
    assert found[:6] == pytest.approx([0.0, 0.0, 2.0, 2.0, 4.0, 4.0], abs=1e-6)


@pytest.mark.parametrize(("slope", "turned"), [(1.0, 1.0), (-1.0, 1.0), (0.5, 2.0)])
def test_a_slanting_edge_is_followed_along_the_way(slope: float, turned: float) -> None:
    # the field begins beyond y = x / slope: over a boom of 2 m the seam takes 2 / |slope| of way to cross; ends square
    far = 8.0
    wedge = shapely.Polygon([(-far, -far / slope), (far, far / slope), (far, 20), (-far, 20)])
    if slope < 0:
        wedge = shapely.Polygon([(far, far / slope), (-far, -far / slope), (-far, 20), (far, 20)])
    found = seams(way(-4.03, 8.0), wedge)
    assert found[0] == pytest.approx(2.0 * turned, abs=0.11)
    assert found[1] == 0.0
    assert found[2] == pytest.approx(0.0, abs=1e-6)
    assert found[3] == pytest.approx(2.0, abs=1e-6)
    # the wedge within the boom: 2 m by 8 m, less nothing on average
    assert found[6] == pytest.approx(16.0, abs=0.15)


def test_an_edge_along_the_pass_is_no_seam_that_is_crossed() -> None:
    # the field begins at x = 0.3: for 6 m an edge runs along under the boom, 0.7 m from its right end
    half = shapely.box(0.3, 0.0, 9.0, 6.0)
    assert seams(way(-1.03, 8.0), half) == pytest.approx([0.0, 6.0, 0.7, 0.7, 1.4, 1.4, 4.2], abs=0.11)
    # nearer to an end than a group is wide: none
    for edge in (0.8, -0.8):
        found = seams(way(-1.03, 8.0), shapely.box(edge, 0.0, 9.0, 6.0))
        assert found[:2].tolist() == [0.0, 0.0], edge
    # a pond of 0.5 m in the middle: two edges of 2 m each
    pond = BOX.difference(shapely.box(-0.25, 2.0, 0.25, 4.0))
    assert seams(way(-1.03, 8.0), pond) == pytest.approx([0.0, 4.0, 2.5, 2.5, 5.0, 5.0, 11.0], abs=0.22)


def test_treated_ground_is_a_seam_too() -> None:
    # back beside the first pass, 0.7 m over it: a seam along 6 m; 1.3 m by 6 m are left
    second = line_path([0.0], [6.0], bearing_deg=180.0, origin=(1.3, 6.0), speed_m_s=SPEED)
    found = seams(way(0.0, 6.0).then(second, 60.0), shapely.box(-9, -9, 9, 15))
    assert found[:2] == pytest.approx([0.0, 6.0], abs=0.11)
    assert found[6] == pytest.approx(2 * 6.0 + 1.3 * 6.0, rel=1e-6)
    # within the tolerance beside treated ground nothing wants spray
    near = seams(way(0.0, 6.0).then(second, 60.0), shapely.box(-9, -9, 9, 15), 0.2)
    assert near[6] == pytest.approx(2 * 6.0 + 1.1 * 6.0, rel=1e-6)
    # across: closes and opens on 2 m, and leaves 2 m by 2 m out
    across = line_path([0.0], [8.0], bearing_deg=90.0, origin=(-4.0, 3.0), speed_m_s=SPEED)
    crossed = seams(way(0.0, 6.0).then(across, 60.0), shapely.box(-9, -9, 9, 15))
    assert crossed[:6] == pytest.approx([0.0, 0.0, 2.0, 2.0, 4.0, 4.0], abs=1e-6)
    assert crossed[6] == pytest.approx(12.0 + 16.0 - 4.0, abs=0.21)


def test_nothing_is_followed_where_nothing_is_wanted() -> None:
    path = way(-1.0, 8.0, step_s=0.25)
    path = replace(path, state=((path.y_m < 1.4) | ((path.y_m > 2.9) & (path.y_m < 7.4)))[:, None])
    # what was shut by the operator neither ends nor begins a seam
    found = seams(path, BOX)
    assert found == pytest.approx([0.0, 0.0, 2.0, 2.0, 4.0, 4.0, 9.0], abs=0.11)
    assert found[:6] == pytest.approx([0.0, 0.0, 2.0, 2.0, 4.0, 4.0], abs=1e-6)


def test_measures_of_seams_are_over_the_target() -> None:
    # ways over 50 m2; speeds are means weighted by the boom that ends or begins
    found = seams_from(np.array([10.0, 30.0, 5.0, 4.0, 20.0, 8.0]), 50.0)
    assert (found.crossing_per_m, found.closing_per_m, found.opening_per_m) == (0.2, 0.1, 0.08)
    assert (found.closing_m_s, found.opening_m_s, found.parallel_share) == (4.0, 2.0, 0.75)
    none = seams_from(np.zeros(6), 50.0)
    assert (none.closing_m_s, none.opening_m_s, none.parallel_share) == (0.0, 0.0, 0.0)
    assert seams_from(np.ones(6), 0.0) == Seams(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    assert seams_from(np.ones(6), 1.0).parallel_share == 0.5
