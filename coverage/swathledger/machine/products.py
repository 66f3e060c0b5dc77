"""Products (``[[products]]``), in machine files and in the manifest of a season: checks, metric units, precedence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from swathledger.machine.validation import Fault, Path, show
from swathledger.units import KG_PER_LB, L_PER_GAL, M2_PER_HA, Unit, units_of

_PER = {"ha": ("L", "mL", "kg", "g"), "ac": ("gal", "qt", "pt", "fl oz", "lb", "oz")}
_AMOUNTS = {unit.symbol: unit for unit in (*units_of("volume"), *units_of("mass"))}
PRODUCT_UNITS: dict[str, tuple[Unit, Unit]] = {
    f"{amount}/{area.symbol}": (_AMOUNTS[amount], area)
    for area in units_of("area")
    for amount in _PER.get(area.symbol, ())
}
"""A product's unit: that of its amount, and that of the ground."""


def product_faults(raw: Mapping[str, Any], at: Path = ()) -> Iterator[Fault]:
    """Faults of the table's ``products`` that show only when keys are seen together; ``at``: where the table stands."""
    products = raw.get("products")
    for index, product in enumerate(products if isinstance(products, list) else []):
        if not isinstance(product, Mapping):
            continue
        unit, path = product.get("unit"), (*at, "products", index)
        if unit is None and ("rate" in product or "label_maximum_rate" in product or "price" in product):
            yield Fault((*path, "unit"), 'is missing; rate, price and label_maximum_rate need it, as in "L/ha".')
        contents = [key for key in product if re.fullmatch(r"active_ingredient_(g_l|g_kg|lb_gal)", key)]
        if len(contents) > 1:
            yield Fault((*path, contents[1]), f"{contents[0]} is given too; give one of them.")
        dry = isinstance(unit, str) and unit in {"kg/ha", "g/ha", "lb/ac", "oz/ac"}
        for key in contents[:1]:
            if isinstance(unit, str) and dry != (key == "active_ingredient_g_kg"):
                kind = "weight" if dry else "volume"
                yield Fault((*path, key), f"does not fit a product measured by {kind} (unit {show(unit)}).")
        currency = product.get("currency")
        if isinstance(currency, str) and currency and not re.fullmatch(r"[A-Z]{3}", currency):
            yield Fault((*path, "currency"), f'found {show(currency)}; must be a code of three capitals, as in "ABC".')


def product_table(table: Mapping[str, Any]) -> dict[str, object]:
    """One product in L/ha or kg/ha, its price per L or kg, its active ingredient in g per L or g per kg."""
    out = dict(table)
    unit = out.get("unit")
    if unit is not None:
        amount, area = PRODUCT_UNITS[unit]
        for key in ("rate", "label_maximum_rate"):
            if key in out:
                out[key] = amount.inside(out[key]) * M2_PER_HA / area.si_per_unit
        if "price" in out:
            out["price"] = out["price"] / amount.si_per_unit
        out["unit"] = "kg/ha" if amount.dimension == "mass" else "L/ha"
    if "active_ingredient_lb_gal" in out:
        out["active_ingredient_g_l"] = out.pop("active_ingredient_lb_gal") * KG_PER_LB * 1e3 / L_PER_GAL
    return out


def with_products(
    base: Sequence[Mapping[str, object]], over: Sequence[Mapping[str, object]]
) -> tuple[dict[str, object], ...]:
    """Products of two lists by name, without regard to case: those of ``over`` replace whole tables of ``base``.

    Examples
    --------
    >>> with_products([{"name": "a", "price": 1.0}, {"name": "b"}], [{"name": "A"}, {"name": "c"}])
    ({'name': 'A'}, {'name': 'b'}, {'name': 'c'})
    """
    out = {str(item["name"]).strip().casefold(): dict(item) for item in base}
    out |= {str(item["name"]).strip().casefold(): dict(item) for item in over}
    return tuple(out.values())
