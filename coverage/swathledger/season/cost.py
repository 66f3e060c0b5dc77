"""What the over-applied spray of a job was worth, where the machine file prices its products."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from swathledger.errors import InputError

if TYPE_CHECKING:
    from swathledger.machine.carrier import Machine
    from swathledger.money.product import TankMix


@dataclass(frozen=True, slots=True)
class Cost:
    """Money of one job; None where not known, never zero.

    Attributes
    ----------
    currency : str or None
    applied, over_applied : float or None
        Worth of what was sprayed, and of what of it was over-application.
    basis : {"litres", "area"} or None
        From litres, or from areas at the products' set rates where litres are not known.
    """

    currency: str | None = None
    applied: float | None = None
    over_applied: float | None = None
    basis: Literal["litres", "area"] | None = None


UNKNOWN = Cost()


def _words(name: str) -> set[str]:
    return {part.strip().casefold() for part in re.split(r"[+/;,&|]", name) if part.strip()}


def tank_mix(machine: Machine, product: str) -> TankMix | None:
    """The products of a job: those of the machine file that the log names, or all where it names none.

    None where there are none, or where the log names one that the machine file does not have.
    """
    from swathledger.money.product import TankMix, product_from_mapping

    try:
        products = [product_from_mapping(table) for table in machine.products]
        if product:
            names = _words(product) | {product.strip().casefold()}
            chosen = [item for item in products if item.name.strip().casefold() in names]
            whole = any(item.name.strip().casefold() == product.strip().casefold() for item in chosen)
            if not whole and len(chosen) < len(_words(product)):
                return None
            products = chosen
        return TankMix(tuple(products), machine.set_rate_l_m2) if products else None
    except InputError:
        return None


def cost_of(document: dict[str, Any], machine: Machine | None, product: str) -> Cost:
    """Money of a job from its ledger.

    Parameters
    ----------
    document : dict
        Of ``ledger.json``.
    machine : Machine or None
    product : str
        As the log names it; "" where it names none.
    """
    from swathledger.money.product import total_money

    mix = None if machine is None else tank_mix(machine, product)
    if mix is None:
        return UNKNOWN
    volume, area = document["volume"], document["area"]
    if volume is not None and mix.spray_rate_l_m2 is not None and volume["over_applied_l"] is not None:
        applied = total_money(mix.in_spray(max(volume["applied_l"], 0.0)))
        over = total_money(mix.in_spray(max(volume["over_applied_l"], 0.0)))
        basis: Literal["litres", "area"] = "litres"
    else:
        applied = total_money(mix.on_area(area["applied_m2"]))
        over = total_money(mix.on_area(area["over_application_m2"]))
        basis = "area"
    if over is None:
        return UNKNOWN
    return Cost(mix.currency, applied, over, basis)
