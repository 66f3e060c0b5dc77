"""Best estimates and their intervals as a page tells them: rounded to what the interval bears."""

from __future__ import annotations

import math
from typing import Any, Final

from markupsafe import Markup

from swathledger.report.numbers import Figures, layout_words
from swathledger.units import to_face
from swathledger.words import Words
from swathledger.words.numbers import face_of

KINDS: Final = {"over_applied_l": "volume"}
"""Kinds of quantity of the estimates that are not per cent."""


def estimate_path(figures: Figures, quantity: str) -> str | None:
    """Path of a quantity's estimate; None where there is none, or none could be told."""
    lines = figures.get("estimate") or []
    return next(
        (f"estimate/{i}" for i, line in enumerate(lines) if line["quantity"] == quantity and line["best"] is not None),
        None,
    )


def digits_borne(half_width: float, most: int) -> int:
    """Decimals that an interval bears: the first digit of its half width is the last one shown, at most ``most``.

    Examples
    --------
    >>> [digits_borne(half, 2) for half in (14.0, 1.4, 0.23, 0.02, 0.0004, 0.0)]
    [0, 0, 1, 2, 2, 2]
    """
    if half_width <= 0:
        return most
    return min(max(0, -math.floor(math.log10(half_width))), most)


def best_and_interval(figures: Figures, quantity: str) -> dict[str, Markup] | None:
    """``best``, ``low``, ``high``, ``read`` as marked numbers of like decimals; None where there is no estimate."""
    path = estimate_path(figures, quantity)
    if path is None:
        return None
    kind = KINDS.get(quantity, "pct")
    low, high = (to_face(kind, figures.get(f"{path}/{end}"), figures.system) if kind != "pct" else
                 figures.get(f"{path}/{end}") for end in ("low", "high"))  # fmt: skip
    digits = digits_borne((high - low) / 2, face_of(kind, max(abs(low), abs(high)), figures.system).digits)
    return {name: figures.number(f"{path}/{name}", kind, digits) for name in ("best", "low", "high", "read")}


def estimate_name(quantity: str, t: Words) -> Markup:
    """A headline in words."""
    name, _, label = quantity.partition(":")
    if not label:
        return t(f"estimate.name.{name}")
    return t(f"estimate.name.{name}", layout=layout_words(label, t, sentence=True))


def estimate_rows(figures: Figures, t: Words) -> list[dict[str, Any]]:
    """Every headline with its estimate, in the document's order."""
    rows = []
    for number, line in enumerate(figures.get("estimate") or []):
        told = best_and_interval(figures, line["quantity"])
        source = line["dominant"]
        rows.append(
            {
                "path": f"estimate/{number}",
                "words": estimate_name(line["quantity"], t),
                "told": told,
                "source": None if source is None or told is None else t(f"estimate.source.{source}"),
            }
        )
    return rows
