"""A small invented farm: square fields in a row, each driven up and down by one boom of 6 m."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

LATITUDE, LONGITUDE = -33.0, 123.0
M_PER_DEG_LAT = 110_922.0  # of a degree at 33 degrees south on WGS84
M_PER_DEG_LON = 93_453.0
START = 1_786_000_000  # 2026-08-06, 06:26:40 UTC

MACHINE = """\
name = "six metres"
[boom]
nozzle_count = 12
nozzle_spacing_m = 0.5
sections = [6, 6]
[rate]
set_rate_l_ha = 100.0
[[products]]
name = "herbicide A"
rate = 2.0
unit = "L/ha"
price = 10.0
currency = "AUD"
"""


def degrees(x_m: float, y_m: float) -> tuple[float, float]:
    """Latitude and longitude of a place in metres east and north of the farm's corner."""
    return round(LATITUDE + y_m / M_PER_DEG_LAT, 8), round(LONGITUDE + x_m / M_PER_DEG_LON, 8)


def west_of(number: int) -> float:
    """West edge of a field: fields are 60 m wide and 40 m apart."""
    return 100.0 * number


def lanes(number: int, passes: int = 10) -> list[tuple[float, float, int]]:
    """Rows (x, y, open) of one field, one a second at 4 m/s: passes 6 m apart, shut on the headlands."""
    rows: list[tuple[float, float, int]] = []
    for index in range(passes):
        x = west_of(number) + 3.0 + 6.0 * index
        ys = [-6.0 + 4.0 * step for step in range(19)]
        rows += [(x, y, int(0.0 <= y < 60.0)) for y in (ys if index % 2 == 0 else ys[::-1])]
    return rows


def log_text(
    rows: Sequence[tuple[float, float, int]], *, start: int = START, product: str = "herbicide A", rate: float = 100.0
) -> str:
    """CSV of rows one second apart."""
    lines = ["time,latitude,longitude,section_1,section_2,rate_l_ha,product"]
    for second, (x, y, on) in enumerate(rows):
        latitude, longitude = degrees(x, y)
        lines.append(f"{start + second},{latitude:.8f},{longitude:.8f},{on},{on},{rate},{product}")
    return "\n".join(lines) + "\n"


def road(length_m: float = 2_000.0) -> list[tuple[float, float, int]]:
    """A drive south of all fields, shut."""
    return [(5.0 * step, -300.0, 0) for step in range(int(length_m / 5))]


def boundaries_text(count: int, names: Sequence[str] | None = None) -> str:
    """GeoJSON of the fields."""
    features = []
    for number in range(count):
        west = west_of(number)
        corners = [(west, 0.0), (west + 60.0, 0.0), (west + 60.0, 60.0), (west, 60.0), (west, 0.0)]
        ring = [list(degrees(x, y))[::-1] for x, y in corners]
        name = names[number] if names is not None else f"plot {number + 1}"
        features.append(
            {
                "type": "Feature",
                "properties": {"field_id": name, "role": "boundary"},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": features})


@dataclass(frozen=True)
class Farm:
    """Files of the farm."""

    folder: Path
    boundaries: Path
    machine: Path
    logs: Path

    def log(self, name: str, text: str) -> Path:
        path = self.logs / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path


def make_farm_in(folder: Path, count: int, *, with_logs: bool = True, names: Sequence[str] | None = None) -> Farm:
    """Make a farm of some fields, with a log for each unless told otherwise."""
    (folder / "logs").mkdir(parents=True)
    farm = Farm(folder, folder / "fields.geojson", folder / "machine.toml", folder / "logs")
    farm.boundaries.write_text(boundaries_text(count, names), encoding="utf-8")
    farm.machine.write_text(MACHINE, encoding="utf-8")
    for number in range(count if with_logs else 0):
        farm.log(f"{number:02d}.csv", log_text(lanes(number), start=START + 3600 * number))
    return farm


def write_season(farm: Farm, settings: str = 'cell_m = 0.5\ngroups = ["boom", "nozzle"]') -> Path:
    """Match the farm's logs and write the manifest; small cells are not needed to see what goes where."""
    from swathledger.season.find.match import match, write_manifest

    out = farm.folder / "season.toml"
    write_manifest(match(farm.logs, farm.boundaries, [(farm.machine, None)], out), out, overwrite=True)
    text = out.read_text(encoding="utf-8")
    out.write_text(text.replace("# [settings] ", f"[settings]\n{settings}\n# "), encoding="utf-8")
    return out


@pytest.fixture
def make_farm(tmp_path: Path) -> Callable[..., Farm]:
    """Make a farm of some fields, with a log for each unless told otherwise."""

    def make(count: int, *, where: str = "farm", **options: Any) -> Farm:
        return make_farm_in(tmp_path / where, count, **options)

    return make


def tree(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder, hidden ones too."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def make_season(make_farm: Callable[..., Farm]) -> Callable[..., tuple[Farm, Path]]:
    """Make a farm and the manifest of its season."""

    def make(count: int, **options: Any) -> tuple[Farm, Path]:
        farm = make_farm(count, **options)
        return farm, write_season(farm)

    return make


@pytest.fixture(scope="session")
def done_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm of three fields with its manifest and the results of an uninterrupted run; not to be changed."""
    from swathledger.season.manifest.manifest import read_manifest
    from swathledger.season.run.pool import InlinePool
    from swathledger.season.season import run_season

    farm = make_farm_in(tmp_path_factory.mktemp("season") / "farm", 3)
    done = run_season(read_manifest(write_season(farm)), farm.folder / "reference", pool=InlinePool())
    assert not done.failed
    return farm.folder


@pytest.fixture
def reference(done_once: Path, tmp_path: Path) -> tuple[Farm, Path, dict[str, str]]:
    """A copy of that farm, its manifest, and the files of its results."""
    folder = tmp_path / "copied"
    shutil.copytree(done_once, folder)
    farm = Farm(folder, folder / "fields.geojson", folder / "machine.toml", folder / "logs")
    return farm, folder / "season.toml", tree(folder / "reference")
