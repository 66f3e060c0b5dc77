"""A season of simulated fields of 60 ha: hectares a second, two workers against one, memory from first to last.

SEASON_FIELDS sets the number of fields (default 12; 500 for the figures of a whole season), SEASON_CELL_M the cell,
SEASON_DASK_FIELDS those that a Dask cluster does again (default 4; 50 for the figures).
Fields are copies of one drive at different places, so that making them costs little.
"""

from __future__ import annotations

import hashlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import pytest

from swathledger.season.find.match import match, write_manifest
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.season import run_season

FIELDS = int(os.environ.get("SEASON_FIELDS", "12"))
DASK_FIELDS = int(os.environ.get("SEASON_DASK_FIELDS", "4"))
CELL_M = float(os.environ.get("SEASON_CELL_M", "0.25"))
GROUPS = os.environ.get("SEASON_GROUPS", "boom,nozzle").split(",")
WIDTH_M, LONG_M, WIDE_M, SPEED_M_S = 36.0, 1000.0, 600.0, 5.0
M_PER_DEG_LAT, M_PER_DEG_LON = 110_922.0, 93_453.0  # at 33 degrees south on WGS84
MACHINE = """\
name = "thirty-six metres"
[boom]
nozzle_count = 72
nozzle_spacing_m = 0.5
sections = [9, 9, 9, 9, 9, 9, 9, 9]
[rate]
set_rate_l_ha = 100.0
"""


def place(x, y):
    return -33.0 + y / M_PER_DEG_LAT, 123.0 + x / M_PER_DEG_LON


def write_farm(folder: Path, fields: int) -> None:
    """Fields of 1000 m by 600 m in a row, passes 35.5 m apart with turns between them, one row a second."""
    (folder / "logs").mkdir(parents=True)
    (folder / "machine.toml").write_text(MACHINE)
    xs, ys = [], []
    for number in range(17):
        x = 18.0 + 35.5 * number
        y = np.arange(-20.0, LONG_M + 20.0, SPEED_M_S)
        ys.append(y if number % 2 == 0 else y[::-1])
        xs.append(np.full(y.shape, x))
        turn = np.linspace(0, np.pi, 14)[1:-1]
        end, way = (LONG_M + 20.0, 1.0) if number % 2 == 0 else (-20.0, -1.0)
        ys.append(end + way * 17.75 * np.sin(turn))
        xs.append(x + 17.75 * (1 - np.cos(turn)))
    x, y = np.concatenate(xs), np.concatenate(ys)
    on = ((y >= 0) & (y < LONG_M)).astype(int)
    features = []
    sections = ",".join(f"section_{k + 1}" for k in range(8))
    for number in range(fields):
        west = 1500.0 * number
        latitude, longitude = place(x + west, y)
        start = 1_786_000_000 + 6000 * number
        rows = [f"time,latitude,longitude,{sections},rate_l_ha"]
        rows += [
            f"{start + second},{a:.8f},{b:.8f}," + ",".join([str(state)] * 8) + ",100"
            for second, (a, b, state) in enumerate(zip(latitude, longitude, on, strict=True))
        ]
        (folder / "logs" / f"{number:04d}.csv").write_text("\n".join(rows) + "\n")
        corners = [(west, 0), (west + WIDE_M, 0), (west + WIDE_M, LONG_M), (west, LONG_M), (west, 0)]
        ring = ",".join("[{1:.8f},{0:.8f}]".format(*place(*corner)) for corner in corners)
        features.append(
            f'{{"type":"Feature","properties":{{"field_id":"f{number:04d}"}},'
            f'"geometry":{{"type":"Polygon","coordinates":[[{ring}]]}}}}'
        )
    (folder / "fields.geojson").write_text(f'{{"type":"FeatureCollection","features":[{",".join(features)}]}}')


@dataclass
class Timed:
    seconds: float
    cpu_s: float
    hectares: float
    peaks_mb: list[float]


