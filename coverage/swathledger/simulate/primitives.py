"""Primitive drives of the boom's centre, exact to rounding; see :mod:`swathledger.simulate.closed_form`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swathledger.errors import InputError
from swathledger.simulate.path import Floats, PlanePath, forward_unit

START_S = 1_767_600_000.0
"""Time of the first row, UTC seconds since 1970 (2026-01-05T08:00:00Z)."""


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
