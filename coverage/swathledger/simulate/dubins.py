"""Shortest forward paths of bounded curvature between two poses.

Source: L. E. Dubins, "On curves of minimal length with a constraint on average curvature, and with prescribed initial
and terminal positions and tangents", American Journal of Mathematics 79(3), 1957 (six words of arcs and straights; the
closed forms below are the usual ones, derived from the tangents of the turning circles). U-turns, bulb turns and lane
changes all are such paths.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_TWO_PI = 2.0 * math.pi


class Pose(NamedTuple):
    """A place and the direction driven, radians counter-clockwise from east."""

    x: float
    y: float
    theta: float


class Word(NamedTuple):
    """One candidate path: total length, m, and three parts, each (turn: +1 left, 0 straight, -1 right; length, m)."""

    length: float
    parts: tuple[tuple[int, float], tuple[int, float], tuple[int, float]]


def _wrap(angle: float) -> float:
    """Into [0, 2 pi), with what is a hair below a full turn taken as none."""
    out = angle % _TWO_PI
    return 0.0 if _TWO_PI - out < 1e-9 else out


def dubins_words(start: Pose, end: Pose, radius_m: float) -> list[Word]:
    """All words that join two poses, shortest first."""
    dx, dy = (end.x - start.x) / radius_m, (end.y - start.y) / radius_m
    d = math.hypot(dx, dy)
    direction = math.atan2(dy, dx) if d > 0 else 0.0
    a, b = _wrap(start.theta - direction), _wrap(end.theta - direction)
    sa, sb, ca, cb, cab = math.sin(a), math.sin(b), math.cos(a), math.cos(b), math.cos(a - b)
    found: list[tuple[tuple[int, int, int], float, float, float]] = []

    p2 = 2 + d * d - 2 * cab + 2 * d * (sa - sb)
    if p2 >= 0:
        t = math.atan2(cb - ca, d + sa - sb)
        found.append(((1, 0, 1), _wrap(t - a), math.sqrt(p2), _wrap(b - t)))
    p2 = 2 + d * d - 2 * cab + 2 * d * (sb - sa)
    if p2 >= 0:
        t = math.atan2(ca - cb, d - sa + sb)
        found.append(((-1, 0, -1), _wrap(a - t), math.sqrt(p2), _wrap(t - b)))
    p2 = -2 + d * d + 2 * cab + 2 * d * (sa + sb)
    if p2 >= 0:
        p = math.sqrt(p2)
        t = math.atan2(-ca - cb, d + sa + sb) - math.atan2(-2.0, p)
        found.append(((1, 0, -1), _wrap(t - a), p, _wrap(t - b)))
    p2 = -2 + d * d + 2 * cab - 2 * d * (sa + sb)
    if p2 >= 0:
        p = math.sqrt(p2)
        t = math.atan2(ca + cb, d - sa - sb) - math.atan2(2.0, p)
        found.append(((-1, 0, 1), _wrap(a - t), p, _wrap(b - t)))
    c = (6 - d * d + 2 * cab + 2 * d * (sa - sb)) / 8
    if abs(c) <= 1:
        p = _wrap(_TWO_PI - math.acos(c))
        t = _wrap(a - math.atan2(ca - cb, d - sa + sb) + p / 2)
        found.append(((-1, 1, -1), t, p, _wrap(a - b - t + p)))
    c = (6 - d * d + 2 * cab + 2 * d * (sb - sa)) / 8
    if abs(c) <= 1:
        p = _wrap(_TWO_PI - math.acos(c))
        t = _wrap(-a + math.atan2(cb - ca, d + sa - sb) + p / 2)
        found.append(((1, -1, 1), t, p, _wrap(b - a - t + p)))

    out = []
    for turns, t, p, q in found:
        parts = ((turns[0], t * radius_m), (turns[1], p * radius_m), (turns[2], q * radius_m))
        out.append(Word((t + p + q) * radius_m, parts))
    return sorted(out)


def sample(start: Pose, word: Word, radius_m: float, step_m: float) -> NDArray[np.float64]:
    """Points along a word, (n, 3): x, y, theta, at most ``step_m`` apart, both ends and all joints included."""
    x, y, theta = start
    parts = [np.array([[x, y, theta]])]
    for turn, length in word.parts:
        if length < 1e-9:
            continue
        s = np.linspace(0.0, length, max(1, math.ceil(length / step_m)) + 1)[1:]
        if turn == 0:
            part = np.column_stack([x + s * math.cos(theta), y + s * math.sin(theta), np.full(s.shape, theta)])
        else:
            angle = theta + turn * s / radius_m
            part = np.column_stack(
                [
                    x + turn * radius_m * (np.sin(angle) - math.sin(theta)),
                    y - turn * radius_m * (np.cos(angle) - math.cos(theta)),
                    angle,
                ]
            )
        parts.append(part)
        x, y, theta = (float(v) for v in part[-1])
    return np.vstack(parts)
