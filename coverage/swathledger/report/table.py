"""``ledger.csv``: every number of ``ledger.json`` in long form, one quantity a row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any, Final

_NAMED_BY: Final = ("label", "name", "cause", "reason")
_SUFFIXES: Final = (
    ("volume_per_covered_ha_l", "L/ha"), ("set_rate_l_m2", "L/m2"), ("_per_m", "1/m"), ("_m2", "m2"), ("_pct", "%"),
    ("_deg", "deg"), ("_m_s", "m/s"), ("_l", "L"), ("_m", "m"), ("_s", "s"),
)
_DANGEROUS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def unit_of(quantity: str) -> str:
    """Unit of a quantity from the end of its name; ``"1"`` for counts and ratios.

    Examples
    --------
    >>> unit_of("area.overlap_m2"), unit_of("quality.epochs")
    ('m2', '1')
    """
    return next((unit for suffix, unit in _SUFFIXES if quantity.endswith(suffix)), "1")


def inert(text: str) -> str:
    """Text that a spreadsheet will not run as a formula, on one line.

    Examples
    --------
    >>> inert("=1+1"), inert("north")
    ("'=1+1", 'north')
    """
    line = " ".join(text.splitlines()) if not text.isprintable() else text
    return f"'{line}" if text.startswith(_DANGEROUS) or line.startswith(_DANGEROUS) else line


def _member_name(item: Any) -> str | None:
    names = [item.get(key) for key in _NAMED_BY] if isinstance(item, dict) else []
    return next((name for name in names if isinstance(name, str) and name), None)


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Quantities of a document with their dotted names.

    Members of a list are named by their ``label``, ``name``, ``cause`` or ``reason`` where they have one, else by
    number from 1.
    """
    if isinstance(value, dict):
        for key, item in value.items():
            yield from flat(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for number, item in enumerate(value, start=1):
            yield from flat(item, f"{path}.{_member_name(item) or number}")
    else:
        yield path, value


def ledger_csv(document: dict[str, Any]) -> bytes:
    """UTF-8 text of ``ledger.csv``: ``quantity,value,unit``; what is not known has an empty value."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("quantity", "value", "unit"))
    for quantity, value in flat(document):
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            shown = "" if value is None else str(value).lower() if isinstance(value, bool) else inert(value)
            unit = unit_of(quantity) if value is None and unit_of(quantity) != "1" else ""
        else:
            shown, unit = repr(value), unit_of(quantity)
        writer.writerow((inert(quantity), shown, unit))
    return out.getvalue().encode()
