"""A retrofit as a case, its partial budget line by line, and what follows from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from swathledger.errors import InputError
from swathledger.machine.products import check_currency
from swathledger.money.payback import (
    break_even_units,
    capital_recovery,
    capital_recovery_factor,
    discounted_payback_years,
    internal_rate_of_return,
    net_present_value,
    simple_payback_years,
)
from swathledger.money.poured import PrimesKept
from swathledger.units import QUANTITIES, UnitSystem, to_face
from swathledger.words import words

Part = Literal["added income", "reduced costs", "reduced income", "added costs"]
PARTS: tuple[Part, ...] = ("added income", "reduced costs", "reduced income", "added costs")
GAINS: tuple[Part, ...] = ("added income", "reduced costs")


@dataclass(frozen=True, slots=True)
class RetrofitCase:
    """Buying a finer shutoff (and perhaps a recirculating boom), all in one currency.

    Attributes
    ----------
    price : float
        Of the retrofit, fitted.
    interest : float
        Share a year: 8 % is 0.08.
    area_a_year_m2 : float
        Ground sprayed in a year, each application counted, m2.
    product_cost_per_m2 : float
        Money of products for one application on one m2.
    saved_share : float
        Product saved as a share of what the target area needs at the set rate; may be negative.
    currency : str
        Three capitals.
    maintenance_a_year, salvage : float
        Upkeep more than today's; worth at the end of its life.
    prime_saved_l_a_year : float
        Litres of spray that priming no longer pours out in a year.
    spray_cost_per_l : float or None
        Money of products in a litre of spray; needed where ``prime_saved_l_a_year`` or ``rinse_saved_l_a_year`` is not
        0.
    other_saving_a_year : float
        Any further saving (or, negative, cost) of a year that the user states.
    rinse_saved_l_a_year : float
        Litres of spray that emptying the lines for a rinse no longer pours out in a year.
    primes_by_ground : PrimesKept or None
        How ``prime_saved_l_a_year`` follows the ground, where primes are counted by it; None: it stays as it is.
    """

    price: float
    life_years: float
    interest: float
    area_a_year_m2: float
    product_cost_per_m2: float
    saved_share: float
    currency: str
    maintenance_a_year: float = 0.0
    salvage: float = 0.0
    prime_saved_l_a_year: float = 0.0
    spray_cost_per_l: float | None = None
    other_saving_a_year: float = 0.0
    rinse_saved_l_a_year: float = 0.0
    primes_by_ground: PrimesKept | None = None

    def __post_init__(self) -> None:
        check_currency(self.currency)
        for name in (
            "price",
            "area_a_year_m2",
            "product_cost_per_m2",
            "maintenance_a_year",
            "salvage",
            "prime_saved_l_a_year",
            "rinse_saved_l_a_year",
            "interest",
        ):
            value = getattr(self, name)
            if not 0 <= value < math.inf:
                raise InputError(f"must not be negative, found {value!r}.", column=name)
        if self.interest >= 1:
            raise InputError(
                f"found {self.interest!r}, that is {100 * self.interest:g} % a year.",
                column="interest",
                hint="Give a share: 8 % is 0.08.",
            )
        if not 0 < self.life_years < math.inf:
            raise InputError(f"must be a positive number, found {self.life_years!r}.", column="life_years")
        if not -math.inf < self.saved_share <= 1:
            raise InputError(
                f"must be a share of at most 1, found {self.saved_share!r}.",
                column="saved_share",
                hint="3.2 % is 0.032.",
            )
        if self.salvage > self.price:
            raise InputError(f"{self.salvage:g} is more than the price, {self.price:g}.", column="salvage")
        if (self.prime_saved_l_a_year or self.rinse_saved_l_a_year) and self.spray_cost_per_l is None:
            raise InputError("is not known, so the litres of priming cannot be valued.", column="spray_cost_per_l")
        if self.spray_cost_per_l is not None and not 0 <= self.spray_cost_per_l < math.inf:
            raise InputError(f"must not be negative, found {self.spray_cost_per_l!r}.", column="spray_cost_per_l")
        if not math.isfinite(self.other_saving_a_year):
            raise InputError(f"must be a number, found {self.other_saving_a_year!r}.", column="other_saving_a_year")

    def on_ground(self, area_m2: float) -> RetrofitCase:
        """The same case with other ground a year, and the primes that go with it."""
        found = replace(self, area_a_year_m2=area_m2)
        if self.primes_by_ground is None:
            return found
        return replace(found, prime_saved_l_a_year=self._primes_times * self.primes_by_ground.litres_on(area_m2))

    @property
    def _primes_times(self) -> float:
        """How the litres of priming stand to those of the ground: 1, unless one of them was moved by itself."""
        usual = 0.0 if self.primes_by_ground is None else self.primes_by_ground.litres_on(self.area_a_year_m2)
        return self.prime_saved_l_a_year / usual if usual > 0 else 1.0

    @property
    def product_saving_a_year(self) -> float:
        """Money of product that finer shutoff saves in a year."""
        return self.area_a_year_m2 * self.product_cost_per_m2 * self.saved_share

    @property
    def prime_saving_a_year(self) -> float:
        """Money of product that priming no longer pours out in a year."""
        return self.prime_saved_l_a_year * (self.spray_cost_per_l or 0.0)

    @property
    def rinse_saving_a_year(self) -> float:
        """Money of product that rinsing no longer pours out in a year."""
        return self.rinse_saved_l_a_year * (self.spray_cost_per_l or 0.0)

    @property
    def net_cash_a_year(self) -> float:
        """All savings less upkeep, before the price, in a year."""
        poured = self.prime_saving_a_year + self.rinse_saving_a_year
        return self.product_saving_a_year + poured + self.other_saving_a_year - self.maintenance_a_year

    @property
    def capital_a_year(self) -> float:
        """Depreciation and interest in a year."""
        return capital_recovery(self.price, self.salvage, self.interest, self.life_years)


@dataclass(frozen=True, slots=True)
class Factor:
    """One number of a budget line, as it is printed: ``value`` in ``unit``."""

    what: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a partial budget; its amount is the product of its factors, so that anyone can redo it.

    Attributes
    ----------
    part : {"added income", "reduced costs", "reduced income", "added costs"}
    """

    part: Part
    label: str
    factors: tuple[Factor, ...]

    @property
    def amount(self) -> float:
        """Money in a year; its sign is the factors', the part says whether it is a gain."""
        return math.prod(factor.value for factor in self.factors)


