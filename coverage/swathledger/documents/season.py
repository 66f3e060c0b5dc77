"""The model of ``season.json``: what many jobs come to, SI. docs/season.md tells every key."""

from __future__ import annotations

from typing import ClassVar

from swathledger.documents.advice import LedgerAlarm
from swathledger.documents.document import Document, NoteCode, Table
from swathledger.documents.ledger import CauseLitres, LedgerEstimate
from swathledger.documents.poured import Amounts
from swathledger.documents.replay import SavingLine


class JobCount(Table, frozen=True, kw_only=True):
    """How many jobs there are, and what became of them."""

    all: int
    done: int
    failed: int


class FieldCount(Table, frozen=True, kw_only=True):
    """How many fields were treated, and how many have no log."""

    treated: int
    without_log: int


class SeasonCause(Table, frozen=True, kw_only=True):
    """Over-application of one cause."""

    cause: str
    area_m2: float | None
    volume_l: float | None


class SeasonMoney(Table, frozen=True, kw_only=True):
    """Money of the jobs priced in one currency; none is ever converted.

    ``over_applied`` is as read; ``best`` with ``low`` and ``high``, 90 % over the errors of these drives, by the best
    estimates: null where a job has none.
    """

    currency: str | None
    jobs: int
    applied: float | None
    over_applied: float | None
    best: float | None = None
    low: float | None = None
    high: float | None = None


class SeasonTotals(Table, frozen=True, kw_only=True):
    """Sums over the jobs that are done; litres are of those jobs whose litres are known."""

    jobs: int
    target_m2: float | None
    applied_m2: float | None
    covered_m2: float | None
    single_m2: float | None
    overlap_m2: float | None
    overlap_extra_m2: float | None
    skip_m2: float | None
    not_recorded_m2: float | None = None
    outside_m2: float | None
    excluded_m2: float | None
    over_application_m2: float | None
    off_rate_10pct_m2: float | None
    overlap_beyond_tolerance_m2: float | None
    skip_beyond_tolerance_m2: float | None
    outside_beyond_tolerance_m2: float | None
    far_m2: float | None
    jobs_with_volume: int
    applied_l: float | None
    target_l: float | None
    over_applied_l: float | None
    overlap_l: float | None
    outside_l: float | None
    excluded_l: float | None
    standing_l: float | None
    logged_l: float | None
    cause: tuple[SeasonCause, ...]
    money: tuple[SeasonMoney, ...]


class SeasonMeans(Table, frozen=True, kw_only=True):
    """Shares of the whole season: every field weighs by its target."""

    over_application_pct: float | None
    overlap_extra_pct: float | None
    skip_pct: float | None
    not_recorded_pct: float | None = None
    outside_pct: float | None
    excluded_pct: float | None
    covered_pct: float | None
    off_rate_10pct_pct_of_single: float | None
    over_applied_pct_of_litres: float | None
    over_application_pct_plain_mean: float | None


class SeasonLayout(Table, frozen=True, kw_only=True):
    """One layout over the jobs that replayed it; savings in per cent are of those jobs' litres.

    ``saved_*`` is against what was done; ``steps`` tells the way there at equal cover, line by line.
    """

    label: str
    jobs: int
    jobs_with_volume: int
    target_m2: float | None
    over_application_m2: float | None
    over_application_pct: float | None
    logged_over_application_m2: float | None
    skip_m2: float | None
    volume_l: float | None
    logged_volume_l: float | None
    saved_l: float | None
    saved_pct: float | None
    steps: tuple[SavingLine, ...] = ()
    closed_form_pct: float | None = None


class SeasonEstimate(LedgerEstimate, frozen=True, kw_only=True):
    """A headline over the jobs that estimate it; see :func:`swathledger.season.tables.estimate.season_estimates`."""

    jobs: int


class SeasonAlarm(LedgerAlarm, frozen=True, kw_only=True):
    """An alarm of one job."""

    job: str
    field: str


class SeasonAction(Table, frozen=True, kw_only=True):
    """An action over the jobs that have it; see :func:`swathledger.season.tables.advice.season_actions`."""

    action: str
    layout: str | None
    jobs: int
    found_by: str
    saved_l: float | None
    saved_m2: float | None
    saved_money: float | None
    value: float | None
    missed_m2: float | None = None
    low_l: float | None = None
    high_l: float | None = None


class SeasonProduct(Table, frozen=True, kw_only=True):
    """One product over all jobs; see :func:`swathledger.money.totals.season_products`."""

    name: str
    measure: str
    currency: str | None
    active_ingredient: str | None
    jobs: int
    jobs_without_amount: int
    applied: Amounts
    over_applied: Amounts
    standing: Amounts
    over_label_m2: float | None
    jobs_over_label: int


