"""Drives with one fault planted, and the same drive without it: an engine apart from the code under test.

Ground is painted and valves are moved by :mod:`plain_world`. A field between two sides has one round along its edge and
lines side by side, joined by half circles. What a fault costs is the difference between the two drives: litres
over-applied, and ground missed. Found through ``pythonpath``.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pyproj
import shapely
from plain_world import HZ, SEEN_M, _even, areas, burned, control, paint, slow_error
from scipy.ndimage import gaussian_filter1d
from shapely import MultiPolygon, Point, Polygon

CELL_M = 0.15
LEAD_M = 9.0
"""The operator's switch is on so far before and after the ground of a pass."""


@dataclass(frozen=True)
class Drive:
    """A drive. A fault is a field that is not as it is here; ``late_*`` are net of the look-ahead."""

    boom_m: float = 24.0
    sections: int = 12
    nozzle_m: float = 0.5
    wide_m: float = 190.0
    long_m: float = 210.0
    slant_deg: float = 6.0
    bearing_deg: float = 25.0
    speed_m_s: float = 3.5
    rate_hz: float = 1.0
    sigma_m: float = 0.02
    wander_m: float = 0.03
    rate_l_ha: float = 150.0
    pond: bool = False
    seed: int = 1
    # what may be wrong
    narrower_m: float = 0.0
    """Passes are driven so much closer than the boom is wide; negative: farther apart."""
    late_on_s: float = 0.0
    late_off_s: float = 0.0
    boom_behind_m: float = 0.0
    """The boom is so far behind where its controller takes it to be."""
    boom_right_m: float = 0.0
    headland_last: bool = False
    hand: bool = False
    reaction_s: float = 0.5
    keeps_off: bool = True

    @cached_property
    def outline(self) -> Polygon:
        lean = self.wide_m * math.tan(math.radians(self.slant_deg))
        return Polygon([(0, 0), (self.wide_m, lean), (self.wide_m, lean + self.long_m), (0, self.long_m)])

    @cached_property
    def exclusions(self) -> MultiPolygon:
        if not self.pond:
            return MultiPolygon()
        x, y = self.outline.centroid.x, self.outline.centroid.y
        return MultiPolygon([shapely.affinity.scale(Point(x + 5.0, y).buffer(1.0), 0.8 * self.boom_m, 9.0)])


@dataclass(frozen=True)
class Driven:
    """What a drive left behind: areas by :func:`plain_world.areas`, and what is logged of it."""

    drive: Drive
    ground: dict[str, float]
    way: tuple[np.ndarray, ...]

    @property
    def over_m2(self) -> float:
        return self.ground["extra"] + self.ground["outside"] + self.ground["excluded"]

    @property
    def litres_per_m2(self) -> float:
        return self.drive.rate_l_ha / 1e4


def _way(d: Drive) -> list[np.ndarray]:
    """Points a step apart of the round along the edge, and of the lines."""
    step, boom = d.speed_m_s / HZ, d.boom_m
    bend = max(6.0, 0.5 * boom)
    ring = d.outline.buffer(-boom / 2 - bend, join_style="mitre").buffer(bend)
    round_ = _even(shapely.get_coordinates(ring.exterior), step)
    lead = round(20.0 / step)
    lap = np.concatenate([round_[-lead:], round_, round_[:lead]])
    slope = math.tan(math.radians(d.slant_deg))
    spacing = boom - d.narrower_m
    inner = d.outline.buffer(-boom, join_style="mitre")
    least, _, most, _ = inner.bounds
    points = []
    x = least + boom / 2
    k = 0
    cos = math.cos(math.radians(d.slant_deg))
    while x - boom / 2 < most - 0.05:
        low = boom / cos + (x - boom / 2 * np.sign(slope)) * slope
        high = d.long_m - boom / cos + (x + boom / 2 * np.sign(slope)) * slope
        beyond = 14.0
        a, b = (low - beyond, high + beyond) if k % 2 == 0 else (high + beyond, low - beyond)
        points += [(x, a), (x, b)]
        if x + boom / 2 < most - 0.05:
            phi = np.linspace(0.0, math.pi, 60)[1:-1]
            sign = 1.0 if k % 2 == 0 else -1.0
            far = b
            nxt = spacing * slope
            points += [
                (x + spacing / 2 * (1 - math.cos(p)), far + sign * spacing / 2 * math.sin(p) + nxt * p / math.pi)
                for p in phi
            ]
        x += spacing
        k += 1
    lines = _even(np.array(points), step)
    return [lines, lap] if d.headland_last else [lap, lines]


