"""Cells to areas, volumes and causes: :func:`account`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.grid.frame import Band, Frame, frame_around, polygon_edges
from swathledger.grid.mask import band_mask
from swathledger.grid.paint import CAUSES, DEPOSITS, Cells, paint_band
from swathledger.grid.strips import PoseLines, Strips, build_strips, pose_lines
from swathledger.grid.tally import QUANTITIES, BandTally, halo_rows
from swathledger.grid.workspace import Workspace
from swathledger.ledger.accounting import CAUSE_ORDER, Accounting, Areas, BandRaster, Volumes
from swathledger.ledger.rate import set_rate
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.notes import Measure, Note
from swathledger.swath.swath import Swath

FAR_M = 500.0
"""Ground farther than this from the boundary is another field's, or a yard's."""

Sink = Callable[[BandRaster], None]


@dataclass(frozen=True, slots=True)
class _Ground:
    """Everything a band needs."""

    cell_m: float
    boundary: NDArray[np.float64]
    exclusions: NDArray[np.float64]
    strips: Strips
    lines: PoseLines
    boom_edges_m: NDArray[np.float64]
    revisit_s: float
    tolerance_m: float


def near_ribbons(swath: Swath, field: Field, far_m: float = FAR_M) -> tuple[NDArray[np.bool_], float]:
    """Ribbons within ``far_m`` of the boundary's extent, and the summed area of the others, m2."""
    xs, ys = swath.quads()
    if xs.shape[0] == 0:
        return np.zeros(0, dtype=bool), 0.0
    x0, y0, x1, y1 = field.boundary.bounds
    near: NDArray[np.bool_] = (
        (xs.max(axis=1) >= x0 - far_m)
        & (xs.min(axis=1) <= x1 + far_m)
        & (ys.max(axis=1) >= y0 - far_m)
        & (ys.min(axis=1) <= y1 + far_m)
    )
    if bool(near.all()):
        return near, 0.0
    width = swath.ribbon_right_m - swath.ribbon_left_m
    return near, float((width * swath.distance_m[swath.ribbon_step])[~near].sum())


def frame_of(swath: Swath, field: Field, cell_m: float, near: NDArray[np.bool_]) -> Frame:
    """The frame that holds the boundary and every near ribbon."""
    x0, y0, x1, y1 = field.boundary.bounds
    xs, ys = swath.quads()
    if bool(near.any()):
        x0, x1 = min(x0, float(xs[near].min())), max(x1, float(xs[near].max()))
        y0, y1 = min(y0, float(ys[near].min())), max(y1, float(ys[near].max()))
    return frame_around(cell_m, x0, y0, x1, y1)


def _one_band(band: Band, ground: _Ground, work: Workspace) -> tuple[Cells, NDArray[np.float64], BandTally]:
    mask = band_mask(band, ground.cell_m, ground.boundary, ground.exclusions, work)
    cells, deposit = paint_band(
        band, ground.cell_m, mask, ground.strips, ground.lines, ground.boom_edges_m, ground.revisit_s, work
    )
    return cells, deposit, BandTally(band, cells, ground.tolerance_m, ground.cell_m, work)


