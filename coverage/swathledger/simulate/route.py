"""From one pose to another inside the field, with the boom shut."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from swathledger.simulate.dubins import Pose, dubins_words, sample
from swathledger.simulate.laps import STEP_M, Poses, reversed_poses


def pose_of(row: Poses) -> Pose:
    """A row of a pose array as a pose."""
    return Pose(float(row[0]), float(row[1]), float(row[2]))


class Router:
    """Finds short forward paths of bounded curvature within allowed ground.

    First the shortest Dubins path that stays inside; else onto a lap, along it (either way) and off again, as an
    operator would; else the shortest Dubins path whatsoever, which :meth:`connect` owns up to.

    Parameters
    ----------
    allowed : polygon(s)
        Where the machine's centre may be.
    laps : list of (n, 3) poses
        Closed laps that may be followed.
    radius_m : float
        Turning radius.
    local_m : float
        A direct path not longer than this is always taken.
    """

    def __init__(self, allowed: BaseGeometry, laps: list[Poses], radius_m: float, local_m: float = 120.0) -> None:
        self.radius_m = radius_m
        self.local_m = local_m
        self._allowed = allowed
        shapely.prepare(self._allowed)
        self._bridges: dict[tuple[int, int], Poses | None] = {}
        self._ways = [w for lap in laps for w in (lap, reversed_poses(lap))]

    def clear(self, poses: Poses) -> bool:
        """Whether a path stays on allowed ground."""
        if len(poses) < 2:
            return True
        return bool(shapely.covers(self._allowed, LineString(poses[:, :2])))

    def direct(self, start: Pose, end: Pose, limit_m: float = math.inf) -> tuple[float, Poses] | None:
        """The shortest Dubins path that stays inside, if there is one not longer than ``limit_m``."""
        for word in dubins_words(start, end, self.radius_m):
            if word.length > limit_m:
                return None
            path = sample(start, word, self.radius_m, STEP_M)
            if self.clear(path):
                return word.length, path
        return None

    def connect(self, start: Pose, end: Pose, *, hops: bool = True) -> tuple[Poses, bool]:
        """A path from start to end, and whether it stays on allowed ground all the way."""
        best = self.direct(start, end)
        if best is not None and best[0] <= self.local_m:
            return best[1], True
        # Beyond a turn the machine keeps to the laps, even if they are longer, rather than drive through standing crop.
        limit = math.inf if best is None else 1.8 * best[0]
        for way in self._ways:
            found = self._along(way, start, end, limit)
            if found is not None and found[0] < limit:
                best, limit = found, found[0]
        if best is None and hops:
            best = self._hop(start, end)
        if best is not None:
            return best[1], True
        word = dubins_words(start, end, self.radius_m)[0]
        return sample(start, word, self.radius_m, STEP_M), False

    def _hop(self, start: Pose, end: Pose) -> tuple[float, Poses] | None:
        """By way of two laps, where the start is near one and the end near another."""
        best: tuple[float, Poses] | None = None
        for leave in self._ways:
            for reach in self._ways:
                bridge = None if leave is reach else self._bridge(leave, reach)
                if bridge is None:
                    continue
                before, sound = self.connect(start, pose_of(bridge[0]), hops=False)
                if not sound:
                    continue
                after, sound = self.connect(pose_of(bridge[-1]), end, hops=False)
                if not sound:
                    continue
                path = np.vstack([before, bridge[1:-1], after])
                length = float(np.hypot(*np.diff(path[:, :2], axis=0).T).sum())
                if best is None or length < best[0]:
                    best = (length, path)
        return best

    def _bridge(self, leave: Poses, reach: Poses) -> Poses | None:
        """The first sound short path from one lap to another, from the places where they come closest."""
        key = (id(leave), id(reach))
        if key not in self._bridges:
            stride = max(1, round(9.0 / STEP_M))
            a, b = leave[:-1:stride], reach[:-1:stride]
            apart = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
            found = None
            for flat in np.argsort(apart, axis=None, kind="stable")[:400]:
                i, j = divmod(int(flat), len(b))
                # Places just ahead of each other: room for an S turn of two radii.
                if not 2.0 * self.radius_m < apart[i, j] < 12.0 * self.radius_m:
                    continue
                direct = self.direct(pose_of(a[i]), pose_of(b[j]), 2.0 * float(apart[i, j]))
                if direct is not None:
                    found = direct[1]
                    break
            self._bridges[key] = found
        return self._bridges[key]

    def _joins(self, way: Poses, pose: Pose, *, joining: bool) -> list[tuple[float, int, Poses]]:
        """The shortest few clear paths between a pose and points of a lap: (length, index on the lap, path)."""
        reach = max(90.0, 8 * self.radius_m)
        stride = max(1, round(4.0 / STEP_M))
        index = np.arange(0, len(way) - 1, stride)
        near = index[np.hypot(way[index, 0] - pose.x, way[index, 1] - pose.y) < reach]
        trials = []
        for i in near:
            other = pose_of(way[i])
            pair = (pose, other) if joining else (other, pose)
            trials += [
                (w.length, int(i), w, pair[0]) for w in dubins_words(*pair, self.radius_m)[:2] if w.length < 2 * reach
            ]
        out: list[tuple[float, int, Poses]] = []
        for length, i, word, first in sorted(trials, key=lambda t: (t[0], t[1]))[:60]:
            path = sample(first, word, self.radius_m, STEP_M)
            if self.clear(path):
                out.append((length, i, path))
                if len(out) == 4:
                    break
        return out

    def _along(self, way: Poses, start: Pose, end: Pose, limit_m: float) -> tuple[float, Poses] | None:
        """On to a lap, along it in its own direction, and off."""
        on = self._joins(way, start, joining=True)
        if not on:
            return None
        off = self._joins(way, end, joining=False)
        around = float(np.hypot(*np.diff(way[:, :2], axis=0).T).sum())
        per = around / (len(way) - 1)
        best: tuple[float, tuple[int, Poses], tuple[int, Poses]] | None = None
        for la, i, pa in on:
            for lb, j, pb in off:
                total = la + lb + ((j - i) % (len(way) - 1)) * per
                if total < limit_m and (best is None or total < best[0]):
                    best = (total, (i, pa), (j, pb))
        if best is None:
            return None
        (i, pa), (j, pb) = best[1], best[2]
        n = len(way) - 1
        ride = way[[(i + k) % n for k in range(1, (j - i) % n)]] if (j - i) % n > 1 else np.empty((0, 3))
        path = np.vstack([pa, ride, pb])
        return best[0], path
