"""From a track to boom poses: curved interpolation, antenna offsets, trailed hitches."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.machine.machine import Machine
from swathledger.swath.track import Track, wrap_rad

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MAX_TURN_RAD = 0.04
"""Finest turn of one sub-step: the chord of an arc loses turn^2 / 6 of a ring's area, 0.027 % here."""
MAX_SAGITTA_M = 0.002
"""A bend that leaves its chord by less is not split: position noise on short steps is no curve."""
TRAILED_STEP_M = 0.5
"""Longest sub-step while a trailed boom's angle is followed."""
MAX_SUBSTEPS = 400


@dataclass(frozen=True, slots=True)
class Poses:
    """Boom poses and what is known of the steps between them; see :class:`swathledger.swath.swath.Swath`.

    ``row_step`` is the track step (log row) each pose step belongs to, -1 for the seam between two steps that do not
    join (the boom turned end for end at a change of gear).
    """

    x_m: Floats
    y_m: Floats
    heading_rad: Floats
    time_s: Floats
    epoch: Ints
    linked: Flags
    standing: Flags
    reverse: Flags
    row_step: Ints


def _substeps(track: Track, max_step_m: float | None, trailed: bool) -> Ints:
    """Number of parts each track step is split into."""
    turn = np.abs(track.heading_out_rad - track.heading_in_rad)
    chord = np.hypot(np.diff(track.x_m), np.diff(track.y_m))
    course = np.arctan2(np.diff(track.x_m), np.diff(track.y_m))
    # An S-bend turns within the step though both its ends point the same way.
    bend = np.where(
        chord > 0, np.abs(wrap_rad(course - track.heading_in_rad + np.where(track.reverse, np.pi, 0.0))), 0.0
    )
    bend = np.where((bend < np.deg2rad(60)) & (chord * bend / 4 > MAX_SAGITTA_M), 2 * bend, 0.0)
    parts = np.ceil(np.maximum(turn, bend) / MAX_TURN_RAD)
    limit = min(max_step_m or np.inf, TRAILED_STEP_M if trailed else np.inf)
    if np.isfinite(limit):
        parts = np.maximum(parts, np.ceil(chord / limit))
    parts = np.clip(parts, 1, MAX_SUBSTEPS)
    parts[~track.linked | track.standing] = 1
    return parts.astype(np.int64)


