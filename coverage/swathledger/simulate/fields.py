"""Synthetic fields: named shapes and random ones of a wanted size and perimeter per area. All invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon, affinity

from swathledger.errors import InputError


@dataclass(frozen=True, slots=True)
class FieldShape:
    """A field on its plane, metres, roughly centred on (0, 0).

    Attributes
    ----------
    exclusions : tuple of Polygon
        Ground not to be treated.
    buffers_m : tuple of float
        Buffer strip round each exclusion, m (to be added by whoever reads the boundary file).
    contour_side : LineString or None
        The side that passes follow, where they are not straight.
    terraces : tuple of LineString
        Lines across the field between which it is worked block by block.
    """

    name: str
    boundary: Polygon
    exclusions: tuple[Polygon, ...] = ()
    buffers_m: tuple[float, ...] = ()
    contour_side: LineString | None = None
    terraces: tuple[LineString, ...] = ()

    @property
    def target(self) -> Polygon | MultiPolygon:
        """Boundary minus the buffered exclusions."""
        out: Polygon | MultiPolygon = self.boundary
        for exclusion, buffer in zip(self.exclusions, self.buffers_m, strict=True):
            out = out.difference(exclusion.buffer(buffer, quad_segs=16))  # type: ignore[assignment]  # polygons only
        return out

    def rotated(self, clockwise_deg: float) -> FieldShape:
        """The shape turned clockwise about (0, 0)."""

        def turn(geometry: Any) -> Any:
            return affinity.rotate(geometry, -clockwise_deg, origin=(0, 0))

        side = self.contour_side
        return FieldShape(
            self.name,
            turn(self.boundary),
            tuple(turn(e) for e in self.exclusions),
            self.buffers_m,
            None if side is None else turn(side),
            tuple(turn(t) for t in self.terraces),
        )


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} must be above 0, found {value}")


def rectangle(length_m: float = 700.0, width_m: float = 300.0) -> FieldShape:
    """A rectangle, long side east-west."""
    _positive(length_m=length_m, width_m=width_m)
    return FieldShape("rectangle", shapely.box(-length_m / 2, -width_m / 2, length_m / 2, width_m / 2))


def triangle(base_m: float = 900.0, height_m: float = 320.0, apex_share: float = 0.12) -> FieldShape:
    """A long triangle: point rows against the slanting side. ``apex_share``: the apex's place along the base."""
    _positive(base_m=base_m, height_m=height_m)
    corners = np.array([(0.0, 0.0), (base_m, 0.0), (apex_share * base_m, height_m)])
    return FieldShape("triangle", Polygon(corners - corners.mean(axis=0)))


def l_shape(length_m: float = 620.0, width_m: float = 480.0, arm_m: float = 230.0) -> FieldShape:
    """An L: both arms ``arm_m`` wide."""
    _positive(length_m=length_m, width_m=width_m, arm_m=arm_m)
    if arm_m >= min(length_m, width_m):
        raise InputError(f"the arms ({arm_m} m) must be narrower than the L ({length_m} x {width_m} m)")
    corners = np.array(
        [(0, 0), (length_m, 0), (length_m, arm_m), (arm_m, arm_m), (arm_m, width_m), (0, width_m)], dtype=np.float64
    )
    return FieldShape("l_shape", Polygon(corners - np.array([length_m, width_m]) / 2))


def contour_sided(length_m: float = 760.0, width_m: float = 330.0, sway_m: float = 55.0) -> FieldShape:
    """A field between two contours: both long sides sway alike, so that passes follow one of them."""
    _positive(length_m=length_m, width_m=width_m, sway_m=sway_m)
    x = np.linspace(-length_m / 2, length_m / 2, 121)
    sway = sway_m * np.sin(2 * np.pi * x / length_m * 0.85 + 0.4)
    low = np.column_stack([x, sway - width_m / 2])
    high = np.column_stack([x, 0.8 * sway + width_m / 2])
    return FieldShape("contour", Polygon(np.vstack([low, high[::-1]])), contour_side=LineString(low))


