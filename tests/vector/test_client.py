"""Vector files are read by a short list of drivers, within bounds, and reach nothing but themselves."""

from __future__ import annotations

import http.server
import json
import os
import sqlite3
import threading
import zipfile
from collections.abc import Iterator
from pathlib import Path

import geopandas
import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from swathledger.errors import FieldError, InputError, LogError
from swathledger.field.read import list_fields, read_field
from swathledger.log.formats import sniff
from swathledger.log.read import read_log
from swathledger.vector import client
from swathledger.vector.client import kind_of, layers, read_layer
from swathledger.vector.worker import DRIVERS

SUFFIXES = [
    ".csv",
    ".txt",
    ".json",
    ".geojson",
    ".kml",
    ".gpx",
    ".xml",
    ".vrt",
    ".gml",
    ".gpkg",
    ".shp",
    ".fgb",
    ".zip",
]


@pytest.fixture
def server() -> Iterator[tuple[str, list[str]]]:
    """A server on this computer, and the paths that were asked of it."""
    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def answer(self) -> None:
            asked.append(self.path)
            self.send_response(404)
            self.end_headers()

        do_GET = do_HEAD = do_POST = do_CONNECT = answer  # noqa: N815  # names of the library

        def log_message(self, *_: object) -> None:
            return

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as made:
        thread = threading.Thread(target=made.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{made.server_port}", asked
        made.shutdown()
        thread.join()


def hostile(url: str, secret: Path) -> list[str]:
    """Texts that some driver of GDAL takes for the way to another place."""
    pipeline = f"gdal vector pipeline ! read {url}/a.geojson ! write out.geojson"
    return [
        f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/vsicurl/{url}/a.csv</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>",
        f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{secret}</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>",
        f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
        f"<OGRCSWDataSource><URL>{url}/csw</URL></OGRCSWDataSource>",
        f"<?xml version='1.0'?><!-- <kml <gpx --><OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
        json.dumps({"type": "gdal_streamed_alg", "command_line": pipeline}),
        json.dumps({"type": "FeatureCollection", "x": "gdal_streamed_alg", "command_line": pipeline, "features": []}),
        f'{{"links": [{{"rel": "data", "href": "{url}/collections"}}], "type": "FeatureCollection"}}',
        f'<kml xmlns="http://www.opengis.net/kml/2.2"><NetworkLink><Link><href>{url}/a.kml</href></Link></NetworkLink>'
        "</kml>",
        f'<ogr:FeatureCollection xmlns:ogr="http://ogr.maptools.org/" xmlns:gml="http://www.opengis.net/gml" '
        f'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://x.org {url}/a.xsd"/>',
        f"/vsicurl/{url}/a.geojson",
        f"WFS:{url}/wfs",
    ]


def test_no_input_reaches_the_network_or_another_file(server, tmp_path):
    url, asked = server
    secret = tmp_path / "secret.csv"
    secret.write_text("time,latitude,longitude\n2026-03-04T07:30:00Z,1,2\n2026-03-04T07:30:01Z,1,2.00001\n")
    for number, text in enumerate(hostile(url, secret)):
        for suffix in SUFFIXES:
            path = tmp_path / f"drive{number}{suffix}"
            path.write_text(text)
            assert sniff(path).kind == "other", path
            with pytest.raises(LogError):
                read_log(path)
            with pytest.raises(FieldError):
                list_fields(path)
            path.unlink()
    for name in (f"/vsicurl/{url}/a.csv", f"WFS:{url}", f"{url}/a.geojson"):
        with pytest.raises(LogError):
            read_log(name)
        with pytest.raises(FieldError):
            list_fields(name)
    assert asked == []


def test_the_server_would_have_seen_a_request(server):
    """The test above can fail: a plain reader does ask."""
    import pyogrio

    url, asked = server
    with pytest.raises(pyogrio.errors.DataSourceError):
        pyogrio.list_layers(f"/vsicurl/{url}/a.geojson")
    assert asked


def table() -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame({"name": ["a", "b", None]}, geometry=[Point(1, k) for k in range(3)], crs=4326)


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "fgb", "geojson", "kml", "gpx"])
def test_kinds_that_are_read(tmp_path, suffix):
    path = tmp_path / f"a!.{suffix}"
    plain = tmp_path / f"a.{suffix}"
    if suffix == "kml":
        marks = "".join(f"<Placemark><Point><coordinates>1,{k}</coordinates></Point></Placemark>" for k in range(3))
        plain.write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marks}</Document></kml>')
    else:
        table().to_file(plain)
    for part in sorted(tmp_path.glob("a.*")):
        part.rename(tmp_path / f"a!{part.suffix}")
    found = layers(path)
    first = next(layer for layer in found if layer.kind in ("Point", "Point Z", "Unknown"))
    read = read_layer(path, first.name)
    assert read.table.num_rows == 3
    assert read.geometry is not None


