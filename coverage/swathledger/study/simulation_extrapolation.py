"""From redrawn figures to an interval for what really happened: errors that were made twice are taken off again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import InputError
from swathledger.study.collected import AS_LOGGED
from swathledger.study.headline import finest_of, is_replayed

Floats = NDArray[np.float64]
REDUCED = 0.25
"""Size of errors, as a share of what they are, over which the finest replay is averaged before errors are added."""


@dataclass(frozen=True, slots=True)
class Excess:
    """What errors made twice have added to the mean of redrawn figures, above the truth.

    Attributes
    ----------
    spans : tuple of (float, float)
        It is a sum of parts, each known between two bounds only and spread evenly between them, by itself. Which bounds
        they are depends on the figure, see :func:`excess_by_figure`; they may be below 0 and in any order.
    error : float
        Standard error of the mean of the draws less the middle of it, as draws are few.
    outcomes : bool
        Whether the figure is one outcome of decisions, of which the truth is another and the draws are more. Otherwise
        what is drawn is an error of the figure, and the truth lies on the other side of it.
    """

    spans: tuple[tuple[float, float], ...]
    error: float
    outcomes: bool = False

    @property
    def least(self) -> float:
        """The smallest that it can be."""
        return sum(min(span) for span in self.spans)

    @property
    def most(self) -> float:
        """The largest that it can be."""
        return sum(max(span) for span in self.spans)

    def __sub__(self, other: Excess) -> Excess:
        turned = tuple((-high, -low) for low, high in other.spans)
        return Excess(self.spans + turned, math.hypot(self.error, other.error))

    def spread(self) -> Floats:
        """Equally likely values of it, 25 for each span."""
        out = np.zeros(1)
        for low, high in self.spans:
            out = np.add.outer(out, np.linspace(low, high, 25)).ravel()
        return out


def factors(share: float) -> tuple[float, float]:
    """The excess in terms of what redrawing adds to a figure that holds 1 + share^2 of variance.

    Extrapolating to no error at all (simulation-extrapolation: Cook & Stefanski 1994, J. Am. Stat. Assoc.
    89:1314-1328) needs the shape of growth. It lies between known cases: in line with the variance, and with its root,
    as overlap and skip grow along edges that were met exactly::

        2 / (1 - share^2)    and    sqrt(2) / (sqrt(2) - sqrt(1 + share^2))

    2 and 3.41 for a figure as read, share 0; 2.13 and 3.69 for a quarter.
    """
    two = math.sqrt(2.0)
    return 2.0 / (1.0 - share**2), two / (two - math.sqrt(1.0 + share**2))


def excess_over_read(centre: float, draws: Floats) -> Excess:
    """Excess in a figure that moves smoothly with its inputs: set beside the figure as read.

    Parameters
    ----------
    centre : float
        The figure with every switch in the middle of its step and no error added.
    draws : (n,) float64

    Returns
    -------
    Excess
        By variance, and by its root.
    """
    low, high = factors(0.0)
    m = float(draws.mean()) - centre
    off = (low + high) / 2.0 - 1.0
    return Excess(((low * m, high * m),), off * _sd(draws) / math.sqrt(draws.shape[0]))


def excess_over_reduced(reduced: Floats, draws: Floats) -> Excess:
    """Excess in a figure that jumps: set beside its mean under errors of `REDUCED` of their size.

    Parameters
    ----------
    reduced : (k,) float64
        Redrawn from the same numbers as the first k of ``draws``, so that the two means err alike.
    draws : (n,) float64

    Returns
    -------
    Excess
        At least what was added alone, as a replay decides anew and the errors read may have cost it nothing; at most
        what goes with the root of the variance.
    """
    low, high = 1.0, factors(REDUCED)[1]
    m = float(draws.mean()) - float(reduced.mean())
    k, n = reduced.shape[0], draws.shape[0]
    both = min(k, n)
    alike = float(np.cov(reduced[:both], draws[:both])[0, 1]) if both > 1 else 0.0
    # mean(draws) - factor m = factor mean(reduced) - (factor - 1) mean(draws)
    f = (low + high) / 2.0
    variance = (
        f**2 * _sd(reduced) ** 2 / k + (f - 1.0) ** 2 * _sd(draws) ** 2 / n - 2.0 * f * (f - 1.0) * alike / max(k, n)
    )
    return Excess(((low * m, high * m),), math.sqrt(max(variance, 0.0)))


def _sd(values: Floats) -> float:
    return float(values.std(ddof=1)) if values.shape[0] > 1 and np.ptp(values) >= 1e-12 else 0.0


def excess_by_figure(
    centre: Mapping[str, float], reduced: Mapping[str, Floats], drawn: Mapping[str, Floats]
) -> dict[str, Excess]:
    """What errors made twice have added to every headline.

    What was done as logged moves smoothly with its inputs, and is set beside itself as read. A replay decides anew, and
    for wide groups by a hair: a sliver left over beside a pass opens the whole boom along it or does not, as a
    centimetre has it. Its figure as read is one outcome of many, and the true drive's is another: neither is the middle
    of the redrawn ones. Hence

    - the finest layout replayed, whose groups have least to decide, is set beside its mean under errors of a quarter of
      their size (`REDUCED`): they scatter such outcomes, and have added only 1/16 of the variance;
    - wider layouts hold between nothing and that most. Errors add up along edges, the boundary and the seams between
      passes, and those are the same whatever the width of a group; but a wide group treats some of that ground twice
      anyway. What is a wide group's own are its decisions; the true drive's are spread as the redrawn ones are, two
      heaps where those have two;
    - `limit`, a valve for every cell, has no edges to overlap: nothing adds up;
    - a saving is given the difference of its two layouts: from the log to the finest, each between its own bounds, as
      the one may add up in one way and the other in another; from the widest to the finest, nothing where they share
      it all, or less by the finest's least.

    Parameters
    ----------
    centre : figure by name, with every switch in the middle of its step and no error added
    reduced, drawn : figures by name under errors of `REDUCED` of their size, and of all of it, from the same numbers

    Raises
    ------
    InputError
        A layout was replayed, and ``reduced`` lacks it.
    """
    finest = finest_of(drawn)
    edges: Excess | None = None
    if finest is not None:
        name = f"over_pct:{finest}"
        if name not in reduced or name not in drawn:
            raise InputError(f"no figures of {finest!r} under errors of a quarter of their size.", column=name)
        edges = excess_over_reduced(reduced[name], drawn[name])
    out: dict[str, Excess] = {}
    for name, values in drawn.items():
        own = _sd(values) / math.sqrt(values.shape[0])
        if not is_replayed(name):
            out[name] = excess_over_read(centre[name], values)
        elif edges is None or name == "over_pct:limit":
            out[name] = Excess((), own)
        elif name == f"over_pct:{finest}":
            out[name] = edges
        elif name.startswith(f"saving:{AS_LOGGED}:"):
            logged = f"over_pct:{AS_LOGGED}"
            out[name] = excess_over_read(centre[logged], drawn[logged]) - edges
        elif name.startswith("saving:"):
            out[name] = Excess(((-edges.spans[0][0], 0.0),), own, outcomes=True)
        else:
            out[name] = Excess(((0.0, edges.spans[0][1]),), math.hypot(own, edges.error), outcomes=True)
    return out


def interval_for_truth(draws: Floats, excess: Excess, level: float, *, floor: bool = True) -> tuple[float, float]:
    """Interval for the true figure from figures redrawn about the one that was read.

    Errors added to a drive that has errors already do again some of what they did once: redrawn figures lie about the
    truth and that excess. How much it is is known between bounds, and what is taken off is spread evenly
    between them::

        truth = mean(draws) - excess - stretch (draw - mean(draws)),    excess over ``excess.spread()``

    with + for - before the stretch where draws are outcomes rather than errors, and the interval holds the middle
    ``level`` of that. An area cannot be negative: ends below 0 are moved to 0 where no draw is.
    tests/study/test_world_coverage.py counts how often it holds a known truth.

    Parameters
    ----------
    draws : (n,) float64
    excess : Excess
        Of this figure, see :func:`excess_by_figure`.
    floor : bool
        Whether the figure is an area; a saving may be negative.
    """
    mean, sd = float(draws.mean()), _sd(draws)
    stretch = stretch_of(draws.shape[0], level, excess.error / sd if sd > 0 else 0.0)
    way = stretch if excess.outcomes else -stretch
    truths = (mean - excess.spread())[:, None] + way * (draws - mean)[None, :]
    low, high = (float(q) for q in np.quantile(truths, [(1.0 - level) / 2.0, (1.0 + level) / 2.0]))
    return (max(0.0, low), max(0.0, high)) if floor and float(draws.min()) >= 0 else (low, high)


def stretch_of(draws: int, level: float, middle: float) -> float:
    """How much wider than their spread n draws must be taken to foretell one more: Student's t over the normal.

    ``t(tail; n - 1) sqrt(1 + middle^2) / z(tail)``, where ``middle`` is the standard error of the middle that is taken,
    as a share of the spread of the draws. For their mean it is 1 / sqrt(n): 1.17 for 10 draws, 1.04 for 40, 1.01 for
    200 at 90 %.
    """
    from statistics import NormalDist

    from scipy import stats

    upper = (1.0 + level) / 2.0
    normal = NormalDist().inv_cdf(upper)
    return float(stats.t.ppf(upper, draws - 1)) * math.sqrt(1.0 + middle**2) / normal
