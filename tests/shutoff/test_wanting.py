"""What a controller sees along a line: target that no piece has treated, against shapely's polygons.

Lines, pieces and target are drawn at random; shapely cuts the line by the polygons, and the intervals are then added,
widened and taken away as lengths on a line. Small enough to be interpreted.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon

from swathledger.shutoff.drive import Drive, Line, Stretch, line_at, moved_ahead
from swathledger.shutoff.sight import (
    MASK_M,
    PIECES,
    Rule,
    Sight,
    decision_target,
    find_near_edges,
    find_wanting,
    sight_of,
    wanting_widths,
)
from swathledger.shutoff.treated import (
    ASKED,
    LINKS,
    MAX_CUTS,
    TILE_M,
    USABLE,
    Treated,
    empty_treated,
    find_near,
    let_count,
    put_piece,
)

pytestmark = pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")  # interpreted, the cells' hash wraps round
NAN = float("nan")
FAR = 60.0


def drive_along(x: list[float], y: list[float], heading_deg: list[float] | None = None) -> Drive:
    """One pose a second."""
    n = len(x)
    t = np.radians(np.zeros(n) if heading_deg is None else np.asarray(heading_deg))
    px, py = np.asarray(x, float), np.asarray(y, float)
    on = np.ones(n - 1, np.bool_)
    way = np.hypot(np.diff(px), np.diff(py))
    return Drive(px, py, np.cos(t), -np.sin(t), np.arange(float(n)), on, on, on, ~on, way)


def line(x: float, y: float, heading_deg: float = 0.0, length: float = 1.0) -> Line:
    t = np.radians(heading_deg)
    return Line(x, y, length * float(np.cos(t)), -length * float(np.sin(t)))


def outline(drive: Drive, stretch: Stretch, left: float, right: float) -> Polygon:
    """The ground between the boom's lines from one place of the drive to another."""
    places = [
        stretch.first + stretch.first_u,
        *range(stretch.first + 1, stretch.last + 1),
        stretch.last + stretch.last_u,
    ]
    x, y, rx, ry = (
        np.interp(places, np.arange(drive.x.size), v) for v in (drive.x, drive.y, drive.right_x, drive.right_y)
    )
    ends = [np.stack((x + a * rx, y + a * ry), axis=1) for a in (left, right)]
    return Polygon(np.vstack((ends[0], ends[1][::-1])))


def on_line(at: Line, shape: shapely.Geometry) -> shapely.Geometry:
    """What of a line lies in a shape, as places on the axis from its centre to the right."""
    along = np.array([at.right_x, at.right_y])
    middle = np.array([at.x, at.y])
    met = shapely.intersection(LineString([middle - FAR * along, middle + FAR * along]), shape)
    parts = [p for p in shapely.get_parts(met) if p.length > 0]
    cuts = [np.sort((shapely.get_coordinates(p) - middle) @ along / (along @ along)) for p in parts]
    return shapely.union_all([LineString([(c[0], 0.0), (c[-1], 0.0)]) for c in cuts])


def wider(places: shapely.Geometry, by: float) -> shapely.Geometry:
    """Every interval that much wider at both ends, or narrower; joined."""
    bounds = [shapely.bounds(p) for p in shapely.get_parts(shapely.line_merge(places))]
    return shapely.union_all([LineString([(b[0] - by, 0), (b[2] + by, 0)]) for b in bounds if b[2] - b[0] > -2 * by])


def intervals(places: shapely.Geometry) -> np.ndarray:
    """(k, 2) in order, hairs left out."""
    parts = [shapely.bounds(p) for p in shapely.get_parts(shapely.line_merge(places)) if p.length > 2e-6]
    return np.array(sorted((b[0], b[2]) for b in parts)).reshape(-1, 2)


def seen(drive: Drive, treated: Treated, sight: Sight, at: Line, rule: Rule, reach: float = 0.0) -> np.ndarray:
    """(k, 2) the wanting intervals; pieces and edges nearby are looked for ``reach`` before and behind."""
    far = max(abs(rule.left_m), abs(rule.right_m)) + reach + 2 * MASK_M
    find_near_edges(sight, at.x, at.y, far)
    treated.counts[ASKED] += 1
    beside = rule.beside_m + reach
    ends = (rule.left_m - beside, rule.right_m + beside)
    first, last = moved_ahead(at, -reach), moved_ahead(at, reach)
    sight.counts[PIECES] = find_near(treated, first, last, ends, sight.near, 0)
    count = find_wanting(drive, treated, sight, at, rule)
    return np.stack((sight.low_m[3, :count], sight.high_m[3, :count]), axis=1)


