"""The drive that is measured: a square field, parallel passes, nozzles opening and shutting one by one.

Everything follows from the numbers given; the receiver's error has a fixed seed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import Field, LocalPlane
from swathledger.log.log import Log, LogQuality
from swathledger.machine.machine import Boom, Machine
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

SCALE = float(os.environ.get("BENCH_SCALE", "1"))
"""Share of the ground and rounds of each benchmark; below 1 they only show that they run (``make bench-smoke``)."""
BOOM_M = 36.0
NOZZLES = 72
SPEED_M_S = 5.0
PLANE = LocalPlane(-33.5, 149.2)


@dataclass(frozen=True)
class Drive:
    """What the stages before the grid hand over, and how it was made."""

    log: Log
    machine: Machine
    field: Field
    swath: Swath
    name: str


def receiver_error(epochs: int, rate_hz: float, sigma_m: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """(epochs, 2) error of both axes: slow (time constant 20 s), with a tenth of it white."""
    keep = np.exp(-1.0 / (20.0 * rate_hz))
    kick = rng.normal(0.0, sigma_m * np.sqrt(1 - keep**2), (epochs, 2))
    slow = np.empty_like(kick)
    state = rng.normal(0.0, sigma_m, 2)
    for k in range(epochs):
        state = keep * state + kick[k]
        slow[k] = state
    return slow + rng.normal(0.0, sigma_m / 10, (epochs, 2))


def make_drive(
    area_ha: float = 100.0, *, bearing_deg: float = 0.0, rate_hz: float = 10.0, sigma_m: float = 0.0, seed: int = 36
) -> Drive:
    """Drive a square field up and down on passes a little less than a boom apart.

    At either end of every pass the nozzles open and shut one after another along an edge at 45 degrees to the pass:
    at 5 m/s and 10 Hz one nozzle an epoch.

    Parameters
    ----------
    area_ha : float
    bearing_deg : float
        Direction of the passes; the field is turned with them.
    rate_hz : float
        Rows a second.
    sigma_m : float
        Receiver error, one axis. With an error the heading is left to be derived from the track.
    """
    side = float(np.sqrt(area_ha * 1e4))
    passes = int(np.ceil(side / BOOM_M))
    spacing = side / passes
    step = SPEED_M_S / rate_hz
    edges = np.linspace(-BOOM_M / 2, BOOM_M / 2, NOZZLES + 1)
    trim = (np.arange(NOZZLES) + 0.5) * BOOM_M / NOZZLES
    along = np.arange(-side / 2 - step, side / 2 + 1.5 * step, step)
    u, v, t, opened, way = [], [], [], [], []
    clock = 0.0
    for k in range(passes):
        sign = 1.0 if k % 2 == 0 else -1.0
        u.append(np.full(along.shape[0], -side / 2 + (k + 0.5) * spacing))
        v.append(sign * along)
        t.append(clock + np.arange(along.shape[0]) / rate_hz)
        opened.append((along[:, None] >= trim - side / 2) & (along[:, None] + step <= side / 2 - trim))
        opened[-1][-1] = False
        way.append(np.full(along.shape[0], bearing_deg if sign > 0 else bearing_deg + 180.0))
        clock = float(t[-1][-1]) + 20.0  # a turn that the log is silent about
    x_local, y_local = np.concatenate(u), np.concatenate(v)
    turn = np.deg2rad(bearing_deg)
    x = x_local * np.cos(turn) + y_local * np.sin(turn)
    y = -x_local * np.sin(turn) + y_local * np.cos(turn)
    if sigma_m > 0:
        error = receiver_error(x.shape[0], rate_hz, sigma_m, np.random.default_rng(seed))
        x, y = x + error[:, 0], y + error[:, 1]
    latitude, longitude = PLANE.inverse(x, y)
    n = x.shape[0]
    log = Log(
        time_s=1.7e9 + np.concatenate(t),
        latitude_deg=latitude,
        longitude_deg=longitude,
        state_kind="nozzle",
        state=np.vstack(opened),
        heading_deg=None if sigma_m > 0 else np.concatenate(way) % 360.0,
        rate_l_m2=np.full(n, 0.008),
        quality=LogQuality(n, n, (), (), (), 1.0 / rate_hz),
        inputs=(),
    )
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * side / 2
    ring = np.column_stack(
        (
            corners[:, 0] * np.cos(turn) + corners[:, 1] * np.sin(turn),
            -corners[:, 0] * np.sin(turn) + corners[:, 1] * np.cos(turn),
        )
    )
    field = Field("square", PLANE, shapely.Polygon(ring), shapely.Polygon(), "given", area_ha * 1e4)
    machine = Machine("36 m", Boom(edges, (NOZZLES,)))
    return Drive(
        log,
        machine,
        field,
        build_swath(log, machine, PLANE),
        f"{area_ha:g} ha at {bearing_deg:g} deg, {rate_hz:g} Hz, error {sigma_m:g} m",
    )
