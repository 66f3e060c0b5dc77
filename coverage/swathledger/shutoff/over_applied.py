"""Over-applied ground of the log, kept as runs of cells, and what of it another layout would have spared."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from swathledger._jit import njit
from swathledger.grid.causes import CAUSES
from swathledger.grid.frame import Frame
from swathledger.grid.mask import EXCLUDED, TARGET
from swathledger.ledger.accounting import BandRaster

BAND_CELLS = 2_000_000


@njit
def _find_runs(code, extra, first_row, out):  # type: ignore[no-untyped-def]  # numba infers the types
    """Runs of cells of one code and one number of extra treatments, above 0; returns how many (written while room)."""
    row, first, end, value, times = out
    rows, columns = code.shape
    count = 0
    for r in range(rows):
        c = 0
        while c < columns:
            if extra[r, c] == 0:
                c += 1
                continue
            e = c + 1
            while e < columns and extra[r, e] == extra[r, c] and code[r, e] == code[r, c]:
                e += 1
            if count < row.shape[0]:
                row[count] = first_row + r
                first[count] = c
                end[count] = e
                value[count] = code[r, c]
                times[count] = extra[r, c]
            count += 1
            c = e
    return count


@njit
def _extra(mask, count, cause, code, extra):  # type: ignore[no-untyped-def]  # numba infers the types
    """Extra treatments of every cell, and their cause: its place off the target."""
    rows, columns = mask.shape
    for r in range(rows):
        for c in range(columns):
            n = count[r, c]
            if n == 0 or (n == 1 and mask[r, c] == TARGET):
                extra[r, c] = 0
            elif mask[r, c] == TARGET:
                extra[r, c] = n - 1
                code[r, c] = cause[r, c]
            else:
                extra[r, c] = n
                code[r, c] = 2 if mask[r, c] == EXCLUDED else 1


@njit
def _spare(runs, chosen, mask, count, shift, code, extra, totals):  # type: ignore[no-untyped-def]  # numba infers the types
    """Extra treatments of the runs ``chosen`` that a band of another layout leaves out, by cell and cause."""
    row, first, end, value, times = runs
    rows, columns = mask.shape
    for k in range(chosen[0], chosen[1]):
        r = row[k] - shift[0]
        for c in range(first[k] - shift[1], end[k] - shift[1]):
            after = np.int64(0)
            if 0 <= r < rows and 0 <= c < columns:
                after = np.int64(count[r, c]) - (1 if mask[r, c] == TARGET else 0)
            less = np.int64(times[k]) - (after if after > 0 else 0)
            if less > 0:
                code[row[k] - shift[2], c + shift[1]] = value[k]
                extra[row[k] - shift[2], c + shift[1]] = less
                totals[value[k]] += less


class CellRuns:
    """Codes of a few cells of a frame, as runs along its rows; made by :class:`OverApplied` and :func:`spared_by`.

    Attributes
    ----------
    frame : Frame
    """

    __slots__ = ("_parts", "frame")

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self._parts: list[tuple[NDArray[np.int32], ...]] = []

    def add(self, first_row: int, code: NDArray[np.uint8], extra: NDArray[np.uint8]) -> None:
        """Take the next rows to the north, the first being row ``first_row`` of the frame (0 southmost)."""
        room = 4096
        while True:
            out = tuple(np.empty(room, np.int32) for _ in range(5))
            count = _find_runs(code, extra, first_row, out)
            if count <= room:
                break
            room = count
        if count:
            self._parts.append(tuple(value[:count].copy() for value in out))

    def runs(self) -> tuple[NDArray[np.int32], ...]:
        """Row, first column, column behind the last, code, and extra treatments of every run."""
        if not self._parts:
            return tuple(np.empty(0, np.int32) for _ in range(5))
        joined = tuple(np.concatenate(values) for values in zip(*self._parts, strict=True))
        self._parts = [joined]
        return joined

    def bands(self) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        """First row and codes (rows, columns) of every band, south to north; 0 where there is no run."""
        row, first, end, code, _ = self.runs()
        height = max(1, BAND_CELLS // self.frame.columns)
        for start in range(0, self.frame.rows, height):
            out = np.zeros((min(height, self.frame.rows - start), self.frame.columns), np.uint8)
            for k in range(*np.searchsorted(row, (start, start + height))):
                out[row[k] - start, first[k] : end[k]] = code[k]
            yield start, out

    def whole(self) -> NDArray[np.uint8]:
        """All codes at once: for small frames."""
        return np.concatenate([codes for _, codes in self.bands()])


class OverApplied(CellRuns):
    """Over-applied cells of the log; its :meth:`sink` goes to ``account``."""

    __slots__ = ()

    def sink(self, band: BandRaster) -> None:
        """Take a band."""
        code, extra = np.zeros(band.count.shape, np.uint8), np.empty(band.count.shape, np.uint8)
        _extra(band.mask, band.count, band.cause, code, extra)
        self.add(band.first_row, code, extra)


def spared_sink(
    over: OverApplied, frame: Frame, totals: NDArray[np.int64]
) -> tuple[CellRuns, Callable[[BandRaster], None]]:
    """Runs of the log's over-applied cells that a layout spares, and the sink that finds them.

    Parameters
    ----------
    over : OverApplied
    frame : Frame
        Of the layout's own accounting.
    totals : (len(CAUSES),) int64
        Receives the treatments spared by cause.
    """
    spared = CellRuns(over.frame)
    runs = over.runs()
    home = over.frame
    up, across = frame.first_row - home.first_row, frame.first_column - home.first_column
    done = [0]

    def sink(band: BandRaster) -> None:
        low, high = band.first_row + up, band.first_row + up + band.count.shape[0]
        if band.first_row == 0:
            low = min(low, 0)
        if band.first_row + band.count.shape[0] == frame.rows:
            high = max(high, home.rows)
        low, high = max(low, done[0]), min(high, home.rows)
        if high <= low:
            return
        done[0] = high
        chosen = np.searchsorted(runs[0], (low, high))
        code = np.zeros((high - low, home.columns), np.uint8)
        extra = np.zeros((high - low, home.columns), np.uint8)
        shift = np.array([band.first_row + up, across, low], np.int64)
        _spare(runs, chosen, band.mask, band.count, shift, code, extra, totals)
        spared.add(low, code, extra)

    return spared, sink


def by_cause(totals: NDArray[np.int64], causes: tuple[str, ...]) -> dict[str, int]:
    """Treatments by name of the causes asked for."""
    return {name: int(totals[CAUSES.index(name)]) for name in causes}
