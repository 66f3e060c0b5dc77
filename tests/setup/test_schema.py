"""Schemas that are given out: files of ours keep to them, slips do not."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from ledgerkit import plain_ledger

from swathledger_cli.main import cli


def printed(kind: str) -> dict[str, Any]:
    ran = CliRunner().invoke(cli, ["schema", kind])
    assert ran.exit_code == 0, ran.output
    schema: dict[str, Any] = json.loads(ran.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


def faults(kind: str, value: Any) -> list[str]:
    found = jsonschema.Draft202012Validator(printed(kind)).iter_errors(value)
    return [error.message for error in found]


def test_machine_files_keep_to_the_schema(repository: Path) -> None:
    files = sorted((repository / "sample_logs").glob("machine_*.toml"))
    assert len(files) >= 2
    for path in files:
        assert faults("machine", tomllib.loads(path.read_text())) == []


@pytest.mark.parametrize(
    "slip",
    [
        {"antena": {"ahead_of_boom_m": 1.0}},
        {"antenna": {"ahead_of_boom": 1.0}},
        {"boom": {"nozzle_count": -4, "nozzle_spacing_m": 0.5}},
        {"valves": {"on_delay_s": "late"}},
        {"name": 7},
    ],
)
def test_slips_in_a_machine_file_are_seen(slip: dict[str, Any]) -> None:
    good = {"name": "a", "boom": {"nozzle_count": 48, "nozzle_spacing_m": 0.5}}
    assert faults("machine", good) == []
    assert faults("machine", good | slip)


def test_manifests_and_ledgers_keep_to_theirs() -> None:
    manifest = {
        "schema": "swathledger/manifest/1", "boundaries": "b.geojson", "machine": "m.toml",
        "jobs": [{"id": "a", "field": "north", "logs": [{"file": "a.csv"}]}],
    }  # fmt: skip
    assert faults("manifest", manifest) == []
    assert faults("manifest", manifest | {"jobs": [{"id": "a", "field": "north", "logs": []}]})
    assert faults("ledger", plain_ledger()) == []
    assert faults("ledger", plain_ledger() | {"area": {}})


@pytest.mark.parametrize("kind", ["season", "study"])
def test_results_have_schemas(kind: str) -> None:
    assert printed(kind)["$id"].startswith(f"swathledger/{kind}/")


def test_written_whole_and_never_over_another_file(tmp_path: Path) -> None:
    out = tmp_path / "machine.schema.json"
    run = CliRunner().invoke
    assert run(cli, ["schema", "machine", "--out", str(out)]).exit_code == 0
    assert json.loads(out.read_text()) == printed("machine")
    out.write_text("mine")
    again = run(cli, ["schema", "machine", "--out", str(out)])
    assert again.exit_code != 0
    assert out.read_text() == "mine"
    assert run(cli, ["schema", "machine", "--out", str(out), "--overwrite"]).exit_code == 0
    assert json.loads(out.read_text()) == printed("machine")
