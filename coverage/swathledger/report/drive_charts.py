"""Charts of one drive: how the dose spread over the target, and speed and rate pass by pass."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from swathledger.grid.tally import OVERLAP, SINGLE
from swathledger.report.charts import nice_ticks
from swathledger.report.layers import dose_shares
from swathledger.report.map import Picture
from swathledger.report.read_results import Stored
from swathledger.units import UnitSystem, to_face, unit_symbol
from swathledger.words.numbers import decimal

BIN: Final = 0.05
TOP_SHARE: Final = 2.5
WIDTH: Final = 520.0
LEFT, RIGHT, TOP = 52.0, 14.0, 30.0


def dose_chart(stored: Stored, picture: Picture) -> dict[str, Any] | None:
    """Share of the treated target at each dose, from the spots of the map; None where doses are not known."""
    volume = stored.document["volume"]
    if volume is None:
        return None
    share = dose_shares(picture, volume.get("set_rate_l_m2"))
    known = share[np.isfinite(share) & np.isin(picture.classes, (SINGLE, OVERLAP))]
    if known.size == 0:
        return None
    counts, edges = np.histogram(np.minimum(known, TOP_SHARE - 1e-9), np.arange(0.0, TOP_SHARE + BIN / 2, BIN))
    pct = 100.0 * counts / known.size
    ticks = nice_ticks(float(pct.max()), 4)
    height, bottom = 240.0, 190.0
    step = (WIDTH - LEFT - RIGHT) / counts.size

    def y(value: float) -> float:
        return round(bottom - value / ticks[-1] * (bottom - TOP), 1)

    marks = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5)
    return {
        "width": WIDTH, "height": height, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP, "bottom": bottom,
        "bars": [
            {"x": round(LEFT + i * step + 0.5, 1), "y": y(float(value)), "width": round(step - 1, 1),
             "height": round(bottom - y(float(value)), 1), "near": 0.9 - 1e-9 <= edges[i] < 1.1 - 1e-9}
            for i, value in enumerate(pct) if value > 0
        ],
        "y_ticks": [{"y": y(tick), "text": f"{tick:g}"} for tick in ticks],
        "x_ticks": [
            {"x": round(LEFT + m / TOP_SHARE * (WIDTH - LEFT - RIGHT), 1),
             "text": f"{100 * m:.0f}" + ("+" if m == TOP_SHARE else "")}
            for m in marks
        ],
    }  # fmt: skip


def _panel(passes: list[dict[str, Any]], key: str, kind: str, scale: float, system: UnitSystem, top: float,
           end_s: float) -> dict[str, Any] | None:  # fmt: skip
    known = [row for row in passes if row[key] is not None]
    if not known:
        return None
    values = [to_face(kind, row[key] * scale, system) for row in known]
    ticks = nice_ticks(max(values), 3)
    bottom = top + 90.0

    def x(seconds: float) -> float:
        return round(LEFT + seconds / end_s * (WIDTH - LEFT - RIGHT), 1)

    def y(value: float) -> float:
        return round(bottom - value / ticks[-1] * 80.0, 1)

    return {
        "top": top,
        "bottom": bottom,
        "kind": kind,
        "unit": unit_symbol(kind, system),
        "y_ticks": [{"y": y(tick), "text": decimal(tick, 0 if ticks[-1] >= 5 else 1)} for tick in ticks],
        "dashes": [
            {"x1": x(row["start_s"]), "x2": max(x(row["end_s"]), x(row["start_s"]) + 1.5), "y": y(value)}
            for row, value in zip(known, values, strict=True)
        ],
    }


def drive_chart(stored: Stored, system: UnitSystem) -> dict[str, Any] | None:
    """Mean speed and rate of each pass against the time since the log's start; None without passes."""
    passes = stored.layers["passes"].rows
    end = max((row["end_s"] for row in passes), default=0.0)
    if not end > 0:
        return None
    panels = [
        panel for panel in (
            _panel(passes, "mean_speed_m_s", "speed", 1.0, system, 24.0, end),
            _panel(passes, "mean_rate_l_ha", "rate", 1e-4, system, 148.0, end),
        ) if panel is not None
    ]  # fmt: skip
    if not panels:
        return None
    ticks = nice_ticks(end / 60.0, 6)
    return {
        "width": WIDTH,
        "height": panels[-1]["bottom"] + 46,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "panels": panels,
        "bottom": panels[-1]["bottom"],
        "x_ticks": [
            {"x": round(LEFT + tick * 60.0 / end * (WIDTH - LEFT - RIGHT), 1), "text": f"{tick:g}"}
            for tick in ticks
            if tick * 60.0 <= end
        ],
    }
