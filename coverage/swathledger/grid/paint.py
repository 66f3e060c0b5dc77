"""The coverage kernel: how often, how much and why, for every cell of a band."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit_bare, njit_inline
from swathledger.grid.frame import Band
from swathledger.grid.mask import EXCLUDED, OUTSIDE, TARGET
from swathledger.grid.prefetch import prefetch
from swathledger.grid.scan import HAIR, begin_rows, edge_store, put_edge, rows_spans
from swathledger.grid.strips import MAX_POSES, UNEVEN, PoseLines, Strips
from swathledger.grid.workspace import Workspace

CAUSES = ("none", "outside", "excluded", "standing", "turn", "restart", "guidance", "crossing")
"""Cause codes: the index is the code stored in a cell."""
TURN = 4
RESTART = 5
GUIDANCE = 6
CROSSING = 7
GUIDANCE_DEG = 15.0
"""Neighbouring passes whose headings differ by no more than this, modulo 180, overlap by guidance."""
MAX_BINS = 256
MAX_COUNT = 255
BLOCK = 32
"""Cells that are looked at together for earlier treatment."""
SPANS = 2048
"""Spans that are found before their cells are treated, beside those of one row."""
AHEAD = 8
"""Spans ahead of the one being treated whose cells are asked for."""


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


def empty_cells(mask: NDArray[np.uint8], work: Workspace | None = None) -> Cells:
    """Untreated cells around a mask."""
    lend = (Workspace() if work is None else work).lend
    shape = mask.shape
    cells = Cells(
        mask,
        lend("times", shape, np.uint8),
        lend("cause", shape, np.uint8),
        lend("last", shape, np.int32),
        lend("dose", shape, np.float32),
    )
    for state in cells[1:]:
        state[:] = 0
    return cells


@njit_bare
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


@njit_bare
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


@njit_bare
def _why(marks, s, previous):  # type: ignore[no-untyped-def]  # numba infers the types
    """Cause of a second treatment by strip ``s`` of ground that strip ``previous`` treated."""
    pass_id, line_id, heading_deg, _ = marks
    if pass_id[s] == pass_id[previous]:
        return np.uint8(TURN)
    difference = abs(heading_deg[s] - heading_deg[previous]) % 180.0
    if min(difference, 180.0 - difference) > GUIDANCE_DEG:
        return np.uint8(CROSSING)
    if line_id[s] == line_id[previous]:
        return np.uint8(RESTART)
    return np.uint8(GUIDANCE)


@njit_inline
def _untouched(last, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Whether nothing has hit cells ``lo`` to ``end`` yet."""
    seen = np.int32(0)
    for k in range(lo, end):
        seen |= last[k]
    return seen == 0


