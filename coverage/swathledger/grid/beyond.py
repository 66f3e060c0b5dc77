"""Ground beyond tolerance, band after band: each is judged once the next is known, so that bands leave no seams."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathledger.grid.frame import Band
from swathledger.grid.tally import CLASSES, OUTSIDE_TREATED, OVERLAP, SKIP, UNTOUCHED, BandTally
from swathledger.grid.width import WIDE, judge, judge_rows, measure_of, settle, trace_of
from swathledger.grid.workspace import Workspace

HALO_ROWS = 2
"""Rows beyond its blocks that a band must know: cells beside a block, and the row above for edges."""


def halo_rows(tolerance_m: float, cell_m: float) -> int:
    """Rows that a band is painted with beyond its own, for full blocks and edge counts."""
    return measure_of(tolerance_m, cell_m).size + HALO_ROWS


def least_rows(tolerance_m: float, cell_m: float) -> int:
    """Rows that a band must have at least, so that ground can be judged by its neighbours alone."""
    return judge_rows(measure_of(tolerance_m, cell_m))


class Beyond:
    """Judges the bands of a frame from south to north.

    Attributes
    ----------
    cells : dict
        ``overlap``, ``skip`` cells and ``outside`` treatments so far that are in no strip narrower than the tolerance.
    """

    __slots__ = ("_measure", "_reach", "_south", "_spare", "_trace", "_work", "cells")

    def __init__(self, tolerance_m: float, cell_m: float, columns: int) -> None:
        self.cells = {"overlap": 0, "skip": 0, "outside": 0}
        self._measure = measure_of(tolerance_m, cell_m)
        self._reach = judge_rows(self._measure)
        self._trace = trace_of(self._measure)
        self._spare = np.empty(columns, np.uint8)
        self._work = Workspace()
        self._south = np.full((2, self._reach, columns), UNTOUCHED, np.uint8)
        self._south[1] = WIDE

    def judge(
        self, band: Band, tally: BandTally, times: NDArray[np.uint8], north: tuple[Band, BandTally] | None
    ) -> NDArray[np.uint8]:
        """Judge the band after those to its south.

        Parameters
        ----------
        band, tally
        times : (rows + 2 halo, columns) uint8
            Treatments of the band's cells.
        north : (Band, BandTally) or None
            The next band; None at the frame's north edge.

        Returns
        -------
        (rows, columns) uint8
            1 where the ground of a cell of the band's own rows is beyond tolerance, or of no class that is judged. The
            memory is used again for the next band.
        """
        own = slice(band.halo, band.halo + band.rows)
        reach = self._reach
        classes, kept = (self._work.lend(name, (band.rows + 2 * reach, band.columns), np.uint8) for name in ("c", "k"))
        known = 0 if north is None else min(reach, north[0].rows)
        end = reach + band.rows
        classes[:reach], kept[:reach] = self._south
        classes[reach:end], kept[reach:end] = tally.classes[own], tally.wide[own]
        classes[end + known :], kept[end + known :] = UNTOUCHED, WIDE
        if north is not None:
            head = slice(north[0].halo, north[0].halo + known)
            classes[end : end + known], kept[end : end + known] = north[1].classes[head], north[1].wide[head]
        self._south[0], self._south[1] = classes[band.rows : end], kept[band.rows : end]
        core = np.array([reach, reach + band.rows])
        lost, lost_treatments = np.zeros(len(CLASSES), np.int64), np.zeros(len(CLASSES), np.int64)
        if reach:
            judge(classes, kept, band.first_row - reach, core, self._measure, self._trace, self._spare)
            settle(classes, times[own], kept, core, lost, lost_treatments)
        counted = tally.quantities()
        self.cells["overlap"] += counted["overlap"] - int(lost[OVERLAP])
        self.cells["skip"] += counted["skip"] - int(lost[SKIP])
        self.cells["outside"] += counted["outside"] - int(lost_treatments[OUTSIDE_TREATED])
        out: NDArray[np.uint8] = kept[reach : reach + band.rows]
        return out
