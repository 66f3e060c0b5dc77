"""Write all results of one audited field into a folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from swathledger.documents.document import dump
from swathledger.documents.ledger import Ledger
from swathledger.documents.table import ledger_csv
from swathledger.errors import InputError
from swathledger.ledger.account import frame_of, near_ribbons
from swathledger.ledger.accounting import BandRaster
from swathledger.ledger.rate import set_rate
from swathledger.report.document import ledger_of
from swathledger.report.page import render_report
from swathledger.report.polygonise import audit_pieces
from swathledger.report.raster import CoverRaster
from swathledger.report.vector import write_vector

if TYPE_CHECKING:
    from swathledger.report.audited import Audit, Prepared, Progress


_COMPUTING, _COVER_WRITTEN = 0.8, 0.95
"""Shares of the work that are done when all is computed, and when the raster is written."""


def write_results(
    folder: Path, prepared: Prepared, compute: Callable[..., Audit], *, progress: Progress | None = None
) -> Ledger:
    """Compute and write ``ledger.json``, ``ledger.csv``, ``cover.tif``, ``ledger.gpkg`` and ``report.html``.

    Parameters
    ----------
    folder : Path
        An empty folder; the caller puts it in its place once everything is written.
    prepared : Prepared
    compute : callable
        Called as ``compute(prepared, sink=..., progress=...)``.

    Returns
    -------
    Ledger
        The document of ``ledger.json``.

    Raises
    ------
    OutputError
        Something cannot be written.
    """
    cell_m = prepared.settings.cell_m
    if cell_m is None:
        raise InputError("settings must be resolved before results are written; call prepare() first")
    near, _ = near_ribbons(prepared.swath, prepared.field)
    frame = frame_of(prepared.swath, prepared.field, cell_m, near)
    rate = set_rate(prepared.log, prepared.machine, prepared.swath, []).constant_l_m2
    collector, take_pieces = audit_pieces(frame)

    def told(what: str, share: float) -> None:
        if progress is not None:
            progress(what, share)

    def computing(what: str, share: float) -> None:
        told(what, _COMPUTING * share)

    with CoverRaster(folder, frame, prepared.field.plane.proj4, rate, prepared.settings.threads) as cover:

        def sink(band: BandRaster) -> None:
            cover.add(band)
            take_pieces(band)

        audit = compute(prepared, sink=sink, progress=computing)
        told("writing cover.tif", _COMPUTING)
        cover.finish(folder / "cover.tif")
    told("writing the ledger", _COVER_WRITTEN)
    document = ledger_of(audit)
    (folder / "ledger.json").write_bytes(dump(document))
    (folder / "ledger.csv").write_bytes(ledger_csv(document))
    write_vector(folder / "ledger.gpkg", audit, collector.finish(), document)
    (folder / "report.html").write_bytes(render_report(folder, prepared.settings.units))
    told("done", 1.0)
    return document
