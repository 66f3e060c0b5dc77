"""Lines to be sprayed: headland laps, straight passes at a bearing, passes that follow a contour.

Everything is on the plane, metres; angles are radians counter-clockwise from east unless a name says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon, affinity
from shapely.geometry.base import BaseGeometry
from shapely.ops import split

Poses = NDArray[np.float64]
"""(n, 3): x, y, theta."""

QUAD_SEGS = 32
STEP_M = 0.75


def polygons(geometry: BaseGeometry) -> list[Polygon]:
    """The polygons of a geometry, largest first; lines and points are left out."""
    parts = [g for g in shapely.get_parts(geometry) if isinstance(g, Polygon) and not g.is_empty]
    return sorted(parts, key=lambda g: (-g.area, g.bounds))


def lines(geometry: BaseGeometry) -> list[LineString]:
    """The lines of a geometry, merged end to end, longest first."""
    merged = shapely.line_merge(geometry) if geometry.geom_type == "MultiLineString" else geometry
    parts = [g for g in shapely.get_parts(merged) if isinstance(g, LineString) and g.length > 0]
    return sorted(parts, key=lambda g: (-g.length, g.bounds))


def inset(outer: Polygon, obstacles: BaseGeometry, from_edge_m: float, from_obstacles_m: float) -> BaseGeometry:
    """Ground at least so far from the boundary and from the obstacles."""
    region = outer.buffer(-from_edge_m, quad_segs=QUAD_SEGS)
    return region if obstacles.is_empty else region.difference(obstacles.buffer(from_obstacles_m, quad_segs=QUAD_SEGS))


def smoothed(region: BaseGeometry, radius_m: float) -> BaseGeometry:
    """``region`` with no corner sharper than the radius: opened (convex corners), then closed (reflex corners)."""
    opened = region.buffer(-radius_m, quad_segs=QUAD_SEGS).buffer(2 * radius_m, quad_segs=QUAD_SEGS)
    return opened.buffer(-radius_m, quad_segs=QUAD_SEGS)


def poses_along(coordinates: NDArray[np.float64], *, closed: bool, step_m: float = STEP_M) -> Poses:
    """A polyline resampled evenly, with the direction of travel at each point (chord over about 2 m).

    A closed ring comes back with its first point repeated at the end.
    """
    points = np.asarray(coordinates, dtype=np.float64)[:, :2]
    keep = np.concatenate([[True], np.any(np.diff(points, axis=0) != 0, axis=1)])
    points = points[keep]
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    n = max(8 if closed else 2, math.ceil(s[-1] / step_m) + 1)
    at = np.linspace(0.0, s[-1], n)
    x, y = np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])
    reach = 1
    if closed:
        px = np.concatenate([x[-1 - reach : -1], x, x[1 : 1 + reach]])
        py = np.concatenate([y[-1 - reach : -1], y, y[1 : 1 + reach]])
        theta = np.arctan2(py[2 * reach :] - py[: -2 * reach], px[2 * reach :] - px[: -2 * reach])
    else:
        theta = np.arctan2(np.gradient(y), np.gradient(x))
    return np.column_stack([x, y, np.unwrap(theta)])


def reversed_poses(poses: Poses) -> Poses:
    """The same line driven the other way."""
    out = poses[::-1].copy()
    out[:, 2] += math.pi
    return out


def rings(region: BaseGeometry, *, clockwise: bool, minimum_m: float) -> tuple[list[Poses], list[Poses]]:
    """Closed laps along the outer and the inner rings of a region, those shorter than ``minimum_m`` left out.

    Inner rings (round obstacles) are driven in the other sense.
    """
    outer, inner = [], []
    for polygon in polygons(region):
        turned = shapely.orient_polygons(polygon, exterior_cw=clockwise)
        if turned.exterior.length >= minimum_m:
            outer.append(poses_along(np.asarray(turned.exterior.coords), closed=True))
        inner += [
            poses_along(np.asarray(ring.coords), closed=True) for ring in turned.interiors if ring.length >= minimum_m
        ]
    return outer, inner


class Chain(NamedTuple):
    """The stretches of one line that are to be sprayed in one go (what lies between them is driven round or through).

    ``stretches`` are poses along the line; ``first`` and ``last`` stations and ``line`` are for ordering only.
    """

    line: int
    first: float
    last: float
    stretches: tuple[Poses, ...]

    def driven(self, backwards: bool) -> tuple[Poses, ...]:
        """Pieces in the order and direction asked for."""
        return tuple(reversed_poses(p) for p in self.stretches[::-1]) if backwards else self.stretches


def _merge(intervals: list[tuple[float, float]], gap_m: float) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for a, b in sorted(intervals):
        if out and a <= out[-1][1] + gap_m:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def _straight(a: float, b: float, c: float, theta: float) -> Poses:
    """Poses from station a to b on the line at offset c, turned back from the frame in which the line runs east."""
    n = max(2, math.ceil((b - a) / STEP_M) + 1)
    s = np.linspace(a, b, n)
    x, y = s * math.cos(theta) - c * math.sin(theta), s * math.sin(theta) + c * math.cos(theta)
    return np.column_stack([x, y, np.full(n, theta)])


def straight_chains(
    inner: BaseGeometry,
    boundary: Polygon,
    barred: BaseGeometry,
    theta: float,
    width_m: float,
    *,
    spacing_m: float | None = None,
    join_m: float = 0.0,
) -> list[Chain]:
    """Parallel passes over ``inner`` along direction ``theta``.

    A pass reaches as far as any part of its swath has ground of ``inner``, so that slanting ends are covered by its far
    sections too. It is split where its centre line would enter ``barred``; stretches whose gap lies inside the boundary
    stay one chain.

    Parameters
    ----------
    join_m : float
        Gaps not longer than this are driven straight on when nothing is in the way.
    """
    if inner.is_empty:
        return []
    turn = -math.degrees(theta)

    def flat(geometry: BaseGeometry) -> BaseGeometry:
        return affinity.rotate(geometry, turn, origin=(0, 0))

    ground, fence, blocked = flat(inner), flat(boundary), flat(barred)
    low, high = ground.bounds[1], ground.bounds[3]
    left, right = ground.bounds[0] - 1.0, ground.bounds[2] + 1.0
    spacing = width_m if spacing_m is None else spacing_m
    count = max(1, math.ceil((high - low - width_m) / spacing - 1e-6) + 1)
    # One pass alone runs up the middle; else the first lies against the lower edge and the last overlaps its neighbour.
    centres = (
        [(low + high) / 2]
        if count == 1
        else [low + width_m / 2 + i * spacing for i in range(count - 1)] + [high - width_m / 2]
    )
    out: list[Chain] = []
    for i, c in enumerate(centres):
        swath = shapely.box(left, c - width_m / 2, right, c + width_m / 2)
        parts = [p for p in polygons(ground.intersection(swath)) if p.area > 0.015 * width_m**2]
        intervals = _merge([(p.bounds[0], p.bounds[2]) for p in parts], join_m)
        if not blocked.is_empty:
            free = LineString([(left, c), (right, c)]).difference(blocked)
            spans = [(g.bounds[0], g.bounds[2]) for g in lines(free)]
            intervals = sorted(
                (max(a, lo), min(b, hi))
                for a, b in intervals
                for lo, hi in spans
                if min(b, hi) - max(a, lo) > width_m / 4
            )
        held: list[tuple[float, float]] = []
        for a, b in intervals:
            if held and not fence.covers(LineString([(held[-1][1], c), (a, c)])):
                out.append(_chain(i, held, c, theta))
                held = []
            held.append((a, b))
        if held:
            out.append(_chain(i, held, c, theta))
    return out


def _chain(line: int, intervals: list[tuple[float, float]], c: float, theta: float) -> Chain:
    return Chain(line, intervals[0][0], intervals[-1][1], tuple(_straight(a, b, c, theta) for a, b in intervals))


def lengthened(line: LineString, reach_m: float = 1000.0) -> LineString:
    """A line with straight ends added to both its ends."""
    ends = np.asarray(line.coords)[:, :2]
    inward = min(3, len(ends) - 1)

    def beyond(tip: NDArray[np.float64], back: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(tip + (tip - back) / np.hypot(*(tip - back)) * reach_m)

    return LineString(np.vstack([beyond(ends[0], ends[inward]), ends, beyond(ends[-1], ends[-1 - inward])]))


def terrace_blocks(inner: BaseGeometry, terraces: Sequence[LineString]) -> list[tuple[Polygon, LineString]]:
    """The blocks that terraces cut ``inner`` into, each with the terrace it is worked along.

    That is the earliest of those at its edge; terraces that end inside are taken to run straight on.
    """
    whole = [lengthened(terrace) for terrace in terraces]
    blocks = polygons(inner)
    for line in whole:
        blocks = [part for block in blocks for part in polygons(split(block, line))]
    return [(block, next((w for w in whole if w.distance(block) < 1e-6), whole[0])) for block in blocks]


def terrace_chains(
    blocks: Sequence[tuple[Polygon, LineString]], outer: Polygon, width_m: float, radius_m: float
) -> list[Chain]:
    """Passes over blocks, each along its own terrace.

    The last pass of a block reaches over the next terrace where the block is no whole number of widths wide. Lines are
    numbered apart, so that blocks are driven one by one.
    """
    out: list[Chain] = []
    for number, (block, own) in enumerate(blocks):
        # a hair less than half a width, so that the line on the terrace's other side is no part of the block
        found = contour_chains(block, outer, own, width_m, radius_m, first_m=0.0, ends_m=width_m / 2 - 0.1)
        out += [chain._replace(line=chain.line + 1_000_000 * number) for chain in found]
    return out


def contour_chains(
    inner: BaseGeometry,
    outer: Polygon,
    side: LineString,
    width_m: float,
    radius_m: float,
    *,
    first_m: float,
    ends_m: float | None = None,
) -> list[Chain]:
    """Passes that follow one side of the field: successive offsets of it, no sharper than the radius.

    ``first_m`` is the distance from the side at which ``inner`` begins; each line is clipped to ``inner`` grown by
    ``ends_m`` (half a width), so that its ends reach into the headland.
    """
    ends = np.asarray(side.coords)[:, :2]
    long_side = lengthened(side)
    clip = inner.buffer(width_m / 2 if ends_m is None else ends_m, quad_segs=QUAD_SEGS).intersection(outer)
    out: list[Chain] = []
    farthest = max((long_side.distance(shapely.Point(p)) for p in shapely.get_coordinates(inner)), default=0.0)
    for i in range(max(1, math.ceil((farthest - first_m) / width_m - 0.02))):
        near = long_side.buffer(first_m + (i + 0.5) * width_m, quad_segs=QUAD_SEGS)
        # Closing fills the cusps on the hollow side; opening rounds those on the other.
        smooth = smoothed(near, radius_m)
        stretches = [g for g in lines(smooth.boundary.intersection(clip)) if g.length > width_m]
        for stretch in stretches:
            poses = poses_along(np.asarray(stretch.coords), closed=False)
            along = float(np.dot(poses[-1, :2] - poses[0, :2], ends[-1] - ends[0]))
            poses = poses if along >= 0 else reversed_poses(poses)
            axis = (ends[-1] - ends[0]) / np.hypot(*(ends[-1] - ends[0]))
            first, last = float(poses[0, :2] @ axis), float(poses[-1, :2] @ axis)
            out.append(Chain(i, first, last, (poses,)))
    return out


def cells(chains: list[Chain]) -> list[list[Chain]]:
    """Chains grouped so that within a group each line has one chain and neighbours lie side by side.

    The usual cellular (boustrophedon) decomposition: a group ends where a chain has two neighbours on the next line, or
    a chain has two behind it.
    """
    groups: list[list[Chain]] = []
    ahead: list[tuple[Chain, list[Chain]]] = []
    by_line: dict[int, list[Chain]] = {}
    for chain in chains:
        by_line.setdefault(chain.line, []).append(chain)

    def beside(a: Chain, b: Chain) -> bool:
        return min(a.last, b.last) > max(a.first, b.first)

    for line in sorted(by_line):
        here = by_line[line]
        reached: list[tuple[Chain, list[Chain]]] = []
        for chain in here:
            behind = [(c, g) for c, g in ahead if c.line == line - 1 and beside(c, chain)]
            if len(behind) == 1 and sum(beside(behind[0][0], other) for other in here) == 1:
                group = behind[0][1]
                group.append(chain)
            else:
                group = [chain]
                groups.append(group)
            reached.append((chain, group))
        ahead = reached
    return groups


def snake(group: list[Chain], *, from_last: bool, backwards: bool, skip: bool) -> Iterator[tuple[Poses, ...]]:
    """A group's chains in driving order, alternating in direction.

    ``skip``: every other pass on the way out and the rest on the way back, for machines that turn wider than a pass.
    """
    order = list(reversed(group)) if from_last else list(group)
    if skip and len(order) > 2:
        order = order[::2] + list(reversed(order[1::2]))
    for i, chain in enumerate(order):
        yield chain.driven(backwards ^ (i % 2 == 1))


def drivable(exclusion: Polygon) -> bool:
    """Whether an exclusion is taken for ground a machine may cross with the boom shut (a waterway, a buffer strip).

    Long and thin (``4 pi A / P^2`` below 0.35) may be crossed; compact ones (ponds, rocks, yards) may not. A guess from
    the shape alone; the plan's notes say what was taken for what.
    """
    return bool(4 * math.pi * exclusion.area / exclusion.length**2 < 0.35)


def union(parts: list[Polygon]) -> MultiPolygon | Polygon:
    """Union of polygons (empty polygon for none)."""
    return shapely.union_all(parts) if parts else Polygon()  # type: ignore[return-value]  # polygons in, polygons out


def with_run_in(poses: Poses, before_m: float, after_m: float, allowed: BaseGeometry) -> Poses:
    """A line with straight run-in and run-out, as far as they (and the line itself) stay on allowed ground."""
    first, last = poses[0], poses[-1]

    def straight(row: Poses, length: float) -> Poses:
        n = max(2, math.ceil(abs(length) / STEP_M) + 1)
        s = np.linspace(0.0, length, n)[1:]
        return np.column_stack([row[0] + s * math.cos(row[2]), row[1] + s * math.sin(row[2]), np.full(n - 1, row[2])])

    whole = np.vstack([straight(first, -before_m)[::-1], poses, straight(last, after_m)])
    inside = shapely.intersects_xy(allowed, whole[:, 0], whole[:, 1])
    if inside.all():
        return whole
    good = np.flatnonzero(inside)
    if len(good) < 2:
        return poses
    middle = good[len(good) // 2]
    a, b = middle, middle
    while a > 0 and inside[a - 1]:
        a -= 1
    while b < len(whole) - 1 and inside[b + 1]:
        b += 1
    return whole[a : b + 1] if b > a else poses


def axes(patch: Polygon) -> Iterator[Poses]:
    """Lines through a patch's centre from end to end: along its principal axis, then across it."""
    x0, y0, x1, y1 = patch.bounds
    gx, gy = np.meshgrid(np.linspace(x0, x1, 60), np.linspace(y0, y1, 60))
    inside = shapely.contains_xy(patch, gx.ravel(), gy.ravel())
    points = np.column_stack([gx.ravel()[inside], gy.ravel()[inside]])
    if len(points) < 3:
        points = shapely.get_coordinates(patch)
    middle = points.mean(axis=0)
    for axis in np.linalg.eigh(np.cov((points - middle).T))[1].T[::-1]:
        along = (shapely.get_coordinates(patch) - middle) @ axis
        n = max(8, math.ceil((along.max() - along.min()) / STEP_M) + 1)
        s = np.linspace(along.min(), along.max(), n)
        theta = math.atan2(axis[1], axis[0])
        yield np.column_stack([middle[0] + s * axis[0], middle[1] + s * axis[1], np.full(n, theta)])
