"""Write all results of one audited field into a folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swathledger.report.document import ledger_bytes, ledger_document

if TYPE_CHECKING:
    from swathledger.audit import Prepared, Progress
    from swathledger.report.carrier import Audit


def write_results(
    folder: Path,
    prepared: Prepared,
    compute: Callable[..., Audit],
    *,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Compute and write; returns the document of ``ledger.json``."""
    audit = compute(prepared, sink=None, progress=progress)
    document = ledger_document(audit)
    (folder / "ledger.json").write_bytes(ledger_bytes(document))
    return document
