"""Numbers as people read them."""

from __future__ import annotations

import math
from typing import Final

from swathledger.units import QUANTITIES, UNKNOWN, Face, UnitSystem

_PLAIN: Final = {
    "pct": Face("%", 1.0, 2, "pct"),
    "count": Face("", 1.0, 0, "count"),
    "ratio": Face("", 1.0, 3, "ratio"),
    "seconds": Face("s", 1.0, 1, "s"),
}
"""Kinds that read the same in every unit system."""


def decimal(value: float, digits: int) -> str:
    """A number with thousands separated; nothing reads "-0"."""
    shown = f"{value:,.{digits}f}"
    return shown if shown.strip("-0.,") else shown.lstrip("-")


def face_of(kind: str, value: float, system: UnitSystem) -> Face:
    """The unit that a value of a kind is shown in."""
    if kind == "grams":
        if system == "us":
            return Face("lb", 1000.0 * QUANTITIES["mass"].face("us").si_per_unit, 3, "lb")
        return Face("g", 1.0, 0, "g") if abs(value) < 1000.0 else Face("kg", 1000.0, 2, "kg")
    return _PLAIN[kind] if kind in _PLAIN else QUANTITIES[kind].face(system)


def shown(
    kind: str, value: float | None, system: UnitSystem, digits: int | str | None = None, *, unit: bool = True
) -> str:
    """A value as a person reads it; absent knowledge reads "unknown".

    Parameters
    ----------
    kind : str
        One of :data:`swathledger.units.QUANTITIES`, grams (kilograms from 1,000 g on, pounds in US units), pct, count,
        ratio or seconds.
    value : float or None
        In the inside unit of the kind.
    system : {"metric", "us"}
    digits : int or str, optional
        Decimals, or a format such as ``".4g"``; by default those of the kind.
    unit : bool
        Whether the symbol follows the number.
    """
    if value is None or math.isnan(value):
        return UNKNOWN
    face = face_of(kind, value, system)
    scaled = value / face.si_per_unit
    decimals = face.digits if digits is None else digits
    number = f"{scaled:{decimals}}" if isinstance(decimals, str) else decimal(scaled, decimals)
    return f"{number}\u00a0{face.symbol}" if unit and face.symbol else number


def text(
    kind: str, value: float | None, system: UnitSystem = "metric", digits: int | str | None = None, *, unit: bool = True
) -> str:
    """As :func:`shown`, with plain spaces: for a terminal.

    Examples
    --------
    >>> text("area", 1_234_567.0)
    '123.4567 ha'
    >>> text("volume", None)
    'unknown'
    """
    return shown(kind, value, system, digits, unit=unit).replace("\u00a0", " ")
