"""swathledger: where each square metre and each litre of a spray drive went.

``import swathledger as sl`` offers what :data:`__all__` names; all else may change from one version to the next.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from swathledger._version import __version__ as __version__

if TYPE_CHECKING:
    from swathledger.errors import SwathledgerError as SwathledgerError
    from swathledger.library.audited import Cells as Cells
    from swathledger.library.audited import FieldAudit as FieldAudit
    from swathledger.library.audited import audit as audit
    from swathledger.library.audited import replay as replay
    from swathledger.library.inputs import read_field as read_field
    from swathledger.library.inputs import read_log as read_log
    from swathledger.library.inputs import read_machine as read_machine
    from swathledger.library.many import Season as Season
    from swathledger.library.many import SimulatedDrive as SimulatedDrive
    from swathledger.library.many import Study as Study
    from swathledger.library.many import season as season
    from swathledger.library.many import simulate as simulate
    from swathledger.library.many import study as study
    from swathledger.report.frames import frames as frames

__all__ = [
    "Cells", "FieldAudit", "Season", "SimulatedDrive", "Study", "SwathledgerError", "__version__", "audit", "frames",
    "read_field", "read_log", "read_machine", "replay", "season", "simulate", "study",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'swathledger' has no attribute {name!r}")
    from swathledger.library import public

    return public(name)


def __dir__() -> list[str]:
    return __all__
