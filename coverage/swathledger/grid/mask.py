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


@njit_bare
def _fill_mask(mask, store, boundary, exclusions, h, first_column, first_row):  # type: ignore[no-untyped-def]  # numba infers the types
    rows, columns = mask.shape
    for code in range(2):
        edges = boundary if code == 0 else exclusions
        for e in range(edges.shape[0]):
            put_edge(store, e, edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3])
        begin_rows(store, edges.shape[0])
        for r in range(rows):
            j = first_row + r
            spans = row_spans(store, edges.shape[0], j, h, first_column, first_column + columns)
            for s in range(spans):
                a = store.span_first[s] - first_column
                e = store.span_end[s] - first_column
                if code == 0:
                    mask[r, a:e] = TARGET
                    continue
                for i in range(a, e):
                    if mask[r, i] == TARGET:
                        mask[r, i] = EXCLUDED


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

    def near(edges: NDArray[np.float64]) -> NDArray[np.float64]:
        keep = (np.maximum(edges[:, 1], edges[:, 3]) >= low) & (np.minimum(edges[:, 1], edges[:, 3]) <= high)
        return np.ascontiguousarray(edges[keep])

    ring, holes = near(boundary), near(exclusions)
    store = edge_store(max(ring.shape[0], holes.shape[0], 1), band.columns)
    _fill_mask(mask, store, ring, holes, cell_m, band.first_column, first_row)
    return mask
