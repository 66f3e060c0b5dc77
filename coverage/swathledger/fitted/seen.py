"""What each group's line meets along the drive as it was logged: the share of it that is target and not yet treated.

The log's own states lay the ground here, not a model's. Only stretches near a switch are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger._jit import njit
from swathledger.errors import InputError
from swathledger.shutoff.drive import Drive, Stretch, drive_of, line_at
from swathledger.shutoff.groups import LOOKS_AT_ONCE
from swathledger.shutoff.sight import (
    MASK_M,
    NEAR_SLACK_M,
    PIECES,
    Rule,
    Sight,
    find_near_edges,
    find_wanting,
    sight_of,
    wanting_widths,
)
from swathledger.shutoff.treated import (
    ASKED,
    MAX_CUTS,
    MAX_PIECE_M,
    MAX_PIECE_STEPS,
    MAX_PIECE_TURN_COS,
    USABLE,
    Treated,
    empty_treated,
    find_near,
    let_count,
    put_piece,
)
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

LOOK_M = 0.1
"""Way between two looks."""
AROUND_M = 60.0
"""Without a boundary, all ground this far around the drive is taken as target."""
LINKS_PER_PIECE = 24
MAX_PIECES = 1 << 26


@dataclass(frozen=True, slots=True)
class Looks:
    """``n`` looks along the drive, ``g`` groups.

    Attributes
    ----------
    way_m : (n,) float64
        Way of the boom centre from the start of the drive.
    step : (n,) int64
    stretch : (n,) int64
        Looks of one number follow each other without a gap, a stand or a change of gear.
    share : (n, g) float32
        Of the group's width that is target and not treated, 0..1.
    """

    way_m: Floats
    step: Ints
    stretch: Ints
    share: NDArray[np.float32]


@njit
def _follow(drive, treated, sight, rule, edges_m, done, looked, along_m, look_m, way_m, step, share):  # type: ignore[no-untyped-def]  # numba infers the types
    """Lay the ground as logged, and look where ``looked``; returns how many looks, -1 where there is no room."""
    groups = edges_m.shape[0] - 1
    width = np.zeros(groups)
    steps = drive.moving.shape[0]
    reach = max(abs(rule.left_m), abs(rule.right_m)) + 2.0 * MASK_M
    ends = (rule.left_m - rule.beside_m, rule.right_m + rule.beside_m)
    piece_from = -1
    piece_m, way, near_left_m = 0.0, 0.0, -1.0
    found = 0
    for a in range(steps + 1):
        # what was laid up to here is taken down where the pattern changes or the piece is long
        flush = a == steps or not drive.moving[a]
        if not flush and piece_from >= 0:
            turned = drive.right_x[piece_from] * drive.right_x[a + 1] + drive.right_y[piece_from] * drive.right_y[a + 1]
            flush = (
                piece_m + drive.distance_m[a] > MAX_PIECE_M
                or a - piece_from >= MAX_PIECE_STEPS
                or turned < MAX_PIECE_TURN_COS
                or drive.reverse[a] != drive.reverse[a - 1]
            )
            if not flush:
                for g in range(groups):
                    if done[a, g] != done[a - 1, g]:
                        flush = True
                        break
        if flush and piece_from >= 0:
            g = 0
            while g < groups:
                e = g + 1
                if done[piece_from, g]:
                    while e < groups and done[piece_from, e]:
                        e += 1
                    stretch = Stretch(piece_from, 0.0, a - 1, 1.0)
                    if not put_piece(treated, stretch, edges_m[g], edges_m[e], drive.time_s[a], way):
                        return -1
                g = e
            piece_from = -1
        if a == steps:
            break
        if not drive.moving[a]:
            if not drive.linked[a] and not let_count(drive, treated, drive.time_s[a], way, True):
                return -1
            continue
        if piece_from < 0:
            piece_from, piece_m = a, 0.0
        length = drive.distance_m[a]
        piece_m += length
        if looked[a]:
            if near_left_m < length:
                near_left_m = length + NEAR_SLACK_M
                find_near_edges(sight, drive.x[a], drive.y[a], reach + near_left_m)
            seconds = drive.time_s[a + 1] - drive.time_s[a]
            parts = max(np.int64(1), np.int64(np.ceil(length / look_m - 1e-9)))
            gathered = 0
            for n in range(parts):
                usable = treated.counts[USABLE]
                if not let_count(
                    drive, treated, drive.time_s[a] + n / parts * seconds, way + n / parts * length, False
                ):
                    return -1
                if n >= gathered or treated.counts[USABLE] != usable:
                    gathered = n + LOOKS_AT_ONCE
                    treated.counts[ASKED] += 1
                    first = line_at(drive, a, n / parts)
                    last = line_at(drive, a, min(gathered / parts, 1.0))
                    sight.counts[PIECES] = find_near(treated, first, last, ends, sight.near, 0)
                if found == way_m.shape[0]:
                    return -1
                middle = (n + 0.5) / parts
                wanting_widths(
                    sight, find_wanting(drive, treated, sight, line_at(drive, a, middle), rule), edges_m, width
                )
                way_m[found] = along_m[a] + middle * (along_m[a + 1] - along_m[a])
                step[found] = a
                for g in range(groups):
                    share[found, g] = width[g] / (edges_m[g + 1] - edges_m[g])
                found += 1
        near_left_m -= length
        way += length
    return found


def way_ahead(swath: Swath) -> Floats:
    """(p,) way of the boom centre from the start, as far as it leads ahead: noise of positions adds nothing to it.

    Where the machine reverses the way runs back.
    """
    ahead_x, ahead_y = -(swath.right_y[:-1] + swath.right_y[1:]), swath.right_x[:-1] + swath.right_x[1:]
    length = np.hypot(ahead_x, ahead_y)
    dx, dy = np.diff(swath.x_m), np.diff(swath.y_m)
    made = np.divide(dx * ahead_x + dy * ahead_y, length, out=np.zeros_like(dx), where=length > 1e-9)
    return np.concatenate(([0.0], np.cumsum(np.where(swath.linked & ~swath.standing, made, 0.0))))


def all_ground(swath: Swath) -> Polygon:
    """A rectangle around the drive: what is taken as target where no boundary is given."""
    half = float(np.ptp(swath.nozzle_edges_m))
    reach = AROUND_M + half
    x, y = swath.x_m, swath.y_m
    return shapely.box(float(x.min() - reach), float(y.min() - reach), float(x.max() + reach), float(y.max() + reach))


def look_along(
    swath: Swath, edges_m: Floats, done: Flags, target: Polygon | MultiPolygon | None, beside_m: float, near_m: float
) -> Looks:
    """Follow a drive as it was logged and look at the ground before every switch.

    Parameters
    ----------
    swath : Swath
    edges_m : (g + 1,) float64
        Lateral edges of the groups whose states the log holds.
    done : (p - 1, g) bool
        What each did in every step.
    target : polygon or None
        None: no boundary is known, and only treated ground ends a group's wish.
    beside_m : float
        Gaps between treated ground narrower than twice this are taken for treated.
    near_m : float
        How far, in way, around a switch is looked at.
    """
    drive = drive_of(swath)
    way = way_ahead(swath)
    looked = _near_switches(drive, done, way, near_m)
    ground = all_ground(swath) if target is None else target
    rule = Rule(float(edges_m[0]), float(edges_m[-1]), beside_m * (1 + 1e-6) + 3e-6, 0.0)
    room = int((np.ceil(drive.distance_m[looked] / LOOK_M) + 1).sum()) + 1
    pieces = int(2 * (drive.distance_m.sum() / MAX_PIECE_M + drive.moving.shape[0]) + 64 * done.shape[1] + 1024)
    while pieces < MAX_PIECES:
        treated, sight = _room(ground, pieces)
        way_m, step = np.zeros(room), np.zeros(room, np.int64)
        share = np.zeros((room, done.shape[1]), np.float32)
        edges = np.ascontiguousarray(edges_m)
        count = _follow(drive, treated, sight, rule, edges, done, looked, way, LOOK_M, way_m, step, share)
        if count >= 0:
            return _looks(drive, way_m[:count], step[:count], share[:count])
        pieces *= 4
    raise InputError("the drive is too long to be looked at in one piece.", hint="Split it into days.")


def _room(ground: Polygon | MultiPolygon, pieces: int) -> tuple[Treated, Sight]:
    x0, y0, x1, y1 = ground.bounds
    bounds = (x0 - AROUND_M, y0 - AROUND_M, x1 + AROUND_M, y1 + AROUND_M)
    return empty_treated(bounds, pieces, LINKS_PER_PIECE * pieces), sight_of(ground, pieces, MAX_CUTS)


def _near_switches(drive: Drive, done: Flags, way: Floats, near_m: float) -> Flags:
    """Steps whose way lies within ``near_m`` of a step at which any state changes."""
    change = np.flatnonzero((done[1:] != done[:-1]).any(axis=1)) + 1
    if change.shape[0] == 0:
        return np.zeros(drive.moving.shape[0], np.bool_)
    at = way[change]
    middle = (way[:-1] + way[1:]) / 2
    at = np.maximum.accumulate(at)  # a noisy track may step back a hair
    after = np.clip(np.searchsorted(at, middle), 0, at.shape[0] - 1)
    before = np.maximum(after - 1, 0)
    near = np.minimum(np.abs(at[after] - middle), np.abs(at[before] - middle)) <= near_m
    return near & drive.moving


def _looks(drive: Drive, way_m: Floats, step: Ints, share: NDArray[np.float32]) -> Looks:
    """Looks with the stretch each belongs to."""
    breaks = np.zeros(drive.moving.shape[0], np.int64)
    breaks[1:] = ~drive.linked[1:] | (drive.reverse[1:] != drive.reverse[:-1]) | ~drive.moving[1:]
    number = np.cumsum(breaks)[step]
    apart = (
        np.concatenate(([0], np.cumsum(np.abs(np.diff(way_m)) > 4 * LOOK_M + 0.5)))
        if way_m.shape[0]
        else way_m.astype(np.int64)
    )
    return Looks(way_m, step, number * (int(apart.max(initial=0)) + 1) + apart, share)
