"""Boundary files that cannot be used: the message says what was found, where, and what to do."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from swathledger.errors import FieldError
from swathledger.field.field import LocalPlane
from swathledger.field.read import list_fields, read_field

Degrees = Callable[[Any], Any]
Writer = Callable[..., Path]
SQUARE = box(0, 0, 400, 300)


def told(path: Path, **how: Any) -> str:
    with pytest.raises(FieldError) as caught:
        read_field(path, **how)
    return str(caught.value)


def test_absent(tmp_path: Path) -> None:
    assert "no such boundary file" in told(tmp_path / "absent.geojson")


def test_a_folder(tmp_path: Path) -> None:
    assert "this is a folder" in told(tmp_path)


@pytest.mark.parametrize("name", ["b.geojson", "b.gpkg", "b.parquet", "b.shp"])
def test_empty(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"")
    assert f"{name}: the file is empty" in told(tmp_path / name)


@pytest.mark.parametrize("name", ["b.geojson", "b.gpkg", "b.parquet", "b.shp", "b.kml", "b.txt"])
@pytest.mark.parametrize("data", [b"hello", b'{"type": "FeatureColl', bytes(range(256))])
def test_not_a_vector_file(tmp_path: Path, name: str, data: bytes) -> None:
    (tmp_path / name).write_bytes(data)
    text = told(tmp_path / name)
    assert text.startswith(f"{name}: cannot be read as")
    assert str(tmp_path) not in text


def test_truncated_geojson(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(({}, degrees(SQUARE)))
    path.write_text(path.read_text()[:-40])
    assert "cannot be read as a vector file" in told(path)


def test_no_feature(geojson: Writer) -> None:
    assert "no feature with a geometry" in told(geojson())


def test_parquet_without_geometry(tmp_path: Path) -> None:
    import pandas as pd

    pd.DataFrame({"field_id": ["A"]}).to_parquet(tmp_path / "b.parquet")
    assert "cannot be read as GeoParquet" in told(tmp_path / "b.parquet")


def test_only_exclusions(geojson: Writer, degrees: Degrees) -> None:
    assert "every feature in it is an exclusion" in told(geojson(({"role": "exclusion"}, degrees(SQUARE))))


def test_unknown_role(geojson: Writer, degrees: Degrees) -> None:
    text = told(geojson(({}, degrees(SQUARE)), ({"role": "pond"}, degrees(box(1, 1, 2, 2)))))
    assert "feature 2 has the role 'pond'" in text
    assert "column 'role'" in text


@pytest.mark.parametrize("buffer", [-1, "wide", 1e9])
def test_buffer_that_is_no_length(geojson: Writer, degrees: Degrees, buffer: object) -> None:
    text = told(geojson(({}, degrees(SQUARE)), ({"role": "exclusion", "buffer_m": buffer}, degrees(box(1, 1, 2, 2)))))
    assert "feature 2 has a buffer of" in text
    assert "column 'buffer_m'" in text


@pytest.mark.parametrize("shape", [Point(10, 10), LineString([(10, 10), (50, 50)])])
def test_exclusion_that_covers_no_ground(geojson: Writer, degrees: Degrees, shape: Any) -> None:
    text = told(geojson(({}, degrees(SQUARE)), ({"role": "exclusion"}, degrees(shape))))
    assert "feature 2 is an exclusion drawn as a" in text
    assert "Give it a buffer_m" in text


def test_exclusions_over_everything(geojson: Writer, degrees: Degrees) -> None:
    text = told(geojson(({"field_id": "A"}, degrees(SQUARE)), ({"role": "exclusion"}, degrees(box(-9, -9, 500, 500)))))
    assert "the exclusions cover all of field 'A'" in text


def test_boundary_of_points(geojson: Writer, degrees: Degrees) -> None:
    assert "feature 1 is a boundary, but it is a point" in told(geojson(({}, degrees(Point(0, 0)))))


def test_boundary_of_an_open_line(geojson: Writer, degrees: Degrees) -> None:
    text = told(geojson(({}, degrees(LineString([(0, 0), (400, 0), (400, 300)])))))
    assert "a line whose ends are 500.0 m apart" in text


@pytest.mark.parametrize(
    "shape", [Polygon([(0, 0), (100, 0), (0, 0)]), Polygon([(0, 0), (100, 100), (200, 200)]), box(0, 0, 0.5, 0.5)]
)
def test_boundary_without_area(geojson: Writer, degrees: Degrees, shape: Any) -> None:
    assert "encloses less than 1 m2 of ground" in told(geojson(({}, degrees(shape))))


def test_coordinates_in_metres(geojson: Writer) -> None:
    text = told(geojson(({}, box(500_000, 6_348_000, 500_400, 6_348_300))))
    assert "are no longitude and latitude in degrees" in text
    assert "They look like metres" in text


def test_coordinates_in_metres_without_a_system(tmp_path: Path) -> None:
    import geopandas

    table = geopandas.GeoDataFrame(geometry=[box(500_000, 6_348_000, 500_400, 6_348_300)], crs="EPSG:32750")
    table.to_file(tmp_path / "b.shp")
    (tmp_path / "b.prj").unlink()
    text = told(tmp_path / "b.shp")
    assert "coordinates such as (500" in text
    assert "save the file with its coordinate system" in text


def test_latitude_first(geojson: Writer) -> None:
    assert "look swapped" in told(geojson(({}, box(-33.003, 117.0, -33.0, 117.004))))


def test_latitude_first_where_only_the_log_tells(geojson: Writer) -> None:
    # 54 N 10 E and 10 N 54 E both exist
    text = told(
        geojson(({"field_id": "A"}, box(54.0, 10.0, 54.01, 10.01))),
        latitude_deg=np.array([54.005]),
        longitude_deg=np.array([10.005]),
    )
    assert "Latitude and longitude look swapped in the boundary" in text


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_corners_that_are_no_number(tmp_path: Path, bad: float) -> None:
    import geopandas

    corners = [(117.0, -33.0), (117.01, bad), (117.01, -32.99), (117.0, -33.0)]
    with np.errstate(invalid="ignore"):  # shapely says so when the line is made
        geopandas.GeoDataFrame(geometry=[LineString(corners)], crs="EPSG:4326").to_parquet(tmp_path / "b.parquet")
    assert "are no longitude and latitude in degrees" in told(tmp_path / "b.parquet")


def test_a_name_that_is_not_there(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(({"field_id": "North block"}, degrees(SQUARE)), ({"field_id": "Dam"}, degrees(box(500, 0, 600, 50))))
    text = told(path, field_id="Nort block")
    assert "there is no field 'Nort block'" in text
    assert "Did you mean North block?" in text
    assert "It has: North block, Dam." in told(path, field_id="zzz")


def test_several_and_nothing_to_choose_by(geojson: Writer, degrees: Degrees) -> None:
    shapes = [degrees(box(500 * i, 0, 500 * i + 400, 300)) for i in range(15)]
    text = told(geojson(*(({"field_id": f"P{i:02}"}, shape) for i, shape in enumerate(shapes))))
    assert "it holds 15 fields: P00, P01," in text
    assert "P11 and 3 more." in text


def test_boundary_of_another_place_gives_the_distance(geojson: Writer, degrees: Degrees, plane: LocalPlane) -> None:
    path = geojson(({"field_id": "A"}, degrees(SQUARE)))
    # 12 km east of the field's east edge at x = 400
    latitude, longitude = plane.inverse(np.array([12_400.0]), np.array([150.0]))
    text = told(path, latitude_deg=latitude, longitude_deg=longitude)
    assert "no position of the log lies in field A: the boundary is 12.0 km from the log" in text
    assert "Is this the boundary of another place?" in text


def test_another_place_names_the_nearest_field(geojson: Writer, degrees: Degrees, plane: LocalPlane) -> None:
    path = geojson(({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "B"}, degrees(box(5000, 0, 5400, 300))))
    latitude, longitude = plane.inverse(np.array([5900.0]), np.array([150.0]))
    text = told(path, latitude_deg=latitude, longitude_deg=longitude)
    assert "lies in any of its 2 fields; the nearest is B, 500 m away" in text
    text = told(path, field_id="A", latitude_deg=latitude, longitude_deg=longitude)
    assert "5.5 km from the log" in text
    assert "The nearest field in the file is B, 500 m away." in text


def test_the_far_side_of_the_earth(geojson: Writer, degrees: Degrees) -> None:
    text = told(geojson(({"field_id": "A"}, degrees(SQUARE))), latitude_deg=[33.0], longitude_deg=[-63.0])
    kilometres = float(text.split("the boundary is ")[1].split(" km")[0])
    # half way round the ellipsoid through the pole is 20,003.9 km
    assert kilometres == pytest.approx(20_003, abs=5)


def test_positions_that_do_not_pair(geojson: Writer, degrees: Degrees) -> None:
    text = told(geojson(({}, degrees(SQUARE))), latitude_deg=[-33.0, -33.0], longitude_deg=[117.0])
    assert "2 latitudes and 1 longitudes" in text


def test_one_bad_field_does_not_hide_the_others(geojson: Writer, degrees: Degrees, plane: LocalPlane) -> None:
    path = geojson(
        ({"field_id": "bad"}, degrees(Point(0, 0))),
        ({"field_id": "good"}, degrees(SQUARE)),
        ({"field_id": "bad", "role": "exclusion"}, degrees(Point(5, 5))),
    )
    assert [outline.field_id for outline in list_fields(path)] == ["good"]
    latitude, longitude = plane.inverse(np.array([200.0]), np.array([150.0]))
    assert read_field(path, latitude_deg=latitude, longitude_deg=longitude).field_id == "good"
    assert "feature 1 is a boundary, but it is a point" in told(path, field_id="bad")


def test_no_usable_field_at_all(geojson: Writer, degrees: Degrees) -> None:
    with pytest.raises(FieldError, match="it is a point"):
        list_fields(geojson(({"field_id": "bad"}, degrees(Point(0, 0)))))


def test_a_coordinate_system_of_nowhere(tmp_path: Path) -> None:
    import geopandas

    table = geopandas.GeoDataFrame(geometry=[box(0, 0, 400, 300)], crs='LOCAL_CS["farm",UNIT["metre",1]]')
    table.to_file(tmp_path / "b.gpkg")
    assert "its coordinate system is not understood" in told(tmp_path / "b.gpkg")
