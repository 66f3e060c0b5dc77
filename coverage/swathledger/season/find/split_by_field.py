"""Which fields a drive treated, and when: stretches of a log by field and product."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.plane import geodesic_m
from swathledger.log.span import Span

if TYPE_CHECKING:
    from swathledger.field.read import FieldOutline
    from swathledger.season.find.preview import Preview

MINIMUM_S = 20.0
"""Sprayed for less than this inside a field, it was not treated but passed by."""
MINIMUM_SHARE = 0.01
"""And for less than this share of the log's spraying in fields."""
_LONGEST_STEP_S = 30.0
_MOST_BETWEEN_SAMPLES_S = 120.0

Ints = NDArray[np.int64]
Run = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Visit:
    """The part of one log that treated one field with one product.

    Attributes
    ----------
    field : int
        Position in the list of outlines.
    spans : tuple of (float, float) or None
        None: the whole log.
    start_s, end_s : float
        First and last row, seconds as in ``Log.time_s``.
    sprayed_s : float
        Time spent spraying inside the field, s (0 where only samples were read).
    longitude_deg : float
        Middle of the visit.
    """

    field: int
    product: str
    spans: tuple[Span, ...] | None
    start_s: float
    end_s: float
    sprayed_s: float
    longitude_deg: float


class FieldIndex:
    """Fields that can be asked which of them holds a place; longitudes that differ by whole turns are the same."""

    def __init__(self, outlines: Sequence[FieldOutline]) -> None:
        self.outlines = tuple(outlines)
        self._shapes = [outline.geometry for outline in outlines]
        for shape in self._shapes:
            shapely.prepare(shape)
        self._tree = shapely.STRtree(self._shapes)
        self._middle = [(shape.bounds[0] + shape.bounds[2]) / 2.0 for shape in self._shapes]

    def _beside(self, field: int, longitude: NDArray[np.float64]) -> NDArray[np.float64]:
        """Longitudes by whole turns nearest to a field's own: an outline across 180 degrees goes beyond it."""
        out: NDArray[np.float64] = longitude + 360.0 * np.rint((self._middle[field] - longitude) / 360.0)
        return out

    def holding(self, longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> dict[int, NDArray[np.bool_]]:
        """For each field near the track, which positions lie in it; fields that hold none are left out."""
        track = np.unwrap(longitude, period=360.0)
        west, east = float(track.min()), float(track.max())
        south, north = float(latitude.min()), float(latitude.max())
        boxes = [shapely.box(west + turn, south, east + turn, north) for turn in (-360.0, 0.0, 360.0)]
        out: dict[int, NDArray[np.bool_]] = {}
        for number in sorted({int(hit) for box in boxes for hit in self._tree.query(box)}):
            beside = self._beside(number, longitude)
            held = np.asarray(shapely.contains_xy(self._shapes[number], beside, latitude), dtype=bool)
            if bool(held.any()):
                out[number] = held
        return out

    def nearest(self, longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> tuple[str, float]:
        """Name of the field nearest to a track, and the distance on the ellipsoid, m."""
        pick = np.linspace(0, longitude.size - 1, min(longitude.size, 200)).astype(np.int64)
        at, field, least = shapely.Point(), 0, math.inf
        for turn in (0.0, -360.0, 360.0):
            track = np.atleast_1d(np.asarray(shapely.points(longitude[pick] + turn, latitude[pick]), dtype=object))
            hits, far = self._tree.query_nearest(track, return_distance=True, all_matches=False)
            best = int(np.argmin(far))
            if float(far[best]) < least:
                at, field, least = track[hits[0][best]], int(hits[1][best]), float(far[best])
        line = shapely.get_coordinates(shapely.shortest_line(at, self._shapes[field]))
        (here_lon, here_lat), (there_lon, there_lat) = line
        return self.outlines[field].field_id, geodesic_m(here_lat, here_lon, there_lat, there_lon)

    def distance_deg(
        self, field: int, longitude: NDArray[np.float64], latitude: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Distance of positions to a field on a plane of degrees, longitudes squeezed to the latitude's length."""
        squeeze = math.cos(math.radians(float(np.mean(latitude))))
        shape = shapely.transform(self._shapes[field], lambda xy: xy * (squeeze, 1.0))
        points = shapely.points(self._beside(field, longitude) * squeeze, latitude)
        return np.asarray(shapely.distance(shape, points), dtype=np.float64)


def _middle(longitude: NDArray[np.float64]) -> float:
    """Median longitude of a track, -180 to 180, also of one across 180 degrees."""
    middle = float(np.median(np.unwrap(longitude, period=360.0)))
    return middle - 360.0 * math.floor((middle + 180.0) / 360.0)


@dataclass(frozen=True, slots=True)
class Visited:
    """What a drive did.

    Attributes
    ----------
    passed : tuple of int
        Fields that were entered and not treated.
    elsewhere_share : float
        Share of the spraying time that lies in no field.
    settled : bool
        False: only samples were read and the drive is not simple; read the whole log.
    """

    visits: tuple[Visit, ...]
    passed: tuple[int, ...]
    elsewhere_share: float
    settled: bool = True


def find_visits(preview: Preview, index: FieldIndex) -> Visited:
    """Cut a drive into visits by field and product.

    A field counts as treated where it was sprayed in for at least 20 s and 1 % of the log's spraying in fields; of
    fields that overlap, the one that was sprayed longest holds the row. Between two fields the cut is where the track
    comes nearer to the next one. A log that treats one field with one product is left whole.
    """
    longitude, latitude = preview.longitude_deg, preview.latitude_deg
    held = index.holding(longitude, latitude)
    step = np.minimum(np.diff(preview.time_s, append=preview.time_s[-1]), _LONGEST_STEP_S)
    sprayed = np.where(preview.spraying, step, 0.0)
    if not preview.whole:
        return _of_samples(preview, held)
    of_row = np.full(longitude.shape, -1, dtype=np.int64)
    times = {number: float(sprayed[mask].sum()) for number, mask in held.items()}
    for number in sorted(held, key=lambda item: (-times[item], item)):
        of_row[held[number] & (of_row < 0)] = number
    total = float(sprayed[of_row >= 0].sum())
    own = {number: float(sprayed[of_row == number].sum()) for number in held}
    least = max(MINIMUM_S, MINIMUM_SHARE * total)
    treated = [number for number in held if own[number] >= least]
    passed = tuple(number for number in held if number not in treated)
    of_row[~np.isin(of_row, treated)] = -1
    spraying_s = float(sprayed.sum())
    elsewhere = float(sprayed[of_row < 0].sum()) / spraying_s if spraying_s > 0 else 0.0
    if not treated:
        return Visited((), passed, elsewhere)
    names, label = _labels(preview, of_row, sprayed)
    return Visited(_visits(preview, index, names, label, sprayed), passed, elsewhere)


def _of_samples(preview: Preview, held: dict[int, NDArray[np.bool_]]) -> Visited:
    """One field, one product, spraying seen: settled; anything else needs the whole file."""
    products = {name.casefold(): name for name in preview.product if name}
    steps = np.diff(preview.time_s)
    between = steps[steps > 10.0 * float(np.median(steps))]
    if between.size and float(np.quantile(between, 0.95)) > _MOST_BETWEEN_SAMPLES_S:
        return Visited((), (), 0.0, settled=False)
    if len(held) == 1 and len(products) <= 1:
        ((number, mask),) = held.items()
        if bool(preview.spraying[mask].any()) and int(mask.sum()) > mask.size // 2:
            product = next(iter(products.values()), "")
            visit = Visit(
                number,
                product,
                None,
                float(preview.time_s[0]),
                float(preview.time_s[-1]),
                0.0,
                _middle(preview.longitude_deg),
            )
            return Visited((visit,), (), 0.0)
    return Visited((), (), 0.0, settled=False)


def _labels(preview: Preview, of_row: Ints, sprayed: NDArray[np.float64]) -> tuple[list[tuple[int, str]], Ints]:
    """Number of (field, product) for every row, -1 outside; a product hardly sprayed takes its neighbours' label."""
    shown: dict[str, str] = {}
    products = []
    last = next((name for name in preview.product if name), "")
    for name in preview.product:
        last = name or last
        products.append(shown.setdefault(last.casefold(), last))
    codes = {name: number for number, name in enumerate(dict.fromkeys(products))}
    of_product = np.fromiter((codes[name] for name in products), dtype=np.int64, count=len(products))
    names: list[tuple[int, str]] = []
    label = np.full(of_row.shape, -1, dtype=np.int64)
    for field in [int(item) for item in dict.fromkeys(of_row.tolist()) if item >= 0]:
        rows = of_row == field
        spent = {name: float(sprayed[rows & (of_product == code)].sum()) for name, code in codes.items()}
        kept = [name for name in spent if spent[name] >= MINIMUM_S] or [max(spent, key=lambda item: spent[item])]
        for name in kept:
            label[rows & (of_product == codes[name])] = len(names)
            names.append((field, name))
        if len(kept) == 1:
            label[rows] = len(names) - 1
    return names, label


def _visits(
    preview: Preview, index: FieldIndex, names: list[tuple[int, str]], label: Ints, sprayed: NDArray[np.float64]
) -> tuple[Visit, ...]:
    runs = _runs(label, sprayed)
    if len({run[0] for run in runs}) == 1:
        bounds = [(runs[0][0], 0, label.size)]
    else:
        cuts = [0]
        for before, after in pairwise(runs):
            cuts.append(_cut(preview, index, names, before, after))
        cuts.append(label.size)
        bounds = [(run[0], cuts[number], cuts[number + 1]) for number, run in enumerate(runs)]
    out = []
    for code in dict.fromkeys(item[0] for item in bounds):
        mine = [(first, end) for other, first, end in bounds if other == code]
        field, product = names[code]
        whole = len(bounds) == 1
        rows = np.zeros(label.shape, dtype=bool)
        for first, end in mine:
            rows[first:end] = True
        out.append(
            Visit(
                field=field,
                product=product,
                spans=None if whole else tuple(_span(preview.time_s, first, end) for first, end in mine),
                start_s=float(preview.time_s[rows][0]),
                end_s=float(preview.time_s[rows][-1]),
                sprayed_s=float(sprayed[rows & (label == code)].sum()),
                longitude_deg=_middle(preview.longitude_deg[rows]),
            )
        )
    return tuple(out)


def _span(time_s: NDArray[np.float64], first: int, end: int) -> Span:
    """A stretch of rows as times; open at the ends of the log."""
    start = -math.inf if first == 0 else _between(time_s, first)
    stop = math.inf if end >= time_s.size else _between(time_s, end)
    return start, stop


def _between(time_s: NDArray[np.float64], row: int) -> float:
    """A time after the row before and not after the row, rounded to the microsecond, as it will be written."""
    return math.ceil((float(time_s[row - 1]) + float(time_s[row])) / 2 * 1e6) / 1e6


def _runs(label: Ints, sprayed: NDArray[np.float64]) -> list[Run]:
    """(label, first row, row after the last) of stretches of one label, rows outside left out.

    A stretch with little spraying between two of one other label is a turn over the neighbour's ground and goes to it.
    """
    rows = np.flatnonzero(label >= 0)
    breaks = np.flatnonzero(np.diff(label[rows]) != 0) + 1
    runs = [(int(label[part[0]]), int(part[0]), int(part[-1]) + 1) for part in np.split(rows, breaks) if part.size]
    merged = True
    while merged and len(runs) > 2:
        merged = False
        for number in range(1, len(runs) - 1):
            before, here, after = runs[number - 1 : number + 2]
            if before[0] == after[0] and float(sprayed[here[1] : here[2]].sum()) < MINIMUM_S:
                runs[number - 1 : number + 2] = [(before[0], before[1], after[2])]
                merged = True
                break
    return runs


def _cut(preview: Preview, index: FieldIndex, names: list[tuple[int, str]], before: Run, after: Run) -> int:
    """First row that belongs to the later of two stretches."""
    first, last = before[2], after[1]
    here, there = names[before[0]][0], names[after[0]][0]
    if first >= last:
        return last
    if here == there:  # another product: from the row that names it
        product = names[after[0]][1].casefold()
        return next((row for row in range(first, last) if preview.product[row].casefold() == product), last)
    longitude, latitude = preview.longitude_deg[first:last], preview.latitude_deg[first:last]
    nearer = index.distance_deg(there, longitude, latitude) < index.distance_deg(here, longitude, latitude)
    return first + int(np.argmax(nearer)) if bool(nearer.any()) else last
