"""Keeping only some stretches of time of a log: one file may hold the drives of several fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.clean import Cleaned

Span = tuple[float, float]
"""Seconds as in ``Log.time_s``: from (included) to (not included); infinite where open."""

Spans = Sequence[Span] | None
"""Stretches of one log that belong to a job; None: all of it."""

REASON = "outside_span"
"""Why a row outside every stretch is set aside."""


def inside(time_s: NDArray[np.float64], spans: Spans) -> NDArray[np.bool_]:
    """Which times lie in any of the stretches.

    Raises
    ------
    LogError
        A stretch that ends before it begins.
    """
    if spans is None:
        return np.ones(time_s.shape, dtype=bool)
    kept: NDArray[np.bool_] = np.zeros(time_s.shape, dtype=bool)
    for start, end in spans:
        if not start < end:
            raise LogError(f"a stretch of time must end after it begins, found {start!r} to {end!r}.")
        kept |= (time_s >= start) & (time_s < end)
    return kept


def keep_spans(cleaned: Cleaned, source: NDArray[np.int64], spans: Sequence[Spans]) -> Cleaned:
    """Set aside the rows outside the stretches of their own file.

    Parameters
    ----------
    cleaned : Cleaned
    source : (n,) int64
        Number of the file that each row, in the order of the files, comes from.
    spans : sequence
        One entry a file.
    """
    if all(item is None for item in spans):
        return cleaned
    kept = np.ones(cleaned.order.shape, dtype=bool)
    for number, item in enumerate(spans):
        own = source[cleaned.order] == number
        kept[own] = inside(cleaned.time_s[own], item)
    if bool(kept.all()):
        return cleaned
    return replace(
        cleaned,
        order=cleaned.order[kept],
        time_s=cleaned.time_s[kept],
        latitude_deg=cleaned.latitude_deg[kept],
        longitude_deg=cleaned.longitude_deg[kept],
        reasons={**cleaned.reasons, REASON: cleaned.order[~kept]},
    )
