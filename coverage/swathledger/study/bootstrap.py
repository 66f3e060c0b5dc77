"""Intervals of means over fields, by drawing whole fields again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError

Floats = NDArray[np.float64]

LEAST = 3
"""With fewer fields nothing is said about others."""
FEW = 8
"""With fewer fields the interval is Student's: resamples of so few repeat each other."""
_BLOCK = 4_000_000


@dataclass(frozen=True, slots=True)
class Means:
    """Means of several quantities over the same fields.

    Attributes
    ----------
    fields : int
    mean : (q,) float64
    low, high : (q,) float64 or None
        Interval of each by itself; None with fewer than `LEAST` fields.
    together_low, together_high : (q,) float64 or None
        Intervals that hold all quantities at once with the stated level.
    method : str
        ``bootstrap-t``, ``student`` or ``none``.
    level, resamples, seed
        Enough to get the same bytes again.
    """

    fields: int
    mean: Floats
    low: Floats | None
    high: Floats | None
    together_low: Floats | None
    together_high: Floats | None
    method: str
    level: float
    resamples: int
    seed: int


def drawn_t(values: Floats, resamples: int, seed: int) -> Floats:
    """(resamples, q) studentised means of resampled fields, ``(mean* - mean) / se*``.

    The same fields are drawn for every quantity of a resample. Where a resample holds one field only, or equal values,
    its error is not defined and the entry is NaN; where a quantity is the same on all fields, 0.
    """
    n, q = values.shape
    rng = np.random.default_rng(seed)
    mean = values.mean(axis=0)
    constant = np.ptp(values, axis=0) <= 1e-12 * np.maximum(np.abs(mean), 1e-300)
    out = np.empty((resamples, q))
    block = max(1, _BLOCK // (n * max(q, 1)))
    for start in range(0, resamples, block):
        # weights instead of gathered rows: sums of (w, w * v, w * v^2) give mean and error of each resample
        pick = rng.integers(0, n, size=(min(block, resamples - start), n))
        offset = np.arange(pick.shape[0])[:, None] * n
        weight = np.bincount((pick + offset).ravel(), minlength=pick.shape[0] * n).reshape(pick.shape[0], n)
        centred = values - mean
        first = weight @ centred / n
        spread = np.maximum(weight @ centred**2 / n - first**2, 0.0) * n / max(n - 1, 1)
        error = np.sqrt(spread / n)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(error > 1e-9 * np.sqrt(np.maximum(centred.var(axis=0), 1e-300)), first / error, np.nan)
        t[:, constant] = 0.0
        out[start : start + pick.shape[0]] = t
    return out


def means_over_fields(values: Floats, *, level: float = 0.9, resamples: int = 4999, seed: int = 0) -> Means:
    """Means over fields with intervals, each alone and all together.

    Parameters
    ----------
    values : (n, q) float64
        n fields, q quantities; finite.
    level : float
    resamples, seed : int

    Notes
    -----
    Bootstrap-t (Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 12): quantiles of the studentised
    mean of resampled fields stand for those of Student's t, so that skewed samples keep the stated level better than
    with plain percentiles. The intervals together use the quantile of the largest ``|t*|`` (single-step max-t; Westfall
    & Young 1993). With fewer than `FEW` fields: Student's t, and Bonferroni together. With fewer than `LEAST`: none.

    Raises
    ------
    InputError
        Not a table of finite numbers, or no field.
    """
    if values.ndim != 2 or values.shape[0] < 1 or not bool(np.all(np.isfinite(values))):
        raise InputError(f"a table of finite numbers, one row a field, is needed; found shape {values.shape}.")
    n, q = values.shape
    mean = values.mean(axis=0)
    if n < LEAST or q == 0:
        return Means(n, mean, None, None, None, None, "none", level, resamples, seed)
    error = values.std(axis=0, ddof=1) / np.sqrt(n)
    tail = (1.0 - level) / 2.0
    if n < FEW:
        from scipy import stats

        alone, all_ = float(stats.t.ppf(1 - tail, n - 1)), float(stats.t.ppf(1 - tail / q, n - 1))
        return Means(
            n,
            mean,
            mean - alone * error,
            mean + alone * error,
            mean - all_ * error,
            mean + all_ * error,
            "student",
            level,
            resamples,
            seed,
        )
    t = drawn_t(values, resamples, seed)
    lower, upper = np.nanquantile(t, [tail, 1.0 - tail], axis=0)
    largest = np.nanmax(np.abs(np.where(np.isnan(t), 0.0, t)), axis=1)
    reach = float(np.quantile(largest, level))
    low, high = mean - upper * error, mean - lower * error
    # a skewed quantity may need more on one side by itself than the largest deviation gives all of them
    return Means(
        n,
        mean,
        low,
        high,
        np.minimum(mean - reach * error, low),
        np.maximum(mean + reach * error, high),
        "bootstrap-t",
        level,
        resamples,
        seed,
    )


def holm(p: Floats) -> Floats:
    """Step-down adjusted p values (Holm 1979, Scand. J. Statist. 6:65-70); NaN stays NaN and counts for nothing.

    Examples
    --------
    >>> holm(np.array([0.01, 0.04, 0.03])).tolist()
    [0.03, 0.06, 0.06]
    """
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    m, running = order.shape[0], 0.0
    for rank, index in enumerate(order):
        running = max(running, min(1.0, (m - rank) * float(p[index])))
        out[index] = running
    return out