def treat(drive: Drive, pieces: list[tuple[Stretch, float, float]], half_m: float = 40.0) -> Treated:
    treated = empty_treated((-half_m, -half_m, half_m, half_m), 64, 64 * 60)
    for stretch, left, right in pieces:
        assert put_piece(treated, stretch, left, right, 0.0, 0.0)
    assert let_count(drive, treated, 1e6, 1e6, False)
    return treated


def wandering(rng: np.random.Generator) -> tuple[Drive, list[tuple[Stretch, float, float]]]:
    """Three bent ways of 25 poses, and pieces of up to six steps on them."""
    xs, ys, headings = [], [], []
    for _ in range(3):
        x, y = rng.uniform(-9.0, 9.0, 2)
        angle, bend = rng.uniform(0, 2 * np.pi), rng.uniform(-0.05, 0.05)
        for _ in range(25):
            xs.append(x)
            ys.append(y)
            headings.append(np.degrees(angle))
            step = rng.uniform(0.1, 0.6)
            angle += bend * step
            x, y = x + step * np.sin(angle), y + step * np.cos(angle)
    pieces = []
    for _ in range(14):
        first = int(25 * rng.integers(0, 3) + rng.integers(0, 17))
        last = first + int(rng.integers(0, 6))
        u = float(rng.choice([0.0, rng.uniform(0.0, 0.5)]))
        until = float(rng.choice([1.0, rng.uniform(0.6, 1.0)]))
        left = float(rng.choice([-3.0, -1.0, 0.5]))
        pieces.append((Stretch(first, u, last, until), left, left + float(rng.choice([0.5, 2.0, 5.5]))))
    return drive_along(xs, ys, headings), pieces