def run(d: Drive) -> Driven:
    """Drive it, and paint what was laid."""
    rng = np.random.default_rng([733, d.seed])
    parts = []
    start = 0.0
    for points in _way(d):
        course = np.gradient(points, axis=0)
        angle = gaussian_filter1d(np.unwrap(np.arctan2(course[:, 0], course[:, 1])), 0.4 * HZ)
        ends = np.zeros(len(points), bool)
        ends[-1] = True
        parts.append((points[:, 0], points[:, 1], angle, start + np.arange(len(points)) / HZ, ends))
        start = parts[-1][3][-1] + 45.0
    x, y, heading, t, cut = (np.concatenate(column) for column in zip(*parts, strict=True))
    n = x.shape[0]
    sin, cos = np.sin(heading), np.cos(heading)
    length = 25.0 / (d.speed_m_s / HZ)
    # the wander belongs to the ground that is driven, so that both drives of a pair share no luck but its size
    wander = gaussian_filter1d(rng.standard_normal(n), length) * math.sqrt(2 * math.sqrt(math.pi) * length) * d.wander_m
    bx, by = x + wander * cos, y - wander * sin
    tx = bx - d.boom_behind_m * sin + d.boom_right_m * cos
    ty = by - d.boom_behind_m * cos - d.boom_right_m * sin
    pad = 2 * d.boom_m
    x0, y0, x1, y1 = d.outline.bounds
    x0, y0, wide, high = x0 - pad, y0 - pad, x1 - x0 + 2 * pad, y1 - y0 + 2 * pad
    size = (int(high / SEEN_M) + 1, int(wide / SEEN_M) + 1)
    seen = burned(d.outline, size, x0, y0, SEEN_M) == 1
    if d.keeps_off:
        seen &= burned(d.exclusions, size, x0, y0, SEEN_M) == 0
    edges = np.linspace(-d.boom_m / 2, d.boom_m / 2, d.sections + 1)
    on_lap = np.zeros(n, bool)
    sizes = [len(part[0]) for part in parts]
    on_lap[sizes[0] :] = d.headland_last
    on_lap[: sizes[0]] = not d.headland_last
    inner = d.outline.buffer(-d.boom_m, join_style="mitre")
    left = shapely.points(tx - d.boom_m / 2 * cos, ty + d.boom_m / 2 * sin)
    right = shapely.points(tx + d.boom_m / 2 * cos, ty - d.boom_m / 2 * sin)
    boom = shapely.linestrings(np.stack([shapely.get_coordinates(left), shapely.get_coordinates(right)], axis=1))
    shapely.prepare(inner)
    nothing_ahead = 0.3 if d.headland_last or d.hand else LEAD_M
    reach = inner.buffer(nothing_ahead, join_style="mitre")
    shapely.prepare(reach)
    wanted = on_lap | shapely.intersects(reach, boom)
    lap_at = np.flatnonzero(on_lap)
    lead = round(20.0 / (d.speed_m_s / HZ))
    wanted[lap_at[:lead]] = False
    wanted[lap_at[-lead + round(0.3 * HZ) :]] = False
    if d.hand:
        state = np.repeat(_by_hand(d, wanted, on_lap, rng)[:, None], d.sections, axis=1)
    else:
        look = 1.5
        late = (d.late_on_s + look, d.late_off_s + look)
        state = control(bx, by, cos, -sin, t, cut, edges, seen, x0, y0, SEEN_M, look, d.speed_m_s, *late, wanted)
    fine = (int(high / CELL_M) + 1, int(wide / CELL_M) + 1)
    inside, pond = burned(d.outline, fine, x0, y0, CELL_M), burned(d.exclusions, fine, x0, y0, CELL_M)
    count = paint(tx, ty, cos, -sin, t, cut, edges, state, fine, x0, y0, CELL_M)
    return Driven(d, areas(count, inside, pond, CELL_M), (tx, ty, heading, t, cut, state))


