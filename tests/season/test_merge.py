"""Several manifests as one season."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from swathledger.errors import InputError
from swathledger.season.manifest.manifest import manifest_from_mapping, read_manifest
from swathledger.season.manifest.merge import merged
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season
from swathledger_cli.main import cli

from .conftest import make_farm_in, tree, write_season


def client(folder: Path, name: str, *, ids: tuple[str, ...], missing: tuple[str, ...] = ()):
    """A manifest of one client; its boundaries lie one folder up, its logs beside it."""
    raw = {
        "schema": "swathledger/manifest/1",
        "boundaries": "../all.geojson",
        "machine": "m.toml",
        "jobs": [{"id": job, "field": job, "logs": [f"{job}.csv"], "client": name} for job in ids],
        "missing": [{"field": field} for field in missing],
        "unplaced": [{"file": "note.txt", "reason": "no log"}],
    }
    return folder / "season.toml", manifest_from_mapping(raw, folder=folder)


def test_paths_follow_their_manifests(tmp_path):
    both = merged(
        [client(tmp_path / "a" / "x", "A", ids=("f",), missing=("g", "h")), client(tmp_path / "b", "B", ids=("g",))]
    )
    assert both.folder == tmp_path
    first, second = both.jobs
    assert (first.logs[0].file, first.machine, first.boundary) == ("a/x/f.csv", "a/x/m.toml", "a/all.geojson")
    assert (second.logs[0].file, second.machine, second.boundary) == ("b/g.csv", "b/m.toml", "all.geojson")
    assert both.path(first.logs[0].file) == tmp_path / "a" / "x" / "f.csv"
    assert [item.file for item in both.unplaced] == ["a/x/note.txt", "b/note.txt"]
    # field g of the other boundary file is another field
    assert [item.field for item in both.missing] == ["g", "h"]


def test_a_field_that_another_manifest_treats_is_not_missing(tmp_path):
    both = merged(
        [
            client(tmp_path / "a", "A", ids=("f",), missing=("g", "h")),
            client(tmp_path / "b", "B", ids=("g",), missing=("f", "h")),
        ]
    )
    assert [item.field for item in both.missing] == ["h"]


def test_one_manifest_is_left_as_it_is(tmp_path):
    path, manifest = client(tmp_path, "A", ids=("f",))
    assert merged([(path, manifest)]) is manifest


def test_every_clash_is_told(tmp_path):
    with pytest.raises(InputError) as caught:
        merged([client(tmp_path / "a", "A B", ids=("f", "g")), client(tmp_path / "b", "A/B", ids=("F", "g"))])
    words = str(caught.value)
    assert "3 clashes" in words
    assert "job F stands in" in words
    assert "job g stands in" in words
    assert "'A/B' and 'A B'" in words


@pytest.fixture(scope="module")
def halves(tmp_path_factory):
    """One farm of two fields with its whole manifest, and the same in two halves, one of them in a folder below."""
    farm = make_farm_in(tmp_path_factory.mktemp("halves") / "farm", 2)
    whole = write_season(farm)
    head, *jobs = whole.read_text().split("[[jobs]]")
    (farm.folder / "below").mkdir()
    below = head.replace('"fields.geojson"', '"../fields.geojson"').replace('"machine.toml"', '"../machine.toml"')
    one, two = farm.folder / "one.toml", farm.folder / "below" / "two.toml"
    one.write_text(f"{head}[[jobs]]{jobs[0]}")
    two.write_text(f"{below}[[jobs]]{jobs[1]}".replace('"logs/', '"../logs/'))
    run_season(read_manifest(whole), farm.folder / "whole", pool=InlinePool())
    return farm, one, two


def test_two_halves_give_the_bytes_of_the_whole(halves):
    farm, one, two = halves
    both = merged([(path, read_manifest(path)) for path in (one, two)])
    done = run_season(both, farm.folder / "merged", pool=InlinePool())
    assert len(done.ran) == 2
    assert tree(farm.folder / "merged") == tree(farm.folder / "whole")


def test_the_command_takes_several(halves, monkeypatch):
    from swathledger.season import season as runner

    monkeypatch.setattr(runner, "LocalPool", lambda seats: InlinePool())
    farm, one, two = halves
    words = ["season", str(one), str(two), str(one), "--out", str(farm.folder / "called"), "--json", "--quiet"]
    ran = CliRunner().invoke(cli, words, catch_exceptions=False)
    assert json.loads(ran.stdout)["jobs"] == {"all": 2, "done": 2, "failed": 0}
    assert tree(farm.folder / "called") == tree(farm.folder / "whole")
