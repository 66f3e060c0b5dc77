"""The switch somewhere between two rows: draws from what the events leave open of a controller's settings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.fitted.events import REACH_M, REACH_S, Events
from swathledger.fitted.posterior import (
    BEYOND,
    COUNT,
    COVERED,
    LATE_OFF,
    LATE_ON,
    OFF,
    ON,
    RIGHT,
    SPREAD,
    STRAY,
    Nodes,
    Prior,
    Switched,
    walk,
)

Floats = NDArray[np.float64]

LATE_SIGMA_S = 1.5
MARGIN_SIGMA_M = 0.5
LEAST_COVERED, WHOLLY = 0.3, 0.35
"""Shares covered are taken alike from the first to 1, and 1 itself has half as much again."""
SPREAD_M, SPREAD_LOG_SIGMA = 0.25, 1.0
LEAST_SPREAD_M = 0.02
STRAY_LOGIT, STRAY_SIGMA = -3.0, 1.0
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
NODES = Nodes(_POINTS, _WEIGHTS / _WEIGHTS.sum())
WARM, DRAWS, THIN = 3600, 8000, 4


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws from what the events leave open of a controller, in the file's terms.

    Attributes
    ----------
    behind_m : (d,) float64
        How much farther the antenna is ahead of the boom than the machine file says.
    late_on_s, late_off_s : (d,) float64
        Net delays: valve less look-ahead.
    margin_m, boundary_margin_m : (d,) float64
        Overlap asked for at treated ground, and reach beyond the boundary; a group begins so much early and ends so
        much late.
    covered : (d,) float64
    spread_m : (d,) float64
    mean_speed_m_s : float
    """

    behind_m: Floats
    late_on_s: Floats
    late_off_s: Floats
    margin_m: Floats
    boundary_margin_m: Floats
    covered: Floats
    spread_m: Floats
    stray: Floats
    right_m: Floats
    mean_speed_m_s: float


def _first_guess(events: Events, expected_s: tuple[float, float], right: float) -> Floats:
    """Medians of the middles between rows."""
    middle = (events.low_m + events.high_m) / 2
    theta = np.zeros(COUNT)
    for which, mine in ((ON, events.opens), (OFF, ~events.opens)):
        if bool(mine.any()):
            theta[which] = float(np.median(middle[mine] - events.place_m[mine, 0]))
    if not bool(events.opens.any()):
        theta[ON] = theta[OFF]
    if bool(events.opens.all()):
        theta[OFF] = theta[ON]
    theta[LATE_ON], theta[LATE_OFF] = expected_s
    theta[COVERED] = 0.9
    theta[SPREAD] = math.log(0.5)
    theta[STRAY] = STRAY_LOGIT
    theta[RIGHT] = right
    return theta


def draw(events: Events, expected_s: tuple[float, float], right_m: tuple[float, float], *, seed: int = 1) -> Draws:
    """Draw controllers in proportion to how well they explain where groups switched.

    Parameters
    ----------
    events : Events
        Of at least two crossings.
    expected_s : (on, off)
        Net delays by the machine file: the drive is held to them only as far as ``LATE_SIGMA_S``.
    right_m : (value, error)
        What the passes' spacing says of the antenna's place beside what the file says.
    seed : int
    """
    order = np.argsort(events.crossing, kind="stable")
    speed = events.speed_m_s[order]
    mean_speed = float(np.median(speed))
    crossing = events.crossing[order]
    first = np.append(np.flatnonzero(np.concatenate(([True], np.diff(crossing) != 0))), len(events)).astype(np.int64)
    prior = Prior(
        mean_speed, expected_s[0], expected_s[1], LATE_SIGMA_S, LEAST_COVERED, WHOLLY, MARGIN_SIGMA_M,
        math.log(SPREAD_M), SPREAD_LOG_SIGMA, LEAST_SPREAD_M, STRAY_LOGIT, STRAY_SIGMA, right_m[0], right_m[1],
    )  # fmt: skip
    seen = Switched(
        events.low_m[order],
        events.high_m[order],
        np.ascontiguousarray(events.place_m[order]),
        speed - mean_speed,
        events.opens[order],
        events.at_boundary[order],
        events.slant[order],
        events.sideways[order],
        first,
        2 * (REACH_M + REACH_S * speed),
    )
    rng = np.random.default_rng(seed)
    steps = rng.standard_normal((WARM + DRAWS, COUNT))
    uniform = rng.random((WARM + DRAWS, 2))
    out = np.zeros((DRAWS // THIN, COUNT))
    scale = np.array([0.2, 0.2, 0.2, 0.2, 0.05, 0.1, 0.2, 0.3, 0.05])
    kept = walk(
        _first_guess(events, expected_s, right_m[0]), scale, steps, uniform, out, THIN, WARM, seen, prior, NODES
    )
    drawn = out[:kept]
    behind = (drawn[:, ON] + drawn[:, OFF]) / 2 - mean_speed * (drawn[:, LATE_ON] + drawn[:, LATE_OFF]) / 2
    margin = (drawn[:, OFF] - drawn[:, ON]) / 2 - mean_speed * (drawn[:, LATE_OFF] - drawn[:, LATE_ON]) / 2
    return Draws(
        behind,
        drawn[:, LATE_ON],
        drawn[:, LATE_OFF],
        margin,
        margin + drawn[:, BEYOND],
        np.minimum(drawn[:, COVERED], 1.0),
        np.exp(drawn[:, SPREAD]),
        1.0 / (1.0 + np.exp(-drawn[:, STRAY])),
        drawn[:, RIGHT],
        mean_speed,
    )
