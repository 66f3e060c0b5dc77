"""The same ledger by another road: exact polygons, unions and overlays (shapely), no cells.

Slow and simple. It starts from the ribbons of the swath (their quadrangles), so it checks grid and ledger, not the
poses; those are held against closed forms and against the machines' own counters.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.swath.swath import Swath

GRID_M = 1e-6
"""Overlays snap to a micrometre. Without it GEOS 3.14.1 loses whole ribbons in a union (seen: 180 m2 of one pass)."""


def _union(shapes: NDArray[np.object_]) -> shapely.Geometry:
    """Union of what has area; lines and points that overlays leave behind are dropped."""
    parts = shapely.get_parts(shapes)
    return shapely.union_all(parts[shapely.get_dimensions(parts) == 2], grid_size=GRID_M)


def pieces(swath: Swath) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """What every ribbon swept, as valid polygons, and the ribbon each belongs to.

    A quadrangle whose ends move opposite ways crosses itself: it is two triangles that meet where its sides cross.
    """
    xs, ys = swath.quads()
    quads = shapely.polygons(np.stack([xs, ys], axis=2))
    ribbon = np.arange(xs.shape[0])
    fine = shapely.is_valid(quads)
    out, owner = [quads[fine]], [ribbon[fine]]
    for k in np.flatnonzero(~fine):
        parts = [p for p in shapely.get_parts(shapely.make_valid(quads[k])) if p.geom_type == "Polygon"]
        out.append(np.asarray(parts, dtype=object))
        owner.append(np.full(len(parts), k))
    shapes, owners = np.concatenate(out), np.concatenate(owner)
    order = np.argsort(owners, kind="stable")
    shapes, owners = shapes[order], owners[order]
    real = shapely.area(shapes) > 0
    return shapes[real], owners[real]


def _touching_pairs(shapes: NDArray[np.object_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs ``a < b`` whose interiors meet."""
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    return a[a < b], b[a < b]


def left_between(swath: Swath, common: shapely.Geometry, first_step: int, last_step: int, away_m: float) -> bool:
    """Whether the boom, a line at every pose between two steps, was ever farther than ``away_m`` from their ground."""
    edges, place = swath.nozzle_edges_m[[0, -1]], shapely.centroid(common)
    for p in range(first_step + 1, last_step + 1):
        ends = np.stack([swath.x_m[p] + edges * swath.right_x[p], swath.y_m[p] + edges * swath.right_y[p]], axis=1)
        if shapely.distance(shapely.LineString(ends), place) > away_m:
            return True
    return False


def visits(swath: Swath, away_m: float) -> list[shapely.Geometry]:
    """One polygon for each separate treatment: every pass, cut in time wherever it comes back over its own ground.

    Between two cuts no ground is met twice that the boom had left meanwhile. Where a pass goes over a cut and the
    ground in common was not left, it was treated once.
    """
    shapes, owner = pieces(swath)
    step = swath.ribbon_step[owner]
    time = (swath.time_s[step] + swath.time_s[step + 1]) / 2
    of_pass = swath.pass_id[step]
    layers: list[shapely.Geometry] = []
    for number in np.unique(of_pass):
        mine = np.flatnonzero(of_pass == number)
        part, t = shapes[mine], time[mine]
        a, b = _touching_pairs(part)
        common = shapely.intersection(part[a], part[b])
        real = shapely.area(common) > 1e-9
        a, b, common = a[real], b[real], common[real]
        at = step[mine]
        left = [left_between(swath, c, *sorted((at[i], at[j])), away_m) for c, i, j in zip(common, a, b, strict=True)]
        far = np.asarray(left, dtype=bool)
        near_pairs = np.minimum(a, b)[~far], np.maximum(a, b)[~far]
        a, b = a[far], b[far]
        # greedy cuts: a chunk ends before the first piece that meets one of its own too long before
        earliest = np.full(part.shape[0], -1)
        np.maximum.at(earliest, np.maximum(a, b), np.minimum(a, b))
        chunk = np.zeros(part.shape[0], dtype=np.int64)
        begin, current = 0, 0
        for k in range(part.shape[0]):
            if earliest[k] >= begin:
                current += 1
                # a step's sections are cut together
                begin = int(np.searchsorted(t, t[k], side="left"))
                chunk[begin:k] = current
            chunk[k] = current
        for c in range(current + 1):
            here = chunk == c
            union = _union(part[here])
            if c:
                cut = (chunk[near_pairs[0]] < c) & here[near_pairs[1]]
                i, j = near_pairs[0][cut], near_pairs[1][cut]
                if i.shape[0]:
                    common = shapely.intersection(part[i], part[j], grid_size=GRID_M)
                    union = shapely.difference(union, _union(common), grid_size=GRID_M)
            layers.append(union)
    return layers


def ledger(swath: Swath, field: Field, away_m: float = 0.5) -> dict[str, float]:
    """Areas in m2 under the names of :data:`swathledger.grid.tally.QUANTITIES`."""
    layers = np.asarray(visits(swath, away_m), dtype=object)
    target, boundary, barred = field.target, field.boundary, field.exclusions
    for shape in (target, boundary):
        shapely.prepare(shape)

    def total(shapes: NDArray[np.object_]) -> float:
        return float(shapely.area(shapes).sum())

    on_target = shapely.intersection(layers, target, grid_size=GRID_M)
    a, b = _touching_pairs(layers)
    common = np.asarray([_union(np.atleast_1d(shape)) for shape in shapely.intersection(layers[a], layers[b])], object)
    twice = shapely.intersection(common, target, grid_size=GRID_M)
    covered = float(_union(on_target).area)
    overlap = float(_union(twice).area) if twice.shape[0] else 0.0
    outside = total(shapely.difference(layers, boundary, grid_size=GRID_M))
    excluded = total(shapely.intersection(layers, barred, grid_size=GRID_M))
    extra = total(on_target) - covered
    return {
        "target": target.area,
        "applied": total(layers),
        "covered": covered,
        "single": covered - overlap,
        "overlap": overlap,
        "overlap_extra": extra,
        "skip": target.area - covered,
        "outside": outside,
        "excluded": excluded,
        "over_application": extra + outside + excluded,
    }
