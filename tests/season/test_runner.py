"""Running a season: same bytes however it was run, and nothing lost when something goes wrong."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from swathledger.errors import InputError, OutputError
from swathledger.files import DiskFullError, is_full, write_whole
from swathledger.season import season as runner
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.run.lock import locked
from swathledger.season.run.plan import BYTES_PER_LOG_BYTE, WORKER_BYTES, Estimator, Need
from swathledger.season.run.pool import InlinePool, LocalPool
from swathledger.season.run.schedule import DIED_TWICE, Item, run_items
from swathledger.season.run.task import Outcome, task_of
from swathledger.season.season import run_season, seats_for

from .conftest import lanes, log_text, tree

COMMAND = [sys.executable, "-m", "swathledger_cli.main"]


def season(manifest, out, **options):
    """A run in this process unless told otherwise."""
    if not options.keys() & {"workers", "dask"}:
        options["pool"] = InlinePool()
    return run_season(read_manifest(manifest), out, **options)


def start(manifest, out, *more):
    return subprocess.Popen(
        [*COMMAND, "season", str(manifest), "--out", str(out), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def run(manifest, out, *more):
    process = start(manifest, out, *more)
    stdout, stderr = process.communicate(timeout=300)
    return process.returncode, stdout, stderr


# --- same bytes -------------------------------------------------------------------------------------------------------
def test_the_layout_of_the_results(reference):
    _, _, files = reference
    tops = {name for name in files if "/" not in name}
    assert tops == {
        "fields.parquet",
        "fields.csv",
        "replay.parquet",
        "season.gpkg",
        "season.json",
        "season.html",
        "written.json",
    }
    for number in range(1, 4):
        assert f"all/plot-{number}-2026-08-06-herbicide-A/ledger.json" in files
        assert f"all/plot-{number}-2026-08-06-herbicide-A/job.json" in files
        assert f"all/plot-{number}-2026-08-06-herbicide-A/written.json" in files


@pytest.mark.slow
def test_one_worker_process_gives_the_bytes_of_none(reference):
    farm, manifest, expected = reference
    season(manifest, farm.folder / "one", workers=1)
    assert tree(farm.folder / "one") == expected


def test_two_workers_give_the_bytes_of_one(reference):
    farm, manifest, expected = reference
    season(manifest, farm.folder / "two", workers=2)
    assert tree(farm.folder / "two") == expected


def test_another_place_gives_the_same_bytes(reference, tmp_path):
    farm, manifest, expected = reference
    moved = tmp_path / "elsewhere, with a space and a !" / "é"
    moved.parent.mkdir()
    shutil.copytree(farm.folder, moved)
    season(moved / manifest.name, moved / "out")
    assert tree(moved / "out") == expected


@pytest.mark.slow
def test_dask_gives_the_bytes_of_one_worker(reference):
    """A real scheduler and two worker processes on the loopback."""
    distributed = pytest.importorskip("distributed")
    farm, manifest, expected = reference
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        done = season(manifest, farm.folder / "dask", dask=cluster.scheduler_address)
    assert len(done.ran) == 3
    assert tree(farm.folder / "dask") == expected


def test_no_dask_scheduler_there(make_season, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("swathledger.season.run.pool.ANSWER_S", 0.3)
    farm, manifest = make_season(1)
    with pytest.raises(InputError, match="no Dask scheduler answers at tcp://127.0.0.1:9"):
        season(manifest, farm.folder / "out", dask="tcp://127.0.0.1:9")


# --- resume -----------------------------------------------------------------------------------------------------------
def test_a_second_run_does_nothing_again(reference):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    times = {path: path.stat().st_mtime_ns for path in out.rglob("ledger.json")}
    again = season(manifest, out)
    assert len(again.resumed) == 3
    assert again.ran == ()
    assert {path: path.stat().st_mtime_ns for path in out.rglob("ledger.json")} == times
    assert tree(out) == expected


@pytest.mark.parametrize("change", ["log", "settings", "machine", "boundary", "ledger", "version"])
def test_what_has_changed_is_run_again_and_no_more(reference, change, monkeypatch):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    rerun = 3
    if change == "log":
        farm.log("02.csv", log_text(lanes(2)[:-1], start=1_786_000_000 + 7200))
        rerun = 1
    elif change == "settings":
        manifest.write_text(manifest.read_text().replace('groups = ["boom", "nozzle"]', 'groups = ["boom"]'))
    elif change == "machine":
        farm.machine.write_text(farm.machine.read_text() + "# a remark\n")
    elif change == "boundary":
        farm.boundaries.write_text(farm.boundaries.read_text() + "\n")
    elif change == "ledger":
        path = next(out.rglob("ledger.json"))
        path.write_text(path.read_text().replace("plot", "plat"))
        rerun = 1
    else:
        monkeypatch.setattr("swathledger.season.run.task.__version__", "999")
    again = season(manifest, out)
    assert (len(again.ran), len(again.resumed)) == (rerun, 3 - rerun)
    if change in {"ledger", "version"}:
        differ = {name for name, digest in tree(out).items() if expected[name] != digest}
        assert all(name.endswith(("job.json", "written.json")) for name in differ)
        assert bool(differ) == (change == "version")
    else:
        assert tree(out) != expected


def test_no_resume_runs_all_again(reference):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    assert len(season(manifest, out, resume=False).ran) == 3
    assert tree(out) == expected


def test_a_job_that_left_the_manifest_leaves_the_folder(reference):
    farm, manifest, _ = reference
    out = farm.folder / "reference"
    text = manifest.read_text()
    manifest.write_text(text.replace('id = "plot-1-2026-08-06-herbicide-A"', 'id = "renamed"'))
    (out / "all" / "notes by hand").mkdir()
    again = season(manifest, out)
    assert again.removed == ("all/plot-1-2026-08-06-herbicide-A",)
    assert sorted(path.name for path in (out / "all").iterdir()) == [
        "notes by hand",
        "plot-2-2026-08-06-herbicide-A",
        "plot-3-2026-08-06-herbicide-A",
        "renamed",
    ]


def test_the_results_of_another_season_are_not_touched(reference):
    farm, manifest, expected = reference
    text = manifest.read_text()
    for number in (1, 2, 3):
        text = text.replace(f'id = "plot-{number}-', f'id = "other-{number}-')
    manifest.write_text(text)
    with pytest.raises(OutputError, match="holds the results of another season"):
        season(manifest, farm.folder / "reference")
    assert tree(farm.folder / "reference") == expected


# --- one bad field ----------------------------------------------------------------------------------------------------
def test_one_bad_field_never_stops_the_rest(reference):
    farm, manifest, expected = reference
    out = farm.folder / "bad"
    text = manifest.read_text()
    text = text.replace('field = "plot 2"', 'field = "plat 2"').replace('"logs/02.csv"', '"logs/none.csv"')
    manifest.write_text(text)
    code, stdout, stderr = run(manifest, out, "--jobs", "1", "--json")
    assert code == 3
    document = json.loads(stdout)
    assert document["jobs"] == {"all": 3, "done": 1, "failed": 2}
    said = {item["job"]: item["reason"] for item in document["unfit"]}
    assert "there is no field 'plat 2' in it" in said["plot-2-2026-08-06-herbicide-A"]
    assert "none.csv: cannot be read" in said["plot-3-2026-08-06-herbicide-A"]
    assert "Failed, 2 of 3:" in stderr
    assert "Traceback" not in stderr
    done = {name: digest for name, digest in tree(out).items() if name.startswith("all/")}
    assert done == {name: digest for name, digest in expected.items() if name.startswith("all/plot-1")}


def read_season(out):
    import csv

    document = json.loads((out / "season.json").read_text())
    with (out / "fields.csv").open(newline="") as stream:
        rows = {row["job"]: row for row in csv.DictReader(stream)}
    return document, rows


@pytest.mark.parametrize("how", ["log", "boundary", "machine", "not a log any more"])
def test_the_last_good_results_stay_when_an_input_cannot_be_read(reference, how):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    job = "plot-2-2026-08-06-herbicide-A"
    path = {"boundary": farm.boundaries, "machine": farm.machine}.get(how, farm.logs / "01.csv")
    away = path.with_suffix(".away")
    path.rename(away)
    if how == "not a log any more":
        path.write_text("time,latitude,longitude\n")
    again = season(manifest, out)
    one = path.parent == farm.logs
    assert list(again.failed) == ([job] if one else list(again.failed))
    assert len(again.failed) == (1 if one else 3)
    kept = {name: digest for name, digest in tree(out).items() if name.startswith("all/")}
    assert kept == {name: digest for name, digest in expected.items() if name.startswith("all/")}
    document, rows = read_season(out)
    assert document["jobs"] == {"all": 3, "done": 2 if one else 0, "failed": 1 if one else 3}
    assert [item["job"] for item in document["older"]] == list(again.failed)
    assert rows[job]["status"] == "older"
    assert rows[job]["reason"] == again.failed[job]
    assert float(rows[job]["target_m2"]) == pytest.approx(3600.0, rel=1e-3)  # 60 m by 60 m
    # Figures older than their inputs are in no total.
    assert document["totals"]["jobs"] == (2 if one else 0)
    if one:
        assert document["totals"]["target_m2"] == pytest.approx(7200.0, rel=1e-3)
        assert all(layout["jobs"] == 2 for layout in document["replay"])
    assert "older than its inputs" in (out / "season.html").read_text()
    away.replace(path)
    season(manifest, out)
    assert tree(out) == expected


def test_a_job_without_results_that_fails_is_not_older(reference):
    farm, manifest, _ = reference
    (farm.logs / "01.csv").unlink()
    season(manifest, farm.folder / "new")
    document, rows = read_season(farm.folder / "new")
    assert document["older"] == []
    assert rows["plot-2-2026-08-06-herbicide-A"]["status"] == "failed"
    assert rows["plot-2-2026-08-06-herbicide-A"]["target_m2"] == ""


# --- what is there is looked at ---------------------------------------------------------------------------------------
FILES_OF_A_JOB = ["ledger.json", "ledger.csv", "ledger.gpkg", "cover.tif", "report.html", "job.json", "written.json"]


@pytest.mark.parametrize("how", ["cut", "emptied", "deleted"])
@pytest.mark.parametrize("name", FILES_OF_A_JOB)
def test_a_file_of_a_finished_job_that_is_not_whole_is_made_again(reference, name, how):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    path = out / "all" / "plot-2-2026-08-06-herbicide-A" / name
    data = path.read_bytes()
    if how == "deleted":
        path.unlink()
    else:
        path.write_bytes(data[: len(data) // 2] if how == "cut" else b"")
    again = season(manifest, out)
    assert [outcome.id for outcome in again.ran] == ["plot-2-2026-08-06-herbicide-A"]
    assert tree(out) == expected


@pytest.mark.parametrize("name", ["fields.csv", "fields.parquet", "season.gpkg", "season.json", "season.html"])
def test_a_table_that_is_cut_is_made_again(reference, name):
    farm, manifest, expected = reference
    path = farm.folder / "reference" / name
    path.write_bytes(path.read_bytes()[:100])
    season(manifest, farm.folder / "reference")
    assert tree(farm.folder / "reference") == expected


def test_bytes_are_compared_when_asked_for(reference):
    farm, manifest, expected = reference
    out = farm.folder / "reference"
    path = out / "all" / "plot-2-2026-08-06-herbicide-A" / "cover.tif"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert len(season(manifest, out).resumed) == 3
    again = season(manifest, out, verify=True)
    assert [outcome.id for outcome in again.ran] == ["plot-2-2026-08-06-herbicide-A"]
    changed = path.with_name("cover-changed.tif")
    assert changed.read_bytes() == bytes(data)  # one flipped bit, or somebody's work: that cannot be told
    changed.unlink()
    assert tree(out) == expected


def test_a_log_that_changed_since_it_was_matched_is_told(reference):
    farm, manifest, _ = reference
    out = farm.folder / "new"
    said = []
    season(manifest, out, say=said.append)
    assert not any("has changed" in line for line in said)
    farm.log("01.csv", log_text(lanes(1), start=1_786_000_000 + 3600, rate=90.0))
    season(manifest, out, say=said.append)
    assert "logs/01.csv: has changed since it was matched; check its job, or match again." in said
    document, _ = read_season(out)
    assert {item["job"]: item["reasons"] for item in document["doubtful"]} == {
        "plot-2-2026-08-06-herbicide-A": ["Changed since it was matched: 01.csv."]
    }


def test_a_zero_byte_in_a_path_fails_that_job_alone(reference):
    farm, manifest, _ = reference
    text = (
        manifest.read_text()
        .replace('"logs/01.csv",', '"logs/01.csv\\u0000",')
        .replace('logs = ["logs/01.csv"]', 'logs = ["logs/01\\u0000.csv"]')
    )
    assert "u0000" in text
    manifest.write_text(text)
    again = season(manifest, farm.folder / "new")
    assert list(again.failed) == ["plot-2-2026-08-06-herbicide-A"]
    assert "cannot be read" in again.failed["plot-2-2026-08-06-herbicide-A"]
    assert "\0" not in again.failed["plot-2-2026-08-06-herbicide-A"]
    assert len(again.ran) == 2


@pytest.mark.parametrize("name", ["season.json", "Season.JSON", "fields.csv", "written.json", "season.html"])
def test_no_job_blocks_a_table(make_season, name):
    farm, manifest = make_season(1)
    manifest.write_text(manifest.read_text().replace("plot-1-2026-08-06-herbicide-A", name))
    with pytest.raises(InputError, match="is the name of a table"):
        season(manifest, farm.folder / "out")


def test_no_jobs(make_season):
    farm, manifest = make_season(1, with_logs=False)
    with pytest.raises(InputError, match="the manifest has no jobs"):
        season(manifest, farm.folder / "out")


# --- killed -----------------------------------------------------------------------------------------------------------
def family(process):
    return psutil.Process(process.pid).children(recursive=True)


def wait_until_gone(processes, seconds=20.0):
    _, alive = psutil.wait_procs(processes, timeout=seconds)
    return [process for process in alive if process.is_running() and process.status() != psutil.STATUS_ZOMBIE]


def killed_runs(manifest, out, moments):
    """Start runs into one folder and kill each after some seconds; how many were killed at work."""
    killed = 0
    for moment in moments:
        process = start(manifest, out, "--jobs", "2", "--quiet")
        try:
            process.wait(moment)
        except subprocess.TimeoutExpired:
            workers = family(process)
            process.send_signal(signal.SIGKILL)
            killed += 1
            assert wait_until_gone(workers) == [], "a worker outlived its parent"
        process.communicate()
    return killed


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_killed_once_and_run_again(reference):
    farm, manifest, expected = reference
    out = farm.folder / "killed"
    assert killed_runs(manifest, out, [2.6]) == 1
    code, _, _ = run(manifest, out, "--jobs", "2")
    assert code == 0
    assert tree(out) == expected


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_killed_at_ten_random_moments(reference):
    farm, manifest, expected = reference
    moments = random.Random(4)  # noqa: S311  # the same moments in every run
    killed = 0
    for attempt in range(10):
        out = farm.folder / f"killed {attempt % 3}"
        killed += killed_runs(manifest, out, [moments.uniform(0.2, 5.0)])
        if attempt % 3 == 2 or attempt == 9:
            code, _, stderr = run(manifest, out, "--jobs", "2")
            assert code == 0, stderr
            assert tree(out) == expected
            shutil.rmtree(out)
    assert killed >= 5


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_worker_killed_in_the_middle_of_a_field(reference):
    farm, manifest, expected = reference
    out = farm.folder / "worker"
    process = start(manifest, out, "--jobs", "2")
    deadline = time.monotonic() + 60
    struck = False
    while not struck and time.monotonic() < deadline and process.poll() is None:
        # A field is being worked on where its folder is being filled.
        if any((out / "all").glob(".plot-*.part")):
            for worker in family(process):
                if "spawn_main" in " ".join(worker.cmdline()):
                    worker.kill()
                    struck = True
                    break
        time.sleep(0.005)
    _, stderr = process.communicate(timeout=120)
    assert struck
    assert process.returncode == 0, stderr
    assert tree(out) == expected


def item(name, code, cells=1.0, need=1):
    return Item(name, code, code, Need(need, cells, 1.0))


OUTCOME = "__import__('swathledger.season.run.task', fromlist=['Outcome']).Outcome('{}', '{}')"


def test_a_task_that_kills_its_worker_is_tried_once_more_alone_and_fails_alone(tmp_path):
    """Tasks are expressions here; two die, one of them only at its first try."""
    mark = tmp_path / "mark"
    once = f"__import__('os')._exit(9) if not __import__('os').path.exists({str(mark)!r}) and not open({str(mark)!r}, 'w').close() else {OUTCOME.format('once', 'done')}"  # noqa: E501  # one expression
    items = [
        item("good 1", OUTCOME.format("good 1", "done")),
        item("always", "__import__('os')._exit(9)"),
        item("once", once),
        item("good 2", OUTCOME.format("good 2", "done")),
        item("raises", "1 / 0"),
    ]
    pool = LocalPool(2)
    steps = []
    try:
        out = run_items(items, pool, eval, 100, told=steps.append)
    finally:
        pool.close()
    assert {name: outcome.kind for name, outcome in out.items()} == {
        "good 1": "done",
        "good 2": "done",
        "once": "done",
        "always": "failed",
        "raises": "failed",
    }
    assert out["always"].reason == DIED_TWICE
    assert "ZeroDivisionError" in out["raises"].reason
    assert len(steps) == 5
    assert steps[-1].done == steps[-1].total == 5
    assert steps[-1].left_s == 0.0


class FakePool:
    """Runs tasks in a thread each; notes what ran together."""

    def __init__(self, seats):
        from concurrent.futures import ThreadPoolExecutor

        self.seats = seats
        self.together = []
        self.now = set()
        self._threads = ThreadPoolExecutor(seats)

    def submit(self, seat, work, task):
        self.now.add(task)
        self.together.append(frozenset(self.now))

        def call():
            time.sleep(0.02)
            return work(task)

        return self._threads.submit(call)

    def done(self, seat, *, broken):
        assert not broken

    def close(self, *, kill=False):
        self._threads.shutdown()


def test_memory_bounds_what_runs_together_and_too_large_a_field_runs_alone():
    needs = {"a": 60, "b": 50, "c": 30, "d": 20, "huge": 500}
    pool = FakePool(4)

    def work(name):
        pool.now.discard(name)
        return Outcome(name, "done")

    out = run_items([item(name, name, cells=need, need=need) for name, need in needs.items()], pool, work, 100)
    pool.close()
    assert set(out) == set(needs)
    for names in pool.together:
        assert sum(needs[name] for name in names) <= 100 or names == {"huge"}


def test_after_a_full_disk_nothing_more_is_started():
    pool = FakePool(1)
    ran = []

    def work(name):
        pool.now.discard(name)
        ran.append(name)
        return Outcome(name, "disk_full" if name == "b" else "done")

    run_items([item(name, name, cells=9 - number) for number, name in enumerate("abcd")], pool, work, 100)
    pool.close()
    assert ran == ["a", "b"]


def test_workers_are_replaced_after_some_tasks():
    pool = LocalPool(1, tasks_per_worker=2)
    try:
        processes = []
        for _ in range(5):
            processes.append(pool.submit(0, eval, "__import__('os').getpid()").result())
            pool.done(0, broken=False)
    finally:
        pool.close()
    assert processes[0] == processes[1] != processes[2] == processes[3] != processes[4]
    assert wait_until_gone([psutil.Process(pid) for pid in set(processes) if psutil.pid_exists(pid)]) == []


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_worker_that_died_with_nothing_to_do_is_replaced():
    pool = LocalPool(1)
    try:
        first = pool.submit(0, eval, "__import__('os').getpid()").result()
        pool.done(0, broken=False)
        os.kill(first, signal.SIGKILL)
        assert wait_until_gone([psutil.Process(first)]) == []
        deadline = time.monotonic() + 20  # the pool hears of it a moment later
        while not pool._executors[0]._broken and time.monotonic() < deadline:
            time.sleep(0.01)
        assert pool.submit(0, eval, "__import__('os').getpid()").result() != first
    finally:
        pool.close()


def test_seats_are_as_many_as_jobs_and_memory_allow():
    items = [item(str(number), None, need=100) for number in range(6)]
    assert seats_for(items, 8, 10_000) == 6
    assert seats_for(items, 4, 10_000) == 4
    assert seats_for(items, 4, 250) == 2
    assert seats_for(items, 4, 10) == 1
    with pytest.raises(InputError, match="must be at least 1"):
        seats_for(items, 0, 10_000)


def test_what_a_field_will_need_is_known_before(make_season):
    farm, manifest = make_season(1)
    read = read_manifest(manifest)
    need = Estimator().need(task_of(read.jobs[0], read, farm.folder / "out"))
    # 60 m and 60 m of margin on each side, cells of 0.5 m, two layouts beside the log and the model: 4 x (180 / 0.5)^2.
    assert need.cells == pytest.approx(4 * 360**2, rel=0.01)
    assert need.hectares == pytest.approx(0.36, rel=0.01)


@pytest.mark.parametrize(
    ("cell_m", "bytes_of_cells"),
    [
        (0.5, 360**2),
        # 180 m in cells of 1 cm: a byte for each of 324 million
        (0.01, 324e6),
    ],
)
def test_memory_of_a_field_is_a_byte_a_cell(make_season, cell_m, bytes_of_cells):
    farm, manifest = make_season(1)
    read = read_manifest(manifest, overrides={"cell_m": cell_m})
    task = task_of(read.jobs[0], read, farm.folder / "out")
    held = Estimator().need(task).bytes - WORKER_BYTES - BYTES_PER_LOG_BYTE * Path(task.logs[0]).stat().st_size
    assert held == pytest.approx(bytes_of_cells, rel=0.01)


# --- where results cannot go ------------------------------------------------------------------------------------------
def test_two_runs_into_one_folder(reference):
    farm, manifest, _ = reference
    out = farm.folder / "held"
    with locked(out):
        code, _, stderr = run(manifest, out)
    assert code == 2
    assert f"another run is at work there (process {os.getpid()} on" in stderr
    assert tree(out) == {}


def test_the_lock_of_a_process_that_is_gone_is_taken_over(tmp_path):
    tmp_path.joinpath(".lock").write_text("process 1 on x")
    with locked(tmp_path):
        assert tmp_path.joinpath(".lock").read_text().startswith(f"process {os.getpid()} on ")
    assert not tmp_path.joinpath(".lock").exists()


def test_a_file_in_place_of_the_folder(make_season):
    farm, manifest = make_season(1)
    (farm.folder / "out").write_text("")
    code, _, stderr = run(manifest, farm.folder / "out" / "deeper")
    assert code == 2
    assert "cannot be written (Not a directory)" in stderr
    code, _, stderr = run(manifest, farm.folder / "out")
    assert code == 2
    assert "is a file" in stderr


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_only_be_read(make_season):
    farm, manifest = make_season(1)
    (farm.folder / "out").mkdir(mode=0o500)
    code, _, stderr = run(manifest, farm.folder / "out")
    assert code == 2
    assert "cannot be written (Permission denied)" in stderr


@pytest.mark.skipif(sys.platform != "linux", reason="limits and mounts of Linux")
def test_a_limit_on_the_size_of_files_stands_in_for_a_full_disk(tmp_path):
    script = (
        "import resource, sys; from pathlib import Path\n"
        "from swathledger.files import write_whole, DiskFullError\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "path = Path(sys.argv[1]); write_whole(path, b'x' * 900)\n"
        "try:\n    write_whole(path, b'y' * 2000)\n"
        "except DiskFullError as error:\n    print(error)\n"
    )
    path = tmp_path / "a.bin"
    done = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True)
    assert "cannot be written (File too large). Make room and run the same command again." in done.stdout
    assert path.read_bytes() == b"x" * 900  # the old one stays whole
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.bin"]


def test_a_full_disk_is_known_behind_other_errors(tmp_path):
    import errno

    hidden = OutputError("cannot be written")
    hidden.__cause__ = OSError(errno.ENOSPC, "No space left on device")
    assert is_full(hidden, tmp_path)
    assert not is_full(OutputError("cannot be written"), tmp_path / "not there")


@pytest.fixture
def small_disk(tmp_path):
    """A disk of a few hundred kB; only root can make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a small disk")
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_ends_the_season_in_plain_words_and_it_goes_on_from_there(reference, small_disk):
    farm, manifest, expected = reference
    sizes = sum(path.stat().st_size for path in (farm.folder / "reference").rglob("*") if path.is_file())
    filler = small_disk / "filler"
    filler.write_bytes(bytes(max(0, (4 << 20) - sizes // 2 - (1 << 19))))
    out = small_disk / "out"
    code, _, stderr = run(manifest, out, "--jobs", "1")
    assert code == 2
    assert "the disk is full" in stderr
    assert "Make room and run the same command again." in stderr
    assert "Traceback" not in stderr
    kept = {name: digest for name, digest in tree(out).items() if name.endswith("job.json")}
    assert kept.items() <= expected.items()
    filler.unlink()
    code, _, stderr = run(manifest, out, "--jobs", "1")
    assert code == 0, stderr
    assert f"({len(kept)} of them before)" in stderr
    assert tree(out) == expected


def test_what_an_interrupted_run_left_is_swept_away_and_nothing_else(tmp_path):
    """What is ours is known by what is in it, not by its name."""
    from swathledger.report.part import part_of

    out = tmp_path / "out"
    client = out / "all"
    client.mkdir(parents=True)
    kept = [client / ".plot-1-abcdefgh.part" / "x", client / ".photos-20250131.old" / "x", client / "mine.part"]
    for path in kept:
        path.parent.mkdir(exist_ok=True)
        path.write_text("")
    copies = []
    for target in (out, client / "plot-1"):
        with part_of(target) as held:
            copies.append(shutil.copytree(held, held.with_name(f".{target.name}-ab12_cd3.part")))  # what a kill leaves
    with part_of(client / "plot-2") as living:  # another run is at work there
        runner._sweep(out)
        assert living.is_dir()
    assert not any(path.exists() for path in copies)
    assert sorted(path for path in out.rglob("*") if path.is_file()) == sorted(kept)


def test_a_file_is_written_whole_or_not_at_all(tmp_path):
    write_whole(tmp_path / "a", b"1")
    write_whole(tmp_path / "a", b"2")
    assert (tmp_path / "a").read_bytes() == b"2"
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole(tmp_path / "file" / "a", b"")
    assert not issubclass(OutputError, DiskFullError)
    assert Path(tmp_path / "a").exists()
