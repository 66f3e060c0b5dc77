"""``season.json``: totals, means weighted by area, rankings, repeated treatments, records missing or unfit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from swathledger import __version__
from swathledger.money.ledgers import JobLedger
from swathledger.money.totals import season_balance, season_products, season_standing
from swathledger.season.columns import CAUSES, SUMMED_AREAS, SUMMED_VOLUMES, Row, total
from swathledger.season.manifest import Job, Missing, Unplaced

SCHEMA = "swathledger/season/1"
CAUTION = (
    "Estimates from logs. The product label and local law come first; this is neither a legal spray record nor a "
    "substitute for a licensed adviser. Rinse and prime water is pesticide. Check before acting."
)
_CLOSURE_PCT = 10.0
_USED_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Parts:
    """What a summary is made from.

    Attributes
    ----------
    jobs : sequence of Job
        All jobs, failed ones too, in the order of the manifest.
    rows : sequence of dict
        Rows of ``fields.parquet``, one a job.
    replay : sequence of dict
        Rows of ``replay.parquet``.
    unplaced, missing : sequence
        As in the manifest.
    client : str or None
        Label of the binder; None: all clients.
    ledgers : sequence of JobLedger
        Of the jobs that are done.
    products : sequence of mapping
        Their tables ``product``, of those that have one.
    label_day : sequence of dict
        See :func:`swathledger.season.label_day.day_doses`.
    """

    jobs: Sequence[Job]
    rows: Sequence[Row]
    replay: Sequence[Row]
    unplaced: Sequence[Unplaced]
    missing: Sequence[Missing]
    client: str | None = None
    ledgers: Sequence[JobLedger] = ()
    products: Sequence[Mapping[str, Any]] = ()
    label_day: Sequence[Mapping[str, Any]] = ()


def share(part: float | None, whole: float | None) -> float | None:
    """100 part / whole; None where either is not known or the whole is nothing."""
    return None if part is None or not whole else 100.0 * part / whole


def _totals(rows: Sequence[Row]) -> dict[str, Any]:
    with_volume = [row for row in rows if row["applied_l"] is not None]
    out: dict[str, Any] = {"jobs": len(rows)}
    out |= {name: total(rows, name) for name in SUMMED_AREAS}
    out["jobs_with_volume"] = len(with_volume)
    out |= {name: total(with_volume, name) for name in SUMMED_VOLUMES}
    out["cause"] = [
        {"cause": cause, "area_m2": total(rows, f"cause_{cause}_m2"), "volume_l": total(rows, f"cause_{cause}_l")}
        for cause in CAUSES
    ]
    out["money"] = _money(rows)
    return out


def _money(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Sums by currency: none is ever converted."""
    priced = [row for row in rows if row["over_applied_money"] is not None]
    out = []
    for code in sorted({row["currency"] or "" for row in priced}):
        own = [row for row in priced if (row["currency"] or "") == code]
        out.append(
            {
                "currency": code or None,
                "jobs": len(own),
                "applied": total(own, "applied_money"),
                "over_applied": total(own, "over_applied_money"),
            }
        )
    return out


def _means(totals: dict[str, Any], rows: Sequence[Row]) -> dict[str, Any]:
    """Shares of the whole season: every field weighs by its target area."""
    out: dict[str, Any] = {
        f"{name}_pct": share(totals[f"{name}_m2"], totals["target_m2"])
        for name in ("over_application", "overlap_extra", "skip", "outside", "excluded", "covered")
    }
    out["off_rate_10pct_pct_of_single"] = share(totals["off_rate_10pct_m2"], totals["single_m2"])
    out["over_applied_pct_of_litres"] = share(totals["over_applied_l"], totals["applied_l"])
    plain = [row["over_application_pct"] for row in rows if row["over_application_pct"] is not None]
    out["over_application_pct_plain_mean"] = math.fsum(plain) / len(plain) if plain else None
    return out


def by_layout(replay: Sequence[Row]) -> list[dict[str, Any]]:
    """Sums over the jobs that replayed a layout; savings in per cent are of those jobs' litres."""
    out = []
    for label in dict.fromkeys(row["label"] for row in replay):
        own = [row for row in replay if row["label"] == label]
        known = [row for row in own if row["saved_l"] is not None and row["logged_volume_l"] is not None]
        target = total(own, "target_m2")
        out.append(
            {
                "label": label,
                "jobs": len(own),
                "jobs_with_volume": len(known),
                "target_m2": target,
                "over_application_m2": total(own, "over_application_m2"),
                "over_application_pct": share(total(own, "over_application_m2"), target),
                "logged_over_application_m2": total(own, "logged_over_application_m2"),
                "skip_m2": total(own, "skip_m2"),
                "volume_l": total(known, "volume_l"),
                "logged_volume_l": total(known, "logged_volume_l"),
                "saved_l": total(known, "saved_l"),
                "saved_pct": share(total(known, "saved_l"), total(known, "logged_volume_l")),
            }
        )
    return out


