"""All files of one audited field, written into a folder."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from swathledger.documents.document import dump
from swathledger.documents.ledger import Ledger
from swathledger.documents.table import ledger_csv
from swathledger.report.document import ledger_of
from swathledger.report.page import render_report
from swathledger.report.polygonise import audit_pieces
from swathledger.report.raster import CoverRaster
from swathledger.report.vector import write_vector

if TYPE_CHECKING:
    from swathledger.ledger.account import Sink
    from swathledger.ledger.place import Placed
    from swathledger.report.audited import Audit, Progress


_COMPUTED, _COVER_WRITTEN = 0.8, 0.95
"""Shares of the work that are done when all is computed, and when the raster is written."""


def share_of_computing(progress: Progress | None) -> Progress | None:
    """Progress for the computing that comes before the files."""
    return None if progress is None else (lambda what, share: progress(what, _COMPUTED * share))


class ResultFolder:
    """Takes the cells of a field while they are counted, then writes everything.

    Use it as a context. Hand :attr:`sinks` to the accounting, then call :meth:`write` with what came of it.

    Parameters
    ----------
    folder : Path
        An empty folder; the caller puts it in its place once everything is written.
    threads : int
        Threads that compress; no byte of a file changes.

    Raises
    ------
    OutputError
        Something cannot be written.
    """

    def __init__(self, folder: Path, placed: Placed, threads: int = 1) -> None:
        self._folder = folder
        plane, rate = placed.field.plane, placed.rate.constant_l_m2
        self._cover = CoverRaster(folder, placed.frame, plane.proj4, rate, threads)
        self._pieces, self._take_pieces = audit_pieces(placed.frame)

    @property
    def sinks(self) -> tuple[Sink, ...]:
        """What must be shown every band."""
        return self._cover.add, self._take_pieces

    def __enter__(self) -> Self:
        self._cover.__enter__()
        return self

    def write(self, audit: Audit, progress: Progress | None = None) -> Ledger:
        """Write ``ledger.json``, ``ledger.csv``, ``cover.tif``, ``ledger.gpkg`` and ``report.html``.

        Returns
        -------
        Ledger
            The document of ``ledger.json``.
        """

        def told(what: str, share: float) -> None:
            if progress is not None:
                progress(what, share)

        folder = self._folder
        told("writing cover.tif", _COMPUTED)
        self._cover.finish(folder / "cover.tif")
        told("writing the ledger", _COVER_WRITTEN)
        pieces = self._pieces.finish()
        document = ledger_of(audit, pieces)
        (folder / "ledger.json").write_bytes(dump(document))
        (folder / "ledger.csv").write_bytes(ledger_csv(document))
        write_vector(folder / "ledger.gpkg", audit, pieces, document)
        (folder / "report.html").write_bytes(render_report(folder, audit.settings.units))
        told("done", 1.0)
        return document

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._cover.__exit__(kind, error, trace)
