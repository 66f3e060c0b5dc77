"""Random streams, errors that go slowly, and intervals by drawing whole fields again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError

Floats = NDArray[np.float64]

LEAST_FIELDS = 3
"""With fewer fields nothing is said about others."""
FEW_FIELDS = 8
"""With fewer fields intervals together are not narrower than Bonferroni's: resamples of so few repeat each other."""
MOST_OF_STUDENT = 2.0
"""No end of an interval lies farther out than so many times Student's: what resamples of 3 or 4 fields say beyond that
is how nearly two of them agree by chance."""
_HELD = 4_000_000


def sum_of_known(values: Iterable[float | None]) -> float | None:
    """Exactly rounded sum of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


# --- streams and noise ------------------------------------------------------------------------------------------------
def streams(seed: int | np.random.SeedSequence, names: Sequence[str]) -> dict[str, np.random.Generator]:
    """One independent generator per source of error, so that switching one off leaves the others as they were."""
    root = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    return {name: np.random.default_rng(child) for name, child in zip(names, root.spawn(len(names)), strict=True)}


def gauss_markov(rng: np.random.Generator, n: int, step: float | Floats, scale: float, sigma: float) -> Floats:
    """A first-order Gauss-Markov series: variance ``sigma^2`` from the start, correlation ``exp(-lag / scale)``.

    ``x[i] = a x[i-1] + sigma sqrt(1 - a^2) w[i]`` with ``a = exp(-step / scale)`` and ``x[0] = sigma w[0]``.

    Parameters
    ----------
    step : float or (n - 1,) float64
        From one value to the next, in the unit of ``scale``.
    scale, sigma : float
        ``n`` numbers are drawn whatever sigma is.
    """
    steps = np.broadcast_to(np.asarray(step, dtype=np.float64), (max(n - 1, 0),))
    if scale <= 0 or bool(np.any(steps <= 0)):
        raise InputError(f"step and scale must be above 0, found {step} and {scale}")
    white = rng.standard_normal(n)
    if n == 0 or sigma == 0:
        return np.zeros(n)
    keep = np.exp(-steps / scale)
    push = sigma * np.sqrt(1.0 - keep * keep) * white[1:]
    value = sigma * float(white[0])
    out = [value]
    for a, w in zip(keep.tolist(), push.tolist(), strict=True):
        value = a * value + w
        out.append(value)
    return np.asarray(out, dtype=np.float64)


def smooth_along(rng: np.random.Generator, n: int, step_m: float, length_m: float, sigma: float) -> Floats:
    """A smooth error along a path (a machine weaves, it does not jump): Gaussian correlation of length ``length_m``.

    White noise through a Gaussian filter of ``length_m / sqrt(2)`` (whose result has the correlation
    ``exp(-(lag / length)^2 / 2)``), scaled by the filter's own gain ``sqrt(2 sqrt(pi) s)`` for s samples.
    """
    from scipy.ndimage import gaussian_filter1d

    s = length_m / math.sqrt(2.0) / step_m
    white = rng.standard_normal(n)
    if n == 0 or sigma == 0:
        return np.zeros(n)
    gain = math.sqrt(2.0 * math.sqrt(math.pi) * s)
    return np.asarray(sigma * gain * gaussian_filter1d(white, s, mode="reflect"), dtype=np.float64)


# --- intervals over fields --------------------------------------------------------------------------------------------
def resampled(fields: int, resamples: int, seed: int, held: int = _HELD) -> Iterator[NDArray[np.int64]]:
    """Numbers of the fields drawn, with replacement: (rows, fields) at a time, ``resamples`` rows in all.

    The rows are the same however many are held at once.
    """
    rng = np.random.default_rng(seed)
    rows = max(1, held // fields)
    for start in range(0, resamples, rows):
        yield rng.integers(0, fields, size=(min(rows, resamples - start), fields))


@dataclass(frozen=True, slots=True)
class Means:
    """Means of several quantities over the same fields.

    Attributes
    ----------
    mean : (q,) float64
    low, high : (q,) float64 or None
        Interval of each by itself; None with fewer than `LEAST_FIELDS` fields.
    together_low, together_high : (q,) float64 or None
        Intervals that hold all quantities at once with the stated level.
    method : str
        ``bootstrap-t`` or ``none``.
    """

    fields: int
    mean: Floats
    low: Floats | None = None
    high: Floats | None = None
    together_low: Floats | None = None
    together_high: Floats | None = None
    method: str = "none"


def studentised_means(values: Floats, resamples: int, seed: int) -> Floats:
    """(resamples, q) studentised means of resampled fields, ``(mean* - mean) / se*``.

    The same fields are drawn for every quantity of a resample. Where a resample holds one field only, or equal values,
    its error is not defined and the entry is NaN; where a quantity is the same on all fields, 0.
    """
    n, q = values.shape
    mean = values.mean(axis=0)
    centred = values - mean
    constant = np.ptp(values, axis=0) <= 1e-12 * np.maximum(np.abs(mean), 1e-300)
    least = 1e-9 * np.sqrt(np.maximum(centred.var(axis=0), 1e-300))
    out = []
    for pick in resampled(n, resamples, seed, _HELD // max(q, 1)):
        # weights instead of gathered rows: sums of (w, w * v, w * v^2) give mean and error of each resample
        offset = np.arange(pick.shape[0])[:, None] * n
        weight = np.bincount((pick + offset).ravel(), minlength=pick.size).reshape(pick.shape)
        first = weight @ centred / n
        spread = np.maximum(weight @ centred**2 / n - first**2, 0.0) * n / max(n - 1, 1)
        error = np.sqrt(spread / n)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(error > least, first / error, np.nan)
        t[:, constant] = 0.0
        out.append(t)
    return np.concatenate(out)


def means_over_fields(values: Floats, *, level: float = 0.9, resamples: int = 4999, seed: int = 0) -> Means:
    """Means over fields with intervals, each alone and all together.

    Parameters
    ----------
    values : (n, q) float64
        n fields, q quantities; finite.

    Notes
    -----
    Bootstrap-t (Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 12): quantiles of the studentised
    mean of resampled fields stand for those of Student's t, so that skewed samples keep the stated level better than
    with plain percentiles. Each end is the farther of that and Student's t, up to `MOST_OF_STUDENT` times the latter.
    The intervals together use the quantile of the largest ``|t*|`` (single-step max-t; Westfall & Young 1993), at least
    Student's, with fewer than `FEW_FIELDS` fields at least Bonferroni's. With fewer than `LEAST_FIELDS` fields: none.
    scipy's bootstrap has no studentised intervals and no joint ones; tests hold the quantiles against it.

    Raises
    ------
    InputError
        Not a table of finite numbers, or no field.
    """
    if values.ndim != 2 or values.shape[0] < 1 or not bool(np.all(np.isfinite(values))):
        raise InputError(f"a table of finite numbers, one row a field, is needed; found shape {values.shape}.")
    n, q = values.shape
    mean = values.mean(axis=0)
    if n < LEAST_FIELDS or q == 0:
        return Means(n, mean)
    from scipy.special import stdtrit

    error = values.std(axis=0, ddof=1) / np.sqrt(n)
    tail = (1.0 - level) / 2.0
    student, bonferroni = (float(stdtrit(n - 1, 1.0 - share)) for share in (tail, tail / q))
    t = studentised_means(values, resamples, seed)
    lower, upper = _farther(np.nanquantile(t, [tail, 1.0 - tail], axis=0), student)
    largest = float(np.quantile(np.nanmax(np.abs(np.where(np.isnan(t), 0.0, t)), axis=1), level))
    least = bonferroni if n < FEW_FIELDS else student
    reach = min(max(largest, least), MOST_OF_STUDENT * bonferroni) * error
    low, high = mean - upper * error, mean - lower * error
    # a skewed quantity may need more on one side by itself than the largest deviation gives all of them
    return Means(n, mean, low, high, np.minimum(mean - reach, low), np.maximum(mean + reach, high), "bootstrap-t")


def _farther(drawn: Floats, student: float) -> tuple[Floats, Floats]:
    """Lower and upper quantiles of t: the farther of drawn ones and Student's, within `MOST_OF_STUDENT` of these."""
    most = MOST_OF_STUDENT * student
    return np.clip(drawn[0], -most, -student), np.clip(drawn[1], student, most)


