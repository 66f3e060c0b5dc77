"""Stored documents that somebody changed by hand: read, refused in words, or made again; never a failure of ours."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from swathledger_cli.main import cli

VALUES: list[Any] = [None, "x", -1, 1e300, True, [], {}, [1, "a"], {"a": None}, 10**30, "", "swathledger/ledger/1"]


def places_of(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value of a document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, item in items for place in places_of(item, (*path, key)))]


def mutated(data: bytes, chance: random.Random) -> bytes:
    """A document with one value lost, changed, or with its text cut, doubled or of another encoding."""
    how = chance.randrange(10)
    if how == 0:
        return data[: chance.randrange(len(data))]
    if how == 1:
        return chance.choice([b"", b"null", b"[]", b"\xff\xfe{", data + data, b"[" * 5000, data.replace(b"\n", b"\0")])
    document = json.loads(data)
    place = chance.choice(places_of(document)[1:])
    holder = document
    for key in place[:-1]:
        holder = holder[key]
    if how < 4 and isinstance(holder, dict):
        del holder[place[-1]]
    else:
        holder[place[-1]] = chance.choice(VALUES)
    return json.dumps(document).encode()


@pytest.fixture
def call(monkeypatch):
    from swathledger.season import season as runner
    from swathledger.season.run.pool import InlinePool

    monkeypatch.setattr(runner, "LocalPool", lambda seats: InlinePool())
    return lambda *arguments: CliRunner().invoke(cli, [str(item) for item in arguments])


@pytest.mark.parametrize(
    ("name", "command", "seeds"),
    [
        ("ledger.json", "report job", 14),
        ("ledger.json", "payback", 12),
        ("ledger.json", "study", 5),
        ("season.json", "report", 12),
        ("season.json", "season", 3),
        ("ledger.json", "season", 3),
        ("job.json", "season", 4),
        ("written.json", "season", 5),
        ("written.json", "report job", 6),
        ("written.json", "audit", 3),
        ("study.json", "report study", 14),
    ],
)
def test_a_document_changed_by_hand_ends_in_words(reference, call, tmp_path, name, command, seeds):
    farm, manifest, _ = reference
    results = farm.folder / "reference"
    job = results / "all" / "plot-2-2026-08-06-herbicide-A"
    study = tmp_path / "study"
    if name == "study.json":
        assert call("study", results, "--out", study, "--resamples", 199, "-q").exit_code == 0
    arguments = {
        "report job": ["report", job],
        "report": ["report", results],
        "report study": ["report", study],
        "payback": ["payback", results, "--price", 1000, "--currency", "AUD"],
        "study": ["study", results, "--out", tmp_path / "studied", "--overwrite", "--resamples", 199],
        "season": ["season", manifest, "--out", results],
        "audit": ["audit", farm.logs / "01.csv", "--boundary", farm.boundaries, "--machine", farm.machine,
                  "--out", job, "--overwrite", "--cell", 0.5, "--groups", "boom"],
    }[command]  # fmt: skip
    path = {"season.json": results, "study.json": study}.get(name, job) / name
    kept = tmp_path / "kept"
    shutil.copytree(results, kept)
    data = path.read_bytes()
    bad: list[str] = []
    for seed in range(seeds):
        path.write_bytes(mutated(data, random.Random(f"{name} {command} {seed}")))  # noqa: S311  # the same in every run
        done = call(*arguments)
        if done.exit_code not in (0, 1, 2, 3) or "Traceback" in done.output or "should not" in done.output:
            bad.append(f"{seed}: {done.exit_code} {done.output.strip()[-200:]}")
        if name == "study.json":
            path.write_bytes(data)
        else:
            shutil.rmtree(results)
            shutil.copytree(kept, results)
    assert bad == []


def test_words_name_the_file_and_the_key(reference, call):
    farm, _, _ = reference
    job = farm.folder / "reference" / "all" / "plot-2-2026-08-06-herbicide-A"
    path: Path = job / "ledger.json"
    document = json.loads(path.read_bytes())
    document["area"]["covered_m2"] = "much"
    path.write_text(json.dumps(document))
    done = call("report", job)
    assert done.exit_code == 2
    assert "ledger.json" in done.stderr
    assert "area.covered_m2" in done.stderr