class LabelOfTheDay(Table, frozen=True, kw_only=True):
    """One product that several jobs put on one field on one day; ``reason`` says why a dose is not known."""

    client: str | None
    field: str
    day: str | None
    product: str
    measure: str
    jobs: tuple[str, ...]
    maximum_per_m2: float | None
    over_m2: float | None
    highest_per_m2: float | None
    highest_on_at_least_m2: float
    reason: str | None
    code: NoteCode | None = None


class SeasonStanding(Table, frozen=True, kw_only=True):
    """What was poured; see :func:`swathledger.money.totals.season_standing`."""

    litres_l: float | None
    measured: int
    unmeasured: int
    money: float | None
    active_g: float | None
    likely_primes: int
    measured_primes: int
    measured_primes_l: float | None
    recirculating_would_keep_l: float | None
    recirculating_would_keep_estimated_low_l: float | None
    recirculating_would_keep_estimated_high_l: float | None


class SeasonBalance(Table, frozen=True, kw_only=True):
    """Mass balance of the jobs that log litres."""

    jobs: int
    jobs_without_litres: int
    logged_l: float
    on_target_l: float
    over_applied_l: float
    by_cause: tuple[CauseLitres, ...]
    standing_l: float | None
    unexplained_l: float
    unexplained_pct: float | None


class FieldTotals(Table, frozen=True, kw_only=True):
    """One field of a client: its treatments added up. Also the columns of the layer ``fields`` of season.gpkg."""

    client: str | None
    field: str
    treatments: int
    target_m2: float | None
    over_application_m2: float | None
    over_application_pct: float | None
    skip_m2: float | None
    skip_pct: float | None
    applied_l: float | None
    over_applied_l: float | None
    currency: str | None
    over_applied_money: float | None


class RankedField(Table, frozen=True, kw_only=True):
    """A field in its place of a ranking, from 1."""

    rank: int
    client: str | None
    field: str
    treatments: int
    over_application_m2: float | None
    over_application_pct: float | None
    over_applied_l: float | None
    currency: str | None
    over_applied_money: float | None


class MoneyRanking(Table, frozen=True, kw_only=True):
    """The ranking of one currency."""

    currency: str | None
    fields: tuple[RankedField, ...]


class Rankings(Table, frozen=True, kw_only=True):
    """Fields of which a figure is known, the most first."""

    by_litres: tuple[RankedField, ...]
    by_money: tuple[MoneyRanking, ...]
    by_area: tuple[RankedField, ...]


class RepeatedJob(Table, frozen=True, kw_only=True):
    """One treatment of a field that has several."""

    job: str
    product: str | None
    day: str | None


class RepeatedField(Table, frozen=True, kw_only=True):
    """A field with several treatments."""

    client: str | None
    field: str
    jobs: tuple[RepeatedJob, ...]


class UnfitJob(Table, frozen=True, kw_only=True):
    """A job that could not be audited."""

    job: str
    field: str
    reason: str | None


class DoubtfulJob(Table, frozen=True, kw_only=True):
    """A job to be taken with care."""

    job: str
    reasons: tuple[str, ...]
    codes: tuple[NoteCode, ...] = ()


class UnplacedFile(Table, frozen=True, kw_only=True):
    """A file that belongs to no job."""

    file: str
    reason: str


class MissingField(Table, frozen=True, kw_only=True):
    """A field without a log."""

    field: str
    reason: str


class SeasonDocument(Document, frozen=True, kw_only=True):
    """``season.json``; it says nothing of times, workers or what was resumed."""

    KIND: ClassVar[str] = "season"
    COMMAND: ClassVar[str] = "season"

    schema: str = "swathledger/season/1"
    version: str
    client: str | None
    clients: tuple[str, ...]
    jobs: JobCount
    fields: FieldCount
    totals: SeasonTotals
    means: SeasonMeans
    estimate: tuple[SeasonEstimate, ...] | None = None
    alarm: tuple[SeasonAlarm, ...] = ()
    action: tuple[SeasonAction, ...] = ()
    replay: tuple[SeasonLayout, ...]
    products: tuple[SeasonProduct, ...] = ()
    label_of_the_day: tuple[LabelOfTheDay, ...] = ()
    standing: SeasonStanding | None = None
    balance: SeasonBalance | None = None
    ranking: Rankings
    repeated: tuple[RepeatedField, ...]
    unfit: tuple[UnfitJob, ...]
    older: tuple[UnfitJob, ...] = ()
    doubtful: tuple[DoubtfulJob, ...]
    unplaced: tuple[UnplacedFile, ...]
    missing: tuple[MissingField, ...]
    caution: str = ""
