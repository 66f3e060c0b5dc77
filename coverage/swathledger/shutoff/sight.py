"""What a controller sees along a line: where there is target that nothing has treated, found without cells."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger._jit import njit_bare
from swathledger.grid.frame import Band, frame_around, polygon_edges
from swathledger.grid.mask import TARGET, band_mask
from swathledger.grid.pattern import sample_point
from swathledger.shutoff.drive import moved_ahead
from swathledger.shutoff.treated import cuts_of_piece

MASK_M = 2.0
"""Cells of the mask that tells on which side of the target's edges a place lies."""
MASK_EAST_M, MASK_NORTH_M = 0.618034, 1.414214
"""The mask's cells begin this far off the plane's origin, so that no sample point lies on an edge of round numbers."""
NEAR_SLACK_M = 10.0
"""The list of near edges reaches this much farther than needed, so that it serves for a while."""
HAIR_M = 1e-6
"""Intervals nearer than this touch: rounding parts pieces that share an edge."""
MIN_INTERVALS = 256
EDGES, PIECES = 0, 1


class Sight(NamedTuple):
    """Edges of the target, and working space for what lies near the boom and along a line.

    Attributes
    ----------
    edges : (e, 4) float64, ``x_a, y_a, x_b, y_b`` of all rings of the target
    near_edges : (e,) int64, those that the boom may meet soon
    crossing : (e,) float64, where a line crosses them
    mask : (rows, columns) uint8, cells of :data:`MASK_M`
    mask_row, mask_column : int
    near : (n,) int64, treated pieces that the boom may meet soon
    cuts : (c,) float64
    low_m, high_m : (4, k) float64
        Intervals of a line, in order: treated ground (row 0, working rows 1 and 2), ground that wants spray (row 3).
    counts : (2,) int64
        Near edges, near pieces.
    """

    edges: NDArray[np.float64]
    near_edges: NDArray[np.int64]
    crossing: NDArray[np.float64]
    mask: NDArray[np.uint8]
    mask_row: int
    mask_column: int
    near: NDArray[np.int64]
    cuts: NDArray[np.float64]
    low_m: NDArray[np.float64]
    high_m: NDArray[np.float64]
    counts: NDArray[np.int64]


class Rule(NamedTuple):
    """What counts as treated for a decision.

    Attributes
    ----------
    left_m, right_m : float
        Ends of the boom.
    beside_m : float
        Along the line, ground this near beside treated ground counts as treated.
    margin_m : float
        Treated ground that is to be overlapped this far, in every direction; negative: a gap to be left. NaN: none is
        asked for, and ``beside_m`` alone counts.
    """

    left_m: float
    right_m: float
    beside_m: float
    margin_m: float


def sight_of(target: Polygon | MultiPolygon, pieces: int, cuts: int) -> Sight:
    """Edges and mask of a target, and working space for so many pieces and cuts of one piece."""
    edges = polygon_edges(target)
    x0, y0, x1, y1 = target.bounds if not target.is_empty else (0.0, 0.0, 1.0, 1.0)
    frame = frame_around(MASK_M, x0 - MASK_EAST_M, y0 - MASK_NORTH_M, x1 - MASK_EAST_M, y1 - MASK_NORTH_M)
    band = Band(frame.first_row, frame.first_column, frame.rows, frame.columns, 0)
    origin = np.array([MASK_EAST_M, MASK_NORTH_M, MASK_EAST_M, MASK_NORTH_M])
    mask = band_mask(band, MASK_M, edges - origin, np.empty((0, 4)))
    count = edges.shape[0]
    intervals = 2 * pieces + count + MIN_INTERVALS
    return Sight(
        edges,
        np.empty(max(count, 1), np.int64),
        np.empty(max(count, 1)),
        mask,
        frame.first_row,
        frame.first_column,
        np.empty(pieces, np.int64),
        np.empty(cuts),
        np.empty((4, intervals)),
        np.empty((4, intervals)),
        np.zeros(2, np.int64),
    )


def decision_target(
    boundary: Polygon | MultiPolygon, target: Polygon | MultiPolygon, margin_m: float
) -> Polygon | MultiPolygon:
    """The target as a controller with a margin at the boundary takes it.

    A positive margin reaches beyond the boundary and never into an exclusion; a negative one keeps away from both.
    """
    if margin_m == 0.0:
        return target
    if margin_m < 0.0:
        return _polygons(target.buffer(margin_m))
    return _polygons(target.union(boundary.buffer(margin_m).difference(boundary)))


def _polygons(geometry: shapely.Geometry) -> Polygon | MultiPolygon:
    parts = [part for part in shapely.get_parts(geometry) if isinstance(part, Polygon)]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


