"""The commands `match` and `season`: what they print, and how they end."""

from __future__ import annotations

import json
import shutil

import pytest
from click.testing import CliRunner

from swathledger.errors import InputError, OutputError
from swathledger_cli.main import cli

from .conftest import lanes, log_text


@pytest.fixture
def call(monkeypatch):
    """Run a command with its jobs in this process."""
    from swathledger.season import season as runner
    from swathledger.season.run.pool import InlinePool

    monkeypatch.setattr(runner, "LocalPool", lambda seats: InlinePool())

    def run(*arguments):
        return CliRunner().invoke(cli, [str(item) for item in arguments], standalone_mode=False, catch_exceptions=False)

    return run


def matching(farm, *more):
    return (
        "match",
        farm.logs,
        "--boundaries",
        farm.boundaries,
        "--machine",
        farm.machine,
        "--out",
        farm.folder / "season.toml",
        *more,
    )


def test_match_tells_what_it_found(make_farm, call):
    farm = make_farm(2)
    farm.log("note.txt", "x")
    ran = call(*matching(farm))
    assert "2 logs make 2 jobs on 2 of 2 fields; manifest in" in ran.stderr
    assert "logs/note.txt: no log" in ran.stderr
    assert ran.stdout == ""
    assert (farm.folder / "season.toml").is_file()


def test_match_in_json(make_farm, call):
    farm = make_farm(2)
    ran = call(*matching(farm, "--json", "--quiet", "--client", "Old Mill"))
    document = json.loads(ran.stdout)
    assert (document["logs"], document["fields"], document["missing"]) == (2, 2, [])
    assert document["jobs"][0] == {
        "id": "plot-1-2026-08-06-herbicide-A",
        "field": "plot 1",
        "client": "Old Mill",
        "product": "herbicide A",
        "day": "2026-08-06",
        "logs": ["logs/00.csv"],
        "machine": "machine.toml",
    }
    assert ran.stderr == ""


def test_match_overwrites_nothing_by_itself(make_farm, call):
    farm = make_farm(1)
    call(*matching(farm, "-q"))
    with pytest.raises(Exception, match="corrections made in it would be lost"):
        call(*matching(farm, "-q"))
    call(*matching(farm, "-q", "--overwrite"))


def test_a_machine_for_a_folder(make_farm, call):
    farm = make_farm(1, with_logs=False)
    farm.log("north=east/a.csv", log_text(lanes(0)))
    twin = farm.folder / "twin.toml"
    shutil.copy(farm.machine, twin)
    call(
        "match",
        farm.logs,
        "--boundaries",
        farm.boundaries,
        "--machine",
        f"{farm.logs}={twin}",
        "--out",
        farm.folder / "s.toml",
        "-q",
    )
    text = (farm.folder / "s.toml").read_text()
    assert '[[machine_rules]]\nfolder = "logs"\nmachine = "twin.toml"' in text


def test_season_tells_how_it_went(make_season, call):
    farm, manifest = make_season(2)
    out = farm.folder / "out"
    ran = call("season", manifest, "--out", out, "--groups", "boom", "--cell", "1")
    assert ran.return_value == 0
    assert "2 of 2 jobs done (0 of them before); results in" in ran.stderr
    assert "ha treated" in ran.stderr
    ledger = json.loads(next(out.rglob("ledger.json")).read_text())
    assert ledger["provenance"]["cell_m"] == 1.0
    assert [layout["label"] for layout in ledger["replay"]] == ["boom"]
    again = call("season", manifest, "--out", out, "--groups", "boom", "--cell", "1")
    assert "(2 of them before)" in again.stderr
    # Pages are written in other units, so the jobs are run again.
    other = call("season", manifest, "--out", out, "--groups", "boom", "--cell", "1", "--units", "us")
    assert "(0 of them before)" in other.stderr
    assert "ac treated" in other.stderr


def test_some_failed_is_exit_code_3_and_json_names_them(make_season, call):
    farm, manifest = make_season(2)
    (farm.logs / "01.csv").unlink()
    ran = call("season", manifest, "--out", farm.folder / "out", "--json", "--quiet", "--groups", "boom")
    assert ran.return_value == 3
    (unfit,) = json.loads(ran.stdout)["unfit"]
    assert unfit["field"] == "plot 2"
    assert "there is no" in unfit["reason"] or "cannot be read" in unfit["reason"]
    assert ran.stderr == ""


def test_a_manifest_with_faults_and_a_place_that_cannot_be_written(make_season, call):
    farm, manifest = make_season(1)
    (farm.folder / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        call("season", manifest, "--out", farm.folder / "file" / "out")
    manifest.write_text(manifest.read_text() + "colour = 1\n")
    with pytest.raises(InputError, match="this key is not known"):
        call("season", manifest, "--out", farm.folder / "out")
