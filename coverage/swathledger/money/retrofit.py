"""From the ledgers of a season to a retrofit's case: what it saves a year, with its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from swathledger.errors import InputError
from swathledger.machine.plumbing import Plumbing
from swathledger.machine.products import check_currency
from swathledger.money.budget import RetrofitCase
from swathledger.money.interval import Interval, bootstrap_by_field
from swathledger.money.ledgers import LOGGED, RESOLUTION, JobLedger, SetAsideLedger, distinct_primes
from swathledger.money.poured import Poured, PrimesKept, poured_by_primes, primes_kept
from swathledger.notes import Measure, Note
from swathledger.plumbing.prime import recirculation
from swathledger.statistics import LEAST_FIELDS
from swathledger.words import words

Drawn = Literal["fields", "clients"]
NO_CURRENCY = "XXX"
"""ISO 4217's code for "no currency"."""


@dataclass(frozen=True, slots=True)
class RetrofitTerms:
    """What the user states of a retrofit; None: taken from the ledgers, or not known.

    Attributes
    ----------
    price : float
        Fitted, in the user's currency.
    life_years, interest : float
        Years; share a year.
    maintenance_share : float
        Upkeep more than today's, a year, as a share of the price.
    salvage : float
        Worth at the end of its life.
    area_a_year_m2 : float or None
        Ground sprayed a year, each application counted. None: the season's own.
    product_cost_per_m2 : float or None
        Products of one application. None: from the ledgers' products.
    layout, baseline : str
        Labels of the ledgers' replay. Baselines are also ``resolution`` (today's groups with the layout's own valves,
        under one model and at equal cover), ``model`` (today's groups and valves under the model) and ``logged``.
    plumbing : Plumbing or None
        Of today's machine. Where it does not recirculate, priming (and rinsing) through a return is a saving.
    level : float
        Of the interval.
    """

    price: float
    life_years: float = 10.0
    interest: float = 0.06
    maintenance_share: float = 0.02
    salvage: float = 0.0
    area_a_year_m2: float | None = None
    product_cost_per_m2: float | None = None
    currency: str | None = None
    layout: str = "nozzle"
    baseline: str = RESOLUTION
    plumbing: Plumbing | None = None
    primes_a_year: float | None = None
    rinses_a_year: float | None = None
    other_saving_a_year: float = 0.0
    level: float = 0.9
    resamples: int = 9999
    seed: int = 20_240_501


@dataclass(frozen=True, slots=True)
class Retrofit:
    """A case with everything it rests on.

    Attributes
    ----------
    interval : Interval
        Of the product saving a year, in money.
    low, high : RetrofitCase or None
        The case at the ends of the interval.
    covered_m2, spared_m2 : float
        Of the ledgers used: ground treated, and ground's worth of product spared as the case has it.
    read_share : float
        The case's share saved, as read.
    estimated : bool
        Whether the best estimates are used.
    drawn : {"fields", "clients"}
        What the interval draws.
    """

    case: RetrofitCase
    interval: Interval
    low: RetrofitCase | None
    high: RetrofitCase | None
    used: tuple[JobLedger, ...]
    set_aside: tuple[SetAsideLedger, ...]
    fields: int
    covered_m2: float
    spared_m2: float
    read_share: float
    estimated: bool
    drawn: Drawn
    prime: Poured | None
    rinse: Poured | None
    warnings: tuple[Note, ...]
    assumptions: tuple[Note, ...]


