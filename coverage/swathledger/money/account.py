"""Products of a job by place: litres or kilograms, money, grams of active ingredient, and ground over the label."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting, BandRaster
from swathledger.ledger.place import Placed, place_drive, ribbons_kept
from swathledger.machine.products import Product
from swathledger.money.product import ProductUse, TankMix
from swathledger.money.tank import Tank, tank_of

if TYPE_CHECKING:
    from swathledger.log.log import Log
    from swathledger.machine.machine import Machine
    from swathledger.swath.swath import Swath

PLACES = ("target", "overlap", "outside", "excluded", "standing")
"""Where product went; over-application is overlap, outside and excluded."""
OVER = ("overlap", "outside", "excluded")
_AREAS = {"target": "covered", "overlap": "overlap_extra", "outside": "outside", "excluded": "excluded"}
_STEPS = 10_000
SMALLEST_SPOT_M2 = 10.0
"""The highest dose is that of at least so much ground: smaller spots, such as a start from rest, say nothing."""
DOSE_ACCURACY = 1e-5
"""Cells keep doses in single precision: a dose this close above the maximum counts as equal to it."""


@dataclass(frozen=True, slots=True)
class OverLabel:
    """One product against its label maximum.

    Attributes
    ----------
    label_max_per_m2 : float or None
        L/m2 or kg/m2; None: not entered.
    area_m2 : float or None
        Ground whose summed dose is above it, m2; None where the maximum or a dose is not known.
    highest_per_m2 : float or None
        Highest summed dose on any ground, L/m2 or kg/m2; None where a dose is not known.
    """

    name: str
    label_max_per_m2: float | None
    area_m2: float | None
    highest_per_m2: float | None


def highest_step(steps: NDArray[np.int64], cells: float) -> int:
    """Highest class of a count of cells by dose that is reached on at least ``cells`` cells (and one); 0: none is."""
    held = np.flatnonzero(np.cumsum(steps[::-1])[::-1] >= max(cells, 1.0))
    return int(held[-1]) if held.shape[0] else 0


@dataclass(slots=True)
class DoseSink:
    """Counts, band by band, the cells whose summed dose is above a limit.

    Attributes
    ----------
    limits : (k,) float64
        Summed dose, in units of the set rate that the bands are in; infinity for no limit.
    over : (k,) int64
        Cells above each limit so far. Equal (to 1e-5) is not above.
    steps : (m,) int64
        Cells by summed dose in steps of 1 % of the set rate, those above 100 times the set rate in the last.
    """

    limits: NDArray[np.float64]
    over: NDArray[np.int64]
    steps: NDArray[np.int64]

    @classmethod
    def of(cls, limits: NDArray[np.float64]) -> DoseSink:
        """A sink that has seen nothing."""
        return cls(limits, np.zeros(limits.shape[0], dtype=np.int64), np.zeros(_STEPS + 1, dtype=np.int64))

    def __call__(self, band: BandRaster) -> None:
        """Take one band's own rows."""
        dose = band.dose[band.count > 0]
        if dose.shape[0] == 0:
            return
        step = np.minimum(np.rint(dose * 100.0), _STEPS).astype(np.int64)
        self.steps += np.bincount(step, minlength=_STEPS + 1)
        for index, limit in enumerate(self.limits.tolist()):
            if np.isfinite(limit):
                self.over[index] += int(np.count_nonzero(dose > limit * (1.0 + DOSE_ACCURACY)))

    def highest(self, cells: float) -> float:
        """Highest summed dose, in units of the set rate, on at least ``cells`` cells; 0 where fewer are treated."""
        return highest_step(self.steps, cells) / 100.0


@dataclass(frozen=True, slots=True)
class ProductBook:
    """One product of a job.

    Attributes
    ----------
    spray_l : mapping of place to float or None
        Litres of spray that carried it, by place.
    area_m2 : mapping of place to float
        Ground treated with it, each time counted; no entry for ``standing``.
    use : mapping of place to ProductUse
    label : OverLabel
        Summed dose of the job against the maximum entered.
    """

    product: Product
    spray_l: Mapping[str, float | None]
    area_m2: Mapping[str, float]
    use: Mapping[str, ProductUse]
    label: OverLabel


