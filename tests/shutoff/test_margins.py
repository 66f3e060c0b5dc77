"""Layouts with margins of their own, at treated ground and at the boundary, by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from pathkit import line_path, log_of
from replaykit import machine, replayed

from swathledger.notes import Note
from swathledger.report.audited import Audit
from swathledger.shutoff.results import Layout, LayoutResult
from swathledger.shutoff.run import Control, Job, run_layout, setting_of

W = 24.0
EDGES = {"boom": np.array([-12.0, 12.0]), "nozzle": np.linspace(-12, 12, 49)}


def run(
    audit: Audit, word: str, *, treated: float | None = None, boundary: float = 0.0, tolerance: float = 0.0
) -> LayoutResult:
    valves = audit.machine.valves
    job = Job(audit.log, audit.machine, audit.field, audit.swath, 0.1, Control(valves, valves, 1.0, tolerance, 90.0))
    layout = Layout(word, Note.of("said", text=word), EDGES[word], treated_margin_m=treated, boundary_margin_m=boundary)
    return run_layout(job, layout, setting_of(layout, job.control)).result


def crossed(angle_deg: float) -> Audit:
    """A strip 24 m wide treated along a bearing, and crossed along north."""
    path = line_path(
        [0.0],
        [300.0],
        bearing_deg=angle_deg,
        origin=tuple(-150 * np.array([np.sin(a := np.radians(angle_deg)), np.cos(a)]) + 0.013),
    )
    path = path.then(line_path([0.0], [240.0], origin=(0.02, -120.0)), 60.0)
    log = log_of(path, PLANE, state_kind="work", rate_l_m2=0.02)
    return replayed(log, machine(W, 48), ground(shapely.box(-300, -300, 300, 300)), groups=())


@pytest.mark.parametrize("tolerance", [0.0, 0.1])
@pytest.mark.parametrize("word", ["boom", "nozzle"])
def test_margin_at_treated_ground_square_to_it(word, tolerance):
    # two edges of 24 m: overlapped, or left, by the margin
    audit = crossed(90.0)
    plain = run(audit, word, tolerance=tolerance)
    assert plain.m2("overlap_extra") <= 2 * W * 0.005
    over = run(audit, word, treated=0.5, tolerance=tolerance)
    assert over.m2("overlap_extra") == pytest.approx(2 * W * 0.5, rel=0.02)
    assert over.m2("skip") == pytest.approx(plain.m2("skip"), abs=0.3)
    gap = run(audit, word, treated=-0.5, tolerance=tolerance)
    assert gap.m2("overlap_extra") == 0
    assert gap.m2("skip") - plain.m2("skip") == pytest.approx(2 * W * 0.5, rel=0.02)


@pytest.mark.parametrize("angle", [40.0, 65.0])
def test_margin_is_the_same_in_every_direction(angle):
    # the seam is W / sin t long on either side; single nozzles follow it as far as half a nozzle
    audit = crossed(angle)
    seams = 2 * W / np.sin(np.radians(angle))
    none = run(audit, "nozzle").m2("overlap_extra")
    one, two = (run(audit, "nozzle", treated=m).m2("overlap_extra") for m in (1.0, 2.0))
    # a twelve-cornered disc stands for the margin: 3.4 % short at most
    assert 0.955 * seams <= two - one <= 1.01 * seams
    assert 0.955 * seams <= one - none <= 1.01 * seams


def entered(exclusions: shapely.Polygon | None = None) -> Audit:
    log = log_of(line_path([0.0], [120.0], origin=(0.02, -60.0)), PLANE, state_kind="work", rate_l_m2=0.02)
    field = ground(shapely.box(-60, -40.03, 60, 39.98), exclusions)
    return replayed(log, machine(W, 48), field, groups=())


def test_margin_at_the_boundary():
    audit = entered()
    plain, over, gap = (run(audit, "nozzle", boundary=m) for m in (0.0, 0.7, -0.7))
    assert plain.m2("outside") <= 2 * W * 0.01
    assert over.m2("outside") == pytest.approx(2 * W * 0.7, rel=0.02)
    assert over.m2("skip") == pytest.approx(plain.m2("skip"), abs=0.3)
    assert gap.m2("outside") == 0
    assert gap.m2("skip") - plain.m2("skip") == pytest.approx(2 * W * 0.7, rel=0.02)


def test_a_margin_at_the_boundary_never_reaches_into_an_exclusion():
    audit = entered(shapely.box(-20, -5.02, 20, 5.01))
    plain, over, gap = (run(audit, "nozzle", boundary=m) for m in (0.0, 0.7, -0.7))
    assert over.m2("excluded") == pytest.approx(plain.m2("excluded"), abs=0.1)
    # and a gap is kept from both
    assert gap.m2("skip") - plain.m2("skip") == pytest.approx(4 * W * 0.7, rel=0.02)


def test_a_boundary_beside_an_exclusion_at_the_rim():
    audit = entered(shapely.box(-20, 30.0, 20, 50.0))
    assert run(audit, "nozzle", boundary=1.0).m2("excluded") <= 2 * W * 0.01
