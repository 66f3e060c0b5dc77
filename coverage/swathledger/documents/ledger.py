"""The model of ``ledger.json``: one audited field, SI. docs/results.md tells every key.

Fields with a default are null where not known, or absent from ledgers of earlier versions.
"""

from __future__ import annotations

from typing import Any, ClassVar, Final, Literal

import msgspec

from swathledger.documents.document import Document, Part
from swathledger.notes import Note

GROUND: Final = (
    "applied_m2",
    "covered_m2",
    "single_m2",
    "overlap_m2",
    "overlap_extra_m2",
    "skip_m2",
    "outside_m2",
    "excluded_m2",
    "over_application_m2",
)
"""Areas that every layout and the drive itself have."""


class NoteCode(Part, frozen=True, kw_only=True):
    """A note as code and values, see :class:`swathledger.notes.Note`: pages say it in their language and units."""

    code: str
    values: dict[str, Any] = msgspec.field(default_factory=dict)

    @classmethod
    def of(cls, note: Note) -> NoteCode:
        """The code of a note."""
        return cls(**note.document())


class LedgerField(Part, frozen=True, kw_only=True):
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


class LedgerArea(Part, frozen=True, kw_only=True):
    """Areas counted in cells, m2; see :class:`swathledger.ledger.accounting.Areas`."""

    target_m2: float
    applied_m2: float
    covered_m2: float
    single_m2: float
    overlap_m2: float
    overlap_extra_m2: float
    skip_m2: float
    outside_m2: float
    excluded_m2: float
    over_application_m2: float
    over_application_pct: float | None
    skip_pct: float | None
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


class LedgerVolume(Part, frozen=True, kw_only=True):
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


class CauseLitres(Part, frozen=True, kw_only=True):
    """Litres of one cause."""

    cause: str
    volume_l: float


class CauseArea(Part, frozen=True, kw_only=True):
    """Ground of one cause."""

    cause: str
    area_m2: float


class LedgerCause(Part, frozen=True, kw_only=True):
    """Over-application of one cause."""

    cause: str
    area_m2: float
    volume_l: float | None


class LedgerBalance(Part, frozen=True, kw_only=True):
    """Mass balance; see :class:`swathledger.ledger.balance.Balance`."""

    logged_l: float
    on_target_l: float
    over_applied_l: float
    by_cause: tuple[CauseLitres, ...]
    standing_l: float | None
    unexplained_l: float
    unexplained_pct: float | None


class StandingEvent(Part, frozen=True, kw_only=True):
    """Spray poured while the machine stood; ``start`` is UTC, null where the log has no absolute time."""

    start: str | None
    start_s: float
    duration_s: float
    latitude: float
    longitude: float
    kind: Literal["measured", "unmeasured", "likely_prime"]
    occasion: str
    litres_l: float | None
    estimated_l: float | None
    wetted_m2: float | None
    to_boundary_m: float | None
    inside_boundary: bool | None
    to_exclusion_m: float | None
    nozzles_to_boundary_m: float | None = None
    nozzles_to_exclusion_m: float | None = None


class StandingPrime(Part, frozen=True, kw_only=True):
    """A likely prime; ``event`` is the number, from 1, of the event it began with."""

    start: str | None
    start_s: float
    latitude: float
    longitude: float
    occasion: str
    break_s: float | None
    event: int | None
    measured: bool
    litres_l: float | None


class StandingStop(Part, frozen=True, kw_only=True):
    """A stop of the machine; ``logged`` is false where part of it is a gap in the log."""

    start: str | None
    start_s: float
    duration_s: float
    latitude: float
    longitude: float
    logged: bool
    long: bool


class LedgerStanding(Part, frozen=True, kw_only=True):
    """What was poured while the machine stood, and what a boom whose lines recirculate would have kept."""

    litres_l: float | None
    measured: int
    unmeasured: int
    estimated_l: float | None
    duration_s: float
    events: tuple[StandingEvent, ...]
    likely_primes: tuple[StandingPrime, ...]
    unmeasured_primes: int = 0
    stops: tuple[StandingStop, ...]
    recirculates: bool | None = None
    recirculating_would_keep_l: float | None = None
    nozzle_bodies_known: bool | None = None
    recirculating_would_keep_estimated_low_l: float | None = None
    recirculating_would_keep_estimated_high_l: float | None = None
    footprint_m: float
    assumptions: tuple[str, ...] = ()
    notes: tuple[NoteCode, ...] = ()
    caution: str = ""


