"""Geometry of the drawn charts: where every mark and label stands. The templates draw it as SVG."""

from __future__ import annotations

import math
from typing import Any, Final

from swathledger.report.numbers import Figures
from swathledger.units import QUANTITIES
from swathledger.words.numbers import decimal

WIDTH: Final = 520.0
HEIGHT: Final = 300.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 14.0, 30.0, 50.0


def nice_ticks(top: float, count: int = 5) -> list[float]:
    """Ticks from 0 to at least ``top`` in steps of 1, 2, 2.5 or 5 times a power of ten.

    Examples
    --------
    >>> nice_ticks(8.0)
    [0.0, 2.0, 4.0, 6.0, 8.0]
    """
    if not top > 0:
        return [0.0, 1.0]
    rough = top / count
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(f * power for f in (1.0, 2.0, 2.5, 5.0, 10.0) if f * power >= rough * (1 - 1e-9))
    return [round(i * step, 12) for i in range(math.ceil(top / step - 1e-9) + 1)]


def replay_chart(figures: Figures) -> dict[str, Any] | None:
    """Over-application and skips against the width of an outlet group; None where nothing was replayed.

    The width axis is logarithmic, fine on the left. ``limit`` has no width: it is the floor, drawn as a line.
    """
    replay: list[dict[str, Any]] = figures.document["replay"]
    points = [row for row in replay if row["group_width_m"] is not None and row["over_application_pct"] is not None]
    model = figures.document["model"]
    if not points or model is None:
        return None
    points.sort(key=lambda row: row["group_width_m"])
    done = model["as_logged"]
    floor = next((row["over_application_pct"] for row in replay if row["group_width_m"] is None), None)
    marked = [*points, *([done] if done["group_width_m"] is not None else [])]
    ticks = nice_ticks(max(max(row["over_application_pct"], row["skip_pct"]) for row in [*points, done]))
    low = math.log(min(row["group_width_m"] for row in marked))
    high = math.log(max(row["group_width_m"] for row in marked))
    span = max(high - low, 1e-9)

    def x(width_m: float) -> float:
        if high == low:
            return LEFT + (WIDTH - LEFT - RIGHT) / 2
        return round(LEFT + 16 + (math.log(width_m) - low) / span * (WIDTH - LEFT - RIGHT - 32), 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - value / ticks[-1] * (HEIGHT - TOP - BOTTOM), 1)

    labels: list[dict[str, Any]] = []
    for row in points:
        place = x(row["group_width_m"])
        width = figures.face("length", row["group_width_m"])
        if not labels or place - labels[-1]["x"] >= 34:
            shown = decimal(width, QUANTITIES["length"].face(figures.system).digits)
            labels.append({"x": place, "text": shown.rstrip("0").rstrip(".")})
    digits = 0 if all(float(t).is_integer() for t in ticks) else 1 if ticks[1] * 10 % 1 == 0 else 2
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "bottom": HEIGHT - BOTTOM,
        "top": TOP,
        "y_ticks": [{"y": y(t), "text": decimal(t, digits)} for t in ticks],
        "x_labels": labels,
        "over": [{"x": x(r["group_width_m"]), "y": y(r["over_application_pct"])} for r in points],
        "skip": [{"x": x(r["group_width_m"]), "y": y(r["skip_pct"])} for r in points],
        "floor_y": None if floor is None else y(floor),
        "done": None
        if done["group_width_m"] is None
        else {"x": x(done["group_width_m"]), "y": y(done["over_application_pct"]), "skip_y": y(done["skip_pct"])},
        "unit": figures.symbol("length"),
    }
