"""``season.json``: totals, means weighted by area, rankings, repeated treatments, records missing or unfit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from swathledger._version import __version__
from swathledger.documents.document import NoteCode, taken
from swathledger.documents.ledger import LedgerVerdict
from swathledger.documents.replay import SavingLine, summed
from swathledger.documents.season import (
    DoubtfulJob,
    FieldCount,
    FieldTotals,
    JobCount,
    LabelOfTheDay,
    MissingField,
    MoneyRanking,
    RankedField,
    Rankings,
    RepeatedField,
    RepeatedJob,
    SeasonCause,
    SeasonDocument,
    SeasonLayout,
    SeasonMeans,
    SeasonMoney,
    SeasonTotals,
    UnfitJob,
    UnplacedFile,
)  # fmt: skip
from swathledger.money.ledgers import JobLedger
from swathledger.money.totals import season_balance, season_products, season_standing
from swathledger.notes import Measure, Note
from swathledger.season.manifest.manifest import Job, Missing, Unplaced
from swathledger.season.tables.advice import season_actions, season_alarms
from swathledger.season.tables.columns import CAUSES, SUMMED_AREAS, SUMMED_VOLUMES, Row, total
from swathledger.season.tables.estimate import season_estimates, season_money
from swathledger.shutoff.results import STEPS
from swathledger.words import say, say_all, words

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
    label_day : sequence of LabelOfTheDay
        See :func:`swathledger.season.tables.label_day.day_doses`.
    """

    jobs: Sequence[Job]
    rows: Sequence[Row]
    replay: Sequence[Row]
    unplaced: Sequence[Unplaced]
    missing: Sequence[Missing]
    client: str | None = None
    ledgers: Sequence[JobLedger] = ()
    label_day: Sequence[LabelOfTheDay] = ()


def share(part: float | None, whole: float | None) -> float | None:
    """100 part / whole; None where either is not known or the whole is nothing."""
    return None if part is None or not whole else 100.0 * part / whole


def _totals(rows: Sequence[Row], ledgers: Sequence[JobLedger]) -> SeasonTotals:
    worth = season_money(ledgers)
    with_volume = [row for row in rows if row["applied_l"] is not None]
    return SeasonTotals(
        jobs=len(rows),
        **{name: total(rows, name) for name in SUMMED_AREAS},
        jobs_with_volume=len(with_volume),
        **{name: total(with_volume, name) for name in SUMMED_VOLUMES},
        cause=tuple(
            SeasonCause(cause=cause, area_m2=total(rows, f"cause_{cause}_m2"), volume_l=total(rows, f"cause_{cause}_l"))
            for cause in CAUSES
        ),
        money=tuple(
            SeasonMoney(
                currency=code or None,
                jobs=len(own),
                applied=total(own, "applied_money"),
                over_applied=total(own, "over_applied_money"),
                **{end: getattr(worth.get(code), end, None) for end in ("best", "low", "high")},
            )
            for code, own in _by_currency(rows).items()
        ),
    )


