"""One document with everything that `prime` knows of a machine, SI, absent knowledge null."""

from __future__ import annotations

import math
from typing import Any

from swathledger.errors import InputError
from swathledger.machine.machine import Machine
from swathledger.machine.plumbing import Plumbing
from swathledger.notes import Note
from swathledger.plumbing.prime import FlowBasis, boom_flow, prime, recirculation
from swathledger.plumbing.rinse import continuous_residue_share, rinse_plan
from swathledger.words import say_all, words

SCHEMA = "swathledger/prime/1"


def _time(litres: float | None, flow: FlowBasis) -> float | None:
    return None if litres is None or flow.flow_l_s is None else litres / flow.flow_l_s


def prime_document(
    machine: Machine,
    *,
    flow_l_s: float | None = None,
    speed_m_s: float | None = None,
    strength: float = 0.95,
    residue: float = 0.02,
    rinses: int | None = None,
) -> dict[str, Any]:
    """Volumes, prime, rinse plan, dead ends and recirculation of one machine.

    Parameters
    ----------
    flow_l_s : float, optional
        Flow of the whole boom, L/s; else from the nozzles' flow, else from set rate, width and speed.
    speed_m_s : float, optional
        Speed that goes with the set rate, m/s.
    strength : float
        C/C0 that counts as full strength in the mixed model.
    residue : float
        Wanted C/C0 after rinsing.
    rinses : int, optional
        Rinses to plan for. None: the fewest whose water the rinse tank holds, else 3.

    Returns
    -------
    dict
        Ready for JSON; every assumption is under ``assumptions``.

    Raises
    ------
    MachineError, InputError
    """
    if not 0 < strength < 1:
        raise InputError(f"must lie between 0 and 1, found {strength!r}.", column="strength")
    plumbing = machine.plumbing
    flow = boom_flow(
        plumbing, flow_l_s=flow_l_s, rate_l_m2=machine.set_rate_l_m2, width_m=machine.boom.width_m, speed_m_s=speed_m_s
    )
    notes = list(plumbing.assumptions)
    if plumbing.lines and plumbing.held_l is None:
        notes.append(Note.of("plumbing.held_unknown"))
    if not plumbing.lines and plumbing.held_l is not None:
        notes.append(Note.of("plumbing.no_lines"))
    if plumbing.lines and plumbing.nozzle_body_l is None:
        notes.append(Note.of("plumbing.nozzle_bodies_unknown"))
    rinse = _rinse(plumbing, residue, rinses, notes)
    return {
        "schema": SCHEMA,
        "machine": machine.name,
        "nozzles": plumbing.nozzle_count,
        "sections": list(plumbing.sections),
        "volumes": _volumes(plumbing),
        "flow": {"flow_l_s": flow.flow_l_s, "source": flow.source, "speed_m_s": flow.speed_m_s},
        "prime": _prime(plumbing, flow, strength),
        "recirculation": _recirculation(plumbing, flow, strength),
        "rinse": rinse,
        "assumptions": say_all(notes),
        "codes": {"assumptions": [note.document() for note in notes]},
        "cautions": [str(text) for text in words().items("prime.cautions")],
    }


def _volumes(plumbing: Plumbing) -> dict[str, Any]:
    return {
        "lines": [
            {
                "name": line.name,
                "carries": line.carries,
                "section": line.section,
                "count": plumbing.line_count(line),
                "inner_diameter_m": line.inner_diameter_m,
                "length_m": line.length_m,
                "volume_l": plumbing.line_total_l(line),
            }
            for line in plumbing.lines
        ],
        "lines_l": plumbing.lines_l,
        "held_l": plumbing.held_l,
        "nozzle_bodies_l": plumbing.nozzle_bodies_l,
        "swept_l": plumbing.swept_l,
        "dead_ends": plumbing.dead_end_count,
        "dead_end_l": plumbing.dead_end_l,
        "tank_residual_l": plumbing.residual_l,
        "tank_l": plumbing.tank_l,
        "rinse_tank_l": plumbing.rinse_tank_l,
    }


def _prime(plumbing: Plumbing, flow: FlowBasis, strength: float) -> dict[str, Any] | None:
    found = prime(plumbing, strength)
    if found is None:
        return None
    return {
        "strength": strength,
        "plug_l": found.plug_l,
        "plug_s": _time(found.plug_l, flow),
        "plug_product_l": found.plug_product_l,
        "mixed_l": found.mixed_l,
        "mixed_s": _time(found.mixed_l, flow),
        "governing_section": found.governing_section,
        "sections": [
            {
                "section": row.section,
                "nozzles": row.nozzles,
                "hose_l": row.hose_l,
                "pipe_l": row.pipe_l,
                "plug_l": row.out_l,
                "plug_s": _time(row.out_l, flow),
            }
            for row in found.sections
        ],
    }


def _recirculation(plumbing: Plumbing, flow: FlowBasis, strength: float) -> dict[str, Any] | None:
    found = recirculation(plumbing, strength)
    if found is None:
        return None
    return {
        "recirculates": plumbing.recirculates,
        "returned_low_l": found.returned_low_l,
        "returned_high_l": found.returned_high_l,
        "still_poured_low_l": found.still_low_l,
        "still_poured_high_l": found.still_high_l,
        "still_poured_low_s": _time(found.still_low_l, flow),
        "content_returned_l": found.returned_content_l,
        "product_after_rinse_l": found.product_after_rinse_l,
        "strength_after_return": found.strength_in_tank(plumbing.tank_l),
        "nozzle_bodies_known": found.nozzle_bodies_known,
    }


def _rinse(plumbing: Plumbing, residue: float, rinses: int | None, notes: list[Note]) -> dict[str, Any] | None:
    swept = plumbing.swept_l
    if swept is None:
        return None
    if plumbing.residual_l is None:
        notes.append(Note.of("plumbing.residual_unknown"))
    residual = swept + (plumbing.residual_l or 0.0)
    if residual == 0:
        return None
    tank = plumbing.rinse_tank_l
    plan = rinse_plan(residual, residue, rinse_tank_l=tank, most=max(5, rinses or 0))
    planned = rinses or plan.fewest_that_fit or 3
    row = plan.rows[planned - 1]
    continuous = residual * math.log(1.0 / residue)
    return {
        "residual_l": residual,
        "residue": residue,
        "rinse_tank_l": tank,
        "planned": {
            "rinses": planned,
            "water_each_l": row.water_each_l,
            "water_total_l": row.water_total_l,
            "fits": row.fits,
        },
        "rows": [
            {
                "rinses": row.rinses,
                "water_each_l": row.water_each_l,
                "water_total_l": row.water_total_l,
                "fits": row.fits,
                "residue_with_tank": row.residue_with_tank,
            }
            for row in plan.rows
        ],
        "fewest_that_fit": plan.fewest_that_fit,
        "continuous_water_l": continuous,
        "continuous_residue_with_tank": None if tank is None else continuous_residue_share(residual, tank),
    }
