"""Rinsing: equal rinses to a wanted residue, and what the rinse tank allows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathledger.errors import InputError


def _check(residual_l: float, rinses: int) -> None:
    if not 0 < residual_l < math.inf:
        raise InputError(f"must be a positive number, found {residual_l!r}.", column="residual_l")
    if rinses < 1:
        raise InputError(f"must be at least 1, found {rinses}.", column="rinses")


def residue_share(residual_l: float, water_each_l: float, rinses: int) -> float:
    """Share of the first strength left after equal rinses, each mixed with the residual and pumped out down to it.

        C / C0 = (Vr / (Vr + Vw)) ** n                                                                        (R1)

    Parameters
    ----------
    residual_l : float
        Vr: what stays in the system each time, L.
    water_each_l : float
        Vw: water of ONE rinse, L; not negative.
    rinses : int
        n.

    Examples
    --------
    Three rinses of 10 x the residual in all:

    >>> round(100 * residue_share(1.0, 10.0 / 3.0, 3), 3)
    1.229
    """
    _check(residual_l, rinses)
    if not 0 <= water_each_l < math.inf:
        raise InputError(f"must not be negative, found {water_each_l!r}.", column="water_each_l")
    return float((residual_l / (residual_l + water_each_l)) ** rinses)


def water_for_residue_l(residual_l: float, residue: float, rinses: int) -> float:
    """Water of all rinses together for a wanted residue, L: (R1) solved, ``n * Vr * (residue ** (-1/n) - 1)``.

    Parameters
    ----------
    residue : float
        Wanted C/C0, above 0 and at most 1.

    Examples
    --------
    >>> [round(water_for_residue_l(1.0, 1 / 300, n), 2) for n in (1, 2, 3)]
    [299.0, 32.64, 17.08]
    """
    _check(residual_l, rinses)
    if not 0 < residue <= 1:
        raise InputError(f"must be above 0 and at most 1, found {residue!r}.", column="residue")
    return float(rinses * residual_l * (residue ** (-1.0 / rinses) - 1.0))


def continuous_residue_share(residual_l: float, water_l: float) -> float:
    """Residue when the same water runs through steadily instead: ``exp(-V / Vr)``, the limit of many small rinses."""
    _check(residual_l, 1)
    if not 0 <= water_l < math.inf:
        raise InputError(f"must not be negative, found {water_l!r}.", column="water_l")
    return math.exp(-water_l / residual_l)


@dataclass(frozen=True, slots=True)
class RinseRow:
    """One number of rinses.

    Attributes
    ----------
    water_each_l, water_total_l : float
        Water for the wanted residue, L.
    fits : bool or None
        Whether the rinse tank holds ``water_total_l``; None: its size is not known.
    residue_with_tank : float or None
        C/C0 when the whole rinse tank is used in so many equal rinses.
    """

    rinses: int
    water_each_l: float
    water_total_l: float
    fits: bool | None
    residue_with_tank: float | None


@dataclass(frozen=True, slots=True)
class RinsePlan:
    """Rinses to a wanted residue.

    Attributes
    ----------
    residual_l : float
        Vr, L.
    residue : float
        Wanted C/C0.
    rows : tuple of RinseRow
        For n = 1, 2, ...
    """

    residual_l: float
    residue: float
    rinse_tank_l: float | None
    rows: tuple[RinseRow, ...]

    @property
    def fewest_that_fit(self) -> int | None:
        """Fewest rinses whose water the rinse tank holds; None: none of ``rows``, or the tank's size is not known."""
        return next((row.rinses for row in self.rows if row.fits), None)


def rinse_plan(
    residual_l: float, residue: float = 0.02, *, rinse_tank_l: float | None = None, most: int = 5
) -> RinsePlan:
    """Water for 1..``most`` equal rinses down to ``residue``, and what the rinse tank allows.

    Parameters
    ----------
    residual_l : float
        What stays in the system each time, L.
    residue : float
        Wanted C/C0; 0.02 is the limit at the nozzle that Denmark set in 2009 (0.01: France 2006), as cited by OMAFRA.
    """
    if rinse_tank_l is not None and not 0 < rinse_tank_l < math.inf:
        raise InputError(f"must be a positive number, found {rinse_tank_l!r}.", column="rinse_tank_l")
    _check(residual_l, most)
    rows = []
    for n in range(1, most + 1):
        total = water_for_residue_l(residual_l, residue, n)
        rows.append(
            RinseRow(
                rinses=n,
                water_each_l=total / n,
                water_total_l=total,
                fits=None if rinse_tank_l is None else total <= rinse_tank_l * (1 + 1e-12),
                residue_with_tank=None if rinse_tank_l is None else residue_share(residual_l, rinse_tank_l / n, n),
            )
        )
    return RinsePlan(residual_l, residue, rinse_tank_l, tuple(rows))
