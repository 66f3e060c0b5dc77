"""The carrier of the estimate stage."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from swathledger.errors import InputError
from swathledger.notes import Note

SOURCES = ("switching", "receiver", "antenna", "latency", "headings", "bends", "boundary", "cells")
"""Sources of an area's or a volume's error. A saving has ``switching``, ``errors`` (all at once) and ``model``."""


@dataclass(frozen=True, slots=True)
class Headline:
    """One figure: as it was read, and what happened.

    Attributes
    ----------
    quantity : str
        ``over_application_pct``, ``skip_pct``, ``outside_pct``, ``excluded_pct`` (per cent of the target),
        ``over_applied_l``, ``saved_pct:<layout>`` and ``saved_vs_log_pct:<layout>`` (per cent of what was done).
    read, best, low, high : float or None
        None where it cannot be told; then all but ``read`` are.
    level : float
        Share of drives in which the interval holds what happened.
    dominant : str or None
        Source with the largest part of the variance.
    by_source : mapping of str to float
        One standard deviation of the figure by each source, in the figure's unit.
    moves : mapping of str to float
        What each source adds to ``read`` for ``best``, before an area below 0 is moved to 0.
    """

    quantity: str
    read: float | None
    best: float | None
    low: float | None
    high: float | None
    level: float
    dominant: str | None
    by_source: Mapping[str, float]
    moves: Mapping[str, float]

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None:
            if self.best is None or not self.low <= self.best <= self.high:
                raise InputError(
                    f"best must lie in its interval: {self.low}, {self.best}, {self.high}", column=self.quantity
                )
            if not all(math.isfinite(value) for value in (self.low, self.best, self.high)):
                raise InputError("must be finite", column=self.quantity)


@dataclass(frozen=True, slots=True)
class Estimate:
    """All headlines of a drive.

    Attributes
    ----------
    headlines : tuple of Headline
    draws : int
        Redrawn drives.
    cell_m : float
        Cell on which differences between drives were counted.
    notes : tuple of Note
        What was assumed, with sizes.
    """

    headlines: tuple[Headline, ...]
    draws: int
    cell_m: float
    notes: tuple[Note, ...]

    def of(self, quantity: str) -> Headline | None:
        """The headline of a quantity; None where there is none."""
        return next((line for line in self.headlines if line.quantity == quantity), None)
