"""Interval of the saving a year from a season's own fields, by bootstrap over fields."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from swathledger.errors import InputError
from swathledger.statistics import ratio_over_fields

Method = Literal["bootstrap-t", "none"]
FEW_FIELDS = 10
"""With fewer fields an interval may be too narrow where a few of them carry most of the saving; reports say so."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its bootstrap interval.

    Attributes
    ----------
    estimate : float
        Sum of ``amount`` over the sum of ``base``.
    low, high : float or None
        None: fewer than three fields, so nothing can be said.
    level : float
        Share of the interval, e.g. 0.9 from the 5th to the 95th percentile.
    method : {"bootstrap-t", "none"}
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
        """Whether there are so few fields that the interval may be too narrow."""
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


def bootstrap_by_field(
    amount: ArrayLike, base: ArrayLike, *, level: float = 0.9, resamples: int = 9999, seed: int = 20_240_501
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
    The studentised bootstrap of `swathledger.statistics.ratio_over_fields`; docs/money.md has how often it held.
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
    estimate = float(values.sum() / bases.sum())
    ends = ratio_over_fields(values, bases, level=level, resamples=resamples, seed=seed)
    low, high = (None, None) if ends is None else ends
    return Interval(estimate, low, high, level, "none" if ends is None else "bootstrap-t", k, resamples, seed)
