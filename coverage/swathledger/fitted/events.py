"""Where sections switched against where the ground they met began and ended.

An event is one clean seam met by one group: its line went from wholly treated (or off target) to wholly wanting, or
back, and the log shows the group's switch nearby. The switch lies somewhere between two rows; both are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import MultiPolygon, Polygon

from swathledger.fitted.seen import Looks, way_ahead
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LEVELS = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
"""Shares of a group's width at which its place on a seam is taken down."""
CLEAN = 0.02
"""A seam is clean where the share goes from below this to above one less this."""
LONGEST_M = 25.0
"""Longest way from one end of a seam to the other."""
REACH_M, REACH_S = 10.0, 2.6
"""A switch belongs to a seam within this way and this time of it."""
CROSSING_S = 6.0
"""Switches the same way that follow each other faster are one crossing: they share the receiver's error."""
SQUARE_M = 0.15
"""Events of one crossing between the same rows that lie closer say the same, and count once."""
END_DEG = 35.0
SPEED_S, WHILE_S = 0.6, 2.5
"""Speeds are means over the first on either side, single steps of a noisy track telling none; and over the way from
seam to switch, where that took no longer than the second."""
LEAST_STEP_M = 0.02
STRAIGHT_RAD = 0.3
"""Between a seam and its switch the boom may turn by this."""
MOST_GROUPS = 16


@dataclass(frozen=True, slots=True)
class Events:
    """``n`` switches at clean seams, in order of time.

    Attributes
    ----------
    low_m, high_m : (n,) float64
        Way of the boom past the place where half the group had crossed, at the row before the switch and at the row
        that first shows it.
    place_m : (n, levels) float64
        Way at which the share that wants spray passed each of :data:`LEVELS`, from the same place.
    speed_m_s : (n,) float64
    opens : (n,) bool
    at_boundary : (n,) bool
        The seam is the boundary's (or an exclusion's), not treated ground's.
    slant : (n,) float64
        Way over which a margin of 1 m, square to the seam, moves the switch.
    sideways : (n,) float64
        Way by which the seam lies farther along for every metre farther right; what a sideways offset moves.
    crossing : (n,) int64
        Events of one number share a crossing, numbered from 0 without gaps.
    group, row : (n,) int64
    seams : int
        Clean seams met, with a switch or without.
    alone : int
        Times at which some groups switched and others did not.
    switches : int
        Times at which any group switched.
    """

    low_m: Floats
    high_m: Floats
    place_m: Floats
    speed_m_s: Floats
    opens: Flags
    at_boundary: Flags
    slant: Floats
    sideways: Floats
    crossing: Ints
    group: Ints
    row: Ints
    seams: int
    alone: int
    switches: int

    def __len__(self) -> int:
        return int(self.low_m.shape[0])


@dataclass(frozen=True, slots=True)
class _Switches:
    """Of one group: way at the row before and at the row of every switch, its row and step, and whether it opened."""

    low_m: Floats
    high_m: Floats
    row: Ints
    step: Ints
    opens: Flags


class _Way:
    """The drive's way and speed, made once for all groups."""

    def __init__(self, swath: Swath) -> None:
        rows = swath.row_open.shape[0]
        self.first = np.full(rows, -1, np.int64)
        """First pose of every row that has one, else -1."""
        self.first[swath.epoch[::-1]] = np.arange(swath.epoch.shape[0])[::-1]
        self.way_m = way_ahead(swath)
        # two poses may share a moment
        self._clock = swath.time_s + np.arange(swath.time_s.shape[0]) * 1e-9
        self.bad = np.concatenate(([0], np.cumsum(~swath.linked | swath.standing | swath.reverse)))
        self.heading = np.unwrap(np.arctan2(-swath.right_y, swath.right_x))

    def speed(self, seam: int, switch: int | None = None) -> float:
        """Mean speed at a seam, or on the way between it and its switch: a valve that is late sees the speed change.

        Of a long way the part nearer to the switch counts, which is where the machine was when the command was given.
        """
        a = float(self._clock[seam])
        b = a if switch is None else float(self._clock[switch])
        if b > a:
            a = max(a, b - WHILE_S)
        early = max(min(a, b) - SPEED_S, float(self._clock[0]))
        late = min(max(a, b) + SPEED_S, float(self._clock[-1]))
        return float(np.diff(np.interp([early, late], self._clock, self.way_m))[0] / (late - early))