@dataclass(frozen=True, slots=True)
class PartialBudget:
    """Gains and losses of a year, and the difference."""

    lines: tuple[BudgetLine, ...]
    currency: str

    def total(self, part: Part) -> float:
        """Sum of one part."""
        return math.fsum(line.amount for line in self.lines if line.part == part)

    @property
    def net(self) -> float:
        """Added income and reduced costs, less reduced income and added costs, in a year."""
        return math.fsum(self.total(part) * (1 if part in GAINS else -1) for part in PARTS)


def partial_budget(case: RetrofitCase, units: UnitSystem = "metric") -> PartialBudget:
    """Every line of the case, in the units people reckon in (hectares or acres, litres or gallons).

    Lines that come to nothing are left out. The choice of units changes no amount beyond rounding of the last bits.
    """
    money, t = case.currency, words().below("payback.line.")
    area, litre = QUANTITIES["area"].face(units), QUANTITIES["volume"].face(units)
    lines = [
        BudgetLine(
            "reduced costs",
            t("product"),
            (
                Factor(t("ground"), to_face("area", case.area_a_year_m2, units), area.symbol),
                Factor(t("application"), case.product_cost_per_m2 * area.si_per_unit, f"{money}/{area.symbol}"),
                Factor(t("share"), case.saved_share, "share"),
            ),
        )
    ]
    for by, poured_l in (("primed", case.prime_saved_l_a_year), ("rinsed", case.rinse_saved_l_a_year)):
        if poured_l:
            per_unit = (case.spray_cost_per_l or 0.0) * litre.si_per_unit
            lines.append(
                BudgetLine(
                    "reduced costs",
                    t(by),
                    (
                        Factor(t("spray"), to_face("volume", poured_l, units), litre.symbol),
                        Factor(t("in_spray"), per_unit, f"{money}/{litre.symbol}"),
                    ),
                )
            )
    if case.other_saving_a_year:
        gain = case.other_saving_a_year > 0
        lines.append(
            BudgetLine(
                "reduced costs" if gain else "added costs",
                t("other_saving" if gain else "other_cost"),
                (Factor(t("stated"), abs(case.other_saving_a_year), money),),
            )
        )
    factor = capital_recovery_factor(case.interest, case.life_years)
    lines.append(
        BudgetLine(
            "added costs",
            t("capital" if case.interest else "depreciation"),
            (
                Factor(t("price" if case.salvage == 0 else "price_less_salvage"), case.price - case.salvage, money),
                Factor(
                    t("recovery" if case.interest else "straight", interest=100 * case.interest, years=case.life_years),
                    factor,
                    "1/year",
                ),
            ),
        )
    )
    if case.salvage:
        lines.append(
            BudgetLine(
                "added costs",
                t("salvage_interest"),
                (Factor(t("salvage"), case.salvage, money), Factor(t("interest"), case.interest, "1/year")),
            )
        )
    if case.maintenance_a_year:
        lines.append(
            BudgetLine("added costs", t("maintenance"), (Factor(t("stated"), case.maintenance_a_year, money),))
        )
    return PartialBudget(tuple(line for line in lines if line.amount), money)


