"""Where it is installed, and how it is started: each works, slower if need be, and says why."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from swathledger._jit import jit_enabled

COMMAND = [sys.executable, "-m", "swathledger_cli.main"]
LOG = "time,latitude,longitude,section_1,section_2,rate_l_ha\n" + "".join(
    f"{second},{second * 3e-5:.7f},0,1,{second % 2},100\n" for second in range(8)
)
MACHINE = 'name = "m"\n[boom]\nnozzle_count = 4\nnozzle_spacing_m = 0.5\nsections = [2, 2]\n'
compiled = pytest.mark.skipif(not jit_enabled(), reason="kernels are not compiled")


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "machine.toml").write_text(MACHINE)
    return tmp_path


def arguments(farm: Path, *more: str) -> list[str]:
    given = ["audit", str(farm / "log.csv"), "--boundary", "derive", "--machine", str(farm / "machine.toml")]
    return [*given, "--out", str(farm / "out"), "--cell", "0.25", "--groups", "boom", "--overwrite", *more]


def audit(farm: Path, *more: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments(farm, *more)],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )


# A few kernels are enough to see what a broken file does, and compile in seconds.
ASK = """
from swathledger.grid.mask import band_mask
from swathledger.grid.frame import Band
import numpy as np
print(band_mask(Band(0, 2, 0, 0, 2), 1.0, np.array([[0., 0., 2., 0.]]), np.empty((0, 4))).sum())
"""


def ask(**environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", ASK], env={**os.environ, **environment}, capture_output=True, text=True, check=False
    )


@compiled
@pytest.mark.parametrize(
    ("suffix", "data"),
    [
        (".nbi", b""),
        pytest.param(".nbi", b"cos\nsystem_that_is_not\n.", marks=pytest.mark.slow),
        pytest.param(".nbc", b"", marks=pytest.mark.slow),
        pytest.param(".nbc", bytes(range(256)), marks=pytest.mark.slow),
    ],
)
def test_a_broken_compile_cache_is_written_anew(tmp_path, suffix, data):
    cache = {"NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    first = ask(**cache)
    assert first.returncode == 0, first.stderr
    files = sorted((tmp_path / "cache").rglob(f"*{suffix}"))
    assert files
    for path in files:
        path.write_bytes(data)
    again = ask(**cache)
    assert (again.returncode, again.stdout) == (0, first.stdout), again.stderr
    assert again.stderr.count("Compiled kernels cannot be read on disk") == 1
    healed = ask(**cache)
    assert (healed.returncode, healed.stdout, healed.stderr) == (0, first.stdout, "")


@compiled
def test_no_place_for_compiled_kernels(tmp_path):
    """As in a package and a home that may only be read."""
    script = (
        "import swathledger._jit as jit; from numba.core import caching\n"
        "caching.CacheImpl._locator_classes = []\n" + ASK
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ask().stdout
    assert done.stderr.count("Compiled kernels cannot be kept on disk") == 1
    assert "NUMBA_CACHE_DIR" in done.stderr


@compiled
def test_a_place_for_compiled_kernels_that_is_full(tmp_path):
    script = (
        "import resource; from swathledger._jit import numba\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))\n"
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n" + ASK
    )
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    done = subprocess.run([sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "cannot be kept on disk" in done.stderr


@pytest.mark.skipif(shutil.which("sh") is None, reason="no shell")
@pytest.mark.parametrize(
    ("closed", "more"),
    [
        pytest.param(">&-", (), marks=pytest.mark.slow),
        pytest.param("2>&-", ("--json",), marks=pytest.mark.slow),
        pytest.param("<&-", (), marks=pytest.mark.slow),
        ("<&- >&- 2>&-", ("--json",)),
    ],
)
def test_a_stream_that_is_closed(farm, closed, more):
    """A file that is opened later must not take its number: what is printed would go into it."""
    expected = audit(farm, *more)
    assert expected.returncode == 0, expected.stderr
    files = {path.name: path.read_bytes() for path in (farm / "out").iterdir()}
    script = 'exec "$@" ' + closed
    done = subprocess.run(
        ["sh", "-c", script, "sh", *COMMAND, *arguments(farm, *more)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert {path.name: path.read_bytes() for path in (farm / "out").iterdir()} == files
    if ">&-" not in closed.replace("2>&-", ""):
        assert done.stdout == expected.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device")
def test_a_stdout_that_is_full_is_told_once(farm):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*COMMAND, *arguments(farm, "--json", "-q")], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 2
    assert done.stderr == "Error: No space left on device\n"


def test_where_no_worker_process_can_be_started_jobs_run_in_this_one(farm, monkeypatch):
    """Shared memory that may only be read: the system gives no semaphore."""
    from swathledger.season import season as runner
    from swathledger.season.manifest.manifest import manifest_from_mapping
    from swathledger.season.run import pool

    class Context:
        def Lock(self):
            raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(pool.multiprocessing, "get_context", lambda name: Context())
    raw = {
        "schema": "swathledger/manifest/1",
        "machine": "machine.toml",
        "settings": {"cell_m": 0.25, "groups": ["boom"]},
        "jobs": [{"id": name, "field": "f", "logs": ["log.csv"], "boundary": "derive"} for name in ("a", "b")],
    }
    said: list[str] = []
    season = runner.run_season(manifest_from_mapping(raw, folder=farm), farm / "season", say=said.append)
    assert not season.failed
    assert [outcome.kind for outcome in season.ran] == ["done", "done"]
    assert any("No worker process can be started here (PermissionError: [Errno 13]" in line for line in said)


@pytest.mark.skipif(sys.platform != "linux", reason="mounts of Linux")
def test_shared_memory_that_may_only_be_read(farm):
    """The same with the real thing, in a name space of its own."""
    probe = ["unshare", "-m", "sh", "-c"]
    if shutil.which("unshare") is None or subprocess.run([*probe, "true"], capture_output=True, check=False).returncode:
        pytest.skip("no name space of mounts may be made here")
    manifest = farm / "season.toml"
    manifest.write_text(
        'schema = "swathledger/manifest/1"\nmachine = "machine.toml"\n[settings]\ncell_m = 0.25\ngroups = ["boom"]\n'
        '[[jobs]]\nid = "a"\nfield = "f"\nlogs = ["log.csv"]\nboundary = "derive"\n'
    )
    script = 'mount -t tmpfs -o ro none /dev/shm && exec "$@"'
    done = subprocess.run(
        [*probe, script, "sh", *COMMAND, "season", str(manifest), "--out", str(farm / "season"), "--json"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if "mount:" in done.stderr:
        pytest.skip("mounting is not allowed here")
    assert done.returncode == 0, done.stderr
    assert "No worker process can be started here" in done.stderr
    assert json.loads(done.stdout)["jobs"] == {"all": 1, "done": 1, "failed": 0}
