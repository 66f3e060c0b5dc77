"""What a field machine can do, and what its receiver's noise looks like: one set of rules that every stage reads."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STANDSTILL_M_S = 0.1
"""Slower than this is standing still."""
IMPOSSIBLE_M_S = 25.0
"""No field machine covers ground faster."""
JUMP_SLACK_M = 5.0
"""What a receiver may correct at once without its step counting as a jump."""
LEAST_GAP_S = 6.0
GAP_STEPS = 6.0
MAD_TO_SIGMA = 1.4826
"""Sigma of a normal variable over its median absolute deviation."""
THIRD_DIFFERENCE_VARIANCE = 20.0
"""Variance of a third difference of independent noise of variance one: 1 + 9 + 9 + 1."""
RAYLEIGH_MEDIAN = 1.1774
"""Median length of a vector of two independent normal variables of sigma one."""


def default_max_gap_s(median_step_s: float) -> float:
    """Longest time between rows that is bridged unless told otherwise: 6 x the median step, at least 6 s."""
    return max(LEAST_GAP_S, GAP_STEPS * median_step_s)


def is_jump(step_m: Floats, step_s: Floats) -> Flags:
    """Whether no machine could have made a step: longer than 25 m/s allow, and 5 m."""
    out: Flags = step_m > IMPOSSIBLE_M_S * step_s + JUMP_SLACK_M
    return out


def third_difference(value: Floats) -> Floats:
    """(n - 3,) third differences: position, speed and acceleration cancel, noise stays."""
    out: Floats = value[3:] - 3 * value[2:-1] + 3 * value[1:-2] - value[:-3]
    return out


def sigma_of_third(median_size: float, *, length_of_two_axes: bool = False) -> float:
    """Noise of a position, one sigma, from the median size of its third differences in one direction.

    ``length_of_two_axes``: the sizes are lengths over both axes (Rayleigh distributed).
    """
    scale = 1.0 / RAYLEIGH_MEDIAN if length_of_two_axes else MAD_TO_SIGMA
    return scale * median_size / math.sqrt(THIRD_DIFFERENCE_VARIANCE)
