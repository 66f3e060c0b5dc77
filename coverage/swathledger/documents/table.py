"""``ledger.csv``: every number of ``ledger.json`` in long form, one quantity a row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from typing import Any, Final

from swathledger.documents.document import plain
from swathledger.documents.ledger import Ledger
from swathledger.text import inert

_NAMED_BY: Final = ("label", "name", "cause", "reason", "step")
_SUFFIXES: Final = (
    ("volume_per_covered_ha_l", "L/ha"),
    ("rate_l_m2", "L/m2"),
    ("cost_per_l", "{money}/L"),
    ("cost_per_m2", "{money}/m2"),
    ("_per_m2", "{measure}/m2"),
    ("_per_unit", "g/{measure}"),
    ("_per_m", "1/m"),
    ("_m2", "m2"),
    ("_pct", "%"),
    ("_deg", "deg"),
    ("latitude", "deg"),
    ("longitude", "deg"),
    ("_m_s", "m/s"),
    ("_l", "L"),
    ("_m", "m"),
    ("_s", "s"),
    ("_g", "g"),
    ("money", "{money}"),
    (".price", "{money}/{measure}"),
    (".amount", "{measure}"),
)


def unit_of(quantity: str, money: str = "money", measure: str = "L or kg") -> str:
    """Unit of a quantity from the end of its name; ``"1"`` for counts and ratios.

    Parameters
    ----------
    money : str
        Currency that amounts of money are in.
    measure : str
        Measure of the product that a quantity belongs to.

    Examples
    --------
    >>> unit_of("area.overlap_m2"), unit_of("quality.epochs")
    ('m2', '1')
    """
    unit = next((unit for suffix, unit in _SUFFIXES if quantity.endswith(suffix)), "1")
    return unit.format(money=money, measure=measure)


def _member_name(item: Any) -> str | None:
    names = [item.get(key) for key in _NAMED_BY] if isinstance(item, dict) else []
    return next((name for name in names if isinstance(name, str) and name), None)


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Quantities of a document with their dotted names.

    Members of a list are named by their ``label``, ``name``, ``cause`` or ``reason`` where they have one, else by
    number from 1 (also where two members have the same name).
    """
    if isinstance(value, dict):
        for key, item in value.items():
            yield from flat(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        names = [_member_name(item) for item in value]
        for number, (item, name) in enumerate(zip(value, names, strict=True), start=1):
            alone = name is not None and names.count(name) == 1
            yield from flat(item, f"{path}.{name if alone else number}")
    else:
        yield path, value


def long_form(values: dict[str, Any], money: str = "money", measures: Mapping[str, str] | None = None) -> bytes:
    """UTF-8 text ``quantity,value,unit`` of plain values; what is not known has an empty value.

    Parameters
    ----------
    values : dict
        As :func:`swathledger.documents.document.plain` gives them.
    money : str
        Currency of amounts of money.
    measures : mapping of str to str, optional
        Measure of the product that quantities with this beginning belong to.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("quantity", "value", "unit"))
    for quantity, value in flat(values):
        measure = next((m for start, m in (measures or {}).items() if quantity.startswith(start)), "L or kg")
        unit = unit_of(quantity, money, measure)
        if isinstance(value, (str, bool)):
            shown, unit = inert(value) if isinstance(value, str) else str(value).lower(), ""
        elif value is None:
            shown, unit = "", "" if unit == "1" else unit
        else:
            shown = repr(value)
        writer.writerow((inert(quantity), shown, unit))
    return out.getvalue().encode()


def ledger_csv(ledger: Ledger) -> bytes:
    """UTF-8 text of ``ledger.csv``; see :func:`long_form`."""
    if ledger.product is None:
        return long_form(plain(ledger))
    products = ledger.product.products
    names = [product.name for product in products]
    measures = {
        f"product.products.{product.name if names.count(product.name) == 1 else number}.": product.measure
        for number, product in enumerate(products, start=1)
    }
    return long_form(plain(ledger), ledger.product.currency or "money", measures)