def _by_currency(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Rows whose over-application has a price, by currency: none is ever converted."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row["over_applied_money"] is not None:
            groups.setdefault(row["currency"] or "", []).append(row)
    return dict(sorted(groups.items()))


def _means(totals: SeasonTotals, rows: Sequence[Row]) -> SeasonMeans:
    """Shares of the whole season: every field weighs by its target area."""
    plain = [row["over_application_pct"] for row in rows if row["over_application_pct"] is not None]
    target = totals.target_m2
    return SeasonMeans(
        over_application_pct=share(totals.over_application_m2, target),
        overlap_extra_pct=share(totals.overlap_extra_m2, target),
        skip_pct=share(totals.skip_m2, target),
        not_recorded_pct=share(totals.not_recorded_m2, target),
        outside_pct=share(totals.outside_m2, target),
        excluded_pct=share(totals.excluded_m2, target),
        covered_pct=share(totals.covered_m2, target),
        off_rate_10pct_pct_of_single=share(totals.off_rate_10pct_m2, totals.single_m2),
        over_applied_pct_of_litres=share(totals.over_applied_l, totals.applied_l),
        over_application_pct_plain_mean=math.fsum(plain) / len(plain) if plain else None,
    )


def by_layout(replay: Sequence[Row]) -> tuple[SeasonLayout, ...]:
    """Sums over the jobs that replayed a layout; savings in per cent are of those jobs' litres."""
    groups: dict[str, list[Row]] = {}
    for row in replay:
        groups.setdefault(row["label"], []).append(row)
    return tuple(_layout(label, own) for label, own in groups.items())


def _layout(label: str, own: Sequence[Row]) -> SeasonLayout:
    known = [row for row in own if row["saved_l"] is not None and row["logged_volume_l"] is not None]
    target, over = total(own, "target_m2"), total(own, "over_application_m2")
    saved, logged = total(known, "saved_l"), total(known, "logged_volume_l")
    return SeasonLayout(
        label=label,
        jobs=len(own),
        jobs_with_volume=len(known),
        target_m2=target,
        over_application_m2=over,
        over_application_pct=share(over, target),
        logged_over_application_m2=total(own, "logged_over_application_m2"),
        skip_m2=total(own, "skip_m2"),
        volume_l=total(known, "volume_l"),
        logged_volume_l=logged,
        saved_l=saved,
        saved_pct=share(saved, logged),
        steps=tuple(line for step in STEPS if (line := _line(step, own)) is not None),
        closed_form_pct=_weighted(own, "closed_form_pct"),
    )


def _line(step: str, own: Sequence[Row]) -> SavingLine | None:
    def line(row: Row) -> SavingLine | None:
        m2, litres = row[f"step_{step}_m2"], row[f"step_{step}_l"]
        return None if m2 is None else SavingLine(step=step, saved_l=litres, saved_m2=m2, saved_pct=None)

    return summed(step, [(line(row), row["logged_volume_l"], row["logged_applied_m2"]) for row in own])


def _weighted(rows: Sequence[Row], name: str) -> float | None:
    """Mean of a share of the target, every field weighing by its target; None where no row knows it."""
    known = [row for row in rows if row[name] is not None]
    target = total(known, "target_m2")
    return math.fsum(row[name] * row["target_m2"] for row in known) / target if target else None


def by_field(rows: Iterable[Row]) -> list[FieldTotals]:
    """The fields of all clients: their treatments added up."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row["client"] or "", row["field"]), []).append(row)
    return [_field(client, field, own) for (client, field), own in groups.items()]


def _field(client: str, field: str, own: Sequence[Row]) -> FieldTotals:
    target, over, skip = (total(own, f"{name}_m2") for name in ("target", "over_application", "skip"))
    codes = {row["currency"] for row in own if row["over_applied_money"] is not None}
    return FieldTotals(
        client=client or None,
        field=field,
        treatments=len(own),
        target_m2=target,
        over_application_m2=over,
        over_application_pct=share(over, target),
        skip_m2=skip,
        skip_pct=share(skip, target),
        applied_l=total(own, "applied_l"),
        over_applied_l=total(own, "over_applied_l"),
        currency=next(iter(codes)) if len(codes) == 1 else None,
        over_applied_money=total(own, "over_applied_money") if len(codes) == 1 else None,
    )


def _ranked(fields: Sequence[FieldTotals], name: str) -> tuple[RankedField, ...]:
    """Fields of which a figure is known, the most first."""
    known = [field for field in fields if getattr(field, name) is not None]
    known.sort(key=lambda field: (-getattr(field, name), field.client or "", field.field))
    return tuple(taken(RankedField, field, rank=number) for number, field in enumerate(known, start=1))


def _rankings(fields: Sequence[FieldTotals]) -> Rankings:
    codes = sorted({field.currency or "" for field in fields if field.over_applied_money is not None})
    return Rankings(
        by_litres=_ranked(fields, "over_applied_l"),
        by_money=tuple(
            MoneyRanking(
                currency=code or None,
                fields=_ranked([field for field in fields if (field.currency or "") == code], "over_applied_money"),
            )
            for code in codes
        ),
        by_area=_ranked(fields, "over_application_m2"),
    )


def _repeated(jobs: Sequence[Job]) -> tuple[RepeatedField, ...]:
    groups: dict[tuple[str, str], list[Job]] = {}
    for job in jobs:
        groups.setdefault((job.client, job.field), []).append(job)
    return tuple(
        RepeatedField(
            client=client or None,
            field=field,
            jobs=tuple(
                RepeatedJob(
                    job=job.id, product=job.product or None, day=None if job.day is None else job.day.isoformat()
                )
                for job in ordered(own)
            ),
        )
        for (client, field), own in groups.items()
        if len(own) > 1
    )


def ordered(jobs: Sequence[Job]) -> list[Job]:
    """Treatments of one field in order of day; those without a day last; else as the manifest has them."""
    return sorted(jobs, key=lambda job: (job.day is None, job.day.isoformat() if job.day is not None else ""))


def _against_log(verdict: LedgerVerdict | None) -> list[Note]:
    """What the audit found against the log itself."""
    if verdict is None:
        return []
    unfit = [Note.of("season.log_unfit")] if verdict.fit == "unfit" else []
    return [*unfit, *(Note.from_document({"code": why.code, "values": why.values}) for why in verdict.why)]


def doubts(row: Row, job: Job) -> list[Note]:
    """Why a record is to be taken with care."""
    out = list(job.remarks)
    closure = row["closure_pct"]
    if closure is not None and abs(closure) > _CLOSURE_PCT:
        out.append(Note.of("season.litres_do_not_close", share=Measure(abs(closure), "pct")))
    if row["model_trusted"] is False:
        off, claimed = row["over_application_difference_m2"], Measure(row["claimed_m2"], "small_area")
        code = "season.model_over_applies_more" if off > 0 else "season.model_over_applies_less"
        out.append(Note.of(code, off=Measure(abs(off), "small_area"), claimed=claimed))
    if row["epochs"] and row["used"] / row["epochs"] < _USED_SHARE:
        out.append(Note.of("season.few_rows_used", used=row["used"], rows=row["epochs"]))
    if row["target_m2"] and row["skip_m2"] is not None and row["skip_m2"] > 0.5 * row["target_m2"]:
        out.append(Note.of("season.half_untreated", share=Measure(row["skip_pct"], "pct")))
    if row["boundary"] == "derived":
        out.append(Note.of("season.boundary_derived"))
    return out


def season_document(parts: Parts) -> SeasonDocument:
    """The document of ``season.json``, its numbers not yet rounded."""
    done = [row for row in parts.rows if row["status"] == "done"]
    failed = [row for row in parts.rows if row["status"] != "done"]
    older = [row for row in failed if row["status"] == "older"]
    jobs = {job.id: job for job in parts.jobs}
    fields = by_field(done)
    totals = _totals(done, parts.ledgers)
    verdicts = {item.name: item.ledger.verdict for item in parts.ledgers}
    doubtful = [(row["job"], [*_against_log(verdicts.get(row["job"])), *doubts(row, jobs[row["job"]])]) for row in done]
    products = [job.ledger.product for job in parts.ledgers if job.ledger.product is not None]
    return SeasonDocument(
        version=__version__,
        client=parts.client,
        clients=tuple(sorted({job.client for job in parts.jobs if job.client})),
        jobs=JobCount(all=len(parts.rows), done=len(done), failed=len(failed)),
        fields=FieldCount(treated=len(fields), without_log=len(parts.missing)),
        totals=totals,
        means=_means(totals, done),
        estimate=season_estimates(parts.ledgers) or None,
        alarm=season_alarms(parts.ledgers),
        action=season_actions(parts.ledgers),
        replay=by_layout(parts.replay),
        products=season_products(products),
        label_of_the_day=tuple(parts.label_day),
        standing=season_standing(parts.ledgers),
        balance=season_balance(parts.ledgers),
        ranking=_rankings(fields),
        repeated=_repeated(parts.jobs),
        unfit=tuple(UnfitJob(job=row["job"], field=row["field"], reason=row["reason"]) for row in failed),
        # Their last good results stand, and are in the rows, but count in no total: they are older than their inputs.
        older=tuple(UnfitJob(job=row["job"], field=row["field"], reason=row["reason"]) for row in older),
        doubtful=tuple(
            DoubtfulJob(job=name, reasons=tuple(say_all(notes)), codes=tuple(map(NoteCode.of, notes)))
            for name, notes in doubtful
            if notes
        ),
        unplaced=tuple(UnplacedFile(file=item.file, reason=say(item.reason)) for item in parts.unplaced),
        missing=tuple(MissingField(field=item.field, reason=say(item.reason)) for item in parts.missing),
        caution=str(words()("caution.season")),
    )