def _hermite(track: Track, step: Ints, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Antenna position and heading at parameter ``u`` of a track step.

    Cubic Hermite through both positions with both headings. The tangent length chord / cos^2(turn / 4) makes the
    cubic the closest one to a circular arc. Where heading and chord disagree by more than 60 degrees (noise at
    creeping speed, crabbing) the path is straight.
    """
    x0, y0 = track.x_m[step], track.y_m[step]
    x1, y1 = track.x_m[step + 1], track.y_m[step + 1]
    h0, h1 = track.heading_in_rad[step], track.heading_out_rad[step]
    dx, dy = x1 - x0, y1 - y0
    chord = np.hypot(dx, dy)
    sign = np.where(track.reverse[step], -1.0, 1.0)
    along0 = sign * (dx * np.sin(h0) + dy * np.cos(h0))
    along1 = sign * (dx * np.sin(h1) + dy * np.cos(h1))
    curved = (along0 > 0.5 * chord) & (along1 > 0.5 * chord)
    length = sign * chord / np.cos((h1 - h0) / 4) ** 2
    u2, u3 = u * u, u * u * u
    a0, b0, a1, b1 = 2 * u3 - 3 * u2 + 1, u3 - 2 * u2 + u, -2 * u3 + 3 * u2, u3 - u2
    x_curve = a0 * x0 + b0 * length * np.sin(h0) + a1 * x1 + b1 * length * np.sin(h1)
    y_curve = a0 * y0 + b0 * length * np.cos(h0) + a1 * y1 + b1 * length * np.cos(h1)
    x = np.where(curved, x_curve, x0 + u * dx)
    y = np.where(curved, y_curve, y0 + u * dy)
    # exact at the end as it is at the start, so that neighbouring steps share their pose to the last bit
    x, y = np.where(u == 1.0, x1, x), np.where(u == 1.0, y1, y)
    return x, y, h0 + u * (h1 - h0)


def _joins(track: Track) -> Flags:
    """(n - 2,) whether a step ends with the heading the next one starts with."""
    return np.abs(wrap_rad(track.heading_out_rad[:-1] - track.heading_in_rad[1:])) < 1e-9


def antenna_poses(track: Track, max_step_m: float | None, trailed: bool) -> Poses:
    """Antenna positions and machine headings at every sub-step."""
    steps = track.linked.size
    parts = _substeps(track, max_step_m, trailed)
    seam = np.zeros(steps, dtype=bool)
    seam[1:] = ~_joins(track)
    # Each step writes its start and its inner points; its end too where the next step starts on another heading.
    ends_too = np.zeros(steps, dtype=bool)
    ends_too[:-1] = seam[1:]
    ends_too[-1] = True
    count = parts + ends_too
    step = np.repeat(np.arange(steps), count)
    first = np.cumsum(count) - count
    k = np.arange(step.size) - first[step]
    u = k / parts[step]
    x, y, heading = _hermite(track, step, u)
    t0, t1 = track.time_s[step], track.time_s[step + 1]
    time_s = t0 + u * (t1 - t0)
    at_end = k == parts[step]
    row_step = np.where(at_end, -1, step)[:-1]
    epoch = np.where(at_end, step + 1, step)
    linked = (row_step >= 0) & track.linked[np.maximum(row_step, 0)]
    standing = (row_step >= 0) & track.standing[np.maximum(row_step, 0)]
    reverse = (row_step >= 0) & track.reverse[np.maximum(row_step, 0)]
    return Poses(x, y, heading, time_s, epoch, linked, standing, reverse, row_step)


def trailed_heading(heading_rad: float, way_rad: float, kept: float) -> float:
    """Heading of a trailer after its hitch has moved straight by ``s`` in the direction ``way_rad``.

    The angle ``a = way - heading`` obeys ``tan(a' / 2) = tan(a / 2) kept`` with ``kept = exp(-s / b)`` and ``b`` from
    hitch to axle: the exact solution of ``b dheading/ds = sin a``, the tractrix.
    """
    a = (way_rad - heading_rad + np.pi) % (2 * np.pi) - np.pi
    return way_rad - 2 * float(np.arctan(np.tan(a / 2) * kept))


def follow_hitch(poses: Poses, antenna_to_hitch_m: float, hitch_to_boom_m: float) -> Poses:
    """Boom poses of a trailed machine: the boom's axle runs after the hitch (tractrix).

    See :func:`trailed_heading`. After a gap the trailer starts at the steady angle of the curve it is found on. While
    reversing, the angle at the hitch is held, since the driver steers it.
    """
    hx = poses.x_m - antenna_to_hitch_m * np.sin(poses.heading_rad)
    hy = poses.y_m - antenna_to_hitch_m * np.cos(poses.heading_rad)
    if hitch_to_boom_m <= 0:
        return replace(poses, x_m=hx, y_m=hy)
    b = hitch_to_boom_m
    dx, dy = np.diff(hx), np.diff(hy)
    dist = np.hypot(dx, dy)
    direction = np.arctan2(dx, dy)
    decay = np.exp(-dist / b)
    n = hx.size
    trailer = np.empty(n)
    carried = poses.linked | (poses.row_step < 0)
    starts = np.concatenate(([0], np.flatnonzero(~carried) + 1))
    start_value = {int(s): _steady_heading(int(s), poses, hx, hy, b) for s in starts}
    current = start_value[0]
    machine = poses.heading_rad.tolist()
    is_start = np.zeros(n, dtype=bool)
    is_start[starts] = True
    flags, rev = is_start.tolist(), poses.reverse.tolist()
    dirs, moved, fade, headings = direction.tolist(), dist.tolist(), decay.tolist(), []
    pi, two_pi = float(np.pi), 2 * float(np.pi)
    for i in range(n):
        if flags[i]:
            current = start_value[i]
        elif moved[i - 1] > 0:
            if rev[i - 1]:
                current += (machine[i] - machine[i - 1] + pi) % two_pi - pi
            else:
                current = trailed_heading(current, dirs[i - 1], fade[i - 1])
        headings.append(current)
    trailer[:] = headings
    bx = hx - b * np.sin(trailer)
    by = hy - b * np.cos(trailer)
    return replace(poses, x_m=bx, y_m=by, heading_rad=np.unwrap(trailer))


def _steady_heading(start: int, poses: Poses, hx: Floats, hy: Floats, b: float) -> float:
    """Trailer heading for steady driving on the curve found over the first metres after ``start``."""
    heading = float(poses.heading_rad[start])
    along = 0.0
    end = start
    while end + 1 < hx.size and along < 2.0 and poses.linked[end]:
        along += float(np.hypot(hx[end + 1] - hx[end], hy[end + 1] - hy[end]))
        end += 1
    if along <= 0.0 or bool(poses.reverse[start:end].any()):
        return heading
    # direction of the hitch's own motion at the start: first chord, turned back by half its turn
    first = float(np.arctan2(hx[start + 1] - hx[start], hy[start + 1] - hy[start])) if end > start else heading
    turn = float(wrap_rad(np.asarray(poses.heading_rad[end] - heading))) / along
    if hx[start + 1] == hx[start] and hy[start + 1] == hy[start]:
        first = heading
    step = float(np.hypot(hx[start + 1] - hx[start], hy[start + 1] - hy[start]))
    direction = first - turn * step / 2
    return direction - float(np.arcsin(np.clip(b * turn, -0.95, 0.95)))


def boom_poses(track: Track, machine: Machine, max_step_m: float | None = None) -> Poses:
    """Boom centre and heading at every sub-step.

    The boom centre is the antenna moved back by ``ahead_of_boom_m`` and left by ``right_of_centre_m`` in the
    machine's heading; with a hitch, the boom follows the hitch instead of the first.
    """
    poses = antenna_poses(track, max_step_m, machine.hitch is not None)
    sin_h, cos_h = np.sin(poses.heading_rad), np.cos(poses.heading_rad)
    right = machine.antenna.right_of_centre_m
    x = poses.x_m - right * cos_h
    y = poses.y_m + right * sin_h
    if machine.hitch is None:
        ahead = machine.antenna.ahead_of_boom_m
        x, y = x - ahead * sin_h, y - ahead * cos_h
        return replace(poses, x_m=x, y_m=y)
    return follow_hitch(replace(poses, x_m=x, y_m=y), machine.hitch.antenna_to_hitch_m, machine.hitch.hitch_to_boom_m)
