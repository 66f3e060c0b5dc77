"""The one sample point of every cell.

Cell ``(i, j)`` covers ``[i h, (i + 1) h) x [j h, (j + 1) h)`` of the field's plane. Its sample point lies at the
fraction ``(u, v)`` of the cell, both in [0, 1), a fixed function of ``(i, j)``: a 64-bit mix of the two indices
(the finaliser of SplitMix64, Steele, Lea & Flood 2014, doi 10.1145/2714064.2660195). The points of different cells
behave as independent, so an area's error grows with the root of its edge cells in every direction: a cell cut at a
uniformly distributed share p has variance E[p (1 - p)] = 1/6.
"""

from __future__ import annotations

import numpy as np

from swathledger._jit import njit_inline

_SCALE = 1.0 / (1 << 32)


@njit_inline
def sample_bits(i, j):  # type: ignore[no-untyped-def]  # numba infers the types: two int64 in, one uint64 out
    """64 mixed bits of a cell's indices: the upper 32 give the x fraction, the lower 32 the y fraction."""
    # by way of int64, so that a negative index wraps round interpreted too
    z = np.uint64(np.int64(i)) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(np.int64(j)) * np.uint64(0xC2B2AE3D27D4EB4F)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@njit_inline
def sample_point(i, j):  # type: ignore[no-untyped-def]  # numba infers the types: two int64 in, two float64 out
    """Fractions ``(u, v)`` of the cell, each in [0, 1)."""
    z = sample_bits(i, j)
    u = np.float64(z >> np.uint64(32)) * _SCALE
    v = np.float64(z & np.uint64(0xFFFFFFFF)) * _SCALE
    return u, v
