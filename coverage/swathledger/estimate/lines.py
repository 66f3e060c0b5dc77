"""Whether a machine went by the drawn boundary or by the edge of the field itself: what the sprayed edge tells."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.estimate.fields import Edge, rings_of, series_of
from swathledger.estimate.sizes import BOUNDARY_LENGTH_M, WHITE_SHARE, Sizes
from swathledger.field.field import Field
from swathledger.notes import Measure, Note
from swathledger.swath.swath import Swath

Floats = NDArray[np.float64]
TIP_STEP_M, PLACE_M = 5.0, 25.0
"""Ends of the boom are looked at so often, and count as seen anew so often: half the length of the boundary's error."""
NEAR_M = 1.0
"""Ends of the boom as near to the boundary are taken to be driven along it."""
ALONG_COS = math.cos(math.radians(15.0))
LEAST_M, MOST_M = 0.02, 0.5
"""How closely machines keep to what they go by, one standard deviation: from the best guided one to a hand."""
MARGIN_M = 0.3
"""A margin that is kept all round, one standard deviation."""
LEAST_LENGTHS = 2.0
"""Lengths of the boundary's error that must have been driven along."""
_KEEPING = 41


@dataclass(frozen=True, slots=True)
class Followed:
    """What the sprayed edge tells of the boundary.

    Attributes
    ----------
    inside : float
        How likely the boundary's error is between it and what was driven, 0..1; otherwise the machine went by this very
        line, and was off with it.
    scatter_m : float or None
        Of the sprayed edge about the boundary, one standard deviation; None where too little was driven along it.
    edges : tuple of (Edge or None)
        Where the edge of the field was seen, if it was what the machine went by; by ring.
    """

    inside: float
    scatter_m: float | None
    edges: tuple[Edge | None, ...] = ()

    def note(self) -> Note:
        """What was found, told."""
        if self.scatter_m is None:
            return Note.of("estimate.boundary_not_followed")
        return Note.of(
            "estimate.boundary_followed", scatter=Measure(self.scatter_m, "length"), beside=100.0 * (1.0 - self.inside)
        )


def followed(swath: Swath, field: Field, sizes: Sizes) -> Followed:
    """Whether the machine went by the drawn boundary or by what was there, and where the edge was seen.

    The sprayed edge lies about what was gone by with the machine's own keeping ``v``, new in every place, and a margin,
    the same in all; about any other line by that line's error too, which is smooth. The log's receiver is in it as well
    where it does not steer. Which of both it is, and ``v``: by the Gaussian likelihood of the distances, with all ``v``
    between :data:`LEAST_M` and :data:`MOST_M` as likely on a scale of logarithms, and a margin of the antenna's place
    alone or of :data:`MARGIN_M` as likely.
    """
    seen = sprayed_edge(swath, field)
    sigma_m = sizes.boundary_m
    if sigma_m <= 0 or seen.length_m < LEAST_LENGTHS * BOUNDARY_LENGTH_M:
        return Followed(0.5, None)
    edges = [_edge(seen, ring, sizes.receiver_time_s) for ring in range(seen.rings)]
    keeping = np.geomspace(LEAST_M, MOST_M, _KEEPING) ** 2
    margins = np.array([sizes.antenna_m, MARGIN_M]) ** 2
    in_log = (1.0 - WHITE_SHARE) * sizes.receiver_m**2 * {True: 0.0, None: 0.5, False: 1.0}[sizes.steers]
    # log likelihoods by margin and keeping, of another line and of this very one
    inside, beside = np.zeros((2, 2, _KEEPING))
    for edge, (ring, _) in zip(edges, rings_of(field.boundary), strict=True):
        if edge is not None:
            told = edge.told(series_of(ring.length, sigma_m, BOUNDARY_LENGTH_M))
            receiver = in_log * edge.shared_m2
            for k, margin in enumerate(margins):
                inside[k] += _likelihoods(told @ told.T + receiver + margin, edge.away_m, keeping)
                beside[k] += _likelihoods(receiver + margin, edge.away_m, keeping)
    most = max(inside.max(), beside.max())
    inside, beside = np.exp(inside - most), np.exp(beside - most)
    k = int(inside.sum(axis=1).argmax())
    noise = math.sqrt(float(inside[k] @ keeping / inside[k].sum()))
    whole = tuple(
        None if edge is None else replace(edge, noise_m=noise, shared_m2=in_log * edge.shared_m2 + margins[k])
        for edge in edges
    )
    scatter = 1.4826 * float(np.median(np.abs(seen.away_m)))
    return Followed(float(inside.sum() / (inside.sum() + beside.sum())), scatter, whole)


