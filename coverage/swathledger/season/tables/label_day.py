"""Doses of one product summed over several jobs on one field on one day, cell by cell, against the label's maximum.

A ledger sums the doses of its own job. Where two machines, or two mixes, were on a field on one day, no ledger sees the
sum; it is made here from the jobs' ``cover.tif``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.documents.document import NoteCode
from swathledger.documents.ledger import Ledger
from swathledger.documents.poured import ProductLine
from swathledger.documents.season import LabelOfTheDay
from swathledger.money.account import DOSE_ACCURACY, SMALLEST_SPOT_M2, highest_step
from swathledger.notes import Note
from swathledger.words import say

STORED_ACCURACY = 1.0 / 4096.0
"""Doses in ``cover.tif`` are right to this part of themselves."""
_ROWS = 512
_STEPS = 10_000
_STEP = 0.005
"""Classes of dose for the highest, as a share of the highest single rate."""


@dataclass(frozen=True, slots=True)
class DayJob:
    """A finished job.

    Attributes
    ----------
    folder : Path
        Of its results.
    """

    id: str
    folder: Path
    ledger: Ledger


@dataclass(frozen=True, slots=True)
class _Use:
    """One product in one job: its dose is the cover's dose times ``factor``."""

    path: Path
    factor: float


def day_doses(client: str | None, field: str, day: str | None, jobs: Sequence[DayJob]) -> list[LabelOfTheDay]:
    """Products that several jobs put on one field on one day.

    Parameters
    ----------
    client, field, day
        Go into the rows as they are; ``day`` None where it is not known, and then nothing is summed.
    jobs : sequence of DayJob
        All of that client, field and day.

    Returns
    -------
    list of LabelOfTheDay
        For each product (by name, without regard to case) of at least two of the jobs: ``maximum_per_m2`` (the lowest
        entered), ``over_m2`` (ground whose sum is above it; equal is not above, to 1 part in 4,096),
        ``highest_per_m2`` (on at least 10 m2), in the product's ``measure`` on a square metre. Figures are None where a
        job's dose is not known, and ``reason`` says why.
    """
    uses: dict[str, list[tuple[DayJob, ProductLine]]] = {}
    for job in jobs:
        for line in () if job.ledger.product is None else job.ledger.product.products:
            uses.setdefault(line.name.strip().casefold(), []).append((job, line))
    out = []
    for _, used in sorted(uses.items()):
        if len(used) < 2:
            continue
        limits = [limit for _, line in used if (limit := line.label.maximum_per_m2) is not None]
        maximum = min(limits) if limits else None
        covers = Note.of("season.dose_day_unknown") if day is None else _uses(used)
        rate = max(line.rate_per_m2 or 0.0 for _, line in used)
        found = covers if isinstance(covers, Note) else _summed(covers, maximum, rate)
        over_m2, highest, reason = (None, None, found) if isinstance(found, Note) else (*found, None)
        out.append(
            LabelOfTheDay(
                client=client,
                field=field,
                day=day,
                product=used[0][1].name,
                measure=used[0][1].measure,
                jobs=tuple(job.id for job, _ in used),
                maximum_per_m2=maximum,
                over_m2=over_m2,
                highest_per_m2=highest,
                highest_on_at_least_m2=SMALLEST_SPOT_M2,
                reason=None if reason is None else say(reason),
                code=None if reason is None else NoteCode.of(reason),
            )
        )
    return out


def _uses(used: Sequence[tuple[DayJob, ProductLine]]) -> list[_Use] | Note:
    """How to read each job's dose of the product, or why it is not known."""
    out = []
    if len({line.measure for _, line in used}) > 1:
        return Note.of("season.dose_measures_differ")
    for job, line in used:
        product = job.ledger.product
        if product is None or not line.rate_per_m2:
            return Note.of("season.dose_rate_unknown", job=job.id)
        if product.changed_during_job:
            return Note.of("season.dose_mix_changed", job=job.id)
        unit = _dose_unit(job.folder / "cover.tif")
        if unit is None:
            return Note.of("season.dose_unreadable", job=job.id)
        if unit == "L/ha":
            if not product.spray_rate_l_m2:
                return Note.of("season.dose_spray_rate_unknown", job=job.id)
            factor = 1e-4 * line.rate_per_m2 / product.spray_rate_l_m2
        elif job.ledger.volume is not None:
            return Note.of("season.dose_without_litres", job=job.id)
        else:
            factor = line.rate_per_m2
        out.append(_Use(job.folder / "cover.tif", factor))
    return out


def _dose_unit(path: Path) -> str | None:
    import rasterio
    from rasterio.errors import RasterioError

    from swathledger.files import plain_path
    from swathledger.report.raster import BAND_DOSE

    try:
        with plain_path(path) as plain, rasterio.open(plain, driver="GTiff") as source:
            return str(source.units[BAND_DOSE - 1])
    except (RasterioError, OSError):
        return None


def _summed(uses: Sequence[_Use], limit: float | None, rate: float) -> tuple[float | None, float] | Note:
    """Ground above the limit (m2) and the highest dose, or why the covers cannot be laid upon each other."""
    from contextlib import ExitStack

    import rasterio

    from swathledger.files import plain_path

    with ExitStack() as stack:
        paths = [stack.enter_context(plain_path(use.path)) for use in uses]
        files = [
            stack.enter_context(rasterio.open(path, driver="GTiff")) for path in paths
        ]  # no other driver looks at it
        first = files[0]
        cell = float(first.transform.a)
        if any(abs(file.transform.a - cell) > 1e-9 * cell for file in files):
            return Note.of("season.dose_cells_differ")
        if any(file.crs != first.crs for file in files):
            return Note.of("season.dose_projections_differ")
        over, steps = 0, np.zeros(_STEPS + 1, dtype=np.int64)
        above = np.inf if limit is None else limit * (1.0 + STORED_ACCURACY + DOSE_ACCURACY)
        for dose in _doses(files, uses, cell):
            treated = dose[dose > 0]
            over += int(np.count_nonzero(treated > above))
            step = np.minimum(np.rint(treated / (_STEP * rate)), _STEPS).astype(np.int64)
            steps += np.bincount(step, minlength=_STEPS + 1)
    highest = highest_step(steps, SMALLEST_SPOT_M2 / cell**2) * _STEP * rate
    return (None if limit is None else over * cell**2), highest


def _doses(files: Sequence[Any], uses: Sequence[_Use], cell: float) -> Iterator[NDArray[np.float64]]:
    """Summed dose in bands of rows of the ground that any file covers; cells of all files lie on one grid."""
    from rasterio.windows import Window

    from swathledger.report.raster import BAND_DOSE

    west = [round(file.transform.c / cell) for file in files]
    north = [round(file.transform.f / cell) for file in files]
    left, top = min(west), max(north)
    columns = max(x + file.width for x, file in zip(west, files, strict=True)) - left
    rows = top - min(y - file.height for y, file in zip(north, files, strict=True))
    for start in range(0, rows, _ROWS):
        out = np.zeros((min(_ROWS, rows - start), columns))
        for file, use, x, y in zip(files, uses, west, north, strict=True):
            offset = top - y  # rows of the sum above this file
            first, last = max(start, offset), min(start + out.shape[0], offset + file.height)
            if first >= last:
                continue
            dose = file.read(BAND_DOSE, window=Window(0, first - offset, file.width, last - first))
            out[first - start : last - start, x - left : x - left + file.width] += use.factor * np.maximum(dose, 0.0)
        yield out
