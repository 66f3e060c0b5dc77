"""The coverage kernel: how often, how much and why, for every cell of a band."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.frame import Band
from swathledger.grid.mask import EXCLUDED, OUTSIDE, TARGET
from swathledger.grid.scan import begin_rows, edge_store, put_edge, row_spans
from swathledger.grid.strips import MAX_POSES, PoseLines, Strips

CAUSES = ("none", "outside", "excluded", "standing", "turn", "restart", "guidance", "crossing")
"""Cause codes: the index is the code stored in a cell."""
TURN = 4
RESTART = 5
GUIDANCE = 6
CROSSING = 7
GUIDANCE_DEG = 15.0
"""Neighbouring passes whose headings differ by no more than this, modulo 180, overlap by guidance."""
UNEVEN = 0.002
"""Below this share of difference between boom end and centre a strip's dose is taken as even."""
MAX_BINS = 256
MAX_COUNT = 255


class Cells(NamedTuple):
    """State of a band's cells, each (rows + 2 halo, columns), row 0 southmost.

    Attributes
    ----------
    mask : uint8, 0 outside, 1 target, 2 excluded
    times : uint8, separate treatments, held at 255
    cause : uint8, why the cell is over-applied (first reason), 0 where it is not or where its place is the reason
    last : int32, 1 + index of the strip that hit it last, 0 for never
    dose : float32, sum of doses in units of the set rate
    """

    mask: NDArray[np.uint8]
    times: NDArray[np.uint8]
    cause: NDArray[np.uint8]
    last: NDArray[np.int32]
    dose: NDArray[np.float32]


def empty_cells(mask: NDArray[np.uint8]) -> Cells:
    """Untreated cells around a mask."""
    shape = mask.shape
    return Cells(
        mask, np.zeros(shape, np.uint8), np.zeros(shape, np.uint8), np.zeros(shape, np.int32),
        np.zeros(shape, np.float32),
    )


@njit
def strip_edges(store, lines, first, poses, left, right):  # type: ignore[no-untyped-def]  # numba infers the types
    """Store a strip's outline: first boom line, right ends, last boom line, left ends. Returns the edge count."""
    last = first + poses - 1
    k = 0
    ax = lines.x[first] + left * lines.right_x[first]
    ay = lines.y[first] + left * lines.right_y[first]
    bx = lines.x[first] + right * lines.right_x[first]
    by = lines.y[first] + right * lines.right_y[first]
    put_edge(store, k, ax, ay, bx, by)
    k += 1
    for p in range(first + 1, last + 1):
        cx = lines.x[p] + left * lines.right_x[p]
        cy = lines.y[p] + left * lines.right_y[p]
        dx = lines.x[p] + right * lines.right_x[p]
        dy = lines.y[p] + right * lines.right_y[p]
        put_edge(store, k, ax, ay, cx, cy)
        put_edge(store, k + 1, bx, by, dx, dy)
        k += 2
        ax, ay, bx, by = cx, cy, dx, dy
    put_edge(store, k, ax, ay, bx, by)
    return k + 1


@njit
def mean_way(a, b, turn):  # type: ignore[no-untyped-def]  # numba infers the types
    """Mean of ``|1 - turn x|`` over lateral ``a..b``: a nozzle's way per metre of the boom centre's.

    The antiderivative of ``|1 - k x|`` is ``-(1 - k x) |1 - k x| / (2 k)``; the mean stays above zero even where the
    boom turns about a point within the nozzle's own strip.
    """
    if turn == 0.0:
        return 1.0
    fa = 1.0 - turn * a
    fb = 1.0 - turn * b
    return (fa * abs(fa) - fb * abs(fb)) / (2.0 * turn * (b - a))


@njit
def _why(strips, s, previous):  # type: ignore[no-untyped-def]  # numba infers the types
    """Cause of a second treatment by strip ``s`` of ground that strip ``previous`` treated."""
    if strips.pass_id[s] == strips.pass_id[previous]:
        return TURN
    difference = abs(strips.heading_deg[s] - strips.heading_deg[previous]) % 180.0
    if min(difference, 180.0 - difference) > GUIDANCE_DEG:
        return CROSSING
    if strips.line_id[s] == strips.line_id[previous]:
        return RESTART
    return GUIDANCE


@njit
def _span_fresh(last, doses, count, mask, this, dose, litres, deposit):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat a span that nothing touched before; False (and nothing done) where something did. All arguments are rows."""
    seen = np.int32(0)
    for c in range(last.shape[0]):
        seen |= last[c]
    if seen != 0:
        return False
    on_target = 0.0
    on_excluded = 0.0
    total = 0.0
    for c in range(last.shape[0]):
        last[c] = this
        doses[c] = dose[c]
        count[c] = 1
        total += dose[c]
        on_target += dose[c] if mask[c] == TARGET else np.float32(0.0)
        on_excluded += dose[c] if mask[c] == EXCLUDED else np.float32(0.0)
    deposit[0] += on_target * litres
    deposit[2] += (total - on_target - on_excluded) * litres
    deposit[3] += on_excluded * litres
    return True


@njit
def _span_again(last, doses, count, cause, mask, strips, s, dose, litres, revisit_s, deposit):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat a span of which something was treated before, cell by cell. All but ``strips`` are rows of the span."""
    this = np.int32(s + 1)
    my_pass = strips.pass_id[s]
    my_time = strips.time_s[s]
    for c in range(last.shape[0]):
        previous = last[c]
        last[c] = this
        doses[c] += dose[c]
        laid = dose[c] * litres
        zone = mask[c]
        if previous == 0:
            count[c] = 1
        else:
            p = previous - 1
            if strips.pass_id[p] != my_pass or abs(my_time - strips.time_s[p]) > revisit_s:
                if count[c] < MAX_COUNT:
                    count[c] += np.uint8(1)
                if zone == TARGET and cause[c] == 0:
                    cause[c] = _why(strips, s, p)
        if zone == TARGET:
            why = cause[c]
            if why == 0:
                deposit[0] += laid
            else:
                deposit[1] += laid
                deposit[4 + why] += laid
        else:
            deposit[2 if zone == OUTSIDE else 3] += laid


