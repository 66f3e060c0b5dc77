"""Cells to areas, volumes and causes: :func:`account`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from swathledger.grid.beyond import Beyond, halo_rows, least_rows
from swathledger.grid.causes import BY_STRIPS, CAUSE_ORDER, CAUSES
from swathledger.grid.cells import BY_CAUSE, DEPOSITS, ON_EXCLUDED, ON_OUTSIDE, ON_OVERLAP, ON_TARGET, Brush, Cells
from swathledger.grid.frame import Band, polygon_edges
from swathledger.grid.mask import band_mask, mark_unrecorded
from swathledger.grid.paint import paint_band
from swathledger.grid.revisit import boom_of
from swathledger.grid.strips import pose_lines
from swathledger.grid.tally import QUANTITIES, BandTally
from swathledger.grid.workspace import Workspace
from swathledger.ledger.accounting import Accounting, Areas, BandRaster, Volumes
from swathledger.ledger.place import Placed

Sink = Callable[[BandRaster], None]
"""Is shown every band's rasters, south to north. Their memory is used again for later bands: a sink copies what it
keeps."""


@dataclass(frozen=True, slots=True)
class _Ground:
    """Everything a band needs."""

    cell_m: float
    boundary: NDArray[np.float64]
    exclusions: NDArray[np.float64]
    unrecorded: NDArray[np.float64]
    brush: Brush
    tolerance_m: float


_Counted = tuple[Cells, NDArray[np.float64], BandTally]


def _one_band(band: Band, ground: _Ground, work: Workspace) -> _Counted:
    mask = band_mask(band, ground.cell_m, ground.boundary, ground.exclusions, work)
    cells, deposit = paint_band(band, ground.cell_m, mask, ground.brush, work)
    mark_unrecorded(band, ground.cell_m, mask, cells.times, ground.unrecorded)
    return cells, deposit, BandTally(band, cells, ground.tolerance_m, ground.cell_m, work)


def _in_order(bands: list[Band], ground: _Ground, threads: int) -> Iterator[tuple[Band, _Counted]]:
    """Bands south to north whatever the number of threads, with at most ``threads`` + 2 of them in memory.

    The arrays of a band are used again for a later one once the next band but one is asked for.
    """
    if threads == 1:
        for band, work in zip(bands, cycle((Workspace(), Workspace())), strict=False):
            yield band, _one_band(band, ground, work)
        return
    free = [Workspace() for _ in range(threads + 1)]
    shown = [Workspace()]
    with ThreadPoolExecutor(threads) as pool:
        waiting: list[tuple[Band, Workspace, Future[_Counted]]] = []
        for band in bands:
            work = free.pop()
            waiting.append((band, work, pool.submit(_one_band, band, ground, work)))
            if not free:
                first, work, future = waiting.pop(0)
                yield first, future.result()
                shown.append(work)
                free.append(shown.pop(0))
        for first, _, future in waiting:
            yield first, future.result()


def _judged(
    counted: Iterator[tuple[Band, _Counted]], beyond: Beyond
) -> Iterator[tuple[Band, _Counted, NDArray[np.uint8]]]:
    """Every band with its ground beyond tolerance, once the next is known."""
    last: tuple[Band, _Counted] | None = None
    for band, found in counted:
        if last is not None:
            yield *last, beyond.judge(last[0], last[1][2], last[1][0].times, (band, found[2]))
        last = band, found
    if last is not None:
        yield *last, beyond.judge(last[0], last[1][2], last[1][0].times, None)


def account(
    placed: Placed,
    *,
    tolerance_m: float,
    threads: int = 1,
    sinks: Sequence[Sink] = (),
    progress: Callable[[float], None] | None = None,
) -> Accounting:
    """Account for every cell and every litre of a drive on a field.

    Parameters
    ----------
    placed : Placed
        The drive on the field's grid.
    tolerance_m
        See :class:`swathledger.settings.AuditSettings`.
    threads : int
        Bands painted side by side; changes no byte of the result.
    sinks : sequence of callable
        Each is shown every band.
    progress : callable, optional
        Is told the share of bands done, 0..1.
    """
    frame, field = placed.frame, placed.field
    cell_m, edges_m = frame.cell_m, placed.used.nozzle_edges_m
    ground = _Ground(
        cell_m,
        polygon_edges(field.boundary),
        polygon_edges(field.exclusions),
        polygon_edges(placed.swath.unrecorded),
        Brush(placed.strips, pose_lines(placed.used), boom_of(edges_m, placed.used.sigma_m)),
        tolerance_m,
    )
    cells = np.zeros(len(QUANTITIES), dtype=np.int64)
    edges = np.zeros(len(QUANTITIES), dtype=np.int64)
    causes = np.zeros(len(CAUSES), dtype=np.int64)
    off_rate = np.zeros(2, dtype=np.int64)
    beyond = Beyond(tolerance_m, cell_m, frame.columns)
    deposit = np.zeros(DEPOSITS)
    halo = halo_rows(tolerance_m, cell_m)
    bands = frame.bands(halo, least_rows(tolerance_m, cell_m))
    judged = _judged(_in_order(bands, ground, threads), beyond)
    for number, (band, (state, band_deposit, tally), kept) in enumerate(judged):
        cells += tally.cells
        edges += tally.squares
        causes += tally.causes
        off_rate += tally.off_rate
        deposit += band_deposit
        if sinks:
            own = slice(halo, halo + band.rows)
            raster = BandRaster(
                band.first_row - frame.first_row,
                state.times[own],
                state.dose[own],
                tally.classes[own],
                state.cause[own],
                kept,
                state.mask[own],
            )
            for sink in sinks:
                sink(raster)
        if progress is not None:
            progress((number + 1) / len(bands))
    areas = Areas(
        dict(zip(QUANTITIES, (int(v) for v in cells), strict=True)),
        dict(zip(QUANTITIES, (int(v) for v in edges), strict=True)),
        cell_m,
        int(off_rate[0]),
        int(off_rate[1]),
        beyond.cells,
        tolerance_m,
    )
    by_code = {name: int(causes[code]) for code, name in enumerate(CAUSES)}
    by_code["outside"], by_code["excluded"] = areas.cells["outside"], areas.cells["excluded"]
    return Accounting(
        areas,
        _volumes(placed, deposit),
        {name: by_code[name] for name in CAUSE_ORDER},
        frame,
        placed.rate.constant_l_m2,
        placed.far_m2,
        placed.notes,
    )


def _volumes(placed: Placed, deposit: NDArray[np.float64]) -> Volumes | None:
    """Litres by place and cause; what was logged on ground that is left out is left out here too."""
    swath, used = placed.swath, placed.used
    volume = swath.volume_l
    if volume is None:
        return None
    standing = float(volume[swath.standing].sum())
    driven = ~swath.standing
    logged = float(volume[driven].sum())
    if not bool(placed.near.all()):
        width = np.bincount(swath.ribbon_step, swath.ribbon_right_m - swath.ribbon_left_m, volume.size)
        kept = np.bincount(used.ribbon_step, used.ribbon_right_m - used.ribbon_left_m, volume.size)
        share = np.divide(kept, width, out=np.zeros_like(width), where=width > 0)
        logged = float((volume * share)[driven].sum())
    by_cause = {
        **{name: float(deposit[BY_CAUSE + CAUSES.index(name)]) for name in BY_STRIPS},
        "outside": float(deposit[ON_OUTSIDE]),
        "excluded": float(deposit[ON_EXCLUDED]),
        "standing": standing,
    }
    return Volumes(
        float(deposit[ON_TARGET]),
        float(deposit[ON_OVERLAP]),
        float(deposit[ON_OUTSIDE]),
        float(deposit[ON_EXCLUDED]),
        standing,
        logged + standing,
        {name: by_cause[name] for name in CAUSE_ORDER},
    )
