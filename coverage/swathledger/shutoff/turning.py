"""What flow control of every nozzle would have spared in turns: the other kind of finer control."""

from __future__ import annotations

import numpy as np

from swathledger.swath.swath import Swath

LEAST_UNEVEN = 0.05
"""Boom ends must differ from the centre by this share for a step to count as turning."""
_CHUNK = 20_000


def turn_litres(swath: Swath) -> tuple[float | None, float | None]:
    """Litres above and below the set dose in turns.

    A nozzle at lateral ``x`` (right of the centre) moves ``|1 - k x|`` times as far as the boom centre while the boom
    yaws ``k`` per metre. With one flow for all, its share of the volume is ``1 / |1 - k x|`` times the dose; a nozzle
    whose flow followed its own speed would lay ``1 - |1 - k x|`` less (inside) or ``|1 - k x| - 1`` more (outside).

    Returns
    -------
    above_l, below_l : float or None
        What flow control would have spared, and what it would have added. None where litres are unknown.
    """
    if swath.dose_l_per_m2 is None:
        return None, None
    step = swath.ribbon_step
    reach = np.maximum(np.abs(swath.ribbon_left_m), np.abs(swath.ribbon_right_m))
    turning = np.flatnonzero(np.abs(swath.turn_per_m[step]) * reach > LEAST_UNEVEN)
    edges = swath.nozzle_edges_m
    parts = max(edges.shape[0] - 1, int(np.ceil((edges[-1] - edges[0]) / 0.5)))
    cut = np.linspace(float(edges[0]), float(edges[-1]), parts + 1)
    above = below = 0.0
    for start in range(0, turning.shape[0], _CHUNK):
        r = turning[start : start + _CHUNK]
        left = np.maximum(cut[:-1], swath.ribbon_left_m[r, None])
        right = np.minimum(cut[1:], swath.ribbon_right_m[r, None])
        width = np.maximum(right - left, 0.0)
        way = np.abs(1.0 - swath.turn_per_m[step[r], None] * (left + right) / 2)
        litres = (swath.dose_l_per_m2[step[r]] * swath.distance_m[step[r]])[:, None] * width
        above += float((litres * np.maximum(1.0 - way, 0.0)).sum())
        below += float((litres * np.maximum(way - 1.0, 0.0)).sum())
    return above, below
