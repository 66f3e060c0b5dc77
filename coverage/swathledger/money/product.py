"""Tank mixes: what an area or a volume of spray holds of each, what it costs, grams of active ingredient.

Money is in the user's own currency, named by its three-letter code and never converted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from swathledger.errors import InputError
from swathledger.machine.products import Measure, Product, not_negative


@dataclass(frozen=True, slots=True)
class ProductUse:
    """How much of one product.

    Attributes
    ----------
    measure : {"L", "kg"}
    amount : float or None
        L or kg.
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
        not_negative("area_m2", area_m2)
        return tuple(_use(product, area_m2) for product in self.products)

    def in_spray(self, spray_l: float | None) -> tuple[ProductUse, ...]:
        """What ``spray_l`` litres of spray hold of each product; amounts are None where spray rate or litres are."""
        not_negative("spray_l", spray_l)
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