def waterway_and_pond(length_m: float = 640.0, width_m: float = 420.0) -> FieldShape:
    """A field crossed by a grassed waterway, with a pond: exclusions, the pond with a buffer strip of 5 m."""
    _positive(length_m=length_m, width_m=width_m)
    corners = np.array(
        [(-0.5, -0.5), (0.5, -0.47), (0.5, 0.36), (0.34, 0.5), (-0.5, 0.5)], dtype=np.float64
    ) * np.array([length_m, width_m])
    boundary = Polygon(corners)
    y = np.linspace(-0.6 * width_m, 0.6 * width_m, 41)
    x = 0.16 * length_m + 0.035 * length_m * np.sin(2 * np.pi * y / width_m)
    waterway = LineString(np.column_stack([x, y])).buffer(6.0, cap_style="flat").intersection(boundary)
    angle = np.linspace(0, 2 * np.pi, 37)[:-1]
    radius = 24.0 + 4.0 * np.sin(2 * angle + 0.7) + 2.0 * np.cos(3 * angle)
    pond = Polygon(
        np.column_stack([-0.2 * length_m + 1.25 * radius * np.cos(angle), 0.08 * width_m + radius * np.sin(angle)])
    )
    return FieldShape("waterway", boundary, (waterway, pond), (0.0, 5.0))  # type: ignore[arg-type]  # one band: a Polygon


def terraced(
    blocks: int = 6, spacing_m: float = 60.0, length_m: float = 700.0, sway_m: float | None = None
) -> FieldShape:
    """A field between terraces: ``blocks`` blocks, about ``spacing_m`` apart, that widen and narrow along the slope.

    Each terrace sways by ``sway_m`` (default: a seventh of the spacing) out of step with the one above, so that passes
    which follow one meet the next at a slant: point rows.
    """
    sway = spacing_m / 7.0 if sway_m is None else sway_m
    _positive(blocks=blocks - 1, spacing_m=spacing_m, length_m=length_m)
    x = np.linspace(-length_m / 2 - 5.0, length_m / 2 + 5.0, 101)
    lines = tuple(
        LineString(np.column_stack([x, (k - blocks / 2) * spacing_m + sway * np.sin(2 * np.pi * x / 410.0 + 2.4 * k)]))
        for k in range(1, blocks)
    )
    height = blocks * spacing_m
    boundary = shapely.box(-length_m / 2, -height / 2, length_m / 2, height / 2)
    return FieldShape("terraced", boundary, terraces=lines)


def circle(radius_m: float = 210.0, corners: int = 180) -> FieldShape:
    """A circle, as under a centre pivot, drawn with ``corners`` points."""
    _positive(radius_m=radius_m)
    angle = np.linspace(0, 2 * np.pi, corners + 1)[:-1]
    return FieldShape("circle", Polygon(radius_m * np.column_stack([np.cos(angle), np.sin(angle)])))


def _star(rng: np.random.Generator) -> Callable[[float], Polygon]:
    """A star of 7 to 11 corners; the number 0..1 says how deep its bays are."""
    n = int(rng.integers(7, 12))
    angle = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    bumps = rng.uniform(-1.0, 1.0, n)
    stretch = float(rng.uniform(1.0, 1.5))

    def shape(depth: float) -> Polygon:
        # Towards 0 the corners lie on a finely drawn ellipse, which is as compact as can be.
        fine = np.linspace(0, 2 * np.pi, 73)[:-1]
        radius = 1.0 + 0.55 * depth * np.interp(fine, angle, bumps, period=2 * np.pi)
        if depth > 0.1:
            fine, radius = angle, 1.0 + 0.55 * depth * bumps
        return Polygon(np.column_stack([stretch * radius * np.cos(fine), radius * np.sin(fine) / stretch]))

    return shape


