"""Which cells are target, outside or excluded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare
from swathledger.grid.frame import Band
from swathledger.grid.scan import begin_rows, edge_store, put_edge, row_spans
from swathledger.grid.workspace import Workspace

OUTSIDE = 0
TARGET = 1
EXCLUDED = 2
UNRECORDED = 3
"""Target ground under a gap of the log that no recorded pass treated; marked after painting."""


@njit_bare
def _fill_unrecorded(mask, times, store, edges, h, first_column, first_row):  # type: ignore[no-untyped-def]  # numba infers the types
    rows, columns = mask.shape
    for e in range(len(edges)):
        put_edge(store, e, edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3])
    begin_rows(store, len(edges))
    for r in range(rows):
        spans = row_spans(store, len(edges), first_row + r, h, first_column, first_column + columns)
        for s in range(spans):
            for i in range(store.span_first[s] - first_column, store.span_end[s] - first_column):
                if mask[r, i] == TARGET and times[r, i] == 0:
                    mask[r, i] = UNRECORDED


@njit_bare
def _fill_mask(mask, store, boundary, exclusions, h, first_column, first_row):  # type: ignore[no-untyped-def]  # numba infers the types
    rows, columns = mask.shape
    for code in range(2):
        edges = boundary if code == 0 else exclusions
        for e in range(len(edges)):
            put_edge(store, e, edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3])
        begin_rows(store, len(edges))
        for r in range(rows):
            j = first_row + r
            spans = row_spans(store, len(edges), j, h, first_column, first_column + columns)
            for s in range(spans):
                a = store.span_first[s] - first_column
                e = store.span_end[s] - first_column
                if code == 0:
                    mask[r, a:e] = TARGET
                    continue
                for i in range(a, e):
                    if mask[r, i] == TARGET:
                        mask[r, i] = EXCLUDED


def _near(edges: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    """Edges that reach into rows between two heights."""
    keep = (np.maximum(edges[:, 1], edges[:, 3]) >= low) & (np.minimum(edges[:, 1], edges[:, 3]) <= high)
    return np.ascontiguousarray(edges[keep])


def mark_unrecorded(
    band: Band, cell_m: float, mask: NDArray[np.uint8], times: NDArray[np.uint8], unrecorded: NDArray[np.float64]
) -> None:
    """Turn untreated target cells under gaps of the log from 1 into 3, in place.

    Parameters
    ----------
    mask, times : (rows + 2 halo, columns) uint8
        Zone and treatments of the painted band.
    unrecorded : (e, 4) float64
        Edges of the ground under gaps.
    """
    first_row = band.first_row - band.halo
    edges = _near(unrecorded, first_row * cell_m, (first_row + mask.shape[0]) * cell_m)
    if edges.size:
        store = edge_store(len(edges), band.columns)
        _fill_unrecorded(mask, times, store, edges, cell_m, band.first_column, first_row)


def band_mask(
    band: Band,
    cell_m: float,
    boundary: NDArray[np.float64],
    exclusions: NDArray[np.float64],
    work: Workspace | None = None,
) -> NDArray[np.uint8]:
    """Mask of a band with its halo: 0 outside, 1 target, 2 excluded.

    Parameters
    ----------
    boundary, exclusions : (e, 4) float64
        Edges as from :func:`swathledger.grid.frame.polygon_edges`.
    work : Workspace, optional
        Where the mask's memory is taken from.

    Returns
    -------
    (rows + 2 halo, columns) uint8, row 0 southmost
    """
    rows = band.rows + 2 * band.halo
    mask = (Workspace() if work is None else work).lend("mask", (rows, band.columns), np.uint8)
    mask[:] = OUTSIDE
    first_row = band.first_row - band.halo
    low, high = first_row * cell_m, (first_row + rows) * cell_m

    ring, holes = _near(boundary, low, high), _near(exclusions, low, high)
    store = edge_store(max(len(ring), len(holes), 1), band.columns)
    _fill_mask(mask, store, ring, holes, cell_m, band.first_column, first_row)
    return mask
