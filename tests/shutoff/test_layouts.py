"""Outlet groups by number, width and list; what the replay says when it cannot do as asked; same bytes every time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import line_path, log_of, passes_path
from replaykit import block, every_result, identities, machine, named, replay_of, replayed

from swathledger.errors import InputError
from swathledger.machine.machine import Boom, Machine, Valves
from swathledger.shutoff import run as run_module
from swathledger.shutoff.layout import equal_groups, groups_of_width, layouts_for, listed_groups, logged_layout
from swathledger.shutoff.replay import control_for
from swathledger.words import say, say_all

FIELD = shapely.box(-40, -10, 60, 70)


def small(sprayer: Machine | None = None, **settings):
    path = passes_path(3, 60.0, 15.0, bearing_deg=9.0, origin=(-10.0, -2.0))
    return block(path, sprayer or machine(18.0), FIELD, **settings)


def test_groups_by_number():
    twelve = machine(6.0, 12)
    assert equal_groups(twelve, 1).tolist() == [-3, 3]
    assert equal_groups(twelve, 4).tolist() == [-3, -1.5, 0, 1.5, 3]
    # 12 nozzles in 5: cuts at 2.4, 4.8, 7.2, 9.6 nozzles, so at 2, 5, 7, 10
    assert np.diff(equal_groups(twelve, 5)).tolist() == [1.0, 1.5, 1.0, 1.5, 1.0]
    with pytest.raises(InputError, match="13 groups were asked for; machine 'test' has 12 nozzles"):
        equal_groups(twelve, 13)


def test_groups_by_width_and_list():
    twelve = machine(6.0, 12)
    assert np.diff(groups_of_width(twelve, 1.6)).tolist() == [1.5] * 4  # 6 / 1.6 = 3.75: four groups
    assert groups_of_width(twelve, 99.0).tolist() == [-3, 3]
    assert groups_of_width(twelve, 0.1).shape == (13,)  # no narrower than a nozzle
    assert listed_groups(twelve, [1, 5, 6]).tolist() == [-3, -2.5, 0, 3]
    for wrong in ([5, 6], [0, 12], [13, -1]):
        with pytest.raises(InputError, match="nozzles"):
            listed_groups(twelve, wrong)
    for wrong_m in (0.0, -1.0, float("inf"), float("nan")):
        with pytest.raises(InputError, match="above 0"):
            groups_of_width(twelve, wrong_m)


@pytest.mark.parametrize("word", ["0", "-3", "2.5", "all", "", "\u0663"])
def test_words_that_are_no_groups(word):
    with pytest.raises(InputError, match="boom, nozzle, limit or a whole number"):
        layouts_for(machine(6.0, 12), (word,), [])


def test_the_machine_files_table_is_replayed_too():
    table = {"widths_m": [0.75, 3.0], "nozzles_per_group": [[36, 36], [8] * 9]}
    audit = small(machine(18.0, replay=table), groups=("boom", "nozzle"))
    identities(audit)
    labels = [r.layout.name for r in replay_of(audit).results]
    assert labels == ["boom", "nozzle", "width 0.75 m", "width 3 m", "list 1", "list 2"]
    assert [r.layout.groups for r in replay_of(audit).results] == [1, 72, 24, 6, 2, 9]
    assert named(audit, "list 1").layout.group_width_m == 9.0


def test_layouts_of_the_machine_file_have_valves_and_margins_of_their_own():
    table = {
        "off_delay_s": 0.8,
        "overlap_margin_m": 0.2,
        "layouts": [
            {"name": "slow", "groups": 6},
            {"groups": "nozzle", "off_delay_s": 0.1, "off_when_covered": 0.5, "overlap_margin_m": -0.1},
            {"groups": [36, 36], "boundary_margin_m": 0.3},
            {"width_m": 3.0},
            {"groups": "limit"},
        ],
    }
    found = layouts_for(machine(18.0, valves=Valves(on_delay_s=0.4), replay=table), ("6", "limit"), [])
    assert [layout.name for layout in found] == ["6", "limit", "slow", "layout 2", "layout 3", "layout 4"]
    assert [layout.groups for layout in found] == [6, 1, 6, 72, 2, 6]
    six, _, slow, nozzles, halves, wide = found
    assert six.valves is None  # the replay's
    assert slow.valves == Valves(on_delay_s=0.4, off_delay_s=0.8)
    assert nozzles.valves == Valves(on_delay_s=0.4, off_delay_s=0.1)
    assert [layout.off_when_covered for layout in found] == [None, None, None, 0.5, None, None]
    assert [layout.treated_margin_m for layout in (six, slow, nozzles, halves, wide)] == [0.2, 0.2, -0.1, 0.2, 0.2]
    assert [layout.boundary_margin_m for layout in (six, slow, nozzles, halves, wide)] == [0.0, 0.0, 0.0, 0.3, 0.0]


def test_slow_valves_against_fast_ones_can_be_asked_in_the_machine_file():
    table = {"layouts": [{"name": "slow", "groups": 6, "off_delay_s": 1.5}, {"name": "fast", "groups": 6}]}
    audit = small(machine(18.0, replay=table), groups=("boom",))
    slow, fast = named(audit, "slow"), named(audit, "fast")
    assert slow.m2("over_application") > fast.m2("over_application") + 10.0
    assert say(slow.layout.label).startswith("slow: 6 groups of 3.00 m")


def test_the_machine_files_groups_stand_where_none_are_asked_for():
    audit = small(machine(18.0, replay={"groups": ["boom", 3, "limit"]}))
    assert [r.layout.name for r in replay_of(audit).results] == ["boom", "3", "limit"]


def test_the_replay_table_overrules_the_valves():
    control = control_for(
        machine(
            valves=Valves(on_delay_s=1.0, off_delay_s=2.0),
            replay={"off_delay_s": 0.3, "minimum_on_s": 4, "agreement_pct": 80},
        ),
        0.7,
        0.1,
    )
    assert control.valves == Valves(on_delay_s=1.0, off_delay_s=0.3, minimum_on_s=4.0)
    assert control.level_pct == 80.0


def test_layouts_that_come_to_the_same_are_kept_once():
    words = ("boom", "1", "12", "nozzle", "limit", "limit")
    names = [layout.name for layout in layouts_for(machine(6.0, 12), words, [])]
    assert names == ["boom", "12", "limit"]


def test_groups_that_do_not_divide_say_so():
    audit = small(groups=("7",))
    identities(audit)
    widths = np.diff(named(audit, "7").layout.edges_m)
    assert sorted(set(widths.round(9))) == [2.5, 2.75]  # 10 or 11 nozzles of 0.25 m
    assert "72 nozzles do not divide by 7: these groups differ by one nozzle." in say_all(replay_of(audit).notes)


def test_a_machine_known_by_its_width_has_no_nozzles():
    wide = Machine("header", Boom(np.array([-4.5, 4.5]), (1,)))
    audit = small(wide, groups=("boom", "9", "nozzle", "limit"))
    identities(audit)
    assert [r.layout.name for r in replay_of(audit).results] == ["boom", "9", "limit"]
    assert np.allclose(np.diff(named(audit, "9").layout.edges_m), 1.0)
    assert any("width and no nozzles" in note for note in say_all(replay_of(audit).notes))


def test_sides_of_a_logged_width_are_said_to_be_unknown():
    wide = Machine("header", Boom(np.array([-4.5, 4.5]), (1,)))
    path = line_path([0.0], [50.0], origin=(0.2, 0.1))
    width = np.where(np.arange(len(path)) < 6, 9.0, 3.0)
    log = log_of(path, PLANE, state_kind="work", working_width_m=width)
    audit = replayed(log, wide, ground(FIELD), groups=("9",))
    assert any("no sides" in note for note in say_all(replay_of(audit).notes))
    assert any("assumed centred" in note for note in say_all(audit.swath.notes))


@pytest.mark.parametrize(("kind", "groups"), [("nozzle", 72), ("section", 4), ("work", 1)])
def test_the_logged_layout_is_the_one_the_log_records(kind, groups):
    path = line_path([0.0] * groups, [30.0] * groups, origin=(0.2, 0.1))
    log = log_of(path, PLANE, state_kind=kind)
    layout = logged_layout(log, machine(18.0, 72, sections=(18,) * 4))
    assert layout.groups == groups
    assert say(layout.label).startswith("as logged")


def test_threads_change_no_byte():
    one, two = small(threads=1), small(threads=2)
    assert np.array_equal(replay_of(one).spared.whole(), replay_of(two).spared.whole())
    for a, b in zip(every_result(one), every_result(two), strict=True):
        assert (a.cells, a.volume_l, a.open_group_s, a.by_cause_cells) == (
            b.cells,
            b.volume_l,
            b.open_group_s,
            b.by_cause_cells,
        )
    assert replay_of(one).agreement_pct == replay_of(two).agreement_pct


def test_coarse_cells_are_said_to_be_coarse_and_move_no_valve():
    words = ("boom", "8", "nozzle")
    fine, coarse = small(groups=words, cell_m=0.0625), small(groups=words, cell_m=0.5)
    assert [note.code for note in replay_of(coarse).notes] == ["shutoff.coarse_cells"]
    assert replay_of(fine).notes == ()
    assert replay_of(coarse).as_logged.cell_m == 0.5
    for word in ("boom", "8", "nozzle"):
        a, b = named(fine, word), named(coarse, word)
        # the same moments to the last bit; only the counting of cells differs
        assert b.open_group_s == a.open_group_s
        assert b.volume_l == a.volume_l
        assert b.m2("applied") == pytest.approx(a.m2("applied"), rel=0.01), word


def test_more_pieces_than_there_is_room_for_are_given_more(monkeypatch):
    plain = small(groups=("boom", "nozzle"))
    real, rooms = run_module._scene, []

    def scene(field, drive, margin_m, pieces):
        rooms.append(pieces)
        return real(field, drive, margin_m, pieces)

    monkeypatch.setattr(run_module, "_scene", scene)
    monkeypatch.setattr(run_module, "_pieces_expected", lambda *_: 4)
    short = small(groups=("boom", "nozzle"))
    assert rooms.count(4) == 5  # the log's own layout, two more, the floor's litres and the seams
    assert max(rooms) > 16
    for a, b in zip(every_result(plain), every_result(short), strict=True):
        assert a.cells == b.cells
    assert replay_of(plain).seams == replay_of(short).seams


def test_a_drive_too_long_says_so(monkeypatch):
    monkeypatch.setattr(run_module, "drive_layout", lambda *_: 1)
    monkeypatch.setattr(run_module, "MAX_PIECES", 10_000)
    with pytest.raises(InputError, match="too long to replay in one piece.*Split it into days"):
        small(groups=("boom",))


_TINY = """
import json, sys
import numpy as np, shapely
sys.path[:0] = {paths!r}
from replaykit import block, every_result, machine
from swathledger.machine.machine import Valves
from pathkit import line_path
path = line_path([0.0], [9.0], bearing_deg=20.0, origin=(0.13, 0.21), speed_m_s=2.0)
path = path.then(line_path([0.0], [8.0], bearing_deg=95.0, origin=(-2.1, 4.3), speed_m_s=2.0), 30.0)
valves = Valves(on_delay_s=0.2, off_delay_s=0.3, look_ahead_on_s=0.25, look_ahead_off_s=0.1)
audit = block(path, machine(3.0, 6, valves=valves), shapely.box(-1.5, 0, 4.0, 7.0), shapely.box(1, 3, 2, 4),
              cell_m=0.2, groups=("boom", "3", "nozzle", "limit"))
