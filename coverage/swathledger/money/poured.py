"""Product that a return to the tank keeps from priming and rinsing in a year; product and water are booked apart.

After a rinse the lines hold water, and it leaves first when they are primed: product is then only what nearer nozzles
spray while the farthest still waits. What the lines hold is product once, when it is washed out at the next rinse.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from swathledger.errors import InputError
from swathledger.money.ledgers import PrimeSeen
from swathledger.plumbing.prime import Recirculation


@dataclass(frozen=True, slots=True)
class PrimesKept:
    """Product kept by primes, as often as there are any on a piece of ground.

    Of P primes a year and R rinses, min(R, P) primes follow a rinse and begin with water in the lines; the others begin
    with product and pour nothing else.

    Attributes
    ----------
    after_rinse_l, full_l : float
        Product kept, L, of one prime that begins with water, and of one that begins with product; the first not larger.
    rinses_a_year : float or None
        None: not known, and every prime counts as one after a rinse, the lower of the two.
    primes_per_m2 : float
        Primes for one m2 of ground.
    """

    after_rinse_l: float
    full_l: float
    rinses_a_year: float | None
    primes_per_m2: float = 0.0

    def __post_init__(self) -> None:
        for name in ("after_rinse_l", "full_l", "primes_per_m2"):
            value = getattr(self, name)
            if not 0 <= value < math.inf:
                raise InputError(f"must not be negative, found {value!r}.", column=name)
        if self.after_rinse_l > self.full_l * (1 + 1e-9) + 1e-9:
            raise InputError(
                f"{self.after_rinse_l:g} L is more than a prime of full lines keeps, {self.full_l:g} L.",
                column="after_rinse_l",
            )

    def after_rinse(self, primes: float) -> float:
        """How many of so many primes begin with water."""
        return primes if self.rinses_a_year is None else min(primes, self.rinses_a_year)

    def litres(self, primes: float) -> float:
        """Product kept by so many primes a year, L."""
        wet = self.after_rinse(primes)
        return wet * self.after_rinse_l + (primes - wet) * self.full_l

    def litres_on(self, area_m2: float) -> float:
        """Product kept in a year of so much ground, L."""
        return self.litres(area_m2 * self.primes_per_m2)

    def lines(self) -> tuple[tuple[float, float], ...]:
        """Straight lines (litres a m2, litres) whose highest is `litres_on`."""
        wet = (self.primes_per_m2 * self.after_rinse_l, 0.0)
        if self.rinses_a_year is None:
            return (wet,)
        return wet, (self.primes_per_m2 * self.full_l, self.rinses_a_year * (self.after_rinse_l - self.full_l))


@dataclass(frozen=True, slots=True)
class Poured:
    """Litres of product (spray at full strength) a year that a return to the tank would keep, and how reckoned.

    Attributes
    ----------
    litres_each : float
        Mean over the year.
    measured : int
        Primes of the ledgers whose litres were measured.
    seen : int
        Primes found in the ledgers.
    after_rinse_a_year : float or None
        Of ``times_a_year``, those taken to begin with water in the lines; None for rinses.
    after_rinse_each_l, full_each_l : float or None
        Product kept of one prime that begins with water, and with product; None for rinses.
    water_a_year_l : float or None
        Water of the lines that a return sends into the tank; None for rinses.
    """

    times_a_year: float
    litres_each: float
    litres_a_year: float
    measured: int = 0
    seen: int = 0
    after_rinse_a_year: float | None = None
    after_rinse_each_l: float | None = None
    full_each_l: float | None = None
    water_a_year_l: float | None = None


def primes_kept(
    found: Recirculation, primes: Sequence[PrimeSeen], rinses_a_year: float | None, primes_per_m2: float = 0.0
) -> PrimesKept:
    """Product kept of a prime, as the mean over those seen; the machine's plug-flow figures where none was.

    Of a measured prime that begins with water, product is its litres less what was swept out first; of one that begins
    with product, all of it. What still leaves the nozzles with a return is taken off, and nothing falls below 0.
    """
    known = [prime.litres for prime in primes if prime.litres is not None]
    wet = [max(max(litres - found.open_swept_l, 0.0) - found.still_product_l, 0.0) for litres in known]
    full = [max(litres - found.still_low_l, 0.0) for litres in known]
    unmeasured = len(primes) - len(known) if primes else 1
    count = len(known) + unmeasured
    return PrimesKept(
        (math.fsum(wet) + unmeasured * found.product_after_rinse_l) / count,
        (math.fsum(full) + unmeasured * found.returned_low_l) / count,
        rinses_a_year,
        primes_per_m2,
    )


def poured_by_primes(kept: PrimesKept, times: float, found: Recirculation, primes: Sequence[PrimeSeen]) -> Poured:
    """The year's priming, from what one keeps and how many there are."""
    litres, wet = kept.litres(times), kept.after_rinse(times)
    return Poured(
        times,
        litres / times if times > 0 else kept.litres(1.0),
        litres,
        sum(prime.litres is not None for prime in primes),
        len(primes),
        wet,
        kept.after_rinse_l,
        kept.full_l,
        wet * found.returned_content_l,
    )
