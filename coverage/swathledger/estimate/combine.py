"""From figures of redrawn drives to a best estimate and its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.estimate.carrier import Headline

Floats = NDArray[np.float64]
LEAN = 0.35
"""How far from the least to the most of :func:`growth` the middle is taken."""
MISSED = 1.35
"""What happened lies so many times farther from the mean of drives with drawn moments than these lie apart: valves miss
the controller's moment in more ways than one law has. Measured once, on 96 drives of known truth."""
BENDS, BENDS_SD = 0.1, 0.16
"""Share of what leaving out every second row does that the rows themselves leave out, and how well that is known."""
ROOT = math.sqrt(2.0) + 1.0
"""What errors added is so many times what the same errors add once more, where figures grow with the root of variance
from nothing; 1 where they grow in line with it."""


@dataclass(frozen=True, slots=True)
class Pull:
    """What one source does to a figure; ``d`` draws.

    Attributes
    ----------
    source : str
    inside : float
        How likely the error is inside the log (the machine was where it was, and the log says otherwise) and not beside
        it (the machine was elsewhere than the log says), 0..1.
    centre : (d,) float64
        The figure of a drive without it.
    plus, minus : (d,) float64
        With the error as drawn, and the other way round.
    """

    source: str
    inside: float
    centre: Floats
    plus: Floats
    minus: Floats


def growth(once_more: float, there: float) -> tuple[float, float]:
    """What errors in the log have added, in terms of what they add once more: the least and the most.

    Growth of a figure with the variance of errors, in units of that added, is ``a + b sqrt(c + v)``. With a = 0 its
    rise from v = 1 to 2 over its height at 1 gives c, and that the least; c = 0, nothing but errors, the most. Cook &
    Stefanski (1994), J. Am. Stat. Assoc. 89:1314-1328, have the idea: add errors, see what they do, take off the same.
    """
    if there <= 0 or once_more <= 1e-9 * there:
        return 1.0, ROOT
    share = min(once_more / there, ROOT - 2.0)
    c = max(1.0 / ((1.0 + share) ** 2 - 1.0) - 1.0, 0.0)
    least = (math.sqrt(c + 1.0) - math.sqrt(c)) / (math.sqrt(c + 2.0) - math.sqrt(c + 1.0)) if c < 1e6 else 1.0
    return least, max(ROOT, least)


@dataclass(frozen=True, slots=True)
class Effect:
    """What a source adds to a figure: to its middle, and to its variance."""

    source: str
    moves: float
    sd: float


def either(first: Effect, second: Effect, chance: float) -> Effect:
    """One of two things, the second with a chance: mean and variance of the mixture."""
    moves = (1.0 - chance) * first.moves + chance * second.moves
    variance = (1.0 - chance) * (first.sd**2 + (first.moves - moves) ** 2)
    return Effect(first.source, moves, math.sqrt(variance + chance * (second.sd**2 + (second.moves - moves) ** 2)))


def effect_of(pull: Pull) -> Effect:
    """What a source does.

    With ``even`` the mean of ``(plus + minus) / 2 - centre`` and ``odd`` the root mean square of ``(plus - minus) /
    2``: beside the log it adds ``even`` to the middle; inside it, ``g`` times ``even`` is taken off, with ``g``
    between the bounds of :func:`growth`.
    """
    evens = (pull.plus + pull.minus) / 2.0 - pull.centre
    odd = math.sqrt(float((((pull.plus - pull.minus) / 2.0) ** 2).mean()))
    even, d = float(evens.mean()), evens.shape[0]
    own = float(evens.std(ddof=1)) if d > 1 else 0.0
    few = own / math.sqrt(d)
    low, high = growth(even, float(pull.centre.mean()))
    g = low + LEAN * (high - low)
    beside = Effect(pull.source, even, math.hypot(odd, own, few))
    inside = Effect(pull.source, -g * even, math.hypot(odd, abs(even) * (high - low) / math.sqrt(12.0), g * few))
    return either(beside, inside, pull.inside)


