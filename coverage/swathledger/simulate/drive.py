"""A plan driven, sprayed and logged as a real machine would, with the truth kept beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from swathledger.errors import InputError
from swathledger.machine.machine import Machine
from swathledger.simulate.control import Controlled, Memory, run_sections
from swathledger.simulate.motion import Course, Motion, PlannedStop, Speeds, course_of, drive_motion
from swathledger.simulate.path import Floats
from swathledger.simulate.plan import DrivePlan
from swathledger.statistics import gauss_markov, streams

START_S = 1_767_600_000.0
"""Time of the first row, UTC seconds since 1970 (2026-01-05T08:00:00Z)."""
STREAMS = ("guidance", "gnss", "white", "operator", "rate", "gauge")


@dataclass(frozen=True, slots=True)
class DriveSettings:
    """How a plan is driven and logged.

    Attributes
    ----------
    rate_l_m2 : float
        Set rate.
    log_hz : float
        Rows a second.
    control : {"auto", "manual"}
        Section control by covered ground, or the whole boom by the operator's switch.
    off_when_covered, tolerance_m : float
        Of the section control.
    grid_m : float
        Cell of its memory.
    step_s : float
        Tick of the simulation: motion, control, flow.
    guidance_sigma_m, guidance_length_m : float
        The machine's weaving about the plan, sigma and correlation length.
    gnss_sigma_m : float or None
        Sigma of one axis of the logged positions; None: the machine's, else 0.02 m.
    gnss_time_s : float
        Correlation time of its slow part.
    gnss_white_share : float
        Share of its variance that is white.
    switch_on_s, switch_off_s : float
        Habit of the operator: mean time by which the master switch is late (negative: early).
    switch_spread_s : float
        Sigma about the habit.
    rate_sigma : float
        Relative sigma of the rate control (correlated over 8 s).
    charge_s : float
        Standing with all open before the start, the boom being charged; 0: none.
    charge_share : float
        Flow meanwhile, as a share of that at full width and speed.
    log_states : {"valve", "command"}
        Which states the log holds.
    start_s : float
        Time of the first row.
    """

    speeds: Speeds = field(default_factory=Speeds)
    rate_l_m2: float = 0.01
    log_hz: float = 1.0
    control: Literal["auto", "manual"] = "auto"
    off_when_covered: float = 1.0
    tolerance_m: float = 0.3
    grid_m: float = 0.25
    step_s: float = 0.2
    guidance_sigma_m: float = 0.03
    guidance_length_m: float = 25.0
    gnss_sigma_m: float | None = None
    gnss_time_s: float = 60.0
    gnss_white_share: float = 0.1
    switch_on_s: float = 0.0
    switch_off_s: float = 0.3
    switch_spread_s: float = 0.3
    rate_sigma: float = 0.02
    charge_s: float = 0.0
    charge_share: float = 0.5
    stops: tuple[PlannedStop, ...] = ()
    log_states: Literal["valve", "command"] = "valve"
    start_s: float = START_S
    seed: int = 1

    def __post_init__(self) -> None:
        for name in ("rate_l_m2", "log_hz", "grid_m", "step_s", "gnss_time_s", "guidance_length_m"):
            value = float(getattr(self, name))
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"{name} must be above 0, found {value}")
        ratio = 1.0 / (self.log_hz * self.step_s)
        if ratio < 1 - 1e-9 or abs(ratio - round(ratio)) > 1e-6:
            raise InputError(
                f"a log of {self.log_hz:g} rows a second does not fit ticks of {self.step_s:g} s",
                hint="Choose ticks that a row's step is a whole multiple of.",
            )
        if not 0 <= self.gnss_white_share <= 1:
            raise InputError(f"gnss_white_share must lie in 0..1, found {self.gnss_white_share}")


@dataclass(frozen=True, slots=True)
class Event:
    """Something out of the ordinary, seconds from the drive's start."""

    kind: str
    start_s: float
    end_s: float
    volume_l: float


@dataclass(frozen=True, slots=True)
class Driven:
    """The outcome: ticks of truth, and the rows that were logged.

    Attributes
    ----------
    motion : Motion
        True positions at every tick.
    control : Controlled
        Commands and true valve states at every tick.
    wanted : (n,) bool
        The operator's switch.
    flow_l_s, rate_l_m2 : (n,) float64
        True flow and rate.
    rows : (m,) int64
        Ticks that were logged.
    logged_x_m, logged_y_m, logged_heading_deg, logged_speed_m_s, logged_flow_l_s, logged_rate_l_m2 : (m,) float64
        As logged: antenna with the receiver's error; speed negative in reverse; flow as its mean until the next tick
        of the log, so that flow times time adds up to the true litres.
    logged_state : (m, k) bool
    volume_l : float
        Sum of ``flow_l_s`` over the drive.
    """

    settings: DriveSettings
    machine: Machine
    plan: DrivePlan
    motion: Motion
    control: Controlled
    wanted: NDArray[np.bool_]
    flow_l_s: Floats
    rate_l_m2: Floats
    rows: NDArray[np.int64]
    logged_x_m: Floats
    logged_y_m: Floats
    logged_heading_deg: Floats
    logged_speed_m_s: Floats
    logged_flow_l_s: Floats
    logged_rate_l_m2: Floats
    logged_state: NDArray[np.bool_]
    events: tuple[Event, ...]
    volume_l: float
    gnss_sigma_m: float

    @property
    def logged_time_s(self) -> Floats:
        """(m,) UTC seconds since 1970."""
        return self.settings.start_s + self.motion.time_s[self.rows]


