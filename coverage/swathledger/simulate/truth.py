"""What really happened, kept beside a simulated log."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swathledger.simulate.path import Floats, forward_unit
from swathledger.words import say_all

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane
    from swathledger.simulate.drive import Driven

SCHEMA = "swathledger/truth/1"


def swept_m2(driven: Driven) -> Floats:
    """(sections,) ground truly swept with the valve open, each time it was, m2.

    Half of every quadrangle between the section's edges at two ticks is swept under the state of each. A quadrangle's
    two halves (left and right edge) are signed, so that an inner end sweeping backwards in a tight turn counts as
    ground passed over by its absolute value.
    """
    m, boom = driven.motion, driven.machine.boom
    edges = boom.nozzle_edges_m[np.concatenate([[0], np.cumsum(boom.sections)])]
    east, north = forward_unit(m.boom_heading_deg)
    px = m.boom_x_m[:, None] + edges[None, :] * north[:, None]
    py = m.boom_y_m[:, None] - edges[None, :] * east[:, None]
    dx, dy = np.diff(px, axis=0), np.diff(py, axis=0)
    # How far each edge moved ahead, seen along the mean heading of the step.
    me, mn = (east[1:] + east[:-1]) / 2, (north[1:] + north[:-1]) / 2
    norm = np.hypot(me, mn)
    ahead = (dx * me[:, None] + dy * mn[:, None]) / norm[:, None]
    a, b = ahead[:, :-1], ahead[:, 1:]
    width = np.diff(edges)[None, :]
    same = np.signbit(a) == np.signbit(b)
    crossing = np.where(same, 1.0, np.abs(a) + np.abs(b))
    area = np.where(same, width * np.abs(a + b) / 2, width * (a**2 + b**2) / (2 * np.maximum(crossing, 1e-12)))
    valve = driven.control.valve.astype(np.float64)
    return np.asarray((area * (valve[1:] + valve[:-1]) / 2).sum(axis=0), dtype=np.float64)


def open_spans(driven: Driven) -> list[list[list[float]]]:
    """For each section the [on, off] times of its valve, seconds from the start of the drive.

    A tick's state holds from half a tick before it to half a tick after.
    """
    valve, step = driven.control.valve, driven.settings.step_s
    last = (valve.shape[0] - 1) * step
    out = []
    for k in range(valve.shape[1]):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], valve[:, k], [False]]).astype(np.int8)))
        times = np.clip((edges - 0.5) * step, 0.0, last)
        out.append([[round(float(a), 3), round(float(b), 3)] for a, b in times.reshape(-1, 2)])
    return out


def truth_document(driven: Driven, field_id: str, *, valves: bool = True) -> dict[str, Any]:
    """The truth as plain data, SI units; ``valves`` False leaves out the times of every valve."""
    plan, s = driven.plan, driven.settings
    swept = swept_m2(driven)
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "field": field_id,
        "machine": driven.machine.name,
        "start_s": s.start_s,
        "duration_s": round(float(driven.motion.time_s[-1]), 3),
        "rows_logged": len(driven.rows),
        "volume_l": round(driven.volume_l, 6),
        "swept_m2": round(float(swept.sum()), 2),
        "swept_by_section_m2": [round(float(v), 2) for v in swept],
        "gnss_sigma_m": driven.gnss_sigma_m,
        "events": [
            {
                "kind": e.kind,
                "start_s": round(e.start_s, 3),
                "end_s": round(e.end_s, 3),
                "volume_l": round(e.volume_l, 6),
            }
            for e in driven.events
        ],
        "plan": {
            "bearing_deg": plan.bearing_deg,
            "headland_laps": plan.headland_laps,
            "turning_radius_m": plan.turning_radius_m,
            "length_m": round(plan.length_m, 2),
            "spray_wanted_m": round(plan.sprayed_m, 2),
            "segments": [
                {"kind": g.kind, "spray": g.spray, "length_m": round(g.length_m, 2), "reverse": g.reverse}
                for g in plan.segments
            ],
            "notes": say_all(plan.notes),
            "codes": [note.document() for note in plan.notes],
        },
        "settings": asdict(s),
    }
    if valves:
        document["valve_open_s"] = open_spans(driven)
    return document


def truth_text(driven: Driven, field_id: str, *, valves: bool = True) -> str:
    """:func:`truth_document` as JSON text, one list of valve times a line."""
    document = truth_document(driven, field_id, valves=valves)
    spans = document.pop("valve_open_s", None)
    segments = document["plan"].pop("segments")
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    rows = ",\n  ".join(json.dumps(segment) for segment in segments)
    text = text[:-2] + f',\n "segments": [\n  {rows}\n ]\n}}'
    if spans is not None:
        lines = ",\n  ".join(json.dumps(section, separators=(",", ":")) for section in spans)
        text = text[:-2] + f',\n "valve_open_s": [\n  {lines}\n ]\n}}'
    return text + "\n"


def write_truth_table(driven: Driven, plane: LocalPlane, path: Path) -> None:
    """Every tick as Parquet: true antenna (degrees and plane metres), boom, heading, speed, valves, flow."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from swathledger.simulate.path import exact_degrees

    m = driven.motion
    latitude, longitude = exact_degrees(plane, m.antenna_x_m, m.antenna_y_m)
    columns: dict[str, Any] = {
        "time_s": driven.settings.start_s + m.time_s,
        "latitude": latitude,
        "longitude": longitude,
        "antenna_x_m": m.antenna_x_m,
        "antenna_y_m": m.antenna_y_m,
        "boom_x_m": m.boom_x_m,
        "boom_y_m": m.boom_y_m,
        "heading_deg": m.heading_deg,
        "boom_heading_deg": m.boom_heading_deg,
        "speed_m_s": np.where(m.reverse, -m.speed_m_s, m.speed_m_s),
        "wanted": driven.wanted,
        "flow_l_s": driven.flow_l_s,
        "rate_l_m2": driven.rate_l_m2,
    }
    for k in range(driven.control.valve.shape[1]):
        columns[f"valve_{k + 1}"] = driven.control.valve[:, k]
        columns[f"command_{k + 1}"] = driven.control.command[:, k]
    table = pa.table(columns).replace_schema_metadata({"projection": plane.proj4, "schema": SCHEMA})
    pq.write_table(table, path, compression="zstd")
