"""Oddities of real exports, each on one and the same drive: read as the clean file is, or refused with the remedy."""

from __future__ import annotations

import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import Point

from swathledger.errors import LogError, MachineError
from swathledger.log.columns import KNOWN, meant
from swathledger.log.formats import is_log
from swathledger.log.log import Log
from swathledger.log.read import read_log
from swathledger.machine.read import machine_from_mapping
from swathledger.words import say_all

HEADER = ["time", "latitude", "longitude", "section_1", "section_2", "speed_km_h", "working_width_m"]
DRIVE = [
    [f"2026-03-04T07:30:{i:02d}Z", f"{-31.5 - i * 3e-5:.6f}", "117.2", str(int(i > 2)), str(int(i < 9)), "12", "36"]
    for i in range(12)
]


def text(header: list[str] = HEADER, rows: list[list[str]] = DRIVE, above: tuple[str, ...] = ()) -> list[str]:
    return [*above, ",".join(header), *(",".join(row) for row in rows)]


@pytest.fixture
def clean(write) -> Log:
    return read_log(write(text(), "clean.csv"))


def check_same(log: Log, clean: Log) -> None:
    """All that the area is made from."""
    np.testing.assert_allclose(log.time_s, clean.time_s, atol=1e-6, rtol=0)
    np.testing.assert_allclose(log.latitude_deg, clean.latitude_deg, atol=1e-9, rtol=0)
    np.testing.assert_allclose(log.longitude_deg, clean.longitude_deg, atol=1e-9, rtol=0)
    np.testing.assert_array_equal(log.state, clean.state)
    assert log.working_width_m is not None
    np.testing.assert_array_equal(log.working_width_m, clean.working_width_m)


@pytest.mark.parametrize(
    ("name", "likely"),
    [
        ("heading", "heading_deg"),
        ("rate", "rate_l_ha"),
        ("flow", "flow_l_min"),
        ("speed", "speed_km_h"),
        ("Speed_kmh", "speed_km_h"),
        ("lat", "latitude"),
        ("lon", "longitude"),
        ("width", "working_width_m"),
        ("width_m", "working_width_m"),
        ("application rate", "rate_gal_ac"),
    ],
)
def test_a_word_for_a_column_of_ours(write, name, likely):
    path = write(text([*HEADER[:5], "Spd", *HEADER[6:]]))
    with pytest.raises(LogError, match=likely):
        read_log(path, columns={name: "Spd"})
    with pytest.raises(MachineError, match=likely):
        machine_from_mapping({"name": "m", "boom": {"width_m": 36}, "columns": {name: "Spd"}})


def test_names_of_ours_and_of_the_users_own_are_none():
    for name in (
        *KNOWN,
        "section",
        "nozzle",
        "engine",
        "area_counter",
        "tank_l",
        "speed_of_the_fan",
        "set_rate",
        "rpm",
    ):
        assert meant(name) == (), name


def test_two_columns_of_one_name(write, clean):
    rows = [[*row, "0"] for row in DRIVE]
    path = write(text([*HEADER, "latitude"], rows))
    with pytest.raises(LogError, match="columns 2 and 8") as caught:
        read_log(path)
    assert 'latitude = "latitude"' in str(caught.value)
    check_same(read_log(path, columns={"latitude": "latitude"}), clean)
    moved = [[*row[:1], "0", *row[2:], row[1]] for row in DRIVE]
    other = write(text([*HEADER, "latitude"], moved), "other.csv")
    check_same(read_log(other, columns={"latitude": "latitude (2)"}), clean)


def test_two_state_columns_of_one_name(write):
    with pytest.raises(LogError, match="columns 4 and 8"):
        read_log(write(text([*HEADER, "section_1"], [[*row, "0"] for row in DRIVE])))


def test_columns_that_nothing_is_read_from_may_share_a_name(write, clean):
    path = write(text([*HEADER, "spare", "spare"], [[*row, "1", "2"] for row in DRIVE]))
    check_same(read_log(path), clean)


@pytest.mark.parametrize("above", [("Field: north",), ("Client,Field", "one,north"), ("", "Made 2026", "a;b", "# c")])
def test_lines_above_the_header(write, clean, above):
    path = write(text(above=above))
    found = read_log(path)
    assert any(f"skip_rows = {len(above)}" in text for text in say_all(found.quality.warnings))
    check_same(found, clean)
    check_same(read_log(path, options={"skip_rows": len(above)}), clean)


def test_no_header_is_not_promised(write):
    with pytest.raises(LogError) as caught:
        read_log(write(text(["when", "north", "east", "a", "b", "c", "d"])))
    assert "skip_rows" not in str(caught.value)


def test_zipped_shapefile_with_cut_names(tmp_path, clean):
    points = [Point(float(row[2]), float(row[1])) for row in DRIVE]
    table = {
        name: [float(row[at]) if at > 4 else row[at] for row in DRIVE]
        for at, name in enumerate(HEADER)
        if name not in ("latitude", "longitude")
    }
    table["working_wi"] = table.pop("working_width_m")
    folder = tmp_path / "parts"
    folder.mkdir()
    gpd.GeoDataFrame(table, geometry=points, crs="EPSG:4326").to_file(folder / "drive.shp")
    packed = Path(tmp_path / "drive.zip")
    with zipfile.ZipFile(packed, "w") as archive:
        for part in sorted(folder.iterdir()):
            archive.write(part, part.name)
    log = read_log(packed)
    check_same(log, clean)
    assert ("working_width_m", "working_wi") in log.quality.columns_understood
    assert is_log(packed)
