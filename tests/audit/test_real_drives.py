"""Swept area against a counter that the machine kept itself: neither computed here nor invented.

The counter moves in steps of 100 m2 or more, so between its last step and the end of the drive one more step may be
due: the swept area must be within 2 % of some value between the last reading and one step above it. F03 comes out 2.2 %
above the last reading and 1.7 % above one step more; that is said here and in docs/validation.md, not hidden.
"""

from __future__ import annotations

import numpy as np
import pytest
from samplekit import HARVESTER

from swathledger.audit import compute, prepare
from swathledger.documents.document import plain
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings

STEP_M2 = 100.0

# field: logs, reading at the end (counters start at 0; F15 goes on from F14)
COUNTED = {
    "F01": (["F01"], 48_300.0),
    "F03": (["F03"], 19_500.0),
    "F04": (["F04"], 30_100.0),
    "F05": (["F05"], 18_000.0),
    "F14": (["F14"], 30_300.0),
    "F14+F15": (["F14", "F15"], 45_900.0),
}


def audited(names, field_logs, tmp_path):
    machine = tmp_path / "harvester.toml"
    machine.write_text(HARVESTER)
    prepared = prepare(
        [field_logs / f"{name}.csv" for name in names],
        machine,
        field_logs / "boundaries.geojson",
        AuditSettings(groups=()),
    )
    return prepared, plain(ledger_of(compute(prepared)))


@pytest.mark.parametrize("field", COUNTED)
def test_swept_area_is_within_two_per_cent_of_the_machines_counter(field, field_logs, tmp_path):
    names, last = COUNTED[field]
    prepared, document = audited(names, field_logs, tmp_path)
    counter = prepared.log.extra["counter"]
    counter = counter[np.isfinite(counter)]
    assert counter[-1] == last
    assert np.diff(np.unique(counter)).min() >= STEP_M2
    swept = document["area"]["applied_m2"]
    nearest = float(np.clip(swept, last, last + STEP_M2))
    assert abs(swept / nearest - 1) <= 0.02
    assert document["field"]["id"] == names[0]
    assert document["quality"]["unbridged_m"] == 0.0


def test_two_logs_of_one_field_are_one_job(field_logs, tmp_path):
    _, both = audited(["F14", "F15"], field_logs, tmp_path)
    parts = [audited([name], field_logs, tmp_path)[1] for name in ("F14", "F15")]
    # what was swept adds up; what was covered does not, where the second went over ground of the first
    total = sum(part["area"]["applied_m2"] for part in parts)
    assert both["area"]["applied_m2"] == pytest.approx(total, rel=1e-4)
    assert both["area"]["covered_m2"] < sum(part["area"]["covered_m2"] for part in parts)
    assert both["area"]["skip_m2"] < min(part["area"]["skip_m2"] for part in parts)
    assert both["quality"]["gaps"] == 1  # the night between
    assert [entry["name"] for entry in both["provenance"]["inputs"][:2]] == ["F14.csv", "F15.csv"]


# The records hold 2 to 7 % more than the ring (the drives' own page); here to 0.1 % as measured.
@pytest.mark.parametrize(("field", "percent"), [("F01", 5.28), ("F03", 3.62), ("F05", 5.37)])
def test_recorded_area_disagrees_with_the_ring_and_is_shown(field, percent, field_logs, tmp_path):
    _, document = audited([field], field_logs, tmp_path)
    assert document["field"]["recorded_area_m2"] is not None
    assert document["field"]["recorded_minus_boundary_pct"] == pytest.approx(percent, abs=0.1)
    assert 2 < document["field"]["recorded_minus_boundary_pct"] < 7


def test_what_was_assumed_is_said(field_logs, tmp_path):
    _, document = audited(["F05"], field_logs, tmp_path)
    assert document["quality"]["side_assumed"]
    assert any("centred" in text for text in document["quality"]["assumptions"])
    assert any("Headings come from the track" in text for text in document["quality"]["assumptions"])
    assert document["volume"] is None  # neither rate nor flow nor set rate: unknown, not zero
    assert document["cause"][0]["volume_l"] is None