print(json.dumps([[r.layout.name, dict(r.cells), round(r.volume_l, 12), round(r.open_group_s, 9),
                   dict(r.by_cause_cells)] for r in every_result(audit)] + [audit.replay.spared.whole().tolist()]))
"""


def test_interpreted_equals_compiled(repository):
    code = _TINY.format(paths=[str(repository / "tests" / name) for name in ("simulate", "ledger", "shutoff")])

    def run(disable: str):
        environment = {**os.environ, "NUMBA_DISABLE_JIT": disable}
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment, cwd=Path.home()
        )
        return json.loads(done.stdout)

    compiled = run("0")
    assert run("1") == compiled
    assert compiled[2][1]["applied"] > 0


def test_layouts_have_valves_of_their_own():
    # a strip treated, and crossed at 5 m/s: sections shut 0.8 s late run 4 m over it, nozzle valves 0.1 s late 0.5 m
    table = {
        "layouts": [
            {"name": "slow sections", "groups": [36, 36], "off_delay_s": 0.8},
            {"name": "quick nozzles", "groups": "nozzle", "off_delay_s": 0.1},
            {"width_m": 3.0, "off_delay_s": 0.1, "off_when_covered": 0.5},
        ]
    }
    sprayer = machine(18.0, valves=Valves(off_delay_s=0.4), replay=table)
    path = line_path([0.0], [120.0], bearing_deg=90.0, origin=(-60.0, 30.0))
    path = path.then(line_path([0.0], [70.0], origin=(0.02, -5.0)), 60.0)
    audit = block(path, sprayer, shapely.box(-80, -10, 80, 80), groups=("boom",), tolerance_m=0.0)
    identities(audit)
    replay = replay_of(audit)
    assert [r.layout.name for r in replay.results] == ["boom", "slow sections", "quick nozzles", "layout 3"]
    found = [named(audit, word).m2("overlap_extra") for word in ("boom", "slow sections", "quick nozzles")]
    # the words of --groups take [replay]'s valves, here those of the machine, as the log's own layout does
    assert found == pytest.approx([18 * 2.0, 18 * 4.0, 18 * 0.5], abs=0.3)
    assert replay.logged.m2("overlap_extra") == pytest.approx(18 * 2.0, abs=0.3)
    # timing: today's groups (the whole boom) from 0.4 s to 0.1 s late; square to the edge groups alone change nothing
    steps = {step.step: step.saved_m2 for step in named(audit, "quick nozzles").steps}
    assert steps["timing"] == pytest.approx(18 * 1.5, rel=0.03)
    assert steps["resolution"] == pytest.approx(0.0, abs=0.5)
    assert named(audit, "quick nozzles").closed_form_timing_pct == pytest.approx(100 * 18 * 1.5 / (160 * 90), rel=0.03)
