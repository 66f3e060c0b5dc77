"""The table ``product`` of ``ledger.json``: what of each product went where, its money and active ingredient."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from swathledger.money.account import OVER, PLACES, SMALLEST_SPOT_M2, ProductAccount, ProductBook
from swathledger.money.label import CAUTION as LABEL_CAUTION
from swathledger.money.product import ProductUse

CAUTION = (
    "Computed from what the log and the machine file say; no spray record and no advice. The product label and local "
    "law come first."
)
_ON_GROUND = tuple(place for place in PLACES if place != "standing")


def _sum(values: Iterable[float | None]) -> float | None:
    """Sum; None where one is not known."""
    listed = list(values)
    known = [value for value in listed if value is not None]
    return math.fsum(known) if len(known) == len(listed) else None


def _use(uses: Iterable[ProductUse]) -> dict[str, float | None]:
    listed = list(uses)
    return {
        "amount": _sum(use.amount for use in listed),
        "money": _sum(use.money for use in listed),
        "active_g": _sum(use.active_g for use in listed),
    }


def _book(book: ProductBook) -> dict[str, Any]:
    product, label = book.product, book.label
    return {
        "name": product.name,
        "measure": product.measure,
        "rate_per_m2": product.rate_per_m2,
        "price": product.price,
        "currency": product.currency,
        "active_ingredient": product.active_ingredient,
        "active_g_per_unit": product.active_g_per_unit,
        "applied": _use(book.use[place] for place in _ON_GROUND),
        "over_applied": _use(book.use[place] for place in OVER),
        "standing": _use([book.use["standing"]]),
        "place": [
            {
                "name": place,
                "spray_l": book.spray_l[place],
                "area_m2": book.area_m2.get(place),
                **_use([book.use[place]]),
            }
            for place in PLACES
        ],
        "label": {
            "maximum_per_m2": label.label_max_per_m2,
            "over_m2": label.area_m2,
            "highest_per_m2": label.highest_per_m2,
            "highest_on_at_least_m2": SMALLEST_SPOT_M2,
        },
    }


def product_table(account: ProductAccount | None) -> dict[str, Any] | None:
    """Products of a job; amounts in L or kg (``measure``), money in ``currency``, absent knowledge null."""
    if account is None:
        return None
    books = [_book(book) for book in account.books]

    def total(part: str) -> dict[str, float | None]:
        return {
            "money": _sum(book[part]["money"] for book in books),
            "active_g": _sum(book[part]["active_g"] for book in books),
        }

    return {
        "currency": account.currency,
        "basis": account.basis,
        "spray_rate_l_m2": account.tank.spray_rate_l_m2,
        "spray_rate_source": account.tank.spray_rate_source,
        "changed_during_job": not account.tank.whole,
        "cost_per_l": account.cost_per_l,
        "cost_per_m2": account.cost_per_m2,
        "products": books,
        "applied": total("applied"),
        "over_applied": total("over_applied"),
        "standing": total("standing"),
        "notes": list(account.tank.notes),
        "label_caution": LABEL_CAUTION,
        "caution": CAUTION,
    }