def _in_order(
    bands: list[Band], ground: _Ground, threads: int
) -> Iterator[tuple[Band, Cells, NDArray[np.float64], BandTally]]:
    """Bands south to north whatever the number of threads, with at most ``threads`` + 1 of them in memory.

    The arrays of a band are used again for a later one once the next band is asked for.
    """
    if threads == 1:
        work = Workspace()
        for band in bands:
            yield (band, *_one_band(band, ground, work))
        return
    free = [Workspace() for _ in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        waiting: list[tuple[Band, Workspace, Future[tuple[Cells, NDArray[np.float64], BandTally]]]] = []
        for band in bands:
            work = free.pop()
            waiting.append((band, work, pool.submit(_one_band, band, ground, work)))
            if not free:
                first, work, future = waiting.pop(0)
                yield (first, *future.result())
                free.append(work)
        for first, _, future in waiting:
            yield (first, *future.result())


def ribbons_kept(swath: Swath, keep: NDArray[np.bool_]) -> Swath:
    """The swath with only some of its ribbons."""
    from dataclasses import replace

    return replace(
        swath,
        ribbon_step=swath.ribbon_step[keep],
        ribbon_left_m=swath.ribbon_left_m[keep],
        ribbon_right_m=swath.ribbon_right_m[keep],
    )


def account(
    log: Log,
    machine: Machine,
    field: Field,
    swath: Swath,
    *,
    cell_m: float,
    revisit_s: float,
    tolerance_m: float,
    threads: int = 1,
    sink: Sink | None = None,
    progress: Callable[[float], None] | None = None,
) -> Accounting:
    """Account for every cell and every litre of a drive on a field.

    Parameters
    ----------
    log, machine, field, swath
        The carriers of the earlier stages.
    cell_m, revisit_s, tolerance_m
        See :class:`swathledger.settings.AuditSettings`.
    threads : int
        Bands painted side by side; changes no byte of the result.
    sink : callable, optional
        Is shown every band's rasters, south to north. Their memory is used again for later bands: a sink copies what
        it keeps.
    progress : callable, optional
        Is told the share of bands done, 0..1.
    """
    near, far_m2 = near_ribbons(swath, field)
    notes: list[Note] = []
    used = swath if bool(near.all()) else ribbons_kept(swath, near)
    if far_m2 > 0:
        notes.append(Note.of("ledger.far", area=Measure(far_m2, "small_area"), distance=Measure(FAR_M, "length")))
    frame = frame_of(swath, field, cell_m, near)
    reference = set_rate(log, machine, swath, notes)
    strips = build_strips(used, reference.relative, reference.per_step)
    ground = _Ground(
        cell_m,
        polygon_edges(field.boundary),
        polygon_edges(field.exclusions),
        strips,
        pose_lines(used),
        swath.nozzle_edges_m,
        revisit_s,
        tolerance_m,
    )
    cells = np.zeros(len(QUANTITIES), dtype=np.int64)
    edges = np.zeros(len(QUANTITIES), dtype=np.int64)
    causes = np.zeros(len(CAUSES), dtype=np.int64)
    off_rate = np.zeros(2, dtype=np.int64)
    beyond = {"overlap": 0, "skip": 0, "outside": 0}
    deposit = np.zeros(DEPOSITS)
    halo = halo_rows(tolerance_m, cell_m)
    bands = frame.bands(halo)
    for number, (band, state, band_deposit, tally) in enumerate(_in_order(bands, ground, threads)):
        cells += tally.cells
        edges += tally.squares
        causes += tally.causes
        off_rate += tally.off_rate
        for name, value in tally.beyond.items():
            beyond[name] += value
        deposit += band_deposit
        if sink is not None:
            own = slice(halo, halo + band.rows)
            sink(
                BandRaster(
                    band.first_row - frame.first_row,
                    state.times[own],
                    state.dose[own],
                    tally.classes[own],
                    state.cause[own],
                    tally.kept[own],
                    state.mask[own],
                )
            )
        if progress is not None:
            progress((number + 1) / len(bands))
    areas = Areas(
        dict(zip(QUANTITIES, (int(v) for v in cells), strict=True)),
        dict(zip(QUANTITIES, (int(v) for v in edges), strict=True)),
        cell_m,
        int(off_rate[0]),
        int(off_rate[1]),
        beyond,
        tolerance_m,
    )
    by_code = {name: int(causes[code]) for code, name in enumerate(CAUSES)}
    by_code["outside"], by_code["excluded"] = areas.cells["outside"], areas.cells["excluded"]
    volumes = _volumes(swath, used, near, deposit) if swath.volume_l is not None else None
    return Accounting(
        areas,
        volumes,
        {name: by_code[name] for name in CAUSE_ORDER},
        frame,
        reference.constant_l_m2,
        far_m2,
        tuple(notes),
    )


def _volumes(swath: Swath, used: Swath, near: NDArray[np.bool_], deposit: NDArray[np.float64]) -> Volumes:
    """Litres by place and cause; what was logged on ground that is left out is left out here too."""
    volume = swath.volume_l if swath.volume_l is not None else np.zeros(swath.distance_m.shape[0])
    standing = float(volume[swath.standing].sum())
    driven = ~swath.standing
    logged = float(volume[driven].sum())
    if not bool(near.all()):
        width = np.bincount(swath.ribbon_step, swath.ribbon_right_m - swath.ribbon_left_m, volume.shape[0])
        kept = np.bincount(used.ribbon_step, used.ribbon_right_m - used.ribbon_left_m, volume.shape[0])
        share = np.divide(kept, width, out=np.zeros_like(width), where=width > 0)
        logged = float((volume * share)[driven].sum())
    by_cause = {name: float(deposit[4 + code]) for code, name in enumerate(CAUSES)}
    by_cause["outside"], by_cause["excluded"] = float(deposit[2]), float(deposit[3])
    by_cause["standing"] = standing
    return Volumes(
        float(deposit[0]),
        float(deposit[1]),
        float(deposit[2]),
        float(deposit[3]),
        standing,
        logged + standing,
        {name: by_cause[name] for name in CAUSE_ORDER},
    )