@dataclass(frozen=True, slots=True)
class ProductAccount:
    """All products of a job.

    Attributes
    ----------
    basis : {"litres", "area"}
        Amounts from the litres of spray, or, where those are unknown, from ground treated at the set rate.
    cost_per_l, cost_per_m2 : float or None
        Money of all products in one litre of spray, and for one application on one m2; None where any price or rate
        is not known. With products that change during the job the mean over its litres.
    """

    books: tuple[ProductBook, ...]
    tank: Tank
    basis: str
    currency: str | None
    cost_per_l: float | None
    cost_per_m2: float | None

    def saved_money(self, saved_l: float | None, saved_m2: float) -> float | None:
        """Money of products in litres saved, or, where litres are unknown, on ground treated once less."""
        if saved_l is not None:
            return None if self.cost_per_l is None else saved_l * self.cost_per_l
        return None if self.cost_per_m2 is None or self.basis != "area" else saved_m2 * self.cost_per_m2


@dataclass(frozen=True, slots=True)
class ProductPlan:
    """What must be asked of the accounting before it runs; see :func:`plan_products`.

    Attributes
    ----------
    sink : DoseSink or None
        To be shown the job's own bands. None: those would not tell the dose, and the products are painted once more.
    """

    tank: Tank
    sink: DoseSink | None


def _limits(
    products: tuple[Product, ...], rate_of_bands: float | None, spray_rate: float | None
) -> NDArray[np.float64]:
    """Label maxima in units of the bands' set rate; infinity where there is none."""
    out = np.full(len(products), np.inf)
    # Without litres a band's dose is in applications at the product's own rate.
    scale = 1.0 if rate_of_bands is None or spray_rate is None else rate_of_bands / spray_rate
    for index, product in enumerate(products):
        if product.label_max_per_m2 is not None and product.rate_per_m2:
            out[index] = product.label_max_per_m2 / (product.rate_per_m2 * scale)
    return out


def plan_products(log: Log, machine: Machine, placed: Placed, stated: str | None = None) -> ProductPlan | None:
    """Find what was in the tank and prepare to see the doses; None where no product is known of.

    ``stated``: what the user says was in the tank, see :func:`swathledger.money.tank.tank_of`.

    Raises
    ------
    MachineError
        The machine file's products cannot be used.
    """
    swath = placed.swath
    tank = tank_of(log, machine, swath, stated)
    if tank is None:
        return None
    rate = placed.rate.constant_l_m2
    if not tank.whole or (swath.dose_l_per_m2 is not None and rate is None):
        return ProductPlan(tank, None)
    return ProductPlan(tank, DoseSink.of(_limits(tank.products, rate, tank.spray_rate_l_m2)))


def account_products(
    plan: ProductPlan, log: Log, machine: Machine, placed: Placed, accounting: Accounting, *, threads: int = 1
) -> ProductAccount:
    """Account for every product of a job.

    Where all products were in the tank all along, each takes its share of the job's litres. Where the log's product
    changes, the ground of each product is accounted for by itself: a second pass with another product is no overlap
    of either.

    Parameters
    ----------
    plan : ProductPlan
        Its sink must have seen the bands of ``accounting``.
    threads
        As for the job.
    """
    tank = plan.tank
    mixes = TankMix(tank.products, tank.spray_rate_l_m2)
    books = []
    painted: dict[bytes, tuple[Accounting, DoseSink]] = {}
    swath = placed.swath
    volume = swath.volume_l
    standing_known = standing_litres_known(log, swath)
    for index, (product, rows) in enumerate(zip(tank.products, tank.rows, strict=True)):
        one, sink, rate = accounting, plan.sink, accounting.set_rate_l_m2
        limit = _limits((product,), rate, tank.spray_rate_l_m2)
        if sink is None and (not tank.whole or np.isfinite(limit[0])):
            key = b"" if tank.whole else rows.tobytes()
            if key not in painted:
                painted[key] = _paint(log, machine, placed, rows, tank, accounting, threads)
            repainted, sink = painted[key]
            one = accounting if tank.whole else repainted
        spray: dict[str, float | None] = dict.fromkeys(PLACES)
        if one.volumes is not None and volume is not None:
            found = one.volumes
            spray = {
                "target": found.target_l,
                "overlap": found.overlap_l,
                "outside": found.outside_l,
                "excluded": found.excluded_l,
            }
            stood = swath.standing & rows[swath.epoch[:-1]]
            spray["standing"] = float(volume[stood].sum()) if standing_known else None
        area = {place: one.areas.m2(name) for place, name in _AREAS.items()}
        books.append(
            ProductBook(
                product,
                spray,
                area,
                _uses(product, tank.spray_rate_l_m2, spray, area, one.volumes is None),
                _label(index, product, plan, sink, tank, accounting),
            )
        )
    return ProductAccount(
        tuple(books),
        tank,
        "area" if accounting.volumes is None else "litres",
        mixes.currency,
        *_cost(tuple(books), mixes, tank, accounting),
    )


