"""Files that the program did not make are as they were, whatever command is run beside, over or into them."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from swathledger.documents.written import read_list
from swathledger_cli.main import cli

from .conftest import lanes, log_text, tree

ODD = (
    "photos/{0}.jpg",
    "{0} notes.txt",
    ".photos-20250131.old/{0}.jpg",
    ".results-ab12_cd3.part/{0}.csv",
    "ledger.json.{0}.bak",
    "Report {0}.html",
    ".hidden/{0}",
    "a/b/c/ledger.{0}.gpkg",
    ".fields-abcdefgh.part{0}.csv",
    "logs as found/{0}.dat",
)


def plant(folders: list[Path], count: int = 100) -> dict[Path, bytes]:
    """Files of somebody else in some folders and below them, a few of them like ours in name or in what they hold."""
    made = {}
    for number in range(count):
        path = folders[number % len(folders)] / ODD[number // len(folders) % len(ODD)].format(number)
        path.parent.mkdir(parents=True, exist_ok=True)
        data = b'{"schema": "swathledger/ledger/1"}' if number % 7 == 0 else os.urandom(40)
        path.write_bytes(data)
        made[path] = data
    assert len(made) == count
    return made


def all_there(planted: dict[Path, bytes]) -> bool:
    return all(path.is_file() and path.read_bytes() == data for path, data in planted.items())


@pytest.fixture
def call(monkeypatch):
    """Run a command line as a person would, with its jobs in this process; the exit code and all that it said."""
    from swathledger.season import season as runner
    from swathledger.season.run.pool import InlinePool

    monkeypatch.setattr(runner, "LocalPool", lambda seats: InlinePool())

    def run(*arguments):
        done = CliRunner().invoke(cli, [str(item) for item in arguments])
        return done.exit_code, done.output

    return run


def results_of(command, farm, manifest, call, tmp_path, monkeypatch):
    """Arguments of a command with its results in place, and the folders that hold them."""
    out = tmp_path / "results"
    if command == "audit":
        given = ["audit", farm.logs / "00.csv", "--boundary", farm.boundaries, "--machine", farm.machine]
        return [*given, "--out", out, "--cell", 0.5, "--groups", "boom"], [out]
    if command in ("season", "season --no-resume"):
        more = ["--no-resume"] if "--no-resume" in command else []
        jobs = [out / "all" / f"plot-{number}-2026-08-06-herbicide-A" for number in (1, 2)]
        return ["season", manifest, "--out", out, *more], [out, out / "all", *jobs]
    if command == "study":
        call("season", manifest, "--out", tmp_path / "season", "-q")
        return ["study", tmp_path / "season", "--out", out, "--resamples", 199], [out, out / "figures"]
    if command == "simulate":
        given = ["simulate", "--boundary", farm.boundaries, "--machine", farm.machine, "--field", "plot 1"]
        return [*given, "--out", out], [out, out / "logs", out / "truth"]
    if command == "report":
        call("season", manifest, "--out", out, "-q")
        return ["report", out], [out, out / "all", out / "all" / "plot-1-2026-08-06-herbicide-A"]
    if command == "demo":
        from swathledger_cli import demo

        monkeypatch.setattr(demo, "audit_samples", lambda samples, out, reporter: [])
        monkeypatch.setattr(
            demo, "season_of_samples", lambda samples, out, reporter: shutil.copytree(farm.logs, out) and []
        )
        return ["demo", "--out", out], [out, out / "season"]
    assert command == "match"
    given = ["match", farm.logs, "--boundaries", farm.boundaries, "--machine", farm.machine]
    return [*given, "--out", out / "season.toml"], [farm.logs, out]


COMMANDS = ["audit", "season", "season --no-resume", "study", "simulate", "report", "demo", "match"]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_hundred_foreign_files_stay_as_they_were(command, make_season, call, tmp_path, monkeypatch):
    farm, manifest = make_season(2)
    arguments, folders = results_of(command, farm, manifest, call, tmp_path, monkeypatch)
    code, said = call(*arguments)
    assert code == 0, said
    inputs = tree(farm.folder)
    planted = plant(folders)
    before = {path: path.read_bytes() for folder in folders for path in folder.rglob("*") if path.is_file()}
    code, said = call(*arguments)
    assert code == (0 if arguments[0] in ("season", "report") else 2), said
    assert all_there(planted)
    if code == 2:
        assert {path: path.read_bytes() for path in before} == before
    if arguments[0] != "season":
        code, said = call(*arguments, "--overwrite")
        assert code == 0, said
        assert all_there(planted)
    assert {name: digest for name, digest in tree(farm.folder).items() if name in inputs} == inputs


@pytest.mark.parametrize("command", ["audit", "season", "study", "simulate", "demo"])
@pytest.mark.parametrize("stray", [None, "ledger.json", "season.json", "study.json", "demo.json", "written.json"])
def test_a_folder_that_no_run_wrote_is_refused_whatever_lies_in_it(
    command, stray, make_season, call, tmp_path, monkeypatch
):
    farm, manifest = make_season(1)
    arguments, folders = results_of(command, farm, manifest, call, tmp_path, monkeypatch)
    planted = plant(folders[:1], 20)
    if stray is not None:
        path = folders[0] / stray
        path.write_text(json.dumps({"schema": f"swathledger/{stray[:-5]}/1"}))
        planted[path] = path.read_bytes()
    for more in [[], ["--overwrite"]] if arguments[0] != "season" else [[], ["--no-resume"]]:
        code, said = call(*arguments, *more)
        assert code == 2, said
        assert "Give another folder" in said
        assert all_there(planted)
        assert {path for path in folders[0].rglob("*") if path.is_file()} == set(planted)


def test_inputs_in_the_folder_of_results_stay(make_farm, call):
    """Log, boundary, machine file and photos in the folder that is written over."""
    farm = make_farm(1)
    out = farm.folder / "results"
    given = ["--out", out, "--cell", 0.5, "--groups", "boom"]
    call("audit", farm.logs / "00.csv", "--boundary", farm.boundaries, "--machine", farm.machine, *given)
    moved = [shutil.move(path, out) for path in (farm.logs / "00.csv", farm.boundaries, farm.machine)]
    held = {Path(path): Path(path).read_bytes() for path in moved}
    log, boundary, machine = held
    code, said = call("audit", log, "--boundary", boundary, "--machine", machine, *given, "--overwrite")
    assert code == 0, said
    assert all_there(held)


def test_an_input_is_never_an_output(make_farm, call):
    """The boundary layer of the results as the boundary of the run that replaces them."""
    farm = make_farm(1)
    out = farm.folder / "results"
    given = ["--machine", farm.machine, "--out", out, "--cell", 0.5, "--groups", "boom"]
    call("audit", farm.logs / "00.csv", "--boundary", farm.boundaries, *given)
    before = tree(out)
    for name in (out / "ledger.gpkg", farm.folder / "link.gpkg"):
        if name.parent != out:
            name.symlink_to(out / "ledger.gpkg")
        code, said = call("audit", farm.logs / "00.csv", "--boundary", name, *given, "--overwrite")
        assert code == 2
        assert "is read by this run, and would be replaced by it" in said
        assert tree(out) == before


@pytest.mark.parametrize("name", ["fields.geojson", "machine.toml", "logs/00.csv", "notes.txt"])
def test_match_replaces_nothing_but_a_manifest(name, make_farm, call):
    farm = make_farm(1)
    (farm.folder / "notes.txt").write_text("schema of the fields: swathledger/manifest/1, see season.toml")
    before = tree(farm.folder)
    given = ["match", farm.logs, "--boundaries", farm.boundaries, "--machine", farm.machine, "--out"]
    code, said = call(*given, farm.folder / name, "--overwrite")
    assert code == 2
    assert "is no manifest" in said or "is read by this run" in said
    assert tree(farm.folder) == before
    broken = farm.folder / "s.toml"
    broken.write_text('# mine\nschema = "swathledger/manifest/1"\njobs = [')  # a slip of the person who corrects it
    code, said = call(*given, broken, "--overwrite")
    assert code == 0, said


def test_a_result_that_somebody_changed_is_kept_under_another_name(make_season, call, caplog):
    farm, manifest = make_season(1)
    out = farm.folder / "out"
    call("season", manifest, "--out", out)
    whole = tree(out)
    table = out / "fields.csv"
    noted = table.read_text() + "call the owner of plot 1\n"
    table.write_text(noted)
    for _ in range(2):
        code, said = call("season", manifest, "--out", out)
        assert code == 0, said
    assert (out / "fields-changed.csv").read_text() == noted
    assert "it is kept as fields-changed.csv" in caplog.text
    (out / "fields-changed.csv").unlink()
    assert tree(out) == whole


def test_a_name_that_somebody_took_is_not_taken_back(make_season, call):
    farm, manifest = make_season(2)
    out = farm.folder / "out"
    taken = out / "all" / "plot-1-2026-08-06-herbicide-A" / "cover.tif"
    call("season", manifest, "--out", out)
    shutil.rmtree(taken.parent)
    taken.parent.mkdir()
    taken.write_bytes(b"an aerial picture")
    code, said = call("season", manifest, "--out", out)
    assert code == 3
    assert "cover.tif: stands in the way of a result and was not written by this program" in said
    assert [path.name for path in taken.parent.iterdir()] == ["cover.tif"]
    assert taken.read_bytes() == b"an aerial picture"


def test_a_list_that_leads_out_of_its_folder_is_none(make_farm, call):
    farm = make_farm(1)
    out = farm.folder / "results"
    given = ["audit", farm.logs / "00.csv", "--boundary", farm.boundaries, "--machine", farm.machine]
    given += ["--out", out, "--cell", 0.5, "--groups", "boom"]
    call(*given)
    listed = json.loads((out / "written.json").read_text())
    for name in ("../fields.geojson", "/etc/hostname", "x/../../fields.geojson", "c:\\a", ""):
        listed["files"][0]["name"] = name
        (out / "written.json").write_text(json.dumps(listed))
        assert read_list(out) is None
        assert call(*given, "--overwrite")[0] == 2
    assert farm.boundaries.is_file()


def test_a_link_below_results_is_not_followed(make_farm, call):
    """A folder of figures that somebody moved to another disk and linked."""
    farm = make_farm(1)
    out = farm.folder / "sim"
    given = ["simulate", "--boundary", farm.boundaries, "--machine", farm.machine, "--out", out]
    call(*given)
    (out / "logs").rename(farm.folder / "elsewhere")
    (out / "logs").symlink_to(farm.folder / "elsewhere")
    before = tree(farm.folder)
    code, said = call(*given, "--overwrite")
    assert code == 2
    assert "stands in the way" in said
    assert tree(farm.folder) == before


def test_a_lock_of_another_program_stays(make_season, call):
    farm, manifest = make_season(1)
    out = farm.folder / "out"
    call("season", manifest, "--out", out)
    (out / ".lock").write_text("libre,me,host")
    code, said = call("season", manifest, "--out", out)
    assert code == 2
    assert "is no lock of this program" in said
    assert (out / ".lock").read_text() == "libre,me,host"


def test_jobs_that_left_the_manifest_go_and_what_lies_beside_them_stays(make_season, call):
    farm, manifest = make_season(2)
    out = farm.folder / "out"
    call("season", manifest, "--out", out)
    gone = out / "all" / "plot-1-2026-08-06-herbicide-A"
    planted = plant([gone], 20)
    (out / "empty").mkdir()
    manifest.write_text(manifest.read_text().replace('id = "plot-1-', 'id = "first-'))
    code, said = call("season", manifest, "--out", out)
    assert code == 0, said
    assert all_there(planted)
    assert {path for path in gone.rglob("*") if path.is_file()} == set(planted)
    assert (out / "empty").is_dir()


def test_no_file_takes_the_drive_of_one_client_into_the_binder_of_another(make_farm, call):
    """A link in a client's folder, a copy of another client's log, and a text that names it."""
    farm = make_farm(3, with_logs=False)
    farm.log("Brook/own.csv", log_text(lanes(0)))
    farm.log("Brook/other.csv", log_text(lanes(1)))
    farm.log("Ash/own.csv", log_text(lanes(2)))
    (farm.logs / "Ash" / "link.csv").symlink_to(farm.logs / "Brook" / "own.csv")
    shutil.copy(farm.logs / "Brook" / "other.csv", farm.logs / "Ash" / "copy.csv")
    farm.log("Ash/again.csv", log_text(lanes(0)).replace("herbicide A\n", "herbicide A \n"))
    virtual = (
        '<OGRVRTDataSource><OGRVRTLayer name="own"><SrcDataSource>{}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'
    )
    farm.log("Ash/named.csv", virtual.format(farm.logs / "Brook" / "own.csv"))
    out = farm.folder / "season.toml"
    given = ["match", farm.logs, "--boundaries", farm.boundaries, "--machine", farm.machine, "--out", out]
    code, said = call(*given, "--clients-from-folders", "--json", "-q")
    assert code == 0, said
    document = json.loads(said)
    assert {(job["client"], *job["logs"]) for job in document["jobs"]} == {("Ash", "logs/Ash/own.csv")}
    reasons = {item["file"]: item["reason"] for item in document["unplaced"]}
    assert reasons["logs/Ash/link.csv"] == "a link that leads out of its client's folder"
    for name in ("Ash/copy.csv", "Brook/other.csv"):
        assert reasons[f"logs/{name}"] == "the same bytes are in another client's folder: whose they are is not known"
    for name in ("Ash/again.csv", "Brook/own.csv"):
        assert reasons[f"logs/{name}"] == "the same rows are in another client's folder: whose they are is not known"
    assert "logs/Ash/named.csv" in reasons
