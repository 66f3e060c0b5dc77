"""The library's face: what ``import swathledger as sl`` offers to scripts and notebooks.

Logs, machines and fields come from files or from memory; results are data frames, arrays and pictures, in SI. The
command line and these functions call the same stages, so their numbers are the same.
"""

from swathledger.library.audited import Cells, FieldAudit, audit, replay
from swathledger.library.inputs import read_field, read_log, read_machine
from swathledger.library.many import Season, SimulatedDrive, Study, season, simulate, study
from swathledger.report.frames import frames

__all__ = [
    "Cells", "FieldAudit", "Season", "SimulatedDrive", "Study", "audit", "frames", "read_field", "read_log",
    "read_machine", "replay", "season", "simulate", "study",
]  # fmt: skip