@njit
def _row_dose(row, lateral, per_cell, edge_m, bin_m, bins):  # type: ignore[no-untyped-def]  # numba infers the types
    """Dose of neighbouring cells of one row from their lateral place on the boom."""
    top = bins.shape[0] - 1
    for c in range(row.shape[0]):
        b = np.int64((lateral + c * per_cell - edge_m) / bin_m)
        row[c] = bins[min(max(b, 0), top)]


@njit
def _paint(cells, strips, chosen, lines, store, bins, bin_m, edge_m, h, window, revisit_s, deposit):  # type: ignore[no-untyped-def]  # numba infers the types
    first_row, first_column, core_first, core_end = window
    rows, columns = cells.last.shape
    row_dose = np.empty(columns, dtype=np.float32)
    dry = np.zeros_like(deposit)
    for n in range(chosen.shape[0]):
        s = chosen[n]
        first = strips.first_pose[s]
        left = strips.left_m[s]
        right = strips.right_m[s]
        edges = strip_edges(store, lines, first, strips.poses[s], left, right)
        turn = strips.turn_per_m[s]
        base = strips.dose[s]
        even = abs(turn) * max(abs(left), abs(right)) < UNEVEN
        middle = first + strips.poses[s] // 2
        if even:
            row_dose[:] = base
        else:
            for b in range(bins.shape[0]):
                bins[b] = base / mean_way(edge_m + b * bin_m, edge_m + (b + 1) * bin_m, turn)
        j_low = max(np.int64(np.floor(strips.y_min[s] / h - 1e-7)), first_row)
        j_high = min(np.int64(np.floor(strips.y_max[s] / h + 1e-7)), first_row + rows - 1)
        this = np.int32(s + 1)
        litres = strips.set_l_m2[s] * h * h
        begin_rows(store, edges)
        for j in range(j_low, j_high + 1):
            r = j - first_row
            into = deposit if core_first <= j < core_end else dry
            for q in range(row_spans(store, edges, j, h, first_column, first_column + columns)):
                a = store.span_first[q] - first_column
                e = store.span_end[q] - first_column
                if not even:
                    px = (first_column + a + 0.5) * h - lines.x[middle]
                    py = (j + 0.5) * h - lines.y[middle]
                    lateral = px * lines.right_x[middle] + py * lines.right_y[middle]
                    _row_dose(row_dose[: e - a], lateral, h * lines.right_x[middle], edge_m, bin_m, bins)
                last, doses, count = cells.last[r, a:e], cells.dose[r, a:e], cells.times[r, a:e]
                mask, dose = cells.mask[r, a:e], row_dose[: e - a]
                if not _span_fresh(last, doses, count, mask, this, dose, litres, into):
                    _span_again(
                        last, doses, count, cells.cause[r, a:e], mask, strips, s, dose, litres, revisit_s, into
                    )


DEPOSITS = 4 + len(CAUSES)
"""Litres by place and reason: 0 target once, 1 overlap, 2 outside, 3 excluded, 4 + cause code for overlap by cause."""


def paint_band(
    band: Band,
    cell_m: float,
    mask: NDArray[np.uint8],
    strips: Strips,
    lines: PoseLines,
    boom_edges_m: NDArray[np.float64],
    revisit_s: float,
) -> tuple[Cells, NDArray[np.float64]]:
    """Paint all strips that reach a band, in time order.

    Parameters
    ----------
    mask : (rows + 2 halo, columns) uint8
        From :func:`swathledger.grid.mask.band_mask`.
    boom_edges_m : (k + 1,) float64
        Lateral edges of the nozzles; the local dose of a turn is constant over a nozzle (finer where nozzles are wide).
    revisit_s : float
        Two hits by one pass are separate when more than this apart.

    Returns
    -------
    cells : Cells
    deposit : (DEPOSITS,) float64
        Litres on the band's own rows (halo left out), by place and reason.
    """
    first_row = band.first_row - band.halo
    rows = band.rows + 2 * band.halo
    cells = empty_cells(mask)
    low, high = first_row * cell_m, (first_row + rows) * cell_m
    chosen = np.flatnonzero((strips.y_max >= low) & (strips.y_min <= high))
    width = float(boom_edges_m[-1] - boom_edges_m[0])
    count = int(min(max(boom_edges_m.shape[0] - 1, int(np.ceil(width / 0.5 - 1e-9))), MAX_BINS))
    deposit = np.zeros(DEPOSITS)
    _paint(
        cells, strips, chosen, lines, edge_store(2 * MAX_POSES + 4, band.columns), np.empty(count), width / count,
        float(boom_edges_m[0]), cell_m, (first_row, band.first_column, band.first_row, band.first_row + band.rows),
        revisit_s, deposit,
    )
    return cells, deposit
