"""What is measured, and what it is measured against; every function returns processor seconds of its own thread."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from benchdrive import Drive
from numpy.typing import NDArray

from swathledger.grid.beyond import Beyond, halo_rows, least_rows
from swathledger.grid.cells import Brush
from swathledger.grid.frame import Band, Frame, polygon_edges
from swathledger.grid.mask import band_mask
from swathledger.grid.paint import paint_band
from swathledger.grid.revisit import boom_of
from swathledger.grid.strips import pose_lines
from swathledger.grid.tally import BandTally
from swathledger.grid.workspace import Workspace
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive

CELL_M = 0.1
TOLERANCE_M = 0.1
STATE_BYTES = 10
"""Of a cell: times and cause 1 each, last and dose 4 each."""


@dataclass(frozen=True)
class Ground:
    """A drive ready to be painted."""

    drive: Drive
    frame: Frame
    bands: list[Band]
    brush: Brush
    ring: NDArray[np.float64]
    none: NDArray[np.float64]


@dataclass(frozen=True)
class Spent:
    """Seconds by stage, and the cells painted (each treatment counts)."""

    mask: float
    paint: float
    tally: float
    painted: int

    @property
    def total(self) -> float:
        """All stages."""
        return self.mask + self.paint + self.tally


def ground_of(drive: Drive) -> Ground:
    """Strips, frame and bands of a drive."""
    field = drive.field
    placed = place_drive(drive.log, drive.machine, field, drive.swath, CELL_M)
    frame, edges_m = placed.frame, placed.used.nozzle_edges_m
    return Ground(
        drive,
        frame,
        frame.bands(halo_rows(TOLERANCE_M, CELL_M), least_rows(TOLERANCE_M, CELL_M)),
        Brush(placed.strips, pose_lines(placed.used), boom_of(edges_m, None)),
        polygon_edges(field.boundary),
        polygon_edges(field.exclusions),
    )


def cover(ground: Ground, every: int = 1) -> Spent:
    """Paint and tally every ``every``-th band, one thread."""
    work = Workspace()
    beyond = Beyond(TOLERANCE_M, CELL_M, ground.frame.columns)
    mask_s = paint_s = tally_s = 0.0
    painted = 0
    for band in ground.bands[every // 2 :: every]:
        t0 = time.thread_time()
        mask = band_mask(band, CELL_M, ground.ring, ground.none, work)
        t1 = time.thread_time()
        cells, _ = paint_band(band, CELL_M, mask, ground.brush, work)
        t2 = time.thread_time()
        tally = BandTally(band, cells, TOLERANCE_M, CELL_M, work)
        beyond.judge(band, tally, cells.times, None)
        t3 = time.thread_time()
        mask_s, paint_s, tally_s = mask_s + t1 - t0, paint_s + t2 - t1, tally_s + t3 - t2
        painted += int(tally.cells[1])
    return Spent(mask_s, paint_s, tally_s, painted)


def whole_account(drive: Drive, threads: int = 1) -> tuple[float, int]:
    """Seconds on the clock of the whole accounting, and the cells painted."""
    t0 = time.perf_counter()
    placed = place_drive(drive.log, drive.machine, drive.field, drive.swath, CELL_M)
    result = account(placed, tolerance_m=TOLERANCE_M, threads=threads)
    return time.perf_counter() - t0, result.areas.cells["applied"]


# --- rivals ---------------------------------------------------------------------------------------------------------
def nozzle_polygons(drive: Drive, limit: int) -> tuple[list[shapely.Polygon], int]:
    """About ``limit`` polygons of one open nozzle and one step, from the middle of the drive; and the number of all."""
    swath = drive.swath
    edges = swath.nozzle_edges_m
    first = np.searchsorted(edges, swath.ribbon_left_m + 1e-6, side="right") - 1
    end = np.searchsorted(edges, swath.ribbon_right_m - 1e-6, side="left")
    count = end - first
    polygons: list[shapely.Polygon] = []
    for r in range(count.shape[0] // 2, count.shape[0]):
        a = int(swath.ribbon_step[r])
        polygons.extend(
            shapely.Polygon(
                [
                    (swath.x_m[p] + side * swath.right_x[p], swath.y_m[p] + side * swath.right_y[p])
                    for p, side in ((a, edges[k]), (a, edges[k + 1]), (a + 1, edges[k + 1]), (a + 1, edges[k]))
                ]
            )
            for k in range(int(first[r]), int(end[r]))
        )
        if len(polygons) >= limit:
            break
    return polygons, int(count.sum())


def rasterio_seconds(polygons: list[shapely.Polygon]) -> float:
    """Add the polygons up with ``rasterio.features.rasterize`` on a raster just large enough for them.

    The raster of the whole field would be dearer for every call; the polygons are ready before the clock starts.
    """
    from rasterio.enums import MergeAlg
    from rasterio.features import rasterize
    from rasterio.transform import from_origin

    x0, y0, x1, y1 = shapely.total_bounds(polygons)
    shape = (int(np.ceil((y1 - y0) / CELL_M)) + 1, int(np.ceil((x1 - x0) / CELL_M)) + 1)
    t0 = time.thread_time()
    out = rasterize(
        [(polygon, 1) for polygon in polygons],
        out_shape=shape,
        transform=from_origin(x0, y1, CELL_M, CELL_M),
        merge_alg=MergeAlg.add,
        dtype="uint8",
    )
    spent = time.thread_time() - t0
    if not out.any():
        raise ValueError("rasterio painted nothing")
    return spent


def polygon_seconds(drive: Drive) -> float:
    """Covered and overlapped area by exact polygons: one of the whole run of open nozzles a step."""
    swath = drive.swath
    xs, ys = swath.quads()
    t0 = time.thread_time()
    polygons = shapely.polygons(np.stack([xs, ys], axis=2))
    passes = swath.pass_id[swath.ribbon_step]
    a, b = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    other = (a < b) & (passes[a] != passes[b])
    twice = shapely.intersection(polygons[a[other]], polygons[b[other]])
    covered = shapely.union_all(polygons).area
    overlap = shapely.union_all(twice).area
    spent = time.thread_time() - t0
    if not covered > overlap > 0:
        raise ValueError("the polygon route found no overlap")
    return spent


def _state(cells: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.int32], NDArray[np.float32]]:
    state = (
        np.empty(cells, np.uint8),
        np.empty(cells, np.uint8),
        np.empty(cells, np.int32),
        np.empty(cells, np.float32),
    )
    for array in state:
        array[:] = 0
    return state


def _update(times: NDArray, cause: NDArray, last: NDArray, dose: NDArray, number: int) -> None:
    times += np.uint8(1)
    cause |= np.uint8(1)
    last[:] = number
    dose += np.float32(1.0)


def numpy_stream_seconds(cells: int, at_once: int) -> float:
    """Update ``cells`` cells in place, ``at_once`` neighbouring ones with every call, over arrays of that size."""
    state = _state(at_once)
    _update(*state, 1)
    rounds = max(1, round(cells / at_once))
    t0 = time.thread_time()
    for number in range(rounds):
        _update(*state, number)
    return (time.thread_time() - t0) * cells / (rounds * at_once)


def row_lengths(ground: Ground) -> int:
    """Cells that a strip covers in one row, on average over the rows of whole strips."""
    strips, lines = ground.brush.strips, ground.brush.lines
    long = strips.poses > 2
    rows = (strips.y_max - strips.y_min)[long] / CELL_M
    last = strips.first_pose + strips.poses - 1
    way = np.hypot(lines.x[last] - lines.x[strips.first_pose], lines.y[last] - lines.y[strips.first_pose])[long]
    cells = way * (strips.right_m - strips.left_m)[long] / CELL_M**2
    return max(1, int(cells.sum() / rows.sum()))


def numpy_span_seconds(cells: int, length: int, sample: int = 20_000) -> float:
    """Update in place as the kernel must: row spans of ``length`` cells, each a slice; measured on a sample."""
    columns = max(10_000, length)
    state = _state(200 * columns)
    starts = [(k % 200) * columns + (k // 200 * length) % (columns - length + 1) for k in range(sample)]
    t0 = time.thread_time()
    for number, start in enumerate(starts):
        _update(*(array[start : start + length] for array in state), number)
    return (time.thread_time() - t0) * cells / (sample * length)


def medians(measures: dict[str, Callable[[], float]], rounds: int) -> dict[str, float]:
    """Median of every measure over rounds in which all take turns, so that a busy machine treats them alike."""
    seen: dict[str, list[float]] = {name: [] for name in measures}
    for _ in range(rounds):
        for name, measure in measures.items():
            seen[name].append(measure())
    return {name: float(np.median(values)) for name, values in seen.items()}


def directions() -> Iterator[tuple[str, float, float]]:
    """Name, bearing and receiver error of the drives that are measured."""
    yield "north", 0.0, 0.0
    yield "east", 90.0, 0.0
    yield "30 deg", 30.0, 0.0
    yield "north, error 2 cm", 0.0, 0.02
    yield "east, error 2 cm", 90.0, 0.02
    yield "30 deg, error 2 cm", 30.0, 0.02
