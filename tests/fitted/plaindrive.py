"""Small drives whose offsets, delays and margins are known: plain arithmetic, apart from the code under test.

A block between two straight headland edges is sprayed to and fro. The two headland passes come first. A section is to
be open while enough of its points, moved ahead by speed x look-ahead, lie between the edges (moved by the margin);
valves follow by their delays. Nothing else in the drive switches. Found through ``pythonpath``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from drivekit import PLANE
from numpy.typing import NDArray

from swathledger.log.log import Log, LogQuality
from swathledger.machine.machine import Antenna, Boom, Hitch, Machine, Valves
from swathledger.statistics import gauss_markov

Floats = NDArray[np.float64]
TICK_S = 0.02
POINTS = 25


@dataclass(frozen=True)
class Truth:
    """How the machine really is, SI; ``ahead_m`` is the antenna ahead of the boom, along the hitch if trailed."""

    ahead_m: float = 4.0
    right_m: float = 0.0
    late_on_s: float = 0.0
    late_off_s: float = 0.0
    margin_m: float = 0.0
    covered: float = 1.0
    width_m: float = 18.0
    sections: int = 6
    spacing_m: float = 18.0
    passes: int = 10
    length_m: float = 180.0
    slant_deg: float = 0.0
    bearing_deg: float = 20.0
    speed_m_s: float = 4.0
    speed_spread: float = 0.15
    hz: float = 1.0
    sigma_m: float = 0.02
    guidance_m: float = 0.03
    hitch_m: float = 0.0
    seed: int = 1


def machine_for(truth: Truth, *, ahead_m: float = 0.0, right_m: float = 0.0, valves: Valves | None = None) -> Machine:
    """The machine file as a user would have it, with these offsets; a hitch is known."""
    edges = np.linspace(-truth.width_m / 2, truth.width_m / 2, truth.sections * 6 + 1)
    hitch = Hitch(truth.ahead_m - truth.hitch_m, truth.hitch_m) if truth.hitch_m > 0 else None
    return Machine(
        "plain",
        Boom(edges, (6,) * truth.sections),
        Antenna(0.0 if hitch else ahead_m, right_m, truth.sigma_m),
        hitch,
        valves or Valves(),
    )


def _way(truth: Truth, rng: np.random.Generator) -> tuple[Floats, Floats, list[tuple[int, int]]]:
    """Points of the guided path 0.05 m apart, before rotation, speed at each; index ranges of the two headland passes.

    x across, y along the passes. The edges of the block are y = x tan(slant) and y = length + x tan(slant).
    """
    w, gap = truth.width_m, truth.spacing_m
    slope = np.tan(np.deg2rad(truth.slant_deg))
    total = gap * (truth.passes - 1)
    parts: list[Floats] = []
    speeds: list[Floats] = []
    marks: list[tuple[int, int]] = []

    def add(points: Floats, speed: float) -> None:
        parts.append(points)
        speeds.append(np.full(points.shape[0], speed))

    def line(a: tuple[float, float], b: tuple[float, float], speed: float) -> None:
        n = max(2, int(np.hypot(b[0] - a[0], b[1] - a[1]) / 0.05))
        t = np.linspace(0, 1, n, endpoint=False)[:, None]
        add(np.array(a) * (1 - t) + np.array(b) * t, speed)

    def pace() -> float:
        return truth.speed_m_s * float(np.exp(truth.speed_spread * rng.standard_normal()))

    cos = 1.0 / np.hypot(1.0, slope)
    out = 1.5 * w
    for low in (True, False):
        # centre of the headland pass: half a boom outside the edge, square to it
        shift = -w / 2 / cos if low else truth.length_m + w / 2 / cos
        x0, x1 = (-out, total + out) if low else (total + out, -out)
        first = sum(p.shape[0] for p in parts)
        line((x0, x0 * slope + shift), (x1, x1 * slope + shift), pace())
        marks.append((first, sum(p.shape[0] for p in parts)))
        if low:
            line((x1, x1 * slope + shift), (total + out + w, truth.length_m / 2), truth.speed_m_s)
            top = (total + out) * slope + truth.length_m + w / 2 / cos
            line((total + out + w, truth.length_m / 2), (total + out, top), truth.speed_m_s)
    line((-out, -out * slope + truth.length_m + w / 2 / cos), (-out - w, truth.length_m / 2), truth.speed_m_s)
    line((-out - w, truth.length_m / 2), (-out, -2.0 * w), truth.speed_m_s)
    lead = 1.2 * w + 6.0
    line((-out, -2.0 * w), (0.0, -lead - 2.0 * w), truth.speed_m_s)
    line((0.0, -lead - 2.0 * w), (0.0, -lead), truth.speed_m_s)
    for k in range(truth.passes):
        x = gap * k + truth.guidance_m * rng.standard_normal()
        y0, y1 = x * slope - lead, truth.length_m + x * slope + lead
        up = k % 2 == 0
        a, b = ((x, y0), (x, y1)) if up else ((x, y1), (x, y0))
        v = pace()
        third = (b[1] - a[1]) * 0.45
        line(a, (x, a[1] + third), v * float(np.exp(truth.speed_spread * rng.standard_normal())))
        line((x, a[1] + third), b, v)
        if k + 1 < truth.passes:
            t = np.linspace(0, np.pi, max(8, int(gap / 2 * np.pi / 0.05)), endpoint=False)
            side = 1.0 if up else -1.0
            arc = np.column_stack([x + gap / 2 * (1 - np.cos(t)), b[1] + side * gap / 2 * np.sin(t)])
            # the next pass begins where its own edge says
            nxt = (x + gap) * slope + (truth.length_m + lead if up else -lead)
            arc[:, 1] += (nxt - b[1]) * np.linspace(0, 1, t.shape[0], endpoint=False)
            add(arc, min(0.75 * truth.speed_m_s, v))
    points = np.vstack(parts)
    speed = np.concatenate(speeds)
    # nobody changes speed at once
    reach = 120
    kernel = np.ones(reach) / reach
    padded = np.concatenate([np.full(reach // 2, speed[0]), speed, np.full(reach - reach // 2 - 1, speed[-1])])
    return points, np.convolve(padded, kernel, mode="valid"), marks


def drive_plain(truth: Truth) -> tuple[Log, Floats]:
    """The log of a drive, and the corners of the block between the headlands on the plane."""
    rng = np.random.default_rng(truth.seed)
    points, pace, marks = _way(truth, rng)
    step = np.hypot(*np.diff(points, axis=0).T)
    keep = np.concatenate([[True], step > 1e-6])
    points, pace = points[keep], pace[keep]
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    clock = np.concatenate([[0.0], np.cumsum(np.diff(station) / ((pace[1:] + pace[:-1]) / 2))])
    time = np.arange(0.0, clock[-1], TICK_S)
    x, y = np.interp(time, clock, points[:, 0]), np.interp(time, clock, points[:, 1])
    reach = max(1, int(0.6 / TICK_S))
    dx, dy = np.gradient(x), np.gradient(y)
    smooth = np.ones(reach) / reach
    dx, dy = np.convolve(dx, smooth, "same"), np.convolve(dy, smooth, "same")
    heading = np.unwrap(np.arctan2(dx, dy))
    speed = np.hypot(np.gradient(x), np.gradient(y)) / TICK_S
    if truth.hitch_m > 0:
        # the guided point is the hitch; the boom's axle is drawn after it, tick by tick
        hx, hy, machine_heading = x, y, heading
        bx, by = np.empty_like(x), np.empty_like(y)
        b = truth.hitch_m
        bx[0], by[0] = hx[0] - b * np.sin(heading[0]), hy[0] - b * np.cos(heading[0])
        for i in range(1, x.shape[0]):
            ux, uy = hx[i] - bx[i - 1], hy[i] - by[i - 1]
            d = np.hypot(ux, uy)
            bx[i], by[i] = hx[i] - b * ux / d, hy[i] - b * uy / d
        boom_heading = np.arctan2(hx - bx, hy - by)
        arm = truth.ahead_m - b
        ax, ay = hx + arm * np.sin(machine_heading), hy + arm * np.cos(machine_heading)
    else:
        bx, by, boom_heading, machine_heading = x, y, heading, heading
        ax, ay = x + truth.ahead_m * np.sin(heading), y + truth.ahead_m * np.cos(heading)
    ax, ay = ax + truth.right_m * np.cos(machine_heading), ay - truth.right_m * np.sin(machine_heading)

    n = time.shape[0]
    slow = truth.sigma_m * np.sqrt(0.9)
    ex, ey = (gauss_markov(rng, n, TICK_S, 60.0, float(slow)) for _ in range(2))
    # the controller sees its own receiver's positions, and the headland edges as they were laid
    sx, sy = bx + ex, by + ey
    slope = np.tan(np.deg2rad(truth.slant_deg))
    cos = 1.0 / np.hypot(1.0, slope)
    kept = np.cumsum(keep) - 1
    tick = [np.clip(np.searchsorted(time, clock[kept[[a, b]]]), 0, n - 1) for a, b in marks]
    edges = []
    for (i, j), low in zip(tick, (True, False), strict=True):
        order = np.argsort(x[i:j])
        off = ey[i:j] - slope * ex[i:j]
        edges.append((x[i:j][order], off[order], low))
    wanted = np.zeros(n, np.bool_)
    wanted[tick[1][1] + int(8 / TICK_S) :] = True
    section = np.linspace(-truth.width_m / 2, truth.width_m / 2, truth.sections + 1)

    def share(look_s: float) -> Floats:
        out = np.zeros((n, truth.sections))
        px, py = sx + speed * look_s * np.sin(boom_heading), sy + speed * look_s * np.cos(boom_heading)
        for k in range(truth.sections):
            hits = np.zeros(n)
            for q in (np.arange(POINTS) + 0.5) / POINTS:
                lateral = section[k] + q * (section[k + 1] - section[k])
                gx, gy = px + lateral * np.cos(boom_heading), py - lateral * np.sin(boom_heading)
                low = (gy - gx * slope - np.interp(gx, edges[0][0], edges[0][1])) * cos
                high = (truth.length_m - gy + gx * slope + np.interp(gx, edges[1][0], edges[1][1])) * cos
                hits += np.minimum(low, high) > -truth.margin_m
            out[:, k] = hits / POINTS
        return out

    state = np.zeros((n, truth.sections), np.bool_)
    looks = {look: share(look) for look in {max(0.0, -truth.late_on_s), max(0.0, -truth.late_off_s)}}
    opens = looks[max(0.0, -truth.late_on_s)] > 1.0 - truth.covered + 1e-9
    shuts = looks[max(0.0, -truth.late_off_s)] > 1.0 - truth.covered + 1e-9
    lag_on, lag_off = (round(max(0.0, late) / TICK_S) for late in (truth.late_on_s, truth.late_off_s))
    # beyond a boom's width outside the block the operator has switched off
    inside = (by - bx * slope > -0.9 * truth.width_m) & (truth.length_m - by + bx * slope > -0.9 * truth.width_m)
    for k in range(truth.sections):
        state[:, k] = _valve(opens[:, k] & wanted, shuts[:, k] & wanted, lag_on, lag_off) & inside
    for i, j in tick:
        state[i:j] = True

    rows = np.arange(int(rng.integers(0, round(1 / truth.hz / TICK_S))), n, round(1 / truth.hz / TICK_S))
    white = truth.sigma_m * np.sqrt(0.1) * rng.standard_normal((2, rows.shape[0]))
    turn = np.deg2rad(truth.bearing_deg)

    def turned(px: Floats, py: Floats) -> tuple[Floats, Floats]:
        return px * np.cos(turn) + py * np.sin(turn), -px * np.sin(turn) + py * np.cos(turn)

    lx, ly = turned(ax[rows] + ex[rows] + white[0], ay[rows] + ey[rows] + white[1])
    lat, lon = PLANE.inverse(lx, ly)
    quality = LogQuality(rows.shape[0], rows.shape[0], (), (), (), 1 / truth.hz, None)
    course = np.rad2deg(machine_heading[rows]) + truth.bearing_deg + 0.2 * rng.standard_normal(rows.shape[0])
    log = Log(
        time[rows] + 1.7e9, lat, lon, "section", state[rows], quality, (("plain.csv", ""),),
        heading_deg=course % 360,
        speed_m_s=speed[rows],
    )  # fmt: skip
    total = truth.spacing_m * (truth.passes - 1)
    left, right = -truth.width_m / 2, total + truth.width_m / 2
    across = np.array([left, right, right, left])
    corner = np.column_stack([across, across * slope + np.array([0.0, 0.0, truth.length_m, truth.length_m])])
    return log, np.column_stack(turned(corner[:, 0], corner[:, 1]))


def _valve(opens: NDArray[np.bool_], shuts: NDArray[np.bool_], lag_on: int, lag_off: int) -> NDArray[np.bool_]:
    """Opens ``lag_on`` ticks after the opening look finds ground, and shuts ``lag_off`` after the other loses it."""
    rises = np.flatnonzero(opens[1:] & ~opens[:-1]) + 1
    falls = np.flatnonzero(~shuts[1:] & shuts[:-1]) + 1
    state = np.zeros(opens.shape[0], np.bool_)
    for rise in rises:
        later = falls[falls > rise]
        end = int(later[0]) + lag_off if later.size else state.shape[0]
        state[rise + lag_on : end] = True
    return state