@dataclass(frozen=True, slots=True)
class Payback:
    """What a case comes to; None means never (or, for the break-evens, at no value).

    Attributes
    ----------
    saving_a_year : float
        Savings less upkeep.
    net_a_year : float
        The same less depreciation and interest.
    internal_rate_of_return : float or None
        Share a year.
    break_even_area_m2 : float or None
        Ground sprayed a year at which the year comes to nothing. Priming goes with the ground where the case counts it
        by ground; other lines stay as they are.
    break_even_product_cost_per_m2 : float or None
        Product cost of one application at which the year comes to nothing, the rest staying as it is.
    """

    saving_a_year: float
    net_a_year: float
    net_present_value: float
    internal_rate_of_return: float | None
    simple_payback_years: float | None
    discounted_payback_years: float | None
    break_even_area_m2: float | None
    break_even_product_cost_per_m2: float | None


def payback(case: RetrofitCase) -> Payback:
    """Work a case out."""
    cash = case.net_cash_a_year
    # What product saved has to bring in so that the year comes to nothing.
    needed = max(case.capital_a_year - (cash - case.product_saving_a_year), 0.0)
    per_cost = case.area_a_year_m2 * case.saved_share

    def over(by: float) -> float | None:
        return 0.0 if needed == 0 else needed / by if by > 0 else None

    return Payback(
        saving_a_year=cash,
        net_a_year=cash - case.capital_a_year,
        net_present_value=net_present_value(case.price, cash, case.interest, case.life_years, case.salvage),
        internal_rate_of_return=internal_rate_of_return(case.price, cash, case.life_years, case.salvage),
        simple_payback_years=simple_payback_years(case.price, cash),
        discounted_payback_years=discounted_payback_years(case.price, cash, case.interest),
        break_even_area_m2=_break_even_area_m2(case, needed),
        break_even_product_cost_per_m2=over(per_cost),
    )


def _break_even_area_m2(case: RetrofitCase, needed: float) -> float | None:
    """Least ground whose product and primes bring in what is needed; None: never.

    ``needed`` is what product has to bring with the primes of the case's own ground.
    """
    per_m2 = case.product_cost_per_m2 * case.saved_share
    if case.primes_by_ground is None:
        lines: tuple[tuple[float, float], ...] = ((per_m2, needed),)
    else:
        # Priming is the highest of straight lines of the ground, so the first of them to reach the rest is the answer.
        per_l = case._primes_times * (case.spray_cost_per_l or 0.0)
        rest = case.capital_a_year - (case.net_cash_a_year - case.product_saving_a_year - case.prime_saving_a_year)
        lines = tuple((per_m2 + per_l * slope, rest - per_l * l0) for slope, l0 in case.primes_by_ground.lines())
    if any(rest <= 0 for _, rest in lines):
        return 0.0
    return min((rest / slope for slope, rest in lines if slope > 0), default=None)


def break_even_area_units(case: RetrofitCase, units: UnitSystem = "metric") -> int | None:
    """Break-even ground a year in whole hectares or acres, rounded up; None: never."""
    area = payback(case).break_even_area_m2
    return None if area is None else break_even_units(to_face("area", area, units), 1.0)
