"""A field across 180 degrees: its halves are stored on either side, and its log jumps from 180 to -180."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from swathledger.documents.document import plain
from swathledger.field.read import list_fields
from swathledger.season.find.split_by_field import FieldIndex, _middle
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season

from . import conftest
from .conftest import START, degrees, lanes, log_text, make_farm_in, west_of, write_season

EDGE = 179.9997
HALF_M = (180.0 - EDGE) * conftest.M_PER_DEG_LON  # 28 m: inside the first field of 60 m


def wrapped(longitude):
    return longitude - 360.0 if longitude >= 180.0 else longitude


def ring(west, east, turn):
    corners = [degrees(x, y) for x, y in ((west, 0), (east, 0), (east, 60), (west, 60), (west, 0))]
    return [[longitude - turn, latitude] for latitude, longitude in corners]


@pytest.fixture
def farm(tmp_path, monkeypatch):
    """Plot 1 lies across 180 degrees, split there (RFC 7946, 3.1.9); plot 2 lies east of it."""
    monkeypatch.setattr(conftest, "LONGITUDE", EDGE)
    farm = make_farm_in(tmp_path / "farm", 2, with_logs=False)
    first, second = west_of(0), west_of(1)
    shapes = [
        {"type": "MultiPolygon", "coordinates": [[ring(first, HALF_M, 0.0)], [ring(HALF_M, first + 60.0, 360.0)]]},
        {"type": "Polygon", "coordinates": [ring(second, second + 60.0, 360.0)]},
    ]
    features = [
        {"type": "Feature", "properties": {"field_id": f"plot {n}"}, "geometry": shape}
        for n, shape in enumerate(shapes, start=1)
    ]
    farm.boundaries.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    for number in range(2):
        lines = log_text(lanes(number), start=START + 3600 * number).splitlines()
        rows = [line.split(",") for line in lines[1:]]
        text = [",".join([*row[:2], f"{wrapped(float(row[2])):.8f}", *row[3:]]) for row in rows]
        farm.log(f"{number}.csv", "\n".join([lines[0], *text]) + "\n")
    return farm


def test_its_log_lies_in_it_wholly(farm):
    manifest = read_manifest(write_season(farm))
    assert [(job.field, job.remarks) for job in manifest.jobs] == [("plot 1", ()), ("plot 2", ())]
    done = run_season(manifest, farm.folder / "out", pool=InlinePool())
    assert not done.failed
    assert plain(done.document)["totals"]["target_m2"] == pytest.approx(7200.0, rel=2e-3)
    shares = [row["over_application_pct"] for row in plain(done.document)["ranking"]["by_area"]]
    assert shares == pytest.approx([3.3] * 2, abs=0.1)


def test_the_nearest_field_is_found_across_the_line(farm):
    index = FieldIndex(list_fields(farm.boundaries))
    # 100 m west of plot 1 and 30 m east of plot 2, each written on its own side of the line
    for x, name, metres in ((-100.0, "plot 1", 100.0), (west_of(1) + 90.0, "plot 2", 30.0)):
        latitude, longitude = degrees(x, 30.0)
        found, far = index.nearest(np.array([wrapped(longitude)] * 2), np.array([latitude] * 2))
        assert found == name
        assert far == pytest.approx(metres, rel=0.03)


def test_the_middle_of_a_track_across_the_line():
    assert _middle(np.array([179.9, 180.0 - 1e-9, -179.9, -179.8])) == pytest.approx(-179.95)
    assert _middle(np.array([-179.9, 179.7, 179.6])) == pytest.approx(179.7)
    assert _middle(np.array([10.0, 12.0])) == 11.0


def test_outlines_on_either_side_are_asked_alike():
    class Outline:
        def __init__(self, west, east):
            self.field_id, self.geometry = "f", shapely.box(west, -33.0, east, -32.9)

    for west, east in ((179.9, 180.1), (-180.1, -179.9)):
        held = FieldIndex([Outline(west, east)]).holding(np.array([179.95, -179.95, 0.0]), np.full(3, -32.95))
        assert held[0].tolist() == [True, True, False]