def _switches(swath: Swath, done: Flags, g: int, drive: _Way) -> _Switches:
    first, way = drive.first, drive.way_m
    step = np.flatnonzero(done[1:, g] != done[:-1, g]) + 1
    row = swath.epoch[step]
    before = first[np.maximum(row - 1, 0)]
    ok = (row > 0) & (before >= 0)
    step, row, before = step[ok], row[ok], before[ok]
    # between the two rows the machine has to be under way, in one gear, without a gap
    ok = drive.bad[step] == drive.bad[before]
    step, row, before = step[ok], row[ok], before[ok]
    return _Switches(way[before], way[step], row, step, done[step, g])


@dataclass(slots=True)
class _Found:
    seam_look: list[int]
    place: list[Floats]
    opens: list[bool]


def _seams(way_m: Floats, stretch: Ints, share: Floats) -> _Found:
    """Clean seams of one group: looks where half of it had crossed, and where its share passed each level."""
    found = _Found([], [], [])
    over = share > 0.5
    for k in np.flatnonzero((over[1:] != over[:-1]) & (stretch[1:] == stretch[:-1])) + 1:
        opens = bool(over[k])
        sign = 1.0 if opens else -1.0
        a, b = int(k) - 1, int(k)
        start = share[a]
        while (
            a > 0 and stretch[a - 1] == stretch[k] and way_m[k] - way_m[a] < LONGEST_M and not _done(start, not opens)
        ):
            a -= 1
            start = share[a]
        end = share[b]
        last = share.shape[0] - 1
        while b < last and stretch[b + 1] == stretch[k] and way_m[b] - way_m[k] < LONGEST_M and not _done(end, opens):
            b += 1
            end = share[b]
        if not (_done(start, not opens) and _done(end, opens)):
            continue
        part, ways = share[a : b + 1], way_m[a : b + 1]
        if np.any(sign * np.diff(part) < -0.05):
            continue
        risen = np.maximum.accumulate(sign * part)
        half = np.interp(sign * 0.5, risen, ways)
        # the share is looked at in middles of looks: ends of the seam lie half a look inside where it is steep
        levels = np.clip(LEVELS, 0.005, 0.995)
        place = np.interp(sign * levels, risen, ways) if opens else np.interp(-levels, risen, ways)
        found.seam_look.append(int(k))
        found.place.append(np.append(place - half, half))
        found.opens.append(opens)
    return found


def _done(share: float, wants: bool) -> bool:
    return share >= 1.0 - CLEAN if wants else share <= CLEAN


def find_events(
    swath: Swath, looks: Looks, edges_m: Floats, done: Flags, target: Polygon | MultiPolygon | None
) -> Events:
    """Match every clean seam with the switch that the log shows nearest to it.

    Parameters
    ----------
    swath, looks
        The drive, and what its groups met (:func:`swathledger.fitted.seen.look_along`).
    edges_m, done
        As there.
    target
        Where it is known: seams on its edge are told from those of treated ground.
    """
    groups = done.shape[1]
    centre = (edges_m[1:] + edges_m[:-1]) / 2
    rows: list[tuple[float, ...]] = []
    places: list[Floats] = []
    seams = 0
    ends = _EndEdges(swath, done, centre)
    drive = _Way(swath)
    for g in np.unique(np.linspace(0, groups - 1, min(groups, MOST_GROUPS)).round().astype(np.int64)):
        moved = _switches(swath, done, int(g), drive)
        found = _seams(looks.way_m, looks.stretch, looks.share[:, g].astype(np.float64))
        width = float(edges_m[g + 1] - edges_m[g])
        seams += len(found.opens)
        for look, place, opens in zip(found.seam_look, found.place, found.opens, strict=True):
            step = int(looks.step[look])
            half = float(place[-1])
            v = drive.speed(step)
            mine = np.flatnonzero(moved.opens == opens)
            if mine.shape[0] == 0:
                continue
            middle = (moved.low_m[mine] + moved.high_m[mine]) / 2 - half
            best = int(np.argmin(np.abs(middle)))
            if abs(middle[best]) > REACH_M + REACH_S * v:
                continue
            if ends.near(step, float(centre[g]), v):
                continue
            k = mine[best]
            a, b = sorted((step, int(moved.step[k])))
            if drive.bad[a] != drive.bad[b] or np.ptp(drive.heading[a : b + 1]) > STRAIGHT_RAD:
                continue
            run = abs(float(place[-2] - place[0]))
            rows.append(
                (
                    moved.low_m[k] - half,
                    max(moved.high_m[k], moved.low_m[k] + LEAST_STEP_M) - half,
                    drive.speed(step, int(moved.step[k])),
                    float(opens),
                    np.sqrt(1.0 + min(run / width, 5.0) ** 2),
                    float(g),
                    float(moved.row[k]),
                    float(step),
                    half,
                )
            )
            places.append(place[:-1])
    alone, switches = _alone(done)
    return _in_order(swath, looks, rows, places, centre, target, seams, alone, switches)


