"""Everything is written at once, the same each time, or not at all."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from swathledger.audit import run_audit
from swathledger.errors import OutputError
from swathledger.settings import AuditSettings

FILES = {"ledger.json", "ledger.csv", "cover.tif", "ledger.gpkg", "report.html", "written.json"}
Inputs = tuple[list[Path], Path, Path]
QUICK = AuditSettings(cell_m=1.0, groups=("nozzle",))


def test_same_bytes_twice_and_whatever_the_threads(sample_inputs: Inputs, tmp_path: Path) -> None:
    logs, machine, boundary = sample_inputs
    run_audit(logs, machine, boundary, tmp_path / "one", QUICK)
    run_audit(logs, machine, boundary, tmp_path / "two", AuditSettings(cell_m=1.0, groups=("nozzle",), threads=3))
    for name in sorted(FILES):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
    assert {path.name for path in (tmp_path / "one").iterdir()} == FILES


def test_units_change_the_page_alone(sample_inputs: Inputs, tmp_path: Path) -> None:
    logs, machine, boundary = sample_inputs
    run_audit(logs, machine, boundary, tmp_path / "m", QUICK)
    run_audit(logs, machine, boundary, tmp_path / "u", AuditSettings(cell_m=1.0, groups=("nozzle",), units="us"))
    for name in sorted(FILES - {"report.html", "written.json"}):
        assert (tmp_path / "m" / name).read_bytes() == (tmp_path / "u" / name).read_bytes(), name
    assert "\u00a0ac" in (tmp_path / "u" / "report.html").read_text(encoding="utf-8")


def test_a_field_named_like_a_script(sample_inputs: Inputs, tmp_path: Path) -> None:
    logs, machine, boundary = sample_inputs
    name = "<script>alert(1)</script>/../=cmd()"
    text = json.loads(boundary.read_text(encoding="utf-8"))
    for feature in text["features"]:
        if feature["properties"]["field_id"] == "duckhole":
            feature["properties"]["field_id"] = name
    (tmp_path / "b.geojson").write_text(json.dumps(text), encoding="utf-8")
    ledger = run_audit(logs, machine, tmp_path / "b.geojson", tmp_path / "out", QUICK)
    assert ledger.field.id == name
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.count("<script") == 1  # ours, known to the policy by its hash
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;/../=cmd()" in page
    assert {path.name for path in tmp_path.iterdir()} == {"b.geojson", "out"}


def test_a_drive_far_from_its_limits_leaves_nothing_half_written(
    sample_inputs: Inputs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from swathledger.report import write

    def full(*_: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(write, "render_report", full)
    logs, machine, boundary = sample_inputs
    with pytest.raises(OutputError, match="No space left on device"):
        run_audit(logs, machine, boundary, tmp_path / "out", QUICK)
    assert list(tmp_path.iterdir()) == []


FULL_DISK = """
import resource, signal, sys
from pathlib import Path
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from swathledger.audit import run_audit
from swathledger.errors import OutputError
from swathledger.settings import AuditSettings
limit = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
try:
    run_audit([Path(sys.argv[2])], Path(sys.argv[3]), Path(sys.argv[4]), Path(sys.argv[5]),
              AuditSettings(cell_m=0.5, groups=()))
except OutputError as error:
    print("told:", error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
@pytest.mark.parametrize("limit", [20_000, 150_000, 300_000])
def test_files_that_cannot_grow_are_told(sample_inputs: Inputs, tmp_path: Path, limit: int) -> None:
    # a limit on the size of a file stands in for a full disk: writes fail with an error of the system
    logs, machine, boundary = sample_inputs
    out = tmp_path / "out"
    ran = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(limit), str(logs[0]), str(machine), str(boundary), str(out)],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("told:"), ran.stderr
    assert not out.exists()
    assert [path for path in tmp_path.iterdir() if path.name.startswith(".out")] == []
