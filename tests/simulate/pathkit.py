"""Drives whose areas follow from geometry alone: no noise, no latency, exact positions.

``*_path`` functions give a :class:`PlanePath` of the BOOM's centre, which can be moved, rotated, mirrored, reversed in
time and joined; :func:`log_of` turns it into a log on a plane, :func:`log_from_path` bare arrays of the antenna.
States hold from a row's time to the next row's, so a strip that is sprayed from a to b has an open row at a and a shut
row exactly at b, whatever the logging step is. :func:`logged` and :func:`true_log` give the logs of a simulated drive.

Found through ``pythonpath`` in pyproject.toml.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.field.field import LocalPlane
from swathledger.log.log import Log, LogQuality, StateKind
from swathledger.machine.machine import Antenna
from swathledger.simulate.drive import START_S, Driven
from swathledger.simulate.path import Floats, exact_degrees, forward_unit, offset_point


@dataclass(frozen=True, slots=True)
class PlanePath:
    """Where the centre of a boom was, when, and what was open.

    Attributes
    ----------
    x_m, y_m : (n,) float64
        Boom centre, plane metres (x east, y north).
    time_s : (n,) float64
        Strictly increasing.
    heading_deg : (n,) float64
        True heading of the machine, degrees clockwise from north.
    state : (n, k) bool
        Open or shut, left to right; a row's state holds until the next row's time.
    """

    x_m: Floats
    y_m: Floats
    time_s: Floats
    heading_deg: Floats
    state: NDArray[np.bool_]

    def __post_init__(self) -> None:
        n = self.x_m.shape[0]
        if any(a.shape != (n,) for a in (self.y_m, self.time_s, self.heading_deg)) or self.state.shape[:1] != (n,):
            raise InputError("a path needs one y, time, heading and row of states for each x")
        if self.state.ndim != 2:
            raise InputError(f"states must be (rows, sections), found shape {self.state.shape}")
        if n > 1 and not bool(np.all(np.diff(self.time_s) > 0)):
            raise InputError("times of a path must increase strictly")

    def __len__(self) -> int:
        return int(self.x_m.shape[0])

    def moved(self, east_m: float, north_m: float) -> PlanePath:
        """The same drive elsewhere."""
        return replace(self, x_m=self.x_m + east_m, y_m=self.y_m + north_m)

    def rotated(self, clockwise_deg: float) -> PlanePath:
        """The same drive turned clockwise about the plane's origin."""
        angle = np.radians(clockwise_deg)
        c, s = np.cos(angle), np.sin(angle)
        return replace(
            self,
            x_m=c * self.x_m + s * self.y_m,
            y_m=c * self.y_m - s * self.x_m,
            heading_deg=np.mod(self.heading_deg + clockwise_deg, 360.0),
        )

    def mirrored(self) -> PlanePath:
        """The drive seen in a mirror standing on the y axis: left becomes right."""
        return replace(
            self, x_m=-self.x_m, heading_deg=np.mod(-self.heading_deg, 360.0), state=self.state[:, ::-1].copy()
        )

    def time_reversed(self) -> PlanePath:
        """The same ground driven from its end to its start, forwards.

        States hold from a row to the next, so they move by one row; the last row is shut. The machine faces the other
        way, so that left and right change places.
        """
        state = np.zeros_like(self.state)
        state[:-1] = self.state[:-1][::-1, ::-1]
        return PlanePath(
            x_m=self.x_m[::-1].copy(),
            y_m=self.y_m[::-1].copy(),
            time_s=(self.time_s[0] + self.time_s[-1] - self.time_s)[::-1].copy(),
            heading_deg=np.mod(self.heading_deg[::-1] + 180.0, 360.0),
            state=state,
        )

    def then(self, other: PlanePath, gap_s: float) -> PlanePath:
        """Join this drive and, ``gap_s`` after its last row, another (whose own times are shifted)."""
        if gap_s <= 0:
            raise InputError(f"the time between two paths must be above 0 s, found {gap_s}")
        shift = self.time_s[-1] + gap_s - other.time_s[0]
        return PlanePath(
            x_m=np.concatenate([self.x_m, other.x_m]),
            y_m=np.concatenate([self.y_m, other.y_m]),
            time_s=np.concatenate([self.time_s, other.time_s + shift]),
            heading_deg=np.concatenate([self.heading_deg, other.heading_deg]),
            state=np.concatenate([self.state, other.state]),
        )

    def antenna_xy(self, antenna: Antenna) -> tuple[Floats, Floats]:
        """Where a rigidly mounted antenna was."""
        return offset_point(self.x_m, self.y_m, self.heading_deg, antenna.ahead_of_boom_m, antenna.right_of_centre_m)


