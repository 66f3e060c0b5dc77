"""Telling logs from boundaries by a small piece of the file."""

from __future__ import annotations

import json
import sys
import types
from pathlib import Path

import geopandas as gpd
import pyarrow as pa
import pytest
from shapely.geometry import Point, Polygon

from swathledger.log import formats as formats_module
from swathledger.log.format import Format, by_names
from swathledger.log.formats import is_log, sniff
from swathledger.log.read import read_log
from swathledger.log.table import Column, RawTable

NAMES = ("time", "latitude", "longitude")
RING = Polygon([(117.2, -31.5), (117.21, -31.5), (117.21, -31.49)])


def write_points(path: Path, column: str = "time") -> None:
    table = gpd.GeoDataFrame(
        {column: ["2026-03-04T07:30:00Z", "2026-03-04T07:30:01Z"]},
        geometry=[Point(117.2, -31.5), Point(117.2, -31.50001)],
        crs="EPSG:4326",
    )
    if path.suffix == ".parquet":
        table.to_parquet(path)
    else:
        table.to_file(path)


def write_ring(path: Path) -> None:
    table = gpd.GeoDataFrame({"field_id": ["A"]}, geometry=[RING], crs="EPSG:4326")
    if path.suffix == ".parquet":
        table.to_parquet(path)
    else:
        table.to_file(path)


@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "shp", "parquet", "fgb"])
def test_points_with_times_are_a_log_and_rings_a_boundary(tmp_path, suffix):
    write_points(tmp_path / f"log.{suffix}")
    write_points(tmp_path / f"other.{suffix}", "when")
    write_ring(tmp_path / f"ring.{suffix}")
    assert sniff(tmp_path / f"log.{suffix}").kind == "log"
    assert sniff(tmp_path / f"ring.{suffix}").kind == "boundary"
    other = sniff(tmp_path / f"other.{suffix}")
    assert other.kind == "other"
    assert "no column time" in other.reason
    assert sniff(tmp_path / f"other.{suffix}", columns={"time": "when"}).kind == "log"


def test_tables(write, drive_csv):
    assert is_log(drive_csv)
    foreign = write(["stamp;place_1;place_2", "2026-03-04T07:30:00Z;1;2"], "foreign.csv")
    assert sniff(foreign).reason.startswith("has no column time, latitude, longitude")
    assert is_log(foreign, columns={"time": "stamp", "latitude": "place_1", "longitude": "place_2"})


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("empty.csv", b""),
        ("notes.txt", b"Call the neighbour about the gate.\n"),
        ("picture.png", b"\x89PNG\r\n\x1a\n" + bytes(range(32)) * 9),
        ("machine.toml", b'name = "sprayer one"\n[boom]\nwidth_m = 36\n'),
        ("drive.dbf", b"\x03rest of a shapefile"),
        ("broken.parquet", b"PAR1 rubbish"),
        ("broken.gpkg", b"SQLite format 3\0rubbish"),
        ("broken.json", b'{"type": "Feature'),
        ("page.xml", b"<html></html>"),
    ],
)
def test_other_files_never_raise(write, name, data):
    found = sniff(write(data, name))
    assert found.kind == "other"
    assert found.reason


def test_missing_files_and_folders(tmp_path):
    assert sniff(tmp_path / "none").kind == "other"
    assert sniff(tmp_path).kind == "other"


def test_only_the_head_of_a_large_file_is_read(tmp_path, monkeypatch):
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write(b"time,latitude,longitude\n2026-03-04T07:30:00Z,1,2\n")
        stream.seek(5 << 30)  # sparse: 5 GiB on paper
        stream.write(b"\n")
    assert is_log(path)  # reading all of it would take far more memory than there is


def test_geojson_whose_first_features_have_few_properties(write):
    features = [
        {
            "type": "Feature",
            "properties": {"time": "2026-03-04T07:30:00Z"},
            "geometry": {"type": "Point", "coordinates": [117.2, -31.5]},
        }
    ] * 2000
    assert is_log(write(json.dumps({"type": "FeatureCollection", "features": features}), "drive.json"))


def test_names_with_marks_in_the_path(tmp_path):
    folder = tmp_path / "a!b é"
    folder.mkdir()
    write_points(tmp_path / "p.gpkg")
    (tmp_path / "p.gpkg").rename(folder / "p!.gpkg")
    assert is_log(folder / "p!.gpkg")


def test_a_new_format_is_a_module_and_a_line_in_the_register(tmp_path, monkeypatch):
    def read(path, columns, options):
        cells = [line.split("~") for line in path.read_text().splitlines()[1:]]
        columns = {name: Column.of(pa.array(part)) for name, part in zip(NAMES, zip(*cells, strict=True), strict=True)}
        return RawTable(path.name, ((path.name, "0"),), NAMES, columns)

    module = types.ModuleType("swathledger.log.tilde_file")
    module.FORMAT = Format(
        "tilde",
        claims=lambda head, path: head.startswith(b"~tilde"),
        sniff=lambda path, columns, options: by_names(NAMES, "tilde", columns),
        read=read,
    )
    monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setattr(formats_module, "_MODULES", ("tilde_file", *formats_module._MODULES))
    formats_module.formats.cache_clear()
    path = tmp_path / "drive.tilde"
    path.write_text("~tilde\n2026-03-04T07:30:00Z~-31.5~117.2\n2026-03-04T07:30:01Z~-31.50003~117.2\n")
    try:
        assert sniff(path).kind == "log"
        assert len(read_log(path)) == 2
    finally:
        formats_module.formats.cache_clear()