def retrofit(ledgers: Sequence[JobLedger], terms: RetrofitTerms, set_aside: Sequence[SetAsideLedger] = ()) -> Retrofit:
    """Build the case of a retrofit from ledgers.

    Each job's saving is its ground's worth of product spared (litres over spray rate) times the cost of its products,
    by the best estimates where all ledgers have one, else as read. Fields are summed, so that large ones count for
    more. The interval draws whole fields, or whole clients where there are three and more, and has the errors of their
    drives in it; see :func:`swathledger.estimate.shared.over_fields`.

    Raises
    ------
    InputError
        No ledger has the layout or the baseline, no price is known, or currencies differ.
    """
    notes: list[Note] = []
    warnings: list[Note] = []
    used, aside = _usable(ledgers, terms)
    aside = [*set_aside, *aside]
    currency = _currency(used, terms, notes)
    cost = {job.name: _cost(job, terms) for job in used}
    read = {job.name: job.spared_m2(terms.baseline, terms.layout) or 0.0 for job in used}
    known = {job.name: best for job in used if (best := job.best_spared_m2(terms.baseline, terms.layout)) is not None}
    estimated = len(known) == len(read)
    spared = {name: m2 for name, (m2, _) in known.items()} if estimated else read
    fields, drawn, groups = _groups(used)
    covered = [math.fsum(job.covered_m2 for job in jobs) for jobs in groups]
    saved = [math.fsum(spared[job.name] * cost[job.name] for job in jobs) for jobs in groups]
    errors = (
        [[part.times(cost[job.name]) for job in jobs for part in known[job.name][1]] for jobs in groups]
        if (estimated)
        else None
    )
    per_m2 = bootstrap_by_field(saved, covered, errors, level=terms.level, resamples=terms.resamples, seed=terms.seed)
    total_m2 = math.fsum(covered)
    total_spared = math.fsum(spared.values())
    read_money = math.fsum(read[job.name] * cost[job.name] for job in used)
    mean_cost = math.fsum(cost[job.name] * job.covered_m2 for job in used) / total_m2
    area = total_m2 if terms.area_a_year_m2 is None else terms.area_a_year_m2
    if terms.area_a_year_m2 is None:
        notes.append(Note.of("money.ground_of_ledgers"))
    cost_per_l = _cost_per_l(used, mean_cost)
    prime, rinse, primes = _poured(used, terms, area, total_m2, cost_per_l, notes, warnings)
    share = per_m2.estimate / mean_cost if mean_cost > 0 else total_spared / total_m2
    case = RetrofitCase(
        price=terms.price,
        life_years=terms.life_years,
        interest=terms.interest,
        area_a_year_m2=area,
        product_cost_per_m2=mean_cost,
        saved_share=min(share, 1.0),
        currency=currency,
        maintenance_a_year=terms.price * terms.maintenance_share,
        salvage=terms.salvage,
        prime_saved_l_a_year=0.0 if prime is None else prime.litres_a_year,
        rinse_saved_l_a_year=0.0 if rinse is None else rinse.litres_a_year,
        spray_cost_per_l=cost_per_l,
        other_saving_a_year=terms.other_saving_a_year,
        primes_by_ground=primes,
    )
    ends: list[RetrofitCase | None] = [
        None if end is None or mean_cost <= 0 else replace(case, saved_share=min(end / mean_cost, 1.0))
        for end in (per_m2.low, per_m2.high)
    ]
    warnings += _warnings(used, terms, per_m2, share)
    warnings += _interval_notes(per_m2, drawn, groups, len(known), len(used))
    if drawn == "clients":
        notes.append(Note.of("money.clients_drawn", clients=len(groups)))
    return Retrofit(
        case,
        per_m2.times(area),
        ends[0],
        ends[1],
        tuple(used),
        tuple(aside),
        fields,
        total_m2,
        total_spared,
        read_money / total_m2 / mean_cost if mean_cost > 0 else math.fsum(read.values()) / total_m2,
        estimated,
        drawn,
        prime,
        rinse,
        tuple(warnings),
        tuple(notes),
    )


def _groups(used: Sequence[JobLedger]) -> tuple[int, Drawn, list[list[JobLedger]]]:
    """How many fields there are, and jobs by what is drawn: clients where there are three and more, else fields."""
    by_field: dict[str, list[JobLedger]] = {}
    by_client: dict[str, list[JobLedger]] = {}
    for job in used:
        by_field.setdefault(job.field, []).append(job)
        by_client.setdefault(job.client, []).append(job)
    if len(by_client) >= LEAST_FIELDS and len(by_client) < len(by_field):
        return len(by_field), "clients", list(by_client.values())
    return len(by_field), "fields", list(by_field.values())