def workers_cpu_s() -> float:
    """Processor time of all child processes that have ended."""
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def run(folder: Path, workers: int) -> Timed:
    before = workers_cpu_s()
    peaks: list[float] = []
    hectares = 0.0
    started = [time.perf_counter()]

    def told(step):
        nonlocal hectares
        hectares = step.hectares
        peaks.append(step.outcome.peak_bytes / 1e6)

    def say(line):
        if "workers" in line:
            started[0] = time.perf_counter()

    manifest = read_manifest(folder / "season.toml", overrides={"cell_m": CELL_M, "groups": GROUPS})
    season = run_season(manifest, folder / f"out {workers}", workers=workers, told=told, say=say)
    assert not season.failed
    return Timed(time.perf_counter() - started[0], workers_cpu_s() - before, hectares, peaks)


def matched_farm(folder: Path, fields: int) -> Path:
    write_farm(folder, fields)
    started = time.perf_counter()
    matched = match(
        folder / "logs", folder / "fields.geojson", [(folder / "machine.toml", None)], folder / "season.toml"
    )
    print(f"\nmatch: {fields} logs in {time.perf_counter() - started:.2f} s")  # noqa: T201  # the figures are the result
    assert len(matched.jobs) == fields
    write_manifest(matched, folder / "season.toml")
    run_season(  # kernels compiled, files in the cache of the disk
        read_manifest(folder / "season.toml", overrides={"cell_m": 2.0, "groups": GROUPS}), folder / "warm", workers=1
    )
    return folder


@pytest.fixture(scope="module")
def farm(tmp_path_factory) -> Path:
    return matched_farm(tmp_path_factory.mktemp("bench"), FIELDS)


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_two_workers_against_one(farm):
    one, two = run(farm, 1), run(farm, 2)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    busy = psutil.getloadavg()[0]
    print(  # noqa: T201  # the figures are the result
        f"\n{FIELDS} fields of {one.hectares / FIELDS:.0f} ha at {CELL_M} m, layouts {','.join(GROUPS)}; "
        f"{cores} cores, load {busy:.1f}\none worker {one.seconds:.1f} s, {one.hectares / one.seconds:.1f} ha/s; "
        f"two workers {two.seconds:.1f} s, {two.hectares / two.seconds:.1f} ha/s: {one.seconds / two.seconds:.2f} x\n"
        f"processor time {one.cpu_s:.1f} s with one, {two.cpu_s:.1f} s with two: on free cores at most "
        f"{2 * one.cpu_s / two.cpu_s:.2f} x\n"
        f"most memory of a worker: {one.peaks_mb[0]:.0f} MB after the first field, {max(one.peaks_mb):.0f} MB at most, "
        f"{one.peaks_mb[-1]:.0f} MB at the last"
    )
    # The peak of a process only grows; a leak would show as growth with every field.
    assert max(one.peaks_mb) < 1.25 * one.peaks_mb[min(2, FIELDS - 1)]


def test_a_dask_cluster_of_two_workers_gives_the_same_bytes(tmp_path_factory):
    """A real scheduler and two worker processes on the loopback, against two workers of the local pool."""
    distributed = pytest.importorskip("distributed")
    folder = matched_farm(tmp_path_factory.mktemp("dask"), DASK_FIELDS)
    local = run(folder, 2)
    manifest = read_manifest(folder / "season.toml", overrides={"cell_m": CELL_M, "groups": GROUPS})
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        started = time.perf_counter()
        season = run_season(manifest, folder / "out dask", dask=cluster.scheduler_address)
        seconds = time.perf_counter() - started
    assert not season.failed
    assert len(season.ran) == DASK_FIELDS
    ours, theirs = digests(folder / "out 2"), digests(folder / "out dask")
    print(  # noqa: T201  # the figures are the result
        f"\n{DASK_FIELDS} fields, {len(theirs)} files: two local workers {local.seconds:.1f} s, "
        f"two Dask workers {seconds:.1f} s; files that differ: {sum(ours.get(name) != theirs[name] for name in theirs)}"
    )
    assert ours == theirs
