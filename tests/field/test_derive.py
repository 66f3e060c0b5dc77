"""A boundary derived from ground covered, on drives a reader can solve by eye."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, Polygon, box

from swathledger.errors import FieldError
from swathledger.field.derive import field_from_quads
from swathledger.field.field import LocalPlane
from swathledger.words import say_all

PLANE = LocalPlane(-33.0, 117.0)


def strips(*spans: tuple[float, float, float, float], step: float = 10.0) -> tuple[Any, Any]:
    """Quads of passes east: each (south edge, north edge, from x, to x), cut every ``step`` metres."""
    x, y = [], []
    for south, north, begin, end in spans:
        stations = np.arange(begin, end + step / 2, step)
        for a, b in itertools.pairwise(stations):
            x.append([a, a, b, b])
            y.append([north, south, south, north])
    return np.array(x, dtype=float), np.array(y, dtype=float)


def test_touching_passes_make_one_rectangle() -> None:
    x, y = strips((0, 24, 0, 300), (24, 48, 0, 300), (48, 72, 0, 300))
    field = field_from_quads(x, y, PLANE, boom_width_m=24)
    assert field.source == "derived"
    assert field.boundary.equals(box(0, 0, 300, 72))
    assert field.geodesic_area_m2 == pytest.approx(300 * 72, rel=1e-6)
    assert field.exclusions.is_empty
    assert "derived from the ground covered (21,600 m²)" in say_all(field.notes)[0]
    assert "narrower than 12 m closed" in say_all(field.notes)[0]


def test_a_missed_strip_is_a_skip_not_a_hole() -> None:
    # 3 m missed between two passes, closed at half the boom width
    x, y = strips((0, 24, 0, 300), (27, 51, 0, 300))
    field = field_from_quads(x, y, PLANE, boom_width_m=24)
    assert field.boundary.geom_type == "Polygon"
    assert field.boundary_area_m2 == pytest.approx(300 * 51, rel=1e-3)
    # unclosed, the two stay apart
    apart = field_from_quads(x, y, PLANE, closing_m=0.0)
    assert len(shapely.get_parts(apart.boundary)) == 2
    assert apart.boundary_area_m2 == pytest.approx(300 * 48)


def test_a_pond_driven_round_stays_out() -> None:
    x, y = strips((0, 24, 0, 300), (24, 48, 0, 100), (24, 48, 150, 300), (48, 72, 0, 300))
    field = field_from_quads(x, y, PLANE, boom_width_m=24)
    assert len(field.boundary.interiors) == 1  # type: ignore[union-attr]  # one part, by the drive
    assert not field.boundary.contains(Point(125, 36))
    # the hole of 50 x 24, its corners rounded by the closing disc of 6 m: 4 (1 - pi / 4) 36 = 30.9 m2 less
    hole = Polygon(field.boundary.interiors[0])  # type: ignore[union-attr]
    assert hole.area == pytest.approx(1200 - 30.9, abs=1.5)


def test_a_speck_far_away_is_left_out() -> None:
    x, y = strips((0, 24, 0, 300), (24, 48, 0, 300), (0, 3, 900, 910))
    field = field_from_quads(x, y, PLANE, boom_width_m=24)
    assert field.boundary.bounds == pytest.approx((0, 0, 300, 48), abs=0.1)
    assert any("1 separate piece of less than 1 %" in note and "30 m²" in note for note in say_all(field.notes))


def test_rows_that_are_no_quad_are_passed_over() -> None:
    x, y = strips((0, 24, 0, 100))
    x = np.vstack([x, [[np.nan] * 4], [[5, 5, 5, 5]]])
    y = np.vstack([y, [[0] * 4], [[5, 5, 5, 5]]])
    assert field_from_quads(x, y, PLANE, boom_width_m=24).boundary_area_m2 == pytest.approx(2400)


def test_a_quad_crossing_itself_is_ground() -> None:
    # the left boom end swept backwards: corners going round make a bow-tie, whose hull is 10 x 10
    field = field_from_quads([[0, 10, 0, 10]], [[0, 0, 10, 10]], PLANE, closing_m=0)
    assert field.boundary_area_m2 == pytest.approx(100)


def test_many_quads_in_chunks_are_one_ground() -> None:
    x, y = strips((0, 24, 0, 1300), step=1.0)
    assert len(x) == 1300  # more than two chunks
    assert field_from_quads(x, y, PLANE, closing_m=0).boundary_area_m2 == pytest.approx(1300 * 24)


@given(st.lists(st.tuples(st.floats(0, 200), st.floats(0, 200), st.floats(2, 40)), min_size=1, max_size=12))
def test_covered_ground_stays_inside(blocks: list[tuple[float, float, float]]) -> None:
    x = np.array([[a, a, a + s, a + s] for a, _, s in blocks])
    y = np.array([[b + s, b, b, b + s] for _, b, s in blocks])
    field = field_from_quads(x, y, PLANE, closing_m=10.0)
    union = shapely.union_all([box(*np.round((a, b, a + s, b + s), 6)) for a, b, s in blocks])
    # closing only adds; parts under 1 % and thinning by 0.05 m may take a little
    missing = shapely.difference(union, field.boundary).area
    dropped = 0.01 * union.area * 12
    assert missing <= dropped + 0.05 * union.length
    assert field.boundary_area_m2 >= union.area - dropped - 0.05 * union.length


def test_nothing_covered() -> None:
    with pytest.raises(FieldError, match="no ground was covered"):
        field_from_quads(np.empty((0, 4)), np.empty((0, 4)), PLANE, boom_width_m=24)


def test_wrong_arrays() -> None:
    with pytest.raises(FieldError, match=r"\(n, 4\)"):
        field_from_quads(np.zeros((3, 3)), np.zeros((3, 3)), PLANE, boom_width_m=24)


@pytest.mark.parametrize("how", [{}, {"closing_m": -1.0}, {"closing_m": float("nan")}, {"boom_width_m": float("inf")}])
def test_no_closing_width(how: dict[str, float]) -> None:
    x, y = strips((0, 24, 0, 100))
    with pytest.raises(FieldError, match="closing width"):
        field_from_quads(x, y, PLANE, **how)  # type: ignore[arg-type]  # keywords by name