def _usable(ledgers: Sequence[JobLedger], terms: RetrofitTerms) -> tuple[list[JobLedger], list[SetAsideLedger]]:
    used, aside = [], []
    t = words().below("payback.set_aside.")
    for job in ledgers:
        known = {*job.laid, RESOLUTION}
        missing = [label for label in (terms.baseline, terms.layout) if label not in known]
        if not missing and job.spared_m2(terms.baseline, terms.layout) is None:
            aside.append(SetAsideLedger(job.name, t("no_resolution", layout=terms.layout)))
        elif missing:
            aside.append(SetAsideLedger(job.name, t("no_replay", layouts=" + ".join(missing))))
        elif job.covered_m2 <= 0:
            aside.append(SetAsideLedger(job.name, t("nothing_covered")))
        elif job.cost_per_m2 is None and terms.product_cost_per_m2 is None:
            aside.append(SetAsideLedger(job.name, t("no_price")))
        else:
            used.append(job)
    if used:
        return used, aside
    labels = sorted({label for job in ledgers for label in job.laid})
    for word, option in ((terms.layout, "layout"), (terms.baseline, "baseline")):
        if word != RESOLUTION and not any(word in job.laid for job in ledgers):
            raise InputError(
                f"no ledger has a replay of {word!r} (--{option}).",
                hint=f"Known: {', '.join(labels)}." if labels else "Run the audit with --groups.",
            )
    if terms.baseline == RESOLUTION and all(job.step_m2(terms.layout, RESOLUTION) is None for job in ledgers):
        raise InputError(
            f"no ledger says what resolution alone saves with {terms.layout!r} (--layout).",
            hint="A floor has no such line: give --baseline model or logged, or another layout.",
        )
    if all(job.cost_per_m2 is None for job in ledgers) and terms.product_cost_per_m2 is None:
        raise InputError(
            f"no price of any product is known in {len(ledgers)} ledger{'s' if len(ledgers) != 1 else ''}.",
            hint="Give --product-cost-per-ha (or --product-cost-per-ac), or rate and price in the machine file's "
            "[[products]] and run the audit again.",
        )
    raise InputError(f"no ledger can be used; {aside[0].name}: {aside[0].reason}.")


def _cost(job: JobLedger, terms: RetrofitTerms) -> float:
    cost = job.cost_per_m2 if terms.product_cost_per_m2 is None else terms.product_cost_per_m2
    return 0.0 if cost is None else cost  # `_usable` let none without a cost pass


def _currency(used: Sequence[JobLedger], terms: RetrofitTerms, notes: list[Note]) -> str:
    if terms.currency is not None:
        check_currency(terms.currency)
    codes = sorted({job.currency for job in used if job.currency is not None})
    if terms.product_cost_per_m2 is None:
        if len(codes) > 1:
            raise InputError(
                f"the ledgers' prices are in {' and '.join(codes)}; none is converted.",
                column="currency",
                hint="Give --product-cost-per-ha in one currency.",
            )
        if codes and terms.currency not in (None, codes[0]):
            raise InputError(
                f"the ledgers' prices are in {codes[0]}, --currency says {terms.currency}; none is converted.",
                column="currency",
                hint="Leave --currency out, or give --product-cost-per-ha in that currency.",
            )
    if terms.currency is not None:
        return terms.currency
    if len(codes) == 1:
        notes.append(Note.of("money.all_in_currency", currency=codes[0]))
        return codes[0]
    notes.append(Note.of("money.no_currency", sign=NO_CURRENCY))
    return NO_CURRENCY


def _cost_per_l(used: Sequence[JobLedger], mean_cost: float) -> float | None:
    """Money in a litre of spray; None where no spray rate is known."""
    with_rate = [job for job in used if job.spray_rate_l_m2]
    ground = math.fsum(job.covered_m2 for job in with_rate)
    litres = math.fsum((job.spray_rate_l_m2 or 0.0) * job.covered_m2 for job in with_rate)
    return mean_cost * ground / litres if litres > 0 else None


