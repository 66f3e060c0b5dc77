"""The tables ``standing`` and ``product`` of ``ledger.json``: what was poured at standstill, each product's way."""

from __future__ import annotations

from typing import Literal

from swathledger.documents.document import NoteCode, Table


class StandingEvent(Table, frozen=True, kw_only=True):
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


class StandingPrime(Table, frozen=True, kw_only=True):
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


class StandingStop(Table, frozen=True, kw_only=True):
    """A stop of the machine; ``logged`` is false where part of it is a gap in the log."""

    start: str | None
    start_s: float
    duration_s: float
    latitude: float
    longitude: float
    logged: bool
    long: bool


class LedgerStanding(Table, frozen=True, kw_only=True):
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


class Amounts(Table, frozen=True, kw_only=True):
    """Of one product: amount in its measure, money in its currency, grams of active ingredient."""

    amount: float | None
    money: float | None
    active_g: float | None


class MoneyAndActive(Table, frozen=True, kw_only=True):
    """Of all products: only what adds up over different measures."""

    money: float | None
    active_g: float | None


class ProductPlace(Table, frozen=True, kw_only=True):
    """Of one product on one kind of ground; ``spray_l`` is the spray that carried it."""

    name: str
    spray_l: float | None
    area_m2: float | None
    amount: float | None
    money: float | None
    active_g: float | None


class ProductLabel(Table, frozen=True, kw_only=True):
    """Summed dose against the maximum entered; see :class:`swathledger.money.label.OverLabel`."""

    maximum_per_m2: float | None
    over_m2: float | None
    highest_per_m2: float | None
    highest_on_at_least_m2: float


class ProductLine(Table, frozen=True, kw_only=True):
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


class LedgerProduct(Table, frozen=True, kw_only=True):
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
