"""Shape measures against published values, and unchanged by turning, moving and mirroring."""

from __future__ import annotations

import math
from typing import Any

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, Polygon, affinity, box

from swathledger.field.field import Field, LocalPlane
from swathledger.field.mend import as_polygons
from swathledger.field.shape import ShapeMetrics, shape_metrics


def measured(boundary: Any, exclusions: Any = None) -> ShapeMetrics:
    return shape_metrics(
        Field(
            field_id="A",
            plane=LocalPlane(-33.0, 117.0),
            boundary=boundary,
            exclusions=MultiPolygon() if exclusions is None else as_polygons(exclusions),
            source="given",
            geodesic_area_m2=boundary.area,
        )
    )


# A/P2, 4 pi A/P2, A/hull: Amiama, Bueno & Alvarez 2008, Biosyst. Eng. 100:198-205 (seen), and geometry (derived).
@pytest.mark.parametrize(
    ("boundary", "shape", "compactness", "convexity"),
    [
        (box(0, 0, 300, 300), 0.0625, 0.7854, 1.0),
        (Point(0, 0).buffer(200, quad_segs=256), 0.0796, 1.0, 1.0),
        (box(0, 0, 400, 100), 0.04, 0.5027, 1.0),
    ],
)
def test_published_shapes(boundary: Polygon, shape: float, compactness: float, convexity: float) -> None:
    metrics = measured(boundary)
    assert metrics.shape == pytest.approx(shape, abs=5e-5)
    assert metrics.compactness == pytest.approx(compactness, abs=5e-5)
    assert metrics.convexity == pytest.approx(convexity, abs=1e-12)


def test_an_l_shape_by_hand() -> None:
    # 200 x 200 less a corner of 100 x 100: 30,000 m2; perimeter still 800 m; hull 40,000 - 100 x 100 / 2 = 35,000 m2
    metrics = measured(Polygon([(0, 0), (200, 0), (200, 100), (100, 100), (100, 200), (0, 200)]))
    assert metrics.area_m2 == 30_000
    assert metrics.perimeter_m == 800
    assert metrics.perimeter_to_area_per_m == pytest.approx(800 / 30_000)
    assert metrics.convexity == pytest.approx(30_000 / 35_000)


def test_exclusions_belong_to_the_target_only() -> None:
    # a pond of 50 x 20 in 400 x 300, and a strip 10 m wide along the west edge
    metrics = measured(box(0, 0, 400, 300), shapely.union(box(100, 100, 150, 120), box(0, 0, 10, 300)))
    assert metrics.area_m2 == 120_000
    assert metrics.perimeter_m == 1400
    assert metrics.target_area_m2 == 120_000 - 1000 - 3000
    assert metrics.target_perimeter_m == (390 + 300) * 2 + 140
    assert metrics.target_perimeter_to_area_per_m == pytest.approx(1520 / 116_000)
    assert metrics.exclusion_count == 2


def test_holes_and_parts_count() -> None:
    holed = Polygon(box(0, 0, 100, 100).exterior.coords, [box(40, 40, 60, 60).exterior.coords])
    metrics = measured(MultiPolygon([holed, box(200, 0, 300, 100)]))
    assert (metrics.part_count, metrics.hole_count, metrics.exclusion_count) == (2, 1, 0)
    assert metrics.area_m2 == 20_000 - 400
    assert metrics.perimeter_m == 400 + 80 + 400
    # the hull spans the gap: 300 x 100
    assert metrics.convexity == pytest.approx(19_600 / 30_000)


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 135.0, 179.0])
def test_long_axis(bearing: float) -> None:
    # a north-south rectangle turned clockwise by the bearing (shapely turns counter-clockwise)
    metrics = measured(affinity.rotate(box(0, 0, 100, 400), -bearing))
    assert metrics.long_axis_m == pytest.approx(400)
    assert metrics.short_axis_m == pytest.approx(100)
    assert metrics.long_axis_bearing_deg is not None
    difference = (metrics.long_axis_bearing_deg - bearing + 90) % 180 - 90
    assert difference == pytest.approx(0, abs=1e-6)
    assert 0 <= metrics.long_axis_bearing_deg < 180


def test_a_square_has_no_long_axis() -> None:
    assert measured(box(0, 0, 100, 100)).long_axis_bearing_deg is None


@given(turn=st.floats(0, 360), x=st.floats(-3000, 3000), y=st.floats(-3000, 3000), mirror=st.booleans())
def test_turning_moving_mirroring_change_nothing(turn: float, x: float, y: float, mirror: bool) -> None:
    boundary = Polygon([(0, 0), (300, 20), (280, 150), (120, 160), (100, 400), (-20, 380)])
    moved = affinity.translate(affinity.rotate(affinity.scale(boundary, -1 if mirror else 1, 1), turn), x, y)
    one, two = measured(boundary), measured(moved)
    for name in ("area_m2", "perimeter_m", "compactness", "shape", "convexity", "long_axis_m", "short_axis_m"):
        assert getattr(two, name) == pytest.approx(getattr(one, name), rel=1e-9), name


@given(st.floats(0.1, 10))
def test_scaling_changes_only_what_has_a_length(factor: float) -> None:
    boundary = Polygon([(0, 0), (300, 20), (280, 150), (120, 160), (100, 400), (-20, 380)])
    one, two = measured(boundary), measured(affinity.scale(boundary, factor, factor))
    assert two.compactness == pytest.approx(one.compactness, rel=1e-9)
    assert two.convexity == pytest.approx(one.convexity, rel=1e-9)
    assert two.perimeter_to_area_per_m == pytest.approx(one.perimeter_to_area_per_m / factor, rel=1e-9)


def test_compactness_never_above_one() -> None:
    assert measured(Point(0, 0).buffer(100, quad_segs=4)).compactness < 1
    assert math.isclose(4 * math.pi * 0.0625, 0.7854, abs_tol=5e-5)
