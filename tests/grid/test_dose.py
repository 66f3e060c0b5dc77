"""Dose of a turn at each cell's own place, and the balance of litres, written a second time in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import shapely

from swathledger.grid.cells import Brush
from swathledger.grid.dose import balanced
from swathledger.grid.frame import Band
from swathledger.grid.paint import paint_band
from swathledger.grid.revisit import Boom
from swathledger.grid.strips import PoseLines, Strips


@pytest.fixture(autouse=True)
def _wrapping() -> Iterator[None]:
    with np.errstate(over="ignore"):  # interpreted, the hash of cells says that it wraps round, as it should
        yield


def circle(turn_per_m: float, way_m: float, poses: int, at: tuple[float, float], heading: float) -> PoseLines:
    """Boom lines on a circle of that curvature, to the right where it is positive, ``way_m`` of the centre's way."""
    s = np.linspace(0.0, way_m, poses)
    angle = heading + turn_per_m * s
    radius = 1.0 / turn_per_m
    # the centre of the circle lies 1/k to the right of the first line
    cx, cy = at[0] + radius * np.cos(heading), at[1] - radius * np.sin(heading)
    return PoseLines(cx - radius * np.cos(angle), cy + radius * np.sin(angle), np.cos(angle), -np.sin(angle))


def strips(lines: PoseLines, first: Any, poses: Any, left: Any, right: Any, **given: Any) -> Strips:
    first, poses = np.asarray(first, np.int64), np.asarray(poses, np.int64)
    left, right = np.asarray(left, float), np.asarray(right, float)
    n = first.shape[0]
    base: dict[str, Any] = {
        "dose": np.ones(n), "set_l_m2": np.ones(n), "turn_per_m": np.zeros(n), "pass_id": np.zeros(n, np.int32),
        "time_s": np.arange(float(n)),
    }  # fmt: skip
    base |= {name: np.asarray(value, base[name].dtype) for name, value in given.items()}
    return Strips(
        first_pose=first, poses=poses, left_m=left, right_m=right, line_id=base["pass_id"].copy(),
        heading_deg=np.zeros(n, np.float32), y_min=np.full(n, -1e3), y_max=np.full(n, 1e3), **base,
    )  # fmt: skip