@njit_bare
def find_near_edges(sight, x, y, reach_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """List the target's edges within ``reach_m`` of a place."""
    edges = sight.edges
    count = 0
    for e in range(edges.shape[0]):
        if (
            max(edges[e, 0], edges[e, 2]) >= x - reach_m
            and min(edges[e, 0], edges[e, 2]) <= x + reach_m
            and max(edges[e, 1], edges[e, 3]) >= y - reach_m
            and min(edges[e, 1], edges[e, 3]) <= y + reach_m
        ):
            sight.near_edges[count] = e
            count += 1
    sight.counts[EDGES] = count


@njit_bare
def _find_crossings(sight, line):  # type: ignore[no-untyped-def]  # numba infers the types
    """Lateral places where a line crosses the near edges, in order, into ``sight.crossing``. Returns how many."""
    count = 0
    per_metre = line.right_x * line.right_x + line.right_y * line.right_y
    for m in range(sight.counts[EDGES]):
        e = sight.near_edges[m]
        ax, ay = sight.edges[e, 0] - line.x, sight.edges[e, 1] - line.y
        bx, by = sight.edges[e, 2] - line.x, sight.edges[e, 3] - line.y
        ahead_a = ay * line.right_x - ax * line.right_y
        ahead_b = by * line.right_x - bx * line.right_y
        if (ahead_a >= 0.0) != (ahead_b >= 0.0):
            lateral_a = (ax * line.right_x + ay * line.right_y) / per_metre
            lateral_b = (bx * line.right_x + by * line.right_y) / per_metre
            place = lateral_a + (lateral_b - lateral_a) * ahead_a / (ahead_a - ahead_b)
            k = count
            while k > 0 and sight.crossing[k - 1] > place:
                sight.crossing[k] = sight.crossing[k - 1]
                k -= 1
            sight.crossing[k] = place
            count += 1
    return count


@njit_bare
def _on_target(sight, x, y):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a place is target.

    Exact: what the place's cell tells holds at the cell's sample point, and every edge between the two turns it.
    """
    mask_x, mask_y = x - MASK_EAST_M, y - MASK_NORTH_M
    i, j = np.int64(np.floor(mask_x / MASK_M)), np.int64(np.floor(mask_y / MASK_M))
    column, row = i - sight.mask_column, j - sight.mask_row
    if not (0 <= column < sight.mask.shape[1] and 0 <= row < sight.mask.shape[0]):
        return False
    here = sight.mask[row, column] == TARGET
    su, sv = sample_point(i, j)
    dx, dy = mask_x - (i + su) * MASK_M, mask_y - (j + sv) * MASK_M
    for m in range(sight.counts[EDGES]):
        e = sight.near_edges[m]
        ax, ay = sight.edges[e, 0] - x, sight.edges[e, 1] - y
        bx, by = sight.edges[e, 2] - x, sight.edges[e, 3] - y
        # the edge's ends lie on both sides of the line through the two points, and these on both sides of the edge
        side_a, side_b = ax * dy - ay * dx, bx * dy - by * dx
        if (side_a >= 0.0) != (side_b >= 0.0):
            ex, ey = bx - ax, by - ay
            of_place = ex * -ay - ey * -ax
            of_sample = of_place - (ex * dy - ey * dx)
            if (of_place >= 0.0) != (of_sample >= 0.0):
                here = not here
    return here


@njit_bare
def _starts_inside(sight, crossings, line, rule):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether a line is on target left of its first crossing, read where no edge is near."""
    best = -1.0
    place = 0.5 * (rule.left_m + rule.right_m)
    flips = 0
    low = rule.left_m
    for k in range(crossings + 1):
        high = rule.right_m if k == crossings else min(max(sight.crossing[k], rule.left_m), rule.right_m)
        if high - low > best:
            best = high - low
            place = 0.5 * (low + high)
            flips = k
        low = high
    here = _on_target(sight, line.x + place * line.right_x, line.y + place * line.right_y)
    return here if flips % 2 == 0 else not here


@njit_bare
def _add_interval(sight, row, count, low, high):  # type: ignore[no-untyped-def]  # numba infers the types
    """Put an interval in its place by its lower end; returns the new number."""
    lows, highs = sight.low_m[row], sight.high_m[row]
    k = count
    while k > 0 and lows[k - 1] > low:
        lows[k] = lows[k - 1]
        highs[k] = highs[k - 1]
        k -= 1
    lows[k] = low
    highs[k] = high
    return count + 1


@njit_bare
def _join(sight, row, count):  # type: ignore[no-untyped-def]  # numba infers the types
    """Join intervals that touch; returns how many are left."""
    lows, highs = sight.low_m[row], sight.high_m[row]
    kept = 0
    for k in range(count):
        if kept > 0 and lows[k] <= highs[kept - 1] + HAIR_M:
            highs[kept - 1] = max(highs[kept - 1], highs[k])
        else:
            lows[kept] = lows[k]
            highs[kept] = highs[k]
            kept += 1
    return kept


@njit_bare
def _treated_on(drive, treated, sight, line, rule, row):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treated intervals of a line, each ``beside_m`` wider at both ends, joined; returns how many."""
    # beyond the boom's ends as far as edges are moved: what lies there tells whether an edge is one
    around = rule.beside_m + (0.0 if np.isnan(rule.margin_m) else abs(rule.margin_m))
    left, right = rule.left_m - around, rule.right_m + around
    xa, ya = line.x + left * line.right_x, line.y + left * line.right_y
    xb, yb = line.x + right * line.right_x, line.y + right * line.right_y
    west, east, south, north = min(xa, xb), max(xa, xb), min(ya, yb), max(ya, yb)
    count = 0
    for m in range(sight.counts[PIECES]):
        k = sight.near[m]
        box = treated.box[k]
        if box[0] > east or box[2] < west or box[1] > north or box[3] < south:
            continue
        cuts = cuts_of_piece(drive, treated, k, line, sight.cuts)
        for c in range(0, cuts - 1, 2):
            count = _add_interval(sight, row, count, sight.cuts[c] - rule.beside_m, sight.cuts[c + 1] + rule.beside_m)
    return _join(sight, row, count)


@njit_bare
def _shrink(sight, row, count, by_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """Take ``by_m`` off both ends of intervals (negative: add); returns how many are left."""
    lows, highs = sight.low_m[row], sight.high_m[row]
    kept = 0
    for k in range(count):
        low, high = lows[k] + by_m, highs[k] - by_m
        if high > low:
            lows[kept] = low
            highs[kept] = high
            kept += 1
    return kept


@njit_bare
def _meet(sight, a, count_a, b, count_b, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Intervals common to rows ``a`` and ``b``, into row ``into``; returns how many."""
    i, j, kept = 0, 0, 0
    while i < count_a and j < count_b:
        low = max(sight.low_m[a, i], sight.low_m[b, j])
        high = min(sight.high_m[a, i], sight.high_m[b, j])
        if high > low:
            sight.low_m[into, kept] = low
            sight.high_m[into, kept] = high
            kept += 1
        if sight.high_m[a, i] < sight.high_m[b, j]:
            i += 1
        else:
            j += 1
    return kept


@njit_bare
def _with_margin(drive, treated, sight, line, rule):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treated intervals, row 0, of ground moved in by the rule's margin (out where it is negative).

    In every direction alike: seven lines beside each other stand for a disc (a polygon of 12 corners in it).
    """
    radius = abs(rule.margin_m)
    count = 0
    for n in range(-3, 4):
        ahead = radius * np.sin(n * np.pi / 6)
        lateral = radius * np.cos(n * np.pi / 6)
        row = 0 if n == -3 else 1
        found = _treated_on(drive, treated, sight, moved_ahead(line, ahead), rule, row)
        # what lies between treated ground nearer than twice ``beside_m`` is filled; then back to the true edge
        found = _shrink(sight, row, found, rule.beside_m + (lateral if rule.margin_m > 0.0 else -lateral))
        if n == -3:
            count = found
        elif rule.margin_m > 0.0:
            count = _meet(sight, 0, count, 1, found, 2)
            for k in range(count):
                sight.low_m[0, k] = sight.low_m[2, k]
                sight.high_m[0, k] = sight.high_m[2, k]
        else:
            for k in range(found):
                count = _add_interval(sight, 0, count, sight.low_m[1, k], sight.high_m[1, k])
            count = _join(sight, 0, count)
    return _join(sight, 0, count)


@njit_bare
def find_wanting(drive, treated, sight, line, rule):  # type: ignore[no-untyped-def]  # numba infers the types
    """Intervals of a line between the boom's ends that are target and not treated, row 3; returns how many."""
    if rule.margin_m == 0.0 or np.isnan(rule.margin_m):
        count = _treated_on(drive, treated, sight, line, rule, 0)
        if rule.margin_m == 0.0:
            # gaps narrower than twice ``beside_m`` stay filled, and the edge is where it is
            count = _shrink(sight, 0, count, rule.beside_m)
    else:
        count = _with_margin(drive, treated, sight, line, rule)
    crossings = _find_crossings(sight, line)
    inside = _starts_inside(sight, crossings, line, rule)
    wanting = 0
    next_treated = 0
    low = rule.left_m
    for k in range(crossings + 1):
        high = rule.right_m if k == crossings else min(max(sight.crossing[k], rule.left_m), rule.right_m)
        if inside and high > low:
            at = low
            while next_treated < count and sight.high_m[0, next_treated] <= at:
                next_treated += 1
            t = next_treated
            while t < count and sight.low_m[0, t] < high:
                if sight.low_m[0, t] > at:
                    sight.low_m[3, wanting] = at
                    sight.high_m[3, wanting] = sight.low_m[0, t]
                    wanting += 1
                at = max(at, sight.high_m[0, t])
                t += 1
            if at < high:
                sight.low_m[3, wanting] = at
                sight.high_m[3, wanting] = high
                wanting += 1
        inside = not inside
        low = high
    return wanting


@njit_bare
def wanting_widths(sight, count, edges_m, width_m):  # type: ignore[no-untyped-def]  # numba infers the types
    """How much of every group's width lies in the first ``count`` wanting intervals, m."""
    groups = width_m.shape[0]
    for g in range(groups):
        width_m[g] = 0.0
    g = 0
    for k in range(count):
        low, high = sight.low_m[3, k], sight.high_m[3, k]
        while g < groups and edges_m[g + 1] <= low:
            g += 1
        h = g
        while h < groups and edges_m[h] < high:
            width_m[h] += min(high, edges_m[h + 1]) - max(low, edges_m[h])
            h += 1
