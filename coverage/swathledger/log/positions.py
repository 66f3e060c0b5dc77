"""Positions from columns: plain degrees, degrees with minutes or a hemisphere, or metres of a named projection."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.columns import ColumnPlan
from swathledger.log.geometry import to_wgs84
from swathledger.log.table import Column, RawTable
from swathledger.notes import Note

Floats = NDArray[np.float64]
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_ANGLE = re.compile(
    rf"^\s*([NSEWO+-])?\s*{_NUMBER}\s*(?:[°d:\s]\s*{_NUMBER}\s*(?:['′m:\s]\s*{_NUMBER}\s*(?:\"|″|'')?)?)?"
    r"\s*[°'′\"″m]*\s*([NSEWO])?\s*$",
    re.IGNORECASE,
)
_WEST_SOUTH = frozenset("WS-")


@lru_cache(maxsize=65_536)
def angle_deg(text: str) -> float:
    """Degrees of ``54.4N``, ``54°24.5'N``, ``S 31 30 05.2`` and the like; NaN where it is none of them.

    West and south are negative. ``O`` is west in some languages and east in another, so it gives NaN.

    Examples
    --------
    >>> angle_deg("54.4N"), angle_deg("W 3°30'"), angle_deg("31 30 36 S")
    (54.4, -3.5, -31.51)
    """
    found = _ANGLE.match(text)
    if found is None:
        return float("nan")
    before, degrees, minutes, seconds, after = found.groups()
    marks = {mark.upper() for mark in (before, after) if mark} - {"+"}
    if "O" in marks or len(marks - {"-"}) > 1 or (("-" in marks) and len(marks) > 1):
        return float("nan")
    parts = [0.0 if part is None else float(part.replace(",", ".")) for part in (degrees, minutes, seconds)]
    if parts[1] >= 60 or parts[2] >= 60:
        return float("nan")
    value = parts[0] + parts[1] / 60 + parts[2] / 3600
    return -value if marks & _WEST_SOUTH else value


def _degrees(column: Column, header: str, file: str, warnings: list[Note]) -> Floats:
    found = column.numbers()
    odd = np.flatnonzero(found.unreadable)
    if odd.size <= found.values.size / 2 or not odd.size:
        return found.values
    words = column.words()
    values = np.array([angle_deg(word) for word in words])
    if not np.isfinite(values).any():
        return found.values
    first = int(np.flatnonzero(np.isfinite(values))[0])
    warnings.append(Note.of("log.angles", file=file, header=header, cell=words[first], value=f"{values[first]:.7f}"))
    return values


def positions(raw: RawTable, plan: ColumnPlan, options: Mapping[str, object]) -> tuple[Floats, Floats, list[Note]]:
    """Latitude and longitude of every row, WGS84 degrees, NaN where a cell says none.

    Raises
    ------
    LogError
        ``x_m`` and ``y_m`` without ``[log] crs``, or a projection that is not known.
    """
    warnings: list[Note] = []
    if "latitude" in plan.fixed and "longitude" in plan.fixed:
        out = [_degrees(raw.columns[plan.fixed[name]], plan.fixed[name], raw.file, warnings)
               for name in ("latitude", "longitude")]  # fmt: skip
        return out[0], out[1], warnings
    crs = options.get("crs")
    if crs is None:
        raise LogError(
            f"positions are metres in {plan.fixed['x_m']!r} and {plan.fixed['y_m']!r}, of a projection not named.",
            file=raw.file,
            column=plan.fixed["x_m"],
            hint='Name it in the machine file, e.g. [log] crs = "EPSG:32632" (zone 32 north of UTM).',
        )
    x, y = (raw.columns[plan.fixed[name]].numbers().values for name in ("x_m", "y_m"))
    latitude, longitude, told = to_wgs84(x, y, str(crs), raw.file)
    return latitude, longitude, [*warnings, *told]