def _master(course: Course, motion: Motion, settings: DriveSettings, rng: np.random.Generator) -> NDArray[np.bool_]:
    """The operator's switch at every tick: wanted stretches with each end early or late by habit."""
    # Section control minds exclusions by itself, so the operator leaves the switch on over them.
    asked = course.spray | (course.crossing & (settings.control == "auto"))
    here = np.clip(np.searchsorted(course.station_m, motion.station_m, side="right") - 1, 0, len(course.x_m) - 1)
    want = asked[here]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], want, [False]]).astype(np.int8)))
    out = np.zeros(len(want), dtype=np.bool_)
    shift = rng.normal(0.0, settings.switch_spread_s, size=(len(edges) // 2, 2))
    for k in range(len(edges) // 2):
        late_on = settings.switch_on_s + shift[k, 0]
        late_off = settings.switch_off_s + shift[k, 1]
        first = max(0, edges[2 * k] + round(late_on / settings.step_s))
        last = min(len(want), edges[2 * k + 1] + round(late_off / settings.step_s))
        out[first:last] = True
    return out & (motion.speed_m_s > 0.05) & ~motion.reverse


def drive(plan: DrivePlan, machine: Machine, target: BaseGeometry, settings: DriveSettings | None = None) -> Driven:
    """Drive a plan.

    Parameters
    ----------
    plan : DrivePlan
        Planned with the machine's width and its ``lag_m``.
    target : polygon(s), plane metres
        What the section control knows as ground to be treated.

    Returns
    -------
    Driven
        The same for the same arguments, to the last bit: every random number comes from ``settings.seed``.
    """
    s = DriveSettings() if settings is None else settings
    rng = streams(s.seed, STREAMS)
    course = course_of(plan, s.speeds)
    motion = drive_motion(
        plan,
        course,
        s.speeds,
        machine.antenna,
        machine.hitch,
        step_s=s.step_s,
        stops=s.stops,
        first_hold_s=s.charge_s,
        guidance_sigma_m=s.guidance_sigma_m,
        guidance_length_m=s.guidance_length_m,
        rng=rng["guidance"],
    )
    n = len(motion.time_s)
    sigma = s.gnss_sigma_m if s.gnss_sigma_m is not None else (machine.gnss_sigma_m or 0.02)
    slow = sigma * math.sqrt(1.0 - s.gnss_white_share)
    drift_x = gauss_markov(rng["gnss"], n, s.step_s, s.gnss_time_s, slow)
    drift_y = gauss_markov(rng["gnss"], n, s.step_s, s.gnss_time_s, slow)

    wanted = _master(course, motion, s, rng["operator"])
    control = run_sections(
        motion.boom_x_m + drift_x,
        motion.boom_y_m + drift_y,
        motion.boom_heading_deg,
        motion.speed_m_s,
        wanted,
        machine.boom,
        machine.valves,
        Memory.over(target, s.grid_m),
        step_s=s.step_s,
        off_when_covered=s.off_when_covered,
        tolerance_m=s.tolerance_m,
        automatic=s.control == "auto",
    )
    charging = motion.time_s < s.charge_s - 1e-9
    control.command[charging] = True
    control.valve[charging] = True
    edges = machine.boom.nozzle_edges_m[np.concatenate([[0], np.cumsum(machine.boom.sections)])]
    open_m = control.valve @ np.diff(edges)
    rate = s.rate_l_m2 * (1.0 + gauss_markov(rng["rate"], n, s.step_s, 8.0, s.rate_sigma))
    # A pump cannot go below some flow: under 0.8 m/s the dose rises.
    flow = rate * open_m * np.maximum(motion.speed_m_s, 0.8)
    flow[charging] = s.charge_share * s.rate_l_m2 * machine.boom.width_m * s.speeds.pass_m_s
    flow[-1] = 0.0

    stride = round(1.0 / (s.log_hz * s.step_s))
    every = np.arange(0, n, stride)
    silent = np.zeros(n, dtype=np.bool_)
    for _, start, end, gap in motion.holds:
        if gap and end - start > 12.0:
            silent |= (motion.time_s > start + 5.0) & (motion.time_s < end - 5.0)
    rows = every[~silent[every]]
    mean_flow = np.add.reduceat(flow, every)[~silent[every]] / stride
    white = sigma * math.sqrt(s.gnss_white_share) * rng["white"].standard_normal((2, len(every)))[:, ~silent[every]]
    gauge = rng["gauge"].standard_normal((2, len(every)))[:, ~silent[every]]
    speed = np.where(motion.reverse, -1.0, 1.0)[rows] * np.maximum(
        0.0, motion.speed_m_s[rows] + np.where(motion.speed_m_s[rows] > 0.1, 0.02 * gauge[0], 0.0)
    )
    states = control.valve if s.log_states == "valve" else control.command
    return Driven(
        settings=s,
        machine=machine,
        plan=plan,
        motion=motion,
        control=control,
        wanted=wanted,
        flow_l_s=flow,
        rate_l_m2=rate,
        rows=rows,
        logged_x_m=motion.antenna_x_m[rows] + drift_x[rows] + white[0],
        logged_y_m=motion.antenna_y_m[rows] + drift_y[rows] + white[1],
        logged_heading_deg=np.mod(motion.heading_deg[rows] + 0.2 * gauge[1], 360.0),
        logged_speed_m_s=speed,
        logged_flow_l_s=mean_flow,
        logged_rate_l_m2=np.where(states[rows].any(axis=1), rate[rows], 0.0),
        logged_state=states[rows],
        events=tuple(
            Event(kind, start, end, float(flow[(motion.time_s >= start) & (motion.time_s < end)].sum() * s.step_s))
            for kind, start, end, _ in motion.holds
        ),
        volume_l=float(flow.sum() * s.step_s),
        gnss_sigma_m=sigma,
    )
