"""Drives whose truth is known, from an engine of their own: nothing here is taken from the code under test.

A drive is made at 50 steps a second. Valves are moved by a controller that looks at a map of points, or by a hand with
a reaction time; the ground is painted quad by quad on cells judged at their centres. What is logged is a row now and
then, positions with receiver error of one of two kinds: the receiver steers (the log lies on the plan, the machine
beside it) or it does not (the machine lies where it was driven, the log beside it).
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyproj
import rasterio.features
import shapely
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter
from shapely import LineString, MultiPolygon, Polygon
from shapely.affinity import rotate

from swathledger._jit import njit

HZ = 50.0
SEEN_M = 0.2
LEAD_M = 20.0
LATITUDE, LONGITUDE = 51.0, 9.0


@dataclass(frozen=True)
class Kind:
    """A kind of world. Sizes of errors that the user does not know; 0 where the world has none."""

    name: str
    boom_m: float = 24.0
    sections: int = 8
    nozzle_m: float = 0.5
    hectares: float = 3.0
    shape: str = "compact"
    pond: bool = False
    rate_hz: float = 1.0
    hand: bool = False
    steers: bool = False
    sigma_m: float = 0.025
    time_s: float = 60.0
    white_share: float = 0.1
    wander_m: float = 0.04
    overlap_m: float = 0.05
    speed_m_s: float = 3.5
    on_delay_s: float = 0.3
    off_delay_s: float = 0.2
    look_s: float = 0.25
    reaction_s: float = 0.35
    heading_logged: bool = False
    antenna_sigma_m: float = 0.03
    latency_sigma_s: float = 0.05
    boundary_sigma_m: float = 0.10
    true_cell_m: float = 0.1


@dataclass(frozen=True)
class World:
    """A drive and its truth. Shares in per cent of the target."""

    kind: Kind
    boundary: Polygon
    exclusions: MultiPolygon
    log_text: str
    boundary_text: str
    machine_text: str
    truth: dict[str, float]

    def write(self, folder: Path) -> tuple[Path, Path, Path]:
        folder.mkdir(parents=True, exist_ok=True)
        paths = folder / "log.csv", folder / "machine.toml", folder / "field.geojson"
        for path, text in zip(paths, (self.log_text, self.machine_text, self.boundary_text), strict=True):
            path.write_text(text)
        return paths


# --- the field and the way ----------------------------------------------------------------------------------------
def field_of(kind: Kind, rng: np.random.Generator) -> tuple[Polygon, MultiPolygon]:
    area = kind.hectares * 1e4
    if kind.shape == "compact":
        long = math.sqrt(area * rng.uniform(1.0, 1.8))
        wide = area / long
        lean = wide * math.tan(math.radians(rng.uniform(-30.0, 30.0)))
        outline = Polygon([(0, 0), (wide, lean), (wide, long + lean * rng.uniform(0.3, 1.0)), (0, long)])
    else:
        angle = np.linspace(0.0, 2 * math.pi, 60, endpoint=False)
        radius = np.ones(60)
        for k in (2, 3, 4, 5):
            radius += rng.normal(0.0, 0.22 / k) * np.cos(k * angle + rng.uniform(0, 2 * math.pi))
        radius = np.maximum(radius, 0.45)
        outline = Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    outline = shapely.affinity.translate(outline, -outline.centroid.x, -outline.centroid.y)
    scale = math.sqrt(area / outline.area)
    outline = rotate(shapely.affinity.scale(outline, scale, scale, origin=(0, 0)), rng.uniform(0, 180), origin=(0, 0))
    ponds = MultiPolygon()
    if kind.pond:
        inner = outline.buffer(-1.6 * kind.boom_m)
        size = math.sqrt(0.02 * area / math.pi)
        if not inner.is_empty:
            pond = shapely.affinity.scale(inner.representative_point().buffer(size), 1.4, 0.7)
            parts = shapely.get_parts(pond.intersection(outline.buffer(-1.1 * kind.boom_m)))
            ponds = MultiPolygon([part for part in parts if isinstance(part, Polygon)])
    return outline, ponds


def _even(points: np.ndarray, step: float) -> np.ndarray:
    keep = np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-9])
    points = points[keep]
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.arange(0.0, way[-1], step)
    return np.stack([np.interp(at, way, points[:, 0]), np.interp(at, way, points[:, 1])], axis=1)


def way_of(kind: Kind, outline: Polygon, rng: np.random.Generator) -> list[np.ndarray]:
    """Stretches of points, one round along the edge and then lines side by side joined by half circles."""
    boom, step = kind.boom_m, kind.speed_m_s / HZ
    bend = max(8.0, 0.6 * boom)  # no tighter: nothing folds back over itself
    ring = outline.buffer(-boom / 2 - bend).buffer(bend)
    ring = max(shapely.get_parts(ring), key=lambda part: part.area)
    round_ = _even(shapely.get_coordinates(ring.exterior), step)
    lead = round(LEAD_M / step)  # the log begins before the first spray and ends after the last
    out = [np.concatenate([round_[-lead:], round_, round_[:lead]])]
    inner = outline.buffer(-boom + kind.overlap_m)
    edges = shapely.get_coordinates(outline.minimum_rotated_rectangle)
    side = max(range(4), key=lambda k: np.hypot(*(edges[k + 1] - edges[k])))
    bearing = math.atan2(*(edges[side + 1] - edges[side])[::-1]) + math.radians(rng.uniform(-6, 6))
    u, v = np.array([math.cos(bearing), math.sin(bearing)]), np.array([-math.sin(bearing), math.cos(bearing)])
    across = shapely.get_coordinates(inner) @ v
    spacing = boom - kind.overlap_m
    lines = []
    offset = across.min() + boom / 2 - kind.overlap_m
    while offset - boom / 2 < across.max():
        strip = shapely.affinity.translate(LineString([-2000 * u, 2000 * u]), *(offset * v)).buffer(
            boom / 2, cap_style="flat"
        )
        met = inner.intersection(strip)
        if not met.is_empty:
            along = shapely.get_coordinates(met) @ u
            lines.append((offset, along.min(), along.max()))
        offset += spacing
    points = []
    for k, (offset, least, most) in enumerate(lines):
        after = lines[k + 1] if k + 1 < len(lines) else lines[k]
        before = lines[k - 1] if k else lines[k]
        low = min(least, (before if k % 2 == 0 else after)[1])
        high = max(most, (after if k % 2 == 0 else before)[2])
        a, b = (low - 12.0, high + 12.0) if k % 2 == 0 else (high + 12.0, low - 12.0)
        points += [offset * v + a * u, offset * v + b * u]
        if k + 1 < len(lines):
            gap, sign = after[0] - offset, 1.0 if k % 2 == 0 else -1.0
            phi = np.linspace(0.0, math.pi, 60)[1:-1]
            centre = (offset + gap / 2) * v + b * u
            points += [centre - gap / 2 * math.cos(p) * v + sign * gap / 2 * math.sin(p) * u for p in phi]
    out.append(_even(np.array(points), step))
    return out


def slow_error(rng: np.random.Generator, n: int, sigma: float, time_s: float) -> np.ndarray:
    """(n, 2) first-order Gauss-Markov at every step."""
    keep = math.exp(-1.0 / (HZ * time_s))
    white = rng.standard_normal((2, n)) * sigma * math.sqrt(1 - keep**2)
    white[:, 0] = sigma * rng.standard_normal(2)
    return lfilter([1.0], [1.0, -keep], white, axis=1).T


# --- valves and ground --------------------------------------------------------------------------------------------
@njit
def fill(px, py, seen, count, t, x0, y0, cell):
    """Paint a convex or crossed quad by even-odd scan lines at cell centres; a cell met again within 4 s is one hit."""
    rows, cols = seen.shape
    low = max(0, math.ceil((min(py[0], py[1], py[2], py[3]) - y0) / cell - 0.5))
    high = min(rows - 1, math.floor((max(py[0], py[1], py[2], py[3]) - y0) / cell - 0.5))
    cut = np.empty(4)
    for r in range(low, high + 1):
        y = y0 + (r + 0.5) * cell
        n = 0
        for k in range(4):
            ya, yb = py[k], py[(k + 1) % 4]
            if (ya <= y) != (yb <= y):
                cut[n] = px[k] + (y - ya) * (px[(k + 1) % 4] - px[k]) / (yb - ya)
                n += 1
        cut[:n].sort()
        for k in range(0, n - 1, 2):
            c = max(0, math.ceil((cut[k] - x0) / cell - 0.5))
            e = min(cols, math.ceil((cut[k + 1] - x0) / cell - 0.5))
            while c < e:
                if t - seen[r, c] > 4.0:
                    count[r, c] += 1
                seen[r, c] = t
                c += 1


@njit
def lay(x, y, rx, ry, i, a, b, seen, count, t, x0, y0, cell, px, py):
    j = i + 1
    px[0], py[0] = x[i] + a * rx[i], y[i] + a * ry[i]
    px[1], py[1] = x[i] + b * rx[i], y[i] + b * ry[i]
    px[2], py[2] = x[j] + b * rx[j], y[j] + b * ry[j]
    px[3], py[3] = x[j] + a * rx[j], y[j] + a * ry[j]
    fill(px, py, seen, count, t, x0, y0, cell)


@njit
def control(x, y, rx, ry, t, cut, edges, target, x0, y0, cell, look_s, speed, on_s, off_s, wanted):
    """States at every step: a section wants spray while any point of it ahead is target and untreated."""
    n, g = x.shape[0], edges.shape[0] - 1
    out = np.zeros((n, g), np.bool_)
    seen = np.full(target.shape, -1e9)
    count = np.zeros(target.shape, np.uint8)
    wish, is_open = np.zeros(g, np.bool_), np.zeros(g, np.bool_)
    due = np.full((g, 2), 1e18)
    px, py = np.empty(4), np.empty(4)
    for i in range(n - 1):
        ahead = speed * look_s
        fresh = i == 0 or cut[i - 1]
        for k in range(g):
            width = edges[k + 1] - edges[k]
            inset = min(0.1, 0.25 * width)
            m = max(2, math.ceil((width - 2 * inset) / 0.25) + 1)
            wants = False
            for p in range(m):
                lateral = edges[k] + inset + (width - 2 * inset) * p / (m - 1)
                qx = x[i] + lateral * rx[i] - ahead * ry[i]
                qy = y[i] + lateral * ry[i] + ahead * rx[i]
                c, r = math.floor((qx - x0) / cell), math.floor((qy - y0) / cell)
                if 0 <= r < target.shape[0] and 0 <= c < target.shape[1] and target[r, c]:  # noqa: SIM102
                    if count[r, c] == 0 or t[i] - seen[r, c] < 4.0:
                        wants = True
                        break
            if fresh:
                wish[k] = wants
                is_open[k] = wants
                due[k, :] = 1e18
            elif wants != wish[k]:
                wish[k] = wants
                if wants:
                    due[k, 1] = t[i] + on_s
                    if due[k, 0] >= due[k, 1]:
                        due[k, 0] = 1e18
                else:
                    due[k, 0] = t[i] + off_s
                    if due[k, 1] >= due[k, 0]:
                        due[k, 1] = 1e18
            if due[k, 1] <= t[i]:
                is_open[k] = True
                due[k, 1] = 1e18
            if due[k, 0] <= t[i]:
                is_open[k] = False
                due[k, 0] = 1e18
            out[i, k] = is_open[k] and wanted[i]
        if not cut[i]:
            k = 0
            while k < g:
                e = k + 1
                if out[i, k]:
                    while e < g and out[i, e]:
                        e += 1
                    lay(x, y, rx, ry, i, edges[k], edges[e], seen, count, t[i], x0, y0, cell, px, py)
                k = e
    return out


@njit
def paint(x, y, rx, ry, t, cut, edges, state, shape, x0, y0, cell):
    seen = np.full(shape, -1e9)
    count = np.zeros(shape, np.uint8)
    px, py = np.empty(4), np.empty(4)
    g = edges.shape[0] - 1
    for i in range(x.shape[0] - 1):
        if cut[i]:
            continue
        k = 0
        while k < g:
            e = k + 1
            if state[i, k]:
                while e < g and state[i, e]:
                    e += 1
                lay(x, y, rx, ry, i, edges[k], edges[e], seen, count, t[i], x0, y0, cell, px, py)
            k = e
    return count


def burned(shape: object, size: tuple[int, int], x0: float, y0: float, cell: float) -> np.ndarray:
    if shape.is_empty:
        return np.zeros(size, np.uint8)
    up = rasterio.features.rasterize([shape], size, transform=from_origin(x0, y0 + size[0] * cell, cell, cell))
    return np.ascontiguousarray(up[::-1])


def areas(count: np.ndarray, inside: np.ndarray, pond: np.ndarray, cell: float) -> dict[str, float]:
    target = (inside == 1) & (pond == 0)
    n = count.astype(np.int64)
    h2 = cell * cell
    return {
        "target": target.sum() * h2, "applied": n.sum() * h2, "skip": (target & (n == 0)).sum() * h2,
        "extra": np.maximum(n - 1, 0)[target].sum() * h2, "outside": n[(inside == 0)].sum() * h2,
        "excluded": n[(pond == 1) & (inside == 1)].sum() * h2, "covered": (target & (n > 0)).sum() * h2,
    }  # fmt: skip


def by_hand(kind: Kind, x: np.ndarray, y: np.ndarray, stretch: np.ndarray, inner: Polygon,
            rng: np.random.Generator) -> np.ndarray:  # fmt: skip
    """The whole boom at once, when the middle of the boom crosses, give or take a reaction time."""
    inside = np.where(stretch == 0, True, shapely.contains_xy(inner, x, y))
    out = inside.copy()
    turn = np.flatnonzero(np.diff(inside.astype(np.int8)) != 0)
    out[:] = inside[0]
    moves = []
    for i in turn:
        if stretch[i] != stretch[i + 1]:
            moves.append((i + 1, inside[i + 1]))
        else:
            late = (0.15 if not inside[i + 1] else -0.1) + kind.reaction_s * rng.standard_normal()
            moves.append((i + 1 + round(late * HZ), inside[i + 1]))
    last = 0
    for at, value in moves:
        last = min(max(at, last), x.shape[0])
        out[last:] = value
    return out


def make_world(kind: Kind, seed: int, *, layouts: tuple[int, ...] = ()) -> World:
    """A drive of a kind.

    Parameters
    ----------
    layouts : tuple of int
        Numbers of equal groups whose saving against the log's own sections is wanted, both driven by the controller
        over the true way.
    """
    rng = np.random.default_rng([911, seed])
    outline, ponds = field_of(kind, rng)
    stretches = way_of(kind, outline, rng)
    x, y, heading, stretch, t, cut = [], [], [], [], [], []
    start = 0.0
    for k, points in enumerate(stretches):
        d = np.gradient(points, axis=0)
        angle = gaussian_filter1d(np.unwrap(np.arctan2(d[:, 0], d[:, 1])), 0.4 * HZ)
        x.append(points[:, 0])
        y.append(points[:, 1])
        heading.append(angle)
        stretch.append(np.full(len(points), k))
        t.append(start + np.arange(len(points)) / HZ)
        ends = np.zeros(len(points), bool)
        ends[-1] = True
        cut.append(ends)
        start = t[-1][-1] + 45.0
    x, y, heading, stretch, t, cut = map(np.concatenate, (x, y, heading, stretch, t, cut))
    n = x.shape[0]
    length = 25.0 / (kind.speed_m_s / HZ)
    wander = (
        gaussian_filter1d(rng.standard_normal(n), length) * math.sqrt(2 * math.sqrt(math.pi) * length) * kind.wander_m
    )
    rx, ry = np.cos(heading), -np.sin(heading)
    x, y = x + wander * rx, y + wander * ry
    slow = slow_error(rng, n, kind.sigma_m * math.sqrt(1 - kind.white_share), kind.time_s)
    if kind.steers:
        sx, sy = x, y
        x, y = sx - slow[:, 0], sy - slow[:, 1]
    else:
        sx, sy = x + slow[:, 0], y + slow[:, 1]
    # what is off stands in the log, or in what the machine itself goes by: one as likely as the other
    ahead, right = kind.antenna_sigma_m * rng.standard_normal(2)
    if (kind.steers or not kind.hand) and rng.random() < 0.5:
        x, y = x + ahead * np.sin(heading) + right * rx, y + ahead * np.cos(heading) + right * ry
        ahead = right = 0.0
    drawn = moved_lines(kind, outline, ponds, rng)
    gone_by = drawn if not kind.hand and rng.random() < 0.5 else (outline, ponds)
    edges = np.linspace(-kind.boom_m / 2, kind.boom_m / 2, kind.sections + 1)
    pad = 2 * kind.boom_m
    x0, y0, x1, y1 = outline.bounds
    x0, y0 = x0 - pad, y0 - pad
    wide, high = x1 + pad - x0, y1 + pad - y0
    size = (int(high / SEEN_M) + 1, int(wide / SEEN_M) + 1)
    seen = (burned(gone_by[0], size, x0, y0, SEEN_M) == 1) & (burned(gone_by[1], size, x0, y0, SEEN_M) == 0)
    rule = (x0, y0, SEEN_M, kind.look_s, kind.speed_m_s, kind.on_delay_s, kind.off_delay_s)
    wants = np.ones(n, bool)
    lead = round(LEAD_M / (kind.speed_m_s / HZ))
    ring = int(np.flatnonzero(cut)[0]) + 1
    wants[:lead] = False
    wants[ring - lead // 4 : ring] = False
    if kind.hand:
        whole = by_hand(kind, x, y, stretch, outline.buffer(-kind.boom_m), rng)
        whole[:lead] = False
        whole[ring - lead + round(rng.uniform(0.1, 0.8) * HZ) : ring] = False
        state = np.repeat(whole[:, None], kind.sections, axis=1)
    else:
        state = control(sx, sy, rx, ry, t, cut, edges, seen, *rule, wants)
    cell = kind.true_cell_m
    fine = (int(high / cell) + 1, int(wide / cell) + 1)
    inside, pond = burned(outline, fine, x0, y0, cell), burned(ponds, fine, x0, y0, cell)
    at = areas(paint(x, y, rx, ry, t, cut, edges, state, fine, x0, y0, cell), inside, pond, cell)
    share = 100.0 / at["target"]
    truth = {
        "over_application_pct": (at["extra"] + at["outside"] + at["excluded"]) * share, "skip_pct": at["skip"] * share,
        "outside_pct": at["outside"] * share, "excluded_pct": at["excluded"] * share,
        "target_m2": at["target"], "applied_m2": at["applied"],
    }  # fmt: skip
    if layouts:
        wanted = state.any(axis=1)
        laid = {}
        for groups in (kind.sections, *layouts):
            cuts = np.linspace(-kind.boom_m / 2, kind.boom_m / 2, groups + 1)
            own = control(x, y, rx, ry, t, cut, cuts, seen, *rule, wanted)
            got = areas(paint(x, y, rx, ry, t, cut, cuts, own, fine, x0, y0, cell), inside, pond, cell)
            laid[groups] = got["applied"] / got["covered"] * at["covered"]
        for groups in layouts:
            truth[f"saved_pct:{groups}"] = 100.0 * (laid[kind.sections] - laid[groups]) / at["applied"]
            truth[f"saved_vs_log_pct:{groups}"] = 100.0 * (at["applied"] - laid[groups]) / at["applied"]
    texts = _texts(kind, drawn, (sx, sy, heading, t, cut, state), (ahead, right), rng)
    return World(kind, outline, ponds, *texts, truth)


def moved_lines(kind: Kind, outline: Polygon, ponds: MultiPolygon, rng: np.random.Generator):
    """Boundary and exclusions as the user has them."""

    def moved(part: Polygon) -> Polygon:
        ring = shapely.get_coordinates(shapely.segmentize(part.exterior, 5.0))
        if kind.boundary_sigma_m > 0:
            ring = ring + _along_ring(ring, kind.boundary_sigma_m, 50.0, rng)
            ring[-1] = ring[0]
        return Polygon(ring)

    return moved(outline), MultiPolygon([moved(part) for part in shapely.get_parts(ponds)])


# --- what the user has ----------------------------------------------------------------------------------------------
def _texts(kind: Kind, lines: tuple, drive: tuple, off: tuple[float, float], rng: np.random.Generator):
    sx, sy, heading, t, cut, state = drive
    every = round(HZ / kind.rate_hz)
    first = int(rng.integers(0, every))
    rows = []
    begins = 0
    for end in np.flatnonzero(cut):
        rows += list(range(begins + first, int(end) + 1, every))
        begins = int(end) + 1
    rows = np.array(rows)
    ahead, right = 1.5 + off[0], off[1]
    late = round(kind.latency_sigma_s * rng.standard_normal() * HZ) if kind.hand or rng.random() < 0.5 else 0
    shown = state[np.clip(rows - late, 0, len(t) - 1)]
    white = kind.sigma_m * math.sqrt(kind.white_share) * rng.standard_normal((2, len(rows)))
    h = heading[rows]
    ax = sx[rows] + ahead * np.sin(h) + right * np.cos(h) + white[0]
    ay = sy[rows] + ahead * np.cos(h) - right * np.sin(h) + white[1]
    plane = pyproj.Transformer.from_crs(
        f"+proj=laea +lat_0={LATITUDE} +lon_0={LONGITUDE} +ellps=WGS84", "EPSG:4326", always_xy=True
    )
    lon, lat = plane.transform(ax, ay)
    names = ["time", "latitude", "longitude", *(["heading_deg"] if kind.heading_logged else []),
             *(f"section_{k + 1}" for k in range(kind.sections))]  # fmt: skip
    out = [",".join(names)]
    turned = np.degrees(h) % 360 + (0.2 * rng.standard_normal(len(rows)) if kind.heading_logged else 0.0)
    for k, row in enumerate(rows):
        own = [f"{1.7e9 + t[row]:.3f}", f"{lat[k]:.9f}", f"{lon[k]:.9f}"]
        if kind.heading_logged:
            own.append(f"{turned[k] % 360:.3f}")
        out.append(",".join(own + ["1" if on else "0" for on in shown[k]]))
    features = []
    for role, shape in (("boundary", lines[0]), ("exclusion", lines[1])):
        for part in shapely.get_parts(shape):
            ring = shapely.get_coordinates(part.exterior)
            lo, la = plane.transform(ring[:, 0], ring[:, 1])
            features.append(
                {"type": "Feature", "properties": {"field_id": "A", "role": role},
                 "geometry": {"type": "Polygon", "coordinates": [[[a, b] for a, b in zip(lo, la, strict=True)]]}}
            )  # fmt: skip
    nozzles = max(1, round(kind.boom_m / kind.sections / kind.nozzle_m))
    machine = (
        f'name = "invented"\n[boom]\nnozzle_count = {nozzles * kind.sections}\n'
        f"nozzle_spacing_m = {kind.boom_m / kind.sections / nozzles}\nsections = {[nozzles] * kind.sections}\n"
        f"[antenna]\nahead_of_boom_m = 1.5\nright_of_centre_m = 0.0\ngnss_sigma_m = {kind.sigma_m}\n"
        f"steers = {str(kind.steers).lower()}\n"
        f"[valves]\non_delay_s = {kind.on_delay_s}\noff_delay_s = {kind.off_delay_s}\nlook_ahead_s = {kind.look_s}\n"
    )
    return "\n".join(out) + "\n", json.dumps({"type": "FeatureCollection", "features": features}), machine


def _along_ring(ring: np.ndarray, sigma: float, length_m: float, rng: np.random.Generator) -> np.ndarray:
    n = len(ring) - 1
    step = shapely.length(shapely.linearrings(ring)) / n
    width = max(length_m / math.sqrt(2) / step, 0.3)
    noise = gaussian_filter1d(rng.standard_normal((2, n)), width, axis=1, mode="wrap")
    noise *= sigma * math.sqrt(2 * math.sqrt(math.pi) * width)
    return np.concatenate([noise, noise[:, :1]], axis=1).T


def known(kind: Kind) -> Kind:
    """The same kind with everything but receiver and rows as the machine file says."""
    return replace(kind, antenna_sigma_m=0.0, latency_sigma_s=0.0, boundary_sigma_m=0.0)