def _by_hand(d: Drive, wanted: np.ndarray, on_lap: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The whole boom at once from the first ground to the last, give or take a reaction time."""
    out = wanted.copy()
    for i in np.flatnonzero(np.diff(wanted.astype(np.int8)) != 0):
        if on_lap[i]:
            continue
        by = round(d.reaction_s * HZ * abs(rng.standard_normal()))
        if wanted[i + 1]:
            out[max(0, i + 1 - by) : i + 1] = True
        else:
            out[i + 1 : i + 1 + by] = True
    return out


def write(driven: Driven, folder: Path) -> tuple[Path, Path, Path]:
    """Log, machine file and field."""
    d = driven.drive
    rng = np.random.default_rng([734, d.seed])
    tx, ty, heading, t, cut, state = driven.way
    every = round(HZ / d.rate_hz)
    first = int(rng.integers(0, every))
    rows, begins = [], 0
    for end in np.flatnonzero(cut):
        rows += list(range(begins + first, int(end) + 1, every))
        begins = int(end) + 1
    at = np.array(rows)
    error = slow_error(rng, t.shape[0], d.sigma_m, 120.0)[at]
    h = heading[at]
    ax, ay = tx[at] + 1.5 * np.sin(h) + error[:, 0], ty[at] + 1.5 * np.cos(h) + error[:, 1]
    plane = pyproj.Transformer.from_crs("+proj=laea +lat_0=51 +lon_0=9 +ellps=WGS84", "EPSG:4326", always_xy=True)
    turn = math.radians(d.bearing_deg)

    def placed(px: np.ndarray, py: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return plane.transform(px * math.cos(turn) + py * math.sin(turn), -px * math.sin(turn) + py * math.cos(turn))

    lon, lat = placed(ax, ay)
    lines = [",".join(["time", "latitude", "longitude", "rate_l_ha", *(f"section_{k + 1}" for k in range(d.sections))])]
    for k, row in enumerate(at):
        own = [f"{1.7e9 + t[row]:.3f}", f"{lat[k]:.9f}", f"{lon[k]:.9f}", f"{d.rate_l_ha}"]
        lines.append(",".join([*own, *("1" if on else "0" for on in state[row])]))
    features = []
    for role, shape in (("boundary", d.outline), ("exclusion", d.exclusions)):
        for part in shapely.get_parts(shape):
            ring = shapely.get_coordinates(part.exterior)
            lo, la = placed(ring[:, 0], ring[:, 1])
            corners = [[a, b] for a, b in zip(lo, la, strict=True)]
            features.append(
                {"type": "Feature", "properties": {"field_id": "A", "role": role},
                 "geometry": {"type": "Polygon", "coordinates": [corners]}}
            )  # fmt: skip
    nozzles = max(1, round(d.boom_m / d.sections / d.nozzle_m))
    machine = (
        f'name = "invented"\n[boom]\nnozzle_count = {nozzles * d.sections}\n'
        f"nozzle_spacing_m = {d.boom_m / d.sections / nozzles}\nsections = {[nozzles] * d.sections}\n"
        f"[antenna]\nahead_of_boom_m = 1.5\nright_of_centre_m = 0.0\ngnss_sigma_m = {d.sigma_m}\n"
        "[valves]\non_delay_s = 0.4\noff_delay_s = 0.4\nlook_ahead_s = 0.4\n"
    )
    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        "log.csv": "\n".join(lines) + "\n",
        "machine.toml": machine,
        "field.geojson": json.dumps({"type": "FeatureCollection", "features": features}),
    }
    for name, text in texts.items():
        (folder / name).write_text(text)
    return tuple(folder / name for name in texts)  # type: ignore[return-value]  # three names
