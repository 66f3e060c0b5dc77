"""Real drives (outside data, skipped where absent): what finer groups would have covered, and what is assumed."""

from __future__ import annotations

import pytest
from replaykit import identities, named, replay_of

from swathledger.audit import compute, prepare
from swathledger.documents.document import plain
from swathledger.report.document import ledger_of
from swathledger.settings import AuditSettings

FIELDS = {"F01": ["F01"], "F03": ["F03"], "F04": ["F04"], "F05": ["F05"], "F14": ["F14", "F15"]}
COLUMNS = """
[columns]
time = "timestamp"
speed_km_h = "ground_speed_kmh"
counter = "machine_total_area_m2"
"""


def drive(field_logs, tmp_path, name: str, boom: str, groups: tuple[str, ...]):
    table = tmp_path / "machine.toml"
    table.write_text(f'name = "header"\n[boom]\n{boom}\n{COLUMNS}', encoding="utf-8")
    logs = [field_logs / f"{log}.csv" for log in FIELDS[name]]
    return compute(prepare(logs, table, field_logs / "boundaries.geojson", AuditSettings(field_id=name, groups=groups)))


def check(audit, fine: str) -> None:
    identities(audit)
    replay = replay_of(audit)
    # the floor cannot be beaten, finer groups waste less, and cover as much as the coarse ones
    over = [named(audit, k).m2("over_application") for k in ("boom", fine, "limit")]
    assert over[0] > over[1] > over[2] == 0
    for result in (*replay.results, replay.logged, replay.as_logged):
        assert result.m2("skip") >= named(audit, "limit").m2("skip")
    assert named(audit, fine).m2("covered") == pytest.approx(named(audit, "boom").m2("covered"), rel=0.002)
    # the machine narrowed by rows what the model opens whole: it treats somewhat more of the field
    assert named(audit, fine).m2("covered") == pytest.approx(replay.as_logged.m2("covered"), rel=0.012)
    # sides are unknown, and the ledger says so beside the figures
    document = plain(ledger_of(audit))
    assert document["quality"]["side_assumed"] is True
    assert any("no sides" in note for note in document["model"]["notes"])
    assert any("assumed centred" in note for note in document["quality"]["assumptions"])


def test_one_field_with_groups_of_a_metre(field_logs, tmp_path):
    check(drive(field_logs, tmp_path, "F05", "width_m = 9.0", ("boom", "9", "limit")), "9")


@pytest.mark.slow
@pytest.mark.parametrize("name", list(FIELDS))
def test_nine_groups_of_a_metre(field_logs, tmp_path, name):
    check(drive(field_logs, tmp_path, name, "width_m = 9.0", ("boom", "9", "limit")), "9")


@pytest.mark.slow
@pytest.mark.parametrize("name", list(FIELDS))
def test_twelve_rows(field_logs, tmp_path, name):
    boom = "nozzle_count = 12\nnozzle_spacing_m = 0.75"
    check(drive(field_logs, tmp_path, name, boom, ("boom", "nozzle", "limit")), "nozzle")
