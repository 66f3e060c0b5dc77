"""Half-open edges: neighbours neither share nor miss a cell; and grids so small that a reader solves them by eye."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from swathledger._jit import jit_enabled
from swathledger.grid.cells import Brush
from swathledger.grid.frame import Band, Frame, default_cell_m, frame_around, polygon_edges
from swathledger.grid.mask import EXCLUDED, OUTSIDE, TARGET, band_mask
from swathledger.grid.paint import paint_band
from swathledger.grid.pattern import sample_point
from swathledger.grid.revisit import boom_of
from swathledger.grid.strips import PoseLines, Strips

EDGES = np.array([-1.0, 1.0])
FEW = settings(max_examples=60 if jit_enabled() else 4)


def points(frame: Frame) -> tuple[np.ndarray, np.ndarray]:
    """Sample points of a frame's cells, row 0 southmost: an independent, slow walk."""
    x = np.empty((frame.rows, frame.columns))
    y = np.empty_like(x)
    with np.errstate(over="ignore"):  # interpreted, unsigned products wrap with a warning
        for r in range(frame.rows):
            for c in range(frame.columns):
                i, j = frame.first_column + c, frame.first_row + r
                u, v = sample_point(np.int64(i), np.int64(j))
                x[r, c], y[r, c] = (i + u) * frame.cell_m, (j + v) * frame.cell_m
    return x, y


def mask_of(frame: Frame, boundary, exclusions=None) -> np.ndarray:
    band = Band(frame.first_row, frame.first_column, frame.rows, frame.columns, 0)
    with np.errstate(over="ignore"):
        return band_mask(
            band,
            frame.cell_m,
            polygon_edges(boundary),
            np.empty((0, 4)) if exclusions is None else polygon_edges(exclusions),
        )


def strips_of(lines: PoseLines, first, poses, left, right, *, time_s=None, pass_id=None) -> Strips:
    """Strips over given pose lines, dose 1."""
    first, poses = np.asarray(first, np.int64), np.asarray(poses, np.int64)
    left, right = np.asarray(left, float), np.asarray(right, float)
    n = first.shape[0]
    low, high = np.empty(n), np.empty(n)
    for k in range(n):
        p = np.arange(first[k], first[k] + poses[k])
        ends = [lines.y[p] + side * lines.right_y[p] for side in (left[k], right[k])]
        low[k], high[k] = np.min(ends), np.max(ends)
    ids = np.arange(n, dtype=np.int32) if pass_id is None else np.asarray(pass_id, np.int32)
    return Strips(
        first_pose=first,
        poses=poses,
        left_m=left,
        right_m=right,
        dose=np.ones(n),
        set_l_m2=np.ones(n),
        turn_per_m=np.zeros(n),
        pass_id=ids,
        line_id=ids.copy(),
        heading_deg=np.zeros(n, np.float32),
        time_s=np.arange(n, dtype=float) if time_s is None else np.asarray(time_s, float),
        y_min=low,
        y_max=high,
    )


def painted(lines: PoseLines, strips: Strips, cell_m: float, reach: float) -> tuple[Frame, np.ndarray]:
    """Times treated around a set of strips; every strip is a pass of its own, so each hit counts."""
    frame = frame_around(
        cell_m, lines.x.min() - reach, lines.y.min() - reach, lines.x.max() + reach, lines.y.max() + reach
    )
    band = Band(frame.first_row, frame.first_column, frame.rows, frame.columns, 0)
    mask = np.full((frame.rows, frame.columns), TARGET, np.uint8)
    with np.errstate(over="ignore"):
        cells, _ = paint_band(band, cell_m, mask, Brush(strips, lines, boom_of(EDGES, None)))
    return frame, cells.times


def pose_lines(x, y, heading_rad) -> PoseLines:
    heading = np.asarray(heading_rad, float)
    return PoseLines(np.asarray(x, float), np.asarray(y, float), np.cos(heading), -np.sin(heading))


