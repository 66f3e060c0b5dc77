"""The invented drives against what was really driven: the truth beside each log, which the audit never reads.

The log is a row a second with receiver error, weaving and late valves; the truth is the simulated boom itself. So this
bounds what logging loses, over a whole field.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from samplekit import BOUNDARIES, MACHINE_OF, SAMPLES

from swathledger.audit import compute, prepare
from swathledger.documents.document import plain
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings


@pytest.mark.parametrize("name", MACHINE_OF)
def test_ledger_against_the_truth_of_the_drive(name):
    prepared = prepare([SAMPLES / name], MACHINE_OF[name], BOUNDARIES, AuditSettings(groups=()))
    audit = compute(prepared)
    truth = json.loads((SAMPLES / "truth" / f"{Path(name).stem}.json").read_text())
    areas, volumes = audit.accounting.areas, audit.accounting.volumes
    assert volumes is not None
    assert areas.m2("applied") == pytest.approx(truth["swept_m2"], rel=2e-3)
    assert volumes.applied_l + volumes.standing_l == pytest.approx(truth["volume_l"], rel=5e-3)
    charged = sum(event["volume_l"] for event in truth["events"] if event["kind"] == "boom_charge")
    assert volumes.standing_l == pytest.approx(charged, abs=0.1)
    assert abs(volumes.closure_pct) < 0.5
    stops = sum(event["kind"] in {"stop", "refill"} for event in truth["events"])
    assert audit.swath.gaps == stops
    assert audit.swath.unbridged_m < 1.0
    document = plain(ledger_of(audit))
    assert document["field"]["id"] == Path(name).stem
