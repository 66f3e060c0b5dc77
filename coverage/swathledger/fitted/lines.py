"""Spacing of neighbouring passes, and what its alternation says of the antenna's place beside the boom's centre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import stdtrit

from swathledger.errors import InputError
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAMPLE_M = 5.0
PARALLEL_COS = float(np.cos(np.deg2rad(8.0)))
RUN_TURN_RAD = float(np.deg2rad(50.0))
"""A run ends where its heading has moved this far from the one it began with."""
RUN_SAMPLES = 6
PAIR_SAMPLES = 5
NEAREST, FARTHEST = 0.6, 1.4
"""Neighbours lie within these shares of the boom's width."""
LEAST_PAIRS = 3
LEVEL = 0.90
LEAST_OFF_M = 0.05
LEAST_WANDER_M = 0.003
SHARES = (0.02, 0.1, 0.3, 1.0, 3.0, 10.0)
"""Variance of one distance by itself, in units of a pass's."""
MOST_PAIRS = 400
WIDEST_M = 0.5
"""A figure that is known to no better than this says nothing."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Driven spacing and sideways offset, each with its standard error.

    Attributes
    ----------
    spacing_m, spacing_error_m : float or None
        None where fewer than three pairs of neighbouring passes were found.
    right_m, right_error_m : float or None
        How much farther right of the boom's centre the antenna is than the machine file says. None where passes were
        not driven to and fro on both sides. Rests on passes being spaced evenly by the boom's centre.
    wander_m : float or None
        How far, one sigma, passes lie off an even spacing.
    pairs : int
    factor : float
        Standard errors times this are half the width of the 90 % interval.
    """

    spacing_m: float | None
    spacing_error_m: float | None
    right_m: float | None
    right_error_m: float | None
    wander_m: float | None
    pairs: int
    factor: float = 1.645


NOTHING = Lines(None, None, None, None, None, 0)


@dataclass(frozen=True, slots=True)
class _Samples:
    x: Floats
    y: Floats
    right: Floats
    run: Ints


def _samples(swath: Swath) -> _Samples:
    """Places of the boom's centre some metres apart while spraying, and the run each belongs to."""
    way = np.concatenate(([0.0], np.cumsum(swath.distance_m)))
    usable = swath.wanted & swath.linked & ~swath.standing & ~swath.reverse
    slot = np.floor(way[:-1] / SAMPLE_M).astype(np.int64)
    first = np.flatnonzero(usable & np.concatenate(([True], slot[1:] != slot[:-1])))
    heading = np.unwrap(np.arctan2(-swath.right_y, swath.right_x))[first]
    broken = np.concatenate(([0], np.cumsum(~usable)))[first]
    run = np.zeros(first.shape[0], np.int64)
    number, begun = 0, 0
    for k in range(1, first.shape[0]):
        if broken[k] != broken[k - 1] or abs(heading[k] - heading[begun]) > RUN_TURN_RAD:
            number += 1
            begun = k
        run[k] = number
    right = np.column_stack([swath.right_x[first], swath.right_y[first]])
    return _Samples(swath.x_m[first], swath.y_m[first], right, run)


def _pairs(s: _Samples, width_m: float) -> Floats:
    """Rows of run, other run, median distance, side (1: right), 1 (driven the same way) or -1."""
    if s.x.shape[0] < 2 * PAIR_SAMPLES:
        return np.empty((0, 5))
    tree = cKDTree(np.column_stack([s.x, s.y]))
    near = tree.query_pairs(FARTHEST * width_m, output_type="ndarray")
    a, b = near[:, 0], near[:, 1]
    ok = s.run[a] != s.run[b]
    a, b = a[ok], b[ok]
    dx, dy = s.x[b] - s.x[a], s.y[b] - s.y[a]
    same = s.right[a, 0] * s.right[b, 0] + s.right[a, 1] * s.right[b, 1]
    lateral = dx * s.right[a, 0] + dy * s.right[a, 1]
    along = dx * -s.right[a, 1] + dy * s.right[a, 0]
    # at the other run's own heading, so that what lies a little ahead is brought beside
    across = np.abs(dx * s.right[b, 0] + dy * s.right[b, 1])
    ok = (np.abs(same) > PARALLEL_COS) & (np.abs(along) < 0.75 * SAMPLE_M) & (np.abs(lateral) > NEAREST * width_m)
    a, b, lateral, across, same = a[ok], b[ok], lateral[ok], across[ok], same[ok]
    distance = (np.abs(lateral) + across) / 2
    out = []
    key = s.run[a] * (int(s.run.max()) + 1) + s.run[b]
    for value in np.unique(key):
        mine = key == value
        if int(mine.sum()) < PAIR_SAMPLES:
            continue
        side = float(np.sign(np.median(lateral[mine])))
        # a curve that bends about the machine swaps sides: such pairs say nothing
        if np.mean(np.sign(lateral[mine]) == side) < 0.95:
            continue
        first = int(np.flatnonzero(mine)[0])
        out.append((s.run[a[first]], s.run[b[first]], np.median(distance[mine]), side, np.sign(same[first])))
    return np.array(out, dtype=np.float64).reshape(-1, 5)


