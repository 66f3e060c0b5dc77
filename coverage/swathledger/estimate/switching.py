"""When valves moved between two rows: the controller's own moment, fitted to the log, within the step that shows it.

A valve that shows changed at a row moved somewhere since the row before. The model of the controller says when: at
``m``. It is off by ``r`` = moment - ``m``, and what is seen of ``r`` is an interval. From all intervals of the log the
law of ``r`` is told::

    r ~ (1 - e) Normal(shift, spread) + e Normal(shift, wide),   a shift for opening and one for shutting

(a likelihood of interval-censored data; Turnbull 1976, J. R. Stat. Soc. B 38:290-295, has the general form). A draw
takes shift, spread and e from what the log leaves possible, then every moment from that law within its own step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.states import Moments

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WIDE_S = 1.0
"""Standard deviation of the moments that the model misses by more than its spread: slivers and corners."""
LEAST_SPREAD_S = 0.02
MOST_FITTED = 3000
CHAIN, SETTLING = 4000, 1000
MIN_MASS = 1e-9


@dataclass(frozen=True, slots=True)
class Law:
    """What is known of the model's misses, as equally likely values; ``k`` of them.

    Attributes
    ----------
    shift_s : (k, 2) float64
        How late valves shut (column 0) and open (column 1) after the model's moment.
    spread_s : (k,) float64
        Standard deviation of single moments.
    missed : (k,) float64
        Share of moments that lie about the model's with the wide spread.
    model_s : (m,) float64
        The model's moment of every moment of the log; NaN where it has none.
    inside : float
        Share of moments, of those with a model, whose model falls inside their step.
    """

    shift_s: Floats
    spread_s: Floats
    missed: Floats
    model_s: Floats
    inside: float


def matched(moments: Moments, model_s: Floats, model_column: Ints, model_opens: NDArray[np.bool_]) -> Floats:
    """The model's moment of every moment of the log, NaN where it has none near; as one, where valves move as one.

    Parameters
    ----------
    model_s, model_column, model_opens : (k,)
        The model's moments, in the order of time.
    """
    out = np.full(moments.row.shape[0], np.nan)
    for column in range(moments.edges_m.shape[0] - 1):
        for opens in (False, True):
            mine = np.flatnonzero((moments.column == column) & (moments.opens == opens))
            times = np.sort(model_s[(model_column == column) & (model_opens == opens)])
            if mine.shape[0] == 0 or times.shape[0] == 0:
                continue
            before, at = moments.before_s[mine], moments.at_s[mine]
            middle = (before + at) / 2.0
            k = np.clip(np.searchsorted(times, middle), 1, max(times.shape[0] - 1, 1))
            low, high = times[np.maximum(k - 1, 0)], times[np.minimum(k, times.shape[0] - 1)]
            near = np.where(np.abs(low - middle) <= np.abs(high - middle), low, high)
            reach = np.maximum(2.5, 1.5 * (at - before))
            out[mine] = np.where(np.abs(near - middle) <= reach, near, np.nan)
    if moments.as_one and out.shape[0]:
        known = np.isfinite(out)
        count = np.bincount(moments.step, known)
        total = np.bincount(moments.step, np.where(known, out, 0.0))
        whole = np.bincount(moments.step)
        mean = np.divide(total, count, out=np.full(count.shape[0], np.nan), where=2 * count >= whole)
        out = mean[moments.step]
    return out


def fitted(moments: Moments, model_s: Floats, timing_s: float, rng: np.random.Generator) -> Law:
    """The law of the model's misses, from a Metropolis chain over shifts, spread and wide share.

    Moments of one step share part of their error: n of them count for the root of n. What the log does not tell stays
    as wide as it was before: shifts 0 +- ``timing_s``, spread about 0.1 s within a factor of 4, wide share about 10 %.

    Parameters
    ----------
    timing_s : float
        How well the delays of the valves are known, one standard deviation.
    """
    from scipy.special import ndtr

    known = np.isfinite(model_s) & (moments.at_s > moments.before_s)
    use = np.flatnonzero(known)
    low, high = (moments.before_s - model_s)[use], (moments.at_s - model_s)[use]
    inside = float(np.mean((low < 0) & (high >= 0))) if use.shape[0] else 0.0
    if use.shape[0] > MOST_FITTED:
        pick = np.sort(rng.choice(use.shape[0], MOST_FITTED, replace=False))
        use, low, high = use[pick], low[pick], high[pick]
    weight = np.bincount(moments.step[use], minlength=1)[moments.step[use]] ** -0.5 if use.shape[0] else np.zeros(0)
    side = moments.opens[use].astype(np.int64)

    def log_density(p: Floats) -> float:
        spread, missed = np.exp(p[2]), 1.0 / (1.0 + np.exp(-p[3]))
        prior = -0.5 * float((p[0] / timing_s) ** 2 + (p[1] / timing_s) ** 2 + ((p[2] - np.log(0.1)) / 1.4) ** 2
                             + ((p[3] + 2.2) / 0.8) ** 2)  # fmt: skip
        if spread < LEAST_SPREAD_S:
            return -np.inf
        shift = p[side]
        mass = ndtr((high - shift) / spread) - ndtr((low - shift) / spread)
        wide = ndtr((high - shift) / WIDE_S) - ndtr((low - shift) / WIDE_S)
        return prior + float(weight @ np.log((1.0 - missed) * mass + missed * wide + 1e-12))

    steps = rng.standard_normal((CHAIN, 4))
    chance = np.log(rng.random(CHAIN))
    here = np.array([0.0, 0.0, np.log(0.1), -2.2])
    value = log_density(here)
    scale = np.array([0.1, 0.1, 0.3, 0.5])
    kept = np.empty((CHAIN, 4))
    taken = 0
    for k in range(CHAIN):
        to = here + scale * steps[k]
        there = log_density(to)
        if chance[k] < there - value:
            here, value = to, there
            taken += 1
        kept[k] = here
        if k < SETTLING and k % 100 == 99:
            # about a third of the steps taken: neither stuck nor creeping
            scale = scale * (1.3 if taken > 40 else 0.7 if taken < 20 else 1.0)
            taken = 0
            if k % 500 == 499:
                spread = kept[k - 400 : k].std(axis=0)
                scale = np.where(spread > 0, 1.0 * spread, scale)
    chain = kept[SETTLING:]
    return Law(chain[:, :2], np.exp(chain[:, 2]), 1.0 / (1.0 + np.exp(-chain[:, 3])), model_s, inside)


def drawn(moments: Moments, law: Law, rng: np.random.Generator) -> Floats:
    """One draw of all moments, s; those of one step lie at the same quantile of their laws."""
    from scipy.special import ndtr, ndtri

    steps = int(moments.step.max()) + 1 if moments.step.shape[0] else 0
    k = int(rng.integers(0, law.spread_s.shape[0]))
    place, kind = rng.random(steps)[moments.step], rng.random(steps)[moments.step]
    shift = law.shift_s[k][moments.opens.astype(np.int64)]
    spread, missed = law.spread_s[k], law.missed[k]
    centre = law.model_s + shift
    with np.errstate(invalid="ignore"):
        low, high = ndtr((moments.before_s - centre) / spread), ndtr((moments.at_s - centre) / spread)
        wide_low, wide_high = ndtr((moments.before_s - centre) / WIDE_S), ndtr((moments.at_s - centre) / WIDE_S)
        near, wide = (1.0 - missed) * (high - low), missed * (wide_high - wide_low)
        by_near = centre + spread * ndtri(low + place * (high - low))
        by_wide = centre + WIDE_S * ndtri(wide_low + place * (wide_high - wide_low))
        out = np.where((high - low > MIN_MASS) & (kind * (near + wide) < near), by_near, by_wide)
        known = wide_high - wide_low > MIN_MASS
    evenly = moments.before_s + place * (moments.at_s - moments.before_s)
    return np.clip(np.where(known & np.isfinite(out), out, evenly), moments.before_s, moments.at_s)
