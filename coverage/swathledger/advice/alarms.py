"""Alarms: spray where it may harm, told above everything else whatever it is worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import shapely
from shapely.geometry.base import BaseGeometry

from swathledger.documents.advice import LedgerAlarm
from swathledger.documents.ledger import Ledger

NEAR_M: Final = 10.0
"""Nearer to an exclusion or the boundary than this is near: about as wide as the strips that labels and law keep clear.

The label has the one that holds."""
LEAST_M2: Final = 1.0
"""Less ground than this is a matter of outlines and cells."""
ALARMS: Final = (
    "excluded",
    "outside_near_exclusion",
    "over_label",
    "standing_near_exclusion",
    "standing_near_boundary",
)
"""In the order in which they are told."""


def near_m2(outside: Sequence[tuple[BaseGeometry, float]], exclusions: BaseGeometry) -> float:
    """Treated ground beyond the boundary of pieces that come within :data:`NEAR_M` of an exclusion, m2.

    Parameters
    ----------
    outside : sequence of (geometry, m2)
        Pieces on the field's plane and their areas.
    exclusions : geometry
    """
    if exclusions.is_empty:
        return 0.0
    return sum(area for shape, area in outside if shapely.distance(shape, exclusions) <= NEAR_M)


def alarms_of(ledger: Ledger, excluded_m2: float, outside_near_m2: float) -> tuple[LedgerAlarm, ...]:
    """What must be looked at first, in the order of :data:`ALARMS`.

    Parameters
    ----------
    ledger : Ledger
    excluded_m2, outside_near_m2 : float
        Treated ground in pieces beyond the tolerance: inside exclusions, and beyond the boundary near one.
    """
    found: list[LedgerAlarm] = []
    if excluded_m2 >= LEAST_M2:
        litres = None if ledger.volume is None else ledger.volume.excluded_l
        found.append(LedgerAlarm(alarm="excluded", area_m2=ledger.area.excluded_m2, volume_l=litres))
    if outside_near_m2 >= LEAST_M2:
        found.append(LedgerAlarm(alarm="outside_near_exclusion", area_m2=outside_near_m2, distance_m=NEAR_M))
    for product in () if ledger.product is None else ledger.product.products:
        over = product.label.over_m2
        if over is not None and over >= LEAST_M2:
            found.append(LedgerAlarm(alarm="over_label", area_m2=over, product=product.name))
    return (*found, *_standing(ledger))


def _standing(ledger: Ledger) -> list[LedgerAlarm]:
    """Litres at standstill near an exclusion, else near the boundary: each event counts once, by what is worse."""
    events = () if ledger.standing is None else ledger.standing.events
    near: dict[str, list[tuple[float | None, float]]] = {"standing_near_exclusion": [], "standing_near_boundary": []}
    for event in events:
        to_exclusion, to_boundary = event.nozzles_to_exclusion_m, event.nozzles_to_boundary_m
        if to_exclusion is not None and to_exclusion <= NEAR_M:
            near["standing_near_exclusion"].append((event.litres_l, to_exclusion))
        elif to_boundary is not None and (to_boundary <= NEAR_M or event.inside_boundary is False):
            near["standing_near_boundary"].append((event.litres_l, to_boundary))
    out = []
    for alarm, rows in near.items():
        if rows:
            known = [litres for litres, _ in rows if litres is not None]
            litres = sum(known) if len(known) == len(rows) else None
            out.append(LedgerAlarm(alarm=alarm, volume_l=litres, distance_m=min(way for _, way in rows)))
    return out
