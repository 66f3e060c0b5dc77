"""Boundaries moved smoothly along their line, and exclusions that stay inside them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from swathledger.estimate.fields import moved_field, moved_ring
from swathledger.field.field import Field, LocalPlane

PLANE = LocalPlane(-33.0, 123.0)


def test_ring_stays_closed_and_moves_by_its_sigma_alike_for_neighbours():
    ring = shapely.get_coordinates(shapely.segmentize(shapely.box(0, 0, 400, 200).exterior, 5.0))
    rng = np.random.default_rng(1)
    moved = np.stack([moved_ring(ring, 0.2, 50.0, rng) - ring for _ in range(4000)])
    assert np.array_equal(moved[:, 0], moved[:, -1])
    assert moved.std(axis=0) == pytest.approx(np.full(ring.shape, 0.2), rel=0.06)
    # Gaussian correlation of length 50 m: exp(-(lag / 50)^2 / 2) at 5 and at 50 m along the line.
    for steps in (1, 10):
        found = np.corrcoef(moved[:, 20, 0], moved[:, 20 + steps, 0])[0, 1]
        assert found == pytest.approx(np.exp(-((5.0 * steps / 50.0) ** 2) / 2), abs=0.04)


def test_exclusions_move_on_their_own_and_stay_inside():
    box, pond = shapely.box(0, 0, 300, 200), shapely.MultiPolygon([shapely.Point(100, 100).buffer(20)])
    field = Field("invented", PLANE, box, pond, "given", box.area)
    moved = moved_field(field, 2.0, np.random.default_rng(1))
    assert moved.boundary.is_valid
    assert moved.exclusions.is_valid
    assert moved.boundary.buffer(1e-6).contains(moved.exclusions)
    assert not moved.boundary.equals(field.boundary)
    assert not moved.exclusions.equals(pond)
    assert moved_field(field, 0.0, np.random.default_rng(1)) is field
