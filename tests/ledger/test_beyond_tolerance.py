"""Ground beyond tolerance is what is wider than it in truth: strips of known width, at any bearing, straight or not."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from drivekit import PLANE, books_of, ground, placed, rectangle, sprayer
from pathkit import arc_path, log_of, passes_path
from shapely import Polygon

import swathledger.grid.frame as frame_module

BEARINGS = [
    0.0,
    90.0,
    45.0,
    math.degrees(math.atan(0.5)),
    math.degrees(math.atan(1 / 3)),
    5.7,
    17.3,
    68.1,
    131.0,
    301.7,
]
LENGTH_M = 80.0


def beyond(log, machine, field, quantity, tolerance, cell=0.1) -> float:
    result = books_of(log, machine, field, cell_m=cell, tolerance_m=tolerance)
    return result.books.areas.beyond_cells[quantity] * cell**2


def seam(width, bearing, quantity, tolerance=0.1, cell=0.1) -> float:
    """Share of a seam of two passes, ``width`` m too close or too far apart, that is found beyond tolerance."""
    apart = 6.0 - width if quantity == "overlap" else 6.0 + width
    log = log_of(passes_path(2, LENGTH_M, apart, bearing_deg=bearing, origin=(3.17, 1.23)), PLANE)
    hull = rectangle(-3.0, 0.0, apart + 3.0, LENGTH_M, bearing, (3.17, 1.23))
    return beyond(log, sprayer(6.0), ground(hull), quantity, tolerance, cell) / (width * LENGTH_M)


@pytest.mark.parametrize("bearing", BEARINGS)
@pytest.mark.parametrize("quantity", ["overlap", "skip"])
def test_nine_centimetres_vanish_and_twelve_stay(quantity, bearing):
    assert seam(0.09, bearing, quantity) <= 0.1
    assert seam(0.12, bearing, quantity) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("bearing", BEARINGS[::3])
@pytest.mark.parametrize(
    ("tolerance", "cell", "gone", "stays"),
    [
        (0.02, 0.1, None, 0.06),
        (0.1, 0.05, 0.09, 0.11),
        (0.1, 0.2, 0.06, 0.15),
        (0.1, 0.25, 0.05, 0.18),
        # a tolerance misread by a cell shows here: 0.2 is two cells, 0.3 three
        (0.2, 0.1, 0.18, 0.22),
        (0.3, 0.1, 0.28, 0.33),
        (0.5, 0.25, 0.45, 0.56),
        (1.0, 0.1, 0.96, 1.06),
    ],
)
def test_other_tolerances_and_cells(tolerance, cell, gone, stays, bearing):
    if gone is not None:
        assert seam(gone, bearing, "overlap", tolerance, cell) <= 0.1
    # an area of few sample points is itself uncertain: 3 sigma of two edges
    error = 3 * cell**2 * math.sqrt(2 * LENGTH_M / cell / 6 * 1.3) / (stays * LENGTH_M)
    assert seam(stays, bearing, "overlap", tolerance, cell) == pytest.approx(1.0, abs=0.1 + error)


@pytest.mark.parametrize("bearing", [0.0, 17.3, 45.0, 101.0])
def test_a_wedge_counts_where_it_is_wider(bearing):
    # A pass of 6 m whose right side leaves the field along a line, from 0 to 0.4 m beyond: under 0.1 m over 20 of 80 m.
    log = log_of(passes_path(1, LENGTH_M, 6.0, bearing_deg=bearing), PLANE)
    edge = Polygon([(-3, 0), (3, 0), (3 - 0.4, LENGTH_M), (-3, LENGTH_M)])
    found = beyond(log, sprayer(6.0), ground(placed(edge, bearing, (0.0, 0.0))), "outside", 0.1)
    # 16 m2 less the tip's 1 m2; its end is found to 2 m, where the wedge is 0.1 m wide
    assert found == pytest.approx(0.4 * LENGTH_M / 2 - 0.1 * 20.0 / 2, abs=0.3)


@pytest.mark.parametrize("radius", [12.0, 30.0, 80.0])
@pytest.mark.parametrize(("width", "stays"), [(0.08, False), (0.13, True)])
def test_curved_strips(width, stays, radius):
    inner, outer = arc_path(radius, step_s=0.2), arc_path(radius + 6.0 - width, step_s=0.2)
    log = log_of(inner.then(outer, 100.0), PLANE)
    found = beyond(log, sprayer(6.0), ground(shapely.Point(0, 0).buffer(radius + 20)), "overlap", 0.1)
    whole = 2 * math.pi * (radius + 3.0 - width / 2) * width
    if stays:
        assert found == pytest.approx(whole, rel=0.1)
    else:
        assert found <= 0.1 * whole


def test_blobs_and_what_hangs_on_them():
    # a square of 2 m skipped, and a slit of 5 cm and 30 m from it to the field's edge: the square stays, the slit goes
    log = log_of(passes_path(1, 60.0, 6.0, bearing_deg=20.0), PLANE)
    hole = shapely.union(shapely.box(2.0, 29.0, 5.0, 31.0), shapely.box(3.0, 0.0, 3.05, 60.0))
    field = shapely.union(shapely.box(-3.0, 0.0, 3.0, 60.0), hole)
    found = beyond(log, sprayer(6.0), ground(placed(field, 20.0, (0.0, 0.0))), "skip", 0.1)
    assert found == pytest.approx(4.0, abs=0.15)


def test_no_tolerance_keeps_all():
    result = books_of(
        log_of(passes_path(2, 30.0, 5.95), PLANE), sprayer(6.0), ground(rectangle(-3, 0, 9, 30)), tolerance_m=0.0
    )
    assert result.books.areas.beyond_cells["overlap"] == result.books.areas.cells["overlap"]


def test_bands_leave_no_seams(monkeypatch):
    log = log_of(passes_path(4, 150.0, 5.9, bearing_deg=33.0), PLANE)
    field = ground(rectangle(-3.0, 0.0, 20.7, 150.0, 33.0))
    whole = books_of(log, sprayer(6.0), field)
    monkeypatch.setattr(frame_module, "BAND_CELLS", 1)
    for threads in (1, 3):
        cut = books_of(log, sprayer(6.0), field, threads=threads)
        assert cut.books.areas == whole.books.areas
    # 10 cm at a tolerance of 10 cm: some is kept and some is not, so that there is something to get wrong
    kept = whole.books.areas.beyond_cells["overlap"]
    assert 0 < kept < whole.books.areas.cells["overlap"]
    assert np.isfinite(kept)
