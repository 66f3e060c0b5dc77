"""A plan driven in time: speeds, stops, weaving, and where antenna and boom go."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.machine.machine import Antenna, Hitch
from swathledger.simulate.path import Floats, forward_unit, offset_point
from swathledger.simulate.plan import DrivePlan
from swathledger.statistics import smooth_along
from swathledger.swath.pose import trailed_heading

#: Below this mean speed a step of the path would take for ever.
_CRAWL_M_S = 0.2


@dataclass(frozen=True, slots=True)
class PlannedStop:
    """The machine stands for a while at a station of the path, boom shut.

    Attributes
    ----------
    station_m : float
        Along the whole drive.
    log_gap : bool
        Whether the log falls silent meanwhile (from 5 s after the halt to 5 s before the start).
    kind : str
        Told in the truth.
    """

    station_m: float
    duration_s: float
    log_gap: bool = True
    kind: str = "stop"


@dataclass(frozen=True, slots=True)
class Speeds:
    """How fast a machine is driven.

    Attributes
    ----------
    pass_m_s : float
        On passes.
    lap_share, transport_share : float
        Laps and transport, as shares of it.
    lateral_m_s2, gain_m_s2, brake_m_s2 : float
        Greatest acceleration sideways (limits turns), forwards, and of braking.
    """

    pass_m_s: float = 5.0
    lap_share: float = 0.85
    transport_share: float = 1.0
    reverse_m_s: float = 1.5
    lateral_m_s2: float = 0.9
    gain_m_s2: float = 0.5
    brake_m_s2: float = 0.7

    def __post_init__(self) -> None:
        for item in fields(self):
            value = float(getattr(self, item.name))
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"{item.name} must be above 0, found {value}")


@dataclass(frozen=True, slots=True)
class Motion:
    """Where the machine truly is at evenly spaced ticks.

    Attributes
    ----------
    time_s : (n,) float64
        From 0.
    station_m : (n,) float64
        Along the driven path.
    speed_m_s : (n,) float64
        Of the guided point, never negative; ``reverse`` tells the direction.
    reverse : (n,) bool
    heading_deg : (n,) float64
        Of the body that carries the antenna.
    antenna_x_m, antenna_y_m, boom_x_m, boom_y_m, boom_heading_deg : (n,) float64
    holds : tuple of (kind, start_s, end_s, log_gap)
    """

    time_s: Floats
    station_m: Floats
    speed_m_s: Floats
    reverse: NDArray[np.bool_]
    heading_deg: Floats
    antenna_x_m: Floats
    antenna_y_m: Floats
    boom_x_m: Floats
    boom_y_m: Floats
    boom_heading_deg: Floats
    holds: tuple[tuple[str, float, float, bool], ...]


@dataclass(frozen=True, slots=True)
class Course:
    """The plan's segments end to end: one row a point, flags of the step that starts there, time stood at it."""

    x_m: Floats
    y_m: Floats
    heading_deg: Floats
    station_m: Floats
    spray: NDArray[np.bool_]
    crossing: NDArray[np.bool_]
    reverse: NDArray[np.bool_]
    limit_m_s: Floats
    hold_s: Floats


