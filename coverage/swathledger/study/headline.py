"""The headline figures of an audited drive, for setting runs of one drive beside each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from swathledger.study.collected import AS_LOGGED
from swathledger.words import words

if TYPE_CHECKING:
    from swathledger.report.audited import Audit


@dataclass(frozen=True, slots=True)
class DriveFigure:
    """One figure of one drive.

    Attributes
    ----------
    name : str
        ``over_pct:LAYOUT``, ``skip_pct:as logged``, ``saving:FIRST:SECOND`` (percentage points of the target).
    cell_error : float
        Standard error by sampling in cells; of a saving, that of two independent areas, which is more than it has.
    """

    name: str
    words: str
    value: float
    cell_error: float


def headlines(audit: Audit) -> tuple[DriveFigure, ...]:
    """Headlines of an audit: over-application of every layout, skip, and savings from widest to finest."""
    t = words().below("study.drive_figure.")
    areas = audit.accounting.areas
    target = areas.m2("target")
    if target <= 0:
        return ()
    share = 100.0 / target
    values = {AS_LOGGED: (areas.m2("over_application") * share, areas.standard_error_m2("over_application") * share)}
    widths: list[tuple[float, str]] = []
    if audit.replay is not None:
        for result in audit.replay.results:
            name, width = result.layout.name, result.layout.group_width_m
            base = 100.0 / result.m2("target")
            values[name] = (result.m2("over_application") * base, result.standard_error_m2 * base)
            if width is not None:
                widths.append((width, name))
    out = []
    for name, (value, error) in values.items():
        told = t("over_as_logged") if name == AS_LOGGED else t("over", layout=name)
        out.append(DriveFigure(f"over_pct:{name}", told, value, error))
    skip, error = areas.m2("skip") * share, areas.standard_error_m2("skip") * share
    out.append(DriveFigure(f"skip_pct:{AS_LOGGED}", t("skip"), skip, error))
    pairs: list[tuple[str, str]] = []
    if widths:
        finest = min(widths)[1]
        pairs.append((AS_LOGGED, finest))
        if len(widths) > 1:
            pairs.append((max(widths)[1], finest))
    for first, second in pairs:
        (a, ea), (b, eb) = values[first], values[second]
        name, told = f"saving:{first}:{second}", t("saving", first=first, second=second)
        out.append(DriveFigure(name, told, a - b, math.hypot(ea, eb)))
    return tuple(out)
