"""Which products a job sprayed, row by row: the log's product names against the machine file's ``[[products]]``."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import MachineError
from swathledger.ledger.rate import weighted_median
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.machine.products import Product
from swathledger.notes import Measure, Note
from swathledger.swath.swath import Swath

_SEPARATORS = re.compile(r"\s*(?:[+;,/&|]|\band\b)\s*", re.IGNORECASE)
DIFFERENT = 0.10
"""A median logged rate this far from the machine file's set rate is told."""


@dataclass(frozen=True, slots=True)
class Tank:
    """Products of a job and the rows that they were sprayed in.

    Attributes
    ----------
    products : tuple of Product
        In order of the machine file, then of first use.
    rows : tuple of (n,) bool
        For each product, the log rows sprayed with it in the tank.
    whole : bool
        Whether every product was in the tank all along (one mix).
    spray_rate_l_m2 : float or None
        Spray of one application that the products' rates belong to, L/m2.
    spray_rate_source : {"machine file", "logged", "median of the log"} or None
    """

    products: tuple[Product, ...]
    rows: tuple[NDArray[np.bool_], ...]
    whole: bool
    spray_rate_l_m2: float | None
    spray_rate_source: str | None
    notes: tuple[Note, ...]


def products_of(machine: Machine) -> tuple[Product, ...]:
    """Products of the machine file.

    Raises
    ------
    MachineError
        Prices are in several currencies.
    """
    file, found = machine.source[0] if machine.source else None, machine.products
    codes = sorted({product.currency for product in found if product.currency is not None})
    if len(codes) > 1:
        raise MachineError(
            f"prices are in {' and '.join(codes)}.",
            file=file,
            column="products: currency",
            hint="Give all prices in one currency; none is converted.",
        )
    return found


def names_in(text: str, known: frozenset[str]) -> tuple[str, ...]:
    """Products that one entry of a product column names: the whole of it where that is known, else its parts.

    Examples
    --------
    >>> names_in("A + B", frozenset())
    ('A', 'B')
    >>> names_in("A/B 40", frozenset({"a/b 40"}))
    ('A/B 40',)
    """
    whole = text.strip()
    if whole.casefold() in known:
        return (whole,)
    return tuple(dict.fromkeys(part for part in _SEPARATORS.split(whole) if part))


def _held(names: tuple[str, ...]) -> list[str]:
    """Empty entries take the last name before them, at the start the first after."""
    out, last = [], next((name for name in names if name.strip()), "")
    for name in names:
        last = name if name.strip() else last
        out.append(last.strip())
    return out


def tank_of(log: Log, machine: Machine, swath: Swath, stated: str | None = None) -> Tank | None:
    """What was in the tank; None where neither the machine file nor the log names a product.

    Parameters
    ----------
    log, machine, swath
    stated : str, optional
        What the user says was in the tank: stands for the product column of a log that names none.

    Notes
    -----
    Names of the log are matched with the machine file's without regard to case; an entry may name several, joined by
    ``+``, ``,``, ``;``, ``/``, ``&`` or "and". Where the log names products, only those count, whatever is stated.
    Where it names none and nothing is stated, all of the machine file's were in the tank.
    """
    listed = products_of(machine)
    rate, source, notes = _spray_rate(log, machine, swath)
    n = len(log)
    sprayed = np.zeros(n, dtype=np.bool_)
    sprayed[swath.epoch[:-1][swath.wanted]] = True
    names = log.product
    if names is None or not any(name.strip() for name in names):
        if stated is None and not listed:
            return None
        if stated is None:
            every = np.ones(n, dtype=np.bool_)
            return Tank(listed, tuple(every for _ in listed), True, rate, source, tuple(notes))
        names, by_log = (stated,) * n, False
    else:
        by_log = True
        if stated is not None and {name.strip().casefold() for name in names} - {"", stated.strip().casefold()}:
            notes.append(Note.of("money.log_names_others", stated=stated.strip()))
    held = np.asarray(_held(names))
    by_key = {product.name.casefold(): product for product in listed}
    rows: dict[str, NDArray[np.bool_]] = {}
    unknown: dict[str, Product] = {}
    for entry in dict.fromkeys(held[sprayed].tolist() or held.tolist()):
        for name in names_in(entry, frozenset(by_key)):
            key = name.casefold()
            if key not in by_key:
                unknown.setdefault(key, Product(name))
            rows[key] = rows.get(key, np.zeros(n, dtype=np.bool_)) | (held == entry)
    products = [by_key[key] for key in by_key if key in rows] + list(unknown.values())
    masks = tuple(rows[product.name.casefold()] for product in products)
    if unknown and listed:
        code = "money.log_names_unknown" if by_log else "money.job_names_unknown"
        notes.append(Note.of(code, products=tuple(product.name for product in unknown.values())))
    left = [product.name for product in listed if product.name.casefold() not in rows]
    if left:
        code = "money.log_does_not_name" if by_log else "money.job_does_not_name"
        notes.append(Note.of(code, products=tuple(left)))
    whole = all(bool(mask[sprayed].all()) for mask in masks)
    return Tank(tuple(products), masks, whole, rate, source, tuple(notes))


def _spray_rate(log: Log, machine: Machine, swath: Swath) -> tuple[float | None, str | None, list[Note]]:
    """The spray rate that product rates belong to: the machine file's set rate, else the log's."""
    notes: list[Note] = []
    dose = swath.dose_l_per_m2
    median, source = None, "median of the log"
    if dose is not None:
        value = dose
        if log.rate_l_m2 is not None and bool(np.isfinite(log.rate_l_m2).any()):
            value = np.nan_to_num(log.rate_l_m2)[swath.epoch[:-1]]
        swept = swath.wanted & ~swath.standing & (swath.distance_m > 0) & (value > 0)
        if bool(swept.any()):
            median = weighted_median(value[swept], swath.distance_m[swept])
            source = "logged" if np.unique(value[swept]).shape[0] == 1 else source
    stated = machine.set_rate_l_m2
    if stated is None:
        if median is not None and machine.products:
            notes.append(Note.of("money.rates_at_logged", rate=Measure(median, "rate")))
        return median, None if median is None else source, notes
    if median is not None and machine.products and abs(median / stated - 1.0) > DIFFERENT:
        rates = {"stated": Measure(stated, "rate"), "logged": Measure(median, "rate")}
        notes.append(Note.of("money.rates_at_stated", **rates))
    return stated, "machine file", notes
