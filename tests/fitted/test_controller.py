"""The replay's controller, fitted to drives whose delays are known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drivekit import PLANE
from plaindrive import Truth, drive_plain, machine_for
from shapely import MultiPolygon, Polygon

from swathledger.audit import Prepared, compute, resolve
from swathledger.field.field import Field
from swathledger.machine.machine import Valves
from swathledger.report.audited import Audit
from swathledger.settings import AuditSettings
from swathledger.shutoff.replay import control_for
from swathledger.shutoff.run import logged_setting, setting_of
from swathledger.swath.build import build_swath


def replayed(truth: Truth, controller: str | None, valves: Valves | None = None) -> Audit:
    log, corners = drive_plain(truth)
    machine = machine_for(truth, ahead_m=truth.ahead_m, valves=valves)
    machine = replace(machine, replay=replace(machine.replay, controller=controller))
    ground = Polygon(corners).buffer(3 * truth.width_m, join_style="mitre")
    field = Field("plain", PLANE, ground, MultiPolygon(), "given", ground.area)
    settings, _ = resolve(AuditSettings(cell_m=0.25, groups=("boom",), tolerance_m=0.1, interval=False), log, machine)
    swath = build_swath(log, machine, PLANE)
    return compute(Prepared(log, machine, field, swath, settings, ()))


def codes(audit: Audit) -> list[str]:
    return [note.code for note in audit.assumptions if note.code.startswith("fitted.")]


def test_a_controller_that_is_late_is_found_and_used() -> None:
    truth = Truth(late_on_s=0.8, late_off_s=1.3, hz=2.0, passes=6, length_m=140.0, slant_deg=10.0, seed=21)
    by_file, fitted = replayed(truth, None), replayed(truth, "fitted")
    assert by_file.replay is not None
    assert fitted.replay is not None
    assert codes(by_file) == []
    assert codes(fitted) == ["fitted.used"]
    assert by_file.replay.agreement_pct is not None
    assert fitted.replay.agreement_pct is not None
    assert fitted.replay.agreement_pct > by_file.replay.agreement_pct + 1.0
    done = fitted.replay.as_logged.m2("over_application")
    assert fitted.replay.logged.m2("over_application") == pytest.approx(done, rel=0.05)
    # what was done is the log's, whatever the model
    assert done == by_file.replay.as_logged.m2("over_application")


def test_a_file_that_fits_is_kept() -> None:
    truth = Truth(hz=10.0, passes=6, length_m=140.0, seed=23)
    audit = replayed(truth, "fitted")
    assert codes(audit) == ["fitted.kept"]


def test_delays_named_for_the_other_layouts_stay_theirs() -> None:
    machine = machine_for(Truth())
    control = control_for(machine, 1.0, 0.1)
    fitted = replace(logged_setting(control), valves=Valves(off_delay_s=0.9), off_when_covered=0.8)
    layout = next(iter(replayed(Truth(passes=4, length_m=90.0, seed=25), None).replay.results)).layout  # type: ignore[union-attr]
    assert setting_of(layout, replace(control, fitted=fitted)).valves == Valves(off_delay_s=0.9)
    named = replace(control, valves=Valves(off_delay_s=0.1), fitted=fitted)
    assert setting_of(layout, named).valves == Valves(off_delay_s=0.1)
    assert logged_setting(named) == fitted
