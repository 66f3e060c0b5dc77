"""docs/results.md tells every key of ledger.json, every layer and every column that matters."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from swathledger.grid.tally import CLASSES
from swathledger.report.raster import NAMES
from swathledger.report.vector import LAYERS


def keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            if key != "values":  # of a note: each code has its own
                yield from keys(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys(item)


def test_every_key_of_the_ledger_is_told(repository: Path, written: Any) -> None:
    # the tables product and standing are told where their subject is
    pages = ("results.md", "money.md", "plumbing.md")
    text = "\n".join((repository / "docs" / page).read_text(encoding="utf-8") for page in pages)
    told = set(re.findall(r"[a-z0-9_]+", text))
    assert set(keys(written.document)) - told == set()


def test_every_layer_and_band_is_told(repository: Path) -> None:
    text = (repository / "docs" / "results.md").read_text(encoding="utf-8")
    for name in LAYERS:
        assert f"`{name}`" in text
    for number, name in enumerate(NAMES, start=1):
        assert f"| {number} | {name} |" in text
    for code, name in enumerate(CLASSES[1:6], start=1):
        assert f"{code} {name}" in text
