"""The models of ``study.json`` and ``sensitivity.json``, SI, per cent and percentage points of the target.

docs/study.md tells how the figures are worked out.
"""

from __future__ import annotations

from typing import ClassVar

from swathledger.documents.document import Document, NoteCode, Table
from swathledger.documents.replay import SavedLine


class LeftOut(Table, frozen=True, kw_only=True):
    """A ledger that was not used, and why."""

    name: str
    reason: str


class StudyChoices(Table, frozen=True, kw_only=True):
    """See :class:`swathledger.study.collected.StudySettings`."""

    seed: int
    resamples: int
    level: float
    worth_points: float


class StudyAgreement(Table, frozen=True, kw_only=True):
    """Section-seconds in which model and log agree; ``below_level`` drives whose model is not to be trusted."""

    jobs: int
    median_pct: float | None
    below_level: int


class Spread(Table, frozen=True, kw_only=True):
    """Least, median and most over drives."""

    least: float | None
    median: float | None
    most: float | None


class MeanOverFields(Table, frozen=True, kw_only=True):
    """A mean with its interval; ``together_*`` holds all of its table at once."""

    mean: float
    low: float | None
    high: float | None
    together_low: float | None
    together_high: float | None
    method: str


class LayoutMean(MeanOverFields, frozen=True, kw_only=True):
    """Over-application of a layout over the fields that have it; ``pooled`` weighs fields by their target."""

    layout: str
    fields: int
    group_width_m: float | None
    group_width_range_m: tuple[float, float] | None
    median: float
    pooled: float
    least: float
    most: float


class CurvePoint(MeanOverFields, frozen=True, kw_only=True):
    """Mean over-application at one width of a group."""

    group_width_m: float


class MeanCurve(Table, frozen=True, kw_only=True):
    """Over-application against the width of a group, each field counting once."""

    fields: int
    without_curve: tuple[str, ...]
    points: tuple[CurvePoint, ...]


class FieldPoint(Table, frozen=True, kw_only=True):
    """Over-application of one field at one width."""

    group_width_m: float
    over_application_pct: float


class FieldCurve(Table, frozen=True, kw_only=True):
    """One field's own curve, its floor, and what was done."""

    field_number: int
    field_id: str
    jobs: int
    perimeter_to_area_per_m: float | None
    points: tuple[FieldPoint, ...]
    limit_pct: float | None
    as_logged_pct: float | None


class StudySaving(Table, frozen=True, kw_only=True):
    """What one layout saves over the drives that have it."""

    layout: str
    jobs: int
    steps: tuple[SavedLine, ...]
    closed_form_pct: float | None


class StudyEstimate(Table, frozen=True, kw_only=True):
    """A headline over fields by the best estimates of their drives; per cent, each field counting once.

    ``holds`` says what the interval is over: ``fields_and_errors``, or ``errors`` of these drives alone where there are
    too few fields. ``by_source``, ``own_sd`` and ``shared_sd`` are one standard deviation of ``best`` by each source of
    error, and by errors that one field has to itself or that fields share.
    """

    quantity: str
    fields: int
    read: float | None
    best: float
    low: float | None
    high: float | None
    level: float
    holds: str
    own_sd: float | None
    shared_sd: float | None
    by_source: dict[str, float]
    dominant: str | None


class LayoutDifference(MeanOverFields, frozen=True, kw_only=True):
    """Paired difference of two layouts; above 0: the second over-applies less."""

    first: str
    second: str
    fields: int
    median: float
    p: float | None
    p_holm: float | None
    wilcoxon_p: float | None


class Halving(MeanOverFields, frozen=True, kw_only=True):
    """What halving the group spares; ``reached_pct`` of all that finer groups can spare."""

    from_m: float
    to_m: float
    fields_below_pct: float
    reached_pct: float | None


class Diminishing(Table, frozen=True, kw_only=True):
    """Halvings from the widest group down, and the width ``from_m`` from which one spares less than is worth it."""

    worth_points: float
    fields: int
    halvings: tuple[Halving, ...]
    from_m: float | None


class FitTerm(Table, frozen=True, kw_only=True):
    """One coefficient: estimate, robust standard error, interval, t and p against 0, and its variance inflation."""

    name: str
    estimate: float
    standard_error: float
    low: float
    high: float
    t: float | None
    p: float | None
    vif: float | None