def _poured(
    used: Sequence[JobLedger],
    terms: RetrofitTerms,
    area_m2: float,
    covered_m2: float,
    cost_per_l: float | None,
    notes: list[Note],
    warnings: list[Note],
) -> tuple[Poured | None, Poured | None, PrimesKept | None]:
    """Product a year that a return to the tank keeps by priming and by rinsing; primes where they follow the ground."""
    plumbing = terms.plumbing
    if plumbing is None:
        return None, None, None
    found = recirculation(plumbing)
    if plumbing.recirculates:
        notes.append(Note.of("money.recirculates_already"))
        return None, None, None
    if found is None:
        warnings.append(Note.of("money.no_line_volume"))
        return None, None, None
    if cost_per_l is None:
        warnings.append(Note.of("money.priming_without_rate"))
        return None, None, None
    notes += plumbing.assumptions
    seen, rinses = distinct_primes(used), terms.rinses_a_year
    kept = primes_kept(found, seen, rinses, len(seen) / covered_m2)
    follow = terms.primes_a_year is None
    times = len(seen) * (area_m2 / covered_m2) if terms.primes_a_year is None else terms.primes_a_year
    prime = poured_by_primes(kept, times, found, seen)
    notes.append(Note.of("money.return_included"))
    if times > 0:
        if follow:
            notes.append(Note.of("money.primes_follow_ground" if rinses else "money.primes_follow_ground_alone"))
        if rinses is None:
            notes.append(Note.of("money.primes_unknown_lines"))
        elif rinses > 0:
            notes.append(Note.of("money.primes_after_rinse", primes=times, wet=kept.after_rinse(times)))
        if prime.water_a_year_l:
            notes.append(Note.of("money.return_dilutes", water=Measure(prime.water_a_year_l, "volume")))
    if not found.nozzle_bodies_known:
        notes.append(Note.of("money.nozzle_bodies_unknown"))
    by_ground = kept if follow else None
    if rinses is None:
        return prime, None, by_ground
    if rinses > times:
        notes.append(Note.of("money.rinses_without_primes", rinses=rinses, primes=times))
    notes.append(Note.of("money.rinsing_at_full_strength"))
    content = found.returned_content_l
    return prime, Poured(rinses, content, rinses * content), by_ground


def _names(jobs: Sequence[JobLedger]) -> Note:
    shown = tuple(job.name for job in jobs[:4])
    if len(jobs) > 4:
        return Note.of("money.names_and_more", names=shown, more=len(jobs) - 4)
    return Note.of("money.names", names=shown)


def _warnings(used: Sequence[JobLedger], terms: RetrofitTerms, interval: Interval, share: float) -> list[Note]:
    out = []
    below = [job for job in used if job.trusted is False]
    if below:
        word = "money.model_misses_log" if terms.baseline == LOGGED else "money.model_misses"
        out.append(Note.of(word, some=len(below), jobs=len(used), names=_names(below)))
    derived = [job for job in used if job.derived]
    if derived:
        out.append(Note.of("money.derived_boundaries", some=len(derived), jobs=len(used), names=_names(derived)))
    if share <= 0:
        out.append(Note.of("money.saves_nothing"))
    return out


def _interval_notes(
    interval: Interval, drawn: Drawn, groups: Sequence[Sequence[JobLedger]], known: int, used: int
) -> list[Note]:
    """What the interval of the saving holds, and does not."""
    out = []
    if 0 < known < used:
        out.append(Note.of("money.some_estimates", some=used - known, jobs=used))
    if interval.low is None:
        out.append(Note.of("money.too_few_fields"))
    elif interval.holds == "errors":
        out.append(Note.of("money.errors_only"))
    elif interval.few_fields:
        word = "money.few_fields" if drawn == "fields" else "money.few_clients"
        out.append(Note.of(word, fields=interval.fields))
    if drawn == "fields" and len({jobs[0].client for jobs in groups}) == LEAST_FIELDS - 1 < len(groups):
        out.append(Note.of("money.two_clients"))
    return out
