"""Offsets, widths and controller from one drive: :func:`fit_setup`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger.fitted.carrier import LEVEL, Controller, Found, Setup
from swathledger.fitted.events import REACH_M, REACH_S, Events, find_events
from swathledger.fitted.likelihood import Draws, draw
from swathledger.fitted.lines import Lines, measure_lines
from swathledger.fitted.seen import look_along
from swathledger.log.log import Log
from swathledger.machine.machine import Machine, Valves
from swathledger.notes import Note
from swathledger.shutoff.layout import logged_layout
from swathledger.shutoff.replay import logged_open
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]

TIMING_S = 0.5
"""How well a machine file's net delays are taken to be known, one sigma, where offset and delay are told apart."""
LEAST_CROSSINGS = 6
LEAST_ALONE = 0.05
"""Share of switches at which not all sections moved together: below it, a hand moved the boom as one."""
UNKNOWN_RIGHT_M = 0.15
"""Sideways offset where passes do not tell it: nearly all receivers are meant to stand on the centre line."""
FASTEST_M_S = 8.0
SURE = 2.0
"""A margin or threshold is used where it lies this many standard errors from none."""


def fit_setup(
    log: Log, machine: Machine, swath: Swath, *, target: Polygon | MultiPolygon | None = None, tolerance_m: float = 0.1
) -> Setup:
    """Find offsets, spacing and the controller in a drive.

    Parameters
    ----------
    log, machine, swath
        Rows, machine file and the boom's poses by them.
    target : polygon, optional
        On the swath's plane. None: treated ground alone tells where sections had to switch.
    tolerance_m : float
        Gaps between treated ground narrower than twice this are taken for treated.

    Notes
    -----
    Geometry, headings and states alone are used. See docs/setup.md.
    """
    lines = measure_lines(swath)
    right = (0.0, UNKNOWN_RIGHT_M)
    if lines.right_m is not None and lines.right_error_m is not None and lines.right_error_m < 0.5:
        # edges of treated ground lie where the boom was, not where the file has it; what stays open is the error
        swath = _moved_left(swath, lines.right_m)
        right = (0.0, max(lines.right_error_m, 0.01))
    base = _base(machine, lines)
    layout = logged_layout(log, machine)
    if log.state_kind == "none" or swath.width_by_row:
        return _unknown(base, Note.of("fitted.no_states"), 0, lines)
    done = logged_open(swath, layout)
    near = REACH_M + REACH_S * FASTEST_M_S + 12.0
    looks = look_along(swath, layout.edges_m, done, target, tolerance_m, near)
    events = find_events(swath, looks, layout.edges_m, done, target)
    why = _too_little(events, layout.groups)
    if why is not None:
        return _unknown(base, why, events.seams, lines)
    valves = machine.valves
    expected = (valves.on_delay_s - valves.look_ahead_on_s, valves.off_delay_s - valves.look_ahead_off_s)
    return _setup(base, lines, events, draw(events, expected, right), expected)


def _moved_left(swath: Swath, by_m: float) -> Swath:
    """The boom moved to the left of its own heading."""
    return replace(swath, x_m=swath.x_m - by_m * swath.right_x, y_m=swath.y_m - by_m * swath.right_y)


def _base(machine: Machine, lines: Lines) -> Setup:
    hitch = machine.hitch
    right = machine.antenna.right_of_centre_m
    few = Note.of("fitted.no_neighbours")
    uneven = Note.of("fitted.uneven")
    return Setup(
        trailed=hitch is not None,
        file_ahead_m=machine.antenna.ahead_of_boom_m if hitch is None else hitch.hitch_to_boom_m,
        file_right_m=right,
        boom_m=machine.boom.width_m,
        ahead_m=Found(None),
        ahead_by_file_timing_m=Found(None),
        ahead_free_m=Found(None),
        right_m=_of_lines(
            lines.right_m,
            lines.right_error_m,
            right,
            lines,
            few if lines.pairs == 0 else uneven if lines.spacing_m is None else Note.of("fitted.one_sided"),
        ),
        spacing_m=_of_lines(lines.spacing_m, lines.spacing_error_m, 0.0, lines, few if lines.pairs == 0 else uneven),
        controller=None,
        mean_speed_m_s=None,
        switches=0,
        crossings=0,
        seams=0,
        pairs=lines.pairs,
        wander_m=lines.wander_m,
    )


def _of_lines(value: float | None, error: float | None, plus: float, lines: Lines, why: Note) -> Found:
    if value is None or error is None:
        return Found(None, why_not=why)
    at, half = value + plus, lines.factor * error
    return Found(at, error, at - half, at + half)