def _ratios(amount: Floats, base: Floats) -> tuple[Floats, Floats]:
    """Ratio of sums over the last axis and its jackknife standard error."""
    total, bases = amount.sum(axis=-1, keepdims=True), base.sum(axis=-1, keepdims=True)
    n = amount.shape[-1]
    ratio = total / bases
    # leaving one field out moves the ratio by (amount - ratio base) / (what is left of the bases)
    moved = (amount - ratio * base) / (bases - base)
    return ratio[..., 0], np.sqrt((n - 1) / n * (moved**2).sum(axis=-1))


def ratio_over_fields(
    amount: Floats, base: Floats, *, level: float = 0.9, resamples: int = 4999, seed: int = 0
) -> tuple[float, float] | None:
    """Interval of ``sum(amount) / sum(base)`` over fields that stand for others like them.

    Parameters
    ----------
    amount, base : (n,) float64
        One value a field; finite, ``base`` above 0.

    Returns
    -------
    (low, high) or None
        None with fewer than `LEAST_FIELDS` fields.

    Notes
    -----
    As in `means_over_fields`, with the ratio's jackknife error (Miller 1974, doi 10.1093/biomet/61.1.1) in the place of
    the mean's. Student's degrees of freedom are those of
    ``sum(base)^2 / sum(base^2)`` fields: where one large field carries the sum, fewer count.
    """
    n = amount.shape[0]
    if n < LEAST_FIELDS:
        return None
    from scipy.special import stdtrit

    unit = float(np.abs(amount).max()) or 1.0  # squares of tiny amounts would vanish
    values = amount / unit
    ratio, error = (float(part) for part in _ratios(values, base))
    if error <= 1e-12 * abs(ratio):
        return ratio * unit, ratio * unit
    tail = (1.0 - level) / 2.0
    effective = float(base.sum() ** 2 / (base**2).sum())
    student = float(stdtrit(max(effective - 1.0, 1.0), 1.0 - tail))
    drawn = []
    for pick in resampled(n, resamples, seed):
        again, spread = _ratios(values[pick], base[pick])
        known = spread > 1e-9 * error  # a resample of one field alone has no error
        drawn.append((again[known] - ratio) / spread[known])
    t = np.concatenate(drawn)
    quantiles = np.quantile(t, [tail, 1.0 - tail]) if t.size else np.array([-student, student])
    lower, upper = (float(end) for end in _farther(quantiles, student))
    return (ratio - upper * error) * unit, (ratio - lower * error) * unit


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
