"""The map of a report: a picture of the classes with outlines, passes and points over it, in metres."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from swathledger.grid.tally import (
    CLASSES,
    EXCLUDED_CLEAR,
    EXCLUDED_TREATED,
    NOT_RECORDED,
    OUTSIDE_TREATED,
    OVERLAP,
    SINGLE,
    SKIP,
)
from swathledger.report.raster import BAND_CLASS, BAND_DOSE, BAND_TIMES
from swathledger.report.read_results import Stored
from swathledger.units import UnitSystem, from_face, to_face, unit_symbol

COLOURS: Final = {
    "single": "#dfe3d6",
    "overlap": "#d55e00",
    "skip": "#00497a",
    "outside": "#cc79a7",
    "excluded": "#e69f00",
    "excluded_clear": "#ffffff",
    "not_recorded": "#a9adb3",
}
"""After the palette of Okabe and Ito (2008), apart from one another in grey as well."""
LONG_SIDE_PX: Final = 1000
SAMPLES: Final = 4
"""A spot of the picture is judged by up to this many samples on a side."""
SHARE_SHOWN: Final = 0.18
"""A spot takes the colour of overlap, skip, outside or excluded where at least this share of it is that."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of the plane, metres."""

    west: float
    south: float
    east: float
    north: float

    @property
    def width(self) -> float:
        """East to west."""
        return self.east - self.west

    @property
    def height(self) -> float:
        """North to south."""
        return self.north - self.south


def view_box(boundary: BaseGeometry) -> Box:
    """The boundary's extent and a margin of 4 % of its longer side, at least 8 m."""
    west, south, east, north = boundary.bounds
    margin = max(8.0, 0.04 * max(east - west, north - south))
    return Box(west - margin, south - margin, east + margin, north + margin)


def picture_classes(samples: NDArray[np.uint8], block: int) -> NDArray[np.uint8]:
    """Classes of a picture from ``block`` x ``block`` samples a spot.

    The largest of overlap, skip, outside, excluded and not recorded wins where it holds :data:`SHARE_SHOWN` of the
    spot, else the commonest of the rest. So a narrow strip shows where it is a fifth of a spot wide and nowhere else.
    """
    rows, columns = samples.shape[0] // block, samples.shape[1] // block
    spots = samples[: rows * block, : columns * block].reshape(rows, block, columns, block)
    share = np.stack([(spots == code).mean(axis=(1, 3)) for code in range(len(CLASSES))])
    faults = np.array([OVERLAP, SKIP, OUTSIDE_TREATED, EXCLUDED_TREATED, NOT_RECORDED])
    rest = np.array([0, SINGLE, EXCLUDED_CLEAR])
    worst = share[faults]
    chosen: NDArray[np.uint8] = np.where(
        worst.max(axis=0) >= SHARE_SHOWN, faults[worst.argmax(axis=0)], rest[share[rest].argmax(axis=0)]
    ).astype(np.uint8)
    return chosen


def _rgba(colour: str) -> tuple[int, int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16), 255


CLASS_PALETTE: Final = {code: COLOURS[name] for code, name in enumerate(CLASSES) if name in COLOURS}


def png(codes: NDArray[np.uint8], palette: dict[int, str] | None = None) -> bytes:
    """A palette PNG; code 0 and codes without a colour are transparent."""
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import MemoryFile

    colours = CLASS_PALETTE if palette is None else palette
    clear = (255, 255, 255, 0)
    table = {code: _rgba(colours[code]) if code in colours else clear for code in range(max(colours, default=0) + 1)}
    rows, columns = codes.shape
    with warnings.catch_warnings(), rasterio.Env(GDAL_PAM_ENABLED="NO"), MemoryFile() as memory:
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # a picture on a page needs no place on earth
        with memory.open(driver="PNG", width=columns, height=rows, count=1, dtype="uint8", zlevel=9, nodata=0) as file:
            file.write_colormap(1, table)
            file.write(codes, 1)
        return bytes(memory.read())