# --- partitions -----------------------------------------------------------------------------------------------------
@FEW
@given(
    bearing=st.one_of(st.floats(0, 360), st.sampled_from([0.0, 45.0, 90.0, 135.0, 180.0, 26.56505117707799])),
    turn=st.floats(-8.0, 8.0),
    steps=st.lists(st.floats(0.05, 1.4), min_size=1, max_size=7),
    sections=st.lists(st.floats(0.11, 1.7), min_size=1, max_size=6),
    at=st.tuples(st.floats(-300, 300), st.floats(-300, 300)),
)
def test_sections_and_steps_divide_a_swath_without_share_or_miss(bearing, turn, steps, sections, at):
    # A boom of any sections driven by any steps on a gentle curve (inner end still moving ahead): drawn piece by piece,
    # every cell inside the whole is treated exactly once and none outside it.
    heading = np.radians(bearing + turn * np.arange(len(steps) + 1) * 0.2)
    x, y = [at[0]], [at[1]]
    for k, step in enumerate(steps):
        x.append(x[-1] + step * np.sin(heading[k]))
        y.append(y[-1] + step * np.cos(heading[k]))
    lines = pose_lines(x, y, heading)
    edges = np.concatenate(([0.0], np.cumsum(sections)))
    edges -= edges[-1] / 2
    whole = shapely.Polygon(
        [(lines.x[p] + edges[0] * lines.right_x[p], lines.y[p] + edges[0] * lines.right_y[p]) for p in range(len(x))]
        + [
            (lines.x[p] + edges[-1] * lines.right_x[p], lines.y[p] + edges[-1] * lines.right_y[p])
            for p in reversed(range(len(x)))
        ]
    )
    if not whole.is_valid:  # a step shorter than the inner end falls back: another matter
        return
    first = np.repeat(np.arange(len(steps)), len(sections))
    strips = strips_of(
        lines, first, np.full(first.shape, 2), np.tile(edges[:-1], len(steps)), np.tile(edges[1:], len(steps))
    )
    frame, times = painted(lines, strips, 0.1, float(edges[-1]) + 0.5)
    px, py = points(frame)
    inside = shapely.contains_xy(whole, px, py)
    # shapely rounds its own way: leave out points within a nanometre of the outline
    sure = shapely.distance(whole.boundary, shapely.points(px, py)) > 1e-9
    np.testing.assert_array_equal(times[sure], inside[sure].astype(int))


@FEW
@given(bearing=st.floats(0, 360), widths=st.lists(st.floats(0.3, 2.0), min_size=2, max_size=5))
def test_one_long_strip_is_the_sum_of_its_pieces(bearing, widths):
    # four poses as one strip, and as three strips: the inner boom lines change nothing
    h = np.radians(bearing)
    along = np.array([0.0, 0.7, 1.1, 2.6])
    lines = pose_lines(along * np.sin(h), along * np.cos(h), np.full(4, h))
    half = sum(widths) / 2
    one = strips_of(lines, [0], [4], [-half], [half])
    three = strips_of(lines, [0, 1, 2], [2, 2, 2], [-half] * 3, [half] * 3)
    _, whole = painted(lines, one, 0.1, half + 0.5)
    _, parts = painted(lines, three, 0.1, half + 0.5)
    np.testing.assert_array_equal(whole, parts)


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(3, 12),
    hole=st.booleans(),
    place=st.tuples(st.floats(-1000, 1000), st.floats(-1000, 1000)),
)
def test_mask_is_what_the_even_odd_rule_says_of_every_sample_point(seed, count, hole, place):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    radius = rng.uniform(0.8, 2.5, count)
    shell = np.stack([place[0] + radius * np.cos(angle), place[1] + radius * np.sin(angle)], axis=1)
    shape = shapely.make_valid(shapely.Polygon(shell))
    if hole:
        shape = shape.difference(shapely.Point(*place).buffer(0.6))
    if shape.is_empty or shape.geom_type not in ("Polygon", "MultiPolygon"):
        return
    frame = frame_around(0.1, *shape.bounds)
    mask = mask_of(frame, shape)
    px, py = points(frame)
    sure = shapely.distance(shape.boundary, shapely.points(px, py)) > 1e-9
    np.testing.assert_array_equal(mask[sure] == TARGET, shapely.contains_xy(shape, px, py)[sure])


@FEW
@given(cuts=st.lists(st.floats(0.05, 3.95), min_size=1, max_size=5, unique=True), bearing=st.floats(0, 180))
def test_neighbouring_polygons_share_no_cell(cuts, bearing):
    # A square cut by parallel lines: the masks of the parts add up to the whole, cell by cell.
    stations = [0.0, *sorted(cuts), 4.0]
    c, s = np.cos(np.radians(bearing)), np.sin(np.radians(bearing))

    def at(a: float, b: float) -> tuple[float, float]:
        return a * c - b * s, a * s + b * c

    parts = [shapely.Polygon([at(a, 0), at(b, 0), at(b, 4), at(a, 4)]) for a, b in pairwise(stations)]
    whole = shapely.Polygon([at(a, 0) for a in stations] + [at(a, 4) for a in reversed(stations)])
    frame = frame_around(0.1, *whole.bounds)
    total = sum(mask_of(frame, part).astype(int) for part in parts)
    np.testing.assert_array_equal(total, mask_of(frame, whole))


# --- grids of five cells --------------------------------------------------------------------------------------------
FIVE = Frame(1.0, 0, 0, 5, 5)
"""Cells of 1 m with the corner at (0, 0). Shapes below keep to whole metres, so where a sample point lies inside its
cell does not matter: a cell is in or out as a whole."""


