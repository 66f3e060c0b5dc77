"""Synthetic fields: named shapes and random ones of a wanted size and perimeter per area. All invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon, affinity

from swathledger.errors import InputError


@dataclass(frozen=True, slots=True)
class FieldShape:
    """A field on its plane, metres, roughly centred on (0, 0).

    Attributes
    ----------
    name : str
    boundary : Polygon
    exclusions : tuple of Polygon
        Ground not to be treated.
    buffers_m : tuple of float
        Buffer strip round each exclusion, m (to be added by whoever reads the boundary file).
    contour_side : LineString or None
        The side that passes follow, where they are not straight.
    """

    name: str
    boundary: Polygon
    exclusions: tuple[Polygon, ...] = ()
    buffers_m: tuple[float, ...] = ()
    contour_side: LineString | None = None

    @property
    def target(self) -> Polygon | MultiPolygon:
        """Boundary minus the buffered exclusions."""
        out: Polygon | MultiPolygon = self.boundary
        for piece, buffer in zip(self.exclusions, self.buffers_m, strict=True):
            out = out.difference(piece.buffer(buffer, quad_segs=16))  # type: ignore[assignment]  # polygons only
        return out

    def rotated(self, clockwise_deg: float) -> FieldShape:
        """The shape turned clockwise about (0, 0)."""

        def turn(geometry: Polygon) -> Polygon:
            return affinity.rotate(geometry, -clockwise_deg, origin=(0, 0))

        side = self.contour_side
        return FieldShape(
            self.name,
            turn(self.boundary),
            tuple(turn(e) for e in self.exclusions),
            self.buffers_m,
            None if side is None else affinity.rotate(side, -clockwise_deg, origin=(0, 0)),
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


def circle(radius_m: float = 210.0, corners: int = 180) -> FieldShape:
    """A circle, as under a centre pivot, drawn with ``corners`` points."""
    _positive(radius_m=radius_m)
    angle = np.linspace(0, 2 * np.pi, corners + 1)[:-1]
    return FieldShape("circle", Polygon(radius_m * np.column_stack([np.cos(angle), np.sin(angle)])))


def _star(angle: np.ndarray, radius: np.ndarray, stretch: float) -> Polygon:
    return Polygon(np.column_stack([stretch * radius * np.cos(angle), radius * np.sin(angle) / stretch]))


def random_field(perimeter_to_area_per_m: float, area_m2: float, seed: int | np.random.Generator) -> FieldShape:
    """A random field of exactly the wanted area and perimeter per area.

    A star of 5 to 11 corners with random bays, stretched until ``perimeter / sqrt(area)`` fits, then scaled and turned.

    Parameters
    ----------
    perimeter_to_area_per_m : float
        For instance 0.01, 0.02 or 0.03 per m. The least possible for an area is the circle's, ``2 sqrt(pi / area)``; at
        least 1.12 times that is needed here.
    area_m2 : float
    seed : int or numpy Generator

    Raises
    ------
    InputError
        When no field of that area can be so compact, or the field would be less than about 1/25 as wide as long.
    """
    _positive(perimeter_to_area_per_m=perimeter_to_area_per_m, area_m2=area_m2)
    rng = np.random.default_rng(seed)
    wanted = perimeter_to_area_per_m * np.sqrt(area_m2)  # perimeter / sqrt(area): scale-free
    floor = 1.12 * 2 * np.sqrt(np.pi)
    if wanted < floor or wanted > 12.0:
        raise InputError(
            f"a field of {area_m2:.0f} m2 cannot have {perimeter_to_area_per_m} m of perimeter per m2 here",
            hint=f"Choose between {floor / np.sqrt(area_m2):.4f} and {12.0 / np.sqrt(area_m2):.4f} for this area.",
        )
    n = int(rng.integers(7, 12))
    angle = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    bumps = rng.uniform(-1.0, 1.0, n)
    depth = float(rng.uniform(0.1, 0.45))

    def compactness(stretch: float) -> float:
        shape = _star(angle, 1.0 + depth * bumps, stretch)
        return float(shape.length / np.sqrt(shape.area))

    while compactness(1.0) > wanted:
        depth *= 0.8
        if depth < 1e-3:  # even the regular star is too ragged: use more of a circle
            n += 4
            angle = 2 * np.pi * np.arange(n) / n
            bumps = rng.uniform(-1.0, 1.0, n)
            depth = 0.05
    low, high = 1.0, 8.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if compactness(middle) < wanted else (low, middle)
    shape = _star(angle, 1.0 + depth * bumps, low)
    scale = float(np.sqrt(area_m2 / shape.area))
    shape = affinity.scale(shape, scale, scale, origin=(0, 0))
    shape = affinity.rotate(shape, float(rng.uniform(0, 180)), origin=(0, 0))
    return FieldShape("random", shape)
