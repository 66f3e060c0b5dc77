"""What happened on fields like these: best estimates over fields, with intervals that hold fields and errors."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from swathledger.documents.study import StudyEstimate
from swathledger.estimate.shared import Part, line_of, over_fields, parts_of, stretch_of
from swathledger.study.collected import AS_LOGGED, StudyField, StudyJob, StudySettings


def study_estimates(fields: Sequence[StudyField], settings: StudySettings) -> tuple[StudyEstimate, ...]:
    """Every headline in per cent over the fields whose drives all have a best estimate of it, each counting once.

    A field's figure is that of its drives, weighted by target, or by what was done for savings. See
    :func:`swathledger.estimate.shared.over_fields` for the interval.
    """
    names = dict.fromkeys(line.quantity for field in fields for job in field.jobs for line in job.estimate)
    found = (_estimate(name, fields, settings) for name in names if not name.endswith("_l"))
    return tuple(row for row in found if row is not None)


def best_of(field: StudyField, quantity: str) -> tuple[float, float | None, tuple[Part, ...]] | None:
    """Best, read and errors of a field's figure; None where a drive has no estimate of it."""
    whole = best = read = 0.0
    reads = True
    parts: list[Part] = []
    for job in field.jobs:
        line, weight = line_of(job.estimate, quantity), _weight(job, quantity)
        if line is None or line.best is None or weight is None:
            return None
        whole += weight
        best += weight * line.best
        reads, read = reads and line.read is not None, read + weight * (line.read or 0.0)
        stretch = weight * max(stretch_of(line))
        own = parts_of(line, job.estimate, job=job.name, machine=job.machine, client=job.client)
        parts += [part.times(stretch) for part in own]
    return best / whole, read / whole if reads else None, tuple(part.times(1.0 / whole) for part in parts)


def _weight(job: StudyJob, quantity: str) -> float | None:
    if not quantity.startswith("saved"):
        return job.target_area_m2
    row = job.row(AS_LOGGED)
    laid = None if row is None else row.applied_m2 if row.volume_l is None else row.volume_l
    return laid if laid else None


def _estimate(quantity: str, fields: Sequence[StudyField], settings: StudySettings) -> StudyEstimate | None:
    known = [found for field in fields if (found := best_of(field, quantity)) is not None]
    if not known:
        return None
    read = [value for _, value, _ in known if value is not None]
    over = over_fields(
        np.array([best for best, _, _ in known]),
        np.ones(len(known)),
        [parts for _, _, parts in known],
        level=settings.level,
        resamples=settings.resamples,
        seed=settings.seed,
    )
    low, high = over.low, over.high
    if low is not None and not quantity.startswith("saved"):
        low = max(low, 0.0)  # no area is below nothing
    largest = max(over.by_source.items(), key=lambda item: item[1], default=(None, 0.0))
    return StudyEstimate(
        quantity=quantity,
        fields=over.fields,
        read=math.fsum(read) / len(known) if len(read) == len(known) else None,
        best=over.value,
        low=low,
        high=high,
        level=settings.level,
        holds=over.holds,
        own_sd=over.own_sd,
        shared_sd=over.shared_sd,
        by_source=over.by_source,
        dominant=largest[0],
    )
