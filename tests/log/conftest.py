"""A tiny drive, and ways to write it down."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

HEADER = "time,latitude,longitude,master,section_1,section_2"
ROWS = [
    "2026-03-04T07:30:00Z,-31.50000,117.20000,1,1,0",
    "2026-03-04T07:30:01Z,-31.50003,117.20000,1,1,1",
    "2026-03-04T07:30:02Z,-31.50006,117.20000,0,1,1",
    "2026-03-04T07:30:03Z,-31.50009,117.20000,1,0,1",
]

WriteText = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> WriteText:
    """Write lines (or bytes) to a file of the test's folder."""

    def write_file(lines: list[str] | str | bytes, name: str = "drive.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(lines, list):
            lines = "\n".join(lines) + "\n"
        path.write_bytes(lines if isinstance(lines, bytes) else lines.encode(encoding))
        return path

    return write_file


@pytest.fixture
def drive_csv(write: WriteText) -> Path:
    """The tiny drive as a CSV file."""
    return write([HEADER, *ROWS])