def star(rng: np.random.Generator) -> Polygon:
    """A field of many corners with a pond."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, 24))
    radius = rng.uniform(5.0, 14.0, 24)
    field = Polygon(np.stack((radius * np.cos(angle), radius * np.sin(angle)), axis=1)).buffer(0)
    pond = shapely.Point(rng.uniform(-3.0, 3.0, 2)).buffer(2.0, quad_segs=3)
    return max(shapely.get_parts(field.difference(pond)), key=lambda p: p.area)


@pytest.mark.parametrize("seed", range(12))
def test_a_line_wants_spray_where_shapely_finds_target_and_no_piece(seed: int) -> None:
    rng = np.random.default_rng(seed)
    drive, pieces = wandering(rng)
    target = star(rng)
    # of the smaller plane of tiles the rim's stand for all beyond
    treated = treat(drive, pieces, (40.0, 5.0)[seed % 2])
    sight = sight_of(target, 64, MAX_CUTS)
    treated_ground = [outline(drive, *piece) for piece in pieces]
    met = 0
    for _ in range(30):
        at = line(*rng.uniform(-9.0, 9.0, 2), rng.uniform(0, 360), rng.choice([1.0, 0.99]))
        beside, margin = float(rng.choice([0.0, 0.3])), float(rng.choice([NAN, 0.0]))
        rule = Rule(-float(rng.uniform(0.5, 7.0)), float(rng.uniform(0.5, 7.0)), beside, margin)
        around = LineString([(rule.left_m - beside, 0), (rule.right_m + beside, 0)])
        # ground this near beside treated ground counts as treated, the boom ending short of it too
        near = [outline_on for shape in treated_ground if (outline_on := on_line(at, shape)).intersects(around)]
        old = wider(shapely.union_all(near), beside)
        if margin == 0.0:
            old = wider(old, -beside)
        boom = LineString([(rule.left_m, 0), (rule.right_m, 0)])
        expected = intervals(on_line(at, target).intersection(boom).difference(old))
        found = seen(drive, treated, sight, at, rule)
        found = found[found[:, 1] - found[:, 0] > 2e-6]
        assert found.shape == expected.shape
        np.testing.assert_allclose(found, expected, atol=2e-6)
        met += bool(near) and bool(len(expected))
    assert met >= 4


# --- one piece, one edge ----------------------------------------------------------------------------------------------
def one_block(*extents: tuple[float, float], until: float = 10.0) -> tuple[Drive, Treated]:
    """Treated from y = 0 to 10 (in pieces of 2 m) between lateral extents."""
    drive = drive_along([0.0] * 6, [0.0, 2.0, 4.0, 6.0, 8.0, until])
    return drive, treat(drive, [(Stretch(k, 0.0, k, 1.0), a, b) for k in range(5) for a, b in extents])


WIDE = shapely.box(-20.0, -20.0, 20.0, 20.0)


@pytest.mark.parametrize(
    ("y", "beside", "margin", "expected"),
    [
        (5.0, 0.0, NAN, [(-4, -2), (1, 4)]),
        (5.0, 0.25, NAN, [(-4, -2.25), (1.25, 4)]),
        (5.0, 0.25, 0.0, [(-4, -2), (1, 4)]),
        # overlapped by 1 m: treated ground is moved in on all sides
        (5.0, 0.0, 1.0, [(-4, -1), (0, 4)]),
        (5.0, 0.25, 1.0, [(-4, -1), (0, 4)]),
        (8.99, 0.0, 1.0, [(-4, -1), (0, 4)]),
        (9.01, 0.0, 1.0, [(-4, 4)]),
        (1.01, 0.0, 1.0, [(-4, -1), (0, 4)]),
        (0.99, 0.0, 1.0, [(-4, 4)]),
        # a gap of 1 m to be left: moved out, at corners as a disc, whose lines are 0.5, 0.866 and 1 m ahead
        (5.0, 0.0, -1.0, [(-4, -3), (2, 4)]),
        (5.0, 0.25, -1.0, [(-4, -3), (2, 4)]),
        (10.4, 0.0, -1.0, [(-4, -2 - np.sqrt(0.75)), (1 + np.sqrt(0.75), 4)]),
        (10.6, 0.0, -1.0, [(-4, -2.5), (1.5, 4)]),
        (10.9, 0.0, -1.0, [(-4, -2), (1, 4)]),
        (11.1, 0.0, -1.0, [(-4, 4)]),
        (-0.4, 0.0, -1.0, [(-4, -2 - np.sqrt(0.75)), (1 + np.sqrt(0.75), 4)]),
        (-0.9, 0.0, -1.0, [(-4, -2), (1, 4)]),
        (-1.1, 0.0, -1.0, [(-4, 4)]),
    ],
)
@pytest.mark.parametrize("heading", [0.0, 180.0])
def test_margins_move_the_edges_of_treated_ground(
    y: float, beside: float, margin: float, expected: list[tuple[float, float]], heading: float
) -> None:
    drive, treated = one_block((-2.0, 1.0))
    found = seen(drive, treated, sight_of(WIDE, 64, MAX_CUTS), line(0.0, y, heading), Rule(-4, 4, beside, margin), 1.0)
    if heading:  # seen from the other side
        expected = [(-b, -a) for a, b in reversed(expected)]
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_gaps_between_treated_ground_are_filled_up_to_twice_the_tolerance() -> None:
    for gap, open_ in ((0.4, False), (0.6, True)):
        drive, treated = one_block((-2.0, 0.0), (gap, 2.0))
        sight = sight_of(WIDE, 64, MAX_CUTS)
        at = line(0.0, 5.0)
        bare = [[0.0, gap]]
        np.testing.assert_allclose(seen(drive, treated, sight, at, Rule(-2, 2, 0.0, NAN)), bare, atol=1e-6)
        left = [[0.25, gap - 0.25]] if open_ else np.empty((0, 2))
        np.testing.assert_allclose(seen(drive, treated, sight, at, Rule(-2, 2, 0.25, NAN)), left, atol=1e-6)
        whole = [[0.0, gap]] if open_ else np.empty((0, 2))
        np.testing.assert_allclose(seen(drive, treated, sight, at, Rule(-2, 2, 0.25, 0.0)), whole, atol=1e-6)
        # an overlap of 0.1 m is asked for on either side of a gap that is one
        more = [[-2.0, -1.9], [-0.1, gap + 0.1], [1.9, 2.0]] if open_ else [[-2.0, -1.9], [1.9, 2.0]]
        np.testing.assert_allclose(seen(drive, treated, sight, at, Rule(-2, 2, 0.25, 0.1), 0.1), more, atol=1e-6)


def test_treated_ground_just_beyond_the_boom_s_ends_counts_for_a_margin() -> None:
    # treated to 2.3 m and from 2.2 m on, by two passes; a boom that ends at 2 m is over treated ground at its end
    drive, treated = one_block((-9.0, 2.3), (2.2, 6.0))
    sight = sight_of(WIDE, 64, MAX_CUTS)
    assert seen(drive, treated, sight, line(0.0, 5.0), Rule(-2, 2, 0.1, 0.5), 0.5).size == 0
    # treated from 2.2 m on alone: 0.5 m beside it are to be left, to 1.7 m
    drive, treated = one_block((2.2, 6.0))
    found = seen(drive, treated, sight, line(0.0, 5.0), Rule(-2, 2, 0.1, -0.5), 0.5)
    np.testing.assert_allclose(found, [[-2.0, 1.7]], atol=1e-6)
    drive, treated = one_block((-6.0, -2.2))
    found = seen(drive, treated, sight, line(0.0, 5.0), Rule(-2, 2, 0.1, -0.5), 0.5)
    np.testing.assert_allclose(found, [[-1.7, 2.0]], atol=1e-6)


def test_pieces_that_share_an_edge_or_lie_in_each_other_leave_no_hair_between() -> None:
    drive, treated = one_block((-2.0, 0.0), (0.0, 1.0), (-1.5, -1.0), (0.5, 1.5))
    found = seen(drive, treated, sight_of(WIDE, 64, MAX_CUTS), line(0.0, 5.0), Rule(-3, 3, 0.0, NAN))
    np.testing.assert_allclose(found, [[-3, -2], [1.5, 3]], atol=1e-9)


def test_edges_of_the_target_split_the_boom_wherever_its_centre_is() -> None:
    # a ring: target from 1 to 3 m off the middle, looked at from within, on and beyond it
    ring = shapely.box(-3, -3, 3, 3).difference(shapely.box(-1, -1, 1, 1))
    drive, treated = one_block((30.0, 31.0))
    for x in (0.0, 2.0, -2.0, 5.0, -4.5):
        for heading, side in ((0.0, 1.0), (180.0, -1.0)):
            found = seen(drive, treated, sight_of(ring, 64, MAX_CUTS), line(x, 0.1, heading), Rule(-9, 9, 0.0, NAN))
            expected = sorted([sorted([side * (a - x), side * (b - x)]) for a, b in ((-3, -1), (1, 3))])
            np.testing.assert_allclose(found, expected, atol=1e-9)
    assert seen(drive, treated, sight_of(ring, 64, MAX_CUTS), line(0.0, 4.0), Rule(-9, 9, 0.0, NAN)).size == 0
    assert seen(drive, treated, sight_of(ring, 64, MAX_CUTS), line(50.0, 0.1), Rule(-9, 9, 0.0, NAN)).size == 0
    none = sight_of(Polygon(), 64, MAX_CUTS)
    assert seen(drive, treated, none, line(0.0, 0.1), Rule(-9, 9, 0.0, NAN)).size == 0


def test_widths_of_groups_are_shared_out_by_their_edges() -> None:
    sight = sight_of(WIDE, 64, MAX_CUTS)
    rng = np.random.default_rng(5)
    for _ in range(40):
        edges = np.sort(rng.uniform(-5, 5, int(rng.integers(2, 9))))
        cuts = np.sort(rng.uniform(-5, 5, 2 * int(rng.integers(0, 4))))
        if rng.uniform() < 0.5 and cuts.size:
            cuts[0] = edges[0]
        low, high = np.sort(cuts)[::2], np.sort(cuts)[1::2]
        sight.low_m[3, : low.size], sight.high_m[3, : low.size] = low, high
        width = np.full(edges.size - 1, 9.0)
        wanting_widths(sight, low.size, edges, width)
        expected = [
            sum(max(min(b, h) - max(a, lo), 0.0) for lo, h in zip(low, high, strict=True)) for a, b in pairwise(edges)
        ]
        np.testing.assert_allclose(width, expected, atol=1e-12)


def test_edges_within_reach_are_listed() -> None:
    sight = sight_of(shapely.box(0.0, 0.0, 6.0, 4.0), 64, MAX_CUTS)

    def near(x: float, y: float, reach: float) -> int:
        find_near_edges(sight, x, y, reach)
        return int(sight.counts[0])

    # the lower edge is within 1 m of (3, -0.9) alone; the left one of (-0.9, 2); corners have two
    assert near(3.0, -0.9, 1.0) == 1
    assert near(3.0, -1.1, 1.0) == 0
    assert near(3.0, 4.9, 1.0) == 1
    assert near(3.0, 5.1, 1.0) == 0
    assert near(-0.9, 2.0, 1.0) == 1
    assert near(-1.1, 2.0, 1.0) == 0
    assert near(6.9, 2.0, 1.0) == 1
    assert near(7.1, 2.0, 1.0) == 0
    assert near(0.5, 0.5, 1.0) == 2
    assert near(3.0, 2.0, 3.5) == 4
    assert near(3.0, -1.0, 1.0) == near(-1.0, 2.0, 1.0) == near(3.0, 5.0, 1.0) == near(7.0, 2.0, 1.0) == 1  # just so


@pytest.mark.parametrize("margin", [-1.0, 0.0, 1.5])
def test_a_margin_at_the_boundary_never_reaches_into_an_exclusion(margin: float) -> None:
    boundary = shapely.box(0.0, 0.0, 20.0, 10.0)
    target = boundary.difference(shapely.box(5.0, 4.0, 8.0, 7.0))
    # 200 - 9; kept 1 m away from both: 18 x 8 less the pond and 1 m around it; or 1.5 m beyond the boundary alone
    around = {-1.0: 18.0 * 8.0 - (9.0 + 4 * 3.0 * 1.0 + np.pi), 0.0: 191.0, 1.5: 191.0 + 60.0 * 1.5 + np.pi * 1.5**2}
    found = decision_target(boundary, target, margin)
    assert found.area == pytest.approx(around[margin], rel=2e-3)
    assert not found.intersects(shapely.Point(6.5, 5.5))


# --- pieces and their tiles -------------------------------------------------------------------------------------------
def test_a_place_on_the_drive_is_between_its_poses() -> None:
    drive = drive_along([0.0, 2.0, 2.0], [0.0, 4.0, 8.0], [0.0, 90.0, 90.0])
    assert line_at(drive, 1, 0.0) == Line(2.0, 4.0, float(np.cos(np.pi / 2)), -1.0)
    assert line_at(drive, 0, 0.25) == pytest.approx((0.5, 1.0, 0.75, -0.25))
    assert line_at(drive, 1, 1.0) == pytest.approx((2.0, 8.0, 0.0, -1.0))
    # ahead of a boom that looks east lies the east; its right is the south
    assert moved_ahead(Line(1.0, 2.0, 0.0, -1.0), 3.0) == Line(4.0, 2.0, 0.0, -1.0)
    assert moved_ahead(Line(1.0, 2.0, 1.0, 0.0), -3.0) == Line(1.0, -1.0, 1.0, 0.0)


def test_pieces_are_found_once_a_question_and_those_far_away_are_not() -> None:
    # blocks of 1 m at (0, 0), (10, 0), (0, 10) and (30, 30), each on tiles of its own
    drive = drive_along([0.0, 0.0, 10.0, 10.0, 0.0, 0.0, 30.0, 30.0], [0.0, 1.0, 0.0, 1.0, 10.0, 11.0, 30.0, 31.0])
    treated = treat(drive, [(Stretch(2 * k, 0.0, 2 * k, 1.0), -0.5, 0.5) for k in range(4)])
    near = np.full(64, -1, np.int64)

    def found(first: Line, last: Line, ends: tuple[float, float], count: int = 0) -> list[int]:
        n = find_near(treated, first, last, ends, near, count)
        return sorted(near[count:n].tolist())

    def ask(first: Line, last: Line, ends: tuple[float, float]) -> list[int]:
        treated.counts[ASKED] += 1
        return found(first, last, ends)

    here = line(0.0, 0.5)
    assert ask(here, here, (-1.0, 1.0)) == [0]
    assert found(here, here, (-1.0, 1.0)) == []  # the same question has it already
    assert ask(here, here, (-1.0, 12.0)) == [0, 1]
    assert ask(here, line(0.0, 12.0), (-1.0, 1.0)) == [0, 2]
    assert ask(line(0.0, 12.0), here, (-1.0, 1.0)) == [0, 2]
    assert ask(here, line(30.0, 30.0), (-1.0, 1.0)) == [0, 1, 2, 3]
    # a long boom that slants is looked along in parts: what lies beside it is not met
    slant = line(15.0, 15.0, -45.0)
    assert ask(slant, slant, (-24.0, 24.0)) == [0, 3]
    assert ask(line(-20.0, -20.0), line(-20.0, -20.0), (-2.0, 2.0)) == []
    treated.counts[ASKED] += 1
    assert find_near(treated, here, here, (-1.0, 1.0), near, 3) == 4


def test_a_piece_is_linked_to_the_tiles_that_it_touches_alone() -> None:
    # tiles of 4 m from -40 on: 1 m from (0.5, 0.5) lies in one; 9 m wide at that height in three; 9 m long in three
    for ends, until, tiles in (
        ((0.5, 1.5), 1.0, 1), ((0.5, 9.5), 1.0, 3), ((0.5, 1.5), 9.0, 3), ((-1.0, 1.0), 1.0, 2), ((0.5, 9.5), 9.0, 9),
        ((0.5, 3.5), 1.0, 1), ((0.5, 3.5), 3.4, 1), ((0.5, 3.5), 3.6, 2), ((0.5, 4.1), 1.0, 2),
    ):  # fmt: skip
        drive = drive_along([0.0, 0.0], [0.5, 0.5 + until])
        treated = treat(drive, [(Stretch(0, 0.0, 0, 1.0), *ends)])
        assert treated.counts[LINKS] == tiles, (ends, until)
        assert treated.box[0].tolist() == pytest.approx([ends[0], 0.5, ends[1], 0.5 + until])
    assert TILE_M == 4.0


def test_there_is_no_room_for_more_than_there_is() -> None:
    drive = drive_along([0.0, 0.0], [0.5, 1.5])
    stretch = Stretch(0, 0.0, 0, 1.0)
    treated = empty_treated((0.0, 0.0, 20.0, 20.0), 2, 4)
    assert treated.head.shape == (6, 6)
    assert put_piece(treated, stretch, 0.5, 9.5, 0.0, 0.0)  # three tiles
    assert put_piece(treated, stretch, 0.5, 1.5, 0.0, 0.0)
    assert not put_piece(treated, stretch, 0.5, 1.5, 0.0, 0.0)
    assert let_count(drive, treated, 9.0, 9.0, False)
    assert treated.counts[:3].tolist() == [2, 4, 2]
    short = empty_treated((0.0, 0.0, 20.0, 20.0), 2, 2)
    assert put_piece(short, stretch, 0.5, 9.5, 0.0, 0.0)
    assert not let_count(drive, short, 9.0, 9.0, False)
    assert short.counts[USABLE] == 0


@pytest.mark.parametrize(
    ("now_s", "way_m", "all_of_it", "usable"),
    [(0.5, 0.3, False, 1), (0.4999, 9.0, False, 0), (9.0, 0.2999, False, 0), (0.0, 0.0, True, 2), (1.5, 9.0, False, 2)],
)
def test_ground_counts_half_a_second_and_30_cm_later(now_s: float, way_m: float, all_of_it: bool, usable: int) -> None:
    drive = drive_along([0.0, 0.0], [0.5, 1.5])
    treated = empty_treated((0.0, 0.0, 20.0, 20.0), 4, 40)
    for finished in (0.0, 1.0):
        assert put_piece(treated, Stretch(0, 0.0, 0, 1.0), 0.5, 1.5, finished, finished)
    assert let_count(drive, treated, now_s, way_m, all_of_it)
    assert treated.counts[USABLE] == usable