@dataclass(frozen=True, slots=True)
class Picture:
    """Spots of a map, north first.

    Attributes
    ----------
    classes : (rows, columns) uint8
        See :func:`picture_classes`.
    times : (rows, columns) uint8
        Times treated that at least about a fifth of the spot reaches.
    dose : (rows, columns) float32
        Mean of the samples that were treated; NaN where none was.
    dose_unit : str
        Of ``cover.tif``.
    ground : Box
        That the spots cover.
    """

    classes: NDArray[np.uint8]
    times: NDArray[np.uint8]
    dose: NDArray[np.float32]
    dose_unit: str
    ground: Box


def _blocks(samples: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """(rows, columns, samples of a spot)."""
    rows, columns = samples.shape[0] // block, samples.shape[1] // block
    out: NDArray[np.float32] = (
        samples.reshape(rows, block, columns, block).transpose(0, 2, 1, 3).reshape(rows, columns, block * block)
    )
    return out


def _spot_dose(samples: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    spots = _blocks(samples, block)
    treated = spots > 0
    count = treated.sum(axis=2)
    total = np.where(treated, spots, 0.0).sum(axis=2)
    out: NDArray[np.float32] = np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
    return out


def read_picture(path: Path, box: Box) -> Picture:
    """Spots of ``cover.tif`` over a box, at most :data:`LONG_SIDE_PX` on the longer side."""
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.windows import Window

    with rasterio.open(path, driver="GTiff") as file:
        cell = file.transform.a
        left, top = file.transform.c, file.transform.f
        first = max(0, math.floor((box.west - left) / cell))
        last = min(file.width, math.ceil((box.east - left) / cell))
        upper = max(0, math.floor((top - box.north) / cell))
        lower = min(file.height, math.ceil((top - box.south) / cell))
        columns, rows = last - first, lower - upper
        step = max(1, math.ceil(max(columns, rows) / LONG_SIDE_PX))
        block = min(step, SAMPLES)
        wide, high = math.ceil(columns / step), math.ceil(rows / step)
        classes, times = np.zeros((high, wide), np.uint8), np.zeros((high, wide), np.uint8)
        dose = np.zeros((high, wide), np.float32)
        kept = math.floor((1 - SHARE_SHOWN) * (block * block - 1))
        chunk = 128
        for y in range(0, high, chunk):
            n = min(chunk, high - y)
            # boundless: the last spots may reach past the raster's edge
            window = Window(first, upper + y * step, wide * step, n * step)
            read = file.read(
                [BAND_CLASS, BAND_TIMES, BAND_DOSE],
                window=window,
                out_shape=(3, n * block, wide * block),
                resampling=Resampling.nearest,
                fill_value=0,
                boundless=first + wide * step > file.width or upper + (y + n) * step > file.height,
            )
            classes[y : y + n] = picture_classes(np.clip(read[0], 0, None).astype(np.uint8), block)
            counts = np.partition(_blocks(read[1], block), kept, axis=2)[:, :, kept]
            times[y : y + n] = np.clip(counts, 0, 255).astype(np.uint8)
            dose[y : y + n] = _spot_dose(read[2], block)
        unit = file.units[BAND_DOSE - 1] or ""
    west, north = left + first * cell, top - upper * cell
    size = step * cell
    return Picture(classes, times, dose, unit, Box(west, north - high * size, west + wide * size, north))


def outline_path(geometry: BaseGeometry, box: Box, simplify_m: float) -> str:
    """Outline or line as an SVG path in metres from the box's north-west corner."""
    out = []
    for part in shapely.get_parts(shapely.simplify(geometry, simplify_m)).tolist():
        rings = [part.exterior, *part.interiors] if isinstance(part, shapely.Polygon) else [part]
        for ring in rings:
            points = [f"{x - box.west:.1f} {box.north - y:.1f}" for x, y in shapely.get_coordinates(ring)]
            out.append("M" + "L".join(points) + ("Z" if isinstance(part, shapely.Polygon) else ""))
    return "".join(out)


def scale_bar(width_m: float, system: UnitSystem) -> tuple[float, str]:
    """Length in metres and label of a bar of 1, 2 or 5 times a power of ten, about a quarter of the map."""
    quarter = to_face("length", width_m / 4, system)
    power = 10.0 ** math.floor(math.log10(quarter))
    length = max(f for f in (1.0, 2.0, 5.0, 10.0) if f * power <= quarter) * power
    return from_face("length", length, system), f"{length:,.0f} {unit_symbol('length', system)}"


def _when(row: dict[str, Any]) -> str:
    """Number of a pass, and its hours and minutes where the log has times of day."""
    start, end = row["start_utc"], row["end_utc"]
    return str(row["pass"]) if start is None else f"{row['pass']} ({start[11:16]}–{end[11:16]} UTC)"


def layer_of(stored: Stored, name: str) -> list[BaseGeometry]:
    """Shapes of a layer; none where the results are older than it."""
    layer = stored.layers.get(name)
    return [] if layer is None else list(layer.geometry)


def map_figure(stored: Stored, system: UnitSystem, picture: Picture | None = None) -> dict[str, Any]:
    """Everything that the template draws: a picture, paths and points in metres from the north-west corner."""
    boundary = stored.layers["boundary"].geometry[0]
    box = view_box(boundary)
    picture = read_picture(stored.folder / "cover.tif", box) if picture is None else picture
    classes, ground = picture.classes, picture.ground
    fine = max(box.width, box.height) / 2000
    bar_m, bar_label = scale_bar(box.width, system)
    size = max(box.width, box.height)

    def at(point: BaseGeometry) -> dict[str, float]:
        (x, y) = shapely.get_coordinates(point)[0]
        return {"x": round(float(x) - box.west, 1), "y": round(box.north - float(y), 1)}

    arrows = []
    for line, row in zip(stored.layers["passes"].geometry, stored.layers["passes"].rows, strict=True):
        longest = max(shapely.get_parts(line).tolist(), key=lambda part: float(part.length))
        middle = at(shapely.line_interpolate_point(longest, 0.5, normalized=True))
        ahead = shapely.line_interpolate_point(longest, 0.5 * longest.length + 2.0)
        behind = shapely.line_interpolate_point(longest, max(0.5 * longest.length - 2.0, 0.0))
        (ax, ay), (bx, by) = shapely.get_coordinates(ahead)[0], shapely.get_coordinates(behind)[0]
        arrows.append({**middle, "turn": round(math.degrees(math.atan2(ax - bx, ay - by)), 1), "pass": row["pass"]})
    used = {CLASSES[code] for code in np.unique(classes).tolist()}
    return {
        "width": round(box.width, 1),
        "height": round(box.height, 1),
        "size": size,
        "picture_x": round(ground.west - box.west, 2),
        "picture_y": round(box.north - ground.north, 2),
        "picture_width": round(ground.width, 2),
        "picture_height": round(ground.height, 2),
        "boundary": outline_path(boundary, box, fine),
        "exclusions": [outline_path(shape, box, fine) for shape in stored.layers["exclusions"].geometry],
        "passes": [
            {
                "path": outline_path(shape, box, fine),
                "reach": round((row["mean_width_m"] or 0.0) / 2, 2),
                "words": _when(row),
            }
            for shape, row in zip(stored.layers["passes"].geometry, stored.layers["passes"].rows, strict=True)
        ],
        "arrows": arrows if len(arrows) <= 150 else [],
        "gaps": [outline_path(shape, box, fine) for shape in layer_of(stored, "gaps")],
        "standing": [at(point) for point in stored.layers["standing"].geometry],
        "stops": [at(point) for point in stored.layers["stops"].geometry],
        "classes": [name for name in COLOURS if name in used],
        "metres_per_unit": from_face("length", 1.0, system),
        "unit": unit_symbol("length", system),
        "bar_m": bar_m,
        "bar_pct": round(100 * bar_m / box.width, 3),
        "bar_label": bar_label,
        "spot_m": ground.width / classes.shape[1],
    }
