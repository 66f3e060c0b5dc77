"""The carrier of the ledger stage: where each square metre and each litre went."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from swathledger.grid.causes import CAUSE_ORDER
from swathledger.grid.frame import Frame
from swathledger.notes import Note

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["CAUSE_ORDER", "PAIRS_PER_CELL", "Accounting", "Areas", "BandRaster", "Volumes"]

PAIRS_PER_CELL = 5.0
"""Pairs of unlike neighbours that stand for a variance of one cell.

A cell cut at a uniformly distributed share p has variance E[p (1 - p)] = 1/6. What can be counted afterwards is not
the cut cells but pairs of unlike neighbours: along a wide strip's edge about 8 of them go with a variance of one cell,
along a strip much thinner than a cell (lone hits, four unlike sides each) 4. With 5 the stated error is 0.9 (strips of
2 cm on 0.1 m cells) to 1.3 (wide strips) of the actual one; tests/grid/test_pattern.py measures it over directions.
"""


@dataclass(frozen=True, slots=True)
class Areas:
    """Areas in cells and m2.

    Attributes
    ----------
    cells : mapping of quantity to int
        See :data:`swathledger.grid.tally.QUANTITIES`; the identities of the design hold here exactly.
    edges : mapping of quantity to int
        Sum of the squared differences between cells that share a side: the count of edges behind each quantity.
    off_rate_low_cells, off_rate_high_cells : int
        Target cells treated once with less than 0.9, more than 1.1 of the set rate.
    beyond_cells : mapping
        ``overlap``, ``skip`` and ``outside`` without strips narrower than ``tolerance_m``.
    """

    cells: Mapping[str, int]
    edges: Mapping[str, int]
    cell_m: float
    off_rate_low_cells: int
    off_rate_high_cells: int
    beyond_cells: Mapping[str, int]
    tolerance_m: float

    def m2(self, quantity: str) -> float:
        """Area of a quantity, m2."""
        return self.cells[quantity] * self.cell_m**2

    def standard_error_m2(self, quantity: str) -> float:
        """Standard error of sampling, m2: ``h^2 sqrt(edges / 5)``, see :data:`PAIRS_PER_CELL`."""
        return float(self.cell_m**2 * (self.edges[quantity] / PAIRS_PER_CELL) ** 0.5)


@dataclass(frozen=True, slots=True)
class Volumes:
    """Litres. ``applied_l = target_l + over_applied_l``; ``over_applied_l = overlap_l + outside_l + excluded_l``.

    Attributes
    ----------
    logged_l : float
        What the log says left the boom over bridged ground, standing included.
    closure_pct : float or None
        ``100 (applied_l + standing_l - logged_l) / logged_l``; None where nothing was logged.
    by_cause_l : mapping of cause to float
    """

    target_l: float
    overlap_l: float
    outside_l: float
    excluded_l: float
    standing_l: float
    logged_l: float
    by_cause_l: Mapping[str, float]

    @property
    def over_applied_l(self) -> float:
        """Overlap, outside and excluded."""
        return self.overlap_l + self.outside_l + self.excluded_l

    @property
    def applied_l(self) -> float:
        """All that was laid on ground while driving."""
        return self.target_l + self.over_applied_l

    @property
    def closure_pct(self) -> float | None:
        """How far the ground's litres are from the log's, per cent of the log's."""
        if self.logged_l <= 0:
            return None
        return 100.0 * (self.applied_l + self.standing_l - self.logged_l) / self.logged_l


@dataclass(frozen=True, slots=True)
class Accounting:
    """The accounted drive.

    Attributes
    ----------
    volumes : Volumes or None
        None where the log tells neither rate nor flow and the machine file no set rate.
    cause_cells : mapping of cause to int
        Over-application in cells; adds up to ``areas.cells["over_application"]``.
    set_rate_l_m2 : float or None
        The constant rate that doses are held against; None where unknown or varying by row.
    far_m2 : float
        Ground swept too far from the boundary to belong to this field, left out of every figure.
    """

    areas: Areas
    volumes: Volumes | None
    cause_cells: Mapping[str, int]
    frame: Frame
    set_rate_l_m2: float | None
    far_m2: float
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class BandRaster:
    """What a sink is shown of each band, south to north; own rows only, row 0 southmost.

    The arrays' memory is used again for later bands: a sink copies what it keeps.

    Attributes
    ----------
    first_row : int
        Row of the frame (from 0, south).
    count : (rows, columns) uint8, times treated
    dose : (rows, columns) float32, in units of the set rate
    classes : (rows, columns) uint8, see :data:`swathledger.grid.tally.CLASSES`
    cause : (rows, columns) uint8, see :data:`swathledger.grid.causes.CAUSES`
    kept : (rows, columns) uint8, 1 where overlap, skip or outside is beyond tolerance
    mask : (rows, columns) uint8, 0 outside, 1 target, 2 excluded, 3 target under a gap of the log
    """

    first_row: int
    count: NDArray[np.uint8]
    dose: NDArray[np.float32]
    classes: NDArray[np.uint8]
    cause: NDArray[np.uint8]
    kept: NDArray[np.uint8]
    mask: NDArray[np.uint8]
