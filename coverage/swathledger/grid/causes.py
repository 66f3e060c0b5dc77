"""Why ground is over-applied: the one table of causes. Imports nothing, so that every face may read it.

A new cause is one row of :data:`TABLE` and, where strips decide it, one line of
:func:`swathledger.grid.cause_rule.cause_of_strips`.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

GUIDANCE_DEG = 15.0
"""Neighbouring passes whose headings differ by no more than this, modulo 180, overlap by guidance."""


class Cause(NamedTuple):
    """One cause.

    Attributes
    ----------
    name : str
        As in ledgers; colours and words of the faces are keyed by it.
    decided_by : {"place", "litres", "strips"}
        Where the treatment lies; litres that left at standstill and lie on no ground; or the two strips that met.
    """

    name: str
    decided_by: Literal["place", "litres", "strips"]


TABLE = (
    Cause("outside", "place"),
    Cause("excluded", "place"),
    Cause("standing", "litres"),
    Cause("turn", "strips"),
    Cause("restart", "strips"),
    Cause("guidance", "strips"),
    Cause("crossing", "strips"),
)
"""All causes in the order in which they are told. A cell's code is 1 + the index here; 0 is no cause."""

NONE = 0
CAUSES = ("none", *(cause.name for cause in TABLE))
"""Names by code."""
CAUSE_ORDER = CAUSES[1:]
LAID = tuple(cause.name for cause in TABLE if cause.decided_by != "litres")
"""Causes of over-application that was laid while driving."""
BY_STRIPS = tuple(cause.name for cause in TABLE if cause.decided_by == "strips")
OUTSIDE, EXCLUDED = CAUSES.index("outside"), CAUSES.index("excluded")
TURN, RESTART = CAUSES.index("turn"), CAUSES.index("restart")
GUIDANCE, CROSSING = CAUSES.index("guidance"), CAUSES.index("crossing")