def _stations(first: float, last: float, step: float, extra: Sequence[float] = ()) -> Floats:
    """Stations every ``step`` from first to last, both ends and ``extra`` hit exactly (under 1 um apart they merge)."""
    regular = np.arange(first, last, step)
    wanted = np.array([first, last, *(e for e in extra if first < e < last)])
    near = np.min(np.abs(regular[:, None] - wanted[None, :]), axis=1) < 1e-6
    return np.unique(np.concatenate([regular[~near], wanted]))


def line_path(
    on_m: Sequence[float],
    off_m: Sequence[float],
    *,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
    lead_m: float = 0.0,
    speed_m_s: float = 5.0,
    step_s: float = 1.0,
    start_s: float = START_S,
) -> PlanePath:
    """One straight line on which each section has its own on and off station.

    Parameters
    ----------
    on_m, off_m : sequences of k floats
        Station (metres along the line from ``origin``) where section i opens and shuts. ``off <= on``: stays shut.
    lead_m : float
        Length driven shut before the first on and after the last off.

    Returns
    -------
    PlanePath
        A row at every step and exactly at every switch.
    """
    on, off = np.asarray(on_m, dtype=np.float64), np.asarray(off_m, dtype=np.float64)
    if on.shape != off.shape or on.ndim != 1 or on.size == 0:
        raise InputError("on_m and off_m need one station for each section")
    first, last = float(on.min()) - lead_m, float(off.max()) + lead_m
    if last <= first:
        raise InputError("the line has no length")
    s = _stations(first, last, speed_m_s * step_s, [*on.tolist(), *off.tolist()])
    east, north = forward_unit(np.float64(bearing_deg))  # type: ignore[arg-type]  # a 0-d value is fine here
    return PlanePath(
        x_m=origin[0] + s * east,
        y_m=origin[1] + s * north,
        time_s=start_s + (s - first) / speed_m_s,
        heading_deg=np.full(s.shape, np.mod(bearing_deg, 360.0)),
        # Half-open and with a whisker of slack, since a station is hit exactly or not at all.
        state=(s[:, None] >= on[None, :] - 1e-9) & (s[:, None] < off[None, :] - 1e-9),
    )


