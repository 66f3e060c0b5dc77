"""How well a controller explains where groups switched, as a density to be walked: the kernels."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit

Floats = NDArray[np.float64]

ON, OFF, LATE_ON, LATE_OFF, COVERED, BEYOND, SPREAD, STRAY, RIGHT = range(9)
"""Of the drawn parameters: where groups open and shut at the mean speed, m; net delays, s; the share covered at which
they shut; margin at the boundary less that at treated ground, m; log of the spread, m; logit of the share of strays;
antenna farther right than the file says, m."""
COUNT = 9
TUNED = 240
"""Proposals between two looks at how many were taken."""
JUMPS = 4
"""Every so many proposals one tries another threshold."""
FORGOTTEN = (480, 1440)
"""What was met on the way from the start says little of where the walk arrived."""


class Switched(NamedTuple):
    """Events in order of crossing; see :class:`swathledger.fitted.events.Events`.

    ``slower_m_s`` is the speed less the mean; ``first`` begins every crossing's events and is closed by their number;
    ``range_m`` is the way over which a stray may lie.
    """

    low_m: Floats
    high_m: Floats
    place_m: Floats
    slower_m_s: Floats
    opens: NDArray[np.bool_]
    at_boundary: NDArray[np.bool_]
    slant: Floats
    sideways: Floats
    first: NDArray[np.int64]
    range_m: Floats


class Prior(NamedTuple):
    """What is taken for likely before the events are looked at; pairs are centre and sigma."""

    mean_speed_m_s: float
    late_on_s: float
    late_off_s: float
    late_sigma_s: float
    least_covered: float
    wholly: float
    margin_sigma_m: float
    log_spread: float
    log_spread_sigma: float
    least_spread_m: float
    stray_logit: float
    stray_sigma: float
    right_m: float
    right_sigma_m: float


class Nodes(NamedTuple):
    """Of the integral over what the events of one crossing share."""

    at: Floats
    weight: Floats


@njit
def _phi(z):  # type: ignore[no-untyped-def]  # numba infers the types
    return 0.5 * math.erfc(-z * 0.7071067811865476)


@njit
def _log_prior(theta, prior):  # type: ignore[no-untyped-def]  # numba infers the types
    if min(theta[COVERED], 1.0) < prior.least_covered or theta[COVERED] > 1.0 + prior.wholly:
        return -np.inf
    spread = np.exp(theta[SPREAD])
    if spread < prior.least_spread_m or spread > 5.0:
        return -np.inf
    margin = _margin(theta, prior)
    total = ((theta[LATE_ON] - prior.late_on_s) / prior.late_sigma_s) ** 2
    total += ((theta[LATE_OFF] - prior.late_off_s) / prior.late_sigma_s) ** 2
    total += (margin / prior.margin_sigma_m) ** 2 + (theta[BEYOND] / prior.margin_sigma_m) ** 2
    total += ((theta[SPREAD] - prior.log_spread) / prior.log_spread_sigma) ** 2
    total += ((theta[STRAY] - prior.stray_logit) / prior.stray_sigma) ** 2
    total += ((theta[RIGHT] - prior.right_m) / prior.right_sigma_m) ** 2
    return -0.5 * total


@njit
def _margin(theta, prior):  # type: ignore[no-untyped-def]  # numba infers the types
    """Margin at treated ground that goes with where groups open and shut."""
    return 0.5 * (theta[OFF] - theta[ON]) - 0.5 * prior.mean_speed_m_s * (theta[LATE_OFF] - theta[LATE_ON])


@njit
def log_posterior(theta, seen, prior, nodes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Log density, up to a constant."""
    total = _log_prior(theta, prior)
    if total == -np.inf:
        return total
    margin = _margin(theta, prior)
    stray = 1.0 / (1.0 + np.exp(-theta[STRAY]))
    # half of the variance is shared by a crossing, half is each switch's own
    part = np.exp(theta[SPREAD]) * 0.7071067811865476
    level = (1.0 - min(theta[COVERED], 1.0)) * (seen.place_m.shape[1] - 1)
    j = min(np.int64(level), seen.place_m.shape[1] - 2)
    f = level - j
    for c in range(seen.first.shape[0] - 1):
        crossing, strayed = 0.0, 1.0
        for k in range(seen.first[c], seen.first[c + 1]):
            strayed *= min((seen.high_m[k] - seen.low_m[k]) / seen.range_m[k], 1.0)
        for n in range(nodes.at.shape[0]):
            both = 1.0
            for k in range(seen.first[c], seen.first[c + 1]):
                extra = margin * (seen.slant[k] - 1.0) + (theta[BEYOND] * seen.slant[k] if seen.at_boundary[k] else 0.0)
                if seen.opens[k]:
                    mean = theta[ON] + theta[LATE_ON] * seen.slower_m_s[k] - extra
                else:
                    mean = theta[OFF] + theta[LATE_OFF] * seen.slower_m_s[k] + extra
                mean += (1.0 - f) * seen.place_m[k, j] + f * seen.place_m[k, j + 1]
                mean += part * nodes.at[n] - theta[RIGHT] * seen.sideways[k]
                p = _phi((seen.high_m[k] - mean) / part) - _phi((seen.low_m[k] - mean) / part)
                out = min((seen.high_m[k] - seen.low_m[k]) / seen.range_m[k], 1.0)
                both *= (1.0 - stray) * max(p, 0.0) + stray * out
            crossing += nodes.weight[n] * both
        crossing = (1.0 - stray) * crossing + stray * strayed
        if crossing <= 0.0:
            return -np.inf
        total += np.log(crossing)
    return total


