"""Files that are plausible, hostile or both: each is read rightly or refused in words."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from taskdatakit import record, write_time_log

from swathledger.errors import LogError
from swathledger.log.formats import sniff
from swathledger.log.quality import assess
from swathledger.log.read import read_log

TIMES = [f"2026-03-04T07:30:0{second}Z" for second in range(3)]


def refused(path: Path) -> str:
    assert sniff(path).kind in ("log", "boundary", "other")
    with pytest.raises(LogError) as caught:
        read_log(path)
    text = str(caught.value)
    text.encode("utf-8")
    assert len(text) < 1500
    return text


def collection(*features: Any) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def feature(geometry: Any = "point", properties: Any = "time") -> dict[str, Any]:
    point = {"type": "Point", "coordinates": [117.2, -31.5]}
    return {
        "type": "Feature",
        "geometry": point if geometry == "point" else geometry,
        "properties": {"time": TIMES[0]} if properties == "time" else properties,
    }


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (collection(feature(properties="x")), "properties belong"),
        (collection(feature(properties=7)), "properties belong"),
        (collection(feature(geometry={"type": "Poin\ud800", "coordinates": [1, 2]})), "not a point"),
        (collection(feature(geometry={"type": "Point", "coordinates": [10**400, 2]})), "bad_position"),
        (collection(feature(geometry={"type": "Point", "coordinates": []})), "bad_position"),
        (collection(feature(geometry=[1, 2])), "not a point"),
        (collection(feature(properties={"time": 10**400})), "cannot be read as a time"),
        (collection(feature(properties={"time": "\ud800"})), "cannot be read as a time"),
        (collection("x"), "no feature"),
        ("[" * 100_000, "not GeoJSON"),
        ('{"a":' * 100_000, "not GeoJSON"),
        ('{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read x.json"}', "not point features"),
        ('{"features": 3}', "GeoJSON"),
    ],
)
def test_geojson(tmp_path, text, word):
    path = tmp_path / "drive.geojson"
    path.write_text(text)
    assert word in refused(path)


def points(**columns: Any) -> pa.Table:
    plain = {"time": TIMES, "latitude": [-31.5, -31.50003, -31.50006], "longitude": [117.2] * 3}
    return pa.table({**plain, **columns})


@pytest.mark.parametrize(
    "columns",
    [
        {"product": pa.array([b"\xff", b"a", None], pa.binary())},
        {"product": pa.array(["a", "b", "c"], pa.string_view())},
        {"section_1": pa.array([b"1", b"0", b"1"], pa.binary())},
        {"section_1": pa.array(["on", "off", "on"], pa.large_string())},
        {"hdop": pa.array([[1.0], [2.0], None], pa.list_(pa.float64()))},
        {"time": pa.array(TIMES, pa.string_view())},
        {"time": pa.array([1772609400, 1772609401, 1772609402], pa.int64())},
        {"time": pa.array(np.array([text[:-1] for text in TIMES], "datetime64[ns]"))},
        {"speed_m_s": pa.array([1, 2, 3], pa.decimal128(10, 2))},
        {"product": pa.array(["a", "b", "a"]).dictionary_encode()},
    ],
)
def test_parquet_types_that_read(tmp_path, columns):
    pq.write_table(points(**columns), tmp_path / "drive.parquet")
    log = read_log(tmp_path / "drive.parquet")
    np.testing.assert_array_equal(log.time_s - log.time_s[0], [0, 1, 2])


@pytest.mark.parametrize("geo", [b"null", b"[1]", b'{"columns": []}', b'{"primary_column": ["time"]}', b"{", b"\xff"])
def test_parquet_metadata_of_any_shape(tmp_path, geo):
    pq.write_table(points().replace_schema_metadata({b"geo": geo}), tmp_path / "drive.parquet")
    assert len(read_log(tmp_path / "drive.parquet")) == 3


def test_parquet_refusals(tmp_path):
    path = tmp_path / "drive.parquet"
    table = points()
    pq.write_table(pa.Table.from_arrays([*table.columns, table.column(0)], [*table.column_names, "time"]), path)
    assert "two columns 'time'" in refused(path)
    pq.write_table(points(time=pa.array([1, 2, 3], pa.duration("s"))), path)
    assert "cannot be read as a time" in refused(path)


@pytest.mark.parametrize("value", ["1.7e308", "-1e300", "1e18", "253402300800"])
def test_times_beyond_the_calendar(tmp_path, value):
    path = tmp_path / "drive.csv"
    path.write_text(f"time,latitude,longitude\n{value},50,10\n{value},50.1,10\n")
    try:
        report = assess(read_log(path))
    except LogError as error:
        assert "bad_time" in str(error) or "duplicate" in str(error)  # noqa: PT017  # either is right
    else:
        assert report.start_utc is not None


def test_timestamps_beyond_the_calendar(tmp_path):
    far = pa.array([9_223_372_036_854_775_806, 0, 1_000_000], pa.timestamp("us", "UTC"))
    pq.write_table(points(time=far), tmp_path / "drive.parquet")
    log = read_log(tmp_path / "drive.parquet")
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("bad_time", 1)]
    log.quality.set_aside[0].example.encode()


@pytest.mark.parametrize("value", ["inf", "nan", "1e400", "99999999999"])
def test_task_data_with_numbers_that_are_none(tmp_path, value):
    head = f'<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="0074" B="{value}" C="DET-1"/></TIM>'
    path = write_time_log(tmp_path, "TLG00001", head, [record(second, {}) for second in range(3)])
    assert "DLV 0 B" in refused(path)


@pytest.mark.parametrize("number", [3_000_000_000, 10**17, 10**400])
def test_a_header_that_claims_billions_of_sections(tmp_path, number):
    path = tmp_path / "drive.csv"
    path.write_text(f"time,latitude,longitude,section_1,section_{number}\n{TIMES[0]},1,2,1,1\n{TIMES[1]},1,2,1,1\n")
    start = time.monotonic()
    try:
        read_log(path)
    except LogError as error:
        assert "numbered 1 to k" in str(error)  # noqa: PT017  # a number of 400 digits is no number of a section
    assert time.monotonic() - start < 20


def test_names_that_are_not_utf8(tmp_path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/dr\xefve.csv"))
    try:
        path.write_text("time,latitude,longitude\n" + "".join(f"{t},1,2.0000{i}\n" for i, t in enumerate(TIMES)))
    except OSError:
        pytest.skip("this file system takes UTF-8 only")
    log = read_log(path)
    assert log.inputs[0][0] == "dr\\xefve.csv"
    assert sniff(path).kind == "log"


@pytest.mark.parametrize("name", ["a\0b.csv", "/vsicurl/http://127.0.0.1:9/a.csv"])
def test_paths_of_nothing(name):
    assert sniff(name).kind == "other"
    with pytest.raises(LogError):
        read_log(name)


def test_pipes_and_rings(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "ring.csv").symlink_to("ring.csv")
    assert "a pipe" in refused(tmp_path / "pipe.csv")
    assert "back to itself" in refused(tmp_path / "ring.csv")


def test_a_geopackage_whose_table_never_ends(tmp_path):
    path = tmp_path / "drive.gpkg"
    endless = "with recursive c(i) as (select 1 union all select i + 1 from c)"
    with sqlite3.connect(path) as store:
        store.executescript(
            f"""
            create table gpkg_geometry_columns (table_name text, column_name text, geometry_type_name text,
                srs_id integer, z integer, m integer);
            insert into gpkg_geometry_columns values ('drive', 'geom', 'POINT', 4326, 0, 0);
            create view drive as {endless} select i as fid, null as geom, '{TIMES[0]}' as time from c;
            """  # noqa: S608  # our own text
        )
    start = time.monotonic()
    assert "is a view" in refused(path)
    path.unlink()
    with sqlite3.connect(path) as store:
        store.executescript(f"create view gpkg_geometry_columns as {endless} select i as table_name from c;")  # noqa: S608  # as above
    assert "no table gpkg_geometry_columns" in refused(path)
    assert time.monotonic() - start < 20
