"""Small tools that the tests of swath, grid and ledger share: machines, fields on a plane, one call from log to ledger.

Found through ``pythonpath`` in pyproject.toml.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pathkit import PlanePath, log_of
from shapely import MultiPolygon, Polygon, affinity

from swathledger.field.field import Field, LocalPlane
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Boom, Hitch, Machine
from swathledger.report.audited import Audit
from swathledger.settings import AuditSettings
from swathledger.swath.build import build_swath
from swathledger.swath.swath import Swath

PLANE = LocalPlane(-33.5, 148.0)


def sprayer(
    width_m: float = 12.0,
    sections: int | Sequence[int] = 1,
    nozzles: int | None = None,
    *,
    antenna: Antenna | None = None,
    hitch: Hitch | None = None,
    set_rate_l_m2: float | None = None,
) -> Machine:
    """A boom of equal nozzles 0.5 m apart unless said otherwise, in equal sections or those listed."""
    count = round(width_m / 0.5) if nozzles is None else nozzles
    if isinstance(sections, int):
        assert count % sections == 0, "equal sections need a nozzle count that they divide"
        sections = [count // sections] * sections
    edges = np.linspace(-width_m / 2, width_m / 2, count + 1)
    return Machine(
        "test", Boom(edges, tuple(sections)), antenna=antenna or Antenna(), hitch=hitch, set_rate_l_m2=set_rate_l_m2
    )


def ground(
    boundary: Polygon | MultiPolygon, exclusions: Polygon | MultiPolygon | None = None, plane: LocalPlane = PLANE
) -> Field:
    """A field given in plane metres."""
    out = MultiPolygon() if exclusions is None else shapely.intersection(exclusions, boundary)
    return Field("F", plane, boundary, out, "given", float(boundary.area))


def rectangle(
    left_m: float,
    back_m: float,
    right_m: float,
    ahead_m: float,
    bearing_deg: float = 0.0,
    origin: tuple[float, float] = (0.0, 0.0),
) -> Polygon:
    """A rectangle in a frame that looks along ``bearing_deg`` from ``origin``: x to the right, y ahead."""
    return placed(shapely.box(left_m, back_m, right_m, ahead_m), bearing_deg, origin)


def placed(shape: Polygon, bearing_deg: float, origin: tuple[float, float]) -> Polygon:
    """A shape drawn looking north, turned clockwise about (0, 0) and moved, as :class:`PlanePath` does."""
    turned = affinity.rotate(shape, -bearing_deg, origin=(0, 0))
    return affinity.translate(turned, *origin)


@dataclass(frozen=True, slots=True)
class Result:
    """One audited drive."""

    swath: Swath
    books: Accounting
    log: Log
    machine: Machine
    field: Field

    def m2(self, quantity: str) -> float:
        return self.books.areas.m2(quantity)

    def near(self, quantity: str, expected_m2: float, rel: float = 5e-4, sigmas: float = 3.0) -> None:
        """Within ``rel`` of what geometry says, or ``sigmas`` standard errors, whichever is larger."""
        found = self.m2(quantity)
        limit = max(rel * expected_m2, sigmas * self.books.areas.standard_error_m2(quantity))
        assert abs(found - expected_m2) <= limit, (
            f"{quantity}: {found:.3f} m2, expected {expected_m2:.3f} within {limit:.3f}"
        )

    def cause_m2(self, cause: str) -> float:
        return self.books.cause_cells[cause] * self.books.areas.cell_m**2

    def causes(self) -> dict[str, float]:
        """Causes that are not zero, m2."""
        return {name: self.cause_m2(name) for name, cells in self.books.cause_cells.items() if cells}

    def identities(self) -> None:
        """The design's identities, exact in cells; volumes to rounding."""
        c = self.books.areas.cells
        assert c["applied"] == c["covered"] + c["overlap_extra"] + c["outside"] + c["excluded"]
        assert c["target"] == c["covered"] + c["skip"] + c["not_recorded"]
        assert c["covered"] == c["single"] + c["overlap"]
        assert c["over_application"] == c["overlap_extra"] + c["outside"] + c["excluded"]
        assert c["boundary"] == c["target"] + c["exclusion"]
        assert sum(self.books.cause_cells.values()) == c["over_application"]
        assert self.books.cause_cells["outside"] == c["outside"]
        assert self.books.cause_cells["excluded"] == c["excluded"]
        v = self.books.volumes
        if v is not None:
            scale = max(v.applied_l + v.standing_l, 1e-9)
            assert abs(v.over_applied_l - (v.overlap_l + v.outside_l + v.excluded_l)) <= 1e-12 * scale
            assert abs(v.applied_l - v.target_l - v.over_applied_l) <= 1e-12 * scale
            laid_by_cause = sum(v.by_cause_l[k] for k in ("turn", "restart", "guidance", "crossing"))
            assert abs(laid_by_cause - v.overlap_l) <= 1e-9 * scale
            assert v.by_cause_l["standing"] == v.standing_l
            assert all(value >= 0 for value in v.by_cause_l.values())

    def audit(self) -> Audit:
        a = self.books.areas
        settings = AuditSettings(cell_m=a.cell_m, max_gap_s=6.0, tolerance_m=a.tolerance_m)
        return Audit(self.log, self.machine, self.field, self.swath, self.books, None, settings, ())


def books_of(
    log: Log,
    machine: Machine,
    field: Field,
    *,
    cell_m: float = 0.1,
    tolerance_m: float = 0.1,
    max_gap_s: float | None = None,
    threads: int = 1,
) -> Result:
    """From a log to its ledger."""
    swath = build_swath(log, machine, field.plane, max_gap_s=max_gap_s)
    placed = place_drive(log, machine, field, swath, cell_m)
    books = account(placed, tolerance_m=tolerance_m, threads=threads)
    result = Result(swath, books, log, machine, field)
    result.identities()
    return result


def drive(path: PlanePath, machine: Machine, field: Field, *, cell_m: float = 0.1, **logged):
    """Log a boom path with the machine's own antenna and account for it; ``logged`` goes to ``log_of``."""
    log = log_of(path, field.plane, antenna=machine.antenna, **logged)
    return books_of(log, machine, field, cell_m=cell_m)
