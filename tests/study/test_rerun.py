"""Drives of a season run again from its manifest: sensitivity end to end."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from kit_study import job, season
from worlds import PLANE, small_field

from swathledger.audit import run_audit
from swathledger.documents.document import dump, load
from swathledger.documents.study import SensitivityDocument
from swathledger.errors import InputError
from swathledger.field.plane import to_degrees
from swathledger.settings import AuditSettings
from swathledger.simulate.run import simulate
from swathledger.study.collected import StudyField
from swathledger.study.rerun import RerunSettings, evenly_chosen, rerun
from swathledger_cli.main import cli

MACHINE = """\
name = "invented 12 m"

[boom]
nozzle_count = 24
nozzle_spacing_m = 0.5
sections = [4, 4, 4, 4, 4, 4]

[antenna]
gnss_sigma_m = 0.02
"""


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Two small fields simulated, audited as a season lays them out, and the manifest."""
    folder = tmp_path_factory.mktemp("world")
    features = []
    for k in range(2):
        field = small_field(k, area_m2=8000.0, pa=0.05)
        ring = to_degrees(field.boundary, PLANE)
        east = 0.01 * k
        points = [[x + east, y] for x, y in ring.exterior.coords]
        features.append(
            {"type": "Feature", "properties": {"field_id": f"plot {k}"},
             "geometry": {"type": "Polygon", "coordinates": [points]}}
        )  # fmt: skip
    (folder / "b.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    (folder / "m.toml").write_text(MACHINE)
    outcomes = simulate(folder / "b.geojson", folder / "m.toml", folder / "sim")
    lines = ['schema = "swathledger/manifest/1"', 'boundaries = "b.geojson"', 'machine = "m.toml"']
    for k, outcome in enumerate(outcomes):
        log = outcome.log_file.relative_to(folder)
        lines += ["[[jobs]]", f'id = "job-{k}"', f'field = "plot {k}"', f'logs = ["{log.as_posix()}"]']
        settings = AuditSettings(cell_m=0.5, groups=("boom", "nozzle"), field_id=f"plot {k}")
        run_audit([outcome.log_file], folder / "m.toml", folder / "b.geojson", folder / "season" / "c" / f"job-{k}",
                  settings)  # fmt: skip
    (folder / "season.toml").write_text("\n".join(lines) + "\n")
    return folder


def test_command_runs_drives_again_and_writes_what_it_found(world, tmp_path):
    found = CliRunner().invoke(
        cli,
        ["study", str(world / "season"), "--out", str(tmp_path / "out"), "--manifest", str(world / "season.toml"),
         "--resamples", "199", "--quiet"],
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    file = tmp_path / "out" / "sensitivity.json"
    again = json.loads(file.read_bytes())
    assert dump(load(SensitivityDocument, file)) == file.read_bytes()
    assert again["failed"] == []
    assert [f["field_id"] for f in again["fields"]] == ["plot 0", "plot 1"] or len(again["fields"]) == 2
    for field in again["fields"]:
        figures = {f["name"]: f["value"] for f in field["sensitivity"]["headlines"]}
        ledger = json.loads((world / "season" / field["job"] / "ledger.json").read_bytes())
        # what is run again is what was audited
        assert figures["over_pct:as logged"] == pytest.approx(ledger["area"]["over_application_pct"])
        changes = [variant["change"]["over_pct:as logged"] for variant in field["sensitivity"]["variants"]]
        assert any(abs(change) > 1e-4 for change in changes)
        assert len(field["sensitivity"]["variants"]) == 6  # cell and gap halved and doubled, two other thresholds
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert "Choices of the method" in page


def test_manifest_of_another_season_is_told(world, tmp_path):
    (field,) = [StudyField(0, "x", (job(name="elsewhere/job-9"),))]
    with pytest.raises(InputError, match="none of its jobs"):
        rerun([field], RerunSettings(world / "season.toml"))
    results = season(tmp_path / "season", 3)
    found = CliRunner().invoke(
        cli,
        ["study", str(results), "--out", str(tmp_path / "out"), "--manifest", str(world / "season.toml")],
        standalone_mode=False,
    )
    assert "none of its jobs" in str(found.exception)
    assert not (tmp_path / "out").exists()


def test_sample_is_spread_over_shape_with_both_ends():
    fields = [StudyField(k, f"f{k}", (job(f"f{k}", pa=pa),)) for k, pa in enumerate([0.03, 0.01, 0.05, 0.02, 0.04])]
    assert [f.first.perimeter_to_area_per_m for f in evenly_chosen(fields, 3)] == [0.01, 0.03, 0.05]
    assert len(evenly_chosen(fields, 9)) == 5
    assert [f.first.perimeter_to_area_per_m for f in evenly_chosen(fields, 1)] == [0.03]
