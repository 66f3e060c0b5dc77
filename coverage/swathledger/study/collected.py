"""The carriers of the study stage."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathledger.documents.ledger import LedgerEstimate
from swathledger.documents.replay import SavingLine
from swathledger.errors import InputError

#: Layout names of rows that no outlet group was asked for: what was really done, and the log's own layout replayed.
AS_LOGGED, LOGGED = "as logged", "logged"


@dataclass(frozen=True, slots=True)
class StudySettings:
    """What may be chosen of a study.

    Attributes
    ----------
    seed : int
        Of every random draw; stored with the results.
    resamples : int
        Bootstrap samples, at least 199.
    level : float
        Of the intervals, 0 < level < 1.
    worth_points : float
        Diminishing return: a halving of the group that spares fewer percentage points of the target than this is no
        longer worth it.
    """

    seed: int = 20_240_501
    resamples: int = 4999
    level: float = 0.9
    worth_points: float = 0.25

    def __post_init__(self) -> None:
        if self.seed < 0:
            raise InputError(f"must not be negative, found {self.seed!r}.", column="seed")
        if self.resamples < 199:
            raise InputError(f"must be at least 199, found {self.resamples!r}.", column="resamples")
        if not 0 < self.level < 1:
            raise InputError(f"must lie between 0 and 1, found {self.level!r}.", column="level")
        if not (math.isfinite(self.worth_points) and self.worth_points >= 0):
            raise InputError(f"must not be negative, found {self.worth_points!r}.", column="worth_points")


@dataclass(frozen=True, slots=True)
class LayoutRow:
    """One layout on one job, as its ledger has it; None where the ledger does not tell.

    Attributes
    ----------
    layout : str
        Word of the layout: ``boom``, ``9``, ``nozzle``, ``limit``, ``logged``, ``as logged``.
    group_width_m : float or None
        None for ``limit``.
    standard_error_m2 : float or None
        Of the over-application, from the count of edge cells.
    volume_l, saved_l, saved_pct : float or None
        Litres laid; litres and per cent spared against the log.
    steps : tuple of SavingLine
        The way from what was done to the floor at equal cover, line by line; empty where there is none.
    closed_form_pct : float or None
        What resolution saves by the closed form, per cent of the target.
    """

    layout: str
    groups: int | None
    group_width_m: float | None
    over_application_m2: float | None
    skip_m2: float | None
    applied_m2: float | None
    overlap_extra_m2: float | None
    outside_m2: float | None
    excluded_m2: float | None
    standard_error_m2: float | None
    volume_l: float | None
    saved_l: float | None
    saved_pct: float | None
    steps: tuple[SavingLine, ...] = ()
    closed_form_pct: float | None = None

    def step(self, name: str) -> SavingLine | None:
        """The line of a step; None where the layout has none."""
        return next((line for line in self.steps if line.step == name), None)


@dataclass(frozen=True, slots=True)
class StudyJob:
    """One audited drive.

    Attributes
    ----------
    name : str
        Where its ledger lies below the folder given, without the file's name.
    boundary : str
        ``given``, ``derived`` or ``unknown``.
    projection : str
        Tells where the field lies; "" where the ledger does not tell.
    target_area_m2 : float
        Area of the target by its cells, the base of every percentage; above 0.
    exclusions : int or None
        Ponds, waterways and holes; None where the ledger does not count them.
    boom_width_m : float or None
        Groups times their width.
    agreement_pct : float or None
        How far the replayed layout agrees with what was done.
    off_rate_pct : float or None
        Target treated once beyond +/-10 % of the set rate, per cent of the target.
    inputs : tuple of str
        sha256 of the ledger's inputs.
    client : str
        Folder above the ledger's own; "" where there is none.
    estimate : tuple of LedgerEstimate
        Empty where the ledger has none.
    """

    name: str
    field_id: str
    machine: str
    boundary: str
    projection: str
    target_area_m2: float
    perimeter_to_area_per_m: float | None
    compactness: float | None
    convexity: float | None
    exclusion_area_m2: float | None
    exclusions: int | None
    boom_width_m: float | None
    agreement_pct: float | None
    trusted: bool | None
    cell_m: float | None
    revisit_s: float | None
    off_when_covered: float | None
    off_rate_pct: float | None
    inputs: tuple[str, ...]
    rows: tuple[LayoutRow, ...]
    client: str = ""
    estimate: tuple[LedgerEstimate, ...] = ()

    def row(self, layout: str) -> LayoutRow | None:
        """The row of a layout, or None."""
        return next((row for row in self.rows if row.layout == layout), None)

    def over_pct(self, layout: str) -> float | None:
        """Over-application of a layout, per cent of the target."""
        row = self.row(layout)
        if row is None or row.over_application_m2 is None:
            return None
        return 100.0 * row.over_application_m2 / self.target_area_m2


@dataclass(frozen=True, slots=True)
class StudyField:
    """A field with all its jobs: the unit that is drawn in the bootstrap.

    Attributes
    ----------
    number : int
        From 0, in the order of first appearance.
    jobs : tuple of StudyJob
        Several drives on the same ground are not independent of each other: their areas are added up.
    """

    number: int
    field_id: str
    jobs: tuple[StudyJob, ...]

    @property
    def first(self) -> StudyJob:
        """StudyJob whose shape stands for the field."""
        return self.jobs[0]

    @property
    def layouts(self) -> tuple[str, ...]:
        """Layouts that every job of the field has a figure for, in the order of the first job."""
        return tuple(
            row.layout for row in self.first.rows if all(job.over_pct(row.layout) is not None for job in self.jobs)
        )

    def over_pct(self, layout: str) -> float | None:
        """Over-application over all jobs, per cent of the summed target."""
        total = 0.0
        for job in self.jobs:
            row = job.row(layout)
            if row is None or row.over_application_m2 is None:
                return None
            total += row.over_application_m2
        return 100.0 * total / sum(job.target_area_m2 for job in self.jobs)

    def group_width_m(self, layout: str) -> float | None:
        """Mean width of the layout's groups over the jobs."""
        widths = [row.group_width_m for job in self.jobs if (row := job.row(layout)) is not None]
        known = [w for w in widths if w is not None]
        return sum(known) / len(known) if known and len(known) == len(widths) else None

    @property
    def curve(self) -> tuple[tuple[float, float], ...]:
        """(group width m, over-application %) of the layouts asked for, by width; ``limit`` has no width."""
        points = {}
        for layout in self.layouts:
            width, over = self.group_width_m(layout), self.over_pct(layout)
            if layout not in {AS_LOGGED, LOGGED} and width is not None and over is not None:
                points[width] = over
        return tuple(sorted(points.items()))