def course_of(plan: DrivePlan, speeds: Speeds) -> Course:
    """String the plan's segments together (shared end points once) and set the speed that each step allows."""
    by_kind = {
        "lap": speeds.lap_share, "pass": 1.0, "crossing": 1.0, "tidy": 0.6, "turn": 1.0,
        "transport": speeds.transport_share, "refill": 1.0,
    }  # fmt: skip
    xs: list[float] = []
    ys: list[float] = []
    hs: list[float] = []
    hold: list[float] = []
    owners: list[int] = []
    for k, seg in enumerate(plan.segments):
        if len(seg.x_m) == 1:
            hold[-1] += seg.hold_s
            continue
        shared = bool(xs) and math.hypot(seg.x_m[0] - xs[-1], seg.y_m[0] - ys[-1]) < 1e-6
        if shared:  # the step that starts at the shared point is this segment's
            owners.pop()
        for held, values in ((xs, seg.x_m), (ys, seg.y_m), (hs, seg.heading_deg)):
            held.extend(values[int(shared) :].tolist())
        hold += [0.0] * (len(xs) - len(hold))
        hold[-1] += seg.hold_s
        owners += [k] * len(seg.x_m)
    # A step of no length goes, with the flags of the point it starts at; the time stood there passes to its end.
    apart = np.hypot(np.diff(xs), np.diff(ys)) > 1e-6
    keep = np.concatenate([apart, [True]])
    for i in np.flatnonzero(~apart):
        hold[i + 1] += hold[i]
    x, y = np.array(xs)[keep], np.array(ys)[keep]
    heading = np.degrees(np.unwrap(np.radians(np.array(hs)[keep])))
    station = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    # Curvature over a window of some metres, since it jumps where an arc begins.
    reach = 2
    bend = np.abs(np.radians(heading[2 * reach :] - heading[: -2 * reach]))
    span = np.maximum(station[2 * reach :] - station[: -2 * reach], 0.5)
    curvature = np.zeros(len(x))
    curvature[reach:-reach] = bend / span
    by_turn = np.sqrt(speeds.lateral_m_s2 / np.maximum(curvature, 1e-6))
    owner = np.array(owners, dtype=np.int64)[keep]
    allowed = [speeds.reverse_m_s if g.reverse else speeds.pass_m_s * by_kind[g.kind] for g in plan.segments]
    return Course(
        x_m=x,
        y_m=y,
        heading_deg=heading,
        station_m=station,
        spray=np.array([g.spray for g in plan.segments])[owner],
        crossing=np.array([g.kind == "crossing" for g in plan.segments])[owner],
        reverse=np.array([g.reverse for g in plan.segments])[owner],
        limit_m_s=np.minimum(np.array(allowed)[owner], np.maximum(by_turn, 1.0)),
        hold_s=np.array(hold)[keep],
    )


def speed_profile(course: Course, speeds: Speeds, halts: NDArray[np.bool_]) -> Floats:
    """Speed at each point: under every limit, 0 at halts, within the accelerations (``v^2 = v0^2 + 2 a ds``)."""
    v2 = course.limit_m_s**2
    step_limit = np.minimum(v2, np.concatenate([v2[:1], v2[:-1]]))  # a point obeys the steps on both its sides
    step_limit[halts] = 0.0
    step_limit[[0, -1]] = 0.0
    ds = np.diff(course.station_m)
    out = step_limit.tolist()
    for i in range(1, len(out)):
        out[i] = min(out[i], out[i - 1] + 2 * speeds.gain_m_s2 * ds[i - 1])
    for i in range(len(out) - 2, -1, -1):
        out[i] = min(out[i], out[i + 1] + 2 * speeds.brake_m_s2 * ds[i])
    return np.asarray(np.sqrt(np.array(out)), dtype=np.float64)


def trail(
    hitch_x_m: Floats, hitch_y_m: Floats, hitch_to_boom_m: float, first_heading_deg: float
) -> tuple[Floats, Floats, Floats]:
    """Boom centre and boom heading behind a moving hitch.

    A turn is a chain of straight steps, see :func:`swathledger.swath.pose.trailed_heading`.

    Returns
    -------
    x_m, y_m, heading_deg : (n,) float64
    """
    dx, dy = np.diff(hitch_x_m), np.diff(hitch_y_m)
    ds = np.hypot(dx, dy)
    alpha = np.arctan2(dx, dy)  # headings: clockwise from north
    decay = np.exp(-ds / hitch_to_boom_m)
    psi = [math.radians(first_heading_deg)]
    for i in range(len(ds)):
        if ds[i] == 0.0:
            psi.append(psi[-1])
            continue
        # Just short of a half turn: a drawbar pushed exactly backwards would stay so for ever.
        phi = min(max(math.remainder(psi[-1] - alpha[i], 2 * math.pi), -3.1), 3.1)
        psi.append(trailed_heading(alpha[i] + phi, alpha[i], decay[i]))
    heading = np.degrees(np.unwrap(np.array(psi)))
    east, north = forward_unit(heading)
    return hitch_x_m - hitch_to_boom_m * east, hitch_y_m - hitch_to_boom_m * north, heading