def _even(pairs: Floats) -> Floats:
    """Pairs near what most of them say (least absolute deviations): last passes and point rows lie where they must."""
    shift = -pairs[:, 3] * (1.0 - pairs[:, 4])
    design = np.column_stack([np.ones(shift.shape[0]), shift])[:, : 1 + int(np.ptp(shift) > 0)]
    off = np.ones(pairs.shape[0])
    for _ in range(40):
        weight = 1.0 / np.maximum(off, 1e-3)
        beta = np.linalg.lstsq(design * np.sqrt(weight)[:, None], pairs[:, 2] * np.sqrt(weight), rcond=None)[0]
        off = np.abs(pairs[:, 2] - design @ beta)
    kept: Floats = pairs[off <= max(4 * 1.4826 * float(np.median(off)), LEAST_OFF_M)]
    return kept


def _least_squares(distance: Floats, design: Floats, shape: Floats, free: int) -> tuple[Floats, Floats, float]:
    """Estimates, their covariance, and the passes' own sigma, m.

    The errors' variance is ``wander^2 (shape + share I)``: what passes are off, and what each distance is off by
    itself. The share is the likeliest of a few (restricted likelihood).
    """
    best = -np.inf
    chosen: tuple[Floats, Floats, float] | None = None
    for share in SHARES:
        both = shape + share * np.eye(distance.shape[0])
        weight = np.linalg.inv(both)
        inner = design.T @ weight @ design
        inverse = np.linalg.inv(inner)
        beta = inverse @ design.T @ weight @ distance
        rest = distance - design @ beta
        variance = max(float(rest @ weight @ rest) / free, LEAST_WANDER_M**2)
        likely = -0.5 * (np.linalg.slogdet(both)[1] + np.linalg.slogdet(inner)[1] + free * float(np.log(variance)))
        if likely > best:
            best = likely
            chosen = beta, np.asarray(inverse * variance, dtype=np.float64), float(np.sqrt(variance))
    if chosen is None:
        raise InputError("distances of passes must be finite")
    return chosen


def measure_lines(swath: Swath) -> Lines:
    """Driven spacing of neighbouring passes, and the sideways offset that its alternation shows.

    With the antenna ``d`` farther right than assumed, each boom lies ``d`` farther left of its own heading: distances
    of opposite neighbours read ``2 d`` wide on one side and narrow on the other. Each run has an error of its own,
    shared by both its distances (generalised least squares).
    """
    width = float(np.ptp(swath.nozzle_edges_m))
    samples = _samples(swath)
    pairs = _pairs(samples, width)
    if pairs.shape[0] < LEAST_PAIRS:
        return NOTHING
    pairs = _even(pairs)
    if pairs.shape[0] < LEAST_PAIRS:
        return NOTHING
    pairs = pairs[:: 1 + (pairs.shape[0] - 1) // MOST_PAIRS]
    shift = -pairs[:, 3] * (1.0 - pairs[:, 4])
    design = np.column_stack([np.ones(pairs.shape[0]), shift])
    told = bool((shift > 0).any() and (shift < 0).any())
    if not told:
        design = design[:, :1]
    runs, index = np.unique(pairs[:, :2].ravel(), return_inverse=True)
    ends = index.reshape(-1, 2)
    spread = np.zeros((pairs.shape[0], runs.shape[0]))
    # one direction along the field for all runs, so that an error moves both neighbours' distances oppositely
    first = np.array([int(np.flatnonzero(samples.run == run)[0]) for run in pairs[:, 0]])
    reference = samples.right[first[0]]
    fold = np.where(samples.right[first] @ reference >= 0, 1.0, -1.0) * pairs[:, 3]
    rows = np.arange(pairs.shape[0])
    spread[rows, ends[:, 1]] += fold
    spread[rows, ends[:, 0]] -= fold
    shape = spread @ spread.T
    free = max(pairs.shape[0] - design.shape[1], 1)
    beta, cov, wander = _least_squares(pairs[:, 2], design, shape, free)
    error = np.sqrt(np.diag(cov))
    factor = float(stdtrit(free, 0.5 + LEVEL / 2))
    even, beside = factor * error[0] < WIDEST_M, told and factor * error[-1] < WIDEST_M
    return Lines(
        float(beta[0]) if even else None,
        float(error[0]) if even else None,
        float(beta[1]) if beside else None,
        float(error[1]) if beside else None,
        wander,
        int(pairs.shape[0]),
        factor,
    )