def _likelihoods(shared: Floats, away_m: Floats, keeping: Floats) -> Floats:
    """Log likelihood of distances of a covariance and each of some variances new in every place; up to a constant."""
    value, vector = np.linalg.eigh(shared)
    variance = np.maximum(value, 0.0)[:, None] + keeping
    return np.asarray(-0.5 * (np.log(variance) + ((vector.T @ away_m) ** 2)[:, None] / variance).sum(axis=0))


def _edge(seen: Sprayed, ring: int, receiver_time_s: float) -> Edge | None:
    """What was seen along a ring, the median over every :data:`PLACE_M`; corners that stand out are left out.

    ``shared_m2`` is the correlation of a receiver's error.
    """
    mine = np.flatnonzero(seen.ring == ring)
    if mine.shape[0] == 0:
        return None
    place = np.floor(seen.station_m[mine] / PLACE_M)
    groups = [mine[place == own] for own in np.unique(place)]
    away = np.array([np.median(seen.away_m[group]) for group in groups])
    middle = float(np.median(away))
    wide = 3.0 * 1.4826 * float(np.median(np.abs(away - middle)))
    groups = [group for group, own in zip(groups, away, strict=True) if abs(own - middle) <= wide]
    out = np.array([seen.out[group].mean(axis=0) for group in groups])
    out = out / np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-9)[:, None]
    station = np.array([seen.station_m[group].mean() for group in groups])
    when = np.array([seen.time_s[group].mean() for group in groups])
    alike = np.exp(-np.abs(when[:, None] - when) / receiver_time_s) * (out @ out.T)
    return Edge(station, out, away[np.abs(away - middle) <= wide], 0.0, alike)


@dataclass(frozen=True, slots=True)
class Sprayed:
    """Ends of the boom where it was driven along the boundary; one every :data:`TIP_STEP_M`, ``n`` in all.

    Attributes
    ----------
    ring : (n,) int64
        Of the boundary, in the order of :func:`rings_of`; ``rings`` of them.
    station_m : (n,) float64
        Along the ring.
    out : (n, 2) float64
        Unit vectors out of the field, square to the ring.
    away_m : (n,) float64
        Distance from the boundary, out of the field.
    time_s : (n,) float64
    length_m : float
        Way so driven.
    """

    rings: int
    ring: NDArray[np.int64]
    station_m: Floats
    out: Floats
    away_m: Floats
    time_s: Floats
    length_m: float


def sprayed_edge(swath: Swath, field: Field) -> Sprayed:
    """Where the boom's ends were driven along the boundary."""
    way = np.concatenate([[0.0], np.cumsum(swath.distance_m)])
    step = swath.ribbon_step
    first = np.flatnonzero(np.diff(np.floor(way[step] / TIP_STEP_M), prepend=-1.0) > 0)
    # all runs of open nozzles of the steps taken, both ends of each
    ribbon = np.flatnonzero(np.isin(step, step[first]))
    s = np.concatenate([step[ribbon], step[ribbon]])
    lateral = np.concatenate([swath.ribbon_left_m[ribbon], swath.ribbon_right_m[ribbon]])
    x, y = swath.x_m[s] + lateral * swath.right_x[s], swath.y_m[s] + lateral * swath.right_y[s]
    tips = np.asarray(shapely.points(x, y))
    rings = rings_of(field.boundary)
    lines = np.array([ring for ring, _ in rings], dtype=object)
    found, away = shapely.STRtree(lines).query_nearest(
        tips, max_distance=NEAR_M, return_distance=True, all_matches=False
    )
    tip, ring = found
    at = np.asarray(shapely.line_locate_point(lines[ring], tips[tip]))
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines[ring], np.maximum(at + d, 0.0)))
        for d in (-0.5, 0.5)
    ]
    course = ends[1] - ends[0]
    course = course / np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-9)[:, None]
    k = s[tip]
    along = np.abs(course[:, 1] * swath.right_x[k] - course[:, 0] * swath.right_y[k]) > ALONG_COS
    # a ring that runs counter-clockwise has its inside on the left
    turn = np.array([1.0 if own.is_ccw == outer else -1.0 for own, outer in rings])[ring]
    out = np.stack([course[:, 1] * turn, -course[:, 0] * turn], axis=1)
    signed = np.where(shapely.contains_properly(field.boundary, tips[tip]), -away, away)
    length_m = TIP_STEP_M * float(np.unique(k[along]).shape[0])
    return Sprayed(
        len(rings),
        ring[along].astype(np.int64),
        at[along],
        out[along],
        signed[along],
        np.asarray(swath.time_s[k])[along],
        length_m,
    )
