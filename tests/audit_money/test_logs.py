"""Standing discharges of logs on disk: the sample logs against their truth, real drives against themselves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from samplekit import HARVESTER

from swathledger.audit import compute, prepare
from swathledger.documents.document import plain
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings

COARSE = AuditSettings(cell_m=1.0, groups=())


def audited(log: Path, machine: Path, boundary: Path, field_id: str | None = None) -> dict[str, Any]:
    settings = AuditSettings(cell_m=1.0, groups=(), field_id=field_id)
    return plain(ledger_of(compute(prepare([log], machine, boundary, settings))))


@pytest.mark.parametrize(("name", "machine"), [("long_mile", "36"), ("dogleg", "24")])
def test_sample_charges_are_those_that_were_made(repository: Path, name: str, machine: str) -> None:
    folder = repository / "sample_logs"
    found = audited(folder / f"{name}.csv", folder / f"machine_{machine}m.toml", folder / "boundaries.geojson")
    truth = json.loads((folder / "truth" / f"{name}.json").read_bytes())
    charge = next(event for event in truth["events"] if event["kind"] == "boom_charge")
    events = found["standing"]["events"]
    assert len(events) == 1
    assert events[0]["litres_l"] == pytest.approx(charge["volume_l"], rel=0.01)  # 35 L and 21 L
    assert events[0]["duration_s"] == pytest.approx(charge["end_s"] - charge["start_s"], abs=1.0)
    assert (events[0]["kind"], events[0]["occasion"]) == ("measured", "first_of_day")
    assert found["volume"]["standing_l"] == pytest.approx(found["standing"]["litres_l"], rel=1e-9)
    other = [event for event in truth["events"] if event["kind"] in {"stop", "refill"}]
    stops = found["standing"]["stops"]
    assert [round(stop["duration_s"] / 10) for stop in stops] == [
        round((event["end_s"] - event["start_s"]) / 10) for event in other
    ]
    # 35 L of 100 L/ha spray with 1.5 L/ha at 14: 0.525 L, 7.35; 21 L of 150 L/ha with 0.8 L/ha at 46: 0.112 L, 5.15
    product = found["product"]
    assert product["products"][0]["standing"]["amount"] == pytest.approx({"36": 0.525, "24": 0.112}[machine], rel=0.01)
    assert product["standing"]["money"] == pytest.approx({"36": 7.35, "24": 5.152}[machine], rel=0.01)


@pytest.mark.parametrize("name", ["F01", "F14", "F20"])
def test_real_drives_log_no_flow(field_logs: Path, tmp_path: Path, name: str) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text(HARVESTER, encoding="utf-8")
    settings = AuditSettings(cell_m=1.0, groups=(), field_id=name)
    audit = compute(prepare([field_logs / f"{name}.csv"], machine, field_logs / "boundaries.geojson", settings))
    found = plain(ledger_of(audit))
    standing = found["standing"]
    assert standing["events"]
    assert all(event["litres_l"] is None and event["kind"] != "measured" for event in standing["events"])
    assert (standing["litres_l"], standing["unmeasured"]) == (None, len(standing["events"]))
    assert all(event["start"].startswith("20") and event["start"].endswith("Z") for event in standing["events"])
    # The events are the swath's own standing steps, to the second, and sweep nothing.
    assert standing["duration_s"] == pytest.approx(found["quality"]["standing_open_s"], abs=1e-6)
    swept = audit.swath.ribbon_step
    assert not audit.swath.standing[swept].any()
    assert next(row for row in found["cause"] if row["cause"] == "standing") == {
        "cause": "standing",
        "area_m2": 0.0,
        "volume_l": None,
    }
    assert found["product"] is None
    assert found["volume"] is None
