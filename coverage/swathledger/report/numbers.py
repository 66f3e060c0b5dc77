"""Numbers on a page: each is looked up in ``ledger.json`` by its path and marked with it, so that it can be checked."""

from __future__ import annotations

import math
from typing import Any

from markupsafe import Markup

from swathledger.text import duration
from swathledger.units import UnitSystem, to_face, unit_symbol
from swathledger.words import Words
from swathledger.words.numbers import decimal, shown


def layout_words(label: str, t: Words, *, sentence: bool = False) -> Markup:
    """A replayed layout in plain words; one that the machine file names keeps its name."""
    known = label if label in {"boom", "nozzle", "limit"} else "groups" if label.isdigit() else None
    if known is None:
        return Markup("{}").format(label)
    return t("replay.sentence." + known, n=label) if sentence else t("replay.name." + known, n=label)


class Figures:
    """The numbers of one document in one unit system.

    Parameters
    ----------
    document : dict
        As in ``ledger.json``.
    system : {"metric", "us"}
    """

    def __init__(self, document: dict[str, Any], system: UnitSystem, t: Words) -> None:
        self.document = document
        self.system = system
        self.t = t

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
        if kind == "money" and value is not None:
            return self.money(path, self.get("product/currency"), 2 if digits is None else digits)
        return self._marked(path, kind, value, digits, unit=unit)

    def money(self, path: str, currency: str | None, digits: int = 2) -> Markup:
        """An amount of money."""
        value = self.get(path)
        words = self.t("unknown") if value is None else f"{decimal(value, digits)}\u00a0{currency or ''}".rstrip()
        return self.element(path, "money", value, words)

    def amount(self, path: str, measure: str, digits: int = 2) -> Markup:
        """An amount of product, L or kg: gallons or pounds in US units."""
        return self.number(path, "volume" if measure == "L" else "mass", digits)

    def share(self, part: str, whole: str, digits: int = 0) -> Markup:
        """One number in per cent of another."""
        a, b = self.get(part), self.get(whole)
        value = 100.0 * a / b if a is not None and b else None
        return self._marked(f"{part} of {whole}", "pct", value, digits)

    def _marked(self, key: str, kind: str, value: float | None, digits: int | None, *, unit: bool = True) -> Markup:
        known = value is not None and not math.isnan(value)
        words = shown(kind, value, self.system, digits, unit=unit) if known else self.t("unknown")
        return self.element(key, kind, value, words)

    @staticmethod
    def element(key: str, kind: str, value: float | None, words: str) -> Markup:
        """A data element: the SI value for machines, the words for people."""
        machine = "" if value is None else f"{value:.12g}"
        return Markup('<data value="{}" data-key="{}" data-kind="{}">{}</data>').format(machine, key, kind, words)

    def duration(self, path: str) -> str:
        """Hours, minutes and seconds at a path."""
        value = self.get(path)
        return duration(value, self.t("unknown"))

    def clock(self, moment: str | None) -> str:
        """Date and minute of an ISO 8601 time in UTC."""
        return self.t("unknown") if moment is None else f"{moment[:10]} {moment[11:16]} UTC"

    def symbol(self, kind: str) -> str:
        """Unit that a kind of quantity is shown in."""
        return unit_symbol(kind, self.system)

    def face(self, kind: str, value: float) -> float:
        """A value in the unit shown."""
        return to_face(kind, value, self.system)
