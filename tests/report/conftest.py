"""One audit of a sample field, coarse and quick, that the tests of the written results share."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from swathledger.audit import compute, prepare, run_audit
from swathledger.report.audited import Audit
from swathledger.settings import AuditSettings

SETTINGS = AuditSettings(cell_m=0.5, groups=("boom", "8", "nozzle", "limit"))


@dataclass(frozen=True)
class Written:
    """A folder of results and what they were made from."""

    folder: Path
    document: dict[str, Any]
    audit: Audit


@pytest.fixture(scope="session")
def sample_inputs(repository: Path) -> tuple[list[Path], Path, Path]:
    folder = repository / "sample_logs"
    return [folder / "duckhole.csv"], folder / "machine_36m.toml", folder / "boundaries.geojson"


@pytest.fixture(scope="session")
def written(sample_inputs: tuple[list[Path], Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Written:
    logs, machine, boundary = sample_inputs
    # an exclamation mark and an accent: pyogrio takes the one for an archive
    folder = tmp_path_factory.mktemp("results") / "Förster's field!"
    run_audit(logs, machine, boundary, folder, SETTINGS)
    document = json.loads((folder / "ledger.json").read_text(encoding="utf-8"))
    return Written(folder, document, compute(prepare(logs, machine, boundary, SETTINGS)))
