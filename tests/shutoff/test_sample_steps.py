"""The saving in steps on the six sample logs: lines add up to the last tenth of a litre, in the ledger and as shown."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import pytest
from replaykit import identities, replay_of
from samplekit import BOUNDARIES, MACHINE_OF, SAMPLES

from swathledger.audit import compute, prepare
from swathledger.documents.document import plain
from swathledger.machine.read import read_machine
from swathledger.report.document import ledger_of
from swathledger.report.numbers import Figures
from swathledger.report.saving import DONE, step_lines
from swathledger.settings import AuditSettings
from swathledger.words import words

QUICK = {"on_delay_s": 0.05, "off_delay_s": 0.05, "look_ahead_on_s": 0.05, "look_ahead_off_s": 0.05}


@pytest.mark.parametrize("name", MACHINE_OF)
def test_lines_add_up_on_every_sample(name):
    # identities hold at any cell, and a coarse one is quick; replayed layouts have quicker valves than today's
    sprayer = read_machine(MACHINE_OF[name])
    sprayer = replace(sprayer, replay=replace(sprayer.replay, **QUICK))
    settings = AuditSettings(cell_m=0.5, groups=("boom", "6", "nozzle", "limit"))
    audit = compute(prepare([SAMPLES / name], sprayer, BOUNDARIES, settings))
    identities(audit)
    replay = replay_of(audit)
    done, floor = replay.as_logged, replay.floor
    assert done.volume_l is not None
    covered = done.m2("covered")

    def equal_cover(result) -> float:
        return result.volume_l / result.m2("covered") * covered

    for result in replay.results:
        steps = {step.step: step.saved_l for step in result.steps}
        assert done.volume_l - sum(steps.values()) == pytest.approx(equal_cover(floor), abs=0.001), result.layout.name
        if not result.layout.limit:
            assert done.volume_l - steps["model"] == pytest.approx(equal_cover(replay.logged), abs=0.001)
            assert sum(steps.values()) - steps["floor"] == pytest.approx(done.volume_l - equal_cover(result), abs=0.001)
            assert steps["timing"] != 0.0
    t = words()
    figures = Figures(plain(ledger_of(audit)), "metric", t)
    for k in range(len(replay.results)):
        running: Decimal | None = None
        for line in step_lines(figures, f"replay/{k}", DONE, t):
            shown = re.search(r">([0-9,.-]+)\u00a0L", line.number)
            assert shown is not None, line
            litres = Decimal(shown[1].replace(",", ""))
            assert litres.as_tuple().exponent == -1  # tenths of a litre
            if line.sign:
                assert running is not None
                running += litres if line.sign == "+" else -litres
            else:
                assert running is None or running == litres, (replay.results[k].layout.name, line)
                running = litres
        assert running is not None
        assert abs(running - Decimal(equal_cover(floor))) <= Decimal("0.051")
