"""Shapes: areas by hand, random ones exactly as asked."""

from __future__ import annotations

import math

import pytest

from swathledger.errors import InputError
from swathledger.simulate import fields


def test_areas_by_hand():
    assert fields.rectangle(700, 300).boundary.area == pytest.approx(210_000)
    assert fields.triangle(900, 320).boundary.area == pytest.approx(144_000)
    assert fields.l_shape(620, 480, 230).boundary.area == pytest.approx(620 * 230 + 250 * 230)
    # A regular polygon of n corners: n/2 R^2 sin(2 pi / n).
    assert fields.circle(100, 180).boundary.area == pytest.approx(90 * 100**2 * math.sin(math.pi / 90))


def test_exclusions_and_their_buffers_leave_the_target():
    shape = fields.waterway_and_pond()
    assert len(shape.exclusions) == 2
    whole = shape.boundary.area - shape.exclusions[0].area - shape.exclusions[1].area
    assert shape.target.area < whole  # the pond's buffer strip comes on top


@pytest.mark.parametrize("pa", [0.01, 0.02, 0.03])
@pytest.mark.parametrize("seed", range(8))
def test_random_field_has_the_area_and_perimeter_asked_for(pa, seed):
    area = (5.5 / pa) ** 2
    field = fields.random_field(pa, area, seed).boundary
    assert field.is_valid
    assert field.geom_type == "Polygon"
    assert field.area == pytest.approx(area, rel=1e-9)
    assert field.length / field.area == pytest.approx(pa, rel=1e-6)
    assert fields.random_field(pa, area, seed).boundary.equals_exact(field, 0.0)


def test_an_impossible_field_is_refused_with_the_possible_range():
    with pytest.raises(InputError, match="Choose between"):
        fields.random_field(0.005, 10_000.0, 1)