def standing_litres_known(log: Log, swath: Swath) -> bool:
    """Whether the litres of standing discharges are known: from logged flow, or because there are none."""
    if log.flow_l_s is not None and bool(np.isfinite(log.flow_l_s).any()):
        return True
    return not bool((swath.standing & swath.wanted).any())


def _paint(
    log: Log,
    machine: Machine,
    placed: Placed,
    rows: NDArray[np.bool_],
    tank: Tank,
    accounting: Accounting,
    threads: int,
) -> tuple[Accounting, DoseSink]:
    """Account for some rows' ground again, doses in units of the tank's spray rate."""
    swath = placed.swath
    keep = np.ones(swath.ribbon_step.shape[0], dtype=np.bool_) if tank.whole else rows[swath.epoch[swath.ribbon_step]]
    limits = np.array(
        [
            np.inf
            if product.label_max_per_m2 is None or not product.rate_per_m2
            else product.label_max_per_m2 / product.rate_per_m2
            for product in tank.products
        ]
    )
    sink = DoseSink.of(limits)
    # Without a logged rate, doses are held against the machine's set rate: here the one that product rates belong to.
    flat = replace(log, rate_l_m2=None)
    spray = replace(machine, set_rate_l_m2=tank.spray_rate_l_m2)
    part = place_drive(flat, spray, placed.field, ribbons_kept(swath, keep), accounting.areas.cell_m)
    again = account(part, tolerance_m=0.0, threads=threads, sinks=(sink,))
    return again, sink


def _uses(
    product: Product,
    spray_rate: float | None,
    spray: Mapping[str, float | None],
    area: Mapping[str, float],
    by_area: bool,
) -> dict[str, ProductUse]:
    mix = TankMix((product,), spray_rate)
    out = {}
    for place in PLACES:
        found = mix.on_area(area[place]) if by_area and place in area else mix.in_spray(spray[place])
        out[place] = found[0]
    return out


def _label(
    index: int, product: Product, plan: ProductPlan, sink: DoseSink | None, tank: Tank, accounting: Accounting
) -> OverLabel:
    if sink is None or product.rate_per_m2 is None:
        return OverLabel(product.name, product.label_max_per_m2, None, None)
    scale = 1.0
    if plan.sink is not None and accounting.set_rate_l_m2 is not None and tank.spray_rate_l_m2 is not None:
        scale = accounting.set_rate_l_m2 / tank.spray_rate_l_m2
    known = product.label_max_per_m2 is not None
    return OverLabel(
        product.name,
        product.label_max_per_m2,
        float(sink.over[index]) * accounting.areas.cell_m**2 if known else None,
        sink.highest(SMALLEST_SPOT_M2 / accounting.areas.cell_m**2) * product.rate_per_m2 * scale,
    )


def _cost(
    books: tuple[ProductBook, ...], mix: TankMix, tank: Tank, accounting: Accounting
) -> tuple[float | None, float | None]:
    if tank.whole:
        return mix.cost_per_l, mix.cost_per_m2
    if accounting.volumes is None or accounting.volumes.applied_l <= 0 or tank.spray_rate_l_m2 is None:
        return None, None
    total = 0.0
    for book in books:
        money = [book.use[place].money for place in PLACES if place != "standing"]
        if any(value is None for value in money):
            return None, None
        total += sum(value for value in money if value is not None)
    per_l = total / accounting.volumes.applied_l
    return per_l, per_l * tank.spray_rate_l_m2
