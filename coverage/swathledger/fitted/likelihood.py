"""The switch somewhere between two rows: likelihood of a controller's settings, and draws from what is left open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.fitted.events import LEVELS, REACH_M, REACH_S, Events

Floats = NDArray[np.float64]

ON, OFF, LATE_ON, LATE_OFF, COVERED, BEYOND, SPREAD, STRAY, RIGHT = range(9)
"""Of the drawn parameters: where groups open and shut at the mean speed, m; net delays, s; the share covered at which
they shut; margin at the boundary less that at treated ground, m; log of the spread, m; logit of the share of strays; antenna farther
right than the file says, m."""
COUNT = 9
LATE_SIGMA_S = 1.5
MARGIN_SIGMA_M = 0.5
LEAST_COVERED, WHOLLY = 0.3, 0.35
"""Shares covered are taken alike from the first to 1, and 1 itself has half as much again."""
SPREAD_M, SPREAD_LOG_SIGMA = 0.25, 1.0
LEAST_SPREAD_M = 0.02
STRAY_LOGIT, STRAY_SIGMA = -3.0, 1.0
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
"""For what the events of one crossing share."""
WARM, DRAWS, THIN = 4000, 12000, 4


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


@njit
def _phi(z):  # type: ignore[no-untyped-def]  # numba infers the types
    return 0.5 * math.erfc(-z * 0.7071067811865476)


@njit
def _derived(theta, mean_speed):  # type: ignore[no-untyped-def]  # numba infers the types
    """Offset and margin at treated ground that go with the drawn parameters."""
    behind = 0.5 * (theta[0] + theta[1]) - 0.5 * mean_speed * (theta[2] + theta[3])
    margin = 0.5 * (theta[1] - theta[0]) - 0.5 * mean_speed * (theta[3] - theta[2])
    return behind, margin


@njit
def _log_posterior(theta, low, high, place, levels, slower, opens, at_boundary, slant, sideways, first, limits, prior, nodes, weights):  # type: ignore[no-untyped-def]  # numba infers the types
    """Log density, up to a constant; ``first`` begins every crossing's events, closed by their number."""
    # what is drawn above 1 is 1: most controllers shut when wholly covered
    covered = min(theta[4], 1.0)
    if covered < prior[4] or theta[4] > 1.0 + prior[13]:
        return -np.inf
    spread = np.exp(theta[6])
    if spread < prior[7] or spread > 5.0:
        return -np.inf
    mean_speed = prior[0]
    _, margin = _derived(theta, mean_speed)
    total = -0.5 * ((theta[2] - prior[1]) / prior[3]) ** 2 - 0.5 * ((theta[3] - prior[2]) / prior[3]) ** 2
    total += -0.5 * (margin / prior[5]) ** 2 - 0.5 * (theta[5] / prior[5]) ** 2
    total += -0.5 * ((theta[6] - prior[6]) / prior[8]) ** 2 - 0.5 * ((theta[7] - prior[9]) / prior[10]) ** 2
    total += -0.5 * ((theta[8] - prior[11]) / prior[12]) ** 2
    stray = 1.0 / (1.0 + np.exp(-theta[7]))
    part = spread * 0.7071067811865476
    level = (1.0 - covered) * (levels.shape[0] - 1)
    j = min(np.int64(level), levels.shape[0] - 2)
    f = level - j
    for c in range(first.shape[0] - 1):
        crossing = 0.0
        strayed = 1.0
        for k in range(first[c], first[c + 1]):
            strayed *= min((high[k] - low[k]) / limits[k], 1.0)
        for n in range(nodes.shape[0]):
            both = 1.0
            for k in range(first[c], first[c + 1]):
                extra = margin * (slant[k] - 1.0) + (theta[5] * slant[k] if at_boundary[k] else 0.0)
                if opens[k]:
                    mean = theta[0] + theta[2] * slower[k] - extra
                else:
                    mean = theta[1] + theta[3] * slower[k] + extra
                mean += (1.0 - f) * place[k, j] + f * place[k, j + 1] - theta[8] * sideways[k] + part * nodes[n]
                p = _phi((high[k] - mean) / part) - _phi((low[k] - mean) / part)
                both *= (1.0 - stray) * max(p, 0.0) + stray * min((high[k] - low[k]) / limits[k], 1.0)
            crossing += weights[n] * both
        crossing = (1.0 - stray) * crossing + stray * strayed
        if crossing <= 0.0:
            return -np.inf
        total += np.log(crossing)
    return total


