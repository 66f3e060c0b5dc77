"""``swathledger demo``: where it finds the sample logs, what it writes and prints."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from ledgerkit import ledger

import swathledger
from swathledger.errors import InputError, OutputError
from swathledger.settings import AuditSettings
from swathledger_cli import demo


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of the six fields, on coarse cells and without a replay."""
    import swathledger.settings as module

    monkeypatch.setattr(demo, "SAMPLES", (demo.SAMPLES[1], demo.SAMPLES[5]))
    monkeypatch.setattr(demo, "season_of_samples", lambda samples, out, reporter: [])  # has a test of its own
    monkeypatch.setattr(
        module, "AuditSettings", lambda field_id: AuditSettings(cell_m=1.0, groups=(), field_id=field_id)
    )


def test_samples_are_those_of_the_folder(repository: Path) -> None:
    folder = repository / "sample_logs"
    listed = {path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"}} - {demo.BOUNDARIES}
    assert {sample.log for sample in demo.SAMPLES} == listed
    assert all((folder / sample.machine).is_file() for sample in demo.SAMPLES)
    assert demo.sample_folder() == folder


@pytest.mark.usefixtures("quick")
def test_writes_a_folder_for_each_field_and_a_table(tmp_path: Path) -> None:
    out = tmp_path / "demo out"
    ran = CliRunner().invoke(demo.command, ["--out", str(out), "--quiet"], catch_exceptions=False)
    assert ran.exit_code == 0
    assert {path.name for path in out.iterdir()} == {"kite_tail", "cartwheel", "demo.json", "written.json"}
    head, *lines = ran.stdout.splitlines()
    assert head.split("  ")[0] == "field"
    assert [line.split()[0] for line in lines] == ["kite_tail", "cartwheel"]
    for line in lines:
        name, target, over, skip, litres, report = line.split(maxsplit=5)
        ledger = json.loads((out / name / "ledger.json").read_text(encoding="utf-8"))
        assert float(target) == round(ledger["area"]["target_m2"] / 1e4, 2)
        assert float(over) == round(ledger["area"]["over_application_pct"], 2)
        assert float(skip) == round(ledger["area"]["skip_pct"], 2)
        assert float(litres.replace(",", "")) == round(ledger["volume"]["over_applied_l"], 1)
        assert Path(report).is_file()

    with pytest.raises(OutputError, match="already holds files"):
        CliRunner().invoke(demo.command, ["--out", str(out), "-q"], catch_exceptions=False)
    again = CliRunner().invoke(demo.command, ["--out", str(out), "-q", "--overwrite"], catch_exceptions=False)
    assert again.exit_code == 0
    assert again.stdout == ran.stdout


@pytest.mark.usefixtures("quick")
def test_never_replaces_what_is_no_demo(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("kept")
    with pytest.raises(OutputError, match="no list of what was written"):
        CliRunner().invoke(demo.command, ["--out", str(tmp_path), "-q", "--overwrite"], catch_exceptions=False)
    assert (tmp_path / "mine.txt").read_text() == "kept"


def test_samples_of_an_installed_package_and_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "lib" / "site" / "swathledger"
    (package / "sample_logs").mkdir(parents=True)
    monkeypatch.setattr(swathledger, "__file__", str(package / "__init__.py"))
    with pytest.raises(InputError, match="sample logs are not there"):
        demo.sample_folder()
    (package / "sample_logs" / demo.BOUNDARIES).write_text("{}")
    assert demo.sample_folder() == package / "sample_logs"


def test_unknown_litres_read_unknown() -> None:
    area = {"target_m2": 123_456.0, "over_application_pct": 1.005, "skip_pct": None}
    row = demo.table([ledger(field={"id": "a"}, area=area)], Path("out")).splitlines()[1]
    assert row.split() == ["a", "12.35", "1.00", "unknown", "unknown", str(Path("out/a/report.html"))]
