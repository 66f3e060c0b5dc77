"""Plans: the field covered, turns within the radius, nothing driven where it must not be, spray only where wanted."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon

from swathledger.errors import FieldError, InputError
from swathledger.notes import Note
from swathledger.simulate import fields
from swathledger.simulate.laps import drivable
from swathledger.simulate.plan import PlanSettings, plan_drive

SHAPES = [
    fields.rectangle(),
    fields.triangle(),
    fields.l_shape(),
    fields.contour_sided(),
    fields.waterway_and_pond().rotated(20),
    fields.circle(),
]
MACHINES = [(36.0, 9.0, 0.0), (24.0, 8.0, 9.2)]


def planned(shape, machine, **settings):
    width, radius, lag = machine
    return plan_drive(
        shape.boundary,
        shape.boundary.difference(shape.target),
        width,
        radius,
        lag_m=lag,
        settings=PlanSettings(contour_side=shape.contour_side, **settings),
    )


def lines(plan, chosen=lambda s: True):
    return [LineString(np.column_stack([s.x_m, s.y_m])) for s in plan.segments if len(s.x_m) > 1 and chosen(s)]


@pytest.fixture(
    scope="module", params=[(s, m) for s in SHAPES for m in MACHINES], ids=lambda p: f"{p[0].name}-{p[1][0]:g}"
)
def case(request):
    shape, machine = request.param
    return shape, machine, planned(shape, machine)


def test_covers_the_target(case):
    shape, _, plan = case
    covered = shape.target.intersection(plan.swaths()).area / shape.target.area
    # The trailed machine cannot back into the triangle's 20 degree tip.
    assert covered >= 0.97


def test_segments_join_end_to_end(case):
    _, _, plan = case
    for a, b in zip(plan.segments[:-1], plan.segments[1:], strict=True):
        assert math.hypot(b.x_m[0] - a.x_m[-1], b.y_m[0] - a.y_m[-1]) < 0.05
        turned = abs(math.remainder(math.radians(b.heading_deg[0] - a.heading_deg[-1]), 2 * math.pi))
        assert turned < 0.12  # the machine does not turn on the spot


def test_turning_radius_is_kept(case):
    _, (_, radius, _), plan = case
    for s in plan.segments:
        if len(s.x_m) < 9:
            continue
        heading = np.unwrap(np.radians(s.heading_deg))
        station = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(s.x_m), np.diff(s.y_m)))])
        over = station[6:] - station[:-6]  # some 4 m
        bend = np.abs(heading[6:] - heading[:-6])[over > 3.0] / over[over > 3.0]
        assert bend.size == 0 or bend.max() <= 1.05 / radius


def test_stays_in_the_field_and_out_of_the_pond(case):
    shape, _, plan = case
    assert not [note for note in plan.notes if note.code == "simulate.no_way"]
    way = shapely.union_all(lines(plan))
    assert shape.boundary.buffer(-2.0).covers(way)
    if shape.exclusions:
        assert way.disjoint(shape.exclusions[1].buffer(5.0))  # the pond with its buffer strip
        assert way.intersects(shape.exclusions[0])  # the waterway is crossed


def test_spray_is_wanted_on_laps_and_passes_only(case):
    shape, (width, _, _), plan = case
    assert {s.kind for s in plan.segments if s.spray} <= {"lap", "pass", "tidy"}
    for s in plan.segments:
        if s.kind in {"turn", "transport", "crossing", "refill"}:
            assert not s.spray
    # At most the boom's half is over the fence: by more than that, spray is not wanted.
    assert plan.swaths().difference(shape.boundary.buffer(width / 2)).area < 0.001 * shape.boundary.area


def test_waterway_is_crossed_shut():
    shape = fields.waterway_and_pond()
    # Passes square to the waterway: it is 12 m wide, so that the boom can lie wholly over it.
    plan = planned(shape, MACHINES[0], bearing=90.0)
    shut = [s for s in plan.segments if s.kind == "crossing"]
    assert len(shut) >= 5
    water = shape.exclusions[0]
    for line in lines(plan, lambda s: s.kind == "crossing"):
        assert line.distance(water) < 1.0
        assert line.length < 14.0


def test_fewest_turns_run_along_the_long_side():
    assert planned(fields.rectangle(), MACHINES[0]).bearing_deg == pytest.approx(90.0)
    assert planned(fields.rectangle().rotated(30), MACHINES[0]).bearing_deg == pytest.approx(120.0)
    assert planned(fields.rectangle(), MACHINES[0], bearing=10.0).bearing_deg == pytest.approx(10.0)


def test_passes_of_a_rectangle_counted_by_hand():
    # 300 m less one lap of 36 m on both sides leave 228 m: 6.33 widths, so 7 passes.
    plan = planned(fields.rectangle(700, 300), MACHINES[0], headland_laps=1)
    assert sum(s.kind == "pass" for s in plan.segments) == 7
    # They cover 700 - 2 x 36 = 628 m each; a run-in of up to 2 m at both ends may touch target too.
    for s in plan.segments:
        if s.kind == "pass":
            assert 628.0 <= s.length_m <= 633.0


def test_skipping_passes_drives_the_same_lines():
    plain, skipped = (planned(fields.rectangle(), MACHINES[0], skip_passes=k) for k in (False, True))

    def rows(plan):
        return [round(float(np.mean(s.y_m)), 1) for s in plan.segments if s.kind == "pass"]

    assert sorted(rows(plain)) == sorted(rows(skipped))
    # One overlapping last pass aside, neighbours in time lie two widths apart.
    assert np.median(np.abs(np.diff(rows(skipped)))) == pytest.approx(72.0)


def test_refills_go_back_to_the_gate():
    plan = planned(fields.rectangle(), MACHINES[0], tank_m2=80_000.0, refill_s=500.0)
    stops = [s for s in plan.segments if s.kind == "refill"]
    # The lap takes 1,890 m x 36 m = 6.8 ha of the 8, each of seven passes 2.27 ha: lap | 3 passes | 3 passes | 1.
    assert len(stops) == 3
    assert all(s.hold_s == 500.0 for s in stops)
    assert len({(round(float(s.x_m[0]), 3), round(float(s.y_m[0]), 3)) for s in stops}) == 1


def test_bad_asks_are_refused():
    square = fields.rectangle(400, 400).boundary
    with pytest.raises(InputError, match="width_m"):
        plan_drive(square, Polygon(), -1.0, 9.0)
    with pytest.raises(InputError, match="at least one headland lap"):
        plan_drive(square, Polygon(), 24.0, 9.0, settings=PlanSettings(headland_laps=0))
    with pytest.raises(FieldError, match="too small"):
        plan_drive(fields.rectangle(20, 20).boundary, Polygon(), 36.0, 9.0)


@pytest.mark.parametrize(("blocks", "spacing"), [(3, 120.0), (6, 60.0), (11, 45.0)])
def test_terraced_field_is_worked_block_by_block_each_along_its_own_terrace(blocks, spacing):
    shape = fields.terraced(blocks, spacing, 500.0).rotated(20)
    plan = plan_drive(shape.boundary, Polygon(), 36.0, 9.0, settings=PlanSettings(terraces=shape.terraces))
    assert Note.of("simulate.terraces", blocks=blocks) in plan.notes
    block_of, apart = [], []
    for s in plan.segments:
        if s.kind != "pass" or s.length_m < 100:
            continue
        middle = shapely.Point(s.x_m[len(s.x_m) // 2], s.y_m[len(s.y_m) // 2])
        near = [t.distance(middle) for t in shape.terraces]
        # half a width, one and a half, ... from the one it follows; rounding of bends moves a line by decimetres
        off = [abs((d / 36.0 - 0.5) - round(d / 36.0 - 0.5)) * 36.0 for d in near]
        apart.append(min(off))
        block_of.append(int(np.argmin(off)))
    assert max(apart) < 0.5
    assert len(set(block_of)) == blocks - 1  # the first block follows the first terrace too
    # what is left are rounded corners
    assert shape.target.difference(plan.swaths()).area < 0.02 * shape.target.area


def test_terraces_that_end_inside_run_on_and_others_change_nothing():
    shape = fields.rectangle(400, 200)
    short = PlanSettings(terraces=(LineString([(-50, 0), (50, 0)]),))
    plan = plan_drive(shape.boundary, Polygon(), 24.0, 8.0, settings=short)
    assert Note.of("simulate.terraces", blocks=2) in plan.notes
    beside = PlanSettings(terraces=(LineString([(-50, 400), (50, 400)]),))
    plan = plan_drive(shape.boundary, Polygon(), 24.0, 8.0, settings=beside)
    assert plan.notes == ()
    assert plan.bearing_deg == pytest.approx(90.0)


def test_what_is_long_and_thin_is_taken_for_a_waterway():
    # 4 pi A / P^2: 100 x 10 m 0.26, 100 x 14 m 0.34, 100 x 16 m 0.37, a square 0.79
    assert [drivable(shapely.box(0, 0, 100, width)) for width in (10, 14, 16, 100)] == [True, True, False, False]
