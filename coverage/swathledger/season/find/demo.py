"""Sample logs laid out as a client's folder is found: names that mean nothing, and files that belong nowhere."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

BOUNDARIES = "boundaries.geojson"
_ROAD_START = (-33.0600, 123.1000)
_ROAD_ROWS = 600
_STEP_DEG = 8.0e-5


@dataclass(frozen=True, slots=True)
class Shuffled:
    """What was laid out, and where it belongs.

    Attributes
    ----------
    logs : dict of str to str
        File, relative to the folder, to the name of the sample it is.
    copy, cut_short, road, no_log : str
        Files that belong to no job, relative to the folder.
    """

    folder: Path
    logs: dict[str, str]
    copy: str
    cut_short: str
    road: str
    no_log: str

    @property
    def nowhere(self) -> tuple[str, ...]:
        """All files that belong to no job."""
        return (self.copy, self.cut_short, self.road, self.no_log)


_PLACES = (
    "inbox/0001",
    "inbox/0002",
    "old stick/NEW/export (3)",
    "old stick/data",
    "x",
    "x/y/untitled",
    "misc/17",
    "misc/18",
)


def sample_files(samples: Path) -> list[Path]:
    """The logs among the sample files, in order of name."""
    return sorted(path for path in samples.iterdir() if path.suffix in {".csv", ".geojson"} and path.name != BOUNDARIES)


def shuffled_folder(sample_logs: Path, out: Path) -> Shuffled:
    """Copy the sample logs into folders with meaningless names, with four files that have no place in a season.

    Those are: a copy of a log, a copy that was cut off in the middle of a row, a drive on a road south of the farm, and
    a note. Everything is invented; the same samples give the same bytes.

    Parameters
    ----------
    sample_logs : Path
        Folder with the logs and ``boundaries.geojson``.
    out : Path
        Folder to fill; made where absent.
    """
    logs = sample_files(sample_logs)
    names = _names(len(logs))
    told: dict[str, str] = {}
    for path, name in zip(logs, names, strict=True):
        # The ending is changed too: a log is known by what is in it.
        told[name] = path.name
        _copy(path, out / name)
    texts = [(path, name) for path, name in zip(logs, names, strict=True) if path.suffix == ".csv"]
    (first, _), (second, _) = texts[0], texts[1]
    copy, cut, road, note = "x/copy of copy.csv", "old stick/data/part", "inbox/drive home.csv", "misc/read me.txt"
    _copy(first, out / copy)
    data = second.read_bytes()
    (out / cut).parent.mkdir(parents=True, exist_ok=True)
    (out / cut).write_bytes(data[: data.rfind(b",", 0, int(0.7 * len(data)))])
    (out / road).write_text(_road_text(first), encoding="utf-8")
    (out / note).parent.mkdir(parents=True, exist_ok=True)
    (out / note).write_text("Logs from both sprayers, in no order.\n", encoding="utf-8")
    return Shuffled(out, told, copy, cut, road, note)


def _names(count: int) -> Sequence[str]:
    return [
        f"{_PLACES[number % len(_PLACES)]}/{chr(ord('q') - number % 17)}{number * 7 % 100:02d}.dat"
        for number in range(count)
    ]


def _copy(path: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(path, target)


def _road_text(like: Path) -> str:
    """A drive with all sections shut, in the columns of a sample log."""
    with like.open(encoding="utf-8") as stream:
        names = stream.readline().strip().split(",")
    lines = [",".join(names)]
    for second in range(_ROAD_ROWS):
        cells = {
            "time": f"2026-09-15T{9 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}Z",
            "latitude": f"{_ROAD_START[0]:.8f}",
            "longitude": f"{_ROAD_START[1] + second * _STEP_DEG:.8f}",
            "heading_deg": "90.0",
            "speed_km_h": "26.90",
            "speed_mph": "16.71",
            "product": "",
        }
        lines.append(",".join(cells.get(name, "0") for name in names))
    return "\n".join(lines) + "\n"
