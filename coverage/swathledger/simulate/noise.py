"""Random errors that go slowly, as those of receivers, guidance and rate control do."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from swathledger.errors import InputError

Floats = NDArray[np.float64]

#: Horizontal sigma of one axis, m, and correlation time, s, by class of receiver. Orders of magnitude of common
#: practice; corrected and uncorrected lie inside the 95 % errors of Maldaner et al. 2021 (Sci. Agric. 78(5)).
GNSS_CLASSES: dict[str, tuple[float, float]] = {
    "rtk": (0.02, 60.0),
    "corrected": (0.06, 120.0),
    "uncorrected": (0.60, 300.0),
}

STREAMS = ("guidance", "gnss", "white", "operator", "rate", "gauge")


def streams(seed: int) -> dict[str, np.random.Generator]:
    """One independent generator per source of error, so that switching one off leaves the others as they were."""
    children = np.random.SeedSequence(seed).spawn(len(STREAMS))
    return {name: np.random.default_rng(child) for name, child in zip(STREAMS, children, strict=True)}


def gauss_markov(rng: np.random.Generator, n: int, step: float, scale: float, sigma: float) -> Floats:
    """A first-order Gauss-Markov series: variance ``sigma^2`` from the start, correlation ``exp(-lag / scale)``.

    ``x[i] = a x[i-1] + sigma sqrt(1 - a^2) w[i]`` with ``a = exp(-step / scale)`` and ``x[0] = sigma w[0]``.
    """
    if scale <= 0 or step <= 0:
        raise InputError(f"step and scale must be above 0, found {step} and {scale}")
    white = rng.standard_normal(n)
    if n == 0 or sigma == 0:
        return np.zeros(n)
    a = math.exp(-step / scale)
    drive = sigma * math.sqrt(1 - a * a) * white
    drive[0] = sigma * white[0]
    return np.asarray(lfilter([1.0], [1.0, -a], drive), dtype=np.float64)


def smooth_along(rng: np.random.Generator, n: int, step_m: float, length_m: float, sigma: float) -> Floats:
    """A smooth error along a path (a machine weaves, it does not jump): Gaussian correlation of length ``length_m``.

    White noise through a Gaussian filter of ``length_m / sqrt(2)`` (whose result has the correlation
    ``exp(-(lag / length)^2 / 2)``), scaled by the filter's own gain ``sqrt(2 sqrt(pi) s)`` for s samples.
    """
    s = length_m / math.sqrt(2.0) / step_m
    white = rng.standard_normal(n)
    if n == 0 or sigma == 0:
        return np.zeros(n)
    gain = math.sqrt(2.0 * math.sqrt(math.pi) * s)
    return np.asarray(sigma * gain * gaussian_filter1d(white, s, mode="reflect"), dtype=np.float64)
