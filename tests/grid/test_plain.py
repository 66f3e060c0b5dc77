"""Painting and counting done a second time, cell by cell and in plain words, on grids small enough to be interpreted.

Nothing of the kernels is used: the sample points, the outline of a strip, the rule of separate treatments, the causes,
litres, classes and edges are written out here from the design, and every cell must agree exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely

from swathledger.errors import InputError
from swathledger.grid.beyond import Beyond
from swathledger.grid.cause_rule import cause_of_strips
from swathledger.grid.causes import CAUSE_ORDER, CAUSES, LAID
from swathledger.grid.cells import Brush, Cells
from swathledger.grid.frame import Band, Frame, default_cell_m, frame_around, polygon_edges
from swathledger.grid.mask import band_mask, mark_unrecorded
from swathledger.grid.paint import paint_band
from swathledger.grid.revisit import Boom, boom_of, is_away, pose_away
from swathledger.grid.strips import PoseLines, Strips
from swathledger.grid.tally import CLASSES, JUDGED, QUANTITIES, BandTally, quantity_table
from swathledger.grid.workspace import Workspace

OUTSIDE, TARGET, EXCLUDED, UNRECORDED = 0, 1, 2, 3
EDGES = np.array([-2.0, 0.0, 2.0])


@pytest.fixture(autouse=True)
def _wrapping() -> Iterator[None]:
    with np.errstate(over="ignore"):  # interpreted, the hash of cells says that it wraps round, as it should
        yield


# --- written again ----------------------------------------------------------------------------------------------------
def mixed(i: int, j: int) -> int:
    """SplitMix64's finaliser over both indices, in whole numbers."""
    full = (1 << 64) - 1
    z = (i * 0x9E3779B97F4A7C15 + j * 0xC2B2AE3D27D4EB4F) & full
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & full
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & full
    return z ^ (z >> 31)


def samples(rows: int, columns: int, first_row: int, first_column: int, h: float) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.empty((rows, columns)), np.empty((rows, columns))
    for r in range(rows):
        for c in range(columns):
            z = mixed(first_column + c, first_row + r)
            x[r, c] = (first_column + c + (z >> 32) / 2**32) * h
            y[r, c] = (first_row + r + (z & 0xFFFFFFFF) / 2**32) * h
    return x, y


