"""A drive planned from boundaries alone: laps, passes, turns, transport, tidying, refills.

The planner does what an operator does: laps round the headland and round ponds first, then parallel passes (or passes
along a contour), turning on ground already sprayed, then a run into each corner that is left. It is a heuristic, not
an optimum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from swathledger.errors import FieldError, InputError
from swathledger.notes import Measure, Note
from swathledger.simulate.laps import (
    Chain,
    Poses,
    axes,
    cells,
    contour_chains,
    drivable,
    inset,
    polygons,
    reversed_poses,
    rings,
    smoothed,
    snake,
    straight_chains,
    terrace_blocks,
    terrace_chains,
    union,
    with_run_in,
)
from swathledger.simulate.planned import DrivePlan, Kind, PlanSettings, Segment, swath_parts
from swathledger.simulate.route import Router, pose_of

__all__ = ["DrivePlan", "PlanSettings", "Segment", "plan_drive"]


def plan_drive(
    boundary: Polygon | MultiPolygon,
    exclusions: BaseGeometry,
    width_m: float,
    turning_radius_m: float,
    *,
    lag_m: float = 0.0,
    settings: PlanSettings | None = None,
) -> DrivePlan:
    """Plan a drive over the target (boundary minus exclusions).

    Parameters
    ----------
    boundary : polygon(s), plane metres
        Holes are ground beyond the boundary and are driven round.
    exclusions : polygon(s), plane metres, possibly empty
    width_m : float
        Working width; also the distance between neighbouring passes.
    turning_radius_m : float
        Least radius of the guided point's path.
    lag_m : float
        Distance from the guided point back to the boom (0: the boom is guided itself).

    Raises
    ------
    InputError
        Width or radius not above 0, or laps below 1.
    FieldError
        The field is too small for the machine.
    """
    chosen = PlanSettings() if settings is None else settings
    for name, value in (("width_m", width_m), ("turning_radius_m", turning_radius_m)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{name} must be above 0, found {value}")
    if chosen.headland_laps is not None and chosen.headland_laps < 1:
        raise InputError(f"a plan needs at least one headland lap to turn on, found {chosen.headland_laps}")
    laps = chosen.headland_laps or max(1, math.ceil((2 * turning_radius_m + lag_m + chosen.clearance_m) / width_m))
    builder = _Builder(width_m, turning_radius_m, lag_m, laps, chosen)
    for outer in polygons(boundary):
        builder.add_field(outer, exclusions)
    if not builder.segments:
        raise FieldError(f"the field is too small for a machine {width_m:g} m wide turning in {turning_radius_m:g} m")
    return DrivePlan(
        segments=tuple(builder.segments),
        width_m=width_m,
        turning_radius_m=turning_radius_m,
        lag_m=lag_m,
        bearing_deg=builder.bearing_deg,
        headland_laps=laps,
        notes=tuple(builder.notes),
    )


def _heading(theta: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.mod(90.0 - np.degrees(theta), 360.0)


@dataclass(slots=True)
class _Builder:
    """Holds the drive so far while one field after another is added."""

    width_m: float
    radius_m: float
    lag_m: float
    laps: int
    settings: PlanSettings
    segments: list[Segment] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    bearing_deg: float | None = None
    _here: Poses | None = None
    _router: Router | None = None
    _wanted: BaseGeometry = field(default_factory=Polygon)
    _excluded: BaseGeometry = field(default_factory=Polygon)
    _given_up: BaseGeometry = field(default_factory=Polygon)
    _gate: Poses | None = None
    _since_fill_m: float = 0.0

    # --- driving -----------------------------------------------------------------------------------------------

    def _push(self, kind: Kind, spray: bool, poses: Poses, *, reverse: bool = False, hold_s: float = 0.0) -> None:
        facing = poses[:, 2] + (math.pi if reverse else 0.0)
        self.segments.append(
            Segment(kind, spray, poses[:, 0].copy(), poses[:, 1].copy(), _heading(facing), reverse, hold_s)
        )
        self._here = poses[-1].copy()
        if reverse:
            self._here[2] += math.pi

    def _go(self, target: Poses) -> None:
        """Drive to a pose with the boom shut."""
        if self._here is None or self._router is None:
            return
        path, sound = self._router.connect(pose_of(self._here), pose_of(target))
        if not sound:
            places = {"x0": self._here[0], "y0": self._here[1], "x1": target[0], "y1": target[1]}
            metres = {name: Measure(float(value), "length") for name, value in places.items()}
            self.notes.append(Note.of("simulate.no_way", **metres))
        length = float(np.hypot(*np.diff(path[:, :2], axis=0).T).sum())
        if length > 0.05:
            self._push("turn" if length < 2.5 * self.width_m + 6 * self.radius_m else "transport", False, path)

    def _spray(self, kind: Kind, poses: Poses, lag_on_path: bool) -> None:
        """Drive a line, wanting spray where the boom is over target.

        ``lag_on_path``: the line has been lengthened by the lag, and the boom stands that far back on it.
        """
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(poses[:, :2], axis=0).T))])
        boom = poses
        if lag_on_path and self.lag_m > 0:
            back = s - self.lag_m
            boom = np.column_stack([np.interp(back, s, poses[:, k]) for k in range(3)])
        left = np.column_stack([-np.sin(boom[:, 2]), np.cos(boom[:, 2])]) * (self.width_m / 2)
        ends = np.stack([boom[:, :2] + left, boom[:, :2] - left], axis=1)
        bars: NDArray[np.object_] = np.asarray(shapely.linestrings(ends), dtype=np.object_)
        wanted = np.asarray(shapely.intersects(self._wanted, bars), dtype=np.bool_)
        if lag_on_path and self.lag_m > 0:
            wanted &= s >= self.lag_m
        start = 0
        for i in range(1, len(wanted) + 1):
            # A segment's spray is that of its steps; a step takes its own first point's.
            if i == len(wanted) or wanted[i] != wanted[start]:
                stop = min(i, len(wanted) - 1)
                if stop > start:
                    on = bool(wanted[start])
                    over = not on and self._excluded_at(bars[start : stop + 1])
                    self._push(kind if on else "crossing" if over else "turn", on, poses[start : stop + 1])
                    self._since_fill_m += float(s[stop] - s[start]) if on else 0.0
                start = i
        self._here = poses[-1].copy()

    def _excluded_at(self, bars: NDArray[np.object_]) -> bool:
        """Whether the boom, while shut, is over an exclusion (else it is only running in or out)."""
        return bool(shapely.intersects(self._excluded, bars).mean() > 0.5)

    def _refill_if_due(self, ahead_m: float) -> None:
        """Go back to the gate and fill the tank when the next line would empty it."""
        tank = self.settings.tank_m2
        if tank is None or self._gate is None:
            return
        if (self._since_fill_m + ahead_m) * self.width_m > tank and self._since_fill_m > 0:
            self._go(self._gate)
            self._push("refill", False, self._gate[None, :], hold_s=self.settings.refill_s)
            self._since_fill_m = 0.0

    # --- one field ---------------------------------------------------------------------------------------------

    def add_field(self, outer: Polygon, exclusions: BaseGeometry) -> None:
        """Laps, passes and tidying of one polygon."""
        chosen, width = self.settings, self.width_m
        fence = Polygon(outer.exterior)
        inside = [p for p in polygons(exclusions.intersection(fence)) if p.area > 0.01]
        barred = [Polygon(ring) for ring in outer.interiors]
        for exclusion in inside:
            may_cross = chosen.cross == "all" or (chosen.cross == "auto" and drivable(exclusion))
            barred += [] if may_cross else [exclusion]
            code = "simulate.exclusion_crossed" if may_cross else "simulate.exclusion_driven_round"
            self.notes.append(Note.of(code, area=Measure(exclusion.area, "small_area")))
        obstacles = union(barred)
        target = outer.difference(union(inside))
        self._excluded = union(inside)
        self._wanted = target.buffer(-0.2)
        shapely.prepare(self._wanted)
        allowed = inset(fence, obstacles, chosen.clearance_m, chosen.clearance_m)

        outer_laps: list[Poses] = []
        inner_laps: list[Poses] = []
        for k in range(self.laps):
            region = smoothed(inset(fence, obstacles, (k + 0.5) * width, 0.5 * width), 1.03 * self.radius_m)
            around, within = rings(region, clockwise=chosen.clockwise, minimum_m=4 * self.radius_m + width)
            outer_laps += around
            if k == 0:
                inner_laps = within
        self._router = Router(allowed, outer_laps + inner_laps, self.radius_m, 2.5 * width + 6 * self.radius_m)
        self._gate = None
        for lap in outer_laps + inner_laps:
            self._drive_lap(lap)

        inner = inset(fence, obstacles, self.laps * width, width)
        self._drive_passes(self._chains(inner, fence, outer, obstacles), allowed)
        if chosen.tidy:
            self._tidy(target, allowed)

    def _drive_lap(self, lap: Poses) -> None:
        n = len(lap) - 1
        start = self._lap_start(lap)
        order = (start + np.arange(n + 1)) % n
        step = float(np.hypot(*(lap[1, :2] - lap[0, :2])))
        extra = round((self.lag_m + (2.0 if self.lag_m else 0.0)) / step)
        order = np.concatenate([order, (start + n + np.arange(1, extra + 1)) % n])
        poses = lap[order].copy()
        poses[:, 2] = np.unwrap(poses[:, 2])
        if self._gate is None:
            self._gate = poses[0].copy()
        self._refill_if_due(n * step)
        self._go(poses[0])
        self._spray("lap", poses, lag_on_path=True)

    def _lap_start(self, lap: Poses) -> int:
        """Where to begin a lap: the first on its longest straight, later ones where they are soonest reached."""
        n = len(lap) - 1
        if self._here is None or self._router is None:
            turn = np.abs(np.angle(np.exp(1j * np.diff(np.concatenate([lap[:, 2], lap[1:2, 2]])))))[:n]
            bent = np.flatnonzero(turn > 0.005)
            if len(bent) == 0 or len(bent) > 0.6 * n:
                return 0
            gaps = np.diff(np.concatenate([bent, [bent[0] + n]]))
            k = int(np.argmax(gaps))
            return int((bent[k] + min(gaps[k] - 1, 8)) % n)
        here = pose_of(self._here)
        best, at = math.inf, int(np.argmin(np.hypot(lap[:n, 0] - here.x, lap[:n, 1] - here.y)))
        near = np.argsort(np.hypot(lap[:n, 0] - here.x, lap[:n, 1] - here.y), kind="stable")
        for i in near[: max(1, n // 2) : 12]:
            found = self._router.direct(here, pose_of(lap[i]), best)
            if found is not None and found[0] < best:
                best, at = found[0], int(i)
        return at

    def _chains(self, inner: BaseGeometry, fence: Polygon, outer: Polygon, obstacles: BaseGeometry) -> list[Chain]:
        chosen = self.settings
        if inner.is_empty:
            return []
        if chosen.contour_side is not None:
            return contour_chains(
                inner, outer, chosen.contour_side, self.width_m, self.radius_m, first_m=self.laps * self.width_m
            )
        if chosen.terraces:
            blocks = terrace_blocks(inner, chosen.terraces)
            if len(blocks) > len(polygons(inner)):
                self.notes.append(Note.of("simulate.terraces", blocks=len(blocks)))
                return terrace_chains(blocks, outer, self.width_m, self.radius_m)
        barred = obstacles.buffer(chosen.clearance_m) if not obstacles.is_empty else obstacles
        turn_m = math.pi * self.radius_m + self.width_m + 30.0

        def attempt(theta: float) -> tuple[float, list[Chain]]:
            found = straight_chains(inner, fence, barred, theta, self.width_m, join_m=2 * self.radius_m)
            driven = sum(c.last - c.first for c in found) + turn_m * sum(len(c.stretches) for c in found)
            return driven, found

        corners = np.asarray(shapely.simplify(fence, 1.0).exterior.coords)
        sides = np.diff(corners, axis=0)
        order = np.argsort(-np.hypot(sides[:, 0], sides[:, 1]), kind="stable")
        thetas = [float(math.atan2(sides[k, 1], sides[k, 0])) for k in order]
        if chosen.bearing == "longest":
            trial = thetas[:1]
        elif chosen.bearing == "best":
            trial = thetas[:8] + [math.radians(a) for a in range(0, 180, 15)]
        else:
            trial = [math.radians(90.0 - float(chosen.bearing))]
        # Ties go to the first, the longest side; a hair of slack keeps rounding from choosing.
        best = min(((round(cost, 3), k, chains) for k, (cost, chains) in enumerate(map(attempt, trial))))
        self.bearing_deg = round((90.0 - math.degrees(trial[best[1]])) % 180.0, 6)
        return best[2]

    def _drive_passes(self, chains: list[Chain], allowed: BaseGeometry) -> None:
        left = cells(chains)
        while left:
            options = []
            for g, group in enumerate(left):
                for from_last in (False, True):
                    for backwards in (False, True):
                        first = next(snake(group, from_last=from_last, backwards=backwards, skip=False))[0][0]
                        far = 0.0 if self._here is None else float(np.hypot(*(first[:2] - self._here[:2])))
                        options.append((round(far, 3), g, from_last, backwards))
            _, g, from_last, backwards = min(options)
            group = left.pop(g)
            for stretches in snake(group, from_last=from_last, backwards=backwards, skip=self.settings.skip_passes):
                self._refill_if_due(sum(float(np.hypot(*(p[-1, :2] - p[0, :2]))) for p in stretches))
                for stretch in stretches:
                    line = with_run_in(stretch, 2.0, 2.0 + self.lag_m, allowed)
                    self._go(line[0])
                    self._spray("pass", line, lag_on_path=True)

    # --- what is left ------------------------------------------------------------------------------------------

    def _tidy(self, target: BaseGeometry, allowed: BaseGeometry) -> None:
        """Run into each sizeable patch that laps and passes leave: point rows, tips, ground between laps."""
        for _ in range(2):
            done = union(swath_parts(self.segments, self.width_m, self.lag_m))
            rest = target.difference(done).buffer(-0.75).buffer(0.75)
            patches = [
                p
                for p in polygons(rest)
                if p.area > max(150.0, 0.22 * self.width_m**2) and not self._given_up.intersects(p)
            ]
            if not patches or self._here is None:
                return
            before = len(self.segments)
            while patches:
                here = shapely.Point(self._here[0], self._here[1])
                patches.sort(key=lambda p: (round(p.distance(here), 3), p.bounds))
                self._tidy_patch(patches.pop(0), allowed)
            if len(self.segments) == before:
                return

    def _tidy_patch(self, patch: Polygon, allowed: BaseGeometry) -> None:
        if self._router is None or self._here is None:
            return
        options = []
        for rank, line in enumerate(axes(patch)):
            for way in (line, reversed_poses(line)):
                for lead_m in (8.0, 45.0):
                    driven = with_run_in(way, lead_m, 1.0 + self.lag_m, allowed)
                    if len(driven) < 6:
                        continue
                    path, sound = self._router.connect(pose_of(self._here), pose_of(driven[0]), hops=False)
                    length = float(np.hypot(*np.diff(path[:, :2], axis=0).T).sum())
                    leaves = self._router.connect(pose_of(driven[-1]), pose_of(self._here), hops=False)[1]
                    options.append((not sound, rank, not leaves, length, driven))
            if any(not o[0] for o in options):
                break
        if not options:
            return
        bad_entry, _, dead_end, _, driven = min(options, key=lambda o: o[:4])
        if bad_entry or (dead_end and self.lag_m > 0):  # a trailed machine does not back out of a corner
            self.notes.append(Note.of("simulate.not_reached", area=Measure(patch.area, "small_area")))
            self._given_up = union([*polygons(self._given_up), patch])
            return
        back_to = self._here.copy()
        self._go(driven[0])
        self._spray("tidy", driven, lag_on_path=True)
        if dead_end:
            self._back_out(driven, back_to, allowed)

    def _back_out(self, line: Poses, goal: Poses, allowed: BaseGeometry) -> None:
        """Reverse along a line, boom shut, until there is room to turn away."""
        if self._router is None:
            return
        longer = with_run_in(line, 150.0, 0.0, allowed)
        backwards = longer[::-1].copy()
        backwards[:, 2] += math.pi
        for k in range(14, len(backwards), 14):
            turned = backwards[k].copy()
            turned[2] -= math.pi
            if self._router.connect(pose_of(turned), pose_of(goal), hops=False)[1] or k + 14 >= len(backwards):
                self._push("turn", False, backwards[: k + 1], reverse=True)
                return
