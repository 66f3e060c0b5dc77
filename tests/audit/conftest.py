"""A small job that is sound, to be spoilt one piece at a time."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from swathledger.field.field import LocalPlane
from swathledger.simulate.path import exact_degrees
from swathledger_cli.main import cli

PLANE = LocalPlane(-33.5, 148.0)
MACHINE = """name = "Twelve metres"
[boom]
nozzle_count = 24
nozzle_spacing_m = 0.5
sections = [8, 8, 8]
[rate]
set_rate_l_ha = 100
"""


def degrees(x: Sequence[float], y: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    return exact_degrees(PLANE, np.asarray(x, float), np.asarray(y, float))


@dataclass
class Job:
    """Three files in a folder and a way to run ``audit`` on them."""

    folder: Path

    @property
    def log(self) -> Path:
        return self.folder / "log.csv"

    @property
    def machine(self) -> Path:
        return self.folder / "machine.toml"

    @property
    def boundary(self) -> Path:
        return self.folder / "field.geojson"

    @property
    def out(self) -> Path:
        return self.folder / "out"

    def write_log(self, x, y, seconds, states=None, extra: dict[str, Sequence[object]] | None = None) -> Path:
        """A log of sections 1..3; ``states`` one number for all rows or one a row."""
        latitude, longitude = degrees(x, y)
        n = len(latitude)
        open_ = np.broadcast_to(1 if states is None else states, (n,))
        extra = extra or {}
        lines = [",".join(["time", "latitude", "longitude", "section_1", "section_2", "section_3", *extra])]
        for k in range(n):
            stamp = np.datetime64("2026-01-05T08:00:00.000") + np.timedelta64(round(1000 * float(seconds[k])), "ms")
            cells = [f"{stamp}Z", f"{latitude[k]:.9f}", f"{longitude[k]:.9f}", *[str(int(open_[k]))] * 3]
            lines.append(",".join([*cells, *(str(column[k]) for column in extra.values())]))
        self.log.write_text("\n".join(lines) + "\n")
        return self.log

    def write_boundary(self, corners, **more) -> Path:
        latitude, longitude = degrees(*zip(*corners, strict=True))
        ring = [[float(a), float(b)] for a, b in zip(longitude, latitude, strict=True)]
        feature = {
            "type": "Feature",
            "properties": {"field_id": "Home"},
            "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
        }
        self.boundary.write_text(json.dumps({"type": "FeatureCollection", "features": [feature], **more}))
        return self.boundary

    def sound(self) -> Job:
        """Two passes of 50 m, 11 m apart, on a field of 23 x 50 m: 1 m of overlap, nothing beyond."""
        self.machine.write_text(MACHINE)
        self.write_boundary([(-6, 0), (17, 0), (17, 50), (-6, 50)])
        y = np.concatenate((np.arange(0, 51, 2.0), np.arange(50, -1, -2.0)))
        x = np.repeat([0.0, 11.0], 26)
        t = np.concatenate((np.arange(26.0), 60.0 + np.arange(26.0)))
        states = np.ones(52)
        states[[25, 51]] = 0
        self.write_log(x, y, t, states)
        return self

    def run(self, *more: str, logs: Sequence[Path] | None = None, boundary: str | None = None) -> Result:
        arguments = ["audit", *(str(p) for p in (logs or [self.log]))]
        arguments += ["--boundary", boundary or str(self.boundary), "--machine", str(self.machine)]
        arguments += ["--out", str(self.out), "--quiet"]
        if "--groups" not in more:
            arguments += ["--groups", "boom"]
        if "--cell" not in more:
            arguments += ["--cell", "0.25"]
        return CliRunner().invoke(cli, [*arguments, *more])

    def ledger(self) -> dict:
        return json.loads((self.out / "ledger.json").read_text())


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return Job(tmp_path).sound()


@pytest.fixture
def refused(job: Job) -> Callable[..., str]:
    """Run, expect exit code 2 with one plain message and no trace of the attempt; returns the message."""

    def call(*more: str, **how) -> str:
        before = sorted(path.name for path in job.folder.iterdir())
        result = job.run(*more, **how)
        assert result.exit_code == 2, (result.output, result.exception)
        assert "Traceback" not in result.output
        assert isinstance(result.exception, SystemExit)
        assert sorted(path.name for path in job.folder.iterdir()) == before, "something half-written was left"
        return result.output

    return call


@pytest.fixture
def accepted(job: Job) -> Callable[..., dict]:
    """Run, expect exit code 0 (1: written, but unfit); returns the ledger, its identities checked."""

    def call(*more: str, code: int = 0, **how) -> dict:
        result = job.run(*more, **how)
        assert result.exit_code == code, (result.output, result.exception)
        document = job.ledger()
        assert (document["verdict"]["fit"] == "unfit") == (code == 1)
        area = document["area"]
        close = {"rel": 1e-9, "abs": 1e-6}
        assert area["applied_m2"] == pytest.approx(
            area["covered_m2"] + area["overlap_extra_m2"] + area["outside_m2"] + area["excluded_m2"], **close
        )
        assert area["target_m2"] == pytest.approx(
            area["covered_m2"] + area["skip_m2"] + area["not_recorded_m2"], **close
        )
        assert area["covered_m2"] == pytest.approx(area["single_m2"] + area["overlap_m2"], **close)
        # nothing but what the audit promises, and no leftovers beside it
        assert {"ledger.json", "ledger.csv", "cover.tif", "ledger.gpkg", "report.html"} <= {
            path.name for path in job.out.iterdir()
        }
        assert not [path for path in job.folder.iterdir() if path.name.startswith(".")]
        return document

    return call
