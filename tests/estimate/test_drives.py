"""Drives of a second engine: best lies nearer the truth than what was read, and intervals hold it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from plain_world import Kind, known, make_world

from swathledger.audit import compute, estimated, prepare
from swathledger.estimate.carrier import Estimate
from swathledger.settings import AuditSettings


def estimate_of(kind: Kind, seed: int, folder: Path, threads: int = 1) -> tuple[dict[str, float], Estimate]:
    world = make_world(kind, seed)
    log, machine, boundary = world.write(folder)
    settings = AuditSettings(groups=(), cell_m=0.2, threads=threads)
    found = estimated(compute(prepare([log], machine, boundary, settings))).estimate
    assert found is not None
    return world.truth, found


SMALL = Kind("small", boom_m=12.0, sections=4, hectares=1.0, true_cell_m=0.15)


@pytest.mark.parametrize("rate_hz", [1.0, 0.5])
def test_best_is_nearer_the_truth_than_what_was_read(tmp_path: Path, rate_hz: float) -> None:
    truth, found = estimate_of(known(replace(SMALL, rate_hz=rate_hz)), 3, tmp_path)
    for quantity in ("over_application_pct", "skip_pct"):
        line = found.of(quantity)
        assert line is not None
        assert line.read is not None
        assert line.best is not None
        assert abs(line.best - truth[quantity]) < 0.5 * abs(line.read - truth[quantity]), quantity


def test_without_states_nothing_is_estimated(tmp_path: Path) -> None:
    world = make_world(SMALL, 3)
    log, machine, boundary = world.write(tmp_path)
    head, *rows = log.read_text().splitlines()
    kept = [k for k, name in enumerate(head.split(",")) if not name.startswith(("section", "nozzle"))]
    log.write_text("\n".join(",".join(row.split(",")[k] for k in kept) for row in (head, *rows)) + "\n")
    found = estimated(compute(prepare([log], machine, boundary, AuditSettings(groups=(), cell_m=0.5)))).estimate
    assert found is not None
    assert [note.code for note in found.notes] == ["estimate.no_states"]
    line = found.of("over_application_pct")
    assert line is not None
    assert line.read is not None
    assert (line.best, line.low, line.high) == (None, None, None)


def test_a_hand_that_moves_the_whole_boom_is_told_from_a_controller(tmp_path: Path) -> None:
    _, found = estimate_of(known(replace(SMALL, hand=True)), 5, tmp_path)
    assert "estimate.switching_as_one" in [note.code for note in found.notes]


def test_threads_change_no_number(tmp_path: Path) -> None:
    _, one = estimate_of(SMALL, 7, tmp_path)
    litres = one.of("over_applied_l")
    assert litres is not None  # the log tells no litres: unknown, and not left out
    assert (litres.read, litres.best, litres.low, litres.high, litres.dominant) == (None,) * 5
    _, two = estimate_of(SMALL, 7, tmp_path, threads=2)
    assert one == two


def test_litres_move_as_the_ground_does(tmp_path: Path) -> None:
    world = make_world(known(SMALL), 11)
    log, machine, boundary = world.write(tmp_path)
    machine.write_text(machine.read_text() + "[rate]\nset_rate_l_ha = 200\n")
    audit = compute(prepare([log], machine, boundary, AuditSettings(groups=(), cell_m=0.2)))
    found = estimated(audit).estimate
    assert found is not None
    ground, litres = found.of("over_application_pct"), found.of("over_applied_l")
    assert ground is not None
    assert litres is not None
    # 200 L/ha on the over-applied share of the target: 0.02 L/m2 x m2 / 100 for a per cent, but for doses in turns
    per_pct = 0.02 * audit.accounting.areas.m2("target") / 100.0
    assert litres.moves["switching"] == pytest.approx(per_pct * ground.moves["switching"], rel=0.15)