def passes_path(
    n_passes: int,
    length_m: float,
    spacing_m: float,
    *,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
    n_states: int = 1,
    alternate: bool = True,
    turn: str = "gap",
    gap_s: float = 120.0,
    lead_m: float = 20.0,
    speed_m_s: float = 5.0,
    step_s: float = 1.0,
) -> PlanePath:
    """Parallel straight passes, each sprayed over exactly ``length_m``, side by side to the right of the first.

    With boom width W, neighbours overlap by ``W - spacing_m`` (negative: a gap of that width), so that the sprayed
    area is ``n W L`` and the overlap ``(n - 1) (W - spacing) L``.

    Parameters
    ----------
    n_passes : int
    length_m, spacing_m : float
        Sprayed length of each pass; distance between neighbouring centre lines (0: the same strip again).
    bearing_deg : float
        Of the first pass; ``alternate`` drives every second one the other way.
    origin : (float, float)
        Boom centre where the first pass starts, plane metres.
    turn : {"gap", "drive"}
        ``"gap"``: nothing is logged for ``gap_s`` between passes. ``"drive"``: the turn is logged with the boom shut
        (a half circle of ``spacing / 2``; needs ``alternate`` and spacing > 0).
    lead_m : float
        Length driven shut before and after each pass.
    """
    if turn not in {"gap", "drive"}:
        raise InputError(f"turn must be 'gap' or 'drive', found {turn!r}")
    if turn == "drive" and not (alternate and spacing_m > 0):
        raise InputError("turns can be driven only between alternating passes with spacing above 0")
    whole: PlanePath | None = None
    for i in range(n_passes):
        forth = not alternate or i % 2 == 0
        # Built along north from (0, 0), first pass at x = 0; the whole is rotated and moved at the end.
        part = line_path(
            [0.0] * n_states,
            [length_m] * n_states,
            bearing_deg=0.0 if forth else 180.0,
            origin=(i * spacing_m, 0.0 if forth else length_m),
            lead_m=lead_m,
            speed_m_s=speed_m_s,
            step_s=step_s,
        )
        if whole is None:
            whole = part
            continue
        if turn == "drive":
            whole = _half_turn(whole, spacing_m / 2.0, clockwise=i % 2 == 1, speed_m_s=speed_m_s, step_s=step_s)
            whole = whole.then(part, step_s)
        else:
            whole = whole.then(part, gap_s)
    if whole is None:
        raise InputError(f"at least one pass is needed, found {n_passes}")
    return whole.rotated(bearing_deg).moved(*origin)


def _half_turn(path: PlanePath, radius_m: float, *, clockwise: bool, speed_m_s: float, step_s: float) -> PlanePath:
    """``path`` with a half circle (shut) after it; its last row is left out, since the next pass starts there."""
    steps = max(3, round(np.pi * radius_m / (speed_m_s * step_s)))
    side = 1.0 if clockwise else -1.0
    turned = side * np.linspace(0.0, 180.0, steps + 1)[1:-1]
    h0 = path.heading_deg[-1]
    right_e, right_n = forward_unit(np.asarray([h0 + side * 90.0]))
    cx, cy = path.x_m[-1] + radius_m * right_e, path.y_m[-1] + radius_m * right_n
    out_e, out_n = forward_unit(h0 + turned - side * 90.0)
    arc = PlanePath(
        x_m=cx + radius_m * out_e,
        y_m=cy + radius_m * out_n,
        time_s=step_s * np.arange(1, steps, dtype=np.float64),
        heading_deg=np.mod(h0 + turned, 360.0),
        state=np.zeros((steps - 1, path.state.shape[1]), dtype=np.bool_),
    )
    return path.then(arc, step_s)


def arc_path(
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
) -> PlanePath:
    """A circular arc of the boom centre, sprayed over ``sweep_deg``, logged once every ``step_s``.

    A boom of width W sweeps ``sweep (in radians) x R x W`` while ``R >= W / 2``.

    Parameters
    ----------
    radius_m : float
        Of the boom centre's path.
    start_bearing_deg : float
        Direction from the circle's centre to the place where spraying starts, degrees clockwise from north.
    warm_up_deg : float
        Arc driven shut before that place (lets a trailed boom settle).
    """
    if radius_m <= 0 or sweep_deg <= 0:
        raise InputError("an arc needs a radius and a sweep above 0")
    side = 1.0 if clockwise else -1.0
    step_deg = float(np.degrees(speed_m_s * step_s / radius_m))
    angle = _stations(-warm_up_deg, sweep_deg, step_deg, [0.0])
    position = start_bearing_deg + side * angle
    east, north = forward_unit(position)
    return PlanePath(
        x_m=centre[0] + radius_m * east,
        y_m=centre[1] + radius_m * north,
        time_s=START_S + np.radians(angle + warm_up_deg) * radius_m / speed_m_s,
        heading_deg=np.mod(position + side * 90.0, 360.0),
        state=np.repeat(((angle >= -1e-12) & (angle < sweep_deg - 1e-12))[:, None], n_states, axis=1),
    )


