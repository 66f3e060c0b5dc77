"""Products and tank mixes: what an area or a volume of spray holds of each, what it costs, grams of active ingredient.

Money is in the user's own currency, named by its three-letter code and never converted.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from swathledger.errors import InputError
from swathledger.units import M2_PER_HA

Measure = Literal["L", "kg"]


def check_currency(code: str) -> str:
    """Return a currency code of three capital letters (the form of ISO 4217), or raise InputError."""
    if not re.fullmatch(r"[A-Z]{3}", code):
        raise InputError(f"found {code!r}.", column="currency", hint='Use a code of three capitals, as in "ABC".')
    return code


def _not_negative(name: str, value: float | None) -> None:
    if value is not None and not 0 <= value < math.inf:
        raise InputError(f"must not be negative, found {value!r}.", column=name)


@dataclass(frozen=True, slots=True)
class Product:
    """One product in a tank. None is "not known", never zero.

    Attributes
    ----------
    name : str
    measure : {"L", "kg"}
        What it is bought and metered by.
    rate_per_m2 : float or None
        Rate of one application, L/m2 or kg/m2.
    price : float or None
        For one L or kg, in ``currency``.
    currency : str or None
        Three capitals.
    active_ingredient : str or None
    active_g_per_unit : float or None
        Grams of active ingredient in one L or kg.
    label_max_per_m2 : float or None
        Highest summed rate that the label allows, as the user entered it, L/m2 or kg/m2.
    """

    name: str
    measure: Measure = "L"
    rate_per_m2: float | None = None
    price: float | None = None
    currency: str | None = None
    active_ingredient: str | None = None
    active_g_per_unit: float | None = None
    label_max_per_m2: float | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a product needs a name.", column="name")
        for key in ("rate_per_m2", "price", "active_g_per_unit", "label_max_per_m2"):
            _not_negative(f"{self.name}: {key}", getattr(self, key))
        if self.measure == "kg" and self.active_g_per_unit is not None and self.active_g_per_unit > 1000:
            raise InputError(
                f"{self.name}: a kilogram cannot hold {self.active_g_per_unit:g} g.", column="active_g_per_unit"
            )
        if self.currency is not None:
            check_currency(self.currency)

    @property
    def cost_per_m2(self) -> float | None:
        """Money for one application on one m2; None where rate or price is not known."""
        return None if self.rate_per_m2 is None or self.price is None else self.rate_per_m2 * self.price


def product_from_mapping(table: Mapping[str, Any], *, currency: str | None = None) -> Product:
    """Build a `Product` from a checked product table with metric units (`Machine.products`).

    Parameters
    ----------
    table : mapping
        Keys ``name``, ``unit`` ("L/ha" or "kg/ha"), ``rate``, ``label_maximum_rate`` (in that unit), ``price`` (for one
        L or kg), ``currency``, ``active_ingredient``, ``active_ingredient_g_l`` or ``active_ingredient_g_kg``.
    currency : str, optional
        Used where the table names none.

    Raises
    ------
    InputError
        For a unit that is not metric or a value out of range.
    """
    unit = str(table.get("unit") or "L/ha")
    if unit not in {"L/ha", "kg/ha"}:
        raise InputError(f"found {unit!r}.", column="unit", hint="Use L/ha or kg/ha here.")
    measure: Measure = "kg" if unit == "kg/ha" else "L"

    def number(key: str, divisor: float = 1.0) -> float | None:
        value = table.get(key)
        return None if value is None else float(value) / divisor

    return Product(
        name=str(table["name"]),
        measure=measure,
        rate_per_m2=number("rate", M2_PER_HA),
        price=number("price"),
        currency=table.get("currency") or (currency if table.get("price") is not None else None),
        active_ingredient=table.get("active_ingredient"),
        active_g_per_unit=number("active_ingredient_g_kg" if measure == "kg" else "active_ingredient_g_l"),
        label_max_per_m2=number("label_maximum_rate", M2_PER_HA),
    )


@dataclass(frozen=True, slots=True)
class ProductUse:
    """How much of one product.

    Attributes
    ----------
    name : str
    measure : {"L", "kg"}
    amount : float or None
        L or kg.
    money : float or None
    active_g : float or None
        Grams of active ingredient.
    """

    name: str
    measure: Measure
    amount: float | None
    money: float | None
    active_g: float | None


@dataclass(frozen=True, slots=True)
class TankMix:
    """Products that are sprayed together.

    Attributes
    ----------
    products : tuple of Product
        Names differ; those with a price share one currency.
    spray_rate_l_m2 : float or None
        Spray (carrier and products together) of one application, L/m2.
    """

    products: tuple[Product, ...]
    spray_rate_l_m2: float | None = None

    def __post_init__(self) -> None:
        names = [product.name for product in self.products]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise InputError(f"in the tank twice: {', '.join(twice)}.", column="products")
        if self.spray_rate_l_m2 is not None and not 0 < self.spray_rate_l_m2 < math.inf:
            raise InputError(f"must be a positive number, found {self.spray_rate_l_m2!r}.", column="spray_rate_l_m2")
        codes = sorted({product.currency for product in self.products if product.currency is not None})
        if len(codes) > 1:
            raise InputError(
                f"prices are in {' and '.join(codes)}.",
                column="currency",
                hint="Give all prices in one currency; none is converted.",
            )

    @property
    def currency(self) -> str | None:
        """The one currency of the prices; None where none is named."""
        return next((product.currency for product in self.products if product.currency is not None), None)

    @property
    def cost_per_m2(self) -> float | None:
        """Money for one application on one m2; None where any product's is not known, or there are no products."""
        return _sum(product.cost_per_m2 for product in self.products)

    @property
    def cost_per_l(self) -> float | None:
        """Money in one litre of spray; None where not known."""
        cost = self.cost_per_m2
        return None if cost is None or self.spray_rate_l_m2 is None else cost / self.spray_rate_l_m2

    def on_area(self, area_m2: float) -> tuple[ProductUse, ...]:
        """What ``area_m2`` treated once at the set rate holds of each product (areas treated n times count n times).

        This takes the set rate as the dose; use `in_spray` where litres are known.
        """
        _not_negative("area_m2", area_m2)
        return tuple(_use(product, area_m2) for product in self.products)

    def in_spray(self, spray_l: float | None) -> tuple[ProductUse, ...]:
        """What ``spray_l`` litres of spray hold of each product; amounts are None where spray rate or litres are."""
        _not_negative("spray_l", spray_l)
        area = None if spray_l is None or self.spray_rate_l_m2 is None else spray_l / self.spray_rate_l_m2
        return tuple(_use(product, area) for product in self.products)


def _use(product: Product, area_m2: float | None) -> ProductUse:
    amount = None if area_m2 is None or product.rate_per_m2 is None else product.rate_per_m2 * area_m2
    return ProductUse(
        name=product.name,
        measure=product.measure,
        amount=amount,
        money=None if amount is None or product.price is None else amount * product.price,
        active_g=None if amount is None or product.active_g_per_unit is None else amount * product.active_g_per_unit,
    )


def _sum(values: Iterable[float | None]) -> float | None:
    """Sum of all; None where one is not known, or there are none."""
    listed = list(values)
    known = [value for value in listed if value is not None]
    return math.fsum(known) if listed and len(known) == len(listed) else None


def total_money(uses: Iterable[ProductUse]) -> float | None:
    """Money of all products together; None where one is not known, or there are none."""
    return _sum(use.money for use in uses)


def total_active_g(uses: Iterable[ProductUse]) -> float | None:
    """Grams of active ingredient of all products together; None where one is not known, or there are none."""
    return _sum(use.active_g for use in uses)
