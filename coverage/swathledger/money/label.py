"""Area where the summed dose went over the label's maximum, as the user entered it.

Information only: the label itself rules, and it may limit more than a dose (growth stage, number of applications,
buffer strips).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from swathledger.errors import InputError
from swathledger.machine.products import Product

_ROUNDING = 1e-9  # a dose that equals the maximum but for the last bits is not over it


@dataclass(frozen=True, slots=True)
class OverLabel:
    """One product against its label maximum.

    Attributes
    ----------
    name : str
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


def _areas(area_m2: ArrayLike) -> NDArray[np.float64]:
    areas = np.asarray(area_m2, dtype=np.float64)
    if areas.ndim != 1 or not bool(np.all(areas >= 0)):
        raise InputError("areas must be a list of numbers that are not negative.", column="area_m2")
    return areas


def area_over_dose_m2(area_m2: ArrayLike, dose_per_m2: ArrayLike, limit_per_m2: float) -> float:
    """Area of the cells (or classes of cells) whose summed dose is above a limit; equal is not above.

    Parameters
    ----------
    area_m2 : (k,) array_like
        Area of each cell or class, m2.
    dose_per_m2 : (k,) array_like
        Summed dose there, in the unit of the limit per m2. NaN is an error: no dose is guessed.
    limit_per_m2 : float

    Raises
    ------
    InputError
        Where shapes differ or a value is not finite or negative.
    """
    areas, dose = _areas(area_m2), np.asarray(dose_per_m2, dtype=np.float64)
    if dose.shape != areas.shape:
        raise InputError(f"{areas.shape[0]} areas do not fit doses of shape {dose.shape}.", column="dose_per_m2")
    if not bool(np.all(np.isfinite(dose) & (dose >= 0))):
        raise InputError("doses must be finite and not negative.", column="dose_per_m2")
    if not limit_per_m2 >= 0:
        raise InputError(f"must not be negative, found {limit_per_m2!r}.", column="limit_per_m2")
    return float(areas[dose > limit_per_m2 * (1.0 + _ROUNDING)].sum())


def over_label(
    area_m2: ArrayLike, times: ArrayLike, applications: Sequence[Sequence[Product]]
) -> tuple[OverLabel, ...]:
    """Each product's summed dose of the day against its label maximum.

    Parameters
    ----------
    area_m2 : (k,) array_like
        Area of each cell or class of cells, m2.
    times : (k, m) array_like
        How often application j treated class i (overlap counts). Fractions scale the set rate by the local dose.
    applications : sequence of m sequences of Product
        The products of each application, with the rate used in it. The same product (by name) may be in several, at
        other rates; its doses add up and its lowest maximum counts.

    Returns
    -------
    tuple of OverLabel
        One per product name, in order of first use.

    Raises
    ------
    InputError
        Where shapes do not fit, or one name is measured by L in one place and by kg in another.
    """
    areas, count = _areas(area_m2), np.asarray(times, dtype=np.float64)
    if count.shape != (areas.shape[0], len(applications)):
        raise InputError(
            f"times must be ({areas.shape[0]}, {len(applications)}), found shape {count.shape}.", column="times"
        )
    by_name: dict[str, list[tuple[int, Product]]] = {}
    for index, products in enumerate(applications):
        for product in products:
            by_name.setdefault(product.name, []).append((index, product))
    out = []
    for name, uses in by_name.items():
        if len({product.measure for _, product in uses}) > 1:
            raise InputError(f"{name} is measured by L in one application and by kg in another.", column="unit")
        limits = [product.label_max_per_m2 for _, product in uses if product.label_max_per_m2 is not None]
        limit = min(limits) if limits else None
        dose: NDArray[np.float64] | None = np.zeros(areas.shape[0])
        for index, product in uses:
            dose = None if dose is None or product.rate_per_m2 is None else dose + count[:, index] * product.rate_per_m2
        treated = None if dose is None else dose[areas > 0]
        out.append(
            OverLabel(
                name=name,
                label_max_per_m2=limit,
                area_m2=None if dose is None or limit is None else area_over_dose_m2(areas, dose, limit),
                highest_per_m2=None if treated is None else float(treated.max(initial=0.0)),
            )
        )
    return tuple(out)