def _bayed(rng: np.random.Generator) -> Callable[[float], Polygon]:
    """A slightly skewed block with one to four bays cut into its long sides; the number 0..1 says how deep they are."""
    length = float(rng.uniform(1.1, 2.2))
    lean = float(rng.uniform(-0.25, 0.25))
    count = int(rng.integers(1, 5))
    places = (np.arange(count) + rng.uniform(0.25, 0.75, count)) / count
    halves = rng.uniform(0.10, 0.22, count) / count
    tapers = rng.uniform(0.3, 1.0, count)
    above = rng.random(count) < 0.5
    share = rng.uniform(0.6, 1.0, count)

    def shape(depth: float) -> Polygon:
        block: Polygon = shapely.box(0, 0, length, 1)
        for place, half, taper, top, part in zip(places, halves, tapers, above, share, strict=True):
            x, w, d = place * length, half * length, 0.72 * depth * part
            base, tip = (1.01, 1.0 - d) if top else (-0.01, d)
            bay = Polygon([(x - w, base), (x + w, base), (x + taper * w, tip), (x - taper * w, tip)])
            block = block.difference(bay)  # type: ignore[assignment]  # bays are apart and shallower than the block
        return affinity.skew(block, xs=np.degrees(np.arctan(lean)), origin=(0, 0))

    return shape


def random_field(perimeter_to_area_per_m: float, area_m2: float, seed: int | np.random.Generator) -> FieldShape:
    """A random field of exactly the wanted area and perimeter per area.

    A ragged star or a block with bays (even chances); its bays are deepened, and if that does not do it the whole is
    stretched, until ``perimeter / sqrt(area)`` fits; then it is scaled and turned.

    Parameters
    ----------
    perimeter_to_area_per_m : float
        For instance 0.01, 0.02 or 0.03 per m. The least possible for an area is the circle's, ``2 sqrt(pi / area)``; at
        least 1.25 times that is needed here, and at most 12 / sqrt(area) (a strip 1/30 as wide as long).
    seed : int or numpy Generator

    Raises
    ------
    InputError
        When the two do not go together.
    """
    _positive(perimeter_to_area_per_m=perimeter_to_area_per_m, area_m2=area_m2)
    rng = np.random.default_rng(seed)
    wanted = perimeter_to_area_per_m * np.sqrt(area_m2)  # perimeter / sqrt(area): free of scale
    floor = 1.25 * 2 * np.sqrt(np.pi)
    if wanted < floor or wanted > 12.0:
        raise InputError(
            f"a field of {area_m2:.0f} m2 cannot have {perimeter_to_area_per_m} m of perimeter per m2 here",
            hint=f"Choose between {floor / np.sqrt(area_m2):.4f} and {12.0 / np.sqrt(area_m2):.4f} for this area.",
        )
    family = _star(rng) if rng.random() < 0.5 else _bayed(rng)
    most = float(rng.uniform(0.55, 1.0))
    turn = float(rng.uniform(0, 180))

    def compactness(shape: Polygon) -> float:
        return float(shape.length / np.sqrt(shape.area))

    def solve(shape_at: Callable[[float], Polygon], low: float, high: float) -> Polygon:
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if compactness(shape_at(middle)) < wanted else (low, middle)
        return shape_at((low + high) / 2)

    while compactness(family(0.0)) > wanted:  # too long a block for so compact a field: draw another
        family = _star(rng) if rng.random() < 0.5 else _bayed(rng)
    if compactness(family(most)) >= wanted:
        shape = solve(family, 0.0, most)
    else:
        ragged = family(most)
        shape = solve(lambda k: affinity.scale(ragged, k, 1.0 / k, origin=(0, 0)), 1.0, 12.0)
    if abs(compactness(shape) / wanted - 1) > 1e-6:  # the family jumps there, where a star is drawn by its corners
        shape = solve(lambda k: affinity.scale(family(0.0), k, 1.0 / k, origin=(0, 0)), 1.0, 12.0)
    scale = float(np.sqrt(area_m2 / shape.area))
    shape = affinity.translate(shape, -shape.centroid.x, -shape.centroid.y)
    shape = affinity.rotate(affinity.scale(shape, scale, scale, origin=(0, 0)), turn, origin=(0, 0))
    return FieldShape("random", shape)
