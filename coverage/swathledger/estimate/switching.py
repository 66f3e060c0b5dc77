"""When valves moved between two rows: the controller's own moment, fitted to the log, within the step that shows it.

A valve that shows changed at a row moved somewhere since the row before. The model of the controller says when: at
``m``. It is off by ``r`` = moment - ``m``, and what is seen of ``r`` is an interval. From all intervals of the log the
law of ``r`` is told::

    r ~ (1 - e) Normal(shift, spread^2 + (side lean)^2) + e Normal(shift, wide)

with a shift for opening and one for shutting, and ``lean`` the seconds by which the model's moment moves for every
metre to the side: where a section meets a seam at a shallow angle, a few centimetres are a second (a likelihood of
interval-censored data; Turnbull 1976, J. R. Stat. Soc. B 38:290-295, has the general form). A draw takes shifts,
spread, side and e from what the log leaves possible, then every moment from that law within its own step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.states import Moments

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

WIDE_S = 1.0
"""Least standard deviation, s, of the moments that the model misses by more than it can tell: slivers and corners; of
longer steps the step, as the way that the model drives is known no better."""
LEAST_SPREAD_S = 0.01
MOST_LEAN_S_M = 4.0
"""Of a section whose neighbours do not move at all."""
MOST_FITTED = 3000
CHAIN, SETTLING = 3000, 1000
MIN_MASS = 1e-9
START = np.array([0.0, 0.0, np.log(0.04), np.log(0.05), -3.5])
"""Shift of shutting and opening, s; log of spread, s, and of side, m; log odds of e: what is likely before the log."""
GIVE = np.array([np.nan, np.nan, 1.2, 1.0, 1.0])
"""One standard deviation of these."""
HAND_START, HAND_GIVE = np.log(0.4), 0.7
"""Log of the spread where a hand moves everything at once."""


@dataclass(frozen=True, slots=True)
class Law:
    """What is known of the model's misses, as equally likely values; ``k`` of them.

    Attributes
    ----------
    shift_s : (k, 2) float64
        How late valves shut (column 0) and open (column 1) after the model's moment.
    spread_s : (k,) float64
        Standard deviation of single moments where a seam is met squarely.
    side_m : (k,) float64
        Standard deviation sideways.
    missed : (k,) float64
        Share of moments that lie about the model's with the wide spread.
    model_s : (m,) float64
        The model's moment of every moment of the log; NaN where it has none.
    lean_s_m : (m,) float64
        Seconds for a metre to the side.
    inside : float
        Share of moments, of those with a model, whose model falls inside their step.
    """

    shift_s: Floats
    spread_s: Floats
    side_m: Floats
    missed: Floats
    model_s: Floats
    lean_s_m: Floats
    inside: float


def leaning(edges_m: Floats, model_s: Floats, model_column: Ints, model_opens: Flags, at_s: Floats, column: Ints,
            opens: Flags) -> Floats:  # fmt: skip
    """How far the model's moment moves for a metre to the side, s/m: by the nearer of the neighbours' moments.

    Parameters
    ----------
    model_s, model_column, model_opens : (k,)
        The model's moments.
    at_s, column, opens : (m,)
        Those asked for; a time may be NaN.
    """
    columns = edges_m.shape[0] - 1
    middle = (edges_m[1:] + edges_m[:-1]) / 2.0
    out = np.full(at_s.shape[0], MOST_LEAN_S_M if columns > 1 else 0.0)
    for way in (False, True):
        times = [np.sort(model_s[(model_column == c) & (model_opens == way)]) for c in range(columns)]
        for c in range(columns):
            mine = np.flatnonzero((column == c) & (opens == way) & np.isfinite(at_s))
            for other in (c - 1, c + 1):
                if mine.shape[0] == 0 or not 0 <= other < columns or times[other].shape[0] == 0:
                    continue
                found = times[other]
                k = np.clip(np.searchsorted(found, at_s[mine]), 1, max(found.shape[0] - 1, 1))
                low, high = found[np.maximum(k - 1, 0)], found[np.minimum(k, found.shape[0] - 1)]
                away = np.minimum(np.abs(low - at_s[mine]), np.abs(high - at_s[mine]))
                out[mine] = np.minimum(out[mine], away / abs(middle[other] - middle[c]))
    return out


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


def fitted(
    moments: Moments, model_s: Floats, lean_s_m: Floats, timing_s: float, rng: np.random.Generator, length: int = CHAIN
) -> Law:
    """The law of the model's misses, from a Metropolis chain over its five numbers.

    Moments of one step share part of their error: n of them count for the root of n, and for one where a hand moves
    them. What the log does not tell stays as wide as it was before, see :data:`START`.

    Parameters
    ----------
    timing_s : float
        How well the delays of the valves are known, one standard deviation.
    length : int
        Of the chain that is kept, after :data:`SETTLING`.
    """
    from scipy.special import ndtr

    known = np.isfinite(model_s) & (moments.at_s > moments.before_s)
    use = np.flatnonzero(known)
    low, high = (moments.before_s - model_s)[use], (moments.at_s - model_s)[use]
    inside = float(np.mean((low < 0) & (high >= 0))) if use.shape[0] else 0.0
    if use.shape[0] > MOST_FITTED:
        pick = np.sort(rng.choice(use.shape[0], MOST_FITTED, replace=False))
        use, low, high = use[pick], low[pick], high[pick]
    alike = np.bincount(moments.step[use], minlength=1)[moments.step[use]] if use.shape[0] else np.ones(0)
    weight = 1.0 / alike if moments.as_one else 1.0 / np.sqrt(alike)
    wide_s = wide_of(moments)[use]
    side, lean = moments.opens[use].astype(np.int64), lean_s_m[use]
    start, give = START.copy(), np.where(np.isnan(GIVE), timing_s, GIVE)
    if moments.as_one:
        start[2], give[2] = HAND_START, HAND_GIVE

    def log_density(p: Floats) -> float:
        prior = -0.5 * float((((p - start) / give) ** 2).sum())
        spread, missed = np.exp(p[2]), 1.0 / (1.0 + np.exp(-p[4]))
        if spread < LEAST_SPREAD_S:
            return -np.inf
        shift = p[side]
        sd = np.hypot(spread, np.exp(p[3]) * lean)
        near = ndtr((high - shift) / sd) - ndtr((low - shift) / sd)
        wide = ndtr((high - shift) / wide_s) - ndtr((low - shift) / wide_s)
        return prior + float(weight @ np.log((1.0 - missed) * near + missed * wide + 1e-12))

    chain = _chain(log_density, start, SETTLING + length, rng)
    return Law(
        chain[:, :2], np.exp(chain[:, 2]), np.exp(chain[:, 3]), 1.0 / (1.0 + np.exp(-chain[:, 4])), model_s, lean_s_m,
        inside,
    )  # fmt: skip


def _chain(log_density: Callable[[Floats], float], start: Floats, count: int, rng: np.random.Generator) -> Floats:
    """Random-walk Metropolis; the length of its steps settles in its first part."""
    size = start.shape[0]
    steps, chance = rng.standard_normal((count, size)), np.log(rng.random(count))
    here, value = start.copy(), log_density(start)
    scale = np.array([0.1, 0.1, 0.3, 0.3, 0.5])
    kept = np.empty((count, size))
    taken = 0
    for k in range(count):
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
                scale = np.where(spread > 0, spread, scale)
    return kept[SETTLING:]


def wide_of(moments: Moments) -> Floats:
    """Spread of the moments that the model knows nothing of, s, for every moment."""
    return np.maximum(WIDE_S, moments.at_s - moments.before_s)


def drawn(moments: Moments, law: Law, rng: np.random.Generator, *, calm: bool = False) -> Floats:
    """One draw of all moments, s; those of one step lie at the same quantile of their laws.

    ``calm``: the same draw with every moment that the model knows in the middle of its law.
    """
    steps = int(moments.step.max()) + 1 if moments.step.shape[0] else 0
    k = int(rng.integers(0, law.spread_s.shape[0]))
    place, kind = rng.random(steps)[moments.step], rng.random((moments.step.shape[0],))
    if calm:
        known = np.isfinite(law.model_s)
        place, kind = np.where(known, 0.5, place), np.where(known, 0.0, kind)
    return _placed(moments, law, k, place, kind)


def likely(moments: Moments, law: Law) -> Floats:
    """The middle of every moment's law, s; of the step, where no model knows it."""
    nothing = np.zeros(moments.step.shape[0])
    return _placed(moments, law, law.spread_s.shape[0] // 2, np.full(nothing.shape[0], 0.5), nothing)


def _placed(moments: Moments, law: Law, k: int, place: Floats, kind: Floats) -> Floats:
    """Moments at quantile ``place`` of the law number ``k``; ``kind``, 0..1, says which of its two parts."""
    from scipy.special import ndtr, ndtri

    centre = law.model_s + law.shift_s[k][moments.opens.astype(np.int64)]
    wide_s = wide_of(moments)
    sd, missed = np.hypot(law.spread_s[k], law.side_m[k] * law.lean_s_m), law.missed[k]
    with np.errstate(invalid="ignore"):
        low, high = ndtr((moments.before_s - centre) / sd), ndtr((moments.at_s - centre) / sd)
        wide_low, wide_high = ndtr((moments.before_s - centre) / wide_s), ndtr((moments.at_s - centre) / wide_s)
        near, wide = (1.0 - missed) * (high - low), missed * (wide_high - wide_low)
        by_near = centre + sd * ndtri(low + place * (high - low))
        by_wide = centre + wide_s * ndtri(wide_low + place * (wide_high - wide_low))
        out = np.where((high - low > MIN_MASS) & (kind * (near + wide) < near), by_near, by_wide)
        known = wide_high - wide_low > MIN_MASS
    evenly = moments.before_s + place * (moments.at_s - moments.before_s)
    return np.clip(np.where(known & np.isfinite(out), out, evenly), moments.before_s, moments.at_s)
