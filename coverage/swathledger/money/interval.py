"""Interval of the saving a year: a season's own fields drawn, and the errors of their drives within."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from swathledger.errors import InputError
from swathledger.estimate.shared import Holds, Part, over_fields

Method = Literal["bootstrap-t", "errors", "none"]
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
        None: fewer than three fields and no errors known, so nothing can be said.
    level : float
        Share of the interval, e.g. 0.9 from the 5th to the 95th percentile.
    method : {"bootstrap-t", "errors", "none"}
        ``errors``: of the drives alone, since there are fewer than three fields.
    fields, resamples, seed : int
        Enough to get the same bytes again; ``fields`` is what was drawn, fields or clients.
    holds : {"fields_and_errors", "fields", "errors", "nothing"}
        What the interval is over, see :class:`swathledger.estimate.shared.OverFields`.
    own_sd, shared_sd : float or None
        One standard deviation by errors that are each field's own, and by those that fields share.
    by_source : dict of str to float
        One standard deviation by source.
    """

    estimate: float
    low: float | None
    high: float | None
    level: float
    method: Method
    fields: int
    resamples: int
    seed: int
    holds: Holds = "nothing"
    own_sd: float | None = None
    shared_sd: float | None = None
    by_source: dict[str, float] = field(default_factory=dict)

    @property
    def few_fields(self) -> bool:
        """Whether there are so few fields that the interval may be too narrow."""
        return self.fields < FEW_FIELDS

    def times(self, factor: float) -> Interval:
        """The same interval scaled, for instance from money per m2 to money a year; ``factor`` not negative."""
        if not 0 <= factor < math.inf:
            raise InputError(f"must not be negative, found {factor!r}.", column="factor")

        def scaled(value: float | None) -> float | None:
            return None if value is None else value * factor

        return replace(
            self,
            estimate=self.estimate * factor,
            low=scaled(self.low),
            high=scaled(self.high),
            own_sd=scaled(self.own_sd),
            shared_sd=scaled(self.shared_sd),
            by_source={source: sd * factor for source, sd in self.by_source.items()},
        )


def bootstrap_by_field(
    amount: ArrayLike,
    base: ArrayLike,
    errors: Sequence[Sequence[Part]] | None = None,
    *,
    level: float = 0.9,
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
    errors : sequence of sequence of Part, optional
        Errors of each amount, in its unit. None: not known, so that the interval is over fields only.
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
    :func:`swathledger.estimate.shared.over_fields`; docs/money.md has how often it held.
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
    found = over_fields(values, bases, errors, level=level, resamples=resamples, seed=seed)
    method: dict[Holds, Method] = {"nothing": "none", "errors": "errors"}
    return Interval(
        found.value,
        found.low,
        found.high,
        level,
        method.get(found.holds, "bootstrap-t"),
        found.fields,
        resamples,
        seed,
        found.holds,
        found.own_sd,
        found.shared_sd,
        found.by_source,
    )
