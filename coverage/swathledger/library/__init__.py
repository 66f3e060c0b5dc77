"""The library's face: what ``import swathledger as sl`` offers to scripts and notebooks.

Logs, machines and fields come from files or from memory; results are data frames, arrays and pictures, in SI. The
command line and these functions call the same stages, so their numbers are the same.
"""

from importlib import import_module
from typing import Any, Final

HOME: Final = {
    "SwathledgerError": "swathledger.errors",
    "frames": "swathledger.report.frames",
    **dict.fromkeys(("read_field", "read_log", "read_machine"), "swathledger.library.inputs"),
    **dict.fromkeys(("Cells", "FieldAudit", "audit", "replay"), "swathledger.library.audited"),
    **dict.fromkeys(("Season", "SimulatedDrive", "Study", "season", "simulate", "study"), "swathledger.library.many"),
}
"""Module of each public name; none is imported before it is asked for."""


def public(name: str) -> Any:
    """The object of a public name."""
    return getattr(import_module(HOME[name]), name)