@njit
def _walk(theta, scale, steps, uniform, out, thin, warm, low, high, place, levels, slower, opens, at_boundary, slant, sideways, first, limits, prior, nodes, weights):  # type: ignore[no-untyped-def]  # numba infers the types
    """Adaptive Metropolis (Haario, Saksman and Tamminen 2001): proposals follow the covariance met so far."""
    d = theta.shape[0]
    at = theta.copy()
    value = _log_posterior(at, low, high, place, levels, slower, opens, at_boundary, slant, sideways, first, limits, prior, nodes, weights)
    root = np.zeros((d, d))
    for i in range(d):
        root[i, i] = scale[i]
    mean = at.copy()
    cov = np.zeros((d, d))
    best, best_value = at.copy(), value
    met = 0.0
    factor = 2.38 / np.sqrt(d)
    taken, asked = 0.0, 0.0
    kept = 0
    for n in range(steps.shape[0]):
        trial = at + factor * (root @ steps[n])
        got = _log_posterior(trial, low, high, place, levels, slower, opens, at_boundary, slant, sideways, first, limits, prior, nodes, weights)
        asked += 1.0
        if got > -np.inf and (got >= value or uniform[n] < np.exp(got - value)):
            at = trial
            value = got
            taken += 1.0
            if value > best_value:
                best, best_value = at.copy(), value
        if n < warm:
            met += 1.0
            gap = at - mean
            mean = mean + gap / met
            cov = cov + np.outer(gap, at - mean)
            if (n + 1) % 250 == 0:
                rate = taken / asked
                factor *= np.exp(rate - 0.25)
                taken, asked = 0.0, 0.0
                ok = True
                if met > 40.0:
                    c = cov / (met - 1.0)
                    for i in range(d):
                        c[i, i] += 1e-10
                        if not np.isfinite(c[i, i]):
                            ok = False
                    if ok:
                        root = np.linalg.cholesky(c)
                if n + 1 in (500, 1500):
                    # what was met on the way from the start says little of where it arrived
                    met = 0.0
                    cov[:, :] = 0.0
                    mean = at.copy()
        elif (n - warm) % thin == 0 and kept < out.shape[0]:
            out[kept] = at
            kept += 1
    return kept


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
    prior = np.array(
        [
            mean_speed,
            expected_s[0],
            expected_s[1],
            LATE_SIGMA_S,
            LEAST_COVERED,
            MARGIN_SIGMA_M,
            math.log(SPREAD_M),
            LEAST_SPREAD_M,
            SPREAD_LOG_SIGMA,
            STRAY_LOGIT,
            STRAY_SIGMA,
            right_m[0],
            right_m[1],
            WHOLLY,
        ]
    )
    data = (
        events.low_m[order],
        events.high_m[order],
        np.ascontiguousarray(events.place_m[order]),
        LEVELS,
        speed - mean_speed,
        events.opens[order],
        events.at_boundary[order],
        events.slant[order],
        events.sideways[order],
        first,
        2 * (REACH_M + REACH_S * speed),
        prior,
        NODES,
        WEIGHTS / WEIGHTS.sum(),
    )
    rng = np.random.default_rng(seed)
    steps = rng.standard_normal((WARM + DRAWS, COUNT))
    uniform = rng.random(WARM + DRAWS)
    out = np.zeros((DRAWS // THIN, COUNT))
    scale = np.array([0.2, 0.2, 0.2, 0.2, 0.05, 0.1, 0.2, 0.3, 0.05])
    kept = _walk(_first_guess(events, expected_s, right_m[0]), scale, steps, uniform, out, THIN, WARM, *data)
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
