"""Quantities of the machine file that may be written in one of several units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from swathledger.units import M_PER_FT, M_PER_IN

_LENGTH = {"m": 1.0, "in": M_PER_IN, "ft": M_PER_FT}


def length(table: Mapping[str, Any], stem: str) -> float | None:
    """Length in metres of whichever of ``stem_m``, ``stem_in``, ``stem_ft`` is a finite number; None when none is."""
    for unit, factor in _LENGTH.items():
        value = table.get(f"{stem}_{unit}")
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return float(value) * factor
    return None
