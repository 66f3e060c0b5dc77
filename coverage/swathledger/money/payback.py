"""Arithmetic of an investment: capital recovery, present value, payback and break-even.

Interest and all amounts are of one kind, both real or both nominal. Amounts of a year fall at its end.
"""

from __future__ import annotations

import math

from swathledger.errors import InputError

ACCURACY = 1e-9
NO_INTEREST = 1e-12
"""Below this a rate is taken as 0: the formulas lose all their digits, and the difference is none."""


def _check(interest: float, years: float) -> None:
    if not -1 < interest < math.inf:
        raise InputError(f"must be a share above -1 (8 % is 0.08), found {interest!r}.", column="interest")
    if not 0 < years < math.inf:
        raise InputError(f"must be a positive number, found {years!r}.", column="life_years")


def annuity_present_value(interest: float, years: float) -> float:
    """Present value of 1 a year for ``years`` years: ``(1 - (1 + i) ** -n) / i``; n where i is 0.

    Examples
    --------
    >>> round(annuity_present_value(0.08, 15), 4)
    8.5595
    """
    _check(interest, years)
    if abs(interest) < NO_INTEREST:
        return float(years)
    return -math.expm1(-years * math.log1p(interest)) / interest


def capital_recovery_factor(interest: float, years: float) -> float:
    """Yearly charge that pays 1 back with interest: ``i (1 + i) ** n / ((1 + i) ** n - 1)``; 1/n where i is 0.

    Parameters
    ----------
    interest : float
        Share a year: 8 % is 0.08.
    years : float
        Life, above 0.

    Notes
    -----
    Method of Iowa State University Extension, A3-29.

    Examples
    --------
    >>> round(capital_recovery_factor(0.08, 15), 5)
    0.11683
    """
    return 1.0 / annuity_present_value(interest, years)


def capital_recovery(price: float, salvage: float, interest: float, years: float) -> float:
    """Depreciation and interest a year: ``(price - salvage) * factor + salvage * interest``."""
    return (price - salvage) * capital_recovery_factor(interest, years) + salvage * interest


def net_present_value(price: float, net_a_year: float, interest: float, years: float, salvage: float = 0.0) -> float:
    """Worth today of buying at ``price``, having ``net_a_year`` each year and ``salvage`` at the end."""
    worth = net_a_year * annuity_present_value(interest, years)
    return worth + salvage * math.exp(-years * math.log1p(interest)) - price


def internal_rate_of_return(price: float, net_a_year: float, years: float, salvage: float = 0.0) -> float | None:
    """Interest at which the net present value is 0; None where no rate from -99 % to 1,000,000 % does it."""
    if price <= 0 or net_a_year <= 0:
        return None
    from scipy.optimize import brentq

    def worth(interest: float) -> float:
        return net_present_value(price, net_a_year, interest, years, salvage)

    low, high = -0.99, 1e4
    if worth(low) < 0 or worth(high) > 0:
        return None
    return float(brentq(worth, low, high, xtol=1e-14, rtol=1e-14, maxiter=500))


def simple_payback_years(price: float, net_a_year: float) -> float | None:
    """Years until the plain sum of savings reaches the price; None: never."""
    if price <= 0:
        return 0.0
    return price / net_a_year if net_a_year > 0 else None


def discounted_payback_years(price: float, net_a_year: float, interest: float) -> float | None:
    """Years until savings, discounted, reach the price; None: never (the interest alone eats them)."""
    _check(interest, 1.0)
    if price <= 0:
        return 0.0
    if net_a_year <= 0:
        return None
    if abs(interest) < NO_INTEREST:
        return price / net_a_year
    eaten = price * interest / net_a_year
    return -math.log1p(-eaten) / math.log1p(interest) if eaten < 1 else None


def break_even_units(cost: float, saving_per_unit: float) -> int | None:
    """Whole units of area (hectares, acres) whose saving covers a cost, rounded up; None: never.

    Examples
    --------
    >>> break_even_units(3000.0, 4.92)
    610
    """
    if cost <= 0:
        return 0
    if not saving_per_unit > 0:
        return None
    exact = cost / saving_per_unit
    near = round(exact)
    # 0.7 / 0.1 is 6.999..., 1.1 / 0.1 is 11.000...2: both are whole
    return near if abs(exact - near) <= ACCURACY * max(near, 1) else math.ceil(exact)
