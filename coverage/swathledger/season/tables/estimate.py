"""Best estimates of a season from those of its jobs: which errors jobs share, and which not."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from swathledger.documents.ledger import LedgerEstimate
from swathledger.documents.season import SeasonEstimate
from swathledger.estimate.shared import line_of, normal_reach, stretch_of
from swathledger.money.ledgers import JobLedger


def _weight(job: JobLedger, quantity: str) -> float | None:
    """What a job's figure counts by: ground for shares of the target, product for shares of it, 1 for litres."""
    if quantity.startswith("saved"):
        return None if job.ledger.volume is None else job.ledger.volume.applied_l
    return 1.0 if quantity.endswith("_l") else job.ledger.area.target_m2


def season_estimates(jobs: Sequence[JobLedger]) -> tuple[SeasonEstimate, ...]:
    """Every quantity that any job has an estimate of, over the jobs that have one.

    Parameters
    ----------
    jobs : sequence of JobLedger
        Of the jobs that are done.

    Returns
    -------
    tuple of SeasonEstimate
        In the order of the first job; none where no job has estimates.

    Notes
    -----
    With weights ``w`` (ground, product, or 1 for litres), errors of one source that jobs share add up, others add in
    quadrature: ``variance = sum over sources, groups of (sum over the group of w sd)^2``;
    :func:`swathledger.estimate.shared.parts_of` says which are. Errors that are shared may act on two jobs in opposite
    ways, so the sum is an upper bound. Each job's ``sd`` is stretched by how far its own interval reaches to that side,
    over ``z sd``, so that skewed intervals stay so.
    """
    quantities = dict.fromkeys(line.quantity for job in jobs for line in job.ledger.estimate or ())
    return tuple(found for name in quantities if (found := _of(name, jobs)) is not None)


def season_money(jobs: Sequence[JobLedger]) -> dict[str, SeasonEstimate]:
    """What over-applied product is worth by the best estimates, by currency of the jobs whose prices are known.

    Each job's money a litre (or a per cent of the target, where litres are not known) is that of what was read. A
    currency of which a job has no estimate is left out.
    """
    priced: dict[str, list[JobLedger]] = {}
    for job in jobs:
        if _over_money(job) is not None:
            priced.setdefault(job.currency or "", []).append(job)
    out = {}
    for currency, own in priced.items():
        for quantity in ("over_applied_l", "over_application_pct"):
            if all(line_of(job.ledger.estimate or (), quantity) is not None for job in own):
                found = _of(quantity, own, _money_per_unit, adds=True)
                if found is not None:
                    out[currency] = found
                break
    return out


def _over_money(job: JobLedger) -> float | None:
    return None if job.ledger.product is None else job.ledger.product.over_applied.money


def _money_per_unit(job: JobLedger, quantity: str) -> float | None:
    """Money that goes with one unit of a quantity as read; None where nothing was read."""
    line, money = line_of(job.ledger.estimate or (), quantity), _over_money(job)
    return None if line is None or not line.read or money is None else money / line.read


def _of(
    quantity: str,
    jobs: Sequence[JobLedger],
    weight_of: Callable[[JobLedger, str], float | None] = _weight,
    *,
    adds: bool = False,
) -> SeasonEstimate | None:
    """A quantity over jobs, weighted; ``adds``: a sum of weights times it, as litres always are."""
    parts: list[tuple[JobLedger, LedgerEstimate, float]] = []
    for job in jobs:
        line, weight = line_of(job.ledger.estimate or (), quantity), weight_of(job, quantity)
        if line is not None and weight is not None and weight > 0:
            parts.append((job, line, weight))
    if not parts:
        return None
    levels = {line.level for _, line, _ in parts}
    if len(levels) > 1:  # intervals of different meaning do not add up
        return None
    level = levels.pop()
    z = normal_reach(level)
    whole = 1.0 if adds or quantity.endswith("_l") else math.fsum(weight for _, _, weight in parts)
    sums: dict[tuple[str, str], list[float]] = {}
    for number, (job, line, weight) in enumerate(parts):
        down, up = stretch_of(line)
        for part in job.errors_of(line, str(number)):
            sizes = sums.setdefault((part.source, part.group), [0.0, 0.0, 0.0])
            for k, stretch in enumerate((1.0, down, up)):
                sizes[k] += weight * part.sd * stretch / whole
    by_source: dict[str, float] = {}
    for (source, _), sizes in sums.items():
        by_source[source] = math.hypot(by_source.get(source, 0.0), sizes[0])
    below, above = (z * math.hypot(*(sizes[k] for sizes in sums.values())) if sums else 0.0 for k in (1, 2))

    best = math.fsum((line.best or 0.0) * weight for _, line, weight in parts) / whole
    reads = [line.read * weight for _, line, weight in parts if line.read is not None]
    area = not quantity.startswith("saved")
    return SeasonEstimate(
        quantity=quantity,
        jobs=len(parts),
        read=math.fsum(reads) / whole if len(reads) == len(parts) else None,
        best=best,
        low=max(best - below, 0.0) if area else best - below,
        high=best + above,
        level=level,
        dominant=max(by_source, key=lambda name: by_source[name]) if any(by_source.values()) else None,
        by_source=by_source,
    )
