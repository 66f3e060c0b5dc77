"""Numbers on a page: each is looked up in ``ledger.json`` by its path and marked with it, so that it can be checked."""

from __future__ import annotations

import math
from typing import Any, Final

from markupsafe import Markup

from swathledger.units import KG_PER_LB, QUANTITIES, UNKNOWN, UnitSystem, text, to_face

_PLAIN: Final = {"pct": (2, "\u00a0%"), "count": (0, ""), "ratio": (3, "")}
"""Kinds without a unit system: decimals and what follows the number."""


def plain(value: float, digits: int) -> str:
    """A number with thousands separated; nothing reads "-0"."""
    shown = f"{value:,.{digits}f}"
    return shown if shown.strip("-0.,") else shown.lstrip("-")


def shown(kind: str, value: float | None, system: UnitSystem, digits: int | None = None, *, unit: bool = True) -> str:
    """A value as a person reads it.

    ``kind`` is one of :data:`swathledger.units.QUANTITIES`, mass (kg), grams (g; kilograms from 1,000 g on, pounds in
    US units), pct, count or ratio.
    """
    if value is None or math.isnan(value):
        return UNKNOWN
    if kind == "mass":
        pounds = system == "us"
        return plain(value / (KG_PER_LB if pounds else 1.0), 2 if digits is None else digits) + (
            ("\u00a0lb" if pounds else "\u00a0kg") if unit else ""
        )
    if kind == "grams":
        if system == "us":
            return shown("mass", value / 1000.0, system, 3 if digits is None else digits, unit=unit)
        small = abs(value) < 1000.0
        scaled, after = (value, "\u00a0g") if small else (value / 1000.0, "\u00a0kg")
        return plain(scaled, (0 if small else 2) if digits is None else digits) + (after if unit else "")
    if kind in _PLAIN:
        default, after = _PLAIN[kind]
        return plain(value, default if digits is None else digits) + (after if unit else "")
    return text(kind, value, system, digits=digits, unit=unit).replace(" ", "\u00a0")


def duration(seconds: float | None) -> str:
    """Hours, minutes and seconds.

    Examples
    --------
    >>> duration(3725.0)
    '1 h 2 min 5 s'
    """
    if seconds is None:
        return UNKNOWN
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    parts = [f"{n} {u}" for n, u in ((hours, "h"), (minutes, "min"), (left, "s")) if n]
    return " ".join(parts) or "0 s"


class Figures:
    """The numbers of one document in one unit system.

    Parameters
    ----------
    document : dict
        As in ``ledger.json``.
    system : {"metric", "us"}
    """

    def __init__(self, document: dict[str, Any], system: UnitSystem) -> None:
        self.document = document
        self.system = system

    def get(self, path: str) -> Any:
        """Value at a path such as ``"cause/3/area_m2"``; None where any part of it is absent or null."""
        value: Any = self.document
        for part in path.split("/"):
            if isinstance(value, list):
                value = value[int(part)] if int(part) < len(value) else None
            elif isinstance(value, dict):
                value = value.get(part)
            else:
                return None
        return value

    def number(self, path: str, kind: str, digits: int | None = None, *, unit: bool = True) -> Markup:
        """The number at a path."""
        value = self.get(path)
        if kind == "money":
            currency = self.get("product/currency") or ""
            words = UNKNOWN if value is None else f"{plain(value, 2 if digits is None else digits)}\u00a0{currency}"
            return self._marked(path, kind, value, words.rstrip())
        return self._marked(path, kind, value, shown(kind, value, self.system, digits, unit=unit))

    def amount(self, path: str, measure: str, digits: int = 2) -> Markup:
        """An amount of product, L or kg: gallons or pounds in US units."""
        return self.number(path, "volume" if measure == "L" else "mass", digits)

    def share(self, part: str, whole: str, digits: int = 0) -> Markup:
        """One number in per cent of another."""
        a, b = self.get(part), self.get(whole)
        value = 100.0 * a / b if a is not None and b else None
        return self._marked(f"{part} of {whole}", "pct", value, shown("pct", value, self.system, digits))

    @staticmethod
    def _marked(key: str, kind: str, value: float | None, words: str) -> Markup:
        """A data element: the SI value for machines, the words for people."""
        machine = "" if value is None else f"{value:.12g}"
        return Markup('<data value="{}" data-key="{}" data-kind="{}">{}</data>').format(machine, key, kind, words)

    def symbol(self, kind: str) -> str:
        """Unit that a kind of quantity is shown in."""
        return QUANTITIES[kind].face(self.system).symbol

    def face(self, kind: str, value: float) -> float:
        """A value in the unit shown."""
        return to_face(kind, value, self.system)
