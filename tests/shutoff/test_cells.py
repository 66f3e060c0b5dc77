"""No figure of a replay depends on the cell: when the valves move is found without cells."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import PlanePath, line_path, logged
from replaykit import block, every_result, identities, machine, named, replay_of, replayed

from swathledger.machine.machine import Valves
from swathledger.report.audited import Audit
from swathledger.simulate.drive import DriveSettings
from swathledger.simulate.fields import triangle, waterway_and_pond
from swathledger.simulate.run import RunSettings, simulate_field

CELLS = (0.05, 0.1, 0.125, 0.2, 0.25)
LATE = Valves(on_delay_s=0.3, off_delay_s=0.8)


def strip_crossed(half_m: float = 300.0, **settings: object) -> Audit:
    """A strip 24 m wide is treated along east, then crossed at 90 degrees at 5 m/s by a boom of 24 m."""
    treated = line_path([0.0], [200.0], bearing_deg=90.0, origin=(-100.0, 0.03), speed_m_s=5.0)
    path: PlanePath = treated.then(line_path([0.0], [160.0], origin=(0.02, -80.0), speed_m_s=5.0), 60.0)
    field = shapely.box(-half_m, -half_m, half_m, half_m)
    return block(path, machine(24.0, 48, valves=LATE), field, groups=("boom", "8", "nozzle", "limit"), **settings)


@pytest.mark.parametrize("cell", [0.1, 0.125, 0.25])
@pytest.mark.parametrize("tolerance", [0.0, 0.1])
def test_ground_treated_before_is_no_wake_of_the_group_that_hits_it_again(cell, tolerance):
    # shut 0.8 s late at 5 m/s: 4 m over the treated strip, 24 m wide; opened 0.3 s late: 1.5 m skipped behind it
    audit = strip_crossed(cell_m=cell, tolerance_m=tolerance)
    identities(audit)
    floor = named(audit, "limit").m2("skip")
    for word in ("boom", "8", "nozzle"):
        assert named(audit, word).m2("overlap_extra") == pytest.approx(96.0, abs=24 * 0.01), word
        assert named(audit, word).m2("skip") - floor == pytest.approx(36.0, abs=24 * 0.01 + cell), word


def test_the_same_on_a_huge_field_with_default_settings():
    # 289 ha; the smallest default cell that a frame of this size had to give up before
    audit = strip_crossed(850.0, cell_m=None)
    assert replay_of(audit).as_logged.cell_m == 0.1
    assert replay_of(audit).notes == ()
    for word in ("boom", "8", "nozzle"):
        assert named(audit, word).m2("overlap_extra") == pytest.approx(96.0, abs=24 * 0.01), word


@lru_cache(maxsize=8)
def driven(name: str, cell_m: float) -> Audit:
    """A simulated drive by hand with receiver error on a small field, replayed."""
    shape = {"triangle": lambda: triangle(300, 140), "waterway": lambda: waterway_and_pond(260, 200)}[name]()
    field = ground(shape.boundary, shape.boundary.difference(shape.target))
    sprayer = machine(24.0, 48, sections=(6,) * 8, valves=Valves(0.2, 0.5, 0.1, 0.3))
    drive = simulate_field(field, sprayer, RunSettings(drive=DriveSettings(control="manual", log_hz=5.0, seed=5)))
    return replayed(
        logged(drive, PLANE), sprayer, field, groups=("boom", "8", "nozzle", "limit"), cell_m=cell_m, tolerance_m=0.1
    )


@pytest.mark.parametrize("cell", CELLS[1:])
@pytest.mark.parametrize("name", ["triangle", "waterway"])
def test_areas_skip_and_litres_agree_whatever_the_cell(name, cell):
    fine, coarse = driven(name, CELLS[0]), driven(name, cell)
    for a, b in zip(every_result(fine), every_result(coarse), strict=True):
        allowed = 0.03 * a.m2("over_application") + 0.0002 * a.m2("target")
        for quantity in ("over_application", "skip", "covered"):
            assert b.m2(quantity) == pytest.approx(a.m2(quantity), abs=allowed), (a.layout.name, quantity)
        litres = a.volume_l / a.m2("applied")
        assert b.volume_l == pytest.approx(a.volume_l, abs=allowed * litres), a.layout.name
        assert b.open_group_s == a.open_group_s, a.layout.name
    for a, b in zip(replay_of(fine).results, replay_of(coarse).results, strict=True):
        assert np.array([s.saved_pct for s in b.steps]) == pytest.approx([s.saved_pct for s in a.steps], abs=0.06)
