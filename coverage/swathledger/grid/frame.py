"""The grid of a field and its division into bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from swathledger.errors import InputError

BAND_CELLS = 2_000_000
"""Cells of one band. Fixed, so that results do not depend on the machine they are made on."""

DEFAULT_CELL_M = 0.1

MAX_CELL_M = 60.0
"""Coarsest cell."""
MAX_SIDE_CELLS = 1_000_000
"""Longest side of a grid: 100 km of 0.1 m. More is a slip in the cell or the boundary."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A window of the plane's endless grid of cells.

    Cell ``(i, j)`` covers ``[i h, (i + 1) h) x [j h, (j + 1) h)``; column ``i`` grows east, row ``j`` north.

    Attributes
    ----------
    cell_m : float
        Side ``h``, m.
    first_row, first_column : int
        Indices of the window's south-west cell.
    rows, columns : int
        Size of the window. Rows come before columns everywhere, as in the arrays of cells.
    """

    cell_m: float
    first_row: int
    first_column: int
    rows: int
    columns: int

    def __post_init__(self) -> None:
        if not self.cell_m > 0 or self.columns < 1 or self.rows < 1:
            raise InputError(f"a grid needs a positive cell and size, found {self}")

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.columns * self.rows

    @property
    def west_m(self) -> float:
        """The window's west edge, x."""
        return self.first_column * self.cell_m

    @property
    def north_m(self) -> float:
        """The window's north edge, y."""
        return (self.first_row + self.rows) * self.cell_m

    def bands(self, halo: int, least_rows: int = 1) -> list[Band]:
        """Cut into bands from south to north; each is painted with ``halo`` extra rows on both sides.

        All but the last have ``least_rows`` at least.
        """
        height = max(BAND_CELLS // self.columns, 4 * halo, least_rows, 1)
        out = []
        for start in range(0, self.rows, height):
            stop = min(start + height, self.rows)
            out.append(
                Band(
                    first_row=self.first_row + start,
                    first_column=self.first_column,
                    rows=stop - start,
                    columns=self.columns,
                    halo=halo,
                )
            )
        return out


@dataclass(frozen=True, slots=True)
class Band:
    """Rows ``[first_row, first_row + rows)`` of a frame, painted with ``halo`` rows more on both sides."""

    first_row: int
    first_column: int
    rows: int
    columns: int
    halo: int


def default_cell_m(nozzle_spacing_m: float) -> float:
    """0.1 m, and never more than a quarter of the nozzle spacing."""
    return min(DEFAULT_CELL_M, nozzle_spacing_m / 4)


def frame_around(cell_m: float, x_min: float, y_min: float, x_max: float, y_max: float, margin_cells: int = 2) -> Frame:
    """The smallest frame that holds a rectangle of the plane, with a margin.

    Raises
    ------
    InputError
        The rectangle is not finite or more than :data:`MAX_SIDE_CELLS` long, or the cell is above :data:`MAX_CELL_M`.
    """
    if not all(np.isfinite(v) for v in (x_min, y_min, x_max, y_max)):
        raise InputError("the ground to be gridded has no finite extent")
    if cell_m > MAX_CELL_M:
        raise InputError(f"cells of {cell_m:g} m are coarser than any boom is wide.", hint="Use smaller cells.")
    if max(x_max - x_min, y_max - y_min) > MAX_SIDE_CELLS * cell_m:
        raise InputError(
            f"the ground is {x_max - x_min:.0f} m by {y_max - y_min:.0f} m: with cells of {cell_m:g} m a side has more "
            f"than {MAX_SIDE_CELLS:,} of them.",
            hint="Use larger cells.",
        )
    i0 = int(np.floor(x_min / cell_m)) - margin_cells
    j0 = int(np.floor(y_min / cell_m)) - margin_cells
    i1 = int(np.floor(x_max / cell_m)) + 1 + margin_cells
    j1 = int(np.floor(y_max / cell_m)) + 1 + margin_cells
    return Frame(cell_m, first_row=j0, first_column=i0, rows=j1 - j0, columns=i1 - i0)


def polygon_edges(geometry: Polygon | MultiPolygon) -> NDArray[np.float64]:
    """(e, 4) edges ``x_a, y_a, x_b, y_b`` of all rings, for the even-odd rule (holes need no marking)."""
    if geometry.is_empty:
        return np.empty((0, 4))
    parts = []
    for ring in shapely.get_rings(shapely.get_parts(geometry)):
        xy = shapely.get_coordinates(ring)
        parts.append(np.hstack((xy[:-1], xy[1:])))
    return np.vstack(parts)