@njit
def _mean_place(seen, opens, covered):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mean way, over seams of one kind, at which a threshold is met."""
    level = (1.0 - min(covered, 1.0)) * (seen.place_m.shape[1] - 1)
    j = min(np.int64(level), seen.place_m.shape[1] - 2)
    f = level - j
    total, count = 0.0, 0
    for k in range(seen.opens.shape[0]):
        if seen.opens[k] == opens:
            total += (1.0 - f) * seen.place_m[k, j] + f * seen.place_m[k, j + 1]
            count += 1
    return total / count if count > 0 else 0.0


@njit
def _other_threshold(at, covered, seen):  # type: ignore[no-untyped-def]  # numba infers the types
    """The same controller with another threshold, which switches at the same places on average.

    Threshold and margin do nearly the same where all seams are crossed at one angle: small steps do not lead from one
    to the other. The move is its own inverse and keeps volumes, so that it is accepted like any other.
    """
    trial = at.copy()
    trial[COVERED] = covered
    trial[ON] += _mean_place(seen, True, at[COVERED]) - _mean_place(seen, True, covered)
    trial[OFF] += _mean_place(seen, False, at[COVERED]) - _mean_place(seen, False, covered)
    return trial


@njit
def walk(theta, scale, steps, uniform, out, thin, warm, seen, prior, nodes):  # type: ignore[no-untyped-def]  # numba infers the types
    """Adaptive Metropolis (Haario, Saksman and Tamminen 2001, Bernoulli 7:223-242); returns how many draws were kept.

    Proposals follow the covariance met during ``warm`` steps, and are left alone after them.
    """
    d = theta.shape[0]
    at = theta.copy()
    value = log_posterior(at, seen, prior, nodes)
    root = np.diag(scale)
    mean, cov = at.copy(), np.zeros((d, d))
    factor = 2.38 / np.sqrt(d)
    met, taken = 0.0, 0.0
    kept = 0
    for n in range(steps.shape[0]):
        jump = n % JUMPS == JUMPS - 1
        if jump:
            low, high = prior.least_covered, 1.0 + prior.wholly
            trial = _other_threshold(at, low + (high - low) * uniform[n, 1], seen)
        else:
            trial = at + factor * (root @ steps[n])
        got = log_posterior(trial, seen, prior, nodes)
        if got > -np.inf and (got >= value or uniform[n, 0] < np.exp(got - value)):
            at = trial
            value = got
            taken += 0.0 if jump else 1.0
        if n < warm:
            met += 1.0
            gap = at - mean
            mean = mean + gap / met
            cov = cov + np.outer(gap, at - mean)
            if (n + 1) % TUNED == 0:
                factor *= np.exp(taken * JUMPS / ((JUMPS - 1) * TUNED) - 0.25)
                taken = 0.0
                if met > 40.0:
                    root = np.linalg.cholesky(cov / (met - 1.0) + 1e-10 * np.eye(d))
                if n + 1 in FORGOTTEN:
                    met = 0.0
                    cov[:, :] = 0.0
                    mean = at.copy()
        elif (n - warm) % thin == 0 and kept < out.shape[0]:
            out[kept] = at
            kept += 1
    return kept
