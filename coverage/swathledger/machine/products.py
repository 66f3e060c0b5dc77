"""Products (``[[products]]``), in machine files and in the manifest of a season: as written, and as carried."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from swathledger.errors import InputError
from swathledger.machine.keys import key
from swathledger.units import Unit, units_of

_PER = {"ha": ("L", "mL", "kg", "g"), "ac": ("gal", "qt", "pt", "fl oz", "lb", "oz")}
_AMOUNTS = {unit.symbol: unit for unit in (*units_of("volume"), *units_of("mass"))}
PRODUCT_UNITS: dict[str, tuple[Unit, Unit]] = {
    f"{amount}/{area.symbol}": (_AMOUNTS[amount], area)
    for area in units_of("area")
    for amount in _PER.get(area.symbol, ())
}
"""A product's unit: that of its amount, and that of the ground."""


Measure = Literal["L", "kg"]
_CURRENCY = re.compile(r"[A-Z]{3}")


def check_currency(code: str) -> str:
    """Return a currency code of three capital letters (the form of ISO 4217), or raise InputError."""
    if not _CURRENCY.fullmatch(code):
        raise InputError(f"found {code!r}.", column="currency", hint='Use a code of three capitals, as in "ABC".')
    return code


def not_negative(name: str, value: float | None) -> None:
    """Raise where a known value is negative or not finite."""
    if value is not None and not 0 <= value < math.inf:
        raise InputError(f"must not be negative, found {value!r}.", column=name)


@dataclass(frozen=True, slots=True)
class Product:
    """One product in a tank. None is "not known", never zero.

    Attributes
    ----------
    measure : {"L", "kg"}
        What it is bought and metered by.
    rate_per_m2 : float or None
        Rate of one application, L/m2 or kg/m2.
    price : float or None
        For one L or kg, in ``currency``.
    currency : str or None
        Three capitals.
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
        for name in ("rate_per_m2", "price", "active_g_per_unit", "label_max_per_m2"):
            not_negative(f"{self.name}: {name}", getattr(self, name))
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


@dataclass(frozen=True, slots=True)
class ProductTable:
    """One ``[[products]]`` table as the user writes it."""

    name: str = key("what to call it", "", needed=True)
    unit: str | None = key("of rate, price and maximum, which need it", choices=tuple(PRODUCT_UNITS))
    rate: float | None = key("product per area", above=0, shown="in `unit`")
    label_maximum_rate: float | None = key("the label's maximum", above=0, shown="in `unit`")
    price: float | None = key(
        'for one of the unit\'s first part: with `"pt/ac"`, for one pint',
        least=0,
        shown="money per L, mL, kg, g, gal, ...",
    )
    currency: str | None = key("no conversion is made", shown="three capitals")
    active_ingredient: str | None = key("its name")
    active_ingredient_g_l: float | None = key("content of a liquid", above=0)
    active_ingredient_g_kg: float | None = key("content of a product sold by weight", above=0, most=1000)

    def faults(self) -> Iterator[tuple[str, str]]:
        """Keys and words of what does not fit together."""
        if self.unit is None and (self.rate, self.label_maximum_rate, self.price) != (None, None, None):
            yield "unit", 'is missing; rate, price and label_maximum_rate need it, as in "L/ha".'
        if self.active_ingredient_g_l is not None and self.active_ingredient_g_kg is not None:
            yield "active_ingredient_g_kg", "active_ingredient_g_l is given too; give one of them."
        elif self.unit is not None:
            dry = PRODUCT_UNITS[self.unit][0].dimension == "mass"
            wrong = "active_ingredient_g_l" if dry else "active_ingredient_g_kg"
            if getattr(self, wrong) is not None:
                kind = "weight" if dry else "volume"
                yield wrong, f'does not fit a product measured by {kind} (unit "{self.unit}").'
        if self.currency is not None and not _CURRENCY.fullmatch(self.currency):
            yield "currency", f'found "{self.currency}"; must be a code of three capitals, as in "ABC".'

    def product(self) -> Product:
        """The product in SI."""
        amount, area = PRODUCT_UNITS[self.unit or "L/ha"]

        def on_ground(rate: float | None) -> float | None:
            return None if rate is None else amount.inside(rate) / area.si_per_unit

        dry = amount.dimension == "mass"
        return Product(
            name=self.name,
            measure="kg" if dry else "L",
            rate_per_m2=on_ground(self.rate),
            price=None if self.price is None else self.price / amount.si_per_unit,
            currency=self.currency,
            active_ingredient=self.active_ingredient,
            active_g_per_unit=self.active_ingredient_g_kg if dry else self.active_ingredient_g_l,
            label_max_per_m2=on_ground(self.label_maximum_rate),
        )


def with_products(base: Sequence[Product], over: Sequence[Product]) -> tuple[Product, ...]:
    """Products of two lists by name, without regard to case: those of ``over`` replace those of ``base``.

    Examples
    --------
    >>> found = with_products([Product("a", price=1.0), Product("b")], [Product("A"), Product("c")])
    >>> [(product.name, product.price) for product in found]
    [('A', None), ('b', None), ('c', None)]
    """
    out = {product.name.strip().casefold(): product for product in base}
    out |= {product.name.strip().casefold(): product for product in over}
    return tuple(out.values())