def local(one: Strips, lines: PoseLines, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The centre's dose over a place's own speed; even within half a metre of the turning point."""
    a, b = int(one.first_pose[0]) + (int(one.poses[0]) - 1) // 2, int(one.first_pose[0]) + int(one.poses[0]) // 2
    right = np.array([lines.right_x[a] + lines.right_x[b], lines.right_y[a] + lines.right_y[b]])
    right /= np.hypot(*right)
    mx, my = (lines.x[a] + lines.x[b]) / 2, (lines.y[a] + lines.y[b]) / 2
    lateral = (x - mx) * right[0] + (y - my) * right[1]
    ahead = -(x - mx) * right[1] + (y - my) * right[0]
    k = float(one.turn_per_m[0])
    speed = np.hypot(1.0 - k * lateral, k * ahead)
    return one.dose[0] / np.where(speed >= abs(k) * 0.5, speed, abs(k) * 0.25)


@pytest.mark.parametrize("turn", [0.05, -0.05, 0.3, -0.4, 1.2])
@pytest.mark.parametrize(("poses", "heading"), [(2, 0.0), (3, 1.1), (4, -2.0)])
def test_a_cell_takes_the_centre_s_dose_over_its_own_speed(turn: float, poses: int, heading: float) -> None:
    h = 0.2
    band = Band(-30, -25, 60, 50, 0)
    lines = circle(turn, 1.2, poses, (0.3, 0.2), heading)
    one = strips(lines, [0], [poses], [-3.0], [2.5], dose=[0.8], turn_per_m=[turn])
    cells, deposit = paint_band(band, h, np.ones((60, 50), np.uint8), Brush(one, lines, Boom(-3.0, 2.5, 0.5)))
    x = (np.arange(50) - 25 + 0.5) * h
    y = (np.arange(60) - 30 + 0.5) * h
    expected = local(one, lines, *np.meshgrid(x, y))
    hit = cells.times > 0
    assert hit.sum() > 100
    np.testing.assert_allclose(cells.dose[hit], expected[hit], rtol=2e-4)
    assert (cells.dose[~hit] == 0.0).all()
    assert deposit[0] == pytest.approx(float(cells.dose.sum()) * h * h, rel=1e-5)


def test_a_turn_too_slight_to_tell_has_one_dose() -> None:
    lines = PoseLines(np.zeros(2), np.array([0.0, 2.0]), np.ones(2), np.zeros(2))
    for turn, even in ((0.00066, True), (0.00068, False), (-0.00066, True)):  # over 3 m: 0.2 % is the limit
        one = strips(lines, [0], [2], [-3.0], [2.5], turn_per_m=[turn])
        cells, _ = paint_band(
            Band(0, -20, 10, 40, 0), 0.2, np.ones((10, 40), np.uint8), Brush(one, lines, Boom(-3, 2.5, 0.5))
        )
        doses = cells.dose[cells.times > 0]
        assert bool((doses == 1.0).all()) is even, turn


# --- balance ----------------------------------------------------------------------------------------------------------
def straight(steps: int) -> PoseLines:
    """Lines a metre apart."""
    return PoseLines(np.zeros(steps + 1), np.arange(steps + 1.0), np.ones(steps + 1), np.zeros(steps + 1))


def test_litres_laid_are_brought_to_litres_left_over_a_second_on_either_side() -> None:
    # two strips of 2 m2 at 0.5 L/m2: 1 L each laid, 0.5 and 1.5 left
    lines = straight(2)
    for apart_s, expected in ((0.5, [1.0, 1.0]), (1.0, [1.0, 1.0]), (1.5, [0.5, 1.5])):
        two = strips(lines, [0, 1], [2, 2], [-1, -1], [1, 1], set_l_m2=[0.5, 0.5], time_s=[0.0, apart_s])
        assert balanced(two, lines, np.array([0.5, 1.5])) == pytest.approx(expected), apart_s
    # another pass is balanced by itself, however near
    two = strips(lines, [0, 1], [2, 2], [-1, -1], [1, 1], set_l_m2=[0.5, 0.5], time_s=[0.0, 0.5], pass_id=[0, 1])
    assert balanced(two, lines, np.array([0.5, 1.5])) == pytest.approx([0.5, 1.5])
    # in any order, and in proportion to the dose that was
    turned = strips(lines, [1, 0], [2, 2], [-1, -1], [1, 1], dose=[2.0, 4.0], time_s=[9.0, 0.0])
    assert balanced(turned, lines, np.array([4.0, 4.0])) == pytest.approx([2.0, 2.0])


def test_what_remains_of_a_pass_is_shared_by_all_of_it() -> None:
    # three strips of 2 L laid at 0, 0.8 and 1.6 s; 1, 2 and 6 left. Windows: 3 of 4, 9 of 6, 8 of 4: factors 0.75, 1.5
    # and 2, so 1.5 + 3 + 4 = 8.5 laid of 9 left: 9 / 8.5 of each
    lines = straight(3)
    three = strips(lines, [0, 1, 2], [2, 2, 2], [-1] * 3, [1] * 3, time_s=[0.0, 0.8, 1.6])
    expected = np.array([0.75, 1.5, 2.0]) * 9.0 / 8.5
    assert balanced(three, lines, np.array([1.0, 2.0, 6.0])) == pytest.approx(expected)
    assert balanced(three, lines, np.zeros(3)).tolist() == [0.0, 0.0, 0.0]
    assert balanced(strips(lines, [], [], [], []), lines, np.zeros(0)).shape == (0,)


@pytest.mark.parametrize("turn", [0.05, -0.05, 0.2, -0.3])
@pytest.mark.parametrize("edges", [(-2.0, 2.0), (-2.5, -1.0), (0.5, 2.75)])
def test_on_a_circle_what_is_laid_is_what_left(turn: float, edges: tuple[float, float]) -> None:
    # a nozzle x right of the centre sweeps |1 - k x| as much ground at 1 / |1 - k x| times the dose: the same litres
    lines = circle(turn, 0.5, 6, (1.0, -2.0), 0.7)
    one = strips(lines, [0], [6], [edges[0]], [edges[1]], turn_per_m=[turn])
    left_l = (edges[1] - edges[0]) * 0.5
    assert balanced(one, lines, np.array([left_l])) == pytest.approx([1.0], rel=4e-3)
    assert balanced(one, lines, np.array([1.1 * left_l])) == pytest.approx([1.1], rel=4e-3)


@pytest.mark.parametrize("edges", [(1.0, 3.0), (-3.0, -0.5), (-1.0, 2.0)])
@pytest.mark.parametrize("angle", [0.2, -0.2])
def test_one_dose_lies_on_the_area_between_two_lines(edges: tuple[float, float], angle: float) -> None:
    # a metre to the north and a turn that is not told: the ground is the quadrilateral of the four ends
    lines = PoseLines(np.array([4.0, 4.3]), np.array([9.0, 10.0]), np.cos([0.0, angle]), -np.sin([0.0, angle]))
    ring = [(lines.x[p] + a * lines.right_x[p], lines.y[p] + a * lines.right_y[p])
            for p, a in ((0, edges[0]), (0, edges[1]), (1, edges[1]), (1, edges[0]))]  # fmt: skip
    one = strips(lines, [0], [2], [edges[0]], [edges[1]], set_l_m2=[0.02])
    assert balanced(one, lines, np.array([0.02 * shapely.Polygon(ring).area])) == pytest.approx([1.0])


def test_a_boom_that_turns_on_the_spot_lays_on_both_its_wedges() -> None:
    # by 0.2 rad about its middle: wedges of 0.1 x 2^2 m2 to either side, at one dose where no turn is told
    angle = np.array([0.0, 0.2])
    lines = PoseLines(np.zeros(2), np.zeros(2), np.cos(angle), -np.sin(angle))
    one = strips(lines, [0], [2], [-2.0], [2.0])
    assert balanced(one, lines, np.array([0.8])) == pytest.approx([1.0], rel=1e-2)
