"""What a log leaves untold between two rows: when valves moved, and how the machine turned."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from swathledger.audit import Prepared
    from swathledger.log.log import Log

Floats = NDArray[np.float64]
LONG_STEP = 3.0
"""A step of more than so many times the median is a gap: nothing is put into it."""
LEAST_BEND_DEG = 0.5
"""Turns that leave the straight line between two headings by less are not worth a row."""


def rate_of(value: Floats, time_s: Floats) -> Floats:
    """Change per second at every row, 0 beside long steps."""
    step = np.diff(time_s)
    slope = np.diff(value) / step
    slope[step > LONG_STEP * np.median(step)] = 0.0
    return np.concatenate([slope[:1], (slope[:-1] + slope[1:]) / 2, slope[-1:]])


def switch_places(state: NDArray[np.bool_], step: int, rng: np.random.Generator | None, share: float) -> Floats:
    """Where in a step, 0 to 1, each column that differs at its end really switched; 2 where it does not differ.

    All that open together from shut, or shut together, do so at one moment: the operator's switch.
    """
    before, after = state[step], state[step + 1]
    changed = before != after
    together = not before.any() or not after.any()
    draws = np.full(1 if together else state.shape[1], 0.5)
    if rng is not None:
        draws = 0.5 + share * (rng.random(draws.shape[0]) - 0.5)
    return np.where(changed, draws, 2.0)


def unwrapped_deg(heading_deg: Floats) -> Floats:
    """Headings without jumps of a whole turn; unknown ones stand as 0 and are for the caller to leave out."""
    return np.asarray(np.rad2deg(np.unwrap(np.deg2rad(np.nan_to_num(heading_deg)))), dtype=np.float64)


def bends(heading_deg: Floats | None, time_s: Floats) -> tuple[Floats, Floats]:
    """How far, at most, the heading may leave the straight line between two rows, and where.

    A machine that goes into a bend within a step turns at the rate of the step before, then at that of the step
    after. With turn rates w-, w, w+ of three steps of length h, and w between the others, one moment fits the turn
    made: ``p = (w - w+) / (w- - w+)``; there the heading lies ``p (1 - p) (w- - w+) h`` off the straight line. A
    machine that changes its rate more slowly lies between that and the line.

    Returns
    -------
    off_deg, place : (n - 1,) float64
        0 where the three rates are not in order, where a heading is unknown, or beside a long step; place in 0..1.
    """
    steps = time_s.shape[0] - 1
    off, place = np.zeros(steps), np.full(steps, 0.5)
    if heading_deg is None or steps < 3:
        return off, place
    h = np.diff(time_s)
    rate = np.diff(unwrapped_deg(heading_deg)) / h
    sound = (h <= LONG_STEP * np.median(h)) & np.isfinite(heading_deg[1:]) & np.isfinite(heading_deg[:-1])
    before, here, after = rate[:-2], rate[1:-1], rate[2:]
    jump = before - after
    p = np.divide(here - after, jump, out=np.full(steps - 2, -1.0), where=np.abs(jump) > 1e-9)
    fit = (p > 0.0) & (p < 1.0) & sound[:-2] & sound[1:-1] & sound[2:]
    place[1:-1] = np.where(fit, p, 0.5)
    off[1:-1] = np.where(fit, p * (1.0 - p) * jump * h[1:-1], 0.0)
    off[np.abs(off) < LEAST_BEND_DEG] = 0.0
    return off, place


def placed_switches(log: Log, prepared: Prepared, rng: np.random.Generator | None, share: float = 1.0) -> Log:
    """The log with a row of its own for every switch, within the step in which it happened, and for every bend.

    Without a generator every switch lies in the middle of its step, and the machine turns evenly between rows. With
    one, the heading leaves the even turn by a share, drawn anew for every step between 0 and ``share``, of what
    :func:`bends` allows. New rows lie on a cubic through their neighbours (Catmull and Rom's tangents); long steps are
    left as they are.
    """
    n = len(log)
    plane = prepared.field.plane
    x, y = plane.forward(log.latitude_deg, log.longitude_deg)
    step = np.diff(log.time_s)
    short = step <= LONG_STEP * np.median(step)
    off, turn_at = np.zeros(n - 1), np.full(n - 1, 0.5)
    if rng is not None:
        off, turn_at = bends(log.heading_deg, log.time_s)
        off = off * share * rng.random(n - 1)
    source, place, states = [], [], []
    switched = (log.state[1:] != log.state[:-1]).any(axis=1)
    for i in np.flatnonzero(short & (switched | (off != 0.0))).tolist():
        where = switch_places(log.state, i, rng, share) if switched[i] else np.full(log.state.shape[1], 2.0)
        rows = set(where[where <= 1.0].tolist()) | ({float(turn_at[i])} if off[i] else set())
        for u in sorted(rows):
            source.append(i)
            place.append(min(max(u, 1e-3), 1.0 - 1e-3))
            states.append(np.where(where <= u, log.state[i + 1], log.state[i]))
    if not source or n < 3:
        return log
    at, u = np.asarray(source), np.asarray(place)
    row_place = np.concatenate([np.arange(n, dtype=np.float64), at + u])
    order = np.argsort(row_place, kind="stable")
    held = np.concatenate([np.arange(n), at])[order]

    def cubic(value: Floats) -> Floats:
        rate, dt = rate_of(value, log.time_s), step[at]
        a, b = value[at], value[at + 1]
        return np.asarray(
            (2 * u**3 - 3 * u**2 + 1) * a + (u**3 - 2 * u**2 + u) * dt * rate[at]
            + (3 * u**2 - 2 * u**3) * b + (u**3 - u**2) * dt * rate[at + 1],
            dtype=np.float64,
        )  # fmt: skip

    def kept(value: Any) -> Any:
        return None if value is None else value[held]

    latitude, longitude = plane.inverse(np.append(x, cubic(x))[order], np.append(y, cubic(y))[order])
    heading = log.heading_deg
    if heading is not None:
        turned = unwrapped_deg(heading)
        # up to the bend and back: the place itself is off by all of it
        rise = np.minimum(u / turn_at[at], (1.0 - u) / (1.0 - turn_at[at]))
        bent = (1.0 - u) * turned[at] + u * turned[at + 1] + off[at] * rise
        inner = np.where(off[at] != 0.0, bent, cubic(turned))
        known = np.append(np.isfinite(heading), np.isfinite(heading[at]) & np.isfinite(heading[at + 1]))
        heading = np.where(known, np.append(turned, inner) % 360.0, np.nan)[order]
    return replace(
        log, time_s=np.append(log.time_s, log.time_s[at] + u * step[at])[order], latitude_deg=latitude,
        longitude_deg=longitude, heading_deg=heading, state=np.concatenate([log.state, np.stack(states)])[order],
        speed_m_s=kept(log.speed_m_s), reverse=kept(log.reverse), working_width_m=kept(log.working_width_m),
        rate_l_m2=kept(log.rate_l_m2), flow_l_s=kept(log.flow_l_s), hdop=kept(log.hdop),
        product=None if log.product is None else tuple(log.product[k] for k in held.tolist()),
        extra={name: value[held] for name, value in log.extra.items()},
    )  # fmt: skip
