"""Clean drives of many kinds: speeds, rates, receivers, machines, ways to turn. Nothing is wrong with any of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from pathkit import logged

from swathledger.field.field import LocalPlane
from swathledger.log.log import Log
from swathledger.machine.machine import Antenna, Boom, Hitch, Machine, Valves
from swathledger.simulate import fields
from swathledger.simulate.drive import DriveSettings, drive
from swathledger.simulate.motion import PlannedStop, Speeds
from swathledger.simulate.plan import PlanSettings, plan_drive
from swathledger.simulate.run import longest_side

PLANE = LocalPlane(-33.02, 123.18)


@dataclass(frozen=True)
class Clean:
    """A clean drive, all of it drawn from its number."""

    number: int

    def log(self) -> tuple[Log, Machine]:
        """The log that the machine kept, and its machine file."""
        rng = np.random.default_rng(self.number)
        hz = float(rng.choice([0.2, 0.5, 1.0, 2.0, 5.0, 10.0]))
        sigma = float(rng.choice([0.02, 0.1, 0.3, 1.0]))
        speed = float(rng.choice([0.6, 1.5, 3.0, 5.0, 8.0]))
        trailed = bool(rng.random() < 0.5)
        nozzles, sections = (24, 3) if speed < 2 else (48, 4) if trailed else (72, 8)
        width = nozzles / 2
        boom = Boom(np.linspace(-width / 2, width / 2, nozzles + 1), (nozzles // sections,) * sections)
        hitch = Hitch(3.4, 5.8) if trailed else None
        ahead = 0.0 if trailed else float(rng.uniform(-2, 6))
        machine = Machine(
            "clean", boom, Antenna(ahead, float(rng.uniform(-0.5, 0.5))), hitch, Valves(0.4, 0.3, 0.4, 0.3)
        )
        long, wide = {0.6: (90, 50), 1.5: (160, 90), 3.0: (260, 150), 5.0: (420, 220), 8.0: (600, 260)}[speed]
        kind = int(rng.integers(4))
        shape = [
            lambda: fields.rectangle(long, wide),
            lambda: fields.contour_sided(long, wide, wide / 8),
            lambda: fields.triangle(1.4 * long, 1.4 * wide),
            lambda: fields.rectangle(long, wide).rotated(float(rng.uniform(0, 90))),
        ][kind]()
        lag = 0.0 if hitch is None else hitch.antenna_to_hitch_m + hitch.hitch_to_boom_m
        side = longest_side(shapely.get_parts(shape.boundary)[0]) if kind == 1 else None
        plan = plan_drive(
            shape.boundary,
            shape.boundary.difference(shape.target),
            width,
            max(6.0, width / (3 if trailed else 4)),
            lag_m=lag,
            settings=PlanSettings(contour_side=side),
        )
        settings = DriveSettings(
            speeds=Speeds(pass_m_s=speed),
            log_hz=hz,
            step_s=0.1 if hz in (2.0, 10.0) else 0.2,
            control="auto" if rng.random() < 0.7 else "manual",
            gnss_sigma_m=sigma,
            gnss_white_share=float(rng.choice([0.05, 0.2, 0.5])),
            guidance_sigma_m=float(rng.choice([0.03, 0.15])),
            charge_s=float(rng.choice([0.0, 0.0, 45.0])),
            stops=(PlannedStop(200.0, 240.0),) if rng.random() < 0.3 else (),
            log_states="valve" if rng.random() < 0.7 else "command",
            grid_m=0.5,
            seed=self.number,
        )
        return logged(drive(plan, machine, shape.target, settings), PLANE), machine
