"""The document of ``payback``: a retrofit's budget line by line, what follows from it, and the season it rests on."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from swathledger.documents.document import plain
from swathledger.errors import InputError
from swathledger.money.budget import GAINS, RetrofitCase, break_even_area_units, partial_budget, payback
from swathledger.money.ledgers import read_ledgers
from swathledger.money.poured import Poured
from swathledger.money.retrofit import Retrofit, RetrofitTerms, retrofit
from swathledger.money.sensitivity import around, tornado
from swathledger.money.totals import season_balance, season_standing
from swathledger.shutoff.results import STEPS
from swathledger.units import UnitSystem
from swathledger.words import say_all, words

SCHEMA = "swathledger/payback/1"
SHARE_OF_RANGE = 0.25
"""Inputs without a range of their own are moved this far either way for the tornado."""


def _result(case: RetrofitCase, units: UnitSystem) -> dict[str, Any]:
    return {**asdict(payback(case)), "break_even_units": break_even_area_units(case, units)}


def _poured(found: Poured | None) -> dict[str, Any] | None:
    return None if found is None else asdict(found)


def _steps(found: Retrofit, layout: str) -> list[dict[str, Any]]:
    """The way from what was done to the floor at equal cover, as read, over the ledgers used that tell it.

    ``spared_m2`` is ground's worth of product, ``share`` of the ground those ledgers covered.
    """
    out = []
    for step in STEPS:
        known = [(job.covered_m2, m2) for job in found.used if (m2 := job.step_m2(layout, step)) is not None]
        covered, spared = math.fsum(m2 for m2, _ in known), math.fsum(m2 for _, m2 in known)
        if known:
            out.append({"step": step, "spared_m2": spared, "share": spared / covered, "jobs": len(known)})
    return out


def _saving(found: Retrofit, layout: str) -> dict[str, Any]:
    case, interval = found.case, found.interval
    product = [None if end is None else end.product_saving_a_year for end in (found.low, found.high)]
    ends = [None if end is None else end.net_cash_a_year for end in (found.low, found.high)]
    return {
        "product_a_year": case.product_saving_a_year,
        "product_low": product[0],
        "product_high": product[1],
        "prime_a_year": None if found.prime is None else case.prime_saving_a_year,
        "rinse_a_year": None if found.rinse is None else case.rinse_saving_a_year,
        "other_a_year": case.other_saving_a_year,
        "maintenance_a_year": case.maintenance_a_year,
        "total_a_year": case.net_cash_a_year,
        "total_low": ends[0],
        "total_high": ends[1],
        "share_saved": case.saved_share,
        "estimated": found.estimated,
        "share_read": found.read_share,
        "steps": _steps(found, layout),
        "interval": {
            "level": interval.level,
            "method": interval.method,
            "fields": interval.fields,
            "resamples": interval.resamples,
            "seed": interval.seed,
            "few_fields": interval.few_fields,
            "holds": interval.holds,
            "drawn": found.drawn,
            "own_sd": interval.own_sd,
            "shared_sd": interval.shared_sd,
            "by_source": interval.by_source,
        },
    }


def _tornado(found: Retrofit) -> list[dict[str, Any]]:
    own = {}
    if found.low is not None and found.high is not None:
        ends = (found.low.saved_share, found.high.saved_share)
        own["saved_share"] = (min(ends), max(ends))
    rows = tornado(found.case, around(found.case, SHARE_OF_RANGE, **own))
    return [{**asdict(row), "swing": row.swing} for row in rows]


def payback_document(folder: Path, terms: RetrofitTerms, units: UnitSystem = "metric") -> dict[str, Any]:
    """Work out a retrofit from every ledger below a folder.

    Parameters
    ----------
    folder : Path
        What ``season`` or ``audit`` wrote.
    units : {"metric", "us"}
        Of the budget's factors and the whole break-even units (hectares or acres); all else is SI.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    InputError
        No ledger, no replay of the layout, no price, or currencies that differ.
    """
    jobs, aside = read_ledgers(folder)
    found = retrofit(jobs, terms, aside)
    case = found.case
    budget, balance = partial_budget(case, units), season_balance(jobs)
    if not math.isfinite(budget.net):
        raise InputError("these numbers come to no finite amount.", hint="Check price, area and product cost.")
    area = "ac" if units == "us" else "ha"
    return {
        "schema": SCHEMA,
        "layout": terms.layout,
        "baseline": terms.baseline,
        "currency": case.currency,
        "units": units,
        "ledgers": {
            "used": len(found.used),
            "fields": found.fields,
            "covered_m2": found.covered_m2,
            "spared_m2": found.spared_m2,
            "set_aside": [asdict(item) for item in found.set_aside],
        },
        "case": asdict(case),
        "saving": _saving(found, terms.layout),
        "prime": _poured(found.prime),
        "rinse": _poured(found.rinse),
        "budget": {
            "lines": [
                {
                    "part": line.part,
                    "gain": line.part in GAINS,
                    "label": line.label,
                    "factors": [asdict(factor) for factor in line.factors],
                    "amount": line.amount,
                }
                for line in budget.lines
            ],
            "net": budget.net,
        },
        "result": {
            **_result(case, units),
            "break_even_unit": area,
            "low": None if found.low is None else _result(found.low, units),
            "high": None if found.high is None else _result(found.high, units),
        },
        "tornado": _tornado(found),
        "balance": None if balance is None else plain(balance),
        "standing": plain(season_standing(jobs)),
        "warnings": say_all(found.warnings, units),
        "assumptions": say_all(found.assumptions, units),
        "codes": {
            "warnings": [note.document() for note in found.warnings],
            "assumptions": [note.document() for note in found.assumptions],
        },
        "cautions": [str(text) for text in words().items("payback.cautions")],
    }
