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
        As in ledgers; words of the faces are keyed by it.
    decided_by : {"place", "litres", "strips"}
        Where the treatment lies; litres that left at standstill and lie on no ground; or the two strips that met.
    colour : str
        On maps. These can be told apart by people who see colours otherwise, too.
    """

    name: str
    decided_by: Literal["place", "litres", "strips"]
    colour: str


TABLE = (
    Cause("outside", "place", "#cc79a7"),
    Cause("excluded", "place", "#e69f00"),
    Cause("standing", "litres", "#000000"),
    Cause("turn", "strips", "#56b4e9"),
    Cause("restart", "strips", "#009e73"),
    Cause("guidance", "strips", "#d55e00"),
    Cause("crossing", "strips", "#0072b2"),
)
"""All causes in the order in which they are told. A cell's code is 1 + the index here; 0 is no cause."""

CAUSES = ("none", *(cause.name for cause in TABLE))
"""Names by code."""
CAUSE_ORDER = CAUSES[1:]
LAID = tuple(cause.name for cause in TABLE if cause.decided_by != "litres")
"""Causes of over-application that was laid while driving."""
BY_STRIPS = tuple(cause.name for cause in TABLE if cause.decided_by == "strips")
OUTSIDE, EXCLUDED = CAUSES.index("outside"), CAUSES.index("excluded")
TURN, RESTART = CAUSES.index("turn"), CAUSES.index("restart")
GUIDANCE, CROSSING = CAUSES.index("guidance"), CAUSES.index("crossing")