@njit_inline
def _sum(row, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Sum of ``row[lo:end]``, in eight lanes whatever the processor, so that it is the same everywhere."""
    s0, s1, s2, s3, s4, s5, s6, s7 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    whole = lo + (end - lo) // 8 * 8
    for k in range(lo, whole, 8):
        s0 += row[k]
        s1 += row[k + 1]
        s2 += row[k + 2]
        s3 += row[k + 3]
        s4 += row[k + 4]
        s5 += row[k + 5]
        s6 += row[k + 6]
        s7 += row[k + 7]
    for k in range(whole, end):
        s0 += row[k]
    return ((s0 + s4) + (s2 + s6)) + ((s1 + s5) + (s3 + s7))


@njit_bare
def _mixed_deposit(mask, row_dose, value, even, lo, end, litres, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Deposit on cells ``lo`` to ``end``, treated once, of more than one zone."""
    beyond, on, excluded = 0.0, 0.0, 0.0
    for k in range(lo, end):
        dose = np.float64(value if even else row_dose[k - lo])
        zone = mask[k]
        beyond += dose if zone == OUTSIDE else 0.0
        on += dose if zone == TARGET else 0.0
        excluded += dose if zone == EXCLUDED else 0.0
    into[0] += on * litres
    into[2] += beyond * litres
    into[3] += excluded * litres


@njit_bare
def _treat_again(flat, marks, s, row_dose, value, even, shift, lo, end, litres, revisit_s, into):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat cells ``lo`` to ``end``, some of them treated before; cell ``k`` gets ``row_dose[k - shift]``."""
    mask, times, cause, last, doses = flat
    pass_id, _, _, time_s = marks
    this = np.int32(s + 1)
    judged = np.int32(0)  # the strip before, for which what follows was found
    separate = False
    why = np.uint8(0)
    slot = 0
    total = 0.0
    for k in range(lo, end):
        previous = last[k]
        zone = mask[k]
        dose = value if even else row_dose[k - shift]
        last[k] = this
        doses[k] += dose
        if previous == 0:
            times[k] = 1
        else:
            if previous != judged:
                judged = previous
                p = previous - 1
                separate = pass_id[p] != pass_id[s] or abs(time_s[s] - time_s[p]) > revisit_s
                why = _why(marks, s, p)
            if separate:
                if times[k] < MAX_COUNT:
                    times[k] += np.uint8(1)
                if zone == TARGET and cause[k] == 0:
                    cause[k] = why
        put = (0 if cause[k] == 0 else 4 + int(cause[k])) if zone == TARGET else 2 if zone == OUTSIDE else 3
        if put != slot:
            into[slot] += total * litres
            total = 0.0
            slot = put
        total += dose
    into[slot] += total * litres


@njit_inline
def _ask_for(flat, lo, end):  # type: ignore[no-untyped-def]  # numba infers the types
    """Have the cells of a row that comes soon fetched: rows lie far apart, and short rows would wait for each."""
    mask, times, _, last, doses = flat
    for k in range(lo, end, np.uintp(16)):  # 64 bytes of four-byte values
        prefetch(last, k)
        prefetch(doses, k)
    for k in range(lo, end, np.uintp(64)):
        prefetch(times, k)
        prefetch(mask, k)


@njit_bare
def _treat_spans(flat, marks, s, spans, count, origin, core, dose, row_dose, bins, litres, revisit_s, deposit, dry):  # type: ignore[no-untyped-def]  # numba infers the types
    """Treat the spans of one strip.

    ``origin``: row and column of the first flat cell, and columns. ``core``: rows that count for ``deposit``.
    ``dose``: whether it is even, and where not, how to find a cell's bin: start, per column, per row.
    """
    mask, times, _, last, doses = flat
    span_row, span_first, span_end = spans
    origin_row, origin_column, columns = origin
    level, start, per_column, per_row = dose
    this = np.int32(s + 1)
    one = np.uint8(1)
    block = np.uintp(BLOCK)
    top = bins.shape[0] - 1
    value = bins[0]
    even = level
    for q in range(count):
        if q + AHEAD < count:
            base = (span_row[q + AHEAD] - origin_row) * columns - origin_column
            _ask_for(flat, np.uintp(base + span_first[q + AHEAD]), np.uintp(base + span_end[q + AHEAD]))
        j = span_row[q]
        into = deposit if core[0] <= j < core[1] else dry
        base = (j - origin_row) * columns - origin_column
        shift = np.uintp(base + span_first[q])
        span_stop = np.uintp(base + span_end[q])
        if not level:
            n = span_end[q] - span_first[q]
            place = start + (span_first[q] - origin_column) * per_column + (j - origin_row) * per_row
            first = min(max(np.int64(place), 0), top)
            even = first == min(max(np.int64(place + (n - 1) * per_column), 0), top)
            value = bins[first]
            if not even:
                for c in range(n):
                    row_dose[c] = bins[min(max(np.int64(place + c * per_column), 0), top)]
        lo = shift
        while lo < span_stop:
            fresh = _untouched(last, lo, span_stop)
            end = span_stop
            if not fresh:
                # what was touched before is mostly a fringe: only blocks that hold some of it are judged cell by cell
                end = min(lo + block, span_stop)
                fresh = _untouched(last, lo, end)
                while end < span_stop and _untouched(last, end, min(end + block, span_stop)) == fresh:
                    end = min(end + block, span_stop)
            if fresh:
                for k in range(lo, end):
                    last[k] = this
                if even:
                    for k in range(lo, end):
                        doses[k] = value
                else:
                    for k in range(lo, end):
                        doses[k] = row_dose[k - shift]
                zone = mask[lo]
                other = np.uint8(0)
                for k in range(lo, end):
                    times[k] = one
                    other |= mask[k] ^ zone
                if other == 0:
                    total = np.float64(end - lo) * value if even else _sum(row_dose, lo - shift, end - shift)
                    into[0 if zone == TARGET else 2 if zone == OUTSIDE else 3] += total * litres
                else:
                    _mixed_deposit(mask, row_dose[lo - shift :], value, even, lo, end, litres, into)
            else:
                _treat_again(flat, marks, s, row_dose, value, even, shift, lo, end, litres, revisit_s, into)
            lo = end


@njit_bare
def _paint(flat, strips, marks, chosen, lines, store, spans, row_dose, bins, across, h, window, revisit_s, litre_sums):  # type: ignore[no-untyped-def]  # numba infers the types
    first_row, first_column, rows, columns, core_first, core_end = window
    edge_m, bin_m = across
    deposit, dry = litre_sums
    for n in range(chosen.shape[0]):
        s = chosen[n]
        first = strips.first_pose[s]
        left = strips.left_m[s]
        right = strips.right_m[s]
        edges = strip_edges(store, lines, first, strips.poses[s], left, right)
        turn = strips.turn_per_m[s]
        base = strips.dose[s]
        level = abs(turn) * max(abs(left), abs(right)) < UNEVEN
        middle = first + strips.poses[s] // 2
        rx, ry = lines.right_x[middle], lines.right_y[middle]
        if level:
            bins[0] = base
        else:
            for b in range(bins.shape[0]):
                bins[b] = base / mean_way(edge_m + b * bin_m, edge_m + (b + 1) * bin_m, turn)
        lateral = ((first_column + 0.5) * h - lines.x[middle]) * rx + ((first_row + 0.5) * h - lines.y[middle]) * ry
        dose = (level, (lateral - edge_m) / bin_m, h * rx / bin_m, h * ry / bin_m)
        j = max(np.int64(np.floor(strips.y_min[s] / h - HAIR)), first_row)
        end_row = min(np.int64(np.floor(strips.y_max[s] / h + HAIR)) + 1, first_row + rows)
        litres = strips.set_l_m2[s] * h * h
        begin_rows(store, edges)
        while j < end_row:
            count, j = rows_spans(
                store, edges, j, end_row, h, first_column, first_column + columns, spans[0], spans[1], spans[2]
            )
            _treat_spans(
                flat,
                marks,
                s,
                spans,
                count,
                (first_row, first_column, columns),
                (core_first, core_end),
                dose,
                row_dose,
                bins,
                litres,
                revisit_s,
                deposit,
                dry,
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
    work: Workspace | None = None,
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
    work : Workspace, optional
        Where the cells' memory is taken from.

    Returns
    -------
    cells : Cells
    deposit : (DEPOSITS,) float64
        Litres on the band's own rows (halo left out), by place and reason.
    """
    first_row = band.first_row - band.halo
    rows = band.rows + 2 * band.halo
    cells = empty_cells(mask, work)
    low, high = first_row * cell_m, (first_row + rows) * cell_m
    chosen = np.flatnonzero((strips.y_max >= low) & (strips.y_min <= high))
    width = float(boom_edges_m[-1] - boom_edges_m[0])
    count = int(min(max(boom_edges_m.shape[0] - 1, int(np.ceil(width / 0.5 - 1e-9))), MAX_BINS))
    deposit = np.zeros(DEPOSITS)
    flat = tuple(state.reshape(-1) for state in cells)
    marks = (strips.pass_id, strips.line_id, strips.heading_deg, strips.time_s)
    spans = tuple(np.empty(SPANS + band.columns, np.int64) for _ in range(3))
    _paint(
        flat,
        strips,
        marks,
        chosen,
        lines,
        edge_store(2 * MAX_POSES + 4, band.columns),
        spans,
        np.empty(band.columns, np.float32),
        np.empty(count, np.float32),
        (float(boom_edges_m[0]), width / count),
        cell_m,
        (first_row, band.first_column, rows, band.columns, band.first_row, band.first_row + band.rows),
        revisit_s,
        (deposit, np.zeros(DEPOSITS)),
    )
    deposit[1] = deposit[4:].sum()
    return cells, deposit