def _too_little(events: Events, groups: int) -> Note | None:
    """Why the switches cannot tell offset and timing; None where they can."""
    if events.switches == 0:
        return Note.of("fitted.never_switched")
    if groups == 1 or events.alone < LEAST_ALONE * events.switches:
        return Note.of("fitted.as_one")
    crossings = len(np.unique(events.crossing))
    if crossings < LEAST_CROSSINGS:
        return Note.of("fitted.few_seams", count=crossings)
    for side in (events.opens, ~events.opens):
        if len(np.unique(events.crossing[side])) < 2:
            return Note.of("fitted.one_way")
    return None


def _unknown(base: Setup, why: Note, seams: int, lines: Lines) -> Setup:
    nothing = Found(None, why_not=why)
    return Setup(
        base.trailed, base.file_ahead_m, base.file_right_m, base.boom_m, nothing, nothing, nothing, base.right_m,
        base.spacing_m, None, None, 0, 0, seams, lines.pairs, base.wander_m,
    )  # fmt: skip


def found(values: Floats, plus: float = 0.0) -> Found:
    """Mean, standard error and interval of draws."""
    low, high = np.quantile(values, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2])
    return Found(float(values.mean()) + plus, float(values.std()), float(low) + plus, float(high) + plus)


def _setup(base: Setup, lines: Lines, events: Events, draws: Draws, expected: tuple[float, float]) -> Setup:
    v = draws.mean_speed_m_s
    late = (draws.late_on_s - expected[0] + draws.late_off_s - expected[1]) / 2
    by_file = draws.behind_m + v * late
    spread = float(draws.spread_m.mean())
    return Setup(
        trailed=base.trailed,
        file_ahead_m=base.file_ahead_m,
        file_right_m=base.file_right_m,
        boom_m=base.boom_m,
        ahead_m=_held(draws.behind_m, late, base.file_ahead_m),
        ahead_by_file_timing_m=found(by_file, base.file_ahead_m),
        ahead_free_m=found(draws.behind_m, base.file_ahead_m),
        right_m=base.right_m,
        spacing_m=base.spacing_m,
        controller=Controller(
            found(draws.late_on_s),
            found(draws.late_off_s),
            found(draws.covered),
            found(draws.margin_m),
            found(draws.boundary_margin_m),
            spread / v if v > 0 else 0.0,
            float(draws.stray.mean()),
            *_on_poses(draws),
        ),
        mean_speed_m_s=v,
        switches=len(events),
        crossings=len(np.unique(events.crossing)),
        seams=events.seams,
        pairs=lines.pairs,
        wander_m=base.wander_m,
    )


def _held(behind: Floats, late: Floats, file_m: float) -> Found:
    """The offset with the mean net delay held to the file's within :data:`TIMING_S`, by the draws' own covariance."""
    sigma = TIMING_S / np.sqrt(2.0)
    cov = np.cov(behind, late)
    gain = cov[0, 1] / (cov[1, 1] + sigma**2)
    value = float(behind.mean() - gain * late.mean())
    error = float(np.sqrt(max(cov[0, 0] - gain * cov[0, 1], 0.0)))
    return Found(value + file_m, error, value + file_m - 1.645 * error, value + file_m + 1.645 * error)


def _on_poses(draws: Draws) -> tuple[Valves, float, float, Found, Found, Found]:
    """Net delays for the poses by the machine file, the margin and threshold that go with them, and their errors."""
    v = draws.mean_speed_m_s
    margin, error = float(np.median(draws.margin_m)), float(draws.margin_m.std())
    used = margin if abs(margin) > SURE * error and abs(margin) >= 0.1 else 0.0
    covered = float(np.median(draws.covered))
    # where nothing speaks for another threshold, a section shuts when wholly covered
    covered = covered if float(np.quantile(draws.covered, 0.95)) < 0.97 else 1.0
    if v <= 0:
        return Valves(), used, covered, Found(None), Found(None), Found(None)
    on = (draws.behind_m + v * draws.late_on_s - draws.margin_m) / v
    off = (draws.behind_m + v * draws.late_off_s + draws.margin_m) / v
    valves = valves_of(float(np.median(on)) + used / v, float(np.median(off)) - used / v)
    # nobody asks for gaps: what reads as a margin below nothing is delay
    asked = max(used, 0.0) / v
    on, off = on + asked, off - asked
    return valves, used, covered, found(on), found(off), found(off - on)


def valves_of(late_on_s: float, late_off_s: float) -> Valves:
    """Net delays as valves where they are late, and as look-ahead where they are early."""
    return Valves(
        on_delay_s=max(late_on_s, 0.0),
        off_delay_s=max(late_off_s, 0.0),
        look_ahead_on_s=max(-late_on_s, 0.0),
        look_ahead_off_s=max(-late_off_s, 0.0),
    )
