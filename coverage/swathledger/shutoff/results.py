"""The carriers of the replay stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from swathledger.grid.frame import Frame
from swathledger.notes import Note

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


MAX_CELLS = 250_000_000
"""A larger frame is replayed on coarser cells, and says so: a layout holds 3 bytes a cell."""


@dataclass(frozen=True, slots=True)
class Layout:
    """One set of outlet groups on a boom.

    Attributes
    ----------
    name : str
        As the user asked for it: ``boom``, ``nozzle``, ``limit``, ``9``, ``logged``, ``width 0.75 m``, ``list 1``.
    label : str
        Plain words for a reader.
    edges_m : (groups + 1,) float64
        Lateral edges of the groups, metres right of the boom centre, increasing.
    limit : bool
        A valve per cell: the floor that nobody can beat.
    """

    name: str
    label: str
    edges_m: NDArray[np.float64]
    limit: bool = False

    @property
    def groups(self) -> int:
        """Number of groups."""
        return int(self.edges_m.shape[0] - 1)

    @property
    def group_width_m(self) -> float | None:
        """Mean width of a group, m; None for the limit."""
        if self.limit:
            return None
        return float(self.edges_m[-1] - self.edges_m[0]) / self.groups


@dataclass(frozen=True, slots=True)
class LayoutResult:
    """What one layout would have covered on the same drive.

    Attributes
    ----------
    layout : Layout
    cells : mapping of quantity to int
        As :attr:`swathledger.ledger.accounting.Areas.cells`; the same identities hold.
    standard_error_m2 : float
        Of the over-application, from its edge cells.
    cell_m : float
        Cell of the replay.
    volume_l : float or None
        Litres laid while driving; None where the log tells neither rate nor flow.
    open_group_s : float
        Group-seconds open.
    by_cause_cells : mapping of cause to int
        Over-application by cause; adds up to ``cells["over_application"]``.
    """

    layout: Layout
    cells: Mapping[str, int]
    standard_error_m2: float
    cell_m: float
    volume_l: float | None
    open_group_s: float
    by_cause_cells: Mapping[str, int]

    def m2(self, quantity: str) -> float:
        """Area of a quantity, m2."""
        return self.cells[quantity] * self.cell_m**2


@dataclass(frozen=True, slots=True)
class Replay:
    """The same drive under other layouts.

    Attributes
    ----------
    results : tuple of LayoutResult
        In the order asked for.
    logged : LayoutResult
        The log's own layout under the controller model.
    as_logged : LayoutResult
        What was really done, on the replay's own steps and cells: the ground that savings are counted from.
    agreement_pct : float or None
        Section-seconds in which model and log agree, of those in which spray was wanted; None where none was.
    volume_difference_pct : float or None
        ``100 (logged layout's litres - log's litres) / log's litres``; by area where litres are unknown.
    level_pct : float
        Below this agreement savings rest on a model that does not match the machine.
    spared_cells : mapping of cause to int
        Over-applied cells of the log that single-nozzle shutoff (or the finest layout asked for) leaves untreated a
        second time, by the log's cause.
    turn_spared_l : float or None
        Litres laid above the set rate in turns, which flow control of each nozzle would have spared.
    turn_short_l : float or None
        Litres missing below the set rate in turns.
    frame : Frame
        Grid of ``spared``.
    spared : (rows, columns) uint8, row 0 southmost
        Cause code (:data:`swathledger.grid.paint.CAUSES`) of over-applied cells that ``spared_by`` would have spared,
        0 elsewhere.
    spared_by : str
        Name of that layout.
    notes : tuple of Note
    """

    results: tuple[LayoutResult, ...]
    logged: LayoutResult
    as_logged: LayoutResult
    agreement_pct: float | None
    volume_difference_pct: float | None
    level_pct: float
    spared_cells: Mapping[str, int]
    turn_spared_l: float | None
    turn_short_l: float | None
    frame: Frame
    spared: NDArray[np.uint8]
    spared_by: str
    notes: tuple[Note, ...]
