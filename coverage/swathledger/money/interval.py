"""Interval of the saving a year from a season's own fields, by bootstrap over fields."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from swathledger.errors import InputError
from swathledger.statistics import resampled

Method = Literal["percentile", "bca"]
FEW_FIELDS = 10
"""With fewer fields a bootstrap interval tends to be too narrow; reports say so."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its bootstrap interval.

    Attributes
    ----------
    estimate : float
        Sum of ``amount`` over the sum of ``base``.
    low, high : float or None
        None: fewer than two fields, so nothing can be said.
    level : float
        Share of the interval, e.g. 0.9 from the 5th to the 95th percentile.
    method : {"percentile", "bca"}
        Method in fact used: BCa falls back to percentile where it is not defined (all fields alike).
    fields, resamples, seed : int
        Enough to get the same bytes again.
    """

    estimate: float
    low: float | None
    high: float | None
    level: float
    method: Method
    fields: int
    resamples: int
    seed: int

    @property
    def few_fields(self) -> bool:
        """Whether there are so few fields that the interval is likely too narrow."""
        return self.fields < FEW_FIELDS

    def times(self, factor: float) -> Interval:
        """The same interval scaled, for instance from money per m2 to money a year; ``factor`` not negative."""
        if not 0 <= factor < math.inf:
            raise InputError(f"must not be negative, found {factor!r}.", column="factor")
        return Interval(
            self.estimate * factor,
            None if self.low is None else self.low * factor,
            None if self.high is None else self.high * factor,
            self.level,
            self.method,
            self.fields,
            self.resamples,
            self.seed,
        )


def _ratio(amount: NDArray[np.float64], base: NDArray[np.float64]) -> NDArray[np.float64]:
    total: NDArray[np.float64] = amount.sum(axis=-1) / base.sum(axis=-1)
    return total


def bootstrap_by_field(
    amount: ArrayLike,
    base: ArrayLike,
    *,
    level: float = 0.9,
    method: Method = "bca",
    resamples: int = 9999,
    seed: int = 20_240_501,
) -> Interval:
    """Interval of ``sum(amount) / sum(base)`` over fields, for instance money saved per m2 sprayed.

    Whole fields are drawn with replacement: cells, passes and days of one field are not independent of each other.
    Repeats of one field should be summed before.

    Parameters
    ----------
    amount, base : (k,) array_like
        One value a field; ``base`` above 0.
    level : float
        Share of the interval, 0 < level < 1.
    method : {"bca", "percentile"}
        Bias-corrected and accelerated (Efron 1987, doi 10.1080/01621459.1987.10478410), or plain percentiles.
    resamples : int
        At least 99.
    seed : int
        Seed of `numpy.random.default_rng`, kept in the result.

    Returns
    -------
    Interval

    Raises
    ------
    InputError
        Where lengths differ, there is no field, or a value is not finite.

    Notes
    -----
    Written here rather than taken from scipy, so that the same seed gives the same bytes whichever scipy is installed;
    tests hold it against `scipy.stats.bootstrap`.
    """
    values, bases = np.asarray(amount, dtype=np.float64), np.asarray(base, dtype=np.float64)
    if values.ndim != 1 or values.shape != bases.shape or values.size == 0:
        raise InputError(f"amounts {values.shape} and bases {bases.shape} must be lists of the same length, not empty.")
    if not bool(np.all(np.isfinite(values))) or not bool(np.all((bases > 0) & np.isfinite(bases))):
        raise InputError("amounts must be finite and bases above 0.")
    if not 0 < level < 1:
        raise InputError(f"must lie between 0 and 1, found {level!r}.", column="level")
    if resamples < 99:
        raise InputError(f"must be at least 99, found {resamples}.", column="resamples")
    k = values.shape[0]
    estimate = float(_ratio(values, bases))
    if k < 2:
        return Interval(estimate, None, None, level, method, k, resamples, seed)
    drawn = np.concatenate([_ratio(values[pick], bases[pick]) for pick in resampled(k, resamples, seed)])
    tails = ((1 - level) / 2, (1 + level) / 2)
    used: Method = "percentile"
    if method == "bca":
        corrected = _bca_tails(values, bases, estimate, drawn, tails)
        if corrected is not None:
            tails, used = corrected, "bca"
    low, high = np.quantile(drawn, tails)
    return Interval(estimate, float(low), float(high), level, used, k, resamples, seed)


def _bca_tails(
    values: NDArray[np.float64],
    bases: NDArray[np.float64],
    estimate: float,
    drawn: NDArray[np.float64],
    tails: tuple[float, float],
) -> tuple[float, float] | None:
    """Percentiles corrected for bias and acceleration; None where they are not defined."""
    normal = NormalDist()
    below = float((np.count_nonzero(drawn < estimate) + np.count_nonzero(drawn <= estimate)) / (2 * drawn.size))
    without = (values.sum() - values) / (bases.sum() - bases)  # jackknife
    spread = without.mean() - without
    largest = float(np.abs(spread).max())
    if not 0 < below < 1 or largest <= 1e-12 * abs(estimate) or largest == 0:
        return None
    bias = normal.inv_cdf(below)
    spread = spread / largest  # the acceleration has no unit, and squares of tiny numbers would vanish
    acceleration = float((spread**3).sum()) / (6.0 * float((spread**2).sum()) ** 1.5)

    def corrected(tail: float) -> float:
        z = bias + normal.inv_cdf(tail)
        return normal.cdf(bias + z / (1.0 - acceleration * z))

    return corrected(tails[0]), corrected(tails[1])
