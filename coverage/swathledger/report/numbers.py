"""Numbers on a page: each is looked up in ``ledger.json`` by its path and marked with it, so that it can be checked."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from swathledger.units import QUANTITIES, UNKNOWN, UnitSystem, to_face
from swathledger.words.numbers import plain, shown


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
