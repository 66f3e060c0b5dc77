"""The map of all fields of a season: outlines in classes of over-application, or marks where fields lie far apart."""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import LocalPlane
from swathledger.report.charts import nice_ticks
from swathledger.report.map import Box, outline_path, scale_bar
from swathledger.units import UnitSystem

if TYPE_CHECKING:
    from swathledger.report.read_season_results import StoredSeason

SHADES: Final = ("#fee838", "#bcaf6f", "#7d7c78", "#434e6c", "#00224e")
"""Cividis, light for little: one after the other in grey as well."""
SMALLEST: Final = 0.012
"""A field smaller than this share of the map gets a mark."""


def _project(shape: Any, plane: LocalPlane) -> Any:
    def project(lonlat: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = plane.forward(np.ascontiguousarray(lonlat[:, 1]), np.ascontiguousarray(lonlat[:, 0]))
        return np.column_stack([x, y])

    return shapely.transform(shape, project)


def breaks_of(values: list[float]) -> list[float]:
    """Upper ends of the classes, equally wide, at most as many as there are shades."""
    ticks = nice_ticks(max(values, default=1.0), 4)
    while len(ticks) - 1 > len(SHADES):
        ticks = nice_ticks(ticks[-1], len(SHADES) - 1 if len(ticks) > len(SHADES) + 1 else 2)
    return ticks[1:]


def shade_of(value: float | None, breaks: list[float]) -> int | None:
    """Class of a value, 0 for the least; None where it is not known."""
    if value is None or np.isnan(value):
        return None
    return min(bisect_left(breaks, value), len(breaks) - 1)


def ground_of(stored: StoredSeason, system: UnitSystem) -> dict[str, Any] | None:
    """Everything that the template draws, metres from the north-west corner; None without outlines."""
    if not stored.outlines:
        return None
    bounds = np.array([shape.bounds for _, shape in stored.outlines])
    latitude = float(bounds[:, [1, 3]].mean())
    east_of = bounds[:, [0, 2]] - bounds[0, 0]
    east_of -= 360.0 * np.rint(east_of / 360.0)  # fields on both sides of 180 degrees are neighbours
    plane = LocalPlane(latitude, float(bounds[0, 0] + east_of.mean()))
    shapes = [_project(shape, plane) for _, shape in stored.outlines]
    west, south = np.min([shape.bounds[:2] for shape in shapes], axis=0)
    east, north = np.max([shape.bounds[2:] for shape in shapes], axis=0)
    margin = 0.05 * max(east - west, north - south, 100.0)
    box = Box(float(west - margin), float(south - margin), float(east + margin), float(north + margin))
    size = max(box.width, box.height)
    breaks = breaks_of([row["over_application_pct"] for row, _ in stored.outlines
                        if row["over_application_pct"] is not None])  # fmt: skip
    first: dict[tuple[str | None, str], str] = {}
    for row in stored.document["rows"]:
        if row["status"] == "done":
            first.setdefault((row["client"], row["field"]), row["job"])
    fields = []
    for (row, _), shape in zip(stored.outlines, shapes, strict=True):
        middle = shape.representative_point()
        wide = max(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1])
        fields.append({
            "name": row["field"], "client": row["client"], "pct": row["over_application_pct"],
            "shade": shade_of(row["over_application_pct"], breaks), "path": outline_path(shape, box, size / 1500),
            "x": round(float(middle.x) - box.west, 1), "y": round(box.north - float(middle.y), 1),
            "mark": wide < SMALLEST * size, "named": wide > 0.09 * size,
            "job": first.get((row["client"], row["field"])),
        })  # fmt: skip
    bar_m, bar_label = scale_bar(box.width, system)
    edges = [0.0, *breaks]
    return {
        "width": round(box.width, 1),
        "height": round(box.height, 1),
        "size": size,
        "fields": fields,
        "classes": [{"shade": i, "words": f"{low:g} to {high:g} %"} for i, (low, high) in enumerate(pairwise(edges))],
        "bar_pct": round(100 * bar_m / box.width, 3),
        "bar_label": bar_label,
    }
