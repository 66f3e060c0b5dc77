"""The same drive in every format gives the same carrier."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from shapely.geometry import Point, Polygon

from swathledger.errors import LogError
from swathledger.log.log import Log
from swathledger.log.read import read_log
from swathledger.words import say_all

N = 8
TIMES = [f"2026-03-04T07:30:0{i}.250Z" for i in range(N)]
LATITUDES = [-31.5 - i * 3e-5 for i in range(N)]
LONGITUDES = [117.2 + i * 1e-5 for i in range(N)]


def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time": TIMES,
            "latitude": LATITUDES,
            "longitude": LONGITUDES,
            "heading_deg": [170.0 + i for i in range(N)],
            "speed_km_h": [12.0 + i for i in range(N)],
            "working_width_m": [36.0] * N,
            "rate_l_ha": [80.0, np.nan] * (N // 2),
            "section_1": [1, 0] * (N // 2),
            "section_2": [1, 1] * (N // 2),
            "product": ["herbicide A"] * N,
            "counter": [float(i) for i in range(N)],
        }
    )


def points(crs: str | None = "EPSG:4326") -> gpd.GeoDataFrame:
    table = frame().drop(columns=["latitude", "longitude"])
    shapes = gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(LONGITUDES, LATITUDES), crs="EPSG:4326")
    return shapes if crs is None else shapes.to_crs(crs)


def to_shapefile(table: gpd.GeoDataFrame, path: Path) -> None:
    # The writer's own cutting of names, spelt out: the reader must find them again.
    table.rename(columns={name: name[:10] for name in table.columns}).to_file(path)


def write_geojson(path: Path) -> None:
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [row.pop("longitude"), row.pop("latitude")]},
            "properties": {name: None if pd.isna(value) else value for name, value in row.items()},
        }
        for row in frame().to_dict("records")
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))


def write_lines(path: Path) -> None:
    write_geojson(path)
    features = json.loads(path.read_text())["features"]
    path.write_text("\n".join(json.dumps(feature) for feature in features) + "\n")


def write_sequence(path: Path) -> None:
    write_lines(path)
    path.write_text("".join("\x1e" + line + "\n" for line in path.read_text().splitlines()))


def write_parquet_stamps(path: Path) -> None:
    table = frame()
    table["time"] = pd.to_datetime(table["time"])
    table["section_1"] = table["section_1"].astype(bool)
    table.to_parquet(path)


WRITERS = {
    "drive.csv": lambda path: frame().to_csv(path, index=False),
    "drive.parquet": lambda path: frame().to_parquet(path),
    "stamps.parquet": write_parquet_stamps,
    "points.parquet": lambda path: points().to_parquet(path),
    "native.parquet": lambda path: points().to_parquet(path, geometry_encoding="geoarrow"),
    "drive.geojson": write_geojson,
    "lines.geojsonl": write_lines,
    "sequence.geojsons": write_sequence,
    "drive.gpkg": lambda path: points().to_file(path, layer="drive"),
    "drive.shp": lambda path: to_shapefile(points(), path),
    "drive.fgb": lambda path: points().to_file(path, driver="FlatGeobuf", SPATIAL_INDEX="NO"),
    "metres.gpkg": lambda path: points("EPSG:32750").to_file(path, layer="drive"),
    "metres.shp": lambda path: to_shapefile(points("EPSG:32750"), path),
}


def write_as(name: str, folder: Path) -> Path:
    path = folder / name
    folder.mkdir(parents=True, exist_ok=True)
    WRITERS[name](path)
    return path


def check_same(log: Log, expected: Log, atol: float) -> None:
    np.testing.assert_allclose(log.time_s, expected.time_s, atol=1e-6, rtol=0)
    for name in ("latitude_deg", "longitude_deg"):
        np.testing.assert_allclose(getattr(log, name), getattr(expected, name), rtol=0, atol=atol)
    np.testing.assert_array_equal(log.state, expected.state)
    assert log.state_kind == expected.state_kind
    for name in ("heading_deg", "speed_m_s", "working_width_m", "rate_l_m2"):
        np.testing.assert_allclose(getattr(log, name), getattr(expected, name), rtol=1e-14)
    assert log.product == expected.product
    np.testing.assert_array_equal(log.extra["area"], expected.extra["area"])
    assert log.flow_l_s is None
    assert log.quality.used == log.quality.epochs == N


@pytest.fixture
def expected(tmp_path: Path) -> Log:
    return read_log(write_as("drive.csv", tmp_path / "expected"), columns={"area": "counter"})


def test_the_csv_says_what_was_meant(expected):
    assert expected.time_s[0] == 1772609400.25
    np.testing.assert_array_equal(expected.latitude_deg, LATITUDES)
    np.testing.assert_array_equal(expected.state, [[True, True], [False, True]] * (N // 2))
    np.testing.assert_allclose(expected.rate_l_m2, [0.008, np.nan] * (N // 2))


@pytest.mark.parametrize("name", list(WRITERS))
def test_every_format_gives_the_same_log(tmp_path, expected, name):
    log = read_log(write_as(name, tmp_path), columns={"area": "counter"})
    check_same(log, expected, atol=1e-10 if name.startswith("metres") else 0.0)  # 1e-10 degrees: a hundredth of a mm
    told = [text for text in say_all(log.quality.warnings) if "were brought to WGS84" in text]
    assert len(told) == name.startswith("metres")


@pytest.mark.parametrize("folder", ["with space", "Grün é", "bang!dir", "a!b !c"])
@pytest.mark.parametrize("name", ["drive.gpkg", "drive.shp", "drive.fgb", "drive.geojson", "drive.parquet"])
def test_odd_paths(tmp_path, expected, folder, name):
    written = write_as(name, tmp_path / "plain")
    (tmp_path / folder).mkdir()
    for part in written.parent.iterdir():
        part.rename(tmp_path / folder / part.name.replace("drive", "my drive! é"))
    path = tmp_path / folder / name.replace("drive", "my drive! é")
    log = read_log(path, columns={"area": "counter"})
    check_same(log, expected, atol=0.0)
    assert log.inputs[0][0].startswith("my drive! é")


def test_several_files_are_joined_in_order_of_time(tmp_path, expected):
    table = frame()
    table.iloc[5:].to_csv(tmp_path / "late.csv", index=False)
    table.iloc[:5].to_parquet(tmp_path / "early.parquet")
    log = read_log([tmp_path / "late.csv", tmp_path / "early.parquet"], columns={"area": "counter"})
    check_same(log, expected, atol=0.0)
    assert [name for name, _ in log.inputs] == ["late.csv", "early.parquet"]


def test_column_that_one_file_lacks(tmp_path):
    table = frame()
    table.iloc[:5].to_csv(tmp_path / "a.csv", index=False)
    table.iloc[5:].drop(columns=["heading_deg", "product"]).to_csv(tmp_path / "b.csv", index=False)
    log = read_log([tmp_path / "a.csv", tmp_path / "b.csv"])
    np.testing.assert_array_equal(np.isnan(log.heading_deg), [False] * 5 + [True] * 3)
    assert log.product == ("herbicide A",) * 5 + ("",) * 3


def test_files_with_other_states_are_not_joined(tmp_path):
    frame().iloc[:5].to_csv(tmp_path / "a.csv", index=False)
    frame().iloc[5:].drop(columns=["section_2"]).to_csv(tmp_path / "b.csv", index=False)
    with pytest.raises(LogError, match="a.csv has 2 section states, b.csv has 1 section states"):
        read_log([tmp_path / "a.csv", tmp_path / "b.csv"])


def test_files_that_count_from_their_own_start_are_not_joined(tmp_path):
    table = frame()
    table["time"] = range(N)
    table.to_csv(tmp_path / "a.csv", index=False)
    table.assign(time=table["time"] + 0.5).to_csv(tmp_path / "b.csv", index=False)
    with pytest.raises(LogError, match="count seconds from their own start"):
        read_log([tmp_path / "a.csv", tmp_path / "b.csv"])
    frame().to_csv(tmp_path / "c.csv", index=False)
    with pytest.raises(LogError, match="one gives dates"):
        read_log([tmp_path / "a.csv", tmp_path / "c.csv"])


@pytest.mark.parametrize("name", ["b.geojson", "b.gpkg", "b.shp", "b.parquet"])
def test_polygons_are_no_log(tmp_path, name):
    ring = gpd.GeoDataFrame(
        {"time": ["2026-03-04T07:30:00Z"]}, geometry=[Polygon([(0, 0), (1, 0), (1, 1)])], crs="EPSG:4326"
    )
    path = tmp_path / name
    if name.endswith("parquet"):
        ring.to_parquet(path)
    else:
        ring.to_file(path)
    with pytest.raises(LogError, match="is a Polygon, not a point"):
        read_log(path)


def test_features_without_a_place(tmp_path):
    path = tmp_path / "drive.geojson"
    write_geojson(path)
    whole = json.loads(path.read_text())
    whole["features"][2]["geometry"] = None
    whole["features"][3]["geometry"]["coordinates"] = []
    path.write_text(json.dumps(whole))
    log = read_log(path)
    (item,) = log.quality.set_aside
    assert (item.reason, item.count) == ("bad_position", 2)
    assert "drive.geojson, feature 3" in item.example


def test_nan_in_geojson(tmp_path):
    path = tmp_path / "drive.geojson"
    write_geojson(path)
    whole = json.loads(path.read_text())
    whole["features"][2]["properties"]["speed_km_h"] = float("nan")
    path.write_text(json.dumps(whole))  # Python writes NaN, which is not JSON
    log = read_log(path)
    assert np.flatnonzero(np.isnan(log.speed_m_s)).tolist() == [2]


@pytest.mark.parametrize(
    "text", ['{"type": "FeatureCollection", "features": [', "{]", '{"type": "Topology"}', "[1, 2]"]
)
def test_broken_geojson(write, text):
    with pytest.raises(LogError, match="GeoJSON|point features"):
        read_log(write(text.encode(), "drive.geojson"))


def test_geojson_without_features(write):
    with pytest.raises(LogError):
        read_log(write(b'{"type": "FeatureCollection", "features": []}', "drive.geojson"))


def test_older_geojson_in_metres(tmp_path, expected):
    path = tmp_path / "drive.geojson"
    points("EPSG:32750").to_file(path, RFC7946="NO")
    log = read_log(path, columns={"area": "counter"})
    np.testing.assert_allclose(log.latitude_deg, expected.latitude_deg, atol=1e-7)
    assert any("WGS84" in text for text in say_all(log.quality.warnings))


def test_layers_of_a_geopackage(tmp_path, expected):
    path = tmp_path / "drive.gpkg"
    points().to_file(path, layer="one")
    gpd.GeoDataFrame(geometry=[Polygon([(0, 0), (1, 0), (1, 1)])], crs="EPSG:4326").to_file(path, layer="field")
    check_same(read_log(path, columns={"area": "counter"}), expected, atol=0.0)  # the only layer of points
    points().to_file(path, layer="two")
    with pytest.raises(LogError, match="'one', 'two'"):
        read_log(path)
    assert len(read_log(path, options={"layer": "two"})) == N
    with pytest.raises(LogError, match="no layer 'three'"):
        read_log(path, options={"layer": "three"})


def test_times_of_a_geopackage_field(tmp_path):
    table = points()
    table["time"] = pd.to_datetime(table["time"])
    table.to_file(tmp_path / "drive.gpkg")
    log = read_log(tmp_path / "drive.gpkg")
    assert log.time_s[0] == pytest.approx(1772609400.25, abs=1e-6)
    assert log.quality.warnings == ()


def test_no_coordinate_system(tmp_path):
    to_shapefile(points(), tmp_path / "drive.shp")
    (tmp_path / "drive.prj").unlink()
    log = read_log(tmp_path / "drive.shp")
    assert any("WGS84 degrees are assumed" in text for text in say_all(log.quality.warnings))


def test_text_of_a_shapefile_that_is_not_utf_8(tmp_path):
    to_shapefile(points(), tmp_path / "drive.shp")
    dbf = tmp_path / "drive.dbf"
    dbf.write_bytes(dbf.read_bytes().replace(b"herbicide A", b"herbic\xeede A"))  # the file beside it says UTF-8
    log = read_log(tmp_path / "drive.shp")
    assert log.product == ("herbicîde A",) * N
    assert any("'product' is not UTF-8" in text for text in say_all(log.quality.warnings))


def test_damaged_file_is_an_error_of_ours(tmp_path):
    path = write_as("drive.fgb", tmp_path)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 40] = b"\xff" * 40
    path.write_bytes(bytes(data))
    with pytest.raises(LogError, match="drive.fgb: cannot be read as a vector file"):
        read_log(path)


def test_degrees_in_columns_when_asked_for(tmp_path):
    table = points()
    table["lat"], table["lon"] = LATITUDES, LONGITUDES
    table["geometry"] = [Point(0, 0)] * N
    table.to_file(tmp_path / "drive.gpkg")
    log = read_log(tmp_path / "drive.gpkg", columns={"latitude": "lat", "longitude": "lon"})
    np.testing.assert_array_equal(log.latitude_deg, LATITUDES)


def test_missing_time_names_near_ones(tmp_path):
    table = points().rename(columns={"time": "time_no"})
    for name in ("drive.gpkg", "drive.geojson"):
        table.to_file(tmp_path / name)
        with pytest.raises(LogError, match="no column for time .near names: 'time_no'"):
            read_log(tmp_path / name)


@pytest.mark.parametrize("name", ["x.parquet", "x.gpkg", "x.shp"])
def test_broken_files(write, name):
    start = {"x.parquet": b"PAR1", "x.gpkg": b"SQLite format 3\0", "x.shp": b"\x00\x00\x27\x0a"}[name]
    with pytest.raises(LogError, match=name):
        read_log(write(start + b"rubbish" * 50, name))


def test_parquet_in_dictionary_and_decimal_columns(tmp_path):
    table = pa.table(
        {
            "time": pa.array(TIMES).dictionary_encode(),
            "latitude": pa.array(LATITUDES, pa.float64()),
            "longitude": pa.array([round(value, 6) for value in LONGITUDES], pa.float32()),
            "section_1": pa.array(["on", "off"] * (N // 2)).dictionary_encode(),
            "speed_m_s": pa.array([2, None] * (N // 2), pa.int16()),
            "nested": pa.array([[1]] * N),
        }
    )
    pq.write_table(table, tmp_path / "d.parquet", row_group_size=3)
    log = read_log(tmp_path / "d.parquet")
    np.testing.assert_array_equal(log.state[:, 0], [True, False] * (N // 2))
    np.testing.assert_array_equal(log.speed_m_s, [2.0, np.nan] * (N // 2))
