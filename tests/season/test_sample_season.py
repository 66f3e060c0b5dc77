"""The sample logs, shuffled: every one is placed rightly, and what has no place is told."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from swathledger.season.find.demo import shuffled_folder
from swathledger.season.find.match import match
from swathledger.words import say

from .conftest import tree


@pytest.fixture
def samples(repository) -> Path:
    return repository / "sample_logs"


def place(samples, tmp_path):
    laid = shuffled_folder(samples, tmp_path / "client")
    machines = [(samples / "machine_36m.toml", None), (samples / "machine_24m.toml", None)]
    return laid, match(laid.folder, samples / "boundaries.geojson", machines, tmp_path / "season.toml")


def test_every_sample_is_placed_rightly(samples, tmp_path):
    laid, matched = place(samples, tmp_path)
    placed = {}
    for job in matched.jobs:
        (log,) = job.logs
        placed[log.file.removeprefix("client/")] = job.field
        assert log.spans is None
    # A sample log has the name of its field.
    assert placed == {file: Path(sample).stem for file, sample in laid.logs.items()}
    assert len(placed) == 6
    assert matched.missing == ()
    nozzles = {}
    for job in matched.jobs:
        machine = tomllib.loads((tmp_path / job.machine).read_text())
        nozzles[job.field] = machine["boom"]["nozzle_count"]
    assert nozzles == {"long_mile": 72, "kite_tail": 72, "whaleback": 72, "duckhole": 72, "dogleg": 48, "cartwheel": 48}


def test_what_has_no_place_is_told(samples, tmp_path):
    laid, matched = place(samples, tmp_path)
    reasons = {item.file.removeprefix("client/"): say(item.reason) for item in matched.unplaced}
    assert set(reasons) == set(laid.nowhere)
    assert reasons[laid.copy].startswith("the same bytes as client/")
    assert reasons[laid.cut_short].startswith("all its rows are also in client/")
    assert reasons[laid.cut_short].endswith("it was cut short")
    assert "lies in no field" in reasons[laid.road]
    assert reasons[laid.no_log].startswith("no log:")


def test_the_same_samples_are_laid_out_the_same(samples, tmp_path):
    shuffled_folder(samples, tmp_path / "a")
    shuffled_folder(samples, tmp_path / "b")
    assert tree(tmp_path / "a") == tree(tmp_path / "b")
    shutil.rmtree(tmp_path / "a")


@pytest.mark.slow
def test_the_season_of_the_demo(samples, tmp_path):
    from swathledger_cli import demo
    from swathledger_cli.progress import reporting

    with reporting("demo", quiet=True) as reporter:
        lines = demo.season_of_samples(samples, tmp_path / "season", reporter)
    assert "6 logs make 6 jobs, 6 done" in lines[0]
    assert len(lines) == 1 + 4
    results = tmp_path / "season" / "results"
    assert {path.name for path in (results / "Wandoo-Bend").iterdir() if path.is_dir()} == {
        f"{field}-2026-09-15-{product}"
        for field, product in (
            ("long_mile", "herbicide-A"),
            ("kite_tail", "herbicide-A"),
            ("whaleback", "herbicide-A"),
            ("duckhole", "herbicide-A"),
            ("dogleg", "fungicide-B"),
            ("cartwheel", "fungicide-B"),
        )
    }
    assert (results / "season.json").is_file()
