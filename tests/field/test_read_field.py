"""Boundary files read: roles, exclusions, formats, coordinate systems, choosing the field, mending."""

from __future__ import annotations

import csv
import hashlib
import math
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon, box

from swathledger.field.field import LocalPlane
from swathledger.field.plane import to_degrees, to_plane
from swathledger.field.read import list_fields, read_field
from swathledger.words import say_all

Degrees = Callable[[Any], Any]
Writer = Callable[..., Path]
SQUARE = box(0, 0, 400, 300)  # 120,000 m2


def said(field: Any, words: str) -> bool:
    return any(words in note for note in say_all(field.notes))


def test_one_polygon_without_any_property(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(({}, degrees(SQUARE)), name="home.geojson")
    field = read_field(path)
    assert field.field_id == "home"
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert field.geodesic_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert field.exclusions.is_empty
    assert field.exclusion_area_m2 == 0
    assert field.source == "given"
    assert field.recorded_area_m2 is None
    assert field.inputs == (("home.geojson", hashlib.sha256(path.read_bytes()).hexdigest()),)
    # the plane is centred on the middle of the boundary's box
    west, south, east, north = field.boundary.bounds
    assert abs(west + east) < 0.5
    assert abs(south + north) < 0.5


def test_exclusions_with_and_without_buffer(geojson: Writer, degrees: Degrees) -> None:
    pond = Point(100, 100)
    stream = LineString([(200, -50), (200, 350)])
    strip = box(300, 100, 310, 110)
    field = read_field(
        geojson(
            ({"field_id": "A"}, degrees(SQUARE)),
            ({"field_id": "A", "role": "exclusion", "buffer_m": 20}, degrees(pond)),
            ({"role": "exclusion", "buffer_m": 5.0}, degrees(stream)),
            ({"field_id": "A", "role": "Exclusion"}, degrees(strip)),
        )
    )
    # pi 20^2 + a stream 10 m wide clipped to 300 m of field + 10 x 10
    expected = math.pi * 400 + 10 * 300 + 100
    assert field.exclusion_area_m2 == pytest.approx(expected, rel=5e-4)
    assert field.target.area == pytest.approx(120_000 - expected, rel=1e-5)
    assert len(shapely.get_parts(field.exclusions)) == 3


def test_buffer_is_taken_in_the_plane_far_from_the_equator(geojson: Writer) -> None:
    plane = LocalPlane(65.0, 25.0)
    field = read_field(
        geojson(
            ({}, to_degrees(box(-200, -200, 200, 200), plane)),
            ({"role": "exclusion", "buffer_m": 50}, to_degrees(Point(0, 0), plane)),
        )
    )
    west, south, east, north = field.exclusions.bounds
    assert east - west == pytest.approx(100, abs=0.01)
    assert north - south == pytest.approx(100, abs=0.01)


def test_overlapping_exclusions_count_once(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(
        geojson(
            ({}, degrees(SQUARE)),
            ({"role": "exclusion"}, degrees(box(10, 10, 50, 50))),
            ({"role": "exclusion"}, degrees(box(30, 10, 70, 50))),
        )
    )
    assert field.exclusion_area_m2 == pytest.approx(60 * 40, rel=1e-5)


def test_exclusion_without_field_id_goes_where_it_lies(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(
        ({"field_id": "A"}, degrees(SQUARE)),
        ({"field_id": "B"}, degrees(box(1000, 0, 1400, 300))),
        ({"role": "exclusion"}, degrees(box(1100, 100, 1110, 110))),
        ({"field_id": "A", "role": "exclusion"}, degrees(box(1200, 100, 1210, 110))),
    )
    a, b = read_field(path, field_id="A"), read_field(path, field_id="B")
    assert a.exclusion_area_m2 == 0
    assert said(a, "exclusion in feature 4 lies outside field A")
    assert b.exclusion_area_m2 == pytest.approx(100, rel=1e-4)


def test_exclusion_of_an_unknown_field_is_said(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(
        geojson(
            ({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "AA", "role": "exclusion"}, degrees(box(1, 1, 9, 9)))
        )
    )
    assert field.exclusion_area_m2 == 0
    assert said(field, "names field 'AA'")


def test_holes_are_beyond_the_boundary(geojson: Writer, degrees: Degrees) -> None:
    holed = Polygon(SQUARE.exterior.coords, [box(100, 100, 200, 200).exterior.coords])
    field = read_field(geojson(({}, degrees(holed))))
    assert field.boundary_area_m2 == pytest.approx(110_000, rel=1e-6)
    assert field.exclusion_area_m2 == 0


def test_several_parts_of_one_field(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(
        ({"field_id": "A"}, degrees(box(0, 0, 100, 100))), ({"field_id": "A"}, degrees(box(300, 0, 400, 100)))
    )
    field = read_field(path)
    assert field.boundary.geom_type == "MultiPolygon"
    assert field.boundary_area_m2 == pytest.approx(20_000, rel=1e-6)


def test_overlapping_parts_are_joined_and_said(geojson: Writer, degrees: Degrees) -> None:
    both = MultiPolygon([box(0, 0, 100, 100), box(50, 0, 150, 100)])
    field = read_field(geojson(({"field_id": "A"}, degrees(both))))
    assert field.boundary_area_m2 == pytest.approx(15_000, rel=1e-6)
    assert field.boundary.geom_type == "Polygon"
    two = read_field(
        geojson(({"field_id": "A"}, degrees(box(0, 0, 100, 100))), ({"field_id": "A"}, degrees(box(50, 0, 150, 100))))
    )
    assert two.boundary_area_m2 == pytest.approx(15_000, rel=1e-6)
    assert said(two, "overlap by 5,000.0 m²")


def test_abutting_parts_leave_no_crack(geojson: Writer, degrees: Degrees) -> None:
    # two halves drawn with a 3 cm crack between them that is closed at both ends by a third piece
    parts = [box(0, 0, 100, 100), box(100.03, 0, 200, 100), box(0, -10, 200, 0), box(0, 100, 200, 110)]
    field = read_field(geojson(({"field_id": "A"}, degrees(MultiPolygon(parts)))))
    assert field.boundary.geom_type == "Polygon"
    assert len(field.boundary.interiors) == 0  # type: ignore[union-attr]  # a polygon, as just seen
    assert said(field, "1 hole")


def test_repeated_feature_counts_once(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(geojson(({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "A"}, degrees(SQUARE))))
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert said(field, "Feature 2 repeats feature 1")


def test_slivers_are_dropped(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(geojson(({}, degrees(MultiPolygon([SQUARE, box(500, 0, 500.05, 300), box(600, 0, 600.5, 1)])))))
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert said(field, "2 slivers")


def test_self_crossing_boundary_is_mended_and_said(geojson: Writer, degrees: Degrees) -> None:
    # a bow-tie: two triangles of 100 x 50 / 2 each, their signed areas cancelling
    bow = Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    field = read_field(geojson(({"field_id": "A"}, degrees(bow))))
    assert field.boundary.is_valid
    assert field.boundary_area_m2 == pytest.approx(5_000, rel=1e-5)
    assert said(field, "self-intersection) and was mended: 0.0 m² before, 5,000.0 m² after")


def test_a_loop_walked_twice_is_no_hole(geojson: Writer, degrees: Degrees) -> None:
    # the walker overran the start by a small loop inside the field
    walked = Polygon([(0, 0), (100, 0), (100, 100), (0, 100), (0, -1), (20, 10), (30, 40)])
    field = read_field(geojson(({"field_id": "A"}, degrees(walked))))
    assert field.boundary.geom_type == "Polygon"
    assert len(field.boundary.interiors) == 0  # type: ignore[union-attr]  # a polygon, as just seen
    assert field.boundary_area_m2 > 9_999


def test_unclosed_ring_is_closed(geojson: Writer, degrees: Degrees) -> None:
    ring = [list(corner) for corner in degrees(SQUARE).exterior.coords][:-1]
    field = read_field(geojson(({}, {"type": "Polygon", "coordinates": [ring]})))
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert said(field, "not closed")


def test_boundary_walked_as_a_line(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(geojson(({}, degrees(LineString([(0, 0), (400, 0), (400, 300), (0, 300), (0, 5)])))))
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert said(field, "was closed over a gap of 5.0 m")


def test_heights_are_dropped(geojson: Writer, degrees: Degrees) -> None:
    ring = [[*corner, 250.0 + number] for number, corner in enumerate(degrees(SQUARE).exterior.coords)]
    field = read_field(geojson(({}, {"type": "Polygon", "coordinates": [ring]})))
    assert not shapely.has_z(field.boundary)
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)


def test_features_without_geometry_are_passed_over(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(geojson(({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "B"}, None)))
    assert field.field_id == "A"
    assert said(field, "1 of 2 features have no geometry")


def test_names_given_where_there_are_none(geojson: Writer, degrees: Degrees) -> None:
    shapes = (degrees(SQUARE), degrees(box(1000, 0, 1400, 300)))
    plain = geojson(*(({}, shape) for shape in shapes), name="farm.geojson")
    assert [outline.field_id for outline in list_fields(plain)] == ["farm-1", "farm-2"]
    named = geojson(*(({"name": f"Block {i}"}, shape) for i, shape in enumerate(shapes)), name="named.geojson")
    assert [outline.field_id for outline in list_fields(named)] == ["Block 0", "Block 1"]
    numbered = geojson(*(({"field_id": i + 1}, shape) for i, shape in enumerate(shapes)), name="numbers.geojson")
    assert [outline.field_id for outline in list_fields(numbered)] == ["1", "2"]


def test_field_chosen_by_where_the_log_lies(geojson: Writer, degrees: Degrees, plane: LocalPlane) -> None:
    path = geojson(({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "B"}, degrees(box(400, 0, 800, 300))))
    x = np.linspace(350, 700, 200)  # 1/7 of the way in A, 6/7 in B
    latitude, longitude = plane.inverse(x, np.full_like(x, 150.0))
    field = read_field(path, latitude_deg=latitude, longitude_deg=longitude)
    assert field.field_id == "B"
    assert said(field, "B was chosen: 85.5 %")
    assert said(field, "14.5 % of the log's positions lie in field A")
    named = read_field(path, field_id="A", latitude_deg=latitude, longitude_deg=longitude)
    assert named.field_id == "A"
    assert said(named, "Only 14.5 %")


def test_field_id_in_another_case(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(({"field_id": "North"}, degrees(SQUARE)), ({"field_id": "South"}, degrees(box(0, -400, 90, -300))))
    assert read_field(path, field_id=" north ").field_id == "North"


def test_a_log_of_no_finite_position_chooses_nothing(geojson: Writer, degrees: Degrees) -> None:
    field = read_field(geojson(({}, degrees(SQUARE))), latitude_deg=[np.nan], longitude_deg=[np.nan])
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)


@pytest.mark.parametrize(
    ("properties", "area"),
    [
        ({"recorded_area_m2": 123_000}, 123_000),
        ({"recorded_area_ha": 12.3}, 123_000),
        ({"recorded_area_ac": 10}, 40_468.564224),
        ({"recorded_area_m2": None}, None),
        ({"recorded_area_m2": -5}, None),
        ({"recorded_area_m2": "unknown"}, None),
    ],
)
def test_recorded_area(geojson: Writer, degrees: Degrees, properties: dict[str, Any], area: float | None) -> None:
    field = read_field(geojson((properties, degrees(SQUARE))))
    assert field.recorded_area_m2 == (None if area is None else pytest.approx(area))


def frame(degrees: Degrees, crs: str = "EPSG:4326") -> Any:
    import geopandas

    table = geopandas.GeoDataFrame(
        {"field_id": ["A", "A"], "role": ["boundary", "exclusion"], "recorded_area_m2": [123_000.0, np.nan]},
        geometry=[degrees(SQUARE), degrees(box(10, 10, 20, 20))],
        crs="EPSG:4326",
    )
    return table.to_crs(crs)


def shapefile(table: Any, path: Path) -> None:
    """Write a Shapefile with the ten characters it would cut its columns to."""
    table.rename(columns={"recorded_area_m2": "recorded_a"}).to_file(path)


@pytest.mark.parametrize("ending", ["geojson", "gpkg", "shp", "parquet", "fgb"])
def test_formats(tmp_path: Path, degrees: Degrees, ending: str) -> None:
    path = tmp_path / f"farm.{ending}"
    if ending == "parquet":
        frame(degrees).to_parquet(path)
    elif ending == "shp":
        shapefile(frame(degrees), path)
    else:
        frame(degrees).to_file(path)
    field = read_field(path)
    assert field.field_id == "A"
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-5)
    assert field.exclusion_area_m2 == pytest.approx(100, rel=1e-3)
    # a Shapefile cuts recorded_area_m2 to ten characters
    assert field.recorded_area_m2 == pytest.approx(123_000)
    names = [name for name, _ in field.inputs]
    assert names[0] == path.name
    assert (len(names) > 2) == (ending == "shp")


def test_kml(tmp_path: Path, degrees: Degrees) -> None:
    ring = " ".join(f"{x:.9f},{y:.9f},0" for x, y in degrees(SQUARE).exterior.coords)
    path = tmp_path / "farm.kml"
    path.write_text(
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark>'
        f"<name>Home block</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing>"
        "</outerBoundaryIs></Polygon></Placemark></Document></kml>"
    )
    field = read_field(path)
    assert field.field_id == "Home block"
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-5)
    assert said(field, "its name column was taken for it")


def test_geopackage_with_layers_and_a_plain_table(tmp_path: Path, degrees: Degrees) -> None:
    import pandas as pd
    import pyogrio

    path = tmp_path / "farm.gpkg"
    table = frame(degrees)[["geometry"]]
    pyogrio.write_dataframe(table.iloc[:1], path, layer="fields")
    pyogrio.write_dataframe(table.iloc[1:], path, layer="exclusions")
    pyogrio.write_dataframe(pd.DataFrame({"remark": ["x"]}), path, layer="remarks")
    field = read_field(path)
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-5)
    assert field.exclusion_area_m2 == pytest.approx(100, rel=1e-3)


def test_zipped_shapefile(tmp_path: Path, degrees: Degrees) -> None:
    shapefile(frame(degrees), tmp_path / "farm.shp")
    with zipfile.ZipFile(tmp_path / "farm.zip", "w") as archive:
        for part in tmp_path.glob("farm.*"):
            if part.suffix != ".zip":
                archive.write(part, part.name)
    assert read_field(tmp_path / "farm.zip").boundary_area_m2 == pytest.approx(120_000, rel=1e-5)


@pytest.mark.parametrize("crs", ["EPSG:32750", "EPSG:3857", "EPSG:7850", "EPSG:4283"])
def test_other_coordinate_systems(tmp_path: Path, degrees: Degrees, crs: str) -> None:
    path = tmp_path / "farm.gpkg"
    frame(degrees, crs).to_file(path)
    field = read_field(path)
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-5)
    assert said(field, "Transformed from")


def test_no_coordinate_system_but_degrees(tmp_path: Path, degrees: Degrees) -> None:
    path = tmp_path / "farm.shp"
    shapefile(frame(degrees), path)
    path.with_suffix(".prj").unlink()
    field = read_field(path)
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-5)
    assert said(field, "WGS84 longitude and latitude were assumed")


@pytest.mark.parametrize("name", ["with space.geojson", "fält på åkern.geojson", "up!down.geojson", "a!b/c!d.geojson"])
def test_odd_paths(geojson: Writer, degrees: Degrees, name: str) -> None:
    path = geojson(({}, degrees(SQUARE)), name=name)
    field = read_field(path)
    assert field.boundary_area_m2 == pytest.approx(120_000, rel=1e-6)
    assert field.field_id == path.stem
    assert field.inputs[0][0] == path.name


def test_shapefile_under_an_odd_path(tmp_path: Path, degrees: Degrees) -> None:
    folder = tmp_path / "up!down"
    folder.mkdir()
    shapefile(frame(degrees), tmp_path / "farm.shp")
    for part in tmp_path.glob("farm.*"):
        part.rename(folder / part.name)
    assert read_field(folder / "farm.shp").boundary_area_m2 == pytest.approx(120_000, rel=1e-5)


def test_outlines_are_in_degrees(geojson: Writer, degrees: Degrees, plane: LocalPlane) -> None:
    outlines = list_fields(
        geojson(({"field_id": "A"}, degrees(SQUARE)), ({"field_id": "B"}, degrees(Point(0, 0).buffer(9))))
    )
    assert [outline.field_id for outline in outlines] == ["A", "B"]
    assert to_plane(outlines[0].geometry, plane).area == pytest.approx(120_000, rel=1e-6)
    assert outlines[0].geodesic_area_m2 == pytest.approx(120_000, rel=1e-6)


def test_reading_twice_gives_the_same(geojson: Writer, degrees: Degrees) -> None:
    path = geojson(({"field_id": "A"}, degrees(SQUARE)), ({"role": "exclusion", "buffer_m": 7}, degrees(Point(50, 60))))
    one, two = read_field(path), read_field(path)
    assert shapely.to_wkb(one.boundary) == shapely.to_wkb(two.boundary)
    assert shapely.to_wkb(one.exclusions) == shapely.to_wkb(two.exclusions)
    assert one.notes == two.notes


def test_eight_real_drives_land_on_seven_fields(shared_dir: Path) -> None:
    # F14 and F15 are two logs of one field, F14: the data's own description
    folder = shared_dir / "field_logs"
    if not (folder / "boundaries.geojson").is_file():
        pytest.skip("no real drives here")
    for log in sorted(folder.glob("F*.csv")):
        with log.open(newline="") as stream:
            rows = list(csv.DictReader(stream))
        field = read_field(
            folder / "boundaries.geojson",
            latitude_deg=[float(row["latitude"]) for row in rows],
            longitude_deg=[float(row["longitude"]) for row in rows],
        )
        assert field.field_id == {"F15": "F14"}.get(log.stem, log.stem)
