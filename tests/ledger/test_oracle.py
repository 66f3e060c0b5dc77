"""The cell ledger against exact polygons: sample fields and real drives, every area."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import oracle
import pytest
import shapely
from drivekit import Result, ground, rectangle, sprayer
from pathkit import arc_path, line_path, log_of
from samplekit import BOUNDARIES, HARVESTER, MACHINE_OF, SAMPLES

from swathledger.audit import prepare
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.settings import AuditSettings
from swathledger.swath.build import build_swath


def same_ledger(logs: list[Path], machine: Path, boundary: Path) -> Result:
    p = prepare(logs, machine, boundary, AuditSettings(groups=()))
    assert p.settings.cell_m is not None
    assert p.settings.tolerance_m is not None
    placed = place_drive(p.log, p.machine, p.field, p.swath, p.settings.cell_m)
    books = account(placed, tolerance_m=p.settings.tolerance_m)
    result = Result(p.swath, books, p.log, p.machine, p.field)
    result.identities()
    exact = oracle.ledger(p.swath, p.field, max(0.5, 6.0 * (p.swath.sigma_m or 0.0)))
    wrong = {}
    for quantity, expected in exact.items():
        off = abs(result.m2(quantity) - expected)
        # asked: 0.1 % of the target; held: three standard errors, or a tenth of what is asked
        if off > max(3 * books.areas.standard_error_m2(quantity), 1e-4 * exact["target"]):
            wrong[quantity] = (result.m2(quantity), expected)
    assert not wrong
    return result


@pytest.mark.parametrize("name", MACHINE_OF)
def test_sample_fields(name):
    same_ledger([SAMPLES / name], MACHINE_OF[name], BOUNDARIES)


@pytest.mark.parametrize("names", [["F01"], ["F03"], ["F04"], ["F05"], ["F09"], ["F14", "F15"], ["F20"]], ids="+".join)
def test_real_drives(names, field_logs, tmp_path):
    logs = [field_logs / f"{name}.csv" for name in names]
    machine = tmp_path / "harvester.toml"
    machine.write_text(HARVESTER)
    same_ledger(logs, machine, field_logs / "boundaries.geojson")


# --- the oracle itself, on what can be worked out by hand ------------------------------------------------------------
def test_oracle_counts_a_lap_driven_twice_in_one_pass():
    # 1.5 laps of a ring in one pass: half of it was treated twice, a lap (2 pi 20 / 5 = 25 s) apart.
    path = arc_path(20.0, sweep_deg=540.0)
    field = ground(rectangle(-40, -40, 40, 40))
    machine = sprayer(12.0)
    swath = build_swath(log_of(path, field.plane), machine, field.plane)
    found = oracle.ledger(swath, field)
    ring = 2 * np.pi * 20.0 * 12.0
    assert found["applied"] == pytest.approx(1.5 * ring, rel=1e-3)
    assert found["covered"] == pytest.approx(ring, rel=1e-3)
    assert found["overlap"] == pytest.approx(0.5 * ring, rel=2e-3)
    # a boom that counts as gone only beyond all that it drove treats once
    assert oracle.ledger(swath, field, away_m=1000.0)["overlap"] == pytest.approx(0.0, abs=0.01)


def test_oracle_on_crossing_strips():
    path = line_path([-20.0], [20.0]).then(line_path([-20.0], [20.0], bearing_deg=90.0), 60.0)
    field = ground(rectangle(-15, -15, 15, 15), rectangle(-15, 5, 15, 8))
    machine = sprayer(6.0)
    found = oracle.ledger(build_swath(log_of(path, field.plane), machine, field.plane), field)
    # 6 x 40 twice; beyond the boundary 5 m at each of four ends; the exclusion takes 6 x 3 of the northward strip
    assert found == pytest.approx(
        {
            "target": 900 - 90,
            "applied": 480,
            "outside": 120,
            "excluded": 18,
            "overlap": 36,
            "overlap_extra": 36,
            "covered": 480 - 120 - 18 - 36,
            "single": 480 - 120 - 18 - 72,
            "skip": 810 - 306,
            "over_application": 174,
        },
        abs=1e-3,
    )


def test_oracle_splits_quadrangles_that_cross_themselves():
    field = ground(rectangle(-40, -40, 40, 40))
    path = arc_path(5.0, sweep_deg=90.0, speed_m_s=0.5)
    swath = build_swath(log_of(path, field.plane), sprayer(20.0), field.plane)
    shapes, owner = oracle.pieces(swath)
    assert (np.bincount(owner) == 2).all()  # the boom turns about a point of its own
    # a quarter of the discs of radius 15 (outer arm) and 5 (inner arm)
    assert shapely.area(shapes).sum() == pytest.approx(np.pi / 4 * (15**2 + 5**2), rel=1e-3)