def test_frame_is_five_by_five():
    assert (FIVE.cells, FIVE.west_m, FIVE.north_m) == (25, 0.0, 5.0)


def test_square_with_an_exclusion_typed_out():
    got = mask_of(FIVE, shapely.box(1, 1, 5, 4), shapely.box(2, 0, 3, 3))
    expected = np.array(
        [  # row 0 is the southmost
            [0, 0, 0, 0, 0],
            [0, 1, 2, 1, 1],
            [0, 1, 2, 1, 1],
            [0, 1, 1, 1, 1],
            [0, 0, 0, 0, 0],
        ]
    )
    assert (OUTSIDE, TARGET, EXCLUDED) == (0, 1, 2)
    np.testing.assert_array_equal(got, expected)


def test_hole_typed_out():
    ring = shapely.box(0, 0, 5, 5).difference(shapely.box(1, 2, 4, 3))
    expected = np.ones((5, 5), int)
    expected[2, 1:4] = 0
    np.testing.assert_array_equal(mask_of(FIVE, ring), expected)


def test_two_passes_typed_out():
    # North along x = 2 with 2 m of boom (columns 1, 2), rows 0..3; then east along y = 2 with 2 m (rows 1, 2), columns
    # 0..4. The four cells in common were treated twice.
    lines = pose_lines([2, 2, 0, 5], [0, 4, 2, 2], [0, 0, np.pi / 2, np.pi / 2])
    strips = strips_of(lines, [0, 2], [2, 2], [-1, -1], [1, 1])
    band = Band(0, 0, 5, 5, 0)
    with np.errstate(over="ignore"):
        cells, litres = paint_band(band, 1.0, np.ones((5, 5), np.uint8), Brush(strips, lines, boom_of(EDGES, None)))
    expected = np.array([[0, 1, 1, 0, 0], [1, 2, 2, 1, 1], [1, 2, 2, 1, 1], [0, 1, 1, 0, 0], [0, 0, 0, 0, 0]])
    np.testing.assert_array_equal(cells.times, expected)
    np.testing.assert_allclose(cells.dose, expected)
    # dose 1, 1 L/m2, 1 m2 a cell: 14 litres laid the first time, 4 the second
    assert litres[0] == pytest.approx(14.0)
    assert litres[1] == pytest.approx(4.0)
    assert litres.sum() - litres[4:].sum() == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("beyond_m", "sigma_m", "same_pass", "expected"),
    [
        (0.0, None, True, 1),  # back at once: the nearest cells, centred half a metre off, were never left
        (0.1, None, True, 2),
        (0.1, 0.2, True, 1),  # under noise of 20 cm a boom within 1.2 m may only seem to have gone
        (0.8, 0.2, True, 2),
        (0.0, None, False, 2),  # another pass is another treatment however near
    ],
)
def test_one_pass_treats_again_what_it_has_left(beyond_m, sigma_m, same_pass, expected):
    # North over rows 0..3 (to y = 4), some way beyond, and south again: the row of centres at y = 3.5
    ends = [0, 4, 4 + beyond_m, 4, 0] if beyond_m else [0, 4, 4, 0]
    lines = pose_lines([2] * len(ends), ends, [0] * len(ends))
    strips = strips_of(lines, [0, len(ends) - 2], [2, 2], [-1, -1], [1, 1], pass_id=[0, 0 if same_pass else 1])
    brush = Brush(strips, lines, boom_of(EDGES, sigma_m))
    with np.errstate(over="ignore"):
        cells, _ = paint_band(Band(0, 0, 5, 5, 0), 1.0, np.ones((5, 5), np.uint8), brush)
    assert set(np.unique(cells.times[3, 1:3])) == {expected}
    np.testing.assert_allclose(cells.dose[:4, 1:3], 2.0)  # what was laid was laid, however it counts


def test_boom_that_turns_on_the_spot_sweeps_two_wedges():
    # A boom line from (-2, 0)..(2, 0) to one turned by 90 degrees about its middle: the quadrangle crosses itself; only
    # the two triangles are swept.
    lines = pose_lines([0, 0], [0, 0], [0, np.pi / 2])
    strips = strips_of(lines, [0], [2], [-2], [2])
    frame, times = painted(lines, strips, 0.1, 3.0)
    px, py = points(frame)
    # ends move from (-2, 0) to (0, 2) and from (2, 0) to (0, -2): triangles with the centre
    a = shapely.Polygon([(0, 0), (-2, 0), (0, 2)])
    b = shapely.Polygon([(0, 0), (2, 0), (0, -2)])
    np.testing.assert_array_equal(times == 1, shapely.contains_xy(a, px, py) | shapely.contains_xy(b, px, py))
    assert times.max() == 1


def test_cell_by_default():
    assert default_cell_m(0.5) == 0.1
    assert default_cell_m(0.25) == 0.0625