def by_field(rows: Iterable[Row]) -> list[Row]:
    """One row a field of a client: its treatments added up."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row["client"] or "", row["field"]), []).append(row)
    out: list[Row] = []
    for (client, field), own in groups.items():
        target, over = total(own, "target_m2"), total(own, "over_application_m2")
        codes = {row["currency"] for row in own if row["over_applied_money"] is not None}
        out.append(
            {
                "client": client or None,
                "field": field,
                "treatments": len(own),
                "target_m2": target,
                "over_application_m2": over,
                "over_application_pct": share(over, target),
                "skip_m2": total(own, "skip_m2"),
                "skip_pct": share(total(own, "skip_m2"), target),
                "applied_l": total(own, "applied_l"),
                "over_applied_l": total(own, "over_applied_l"),
                "currency": next(iter(codes)) if len(codes) == 1 else None,
                "over_applied_money": total(own, "over_applied_money") if len(codes) == 1 else None,
            }
        )
    return out


def _ranked(fields: Sequence[Row], name: str) -> list[Row]:
    """Fields of which a figure is known, the most first."""
    known = [row for row in fields if row[name] is not None]
    known.sort(key=lambda row: (-row[name], row["client"] or "", row["field"]))
    keys = (
        "client",
        "field",
        "treatments",
        "over_application_m2",
        "over_application_pct",
        "over_applied_l",
        "currency",
        "over_applied_money",
    )
    return [{"rank": number, **{key: row[key] for key in keys}} for number, row in enumerate(known, start=1)]


def _ranked_money(fields: Sequence[Row]) -> list[dict[str, Any]]:
    """A ranking for each currency."""
    codes = sorted({row["currency"] or "" for row in fields if row["over_applied_money"] is not None})
    return [
        {
            "currency": code or None,
            "fields": _ranked([row for row in fields if (row["currency"] or "") == code], "over_applied_money"),
        }
        for code in codes
    ]


def _repeated(jobs: Sequence[Job]) -> list[dict[str, Any]]:
    groups: dict[tuple[str, str], list[Job]] = {}
    for job in jobs:
        groups.setdefault((job.client, job.field), []).append(job)
    return [
        {
            "client": client or None,
            "field": field,
            "jobs": [
                {"job": job.id, "product": job.product or None, "day": None if job.day is None else job.day.isoformat()}
                for job in ordered(own)
            ],
        }
        for (client, field), own in groups.items()
        if len(own) > 1
    ]


def ordered(jobs: Sequence[Job]) -> list[Job]:
    """Treatments of one field in order of day; those without a day last; else as the manifest has them."""
    return sorted(jobs, key=lambda job: (job.day is None, job.day.isoformat() if job.day is not None else ""))


def doubts(row: Row, job: Job) -> list[str]:
    """Why a record is to be taken with care, in plain sentences."""
    out = list(job.remarks)
    closure = row["closure_pct"]
    if closure is not None and abs(closure) > _CLOSURE_PCT:
        out.append(f"Litres accounted for and litres logged differ by {abs(closure):.1f} %.")
    if row["model_trusted"] is False:
        agreement = row["section_seconds_agreement_pct"]
        out.append(f"The replay agrees with what was done in only {agreement:.1f} % of section-seconds.")
    if row["epochs"] and row["used"] / row["epochs"] < _USED_SHARE:
        out.append(f"Only {row['used']} of {row['epochs']} rows belong to this job and could be used.")
    if row["target_m2"] and row["skip_m2"] is not None and row["skip_m2"] > 0.5 * row["target_m2"]:
        out.append(f"{row['skip_pct']:.0f} % of the target was not treated: is a log missing?")
    if row["boundary"] == "derived":
        out.append("The boundary is derived from the ground covered: nothing can lie outside it.")
    return out


def season_document(parts: Parts) -> dict[str, Any]:
    """The document of ``season.json``; it says nothing of times, workers or what was resumed."""
    done = [row for row in parts.rows if row["status"] == "done"]
    failed = [row for row in parts.rows if row["status"] == "failed"]
    jobs = {job.id: job for job in parts.jobs}
    fields = by_field(done)
    totals = _totals(done)
    doubtful = [(row["job"], doubts(row, jobs[row["job"]])) for row in done]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "client": parts.client,
        "clients": sorted({job.client for job in parts.jobs if job.client}),
        "jobs": {"all": len(parts.rows), "done": len(done), "failed": len(failed)},
        "fields": {"treated": len(fields), "without_log": len(parts.missing)},
        "totals": totals,
        "means": _means(totals, done),
        "replay": by_layout(parts.replay),
        "products": season_products(parts.products),
        "label_of_the_day": [dict(row) for row in parts.label_day],
        "standing": season_standing(parts.ledgers),
        "balance": season_balance(parts.ledgers),
        "ranking": {
            "by_litres": _ranked(fields, "over_applied_l"),
            "by_money": _ranked_money(fields),
            "by_area": _ranked(fields, "over_application_m2"),
        },
        "repeated": _repeated(parts.jobs),
        "unfit": [{"job": row["job"], "field": row["field"], "reason": row["reason"]} for row in failed],
        "doubtful": [{"job": name, "reasons": reasons} for name, reasons in doubtful if reasons],
        "unplaced": [{"file": item.file, "reason": item.reason} for item in parts.unplaced],
        "missing": [{"field": item.field, "reason": item.reason} for item in parts.missing],
        "caution": CAUTION,
    }
