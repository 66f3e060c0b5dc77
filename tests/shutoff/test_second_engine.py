"""The replay beside a second engine written apart from it (``plainkit``): savings within 3 %."""

from __future__ import annotations

from functools import lru_cache

import pytest
from drivekit import PLANE, ground
from pathkit import logged
from plainkit import Plain, plain_replay
from replaykit import machine, named, replayed

from swathledger.machine.machine import Valves
from swathledger.simulate.drive import DriveSettings
from swathledger.simulate.fields import random_field, triangle, waterway_and_pond
from swathledger.simulate.run import RunSettings, simulate_field

VALVES = {
    "ideal": Valves(),
    "late to shut": Valves(on_delay_s=0.3, off_delay_s=0.8),
    "late to open": Valves(on_delay_s=0.7, off_delay_s=0.2),
    "looking ahead": Valves(on_delay_s=0.5, off_delay_s=0.5, look_ahead_on_s=0.5, look_ahead_off_s=0.5),
    "looking too far": Valves(on_delay_s=0.2, off_delay_s=0.3, look_ahead_on_s=0.6, look_ahead_off_s=0.6),
    "kept open": Valves(on_delay_s=0.2, off_delay_s=0.4, look_ahead_on_s=0.2, look_ahead_off_s=0.2, minimum_on_s=1.5),
}
FIELDS = {
    "triangle": lambda: triangle(170, 120),
    "waterway": lambda: waterway_and_pond(190, 150),
    "ragged": lambda: random_field(0.035, 18_000.0, 7),
}
TOLERANCE_M = 0.1
WIDTH_M = 18.0


@lru_cache(maxsize=4)
def drive(name: str):
    shape = FIELDS[name]()
    field = ground(shape.boundary, shape.boundary.difference(shape.target))
    sprayer = machine(WIDTH_M, 36, sections=(6,) * 6)
    run = simulate_field(
        field, sprayer, RunSettings(drive=DriveSettings(control="manual", log_hz=5.0, seed=3), turning_radius_m=14.0)
    )
    return field, logged(run, PLANE)


def both(name: str, valves: Valves) -> tuple[dict[str, Plain], dict[str, Plain]]:
    """Ours and the plain engine's: sections of 3 m, and nozzles."""
    field, log = drive(name)
    sprayer = machine(WIDTH_M, 36, sections=(6,) * 6, valves=valves)
    audit = replayed(log, sprayer, field, groups=("6", "nozzle"), tolerance_m=TOLERANCE_M, cell_m=0.1)
    ours, plain = {}, {}
    for word in ("6", "nozzle"):
        r = named(audit, word)
        ours[word] = Plain(
            *(r.m2(q) for q in ("target", "covered", "overlap_extra")),
            r.m2("outside") + r.m2("excluded"),
            r.m2("skip"),
            r.volume_l,
        )
        plain[word] = plain_replay(audit.swath, field, r.layout.edges_m, valves, TOLERANCE_M)
    return ours, plain


def saving(found: dict[str, Plain]) -> float:
    """Litres, from sections to nozzles."""
    return found["6"].litres - found["nozzle"].litres


def check(name: str, setting: str) -> None:
    ours, plain = both(name, VALVES[setting])
    for word in ours:
        assert ours[word].target == pytest.approx(plain[word].target, rel=2e-4)
        assert ours[word].covered == pytest.approx(plain[word].covered, rel=2e-3)
        assert ours[word].litres == pytest.approx(plain[word].litres, rel=2e-3)
    a, b = saving(ours), saving(plain)
    print(f"\n{name}, {setting}: saving ours {a:.3f} L, plain {b:.3f} L, {100 * (a / b - 1):+.2f} %")  # noqa: T201  # for docs/validation.md
    assert a == pytest.approx(b, rel=0.03)


def test_savings_agree_with_a_second_engine():
    # turns wider than the boom: where an end of it hardly moves, cells of 10 cm cannot tell its wake from old ground
    check("triangle", "late to shut")


@pytest.mark.slow
@pytest.mark.parametrize("setting", list(VALVES))
@pytest.mark.parametrize("name", list(FIELDS))
def test_savings_agree_on_three_fields_and_six_settings_of_valves(name, setting):
    check(name, setting)
