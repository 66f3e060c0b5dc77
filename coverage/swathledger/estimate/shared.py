"""Which errors drives share, and intervals that hold both: fields drawn, and the errors of every drive within."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from swathledger.documents.ledger import LedgerEstimate
from swathledger.statistics import Floats, ratio_over_fields

OF_MACHINE: Final = frozenset({"antenna", "latency", "headings", "bends", "model"})
"""Sources that are one and the same for all drives of a machine: how it was measured, how it turns, and how the
controller model misses it."""
OF_CLIENT: Final = frozenset({"boundary"})
"""Boundaries of one client are taken to be of one survey."""
OWN: Final = frozenset({"cells"})
"""Sampling is each drive's own to the last bit."""
MISSED: Final = 0.2
"""What happened lies off the best estimate by so much of what this took off, to the same side in drives of one kind:
0.20 of it in over-application and 0.14 in skip, pooled over the 25 kinds of docs/validation.md. That part of all other
sources is shared by a machine's drives."""
DRAWN_FROM = "over_application_pct"
"""Savings give all their errors in one; how much of that is shared is taken from this headline of the same drive."""

Holds = Literal["fields_and_errors", "fields", "errors", "nothing"]


@dataclass(frozen=True, slots=True)
class Part:
    """One source's error of a drive's figure.

    Attributes
    ----------
    source : str
    group : str
        Drives of one group have the same error of this source: ``job ...``, ``machine ...`` or ``client ...``.
    sd : float
        In the figure's unit, not negative.
    """

    source: str
    group: str
    sd: float

    def times(self, factor: float) -> Part:
        """The same error of a figure ``factor`` times as large."""
        return replace(self, sd=self.sd * abs(factor))


def line_of(lines: Sequence[LedgerEstimate], quantity: str) -> LedgerEstimate | None:
    """The estimate of a quantity, where it could be told."""
    return next((line for line in lines if line.quantity == quantity and line.best is not None), None)


def parts_of(
    line: LedgerEstimate, lines: Sequence[LedgerEstimate], *, job: str, machine: str, client: str
) -> tuple[Part, ...]:
    """Errors of one headline of a drive, each with the group that shares it.

    Parameters
    ----------
    line : LedgerEstimate
    lines : sequence of LedgerEstimate
        All headlines of the drive.
    job, machine, client : str
        Names of the drive, its machine and whose fields they are.

    Notes
    -----
    The squares of all parts add up to those of ``by_source``. A source that is neither a machine's nor a client's
    nor wholly the drive's own is split: with variance v of all such sources and m = `MISSED` times what best took off,
    the share ``min(1, m^2 / v)`` is the machine's. The ``errors`` of a saving, drawn all at once, hold what is
    a machine's or client's too, in the proportion that it has in the over-application of the same drive.
    """
    split = [sd for source, sd in line.by_source.items() if source not in OF_MACHINE | OF_CLIENT | OWN]
    variance = math.fsum(sd * sd for sd in split)
    moved = 0.0 if line.best is None or line.read is None else MISSED * (line.best - line.read)
    shared = moved * moved / variance if variance > 0 else 0.0
    drawn = line_of(lines, DRAWN_FROM) if "errors" in line.by_source else None
    if drawn is not None and drawn.by_source:
        whole = math.fsum(sd * sd for sd in drawn.by_source.values())
        known = math.fsum(sd * sd for source, sd in drawn.by_source.items() if source in OF_MACHINE | OF_CLIENT)
        shared += known / whole if whole > 0 else 0.0
    shared = min(shared, 1.0)
    own, of_machine = f"job {job}", f"machine {machine}"
    out: list[Part] = []
    for source, sd in line.by_source.items():
        if source in OF_MACHINE:
            out.append(Part(source, of_machine, sd))
        elif source in OF_CLIENT:
            out.append(Part(source, f"client {client}", sd))
        elif source in OWN:
            out.append(Part(source, own, sd))
        else:
            out.append(Part(source, own, sd * math.sqrt(1.0 - shared)))
            out.append(Part(source, of_machine, sd * math.sqrt(shared)))
    return tuple(part for part in out if part.sd > 0)


def normal_reach(level: float) -> float:
    """Half width of a normal interval, in standard deviations."""
    from scipy.special import ndtri

    return float(ndtri((1.0 + level) / 2.0))


