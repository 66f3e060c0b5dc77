"""Products (``[[products]]``), in machine files and in the manifest of a season: checks, metric units, precedence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from swathledger.machine.validation import Fault, Path, show
from swathledger.units import KG_PER_LB, L_PER_GAL, M2_PER_AC

#: Factor from a product's unit to L/ha or kg/ha.
_PRODUCT_UNITS: dict[str, tuple[float, str]] = {
    "L/ha": (1.0, "L/ha"),
    "mL/ha": (1e-3, "L/ha"),
    "kg/ha": (1.0, "kg/ha"),
    "g/ha": (1e-3, "kg/ha"),
    "gal/ac": (L_PER_GAL * 1e4 / M2_PER_AC, "L/ha"),
    "qt/ac": (L_PER_GAL / 4 * 1e4 / M2_PER_AC, "L/ha"),
    "pt/ac": (L_PER_GAL / 8 * 1e4 / M2_PER_AC, "L/ha"),
    "fl oz/ac": (L_PER_GAL / 128 * 1e4 / M2_PER_AC, "L/ha"),
    "lb/ac": (KG_PER_LB * 1e4 / M2_PER_AC, "kg/ha"),
    "oz/ac": (KG_PER_LB / 16 * 1e4 / M2_PER_AC, "kg/ha"),
}

#: Factor from a product's unit to the L or kg that its price is for.
_PRODUCT_AMOUNTS: dict[str, float] = {
    "L/ha": 1.0,
    "mL/ha": 1e-3,
    "kg/ha": 1.0,
    "g/ha": 1e-3,
    "gal/ac": L_PER_GAL,
    "qt/ac": L_PER_GAL / 4,
    "pt/ac": L_PER_GAL / 8,
    "fl oz/ac": L_PER_GAL / 128,
    "lb/ac": KG_PER_LB,
    "oz/ac": KG_PER_LB / 16,
}


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
        factor, metric = _PRODUCT_UNITS[unit]
        for key in ("rate", "label_maximum_rate"):
            if key in out:
                out[key] = out[key] * factor
        if "price" in out:
            out["price"] = out["price"] / _PRODUCT_AMOUNTS[unit]
        out["unit"] = metric
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
