"""Small simulated worlds whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shapely import MultiPolygon, Polygon

from swathledger.audit import Prepared, resolve
from swathledger.field.field import Field, LocalPlane
from swathledger.machine.machine import Antenna, Boom, Machine
from swathledger.settings import AuditSettings
from swathledger.simulate.drive import Driven, DriveSettings
from swathledger.simulate.fields import random_field
from swathledger.simulate.run import RunSettings, simulate_field
from swathledger.swath.build import build_swath

PLANE = LocalPlane(-33.0, 123.0)


def machine_of(width_m: float, nozzles: int, sections: int, name: str = "invented") -> Machine:
    edges = np.linspace(-width_m / 2, width_m / 2, nozzles + 1)
    cuts = np.diff(np.round(np.arange(sections + 1) * nozzles / sections).astype(int))
    return Machine(name, Boom(edges, tuple(int(n) for n in cuts)), antenna=Antenna(gnss_sigma_m=0.02))


SMALL = machine_of(12.0, 24, 6)


def field_of(boundary: Polygon, name: str = "invented") -> Field:
    return Field(name, PLANE, boundary, MultiPolygon(), "given", boundary.area)


def small_field(seed: int, pa: float = 0.042, area_m2: float = 12_000.0) -> Field:
    return field_of(random_field(pa, area_m2, seed=seed).boundary, f"world {seed}")


def driven(field: Field, machine: Machine = SMALL, **drive) -> Driven:
    return simulate_field(field, machine, RunSettings(drive=DriveSettings(**drive)))


def prepared(log, field: Field, machine: Machine = SMALL, *, groups=(), cell_m=0.5) -> Prepared:
    settings, _ = resolve(AuditSettings(cell_m=cell_m, groups=groups), log, machine)
    settings = replace(settings, tolerance_m=0.1)
    swath = build_swath(log, machine, field.plane, max_gap_s=settings.max_gap_s)
    return Prepared(log, machine, field, swath, settings, ())
