"""Whole small drives under other outlet groups: what must hold for every one of them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground, rectangle
from hypothesis import given, settings
from hypothesis import strategies as st
from pathkit import START_S, PlanePath, arc_path, line_path, log_of, logged, passes_path, standing_path
from replaykit import block, every_result, identities, machine, named, replay_of, replayed
from shapely import MultiPoint

from swathledger.report.document import ledger_of
from swathledger.simulate.drive import DriveSettings
from swathledger.simulate.fields import triangle, waterway_and_pond
from swathledger.simulate.run import RunSettings, simulate_field

#: Each splits the one before evenly, or into whole parts.
CHAINS = (("boom", "2", "4", "8", "24", "nozzle"), ("9", "18", "36", "nozzle"))
FEWER = (("boom", "2", "8", "nozzle"), ("9", "18", "nozzle"))


def joined(parts: list[PlanePath], gap_s: float = 60.0) -> PlanePath:
    whole = parts[0]
    for part in parts[1:]:
        whole = whole.then(part, gap_s)
    return whole


@st.composite
def scenes(draw):
    """A small field of any convex shape with a round pond, and two to four straight passes in any direction."""
    number = st.floats(-45, 45, allow_nan=False, width=32)
    corners = draw(st.lists(st.tuples(number, number), min_size=4, max_size=8))
    hull = MultiPoint(corners).convex_hull
    if hull.area < 300:
        hull = shapely.union(hull, shapely.box(-20.3, -15.1, 20.2, 15.7)).convex_hull
    pond = shapely.Point(draw(st.floats(-15, 15)), draw(st.floats(-15, 15))).buffer(draw(st.floats(3, 8)))
    parts = []
    for _ in range(draw(st.integers(2, 4))):
        bearing, length = draw(st.floats(0, 360)), draw(st.floats(40, 110))
        angle = np.radians(bearing)
        middle = np.array([draw(st.floats(-25, 25)), draw(st.floats(-25, 25))])
        start = middle - np.array([np.sin(angle), np.cos(angle)]) * length / 2
        parts.append(
            line_path([0.0], [length], bearing_deg=bearing, origin=tuple(start), speed_m_s=draw(st.floats(2, 6)))
        )
    return joined(parts), hull, pond.intersection(hull), draw(st.sampled_from([0.0, 0.1, 0.3]))


def check_splitting(scene, chains) -> None:
    path, hull, pond, tolerance = scene
    words = (*dict.fromkeys(word for chain in chains for word in chain), "limit")
    audit = block(path, machine(18.0), hull, pond, groups=words, tolerance_m=tolerance)
    identities(audit)
    floor = named(audit, "limit")
    assert floor.cells["over_application"] == 0
    for result in every_result(audit):
        assert floor.cells["skip"] <= result.cells["skip"], result.layout.name
    for chain in chains:
        for coarse, fine in pairwise(chain):
            a, b = named(audit, coarse), named(audit, fine)
            error = np.hypot(a.standard_error_m2, b.standard_error_m2)
            assert b.m2("over_application") <= a.m2("over_application") + 3 * error, (coarse, fine)


@given(scene=scenes())
@settings(max_examples=8)
def test_over_application_never_rises_as_groups_split(scene):
    check_splitting(scene, FEWER)


@pytest.mark.slow
@given(scene=scenes())
@settings(max_examples=60)
def test_over_application_never_rises_in_many_scenes(scene):
    check_splitting(scene, CHAINS)


def test_a_log_that_had_everything_open_reproduces_its_own_ground():
    # passes 18 m wide every 15 m: 3 m of overlap each, and none covered wholly
    path = passes_path(4, 60.0, 15.0, bearing_deg=31.0, origin=(2.3, -4.1))
    audit = block(path, machine(18.0), shapely.box(-300, -300, 300, 300), groups=("boom",))
    done, model = replay_of(audit).as_logged, named(audit, "boom")
    assert dict(model.cells) == {k: done.cells[k] for k in model.cells}
    assert dict(model.by_cause_cells) == dict(done.by_cause_cells)
    assert model.volume_l == pytest.approx(done.volume_l, rel=1e-9)
    assert replay_of(audit).agreement_pct == pytest.approx(100.0)
    assert model.m2("overlap") == pytest.approx(3 * 3 * 60, rel=0.01)


@pytest.mark.parametrize("radius", [30.0, 12.0])
def test_a_circle_reproduces_its_own_ground(radius):
    path = arc_path(radius, sweep_deg=300.0, start_bearing_deg=40.0, speed_m_s=3.0)
    audit = block(
        path, machine(18.0), shapely.box(-100, -100, 100, 100), groups=("boom", "nozzle", "limit"), state_kind="work"
    )
    identities(audit)
    done, model = replay_of(audit).as_logged, named(audit, "boom")
    assert model.m2("covered") == pytest.approx(done.m2("covered"), rel=2e-4)
    assert model.m2("covered") == pytest.approx(np.radians(300.0) * radius * 18.0, rel=2e-3)


def test_gaps_are_not_bridged():
    path = joined([line_path([0.0], [50.0], origin=(0.2, 0.1)), line_path([0.0], [50.0], origin=(0.2, 150.1))])
    audit = block(path, machine(18.0), shapely.box(-50, -50, 50, 250), groups=("boom", "nozzle"))
    for result in every_result(audit):
        assert result.m2("applied") == pytest.approx(2 * 18 * 50, rel=0.002), result.layout.name


def test_standing_sweeps_nothing():
    path = standing_path(30.0, lead_m=40.0, origin=(0.2, 0.1), spray_leads=True)
    audit = block(path, machine(18.0), shapely.box(-50, -60, 50, 60), groups=("boom", "nozzle", "limit"))
    identities(audit)
    for result in every_result(audit):
        assert result.m2("applied") == pytest.approx(18 * 80, rel=0.002), result.layout.name
        assert result.m2("overlap_extra") == 0
    # 80 m at 5 m/s; the 30 s of standing are no seconds of driving
    assert named(audit, "boom").open_group_s == pytest.approx(16.0, abs=0.1)


def test_litres_laid_while_standing_are_in_no_saving():
    # 2 L/s over 2 x 8 s of driving and 30 s of standing: 32 L and 60 L. Replays drive only, so what they save is
    # counted from the 32
    path = standing_path(30.0, lead_m=40.0, origin=(0.2, 0.1), spray_leads=True)
    log = log_of(path, PLANE, state_kind="work", flow_l_s=2.0)
    audit = replayed(log, machine(18.0), ground(shapely.box(-50, -60, 50, 60)), groups=("boom",))
    volumes, done = audit.accounting.volumes, replay_of(audit).as_logged
    assert volumes.logged_l == pytest.approx(92.0)
    assert volumes.standing_l == pytest.approx(60.0)
    assert done.volume_l == pytest.approx(32.0)
    assert named(audit, "boom").volume_l == pytest.approx(32.0)
    assert replay_of(audit).volume_difference_pct == pytest.approx(0.0, abs=1e-6)
    row = ledger_of(audit).replay[0]
    assert (row.saved_l, row.saved_pct) == (pytest.approx(0.0, abs=1e-6), pytest.approx(0.0, abs=1e-6))


def test_reversing_over_ones_own_ground_shuts():
    # 60 m forward at 2 m/s, back over the same ground, all logged open
    there = line_path([0.0], [60.0], origin=(0.2, 0.1), speed_m_s=2.0)
    n = len(there)
    back = PlanePath(
        there.x_m[::-1][1:],
        there.y_m[::-1][1:],
        START_S + np.arange(1.0, n),
        there.heading_deg[1:],
        np.ones((n - 1, 1), dtype=bool),
    )
    path = PlanePath(
        np.concatenate([there.x_m, back.x_m]),
        np.concatenate([there.y_m, back.y_m]),
        START_S + np.arange(2.0 * n - 1),
        np.concatenate([there.heading_deg, back.heading_deg]),
        np.ones((2 * n - 1, 1), dtype=bool),
    )
    speed = np.where(np.arange(2 * n - 1) < n - 1, 2.0, -2.0)
    audit = block(path, machine(18.0), shapely.box(-50, -50, 50, 100), groups=("boom", "8", "nozzle"), speed_m_s=speed)
    identities(audit)
    assert bool(audit.swath.reverse.any())
    # the boom left all ground but the last half metre before it turned round: of 60 m, 59.5 are treated twice
    assert replay_of(audit).as_logged.m2("overlap_extra") == pytest.approx(18 * 59.5, rel=0.002)
    for result in replay_of(audit).results:
        # the moment of turning round is found to 3 mm
        assert result.m2("overlap_extra") <= 18 * 0.005, result.layout.name
        assert result.m2("covered") == pytest.approx(18 * 60, rel=0.002)


def sliver_audit(gap_m: float, tolerance_m: float):
    """Two passes side by side, ``gap_m`` apart, and a third along the seam."""
    w = 12.0
    x = (-w / 2 - gap_m / 2, w / 2 + gap_m / 2, 0.0)
    parts = [
        line_path([0.0], [80.0], bearing_deg=b, origin=(0.23 + o, s))
        for o, b, s in zip(x, (0.0, 180.0, 0.0), (0.1, 80.1, 0.1), strict=True)
    ]
    return block(
        joined(parts),
        machine(w, 24),
        shapely.box(-60, -30, 60, 120),
        groups=("boom", "3", "nozzle", "limit"),
        tolerance_m=tolerance_m,
    )


def test_a_sliver_of_two_centimetres_opens_no_valve():
    audit = sliver_audit(0.02, 0.1)
    for word in ("boom", "3", "nozzle"):
        # but where the pass leaves treated ground, which is found to 3 mm
        assert named(audit, word).m2("overlap_extra") <= 12 * 0.005, word
        assert named(audit, word).m2("skip") == pytest.approx(named(audit, "limit").m2("skip") + 0.02 * 80, abs=0.6)


def test_a_gap_wider_than_the_tolerance_is_closed():
    audit = sliver_audit(1.0, 0.1)
    # what opens for 80 m of a gap of 1 m: the boom of 12 m, the middle third of 4 m, two nozzles of 0.5 m
    for word, width in (("boom", 12.0), ("3", 4.0), ("nozzle", 1.0)):
        assert named(audit, word).m2("overlap_extra") == pytest.approx((width - 1.0) * 80, rel=0.02, abs=2.0), word
        assert named(audit, word).m2("skip") == pytest.approx(named(audit, "limit").m2("skip"), abs=0.3)


def test_guidance_overlap_narrower_than_a_nozzle_cannot_be_spared():
    # passes 18 m wide every 17.8 m: 0.2 m of overlap, nozzles 0.25 m apart: no valve is wholly over treated ground
    path = passes_path(3, 60.0, 17.8, origin=(0.3, 0.2))
    audit = block(
        path, machine(18.0), shapely.box(-100, -50, 100, 120), groups=("boom", "nozzle", "limit"), tolerance_m=0.0
    )
    replay = replay_of(audit)
    overlap = replay.as_logged.m2("overlap_extra")
    assert overlap == pytest.approx(2 * 0.2 * 60, rel=0.1)
    assert named(audit, "nozzle").m2("overlap_extra") == pytest.approx(overlap, rel=0.02)
    assert sum(replay.spared_cells.values()) <= 0.02 * replay.as_logged.cells["overlap_extra"]
    assert named(audit, "limit").cells["overlap_extra"] == 0


def spared_audit():
    """A headland pass, passes into it, a run out of the field and one through the pond, everything open."""
    parts = [line_path([0.0], [120.0], bearing_deg=90.0, origin=(-60.0, -41.0))]
    parts += [line_path([0.0], [95.0], bearing_deg=12.0, origin=(x, -45.0)) for x in (-30.2, -13.1, 5.0)]
    return block(
        joined(parts),
        machine(18.0),
        rectangle(-55, -50, 55, 45),
        shapely.Point(10, 0).buffer(9),
        groups=("boom", "4", "nozzle", "limit"),
    )


def test_spared_ground_is_told_by_cause():
    audit = spared_audit()
    identities(audit)
    replay = replay_of(audit)
    assert replay.spared_by == "nozzle"
    codes = replay.spared.whole()
    assert codes.shape == (replay.spared.frame.rows, replay.spared.frame.columns)
    names = ("none", "outside", "excluded", "standing", "turn", "restart", "guidance", "crossing")
    for code, name in enumerate(names[1:], start=1):
        cells = int((codes == code).sum())
        # treatments spared are at least the cells they were spared on
        assert cells <= replay.spared_cells[name], name
        assert (cells > 0) == (replay.spared_cells[name] > 0), name
        assert replay.spared_cells[name] <= replay.as_logged.by_cause_cells[name], name
    for name in ("outside", "excluded", "guidance", "crossing"):
        assert replay.spared_cells[name] > 0, name
    # no cell is worse off in this drive: what is spared is all the difference
    less = replay.as_logged.cells["over_application"] - named(audit, "nozzle").cells["over_application"]
    assert sum(replay.spared_cells.values()) >= less


def test_wholly_covered_second_pass_is_spared_whole():
    # the same 60 m x 18 m twice: everything the second pass lays is spared, cause restart or guidance by its line
    path = joined([line_path([0.0], [60.0], origin=(0.2, 0.1)), line_path([0.0], [60.0], origin=(0.2, 0.1))])
    audit = block(path, machine(18.0), shapely.box(-50, -50, 50, 100), groups=("boom", "nozzle"))
    replay = replay_of(audit)
    assert replay.as_logged.m2("overlap_extra") == pytest.approx(18 * 60, rel=0.002)
    # one extra treatment a cell: cells and treatments are the same number
    assert sum(replay.spared_cells.values()) == int((replay.spared.whole() > 0).sum())
    assert sum(replay.spared_cells.values()) == pytest.approx(replay.as_logged.cells["overlap_extra"], rel=1e-3)
    assert named(audit, "boom").m2("overlap_extra") <= 18 * 0.005  # the edges of treated ground are found to 3 mm


@pytest.mark.parametrize(
    ("shape", "sections", "off"),
    [
        pytest.param(triangle(300, 140), 8, 1.0, id="triangle"),
        pytest.param(waterway_and_pond(260, 200), 8, 0.5, id="waterway-half", marks=pytest.mark.slow),
        pytest.param(waterway_and_pond(260, 200), 4, 1.0, id="waterway", marks=pytest.mark.slow),
    ],
)
def test_the_logged_layout_agrees_with_a_drive_under_the_same_controller(shape, sections, off):
    # the drive was controlled by code of its own (simulate), ticks of 0.2 s, memory of 0.1 m cells
    sprayer = machine(24.0, 48, sections=(48 // sections,) * sections)
    field = ground(shape.boundary, shape.boundary.difference(shape.target))
    driven = simulate_field(
        field,
        sprayer,
        RunSettings(
            drive=DriveSettings(
                control="auto", log_hz=5.0, gnss_sigma_m=0.0, tolerance_m=0.1, grid_m=0.1, off_when_covered=off
            ),
            turning_radius_m=8.0,
        ),
    )
    audit = replayed(logged(driven, PLANE), sprayer, field, groups=("boom",), tolerance_m=0.1, off_when_covered=off)
    identities(audit)
    replay = replay_of(audit)
    assert replay.agreement_pct is not None
    assert replay.agreement_pct > 98.0
    assert abs(replay.volume_difference_pct) < 1.0
    # boom control would have been another thing altogether: the measure can fail
    assert named(audit, "boom").m2("over_application") > 2 * replay.logged.m2("over_application")


def test_manual_switching_does_not_agree_with_the_model():
    # everything open all the time, most of it over ground already treated
    path = joined([line_path([0.0] * 4, [60.0] * 4, origin=(o, 0.1)) for o in (0.2, 4.7, 9.2)])
    log = log_of(path, PLANE, state_kind="section", rate_l_m2=0.02)
    audit = replayed(
        log, machine(18.0, 72, sections=(18,) * 4), ground(shapely.box(-50, -50, 60, 100)), groups=("boom",)
    )
    # second and third pass: 3 of 4 sections lie on treated ground and should have been shut: (4 + 1 + 1) of 12 agree
    assert replay_of(audit).agreement_pct == pytest.approx(50.0, abs=1.0)
    assert replay_of(audit).volume_difference_pct == pytest.approx(-50.0, abs=1.0)


def test_steps_lead_from_what_was_done_to_the_floor():
    audit = spared_audit()
    replay = replay_of(audit)
    floor, done = replay.floor, replay.as_logged
    assert floor is named(audit, "limit") or floor.cells == named(audit, "limit").cells
    way = done.volume_l - floor.volume_l / floor.m2("covered") * done.m2("covered")
    for word in ("boom", "4", "nozzle", "limit"):
        assert sum(step.saved_l for step in named(audit, word).steps) == pytest.approx(way, abs=1e-9)
    # the same model and valves: only the groups differ
    assert named(audit, "boom").step("timing").saved_l == 0.0
    assert named(audit, "boom").step("resolution").saved_m2 == pytest.approx(0.0, abs=1e-9)
    assert named(audit, "nozzle").step("resolution").saved_m2 > named(audit, "4").step("resolution").saved_m2 > 0


def test_the_floor_is_known_without_being_asked_for():
    path = passes_path(2, 60.0, 15.0, origin=(0.3, 0.2))
    audit = block(path, machine(18.0), shapely.box(-50, -50, 60, 100), groups=("boom",))
    replay = replay_of(audit)
    assert [r.layout.name for r in replay.results] == ["boom"]
    assert replay.floor.layout.limit
    assert replay.floor.cells["over_application"] == 0
