"""One-at-a-time sensitivity: which input matters most (a tornado chart's rows)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from swathledger.errors import InputError
from swathledger.money.budget import RetrofitCase, payback


@dataclass(frozen=True, slots=True)
class TornadoRow:
    """One input moved between two values, all others as in the case.

    Attributes
    ----------
    name : str
        Field of `RetrofitCase`.
    low, base, high : float
        Values of the input.
    outcome_low, outcome_base, outcome_high : float
        Outcome at each of them.
    """

    name: str
    low: float
    base: float
    high: float
    outcome_low: float
    outcome_base: float
    outcome_high: float

    @property
    def swing(self) -> float:
        """Width of the bar: from the smallest to the largest of the three outcomes."""
        outcomes = (self.outcome_low, self.outcome_base, self.outcome_high)
        return max(outcomes) - min(outcomes)


def _moved(case: RetrofitCase, name: str, value: float) -> RetrofitCase:
    if name == "area_a_year_m2":
        return case.on_ground(value)  # primes go with it where they are counted by ground
    change: dict[str, Any] = {name: value}
    return replace(case, **change)


def net_a_year(case: RetrofitCase) -> float:
    """Default outcome: savings less all costs in a year."""
    return payback(case).net_a_year


def tornado(
    case: RetrofitCase, ranges: Mapping[str, tuple[float, float]], outcome: Callable[[RetrofitCase], float] = net_a_year
) -> tuple[TornadoRow, ...]:
    """Move each input from its low to its high value and sort by how far the outcome moves.

    Parameters
    ----------
    ranges : mapping of str to (low, high)
        Names of number fields of the case. The case's own value need not lie between.
    outcome : callable
        Number from a case; by default the net of a year.

    Returns
    -------
    tuple of TornadoRow
        Largest swing first; equal ones by name.

    Raises
    ------
    InputError
        For a name that is no number of the case, low above high, or a value the case refuses.
    """
    known = {field.name for field in fields(case)} - {"currency", "primes_by_ground"}
    middle = outcome(case)
    rows = []
    for name, (low, high) in ranges.items():
        if name not in known or getattr(case, name) is None:
            raise InputError(
                f"{name!r} is not a number of this case.", column="ranges", hint=f"Known: {', '.join(sorted(known))}."
            )
        if low > high:
            raise InputError(f"runs from {low!r} down to {high!r}.", column=name, hint="Give the low value first.")
        rows.append(
            TornadoRow(
                name,
                low,
                getattr(case, name),
                high,
                outcome(_moved(case, name, low)),
                middle,
                outcome(_moved(case, name, high)),
            )
        )
    return tuple(sorted(rows, key=lambda row: (-row.swing, row.name)))


def around(case: RetrofitCase, share: float = 0.25, **own: tuple[float, float]) -> dict[str, tuple[float, float]]:
    """Ranges of +/- ``share`` around each number of the case that is not 0, replaced by the user's ``own`` ranges."""
    if not 0 < share < 1:
        raise InputError(f"must lie between 0 and 1, found {share!r}.", column="share")
    out: dict[str, tuple[float, float]] = {}
    for field in fields(case):
        value = getattr(case, field.name)
        if field.name in own:
            out[field.name] = own[field.name]
        elif isinstance(value, int | float) and value != 0:
            ends = (value * (1 - share), value * (1 + share))
            # no share above the whole, no salvage above the price, no price below the salvage, no interest of 100 %
            top = {"saved_share": 1.0, "salvage": case.price, "interest": 0.99}.get(field.name, math.inf)
            floor = case.salvage if field.name == "price" else -math.inf
            out[field.name] = (max(min(ends), floor), min(max(ends), top))
    unknown = sorted(set(own) - set(out))
    if unknown:
        raise InputError(f"{', '.join(unknown)}: no such number in the case.", column="ranges")
    return out
