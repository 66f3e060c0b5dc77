"""Primitive drives whose areas follow from geometry alone: no noise, no latency, exact positions.

Two layers. ``*_path`` functions give a :class:`~swathledger.simulate.path.PlanePath` of the BOOM centre, which can be
moved, rotated, mirrored, reversed in time and joined; :func:`log_of` (or :func:`log_from_path` from bare arrays) turns
it into a :class:`~swathledger.log.log.Log` on a plane. The functions without ``_path`` do both at once.

States hold from a row's time to the next row's, so a strip that is sprayed from a to b has an open row at a and a shut
row exactly at b, whatever the logging step is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.log.log import Log, LogQuality, StateKind
from swathledger.machine.machine import Antenna
from swathledger.simulate.path import Floats, PlanePath, to_degrees
from swathledger.simulate.primitives import START_S, arc_path, line_path, passes_path, standing_path

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane

__all__ = [
    "START_S",
    "arc_path",
    "circle",
    "line_path",
    "log_from_path",
    "log_of",
    "passes_path",
    "standing",
    "standing_path",
    "straight_passes",
]


def _column(value: float | Floats | None, n: int) -> Floats | None:
    return None if value is None else np.broadcast_to(np.asarray(value, dtype=np.float64), (n,)).copy()


def log_from_path(
    x_m: Floats,
    y_m: Floats,
    time_s: Floats,
    plane: LocalPlane,
    state: NDArray[np.bool_],
    *,
    state_kind: StateKind = "section",
    heading_deg: float | Floats | None = None,
    speed_m_s: float | Floats | None = None,
    rate_l_m2: float | Floats | None = None,
    flow_l_s: float | Floats | None = None,
    working_width_m: float | Floats | None = None,
    product: str | None = None,
    gnss_sigma_m: float | None = None,
) -> Log:
    """A log from ANTENNA positions on a plane.

    Parameters
    ----------
    x_m, y_m : (n,) float64
        Antenna, plane metres.
    time_s : (n,) float64
        Strictly increasing, UTC seconds since 1970.
    plane : LocalPlane
        Projection to invert.
    state : (n, k) or (n,) bool
        Open or shut, left to right looking forward.
    heading_deg, speed_m_s, rate_l_m2, flow_l_s, working_width_m : float or (n,) float64, optional
        Logged columns; a single number stands for every row.

    Returns
    -------
    Log
    """
    n = int(x_m.shape[0])
    states = np.asarray(state, dtype=np.bool_)
    if states.ndim == 1:
        states = states[:, None]
    latitude, longitude = to_degrees(plane, x_m, y_m)
    steps = np.diff(time_s)
    return Log(
        time_s=np.asarray(time_s, dtype=np.float64),
        latitude_deg=latitude,
        longitude_deg=longitude,
        state_kind=state_kind,
        state=states,
        heading_deg=_column(heading_deg, n),
        speed_m_s=_column(speed_m_s, n),
        rate_l_m2=_column(rate_l_m2, n),
        flow_l_s=_column(flow_l_s, n),
        working_width_m=_column(working_width_m, n),
        product=None if product is None else (product,) * n,
        inputs=(),
        quality=LogQuality(
            epochs=n,
            used=n,
            set_aside=(),
            columns_understood=(),
            columns_ignored=(),
            median_step_s=float(np.median(steps)) if n > 1 else 0.0,
            gnss_sigma_m=gnss_sigma_m,
        ),
    )


def log_of(
    path: PlanePath,
    plane: LocalPlane,
    *,
    antenna: Antenna | None = None,
    state_kind: StateKind = "section",
    log_heading: bool = True,
    speed_m_s: float | Floats | None = None,
    rate_l_m2: float | Floats | None = None,
    flow_l_s: float | Floats | None = None,
    working_width_m: float | Floats | None = None,
    product: str | None = None,
    gnss_sigma_m: float | None = None,
) -> Log:
    """The log that an antenna mounted at ``antenna`` (default: on the boom's centre) records of a boom path.

    ``log_heading`` False leaves headings out, as most real logs do.
    """
    x, y = path.antenna_xy(Antenna() if antenna is None else antenna)
    return log_from_path(
        x,
        y,
        path.time_s,
        plane,
        path.state,
        state_kind=state_kind,
        heading_deg=path.heading_deg if log_heading else None,
        speed_m_s=speed_m_s,
        rate_l_m2=rate_l_m2,
        flow_l_s=flow_l_s,
        working_width_m=working_width_m,
        product=product,
        gnss_sigma_m=gnss_sigma_m,
    )


def straight_passes(
    plane: LocalPlane,
    n_passes: int,
    length_m: float,
    spacing_m: float,
    *,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
    n_states: int = 1,
    alternate: bool = True,
    turn: str = "gap",
    lead_m: float = 20.0,
    speed_m_s: float = 5.0,
    step_s: float = 1.0,
    antenna: Antenna | None = None,
    state_kind: StateKind = "section",
    log_heading: bool = True,
    rate_l_m2: float | None = None,
    flow_l_s: float | Floats | None = None,
) -> Log:
    """:func:`passes_path` as a log; see there."""
    path = passes_path(
        n_passes,
        length_m,
        spacing_m,
        bearing_deg=bearing_deg,
        origin=origin,
        n_states=n_states,
        alternate=alternate,
        turn=turn,
        lead_m=lead_m,
        speed_m_s=speed_m_s,
        step_s=step_s,
    )
    return log_of(
        path, plane, antenna=antenna, state_kind=state_kind, log_heading=log_heading, rate_l_m2=rate_l_m2,
        flow_l_s=flow_l_s,
    )  # fmt: skip


def circle(
    plane: LocalPlane,
    radius_m: float,
    *,
    sweep_deg: float = 360.0,
    clockwise: bool = True,
    centre: tuple[float, float] = (0.0, 0.0),
    start_bearing_deg: float = 0.0,
    warm_up_deg: float = 0.0,
    n_states: int = 1,
    speed_m_s: float = 5.0,
    step_s: float = 1.0,
    antenna: Antenna | None = None,
    state_kind: StateKind = "section",
    log_heading: bool = True,
    rate_l_m2: float | None = None,
    flow_l_s: float | Floats | None = None,
) -> Log:
    """:func:`arc_path` as a log; see there.

    For a trailed machine give the TRACTOR's antenna circle as ``radius_m`` (antenna None) and a ``warm_up_deg`` of
    some turns: the boom settles on ``sqrt(R^2 + a^2 - b^2)``, a and b being antenna to hitch and hitch to boom.
    """
    path = arc_path(
        radius_m,
        sweep_deg=sweep_deg,
        clockwise=clockwise,
        centre=centre,
        start_bearing_deg=start_bearing_deg,
        warm_up_deg=warm_up_deg,
        n_states=n_states,
        speed_m_s=speed_m_s,
        step_s=step_s,
    )
    return log_of(
        path, plane, antenna=antenna, state_kind=state_kind, log_heading=log_heading, rate_l_m2=rate_l_m2,
        flow_l_s=flow_l_s,
    )  # fmt: skip


def standing(
    plane: LocalPlane,
    stand_s: float,
    *,
    lead_m: float = 50.0,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
    n_states: int = 1,
    spray_leads: bool = False,
    speed_m_s: float = 5.0,
    antenna: Antenna | None = None,
    rate_l_m2: float | None = None,
    flow_open_l_s: float | None = None,
) -> Log:
    """:func:`standing_path` as a log; ``flow_open_l_s`` is logged while anything is open, 0 otherwise."""
    path = standing_path(
        stand_s,
        lead_m=lead_m,
        bearing_deg=bearing_deg,
        origin=origin,
        n_states=n_states,
        spray_leads=spray_leads,
        speed_m_s=speed_m_s,
    )
    flow = None if flow_open_l_s is None else np.where(path.state.any(axis=1), flow_open_l_s, 0.0)
    return log_of(path, plane, antenna=antenna, rate_l_m2=rate_l_m2, flow_l_s=flow)
