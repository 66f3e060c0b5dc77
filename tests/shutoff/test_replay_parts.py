"""What stands around a replay, part by part: settings, states of groups, doubt about the closed form, turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import line_path, log_of
from replaykit import machine

from swathledger.machine.machine import Boom, Machine, ReplayLayout, ReplaySettings, Valves
from swathledger.notes import Note
from swathledger.shutoff import replay, turning
from swathledger.shutoff.drive import drive_of
from swathledger.shutoff.layout import layouts_for
from swathledger.shutoff.results import Layout, LayoutResult, Seams
from swathledger.shutoff.run import (
    Control,
    Job,
    Setting,
    _pieces_expected,
    _rule,
    find_wanting_ground,
    logged_setting,
    setting_of,
)
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

pytestmark = pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")  # interpreted, the cells' hash wraps round
SAID = Note.of("said", text="")


def layout(edges: list[float], **own: object) -> Layout:
    return Layout("x", SAID, np.asarray(edges, float), **own)  # type: ignore[arg-type]  # fields of a layout


def result(applied: int, covered: int, edges: list[float], litres: float | None = None) -> LayoutResult:
    return LayoutResult(layout(edges), {"applied": applied, "covered": covered}, 0.0, 0.5, litres, 0.0, {})


def swath(rows: int = 6, *, nozzles: int = 4, state: np.ndarray | None = None, step_m: float = 2.0) -> Swath:
    """North at 2 m/s in steps of 2 m, a boom of 0.5 m nozzles, 0.02 L/m2."""
    path = line_path([0.0], [step_m * (rows - 1)], speed_m_s=2.0, step_s=step_m / 2.0)
    kind = "work"
    if state is not None:
        path, kind = replace(path, state=state), "nozzle"
    log = log_of(path, PLANE, state_kind=kind, rate_l_m2=0.02)
    return build_swath(log, machine(0.5 * nozzles, nozzles, (nozzles,)), PLANE, max_gap_s=6.0)


# --- settings ---------------------------------------------------------------------------------------------------------
SLOW, FAST = Valves(off_delay_s=1.0), Valves(off_delay_s=0.1)
FITTED = Setting(Valves(off_delay_s=0.7), 0.8, 0.05, 0.0)


def test_a_layout_s_own_settings_come_before_the_replay_s() -> None:
    control = Control(SLOW, FAST, 0.9, 0.1, 90.0)
    assert setting_of(layout([-1, 1]), control) == Setting(FAST, 0.9, None, 0.0)
    own = layout([-1, 1], valves=SLOW, off_when_covered=0.5, treated_margin_m=0.2, boundary_margin_m=-0.3)
    assert setting_of(own, control) == Setting(SLOW, 0.5, 0.2, -0.3)
    assert logged_setting(control) == Setting(SLOW, 0.9, None, 0.0)


def test_what_was_fitted_stands_for_valves_that_nobody_named_apart() -> None:
    same = Control(SLOW, SLOW, 0.9, 0.1, 90.0, FITTED)
    assert logged_setting(same) == FITTED
    assert setting_of(layout([-1, 1]), same) == FITTED
    part = layout([-1, 1], off_when_covered=0.5, treated_margin_m=0.2, boundary_margin_m=0.4)
    assert setting_of(part, same) == Setting(FITTED.valves, 0.5, 0.2, 0.4)
    # valves of the layout, or of the replay, are named apart
    assert setting_of(layout([-1, 1], valves=FAST), same) == Setting(FAST, 0.9, None, 0.0)
    assert setting_of(layout([-1, 1]), Control(SLOW, FAST, 0.9, 0.1, 90.0, FITTED)) == Setting(FAST, 0.9, None, 0.0)


def test_the_level_of_agreement_is_ninety_unless_asked() -> None:
    assert replay.control_for(machine(), 0.7, 0.2) == Control(Valves(), Valves(), 0.7, 0.2, 90.0)
    asked = replay.control_for(machine(replay={"agreement_pct": 80.0}), 0.7, 0.2)
    assert asked.level_pct == 80.0


def test_a_gap_as_wide_as_twice_the_tolerance_is_closed_whatever_the_last_bits() -> None:
    edges = np.array([-3.0, 1.0, 4.0])
    # none stays none; else a millionth and 3 um more
    assert _rule(edges, 0.0, 0.25) == (-3.0, 4.0, 0.0, 0.25)
    rule = _rule(edges, 0.1, None)
    assert (rule.left_m, rule.right_m) == (-3.0, 4.0)
    assert 0.1 + 3e-6 < rule.beside_m < 0.1 + 4e-6
    assert np.isnan(rule.margin_m)


def test_room_for_pieces_grows_with_way_and_groups() -> None:
    drive = drive_of(swath(rows=13))  # 24 m in 12 steps
    # 24 / 4 + 12 / 24 = 6.5 strips; twice as many for every group up to four
    assert _pieces_expected(drive, 1) == 13 + 64 + 1024
    assert _pieces_expected(drive, 2) == 26 + 128 + 1024
    assert _pieces_expected(drive, 9) == 52 + 576 + 1024


def test_a_layout_is_told_by_its_groups_and_their_width() -> None:
    # 2 m of four nozzles
    found = layouts_for(machine(2.0, 4, (4,)), ("1", "2", "nozzle", "limit"), [])
    assert [x.edges_m.tolist() for x in found] == [[-1, 1], [-1, 0, 1], [-1, -0.5, 0, 0.5, 1], [-1, 1]]
    assert [x.limit for x in found] == [False, False, False, True]
    told = [(x.label.code, {k: getattr(v, "value", v) for k, v in x.label.values}) for x in found]
    assert told == [
        ("shutoff.layout_boom", {"width": 2.0}),
        ("shutoff.layout_groups", {"groups": 2, "width": 1.0}),
        ("shutoff.layout_nozzle", {"width": 0.5}),
        ("shutoff.layout_limit", {}),
    ]


def test_layouts_of_nozzles_that_a_machine_has_not_are_told_and_the_others_kept() -> None:
    wide = Machine(
        "header", Boom(np.array([-4.5, 4.5]), (1,)),
        replay=ReplaySettings(layouts=tuple(ReplayLayout(groups=asked) for asked in ("nozzle", "limit", 3))),
    )  # fmt: skip
    notes: list[Note] = []
    found = layouts_for(wide, ("nozzle", "2"), notes)
    assert [x.groups for x in found] == [2, 1, 3]
    assert [x.name for x in found] == ["2", "limit", "layout 3"]
    assert [note.code for note in notes] == ["shutoff.no_nozzles"] * 2


# --- what the log did -------------------------------------------------------------------------------------------------
def test_a_group_was_open_where_most_of_its_width_was() -> None:
    # two groups of two nozzles, rows: both of the left; one of each; one of the right; all; none
    state = np.array([[1, 1, 0, 0], [1, 0, 0, 1], [0, 0, 0, 1], [1, 1, 1, 1], [0, 0, 0, 0], [0, 0, 0, 0]], bool)
    done = replay.logged_open(swath(state=state), layout([-1.0, 0.0, 1.0]))
    # half is not most of it
    assert done.tolist() == [[True, False], [False, False], [False, False], [True, True], [False, False]]
    # groups of one and three nozzles: two of three are
    three = np.array([[0, 1, 1, 0], [1, 1, 0, 0], [0, 0, 1, 1], [1, 0, 0, 0], [1, 0, 0, 1], [0, 0, 0, 0]], bool)
    done = replay.logged_open(swath(state=three), layout([-1.0, -0.5, 1.0]))
    assert done.tolist() == [[False, True], [True, False], [False, True], [True, False], [True, False]]
    whole = replay.logged_open(swath(state=state), layout([-1.0, 1.0]))
    assert whole[:, 0].tolist() == [False, False, False, True, False]


def test_the_finest_layout_is_of_the_most_groups_and_no_floor() -> None:
    floor, one, two = layout([-1, 1], limit=True), layout([-1, 1]), layout([-1, 0, 1])
    assert replay._finest([floor, one, two]) is two
    assert replay._finest([floor, two, one, layout([-1, 0.5, 1])]) is two  # the first of them
    assert replay._finest([floor]) is None


def test_how_much_more_the_model_lays() -> None:
    wide = [-1.0, 1.0]
    assert replay._difference(result(9, 9, wide, 22.0), result(9, 9, wide, 20.0)) == pytest.approx(10.0)
    assert replay._difference(result(9, 9, wide, 18.0), result(9, 9, wide, 20.0)) == pytest.approx(-10.0)
    assert replay._difference(result(9, 9, wide, 22.0), result(9, 9, wide, 0.0)) is None
    # without litres of either, by area
    for model, done in ((None, 20.0), (22.0, None), (None, None)):
        assert replay._difference(result(120, 9, wide, model), result(100, 9, wide, done)) == pytest.approx(20.0)
    assert replay._difference(result(120, 9, wide), result(0, 0, wide)) is None


def test_groups_of_unlike_widths_waste_as_one_that_is_wider_than_their_mean() -> None:
    # (1 + 9) / (1 + 3)
    assert replay._width_m(layout([-2.0, -1.0, 2.0])) == 2.5
    assert replay._width_m(layout([-2.0, 0.0, 2.0])) == 2.0


def seams(parallel: float) -> Seams:
    return Seams(0.1, 0.1, 0.1, 2.0, 2.0, parallel)


def test_why_the_closed_form_and_the_replay_part() -> None:
    plain = Setting(FAST, 1.0, None, 0.0)

    def doubt(form: float, applied: int, setting: Setting = plain, parallel: float = 0.1) -> str | None:
        # today 1,100 applied on 1,000 covered; the finer one so many on 500: 110 % less twice that
        today, finer = result(1100, 1000, [-1, 1]), result(applied, 500, [-1, 0, 1])
        return replay._doubt(form, today, finer, setting, seams(parallel))

    # 500 of 500: 10 % are found; they part by more than 12 % of the form
    assert doubt(10.0, 500) is None
    assert doubt(11.3, 500) is None  # 1.3 of 1.356
    assert doubt(11.4, 500) == "apart"  # 1.4 of 1.368
    assert doubt(8.95, 500) is None  # 1.05 of 1.074
    assert doubt(8.9, 500) == "apart"  # 1.1 of 1.068
    assert doubt(11.4, 500, parallel=0.31) == "parallel"
    assert doubt(11.4, 500, parallel=0.3) == "apart"
    # and by more than 0.05 points
    assert doubt(0.04, 550) is None
    assert doubt(0.06, 550) == "apart"
    assert doubt(-0.06, 550) == "apart"
    # why, where there is a reason
    assert doubt(11.4, 500, replace(plain, off_when_covered=0.9), 0.9) == "threshold"
    assert doubt(11.4, 500, replace(plain, treated_margin_m=0.0), 0.9) == "margin"
    assert doubt(11.4, 500, replace(plain, boundary_margin_m=0.1), 0.9) == "margin"
    assert doubt(11.4, 500, replace(plain, boundary_margin_m=-0.1), 0.9) == "margin"
    # nothing covered: nothing laid for it
    nothing = result(0, 0, [-1, 1])
    assert replay._doubt(0.0, nothing, nothing, plain, seams(0.1)) is None


# --- turns ------------------------------------------------------------------------------------------------------------
def turns(k: float, left: float, right: float, *, step_m: float = 2.0) -> tuple[float, float]:
    """One step of ``step_m`` with a ribbon from ``left`` to ``right`` and a yaw of ``k`` per metre; 0.02 L/m2."""
    base = swath(rows=2, nozzles=16, step_m=step_m)
    found = turning.turn_litres(
        replace(base, turn_per_m=np.array([k]), ribbon_left_m=np.array([left]), ribbon_right_m=np.array([right]))
    )
    assert found[0] is not None
    assert found[1] is not None
    return found[0], found[1]


def test_a_step_s_litres_above_and_below_the_set_rate_by_hand() -> None:
    # to the right of the centre a boom that turns right moves less: 1 - 0.1 x over 0..4 m is 0.8 m of 4 missing; the
    # nozzles there lay 0.02 L/m2 x 2 m x 0.8 m too much; those to the left as much too little
    litres = 0.02 * 2.0 * 0.8
    assert turns(0.1, 0.0, 4.0) == pytest.approx((litres, 0.0), rel=1e-6)
    assert turns(0.1, -4.0, 0.0) == pytest.approx((0.0, litres), rel=1e-6)
    assert turns(0.1, -4.0, 4.0) == pytest.approx((litres, litres), rel=1e-6)
    assert turns(-0.1, 0.0, 4.0) == pytest.approx((0.0, litres), rel=1e-6)
    # half the way, half the litres; cut within a nozzle: 0.1 x 1.25 x 0.5 m
    assert turns(0.1, 0.0, 4.0, step_m=1.0) == pytest.approx((litres / 2, 0.0), rel=1e-6)
    assert turns(0.1, 1.0, 1.5) == pytest.approx((0.02 * 2.0 * 0.0625, 0.0), rel=1e-6)
    # about a point on the boom: at x = 2 it stands, beyond it goes back: mean of |1 - x / 2| over 0..4 is a half
    assert turns(0.5, 0.0, 4.0) == pytest.approx((0.02 * 2.0 * 2.0, 0.0), rel=1e-6)
    # beyond twice the pivot's distance it goes back faster than the centre on: x - 2 over 2.5..4 is 1.25 on average
    assert turns(1.0, 2.5, 4.0) == pytest.approx((0.0, 0.02 * 2.0 * 1.25 * 1.5), rel=1e-6)


def test_a_step_turns_where_the_boom_s_ends_differ_by_a_twentieth() -> None:
    # 0.0126 x 4 = 0.0504; 0.0124 x 4 = 0.0496; the farther end counts
    assert turns(0.0126, -1.0, 4.0)[0] > 0
    assert turns(0.0126, -4.0, 1.0)[1] > 0
    assert turns(0.0124, -1.0, 4.0) == (0.0, 0.0)
    assert turns(-0.0126, -4.0, 1.0)[0] > 0


def test_a_boom_known_by_its_width_is_cut_into_half_metres(monkeypatch: pytest.MonkeyPatch) -> None:
    base = swath(rows=4, nozzles=16)
    wide = replace(base, nozzle_edges_m=np.array([-4.0, 4.0]), turn_per_m=np.full(3, 0.5))
    # |1 - x / 2| from -4 to 4 in parts of 0.5 m: below 1 over 0..4, half of it missing; 1 m more on average to the left
    expected = (3 * 0.02 * 2.0 * 2.0, 3 * 0.02 * 2.0 * 4.0)
    assert turning.turn_litres(wide) == pytest.approx(expected, rel=1e-6)
    monkeypatch.setattr(turning, "_CHUNK", 2)
    assert turning.turn_litres(wide) == pytest.approx(expected, rel=1e-6)
    assert turning.turn_litres(replace(wide, dose_l_per_m2=None)) == (None, None)


# --- the floor's ground -----------------------------------------------------------------------------------------------
def test_ground_that_wants_spray_is_told_step_by_step() -> None:
    # 2 m wide; the field ends at y = 5: steps of 2 m want 4, 4 and 2 m2
    drove = swath(rows=6)
    field = ground(shapely.box(-9.0, -9.0, 9.0, 5.0))
    job = Job(None, machine(2.0, 4, (4,)), field, drove, 0.1, Control(SLOW, FAST, 1.0, 0.0, 90.0))  # type: ignore[arg-type]  # no log is asked
    found = find_wanting_ground(job, drive_of(drove), 0.0)
    assert found.area_m2 == pytest.approx([4.0, 4.0, 2.0, 0.0, 0.0], abs=0.11)
    assert found.seams.closing_per_m == pytest.approx(2.0 / (18.0 * 14.0))
