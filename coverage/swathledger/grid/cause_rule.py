"""The one rule for the cause of a second treatment, for what was done and for what is replayed."""

from __future__ import annotations

import numpy as np

from swathledger._jit import njit_bare
from swathledger.grid.causes import CROSSING, GUIDANCE, GUIDANCE_DEG, RESTART, TURN


@njit_bare
def cause_of_strips(strips, s, before):  # type: ignore[no-untyped-def]  # numba infers the types
    """Code of the cause when strip ``s`` treats target ground that strip ``before`` treated.

    ``strips``: any named tuple of arrays ``pass_id``, ``line_id`` and ``heading_deg``.
    """
    if strips.pass_id[s] == strips.pass_id[before]:
        return np.uint8(TURN)
    difference = abs(strips.heading_deg[s] - strips.heading_deg[before]) % 180.0
    if min(difference, 180.0 - difference) > GUIDANCE_DEG:
        return np.uint8(CROSSING)
    if strips.line_id[s] == strips.line_id[before]:
        return np.uint8(RESTART)
    return np.uint8(GUIDANCE)