def stretch_of(line: LedgerEstimate) -> tuple[float, float]:
    """How far a headline's own interval reaches down and up, as shares of ``z sd``; (0, 0) where it has no error."""
    sd = math.hypot(*line.by_source.values()) if line.by_source else 0.0
    if sd <= 0 or line.best is None or line.low is None or line.high is None:
        return 0.0, 0.0
    reach = normal_reach(line.level) * sd
    return (line.best - line.low) / reach, (line.high - line.best) / reach


@dataclass(frozen=True, slots=True)
class OverFields:
    """A ratio of sums over fields, with an interval.

    Attributes
    ----------
    value : float
    low, high : float or None
    holds : {"fields_and_errors", "fields", "errors", "nothing"}
        What the interval is over: fields drawn from those like them and the errors of their drives; fields only, where
        errors are not known; the errors of these drives only, where there are too few fields; or there is none.
    fields : int
    own_sd, shared_sd : float or None
        One standard deviation of ``value`` by errors that no other field shares, and by those that some share; None
        where errors are not known.
    by_source : dict of str to float
        One standard deviation of ``value`` by source.
    """

    value: float
    low: float | None
    high: float | None
    holds: Holds
    fields: int
    own_sd: float | None
    shared_sd: float | None
    by_source: dict[str, float]


def over_fields(
    amount: Floats,
    base: Floats,
    parts: Sequence[Sequence[Part]] | None,
    *,
    level: float = 0.9,
    resamples: int = 4999,
    seed: int = 0,
) -> OverFields:
    """``sum(amount) / sum(base)`` with the interval that holds both, fields drawn and errors of their drives.

    Parameters
    ----------
    amount, base : (n,) float64
        Best estimates, one a field; with ``base`` 1 everywhere the value is a mean over fields.
    parts : sequence of sequence of Part, or None
        Errors of each amount, in its unit. None: not known.
    level, resamples, seed
        As of :func:`swathledger.statistics.ratio_over_fields`.

    Notes
    -----
    The spread over fields has the fields' differences in it, and with them every error that a field has to itself; it
    does not show what fields share. With ``s_i`` the error of field i by one source and group, ``S`` its sum, ``w_i`` =
    ``base_i / sum(base)``, the spread shows ``n / (n - 1) sum (s_i - w_i S)^2`` of the ``S^2`` that there are. What is
    not shown (for equal fields the mean product of two fields' errors) is added to each end in quadrature. No
    interval is narrower than that of the errors of these very drives, which is also what stays with fewer than three
    fields.
    """
    n, total = amount.shape[0], float(base.sum())
    value = float(amount.sum()) / total
    ends = ratio_over_fields(amount, base, level=level, resamples=resamples, seed=seed)
    if parts is None:
        low, high = (None, None) if ends is None else ends
        return OverFields(value, low, high, "nothing" if ends is None else "fields", n, None, None, {})
    errors: dict[tuple[str, str], Floats] = {}
    for k, own in enumerate(parts):
        for part in own:
            errors.setdefault((part.source, part.group), np.zeros(n))[k] += part.sd
    weight = base / total
    squares: dict[str, float] = {}
    own_var = shared_var = unseen = 0.0
    for (source, _), sizes in errors.items():
        whole = float(sizes.sum())
        squares[source] = squares.get(source, 0.0) + whole * whole
        if np.count_nonzero(sizes) > 1:
            shared_var += whole * whole
            seen = n / (n - 1) * float(((sizes - weight * whole) ** 2).sum())
            unseen += max(whole * whole - seen, 0.0)
        else:
            own_var += whole * whole
    z = normal_reach(level)
    least = z * math.sqrt(own_var + shared_var) / total
    if ends is None:
        low, high = value - least, value + least
    else:
        low, high = (value + sign * max(math.hypot(end - value, z * math.sqrt(unseen) / total), least)
                     for sign, end in zip((-1, 1), ends, strict=True))  # fmt: skip
    return OverFields(
        value,
        low,
        high,
        "errors" if ends is None else "fields_and_errors",
        n,
        math.sqrt(own_var) / total,
        math.sqrt(shared_var) / total,
        {source: math.sqrt(square) / total for source, square in squares.items()},
    )
