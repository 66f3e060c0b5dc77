"""ledger.gpkg: layers, columns, places and areas, read back with another call of the library."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from swathledger.report.drive import nozzle_list
from swathledger.report.vector import LAYERS

GEOD = pyproj.Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def layers(written: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    plain = tmp_path_factory.mktemp("gpkg") / "ledger.gpkg"
    plain.write_bytes((written.folder / "ledger.gpkg").read_bytes())
    return {name: pyogrio.read_dataframe(plain, layer=name) for name, _ in pyogrio.list_layers(plain)}


def test_layers_and_columns(layers: dict[str, Any]) -> None:
    assert list(layers) == list(LAYERS)
    for name, (geometry, columns) in LAYERS.items():
        table = layers[name]
        assert [c for c in table.columns if c != "geometry"] == list(columns), name
        if geometry:
            assert table.crs.to_epsg() == 4326, name
            assert set(table.geometry.geom_type) <= {geometry}, name


def test_boundary_lies_where_it_was_given(layers: dict[str, Any], repository: Path, written: Any) -> None:
    given = pyogrio.read_dataframe(repository / "sample_logs" / "boundaries.geojson")
    ring = given[(given.field_id == "duckhole") & (given.role == "boundary")].geometry.iloc[0]
    found = layers["boundary"].geometry.iloc[0]
    # 1e-8 degrees is a millimetre
    assert shapely.hausdorff_distance(shapely.MultiPolygon([ring]), found) < 1e-8
    assert layers["boundary"].geodesic_area_m2.iloc[0] == pytest.approx(
        written.document["field"]["geodesic_area_m2"], rel=1e-9
    )


@pytest.mark.parametrize("kind", ["overlap", "skip"])
def test_pieces_add_up_to_the_area_beyond_tolerance(layers: dict[str, Any], written: Any, kind: str) -> None:
    summary = dict(zip(layers["summary"].quantity, layers["summary"].value, strict=True))
    drawn = layers[kind].area_m2.sum()
    assert drawn == pytest.approx(summary[f"{kind}_pieces_m2"], rel=1e-9)
    total = drawn + summary[f"{kind}_small_pieces_m2"]
    assert total == pytest.approx(written.document["area"][f"{kind}_beyond_tolerance_m2"], rel=1e-9)
    # outlines are smoothed by up to a cell: their own areas, on the ellipsoid, come close
    outlines = sum(abs(GEOD.geometry_area_perimeter(shape)[0]) for shape in layers[kind].geometry)
    assert outlines == pytest.approx(drawn, rel=0.05)


def test_overlap_tells_its_cause(layers: dict[str, Any]) -> None:
    overlap = layers["overlap"]
    assert set(overlap.cause) <= {"turn", "restart", "guidance", "crossing", "standing"}
    assert np.all(overlap.times_treated_mean >= 2)
    assert np.allclose(overlap.extra_m2, overlap.area_m2 * (overlap.times_treated_mean - 1))


def test_excluded_pieces_lie_in_exclusions(layers: dict[str, Any]) -> None:
    excluded, exclusions = layers["excluded"], layers["exclusions"]
    assert len(excluded) > 0
    inside = shapely.union_all(exclusions.geometry.to_numpy()).buffer(1e-5)  # about a metre, two cells of this audit
    assert all(inside.contains(shape) for shape in excluded.geometry)


def test_spared_pieces_are_overlap_of_the_log(layers: dict[str, Any], written: Any) -> None:
    spared = layers["spared"]
    assert set(spared.spared_by) == {written.document["model"]["spared_by"]}
    small = dict(zip(layers["summary"].quantity, layers["summary"].value, strict=True))["spared_small_pieces_m2"]
    for cause in set(spared.cause):
        stated = next(c["area_m2"] for c in written.document["model"]["spared_by_cause"] if c["cause"] == cause)
        # a spared cell counts as often as it is spared in the ledger, once in the outline
        assert spared[spared.cause == cause].area_m2.sum() <= stated + small + 1e-6


def test_passes_are_those_of_the_drive(layers: dict[str, Any], written: Any) -> None:
    passes, swath, log = layers["passes"], written.audit.swath, written.audit.log
    assert list(passes["pass"]) == list(range(1, swath.pass_count + 1))
    assert list(passes.line) == [int(n) + 1 for n in swath.line_id]
    sprayed = swath.pass_id >= 0
    assert passes.length_m.sum() == pytest.approx(swath.distance_m[sprayed].sum())
    assert passes.volume_l.sum() == pytest.approx(swath.volume_l[sprayed].sum())
    # lengths on the ellipsoid; lines are thinned by a centimetre
    lines = sum(GEOD.geometry_length(line) for line in passes.geometry)
    assert lines == pytest.approx(passes.length_m.sum(), rel=2e-3)
    assert passes.start_utc.iloc[0].endswith("Z")
    first = np.datetime64(passes.start_utc.iloc[0].rstrip("Z"))
    start = np.datetime64(round(log.time_s[0] * 1000), "ms")
    assert (first - start) / np.timedelta64(1, "ms") == pytest.approx(1000 * passes.start_s.iloc[0], abs=1)


def test_headings_follow_the_lines(layers: dict[str, Any]) -> None:
    passes = layers["passes"]
    straight = 0
    for line, heading in zip(passes.geometry, passes.heading_deg, strict=True):
        xy = shapely.get_coordinates(line)
        azimuth, _, distance = GEOD.inv(*xy[0], *xy[-1])
        if len(line.geoms) == 1 and distance > 0.98 * GEOD.geometry_length(line):
            straight += 1
            assert abs((heading - azimuth + 180) % 360 - 180) < 3.0
    assert straight >= 5


def test_states_cover_what_was_wanted(layers: dict[str, Any], written: Any) -> None:
    swath = written.audit.swath
    driven = swath.wanted & swath.linked & ~swath.standing
    assert layers["states"].length_m.sum() == pytest.approx(swath.distance_m[driven].sum())
    assert set(layers["states"].open_nozzles).issuperset({"1-72"})


def test_a_stop_is_a_point(layers: dict[str, Any]) -> None:
    # the drive stands for 180 s in the middle of the field (sample_logs/truth/duckhole.json, events)
    stops = layers["stops"]
    assert list(stops.duration_s.round(-1)) == [180.0]
    assert len(layers["standing"]) == 0


def test_nozzles_are_listed_as_spans() -> None:
    assert nozzle_list(np.array([1, 0, 0, 1, 1, 1], bool)) == "1,4-6"
    assert nozzle_list(np.zeros(3, bool)) == ""