class StudyFit(Table, frozen=True, kw_only=True):
    """An ordinary least squares fit.

    Attributes
    ----------
    n, clusters : int
        Rows, and fields they come from.
    terms : tuple of FitTerm
        The intercept first.
    errors : str
        ``HC3``, or ``CR1 by field`` where a field has several rows.
    degrees : int
        Degrees of freedom of the intervals.
    breusch_pagan_p : float or None
        Koenker's studentised form; small: the spread depends on the predictors (the errors above allow for that).
    shapiro_p : float or None
        Small: residuals are not normal.
    largest_cook, largest_cook_row, largest_cook_field : float, int, str
        The row whose removal would move the fit most; above 1 is a warning.
    condition : float
        Of the design with columns of unit length; above 30 the terms cannot be told apart.
    """

    response: str
    n: int
    clusters: int
    terms: tuple[FitTerm, ...]
    r2: float | None
    r2_adjusted: float | None
    residual_sd: float
    errors: str
    degrees: int
    level: float
    breusch_pagan_p: float | None
    shapiro_p: float | None
    largest_cook: float
    largest_cook_row: int
    condition: float
    largest_cook_field: str

    def term(self, name: str) -> FitTerm:
        """The term of a name."""
        return next(term for term in self.terms if term.name == name)


class JointFit(StudyFit, frozen=True, kw_only=True):
    """A regression on several measures of shape together."""

    response_words: str


class ShapeEffect(Table, frozen=True, kw_only=True):
    """One response against one measure of shape, field by field."""

    response: str
    response_words: str
    predictor: str
    predictor_words: str
    fields: int
    spearman: float | None
    spearman_p: float | None
    fit: StudyFit | None
    x: tuple[float, ...]
    y: tuple[float, ...]


class ShapeClass(Table, frozen=True, kw_only=True):
    """Medians of the fields of one class of perimeter per area, lower edge included."""

    from_per_m: float
    below_per_m: float | None
    fields: int
    widest: str | None
    finest: str | None
    median_as_logged_pct: float | None
    median_widest_pct: float | None
    median_finest_pct: float | None
    median_saving_points: float | None


class StudyMachine(Table, frozen=True, kw_only=True):
    """Fields, ground and means of one machine."""

    machine: str
    fields: int
    target_ha: float
    boom_width_m: float | None
    mean_as_logged_pct: float | None
    mean_widest_pct: float | None
    mean_finest_pct: float | None


class StudyDocument(Document, frozen=True, kw_only=True):
    """``study.json``."""

    KIND: ClassVar[str] = "study"
    COMMAND: ClassVar[str] = "study"

    schema: str = "swathledger/study/1"
    version: str
    settings: StudyChoices
    fields: int
    jobs: int
    target_ha: float
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    note_codes: tuple[NoteCode, ...] = ()
    cells_m: tuple[float, ...]
    revisit_s: tuple[float, ...] = ()
    off_when_covered: tuple[float, ...]
    agreement: StudyAgreement
    off_rate_pct: Spread
    estimates: tuple[StudyEstimate, ...] = ()
    jobs_without_estimates: int = 0
    layouts_compared: tuple[str, ...]
    layouts: tuple[LayoutMean, ...]
    curve: MeanCurve
    field_curves: tuple[FieldCurve, ...]
    savings: tuple[StudySaving, ...] = ()
    differences: tuple[LayoutDifference, ...]
    diminishing: Diminishing
    shape: tuple[ShapeEffect, ...]
    shape_joint: tuple[JointFit, ...]
    shape_classes: tuple[ShapeClass, ...]
    width_regression: StudyFit | None
    machines: tuple[StudyMachine, ...]
    caution: str


class UsedSettings(Table, frozen=True, kw_only=True):
    """Settings that the variants start from."""

    cell_m: float | None
    off_when_covered: float | None
    max_gap_s: float | None


class AuditedHeadline(Table, frozen=True, kw_only=True):
    """A headline as it was audited.

    ``name``: ``over_pct:LAYOUT``, ``skip_pct:as logged``, ``saving:FIRST:SECOND`` (percentage points of the target).
    """

    name: str
    words: str
    value: float


class ChosenOtherwise(Table, frozen=True, kw_only=True):
    """What one other choice changes, by headline."""

    variant: str
    words: str
    change: dict[str, float]


class Sensitivity(Table, frozen=True, kw_only=True):
    """Headlines of a drive, and what choices of the method do to them."""

    settings: UsedSettings
    headlines: tuple[AuditedHeadline, ...]
    variants: tuple[ChosenOtherwise, ...]


class RerunField(Table, frozen=True, kw_only=True):
    """A field that was run again."""

    field_number: int
    field_id: str
    job: str
    jobs_of_field: int
    sensitivity: Sensitivity


class FailedRerun(Table, frozen=True, kw_only=True):
    """A field that could not be run again."""

    field_id: str
    job: str
    reason: str


class SensitivityDocument(Document, frozen=True, kw_only=True):
    """``sensitivity.json``."""

    KIND: ClassVar[str] = "sensitivity"
    COMMAND: ClassVar[str] = "study"

    schema: str = "swathledger/sensitivity/1"
    manifest: str
    sampled_of: int
    fields: tuple[RerunField, ...]
    failed: tuple[FailedRerun, ...]
    note: str