class Amounts(Part, frozen=True, kw_only=True):
    """Of one product: amount in its measure, money in its currency, grams of active ingredient."""

    amount: float | None
    money: float | None
    active_g: float | None


class MoneyAndActive(Part, frozen=True, kw_only=True):
    """Of all products: only what adds up over different measures."""

    money: float | None
    active_g: float | None


class ProductPlace(Part, frozen=True, kw_only=True):
    """Of one product on one kind of ground; ``spray_l`` is the spray that carried it."""

    name: str
    spray_l: float | None
    area_m2: float | None
    amount: float | None
    money: float | None
    active_g: float | None


class ProductLabel(Part, frozen=True, kw_only=True):
    """Summed dose against the maximum entered; see :class:`swathledger.money.label.OverLabel`."""

    maximum_per_m2: float | None
    over_m2: float | None
    highest_per_m2: float | None
    highest_on_at_least_m2: float


class ProductLine(Part, frozen=True, kw_only=True):
    """One product of a job."""

    name: str
    measure: Literal["L", "kg"]
    rate_per_m2: float | None
    price: float | None
    currency: str | None
    active_ingredient: str | None
    active_g_per_unit: float | None
    applied: Amounts
    over_applied: Amounts
    standing: Amounts
    place: tuple[ProductPlace, ...]
    label: ProductLabel


class LedgerProduct(Part, frozen=True, kw_only=True):
    """What of each product went where; see :class:`swathledger.money.account.ProductAccount`."""

    currency: str | None
    basis: Literal["litres", "area"]
    spray_rate_l_m2: float | None
    spray_rate_source: str | None
    changed_during_job: bool
    cost_per_l: float | None
    cost_per_m2: float | None
    products: tuple[ProductLine, ...]
    applied: MoneyAndActive
    over_applied: MoneyAndActive
    standing: MoneyAndActive
    notes: tuple[str, ...] = ()
    note_codes: tuple[NoteCode, ...] = ()
    label_caution: str = ""
    caution: str = ""


class LedgerLayout(Part, frozen=True, kw_only=True):
    """The same drive under one set of outlet groups; ``groups`` and ``group_width_m`` are null for the limit."""

    groups: int | None
    group_width_m: float | None
    label: str
    description: str = ""
    applied_m2: float
    covered_m2: float
    single_m2: float
    overlap_m2: float
    overlap_extra_m2: float
    skip_m2: float
    outside_m2: float
    excluded_m2: float
    over_application_m2: float
    over_application_pct: float | None
    skip_pct: float | None
    standard_error_m2: float | None = None
    volume_l: float | None
    volume_per_covered_ha_l: float | None
    applied_per_covered: float | None
    saved_l: float | None
    saved_pct: float | None
    saved_money: float | None = None
    saved_vs_model_l: float | None
    saved_vs_model_pct: float | None
    saved_vs_model_money: float | None = None
    cause: tuple[CauseArea, ...] = ()


class LedgerModel(Part, frozen=True, kw_only=True):
    """How far the model of the shutoff agrees with what was really done."""

    section_seconds_agreement_pct: float | None
    volume_difference_pct: float | None
    level_pct: float
    trusted: bool | None
    cell_m: float
    as_logged: LedgerLayout
    logged_layout: LedgerLayout
    spared_by: str = ""
    spared_by_cause: tuple[CauseArea, ...] = ()
    turn_over_dose_l: float | None = None
    turn_under_dose_l: float | None = None
    notes: tuple[str, ...] = ()
    note_codes: tuple[NoteCode, ...] = ()


class SetAsideRows(Part, frozen=True, kw_only=True):
    """Rows that were not used, by reason."""

    reason: str
    count: int
    example: str | None = None


class LedgerQuality(Part, frozen=True, kw_only=True):
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
    columns_understood: tuple[tuple[str, ...], ...] = ()
    columns_ignored: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    notes: tuple[NoteCode, ...] = ()


class InputFile(Part, frozen=True, kw_only=True):
    """A file that was read."""

    name: str
    sha256: str


class AuditedWith(Part, frozen=True, kw_only=True):
    """Settings as they came out."""

    cell_m: float | None
    revisit_s: float | None
    max_gap_s: float | None
    tolerance_m: float | None
    groups: tuple[str, ...]
    off_when_covered: float | None
    field: str | None
    product: str | None = None


class LedgerProvenance(Part, frozen=True, kw_only=True):
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
    COMMAND: ClassVar[str] = "audit"

    schema: str = "swathledger/ledger/1"
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