def test_suffix_and_content_have_to_agree():
    assert kind_of(Path("a.kml"), b'<?xml version="1.0"?><kml>') == "KML"
    assert kind_of(Path("a.kml"), b"<OGRVRTDataSource>") is None
    assert kind_of(Path("a.csv"), b"SQLite format 3\0") is None
    assert kind_of(Path("a.gpkg"), b"{") is None
    assert kind_of(Path("a.json"), b'\xef\xbb\xbf {"type"') == "GeoJSON"


def test_a_zip_file_holds_one_shapefile_and_nothing_else(tmp_path):
    table().to_file(tmp_path / "a.shp")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for part in tmp_path.glob("a.[sdpc]*"):
            archive.write(part, part.name)
    assert layers(tmp_path / "a.zip")[0].name == "a"
    with zipfile.ZipFile(tmp_path / "a.zip", "a") as archive:
        archive.writestr("b.vrt", "<OGRVRTDataSource/>")
    with pytest.raises(InputError, match="one shapefile"):
        layers(tmp_path / "a.zip")


def test_too_long_and_too_large_are_told_and_the_next_file_is_read(tmp_path, monkeypatch):
    good, bad = tmp_path / "good.gpkg", tmp_path / "bad.gpkg"
    table().to_file(good)
    table().to_file(bad)
    with sqlite3.connect(bad) as store:
        names = [row[0] for row in store.execute("select name from sqlite_master where type = 'trigger'")]
        for name in names:
            store.execute(f'drop trigger "{name}"')
        store.execute("create table kept as select * from bad")
        store.execute("drop table bad")
        store.execute(
            "create view bad as with recursive c(i) as (select 1 union all select i + 1 from c) "
            "select i as fid, (select geom from kept limit 1) as geom, printf('%.1000c', 'x') as name from c"
        )
    monkeypatch.setattr(client, "_MEMORY_BYTES", 1 << 28)
    monkeypatch.setattr(client, "_TIME_S", 3.0)
    with pytest.raises(InputError, match=r"memory|within 3 s"):  # whichever is met first
        read_layer(bad, "bad")
    monkeypatch.undo()
    assert read_layer(good, "good").table.num_rows == 3


def test_a_worker_that_was_ended_is_started_again(tmp_path):
    path = tmp_path / "a.fgb"
    table().to_file(path)
    assert layers(path)
    process = client._worker()._process
    assert process is not None
    process.kill()
    process.wait()
    assert layers(path)


def test_only_the_short_list_of_drivers_is_left():
    assert {"ESRI Shapefile", "GPKG", "GeoJSON", "FlatGeobuf", "KML"} <= set(DRIVERS)
    assert not {"OGR_VRT", "WFS", "HTTP", "CSW", "GDALG", "GML", "SQLite"} & set(DRIVERS)


@pytest.mark.parametrize("corners", [400, 2000, 5000])
def test_a_boundary_that_crosses_itself_everywhere_is_refused(tmp_path, corners):
    xy = np.random.default_rng(corners).uniform((117.0, -31.0), (117.01, -30.99), (corners, 2))
    frame = geopandas.GeoDataFrame({"field_id": ["A"]}, geometry=[Polygon(xy)], crs=4326)
    frame.to_file(tmp_path / "b.geojson")
    with pytest.raises(FieldError, match="crosses itself more than 10,000 times"):
        read_field(tmp_path / "b.geojson")


def test_a_boundary_that_crosses_itself_a_few_times_is_mended(tmp_path):
    bow = Polygon([(117.0, -31.0), (117.01, -30.99), (117.01, -31.0), (117.0, -30.99)])
    geopandas.GeoDataFrame({"field_id": ["A"]}, geometry=[bow], crs=4326).to_file(tmp_path / "b.geojson")
    (field,) = list_fields(tmp_path / "b.geojson")
    assert field.geodesic_area_m2 > 400_000


def test_pipes_rings_and_odd_names_as_boundaries(tmp_path):
    os.mkfifo(tmp_path / "pipe.geojson")
    (tmp_path / "ring.geojson").symlink_to("ring.geojson")
    for name in ("pipe.geojson", "ring.geojson", "no\0thing.geojson"):
        with pytest.raises(FieldError):
            list_fields(tmp_path / name)
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/f\xeeld.geojson"))
    frame = geopandas.GeoDataFrame({"field_id": ["A"]}, geometry=[box(117, -31, 117.01, -30.99)], crs=4326)
    frame.to_file(tmp_path / "plain.geojson")
    odd.write_bytes((tmp_path / "plain.geojson").read_bytes())
    assert list_fields(odd)[0].field_id == "A"
