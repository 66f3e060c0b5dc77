"""A field whose lines are drawn elsewhere."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger.estimate.sizes import BOUNDARY_LENGTH_M
from swathledger.field.field import Field

Floats = NDArray[np.float64]
_RING_STEP_M = 5.0


@dataclass(frozen=True, slots=True)
class Edge:
    """Where the edge of the field was seen along one ring of a boundary; ``m`` places.

    Attributes
    ----------
    station_m : (m,) float64
        Along the ring.
    out : (m, 2) float64
        Unit vectors out of the field, square to the ring.
    away_m : (m,) float64
        How far out the edge was seen.
    noise_m : float
        Of what was seen, one standard deviation, new in every place.
    shared_m2 : (m, m) float64
        Covariance of what else is in it: a margin that was kept, a receiver that was off.
    """

    station_m: Floats
    out: Floats
    away_m: Floats
    noise_m: float
    shared_m2: Floats

    def told(self, series: Callable[[Floats], Floats]) -> Floats:
        """What is seen at every place of each of a ring's Gaussian numbers, those of east first."""
        at = series(self.station_m)
        return np.concatenate([self.out[:, :1] * at, self.out[:, 1:] * at], axis=1)


def series_of(perimeter_m: float, sigma: float, length_m: float) -> Callable[[Floats], Floats]:
    """The periodic series of :func:`moved_ring`: (n, k) values at stations of k numbers of variance 1, for one axis."""
    most = max(1, math.ceil(4.0 * perimeter_m / (2 * math.pi * length_m)))
    k = np.arange(most + 1)
    spectrum = np.exp(-((2 * math.pi * k * length_m / perimeter_m) ** 2) / 2) * np.where(k == 0, 1.0, 2.0)
    weight = sigma * np.sqrt(spectrum / spectrum.sum())

    def series(at: Floats) -> Floats:
        phase = 2 * math.pi * np.outer(at / perimeter_m, k)
        return np.concatenate([np.cos(phase) * weight, np.sin(phase) * weight], axis=1)

    return series


def moved_ring(
    points: Floats, sigma: float, length_m: float, rng: np.random.Generator, sign: float = 1.0, edge: Edge | None = None
) -> Floats:
    """A closed ring with every point moved, smoothly along the line: Gaussian correlation of length ``length_m``.

    A periodic series ``sum_k c_k (a_k cos + b_k sin)`` with ``c_k^2`` in proportion to
    ``exp(-(2 pi k length / perimeter)^2 / 2)``, scaled to variance ``sigma^2``; k = 0 moves the whole ring.

    Parameters
    ----------
    sign : float
        -1: the same draw the other way round, about its mean.
    edge : Edge, optional
        The ring is drawn from those that go with what was seen: of linear Gaussian numbers ``z`` with ``A z`` seen, the
        mean is ``A' (A A' + V)^-1 seen``, and a draw less the mean that its own ``A z + noise`` would give lies
        about it as it should.
    """
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    series = series_of(float(station[-1]), sigma, length_m)
    # cosines and sines of east, then of north
    z = np.concatenate(rng.standard_normal((2, 2, series(station[:1]).shape[1] // 2)).transpose(1, 0, 2).reshape(2, -1))
    mean = np.zeros_like(z)
    if edge is not None:
        told = edge.told(series)
        n = told.shape[0]
        other = edge.noise_m**2 * np.eye(n) + edge.shared_m2
        among, noise = told @ told.T + other, np.linalg.cholesky(other) @ rng.standard_normal(n)
        weights = np.linalg.solve(among, np.stack([edge.away_m, told @ z + noise], axis=1))
        mean, own = told.T @ weights[:, 0], told.T @ weights[:, 1]
        z = z - own
    moves = mean + sign * z
    moved = np.asarray(points + series(station) @ moves.reshape(2, -1).T, dtype=np.float64)
    moved[-1] = moved[0]
    return moved


def rings_of(shape: Polygon | MultiPolygon) -> list[tuple[Any, bool]]:
    """Rings of all parts, the outer one of each first, and whether it is one."""
    return [
        (ring, k == 0) for part in shapely.get_parts(shape) for k, ring in enumerate((part.exterior, *part.interiors))
    ]


def _moved_polygons(
    shape: Polygon | MultiPolygon,
    sigma: float,
    length_m: float,
    rng: np.random.Generator,
    sign: float,
    edges: Sequence[Edge | None] = (),
) -> Any:
    parts = []
    told = iter(edges)
    for part in shapely.get_parts(shape):
        rings = []
        for ring in (part.exterior, *part.interiors):
            points = shapely.get_coordinates(shapely.segmentize(ring, _RING_STEP_M))
            rings.append(moved_ring(points, sigma, length_m, rng, sign, next(told, None)))
        parts.append(Polygon(rings[0], rings[1:]))
    out: Any = shapely.union_all([shapely.buffer(part, 0.0) for part in parts])
    return out if isinstance(out, Polygon | MultiPolygon) else MultiPolygon()


def moved_field(
    field: Field,
    sigma_m: float,
    rng: np.random.Generator,
    sign: float = 1.0,
    *,
    length_m: float = BOUNDARY_LENGTH_M,
    edges: Sequence[Edge | None] = (),
) -> Field:
    """The field with its lines moved; exclusions move on their own and stay inside the boundary.

    ``sign`` -1 gives the same draw the other way round. ``edges``: what was seen along the boundary's rings, in the
    order of :func:`rings_of`.
    """
    if sigma_m <= 0:
        return field
    boundary = _moved_polygons(field.boundary, sigma_m, length_m, rng, sign, edges)
    if boundary.is_empty:
        return field
    exclusions: Any = field.exclusions
    if not exclusions.is_empty:
        exclusions = shapely.intersection(_moved_polygons(field.exclusions, sigma_m, length_m, rng, sign), boundary)
        exclusions = MultiPolygon(
            [p for p in shapely.get_parts(exclusions) if isinstance(p, Polygon) and not p.is_empty]
        )
    return replace(field, boundary=boundary, exclusions=exclusions)