def _in_order(
    swath: Swath,
    looks: Looks,
    rows: list[tuple[float, ...]],
    places: list[Floats],
    centre: Floats,
    target: Polygon | MultiPolygon | None,
    seams: int,
    alone: int,
    switches: int,
) -> Events:
    table = np.array(rows, dtype=np.float64).reshape(-1, 9)
    place = np.array(places, dtype=np.float64).reshape(-1, LEVELS.shape[0])
    order = np.lexsort((table[:, 5], table[:, 6], table[:, 3]))
    table, place = table[order], place[order]
    step = table[:, 7].astype(np.int64)
    # of one crossing: opened alike, and close in time
    time = swath.time_s[step]
    opens = table[:, 3] > 0.5
    apart = np.ones(time.shape[0], np.bool_)
    apart[1:] = (np.abs(np.diff(time)) > CROSSING_S) | (opens[1:] != opens[:-1])
    crossing = np.cumsum(apart) - 1
    keep = np.ones(time.shape[0], np.bool_)
    for k in range(1, time.shape[0]):
        j = k - 1
        while j >= 0 and crossing[j] == crossing[k] and table[j, 6] == table[k, 6]:
            if keep[j] and abs(table[j, 0] - table[k, 0]) < SQUARE_M and abs(place[j, 0] - place[k, 0]) < SQUARE_M:
                keep[k] = False
                break
            j -= 1
    at_boundary = np.zeros(time.shape[0], np.bool_)
    if target is not None and time.shape[0]:
        group = table[:, 5].astype(np.int64)
        shapely.prepare(target)
        points = shapely.points(
            swath.x_m[step] + centre[group] * swath.right_x[step], swath.y_m[step] + centre[group] * swath.right_y[step]
        )
        edge = shapely.distance(target.boundary, points)
        at_boundary = np.asarray(edge) < 1.5
    sideways = _sideways(table, crossing, centre)
    table, place, at_boundary, sideways = table[keep], place[keep], at_boundary[keep], sideways[keep]
    return Events(
        table[:, 0], table[:, 1], place, table[:, 2], table[:, 3] > 0.5, at_boundary, table[:, 4], sideways,
        np.unique(crossing[keep], return_inverse=True)[1].astype(np.int64),
        table[:, 5].astype(np.int64), table[:, 6].astype(np.int64), seams, alone, switches,
    )  # fmt: skip


def _sideways(table: Floats, crossing: Ints, centre: Floats) -> Floats:
    """Of every event, how the seam's way changes from group to group of its crossing."""
    out = np.zeros(table.shape[0])
    for number in np.unique(crossing):
        mine = crossing == number
        lateral, way = centre[table[mine, 5].astype(np.int64)], table[mine, 8]
        if np.ptp(lateral) > 0:
            slope = float(np.polyfit(lateral, way, 1)[0])
            out[mine] = np.clip(slope, -5.0, 5.0)
    return out


def _alone(done: Flags) -> tuple[int, int]:
    """How often some groups switched and others did not, and how often any did."""
    change = done[1:] != done[:-1]
    any_ = change.any(axis=1)
    return int((any_ & ~change.all(axis=1)).sum()), int(any_.sum())


class _EndEdges:
    """Where earlier spraying began and ended across the machine's way: such an edge is known to a row's step only."""

    def __init__(self, swath: Swath, done: Flags, centre: Floats) -> None:
        step, group = np.nonzero(done[1:] != done[:-1])
        step = step + 1
        self._swath = swath
        self._time = swath.time_s[step]
        self._right = np.column_stack([swath.right_x[step], swath.right_y[step]])
        x = swath.x_m[step] + centre[group] * swath.right_x[step]
        y = swath.y_m[step] + centre[group] * swath.right_y[step]
        self._tree = cKDTree(np.column_stack([x, y])) if step.shape[0] else None
        self._width = float(np.ptp(swath.nozzle_edges_m)) / max(done.shape[1], 1)

    def near(self, step: int, lateral_m: float, speed_m_s: float) -> bool:
        """Whether a seam met here may be such an end."""
        if self._tree is None:
            return False
        s = self._swath
        x = s.x_m[step] + lateral_m * s.right_x[step]
        y = s.y_m[step] + lateral_m * s.right_y[step]
        radius = 0.6 * self._width + 1.0 + speed_m_s
        for k in self._tree.query_ball_point([x, y], radius):
            if self._time[k] < s.time_s[step] - 10.0:
                along = abs(self._right[k, 0] * s.right_x[step] + self._right[k, 1] * s.right_y[step])
                if along > np.cos(np.deg2rad(END_DEG)):
                    return True
        return False