def odd(edges: Any, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Points with an odd number of edges to their right; an edge holds its lower end and not its upper one."""
    inside = np.zeros(x.shape, bool)
    for xa, ya, xb, yb in edges:
        if ya == yb:
            continue
        if ya > yb:
            xa, ya, xb, yb = xb, yb, xa, ya  # noqa: PLW2901  # lower end first
        inside ^= (y >= ya) & (y < yb) & (x < xa + (y - ya) * ((xb - xa) / (yb - ya)))
    return inside


def outline(lines: PoseLines, strips: Strips, s: int) -> list[tuple[float, float, float, float]]:
    """Edges around a strip: its first line, its right ends, its last line, its left ends."""
    poses = np.arange(strips.first_pose[s], strips.first_pose[s] + strips.poses[s])
    left, right = (
        np.stack((lines.x[poses] + a * lines.right_x[poses], lines.y[poses] + a * lines.right_y[poses]), axis=1)
        for a in (strips.left_m[s], strips.right_m[s])
    )
    ring = [(*left[0], *right[0]), (*left[-1], *right[-1])]
    for side in (left, right):
        ring += [(*a, *b) for a, b in pairwise(side)]
    return ring


def off(lines: PoseLines, pose: int, boom: Boom, x: float, y: float) -> bool:
    """Whether the boom at a pose is farther than its distance from a place, before, behind or beside it."""
    right = np.array([lines.right_x[pose], lines.right_y[pose]])
    ahead = np.array([-right[1], right[0]])
    place = np.array([x - lines.x[pose], y - lines.y[pose]])
    beside = float(place @ right)
    return (
        abs(float(place @ ahead)) > boom.away_m
        or beside < boom.left_m - boom.away_m
        or beside > boom.right_m + boom.away_m
    )


def why(strips: Strips, s: int, before: int) -> str:
    if strips.pass_id[s] == strips.pass_id[before]:
        return "turn"
    angle = abs(float(strips.heading_deg[s]) - float(strips.heading_deg[before])) % 180.0
    if min(angle, 180.0 - angle) > 15.0:
        return "crossing"
    return "restart" if strips.line_id[s] == strips.line_id[before] else "guidance"


@dataclass
class Painted:
    times: np.ndarray
    cause: np.ndarray
    dose: np.ndarray
    litres: dict[str, float]


def paint(band: Band, h: float, mask: np.ndarray, lines: PoseLines, strips: Strips, boom: Boom) -> Painted:
    """Strip by strip and cell by cell; doses are the strips' own, which drive straight."""
    first_row = band.first_row - band.halo
    rows, columns = mask.shape
    x, y = samples(rows, columns, first_row, band.first_column, h)
    times, cause = np.zeros(mask.shape, int), np.zeros(mask.shape, int)
    last, dose = np.full(mask.shape, -1), np.zeros(mask.shape)
    litres = dict.fromkeys(("target", *CAUSE_ORDER), 0.0)
    for s in range(strips.first_pose.shape[0]):
        for r, c in zip(*np.nonzero(odd(outline(lines, strips, s), x, y)), strict=True):
            before = int(last[r, c])
            last[r, c] = s
            dose[r, c] += float(np.float32(strips.dose[s]))
            zone = mask[r, c]
            separate = True
            if before >= 0 and strips.pass_id[before] == strips.pass_id[s]:
                end = int(strips.first_pose[before] + strips.poses[before] - 1)
                place = (band.first_column + c + 0.5) * h, (first_row + r + 0.5) * h
                between = range(end, int(strips.first_pose[s]) + 1)
                separate = any(off(lines, pose, boom, *place) for pose in between)
            if separate:
                times[r, c] = min(times[r, c] + 1, 255)
                if before >= 0 and zone == TARGET and cause[r, c] == 0:
                    cause[r, c] = CAUSES.index(why(strips, s, before))
            laid = float(np.float32(strips.dose[s])) * strips.set_l_m2[s] * h * h
            if band.halo <= r < band.halo + band.rows:
                if zone == TARGET:
                    litres["target" if cause[r, c] == 0 else CAUSES[cause[r, c]]] += laid
                else:
                    litres["outside" if zone == OUTSIDE else "excluded"] += laid
    return Painted(times, cause, dose, litres)


# --- drives -----------------------------------------------------------------------------------------------------------
def brush_of(strips: Strips, lines: PoseLines, boom: Boom) -> Brush:
    return Brush(strips, lines, boom)


def drives(rng: np.random.Generator, count: int, extent: tuple[float, float]) -> tuple[PoseLines, Strips]:
    """Short strips here and there, two to five poses each; some go on where the last one ended, some turn back."""
    x, y, heading = [], [], []
    first, poses, left, right, pass_id, line_id = [], [], [], [], [], []
    number = line = 0
    for k in range(count):
        n = int(rng.integers(2, 6))
        kind = rng.integers(0, 4) if k else 0
        if kind == 1:  # goes on
            px, py, angle = x[-1], y[-1], heading[-1]
        elif kind == 2:  # comes back over its own ground, at once or after a way
            px, py, angle = x[-1], y[-1], heading[-1] + np.pi
        else:
            px, py = rng.uniform(0.0, extent[0]), rng.uniform(0.0, extent[1])
            angle = rng.choice([rng.uniform(0, 2 * np.pi), 0.0, np.pi / 2, np.pi, np.pi / 12, 0.1])
            number += 1
            line += int(rng.integers(0, 2))
        first.append(len(x))
        for p in range(n):
            way = 0.0 if p == 0 else rng.uniform(0.2, 1.4)
            px, py = px + way * np.sin(angle), py + way * np.cos(angle)
            x.append(px)
            y.append(py)
            heading.append(angle)
        poses.append(n)
        a = rng.choice([-2.0, -1.3, 0.0])
        left.append(a)
        right.append(a + rng.choice([0.8, 2.0]))
        pass_id.append(number)
        line_id.append(line)
    h = np.asarray(heading)
    lines = PoseLines(np.asarray(x), np.asarray(y), np.cos(h), -np.sin(h))
    f, n = np.asarray(first), np.asarray(poses)
    ends = [
        [lines.y[a : a + b] + side[k] * lines.right_y[a : a + b] for side in (left, right)]
        for k, (a, b) in enumerate(zip(f, n, strict=True))
    ]
    return lines, Strips(
        first_pose=f.astype(np.int64), poses=n.astype(np.int64), left_m=np.asarray(left), right_m=np.asarray(right),
        dose=rng.choice([0.5, 1.0, 1.25], count), set_l_m2=rng.choice([0.01, 0.02], count),
        turn_per_m=np.zeros(count), pass_id=np.asarray(pass_id, np.int32), line_id=np.asarray(line_id, np.int32),
        heading_deg=np.rad2deg(h[f]).astype(np.float32), time_s=np.arange(float(count)),
        y_min=np.array([np.min(e) for e in ends]), y_max=np.array([np.max(e) for e in ends]),
    )  # fmt: skip


def zones(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Mostly target; a strip outside, an exclusion, and single cells of either."""
    mask = np.full(shape, TARGET, np.uint8)
    mask[:, -int(rng.integers(3, 9)) :] = OUTSIDE
    r, c = int(rng.integers(0, shape[0] - 2)), int(rng.integers(0, shape[1] - 10))
    mask[r : r + 3, c : c + 8] = EXCLUDED
    lone = rng.uniform(size=shape)
    mask[lone < 0.02] = EXCLUDED
    mask[lone > 0.98] = OUTSIDE
    return mask


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("sigma_m", [None, 0.2])
def test_every_cell_is_treated_as_the_design_says(seed: int, sigma_m: float | None) -> None:
    rng = np.random.default_rng(seed)
    h = (0.25, 0.2)[seed % 2]
    band = Band(-7 + 3 * seed, -20, 10, 84, (0, 3)[seed // 2 % 2])
    rows = band.rows + 2 * band.halo
    lines, strips = drives(rng, 26, (84 * h, rows * h))
    # the band does not begin at the plane's origin
    shift_x, shift_y = band.first_column * h, (band.first_row - band.halo) * h
    lines = lines._replace(x=lines.x + shift_x, y=lines.y + shift_y)
    strips = strips._replace(y_min=strips.y_min + shift_y, y_max=strips.y_max + shift_y)
    boom = boom_of(EDGES, sigma_m)
    mask = zones(rng, (rows, band.columns))
    cells, deposit = paint_band(band, h, mask, brush_of(strips, lines, boom))
    expected = paint(band, h, mask, lines, strips, boom)
    np.testing.assert_array_equal(cells.times, expected.times)
    np.testing.assert_array_equal(cells.cause, expected.cause)
    np.testing.assert_allclose(cells.dose, expected.dose, rtol=1e-6)
    assert expected.times.max() >= 2  # the drives do cross
    litres = expected.litres
    assert deposit[0] == pytest.approx(litres["target"], rel=1e-6, abs=1e-12)
    again = [name for name in CAUSES if name in {"turn", "restart", "guidance", "crossing"}]
    assert deposit[1] == pytest.approx(sum(litres[name] for name in again), rel=1e-6, abs=1e-12)
    assert deposit[2] == pytest.approx(litres["outside"], rel=1e-6, abs=1e-12)
    assert deposit[3] == pytest.approx(litres["excluded"], rel=1e-6, abs=1e-12)
    for name in again:
        assert deposit[4 + CAUSES.index(name)] == pytest.approx(litres[name], rel=1e-6, abs=1e-12), name
    assert deposit[4:8].tolist() == [0.0, 0.0, 0.0, 0.0]  # no cause, and those told by place or litres


def test_long_rows_of_even_ground_are_treated_in_one_go_and_add_up() -> None:
    # a strip 30 m long over rows of 200 cells, then one across: runs of more than 32 cells, some of them touched
    lines = PoseLines(
        np.array([0.0, 30.0, 15.0, 15.0, 2.0, 28.0]), np.array([1.0, 1.0, -2.0, 4.0, 1.5, 1.5]),
        np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0]), np.array([-1.0, -1.0, 0.0, 0.0, -1.0, -1.0]),
    )  # fmt: skip
    three = np.zeros(3)
    strips = Strips(
        np.array([0, 2, 4]), np.array([2, 2, 2]), three - 1.0, three + 1.0, np.array([1.0, 0.5, 0.75]),
        three + 0.02, three, np.arange(3, dtype=np.int32), np.arange(3, dtype=np.int32),
        np.array([90.0, 0.0, 90.0], np.float32), np.arange(3.0), np.array([0.0, -2.0, 0.5]), np.array([2.0, 4.0, 2.5]),
    )  # fmt: skip
    band = Band(-2, -5, 20, 200, 0)
    for mask in (np.full((20, 200), TARGET, np.uint8), np.full((20, 200), EXCLUDED, np.uint8)):
        cells, deposit = paint_band(band, 0.2, mask, brush_of(strips, lines, boom_of(EDGES, None)))
        expected = paint(band, 0.2, mask, lines, strips, boom_of(EDGES, None))
        np.testing.assert_array_equal(cells.times, expected.times)
        np.testing.assert_array_equal(cells.cause, expected.cause)
        np.testing.assert_allclose(cells.dose, expected.dose, rtol=1e-6)
        assert deposit[:4].sum() == pytest.approx(sum(expected.litres.values()), rel=1e-6)


def test_treatments_are_counted_to_255() -> None:
    lines = PoseLines(np.array([0.5, 0.5]), np.array([-1.0, 2.0]), np.ones(2), np.zeros(2))
    n = 300
    many, zero = np.zeros(n), np.zeros(n, np.int64)
    strips = Strips(
        zero, zero + 2, many - 1.0, many + 1.0, many + 1.0, many + 1.0, many, np.arange(n, dtype=np.int32),
        np.arange(n, dtype=np.int32), many.astype(np.float32), many, many - 1.0, many + 2.0,
    )  # fmt: skip
    cells, _ = paint_band(
        Band(0, 0, 1, 1, 0), 1.0, np.ones((1, 1), np.uint8), brush_of(strips, lines, boom_of(EDGES, None))
    )
    assert cells.times.tolist() == [[255]]
    assert cells.dose.tolist() == [[300.0]]


# --- counting ---------------------------------------------------------------------------------------------------------
def quantities(zone: int, n: int) -> dict[str, int]:
    """What a cell adds to every quantity."""
    target, outside, excluded = zone in (TARGET, UNRECORDED), zone == OUTSIDE, zone == EXCLUDED
    out = {
        "target": target, "applied": n, "covered": target and n >= 1, "single": target and n == 1,
        "overlap": target and n >= 2, "overlap_extra": max(n - 1, 0) if target else 0,
        "skip": zone == TARGET and n == 0, "not_recorded": zone == UNRECORDED and n == 0,
        "outside": n if outside else 0,
        "excluded": n if excluded else 0, "boundary": not outside, "exclusion": excluded,
    }  # fmt: skip
    out["over_application"] = out["overlap_extra"] + out["outside"] + out["excluded"]
    return {name: int(out[name]) for name in QUANTITIES}


def class_of(zone: int, n: int) -> str:
    if zone == OUTSIDE:
        return "outside" if n else "untouched"
    if zone == EXCLUDED:
        return "excluded" if n else "excluded_clear"
    return ("not_recorded" if zone == UNRECORDED else "skip", "single", "overlap")[min(n, 2)]


def test_the_table_of_quantities_is_the_design_s() -> None:
    table = quantity_table()
    assert table.shape == (4 * 256, len(QUANTITIES))
    for zone in (OUTSIDE, TARGET, EXCLUDED, UNRECORDED):
        for n in (0, 1, 2, 3, 17, 255):
            assert dict(zip(QUANTITIES, table[256 * zone + n].tolist(), strict=True)) == quantities(zone, n), (zone, n)


def patchwork(rng: np.random.Generator, shape: tuple[int, int], values: Any, noise: float) -> np.ndarray:
    """Wide patches of few values, with lone cells of others in them."""
    out = np.empty(shape, np.uint8)
    for r in range(0, shape[0], 3):
        c = 0
        while c < shape[1]:
            wide = int(rng.integers(1, 120))
            out[r : r + 3, c : c + wide] = rng.choice(values)
            c += wide
    lone = rng.uniform(size=shape) < noise
    out[lone] = rng.choice(values, int(lone.sum()))
    return out


@pytest.mark.parametrize("seed", range(10))
def test_counts_edges_causes_and_classes_are_those_of_a_plain_walk(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    halo = seed % 3
    columns = int(rng.integers(1, 300)) if seed else 1
    band = Band(0, 0, int(rng.integers(1, 9)), columns, halo)
    shape = (band.rows + 2 * halo, columns)
    mask = patchwork(rng, shape, [OUTSIDE, TARGET, TARGET, EXCLUDED], 0.01)
    times = patchwork(rng, shape, [0, 1, 1, 1, 2, 3, 255], 0.02)
    mask[(mask == TARGET) & (times == 0) & (patchwork(rng, shape, [0, 1], 0.02) == 1)] = UNRECORDED
    cause = rng.integers(4, len(CAUSES), shape).astype(np.uint8)
    doses = np.array([0.5, 0.8999, 0.9, 0.9001, 1.0, 1.0999, 1.1, 1.1001, 2.0], np.float32)
    dose = rng.choice(doses, shape)
    cells = Cells(mask, times, cause, np.zeros(shape, np.int32), dose)
    found = BandTally(band, cells, 0.0, 0.1)
    own = range(halo, halo + band.rows)
    totals, squares = dict.fromkeys(QUANTITIES, 0), dict.fromkeys(QUANTITIES, 0)
    causes, low, high = np.zeros(len(CAUSES), int), 0, 0

    def edge(a: dict[str, int], b: dict[str, int]) -> None:
        for name in QUANTITIES:
            squares[name] += (a[name] - b[name]) ** 2

    for r in own:
        for c in range(columns):
            here = quantities(mask[r, c], int(times[r, c]))
            for name in QUANTITIES:
                totals[name] += here[name]
            if r + 1 < shape[0]:
                edge(here, quantities(mask[r + 1, c], int(times[r + 1, c])))
            if c > 0:
                edge(here, quantities(mask[r, c - 1], int(times[r, c - 1])))
            if mask[r, c] == TARGET and times[r, c] >= 2:
                causes[cause[r, c]] += int(times[r, c]) - 1
            if mask[r, c] == TARGET and times[r, c] == 1:
                low += float(dose[r, c]) < 0.9  # as stored, 0.9 is a little less
                high += float(dose[r, c]) > 1.1
    assert dict(zip(QUANTITIES, found.cells.tolist(), strict=True)) == totals
    assert dict(zip(QUANTITIES, found.squares.tolist(), strict=True)) == squares
    assert found.causes.tolist() == causes.tolist()
    assert found.off_rate.tolist() == [low, high]
    expected = [[CLASSES.index(class_of(mask[r, c], times[r, c])) for c in range(columns)] for r in range(shape[0])]
    np.testing.assert_array_equal(found.classes, expected)
    judged = Beyond(0.0, 0.1, columns)
    assert bool(judged.judge(band, found, times, None).all())
    assert judged.cells == {name: totals[name] for name in ("overlap", "skip", "outside")}  # no tolerance


def test_classes_that_are_judged_by_their_width() -> None:
    # those that are drawn, and given beyond tolerance
    assert [name for name, judged in zip(CLASSES, JUDGED, strict=True) if judged] == [
        "overlap", "skip", "outside", "excluded", "not_recorded",
    ]  # fmt: skip


# --- masks ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("seed", range(12))
def test_a_mask_is_the_even_odd_rule_at_every_sample_point(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    h = (0.5, 2.0, 0.3)[seed % 3]
    band = Band(int(rng.integers(-40, 40)), int(rng.integers(-40, 40)), 18, 30, seed % 2 * 2)
    rows = band.rows + 2 * band.halo
    west, south = band.first_column * h, (band.first_row - band.halo) * h

    def ring(corners: int) -> np.ndarray:  # crossing itself as it likes, some corners on the lines of the grid
        place = rng.uniform(-3.0, [30.0 + 3.0, rows + 3.0], (corners, 2))
        place = np.where(rng.uniform(size=place.shape) < 0.3, np.round(place), place)
        xy = place * h + [west, south]
        return np.hstack((xy, np.roll(xy, -1, axis=0)))

    boundary = np.vstack([ring(int(rng.integers(3, 30))) for _ in range(seed % 3 + 1)])
    exclusions = ring(5) if seed % 4 else np.empty((0, 4))
    found = band_mask(band, h, boundary, exclusions)
    x, y = samples(rows, band.columns, band.first_row - band.halo, band.first_column, h)
    target, excluded = odd(boundary, x, y), odd(exclusions, x, y)
    np.testing.assert_array_equal(found, np.where(target, np.where(excluded, EXCLUDED, TARGET), OUTSIDE))


@pytest.mark.parametrize("seed", range(4))
def test_ground_under_a_gap_is_target_that_nothing_treated(seed: int) -> None:
    rng = np.random.default_rng(300 + seed)
    h = (0.5, 2.0)[seed // 2]
    band = Band(-4 + seed, 3 - seed, 12, 40, seed % 2)
    shape = (band.rows + 2 * band.halo, 40)
    mask = rng.choice([OUTSIDE, TARGET, TARGET, EXCLUDED], shape).astype(np.uint8)
    times = rng.choice([0, 0, 1, 2], shape).astype(np.uint8)
    xy = rng.uniform([1.0, -6.0], [44.0, 12.0], (5, 2)) * h
    edges = np.hstack((xy, np.roll(xy, -1, axis=0)))
    x, y = samples(*shape, band.first_row - band.halo, band.first_column, h)
    expected = np.where((mask == TARGET) & (times == 0) & odd(edges, x, y), UNRECORDED, mask)
    mark_unrecorded(band, h, mask, times, edges)
    np.testing.assert_array_equal(mask, expected)
    mark_unrecorded(band, h, mask, times, np.empty((0, 4)))
    np.testing.assert_array_equal(mask, expected)


def test_a_polygon_of_many_corners_is_sorted_all_the_same() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 201)[:-1]
    radius = 6.0 + 3.0 * np.cos(17 * angle)
    xy = np.stack((radius * np.cos(angle), radius * np.sin(angle)), axis=1)
    edges = np.hstack((xy, np.roll(xy, -1, axis=0)))
    order = np.random.default_rng(1).permutation(edges.shape[0])
    band = Band(-10, -10, 20, 20, 0)
    x, y = samples(20, 20, -10, -10, 1.0)
    found = band_mask(band, 1.0, edges[order], np.empty((0, 4)))
    np.testing.assert_array_equal(found == TARGET, odd(edges, x, y))


# --- rules ------------------------------------------------------------------------------------------------------------
def test_a_boom_has_left_ground_beyond_its_distance_on_every_side() -> None:
    # looking east at (10, 20): right is south. The boom reaches 3 m to the left (north) and 2 m to the right
    lines = PoseLines(np.array([10.0]), np.array([20.0]), np.array([0.0]), np.array([-1.0]))
    boom = Boom(-3.0, 2.0, 0.5)
    for x, y, away in (
        (10.0, 20.0, False), (10.5, 20.0, False), (10.6, 20.0, True), (9.5, 20.0, False), (9.4, 20.0, True),
        (10.0, 23.5, False), (10.0, 23.6, True), (10.0, 17.5, False), (10.0, 17.4, True),
    ):  # fmt: skip
        assert bool(is_away(lines, 0, boom, x, y)) is away, (x, y)
    assert boom_of(np.array([-3.0, 0.0, 2.0]), None) == boom
    assert boom_of(np.array([-3.0, 2.0]), 0.05).away_m == 0.5
    assert boom_of(np.array([-3.0, 2.0]), 0.25).away_m == 1.5


def test_the_first_pose_off_a_place_is_told() -> None:
    lines = PoseLines(np.zeros(5), np.array([0.0, 0.4, 1.0, 0.2, 3.0]), np.ones(5), np.zeros(5))
    boom = Boom(-1.0, 1.0, 0.5)
    for first, last, pose in ((0, 4, 2), (0, 1, -1), (3, 3, -1), (3, 4, 4), (2, 1, -1)):
        assert pose_away(lines, first, last, boom, 0.0, 0.0) == pose


def test_the_cause_of_two_strips() -> None:
    def strips(**columns: Any) -> Any:
        given = {"pass_id": [0, 1], "line_id": [0, 1], "heading_deg": [0.0, 0.0]} | columns
        n = np.zeros(2)
        whole = np.zeros(2, np.int64)
        return Strips(
            whole, whole, n, n, n, n, n, np.asarray(given["pass_id"], np.int32), np.asarray(given["line_id"], np.int32),
            np.asarray(given["heading_deg"], np.float32), n, n, n,
        )  # fmt: skip

    for columns, name in (
        ({}, "guidance"),
        ({"line_id": [4, 4]}, "restart"),
        ({"pass_id": [3, 3]}, "turn"),
        ({"pass_id": [3, 3], "heading_deg": [0.0, 90.0]}, "turn"),
        ({"heading_deg": [0.0, 15.0]}, "guidance"),
        ({"heading_deg": [0.0, 15.1]}, "crossing"),
        ({"heading_deg": [0.0, -15.1]}, "crossing"),
        ({"heading_deg": [0.0, 90.0], "line_id": [4, 4]}, "crossing"),
        ({"heading_deg": [10.0, 355.0]}, "guidance"),
        ({"heading_deg": [0.0, 180.0]}, "guidance"),
        ({"heading_deg": [0.0, 165.0]}, "guidance"),
        ({"heading_deg": [0.0, 164.9]}, "crossing"),
        ({"heading_deg": [-170.0, 20.1]}, "guidance"),
    ):
        both = strips(**columns)
        assert CAUSES[int(cause_of_strips(both, 1, 0))] == name, columns
        assert CAUSES[int(cause_of_strips(both, 0, 1))] == name, columns
    assert CAUSES == ("none", "outside", "excluded", "standing", "turn", "restart", "guidance", "crossing")
    assert CAUSE_ORDER == CAUSES[1:]
    assert LAID == ("outside", "excluded", "turn", "restart", "guidance", "crossing")


# --- frames -----------------------------------------------------------------------------------------------------------
def test_a_frame_holds_its_ground_and_a_margin() -> None:
    found = frame_around(0.5, 1.1, -2.2, 4.0, 3.4)
    # x: floor(2.2) - 2 = 0 to floor(8.0) + 1 + 2 = 11; y: floor(-4.4) - 2 = -7 to floor(6.8) + 3 = 9
    assert found == Frame(0.5, first_row=-7, first_column=0, rows=16, columns=11)
    assert (found.cells, found.west_m, found.north_m) == (176, 0.0, 4.5)
    assert frame_around(1.0, 0.0, 0.0, 0.5, 0.5, 0) == Frame(1.0, 0, 0, 1, 1)
    assert frame_around(60.0, 0.0, 0.0, 1.0, 1.0, 0).cells == 1
    assert frame_around(0.001, 0.0, 0.0, 1000.0, 1.0, 0).columns == 1_000_001
    for bad in (
        (60.001, 0.0, 0.0, 1.0, 1.0), (0.001, 0.0, 0.0, 1000.1, 1.0), (0.001, 0.0, 0.0, 1.0, 1000.1),
        (0.001, -600.0, 0.0, 500.0, 1.0), (0.001, 0.0, -600.0, 1.0, 500.0),
        (1.0, 0.0, 0.0, np.inf, 1.0), (1.0, np.nan, 0.0, 1.0, 1.0),
    ):  # fmt: skip
        with pytest.raises(InputError):
            frame_around(*bad)
    for bad_frame in ((0.0, 0, 0, 1, 1), (-1.0, 0, 0, 1, 1), (1.0, 0, 0, 0, 1), (1.0, 0, 0, 1, 0)):
        with pytest.raises(InputError):
            Frame(*bad_frame)
    assert (default_cell_m(0.5), default_cell_m(0.4), default_cell_m(0.2)) == (0.1, 0.1, 0.05)


def test_bands_divide_a_frame_from_south_to_north() -> None:
    # two million cells over a million columns: two rows each, and never fewer than four halos
    frame = Frame(0.1, first_row=-3, first_column=7, rows=5, columns=1_000_000)
    assert frame.bands(0) == [Band(-3, 7, 2, 1_000_000, 0), Band(-1, 7, 2, 1_000_000, 0), Band(1, 7, 1, 1_000_000, 0)]
    assert frame.bands(1) == [Band(-3, 7, 4, 1_000_000, 1), Band(1, 7, 1, 1_000_000, 1)]
    assert [band.rows for band in Frame(0.1, 0, 0, 2, 5_000_000).bands(0)] == [1, 1]
    assert len(Frame(0.1, 0, 0, 2_000_000, 1).bands(0)) == 1
    assert len(Frame(0.1, 0, 0, 2_000_001, 1).bands(0)) == 2


def test_edges_of_every_ring() -> None:
    square = shapely.box(0, 0, 4, 4).difference(shapely.box(1, 1, 2, 2))
    edges = polygon_edges(shapely.MultiPolygon([square, shapely.box(9, 9, 10, 10)]))
    assert edges.shape == (12, 4)
    assert np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]).sum() == pytest.approx(16.0 + 4.0 + 4.0)
    assert polygon_edges(shapely.Polygon()).shape == (0, 4)


def test_memory_is_lent_again_while_it_is_large_enough() -> None:
    work = Workspace()
    first = work.lend("a", (2, 3), np.uint8)
    first[:] = 7
    again = work.lend("a", (3, 2), np.uint8)
    assert np.shares_memory(first, again)
    assert (again == 7).all()
    assert np.shares_memory(first, work.lend("a", (1, 2), np.uint8))
    assert not np.shares_memory(first, work.lend("b", (2, 3), np.uint8))
    assert not np.shares_memory(first, work.lend("a", (1, 7), np.uint8))
    assert work.lend("a", (1, 2), np.int32).dtype == np.int32
