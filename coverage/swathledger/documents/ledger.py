"""The model of ``ledger.json``: one audited field, SI. docs/results.md tells every key.

Fields with a default are null where not known, or absent from ledgers of earlier versions.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Literal

import msgspec

from swathledger.documents.advice import LedgerAction, LedgerAlarm
from swathledger.documents.document import Document, NoteCode, Table, Upgrade
from swathledger.documents.poured import LedgerProduct, LedgerStanding
from swathledger.documents.replay import LedgerLayout, LedgerModel, with_steps


class LedgerVerdict(Table, frozen=True, kw_only=True):
    """Whether the figures are fit to be used, and why not."""

    fit: Literal["fit", "doubtful", "unfit"]
    why: tuple[NoteCode, ...]


class LedgerEstimate(Table, frozen=True, kw_only=True):
    """A headline as it was read, and the best estimate of what happened with its interval.

    ``level`` of drives have what happened between ``low`` and ``high``. ``by_source`` is one standard deviation by each
    source of error, ``moves`` what it adds to ``read`` for ``best``, in the quantity's unit. See
    :class:`swathledger.estimate.carrier.Headline`.
    """

    quantity: str
    read: float | None
    best: float | None
    low: float | None
    high: float | None
    level: float
    dominant: str | None
    by_source: dict[str, float] = msgspec.field(default_factory=dict)
    moves: dict[str, float] = msgspec.field(default_factory=dict)


class LedgerField(Table, frozen=True, kw_only=True):
    """The field and its shape; see :class:`swathledger.field.shape.ShapeMetrics`."""

    id: str
    boundary: Literal["given", "derived"]
    boundary_area_m2: float
    geodesic_area_m2: float
    recorded_area_m2: float | None = None
    recorded_minus_boundary_pct: float | None = None
    exclusion_area_m2: float
    target_area_m2: float
    perimeter_m: float
    target_perimeter_m: float
    perimeter_to_area_per_m: float | None
    compactness: float | None
    shape: float | None
    convexity: float | None
    long_axis_bearing_deg: float | None
    parts: int
    holes: int
    exclusions: int | None = None
    notes: tuple[str, ...] = ()


class LedgerArea(Table, frozen=True, kw_only=True):
    """Areas counted in cells, m2; see :class:`swathledger.ledger.accounting.Areas`."""

    target_m2: float
    applied_m2: float
    covered_m2: float
    single_m2: float
    overlap_m2: float
    overlap_extra_m2: float
    skip_m2: float
    not_recorded_m2: float | None = None
    outside_m2: float
    excluded_m2: float
    over_application_m2: float
    over_application_pct: float | None
    skip_pct: float | None
    not_recorded_pct: float | None = None
    standard_error_m2: float | None
    standard_errors_m2: dict[str, float]
    off_rate_10pct_m2: float
    under_rate_10pct_m2: float
    over_rate_10pct_m2: float
    tolerance_m: float
    overlap_beyond_tolerance_m2: float
    skip_beyond_tolerance_m2: float
    outside_beyond_tolerance_m2: float
    far_m2: float


class LedgerVolume(Table, frozen=True, kw_only=True):
    """Litres; see :class:`swathledger.ledger.accounting.Volumes`."""

    applied_l: float
    target_l: float
    over_applied_l: float
    overlap_l: float
    outside_l: float
    excluded_l: float
    standing_l: float | None
    logged_l: float
    closure_pct: float | None
    set_rate_l_m2: float | None = None


class CauseLitres(Table, frozen=True, kw_only=True):
    """Litres of one cause."""

    cause: str
    volume_l: float


class LedgerCause(Table, frozen=True, kw_only=True):
    """Over-application of one cause."""

    cause: str
    area_m2: float
    volume_l: float | None


class LedgerBalance(Table, frozen=True, kw_only=True):
    """Mass balance; see :class:`swathledger.ledger.balance.Balance`."""

    logged_l: float
    on_target_l: float
    over_applied_l: float
    by_cause: tuple[CauseLitres, ...]
    standing_l: float | None
    unexplained_l: float
    unexplained_pct: float | None


class SetAsideRows(Table, frozen=True, kw_only=True):
    """Rows that were not used, by reason."""

    reason: str
    count: int
    example: str | None = None


class LedgerCounted(Table, frozen=True, kw_only=True):
    """A quantity by the machine's own counter and by the drive; see :class:`swathledger.checkup.checkup.Counted`."""

    driven: float
    recorded: float
    step: float
    difference_pct: float | None


class LedgerQuality(Table, frozen=True, kw_only=True):
    """What the log was like."""

    epochs: int
    used: int
    set_aside: tuple[SetAsideRows, ...]
    gaps: int
    unbridged_m: float
    median_step_s: float | None
    span_s: float
    passes: int
    standing_open_s: float
    position_sigma_m: float | None
    state_kind: str
    side_assumed: bool
    counter_m2: LedgerCounted | None = None
    flow_l: LedgerCounted | None = None
    columns_understood: tuple[tuple[str, ...], ...] = ()
    columns_ignored: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    notes: tuple[NoteCode, ...] = ()


class InputFile(Table, frozen=True, kw_only=True):
    """A file that was read."""

    name: str
    sha256: str


class AuditedWith(Table, frozen=True, kw_only=True):
    """Settings as they came out. ``revisit_s``: of older ledgers, where a time told two hits of one pass apart."""

    cell_m: float | None
    revisit_s: float | None = None
    max_gap_s: float | None
    bridge_s: float | None = None
    tolerance_m: float | None
    groups: tuple[str, ...]
    off_when_covered: float | None
    field: str | None
    product: str | None = None


class LedgerProvenance(Table, frozen=True, kw_only=True):
    """What the figures were made from."""

    version: str
    inputs: tuple[InputFile, ...]
    machine: str
    settings: AuditedWith
    projection: str
    cell_m: float
    method: str = ""


class Ledger(Document, frozen=True, kw_only=True):
    """``ledger.json``."""

    KIND: ClassVar[str] = "ledger"
    NUMBER: ClassVar[int] = 2
    COMMAND: ClassVar[str] = "audit"
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {1: with_steps}

    schema: str = "swathledger/ledger/2"
    verdict: LedgerVerdict | None = None
    estimate: tuple[LedgerEstimate, ...] | None = None
    alarm: tuple[LedgerAlarm, ...] = ()
    action: tuple[LedgerAction, ...] = ()
    field: LedgerField
    area: LedgerArea
    volume: LedgerVolume | None
    balance: LedgerBalance | None = None
    cause: tuple[LedgerCause, ...]
    standing: LedgerStanding | None = None
    product: LedgerProduct | None = None
    replay: tuple[LedgerLayout, ...]
    model: LedgerModel | None
    quality: LedgerQuality
    provenance: LedgerProvenance