def standing_path(
    stand_s: float,
    *,
    lead_m: float = 50.0,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
    n_states: int = 1,
    spray_leads: bool = False,
    speed_m_s: float = 5.0,
    step_s: float = 1.0,
) -> PlanePath:
    """Drive up shut, stand with everything open for ``stand_s`` (a boom being charged), drive on shut.

    The boom stands at ``origin``. ``spray_leads`` True sprays the drive up and on as well: ``2 x lead x W`` of swath
    and nothing for the stand.
    """
    if stand_s <= 0:
        raise InputError(f"the stand must last above 0 s, found {stand_s}")
    up = _stations(-lead_m, 0.0, speed_m_s * step_s)
    stand_t = _stations(0.0, stand_s, step_s)[1:]
    s = np.concatenate([up, np.zeros(stand_t.shape), -up[::-1][1:]])
    t_stand = lead_m / speed_m_s
    time = np.concatenate([t_stand + up / speed_m_s, t_stand + stand_t, t_stand + stand_s - up[::-1][1:] / speed_m_s])
    open_ = (time >= t_stand - 1e-9) & (time < t_stand + stand_s - 1e-9)
    if spray_leads:
        open_ = time < time[-1]
    east, north = forward_unit(np.full(s.shape, bearing_deg))
    return PlanePath(
        x_m=origin[0] + s * east,
        y_m=origin[1] + s * north,
        time_s=START_S + time,
        heading_deg=np.full(s.shape, np.mod(bearing_deg, 360.0)),
        state=np.repeat(open_[:, None], n_states, axis=1),
    )


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
    latitude, longitude = exact_degrees(plane, x_m, y_m)
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
    path: PlanePath, plane: LocalPlane, *, antenna: Antenna | None = None, log_heading: bool = True, **columns: Any
) -> Log:
    """The log that an antenna mounted at ``antenna`` (default: on the boom's centre) records of a boom path.

    ``log_heading`` False leaves headings out, as most real logs do; ``columns`` as in :func:`log_from_path`.
    """
    x, y = path.antenna_xy(antenna or Antenna())
    heading = path.heading_deg if log_heading else None
    return log_from_path(x, y, path.time_s, plane, path.state, heading_deg=heading, **columns)


def standing(plane: LocalPlane, stand_s: float, *, flow_open_l_s: float, **path: Any) -> Log:
    """:func:`standing_path` as a log; ``flow_open_l_s`` is logged while anything is open, 0 otherwise."""
    stood = standing_path(stand_s, **path)
    return log_of(stood, plane, flow_l_s=np.where(stood.state.any(axis=1), flow_open_l_s, 0.0))


def logged(driven: Driven, plane: LocalPlane) -> Log:
    """The log that a simulated machine kept."""
    return log_from_path(
        driven.logged_x_m, driven.logged_y_m, driven.logged_time_s, plane, driven.logged_state,
        heading_deg=driven.logged_heading_deg, speed_m_s=driven.logged_speed_m_s, rate_l_m2=driven.logged_rate_l_m2,
        flow_l_s=driven.logged_flow_l_s, gnss_sigma_m=driven.gnss_sigma_m,
    )  # fmt: skip


def true_log(driven: Driven, plane: LocalPlane) -> Log:
    """The log that a perfect machine would have kept: every tick, true antenna, true valves."""
    m = driven.motion
    return log_from_path(
        m.antenna_x_m, m.antenna_y_m, driven.settings.start_s + m.time_s, plane, driven.control.valve,
        heading_deg=m.heading_deg, speed_m_s=np.where(m.reverse, -m.speed_m_s, m.speed_m_s),
        rate_l_m2=driven.rate_l_m2, flow_l_s=driven.flow_l_s,
    )  # fmt: skip