def drive_motion(
    plan: DrivePlan,
    course: Course,
    speeds: Speeds,
    antenna: Antenna,
    hitch: Hitch | None,
    *,
    step_s: float,
    stops: tuple[PlannedStop, ...] = (),
    first_hold_s: float = 0.0,
    guidance_sigma_m: float = 0.0,
    guidance_length_m: float = 25.0,
    rng: np.random.Generator | None = None,
) -> Motion:
    """Drive a course: positions at every ``step_s``, weaving about the plan by the guidance error."""
    n = len(course.x_m)
    hold = course.hold_s.copy()
    log_gap = {int(i): True for i in np.flatnonzero(hold)}
    kinds = {int(i): "refill" for i in np.flatnonzero(hold)}
    for stop in stops:
        at = int(np.argmin(np.abs(course.station_m - stop.station_m)))
        hold[at] += stop.duration_s
        kinds[at], log_gap[at] = stop.kind, stop.log_gap
    if first_hold_s > 0:
        hold[0] += first_hold_s
        kinds[0], log_gap[0] = "boom_charge", False
    halts = hold > 0
    turned = np.flatnonzero(course.reverse[1:] != course.reverse[:-1]) + 1
    halts[turned] = True
    hold[turned] = np.maximum(hold[turned], 1.5)  # time to change direction
    speed = speed_profile(course, speeds, halts)
    pace = np.maximum((speed[1:] + speed[:-1]) / 2, _CRAWL_M_S)
    arrive = np.concatenate([[0.0], np.cumsum(np.diff(course.station_m) / pace + hold[:-1])])
    leave = arrive + hold
    # Two knots a point: when it is reached and when it is left.
    knot_t = np.column_stack([arrive, leave]).ravel()
    knot_s = np.repeat(course.station_m, 2)
    knot_v = np.repeat(speed, 2)
    t = np.arange(0.0, leave[-1] + step_s / 2, step_s)
    station = np.interp(t, knot_t, knot_s)
    v = np.interp(t, knot_t, knot_v)

    weave, slope = np.zeros(n), np.zeros(n)
    if guidance_sigma_m > 0 and rng is not None:
        regular = np.arange(0.0, course.station_m[-1] + 2.0, 1.0)
        series = smooth_along(rng, len(regular), 1.0, guidance_length_m, guidance_sigma_m)
        weave = np.interp(course.station_m, regular, series)
        slope = np.interp(course.station_m, regular, np.gradient(series, 1.0))
    east, north = forward_unit(course.heading_deg)
    # Driven backwards, a weave to the right turns the machine's nose the other way.
    sway = np.degrees(slope) * np.where(course.reverse, -1.0, 1.0)
    px, py = course.x_m + weave * north, course.y_m - weave * east
    heading_points = course.heading_deg + sway
    x, y = np.interp(station, course.station_m, px), np.interp(station, course.station_m, py)
    heading = np.interp(station, course.station_m, heading_points)
    here = np.clip(np.searchsorted(course.station_m, station, side="right") - 1, 0, n - 1)
    if hitch is None:
        boom_x, boom_y, boom_heading = x, y, heading
        ant_x, ant_y = offset_point(x, y, heading, antenna.ahead_of_boom_m, antenna.right_of_centre_m)
    else:
        ant_x, ant_y = offset_point(x, y, heading, 0.0, antenna.right_of_centre_m)
        hx, hy = offset_point(x, y, heading, -hitch.antenna_to_hitch_m, 0.0)
        boom_x, boom_y, boom_heading = trail(hx, hy, hitch.hitch_to_boom_m, float(heading[0]))
    return Motion(
        time_s=t,
        station_m=station,
        speed_m_s=v,
        reverse=course.reverse[here] & (v > 0),
        heading_deg=np.mod(heading, 360.0),
        antenna_x_m=ant_x,
        antenna_y_m=ant_y,
        boom_x_m=boom_x,
        boom_y_m=boom_y,
        boom_heading_deg=np.mod(boom_heading, 360.0),
        holds=tuple((kinds[i], float(arrive[i]), float(leave[i]), log_gap[i]) for i in sorted(kinds)),
    )
