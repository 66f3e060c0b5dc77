"""A field whose lines are drawn elsewhere."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger.estimate.sizes import BOUNDARY_LENGTH_M
from swathledger.field.field import Field

Floats = NDArray[np.float64]
_RING_STEP_M = 5.0


def moved_ring(points: Floats, sigma: float, length_m: float, rng: np.random.Generator, sign: float = 1.0) -> Floats:
    """A closed ring with every point moved, smoothly along the line: Gaussian correlation of length ``length_m``.

    A periodic series ``sum_k c_k (a_k cos + b_k sin)`` with ``c_k^2`` in proportion to
    ``exp(-(2 pi k length / perimeter)^2 / 2)``, scaled to variance ``sigma^2``; k = 0 moves the whole ring.
    """
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    perimeter = float(station[-1])
    most = max(1, math.ceil(4.0 * perimeter / (2 * math.pi * length_m)))
    k = np.arange(most + 1)
    spectrum = np.exp(-((2 * math.pi * k * length_m / perimeter) ** 2) / 2) * np.where(k == 0, 1.0, 2.0)
    weight = sigma * np.sqrt(spectrum / spectrum.sum())
    phase = 2 * math.pi * np.outer(station / perimeter, k)
    draws = sign * rng.standard_normal((2, 2, most + 1)) * weight
    moved = np.asarray(points + np.cos(phase) @ draws[0].T + np.sin(phase) @ draws[1].T, dtype=np.float64)
    moved[-1] = moved[0]
    return moved


def _moved_polygons(
    shape: Polygon | MultiPolygon, sigma: float, length_m: float, rng: np.random.Generator, sign: float
) -> Any:
    parts = []
    for part in shapely.get_parts(shape):
        rings = []
        for ring in (part.exterior, *part.interiors):
            points = shapely.get_coordinates(shapely.segmentize(ring, _RING_STEP_M))
            rings.append(moved_ring(points, sigma, length_m, rng, sign))
        parts.append(Polygon(rings[0], rings[1:]))
    out: Any = shapely.union_all([shapely.buffer(part, 0.0) for part in parts])
    return out if isinstance(out, Polygon | MultiPolygon) else MultiPolygon()


def moved_field(
    field: Field, sigma_m: float, rng: np.random.Generator, sign: float = 1.0, *, length_m: float = BOUNDARY_LENGTH_M
) -> Field:
    """The field with its lines moved; exclusions move on their own and stay inside the boundary.

    ``sign`` -1 gives the same draw the other way round.
    """
    if sigma_m <= 0:
        return field
    boundary = _moved_polygons(field.boundary, sigma_m, length_m, rng, sign)
    if boundary.is_empty:
        return field
    exclusions: Any = field.exclusions
    if not exclusions.is_empty:
        exclusions = shapely.intersection(_moved_polygons(field.exclusions, sigma_m, length_m, rng, sign), boundary)
        exclusions = MultiPolygon(
            [p for p in shapely.get_parts(exclusions) if isinstance(p, Polygon) and not p.is_empty]
        )
    return replace(field, boundary=boundary, exclusions=exclusions)