def switching_of(base: float, full: Floats, calm: Floats, inside: float) -> Effect:
    """What moments between rows do.

    Parameters
    ----------
    base : float
        With valves moved at the rows that show it.
    full, calm : (d,), (n,) float64
        At drawn moments, and for the first of these drives with all that the model knows in the middle of their laws.
    inside : float
        How likely what scatters is the model about the machine, and not the machine about the model. The scatter adds
        ``x`` to a figure: beside the log, on top of the middle; inside it, the middle has it already.
    """
    d, n = full.shape[0], calm.shape[0]
    own = float(full.std(ddof=1)) if d > 1 and np.ptp(full) > 1e-12 else 0.0
    x = float((full[:n] - calm).mean()) if n else 0.0
    moves = float(full.mean()) - base - 2.0 * inside * x
    unsure = 2.0 * math.sqrt(inside * (1.0 - inside)) * x
    return Effect("switching", moves, math.hypot(MISSED * own * math.sqrt(1.0 + 1.0 / d), unsure))


def bends_of(thinned: Floats) -> Effect:
    """What the way between rows leaves untold, from what leaving out every second row does, ``D``.

    An error that grows with the square of the step is a third of D (Richardson), with its fourth power a fifteenth: a
    tenth is taken off, and may be wrong by a sixth.
    """
    d = float(thinned.mean())
    return Effect("bends", -BENDS * d, BENDS_SD * abs(d))


def headline(
    quantity: str,
    read: float,
    effects: Sequence[Effect],
    draws: int,
    cells: float,
    level: float,
    thinned: Floats | None = None,
    *,
    floor: bool,
) -> Headline:
    """The headline of a figure.

    Parameters
    ----------
    read : float
        The figure as audited.
    effects : sequence of Effect
        Of all sources.
    draws : int
        Of the switching, whose variance is told from so many.
    cells : float
        Standard error of sampling in cells.
    thinned : (k,) float64, optional
        What leaving out every second row does.
    floor : bool
        An area: what lies below 0 is moved to 0.
    """
    from scipy.special import stdtrit

    effects = list(effects)
    if thinned is not None:
        effects.append(bends_of(thinned))
    best = read + math.fsum(effect.moves for effect in effects)
    by_source = {"cells": cells}
    for effect in effects:
        by_source[effect.source] = math.hypot(by_source.get(effect.source, 0.0), effect.sd)
    reach = float(stdtrit(max(draws - 1, 2), (1.0 + level) / 2.0)) * math.hypot(*by_source.values())
    low, high = best - reach, best + reach
    if floor:
        best, low, high = max(best, 0.0), max(low, 0.0), max(high, 0.0)
    largest = max(by_source, key=lambda name: by_source[name])
    moves: dict[str, float] = {}
    for effect in effects:
        moves[effect.source] = moves.get(effect.source, 0.0) + effect.moves
    dominant = largest if by_source[largest] > 0 else None
    return Headline(quantity, read, best, low, high, level, dominant, by_source, moves)


def saving_headline(
    quantity: str, read: float, switched: Floats, drawn: Floats, model: float, level: float, steers: bool
) -> Headline:
    """The headline of a saving, from a few replays: a figure that may jump, and may be negative.

    Parameters
    ----------
    read : float
    switched, drawn : (k,), (n,) float64
        On drives with valves moved alone, and with every error.
    model : float
        How far off the controller model may make it, one standard deviation.
    steers : bool
        Whether the machine was beside the log: the middle is that of the drives with every error. Otherwise it is that
        of the drives with valves moved alone, and may be wrong by what the errors add.
    """
    from scipy.special import ndtri, stdtrit

    n = drawn.shape[0]
    sd = float(drawn.std(ddof=1)) if n > 1 and np.ptp(drawn) > 1e-12 else 0.0
    best = float(drawn.mean()) if steers else float(switched.mean())
    unsure = 0.0 if steers else float(drawn.mean()) - best
    by_source = {"errors": math.hypot(sd * math.sqrt(1.0 + 1.0 / n), unsure), "model": model}
    reach = float(stdtrit(max(n - 1, 1), (1.0 + level) / 2.0)) * sd * math.sqrt(1.0 + 1.0 / n)
    reach = math.hypot(reach, float(ndtri((1.0 + level) / 2.0)) * math.hypot(unsure, model))
    largest = max(by_source, key=lambda name: by_source[name])
    dominant = largest if by_source[largest] > 0 else None
    moves = {"errors" if steers else "switching": best - read}
    return Headline(quantity, read, best, best - reach, best + reach, level, dominant, by_source, moves)
