"""The carriers of the replay stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from swathledger.notes import Note

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from swathledger.machine.machine import Valves
    from swathledger.shutoff.over_applied import CellRuns


@dataclass(frozen=True, slots=True)
class Layout:
    """One set of outlet groups on a boom.

    Attributes
    ----------
    name : str
        As the user asked for it: ``boom``, ``nozzle``, ``limit``, ``9``, ``logged``, ``width 0.75 m``, ``list 1``.
    label : Note
        Plain words for a reader.
    edges_m : (groups + 1,) float64
        Lateral edges of the groups, metres right of the boom centre, increasing.
    limit : bool
        A valve per cell: the floor that nobody can beat.
    valves : Valves or None
        Valves of its own; None: those of the replay.
    off_when_covered : float or None
        Threshold of its own.
    treated_margin_m : float or None
        How far it is to overlap treated ground, m in every direction; negative: a gap to be left. None: its groups
        shut by the tolerance alone.
    boundary_margin_m : float
        How far it is to treat beyond the boundary, m, never into an exclusion; negative: kept away from both.
    """

    name: str
    label: Note
    edges_m: NDArray[np.float64]
    limit: bool = False
    valves: Valves | None = None
    off_when_covered: float | None = None
    treated_margin_m: float | None = None
    boundary_margin_m: float = 0.0

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


STEPS = ("model", "timing", "resolution", "floor")
"""From what was done to today's layout under the model, its timing, its groups, and a valve a cell."""


@dataclass(frozen=True, slots=True)
class SavingStep:
    """One line of the way from what was done to the floor, at equal cover.

    Equal cover: what a layout lays per covered hectare, times the ground that was really covered, so that no layout
    gains by leaving skips. The lines of a layout add up to the way from what was done to the floor.

    Attributes
    ----------
    step : str
        One of :data:`STEPS`: ``model`` (from what was done to today's layout as the model would run it), ``timing``
        (today's groups, from today's valves to the finer layout's), ``resolution`` (groups alone, under one model and
        one set of valves: the headline), ``floor`` (from the layout to a valve for every cell).
    saved_m2 : float
        Treated ground spared, m2 applied; negative where the step costs.
    saved_l : float or None
        Litres spared; None where litres are unknown.
    saved_pct : float or None
        Per cent of what was done, by litres where known, else by area; None where nothing was done.
    """

    step: str
    saved_m2: float
    saved_l: float | None
    saved_pct: float | None


@dataclass(frozen=True, slots=True)
class Seams:
    """What groups have to close and open on where the drive crosses it: edges of the target and of treated ground.

    A closed form beside the replay. A seam crossed at angle t to the travel by groups of width w that shut when
    wholly across costs ``w / 2 |cos t|`` for every metre of it, whatever the boom; a valve that shuts d seconds late
    at v costs ``v d |sin t|`` for every metre of a seam that ends wanted ground.

    Attributes
    ----------
    crossing_per_m : float
        C, sum of ``|cos t| dl`` over the seams crossed, over the area of the target.
    closing_per_m, opening_per_m : float
        Sum of ``|sin t| dl`` over seams that end wanted ground, and over those where it begins, over the same area.
    closing_m_s, opening_m_s : float
        Mean speed across these, weighted by ``|sin t| dl``.
    parallel_share : float
        Share of the way along seams under the boom on which it runs along them rather than across. The closed form
        knows nothing of these (the last pass beside a headland pass): where it is large, trust the replay.
    """

    crossing_per_m: float
    closing_per_m: float
    opening_per_m: float
    closing_m_s: float
    opening_m_s: float
    parallel_share: float


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
    steps : tuple of SavingStep
        From what was done to the floor by way of this layout; empty for what was done, and for the log's own layout.
        The floor itself has no line of timing or resolution.
    closed_form_pct : float or None
        ``100 (w_now - w_finer) / 2 x C``: what resolution saves by the closed form, per cent of the target. None for
        the floor.
    closed_form_timing_pct : float or None
        What timing saves by the closed form, per cent of the target.
    closed_form_doubt : str or None
        Why the closed form and the replay may part: ``parallel`` (seams run along the passes), ``threshold`` (groups
        shut before they are wholly across), ``margin`` (layouts of unlike margins), ``apart`` (they part and none of
        these tells why). None: nothing speaks against it.
    """

    layout: Layout
    cells: Mapping[str, int]
    standard_error_m2: float
    cell_m: float
    volume_l: float | None
    open_group_s: float
    by_cause_cells: Mapping[str, int]
    steps: tuple[SavingStep, ...] = ()
    closed_form_pct: float | None = None
    closed_form_timing_pct: float | None = None
    closed_form_doubt: str | None = None

    def step(self, name: str) -> SavingStep | None:
        """The step of a name; None where the layout has none."""
        return next((step for step in self.steps if step.step == name), None)

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
    spared : CellRuns
        Cause code (:data:`swathledger.grid.causes.CAUSES`) of over-applied cells that ``spared_by`` would have spared.
    spared_by : str
        Name of that layout.
    notes : tuple of Note
    floor : LayoutResult or None
        A valve for every cell, whether asked for or not.
    seams : Seams or None
        The closed form's measures of this drive on this target.
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
    spared: CellRuns
    spared_by: str
    notes: tuple[Note, ...]
    floor: LayoutResult | None = None
    seams: Seams | None = None
