"""One audited field as data frames, arrays and pictures: :func:`audit`, :func:`replay`."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from swathledger.audit import count, estimated, one_job, place, rebuilt
from swathledger.errors import FieldError, InputError
from swathledger.field.field import Field
from swathledger.grid.tally import CLASSES
from swathledger.library.inputs import (
    FieldLike,
    LogLike,
    MachineLike,
    PathLike,
    boundaries_of,
    read_log,
    read_machine,
    settings_from,
)
from swathledger.machine.read import with_layouts
from swathledger.report.audited import Audit, Prepared, Progress
from swathledger.report.polygonise import KINDS, Pieces, audit_pieces
from swathledger.settings import AuditSettings

if TYPE_CHECKING:
    import geopandas
    import pandas as pd
    import xarray

    from swathledger.documents.ledger import Ledger
    from swathledger.field.source import BoundaryFile
    from swathledger.ledger.accounting import BandRaster
    from swathledger.ledger.place import Placed
    from swathledger.report.cell_picture import Axes


@dataclass(frozen=True, slots=True)
class Cells:
    """Cells of a field, north up: row 0 is the northmost, column 0 the westmost.

    Attributes
    ----------
    times : (rows, columns) uint8, times treated
    dose : (rows, columns) float32, in ``dose_unit``
    classes : (rows, columns) uint8, places in ``legend``
    transform : (6,) tuple
        Affine from (column, row) to plane metres, as rasterio's ``Affine(*transform)`` takes it.
    crs : str
        The field's equal-area plane, for PROJ.
    dose_unit : {"L/ha", "share of the set rate"}
    legend : tuple of str
    """

    times: NDArray[np.uint8]
    dose: NDArray[np.float32]
    classes: NDArray[np.uint8]
    transform: tuple[float, float, float, float, float, float]
    crs: str
    dose_unit: str
    legend: tuple[str, ...] = tuple(CLASSES)

    def to_xarray(self) -> xarray.Dataset:
        """The cells as a dataset with ``x`` and ``y`` of their middles, plane metres (needs xarray)."""
        try:
            import xarray
        except ImportError as error:
            raise InputError("xarray is not installed.", hint="Install it, or take the arrays as they are.") from error
        step, _, west, _, _, north = self.transform
        rows, columns = self.times.shape
        at = {"y": north - step * (np.arange(rows) + 0.5), "x": west + step * (np.arange(columns) + 0.5)}
        grids = {"times": self.times, "dose": self.dose, "classes": self.classes}
        about = {"crs": self.crs, "dose_unit": self.dose_unit, "classes": ", ".join(self.legend)}
        return xarray.Dataset({name: (("y", "x"), grid) for name, grid in grids.items()}, at, about)


class FieldAudit:
    """What :func:`audit` found. Areas in m2, litres, degrees; what is not known is NaN or None.

    Attributes
    ----------
    log, machine, field
        As they were read.
    """

    def __init__(self, audited: Audit, placed: Placed, pieces: Callable[[], Pieces]) -> None:
        self._audit, self._placed, self._make_pieces = audited, placed, pieces
        self.log, self.machine, self.field = audited.log, audited.machine, audited.field

    @cached_property
    def _pieces(self) -> Pieces:
        return self._make_pieces()

    @cached_property
    def ledger(self) -> Ledger:
        """The document that ``ledger.json`` holds (docs/results.md), with attributes for its keys."""
        from swathledger.report.document import ledger_of

        return ledger_of(self._audit, self._pieces)

    @cached_property
    def areas(self) -> pd.DataFrame:
        """By quantity: ``area_m2``, ``pct`` of the target, ``standard_error_m2`` of the cells."""
        import pandas as pd

        area = self.ledger.area
        values = {name: value for name, value in msgspec.structs.asdict(area).items() if name.endswith("_m2")}
        values = {name: value for name, value in values.items() if isinstance(value, float)}
        values.pop("standard_error_m2", None)
        table = pd.DataFrame({"area_m2": pd.Series(values)})
        table.index = pd.Index([name.removesuffix("_m2") for name in values], name="quantity")
        table["pct"] = 100.0 * table["area_m2"] / area.target_m2 if area.target_m2 else np.nan
        table["standard_error_m2"] = pd.Series(
            {name.removesuffix("_m2"): error for name, error in area.standard_errors_m2.items()}
        )
        return table

    @cached_property
    def causes(self) -> pd.DataFrame:
        """By cause: ``area_m2`` and ``volume_l`` of what was over-applied."""
        return _table(self.ledger.cause, "cause")

    @cached_property
    def estimate(self) -> pd.DataFrame | None:
        """By quantity: as ``read``, ``best``, ``low``, ``high``, their ``level`` and the ``dominant`` source of error.

        None where it was not asked for, or there is nothing to estimate.
        """
        lines = self.ledger.estimate
        return None if lines is None else _table(lines, "quantity")

    @cached_property
    def layouts(self) -> pd.DataFrame:
        """Replayed layouts by label: areas, litres, and ``saved_*`` against the log."""
        return _table(self.ledger.replay, "label")

    @cached_property
    def savings(self) -> pd.DataFrame:
        """Savings at equal cover in steps that add up, a row a layout and step."""
        import pandas as pd

        lines = [
            {"label": layout.label, **msgspec.structs.asdict(line)}
            for layout in self.ledger.replay
            for line in layout.steps
        ]
        names = ["label", "step", "saved_l", "saved_m2", "saved_pct", "saved_money"]
        return pd.DataFrame(lines, columns=names).set_index(["label", "step"])

    @cached_property
    def pieces(self) -> geopandas.GeoDataFrame:
        """Pieces of overlap, skip, outside, excluded and not recorded ground of 1 m2 and more, on the field's plane."""
        rows = [{"kind": kind, **row} for kind in KINDS for row in self._layers[kind]]
        columns = ["kind", "piece", "cause", "area_m2", "times_treated_mean", "dose_mean", "dose_unit", "extra_m2"]
        return self._frame(rows, columns)

    @cached_property
    def passes(self) -> geopandas.GeoDataFrame:
        """Passes as lines of the boom's centre, on the field's plane."""
        rows = self._layers["passes"]
        return self._frame(rows, [name for name in (rows[0] if rows else {"pass": 0}) if name != "geometry"])

    @cached_property
    def cells(self) -> Cells:
        """Times treated, dose and class of every cell; they are counted once more for it."""
        from swathledger.units import l_ha_from_l_m2

        frame, rate = self._placed.frame, self._placed.rate.constant_l_m2
        shape = (frame.rows, frame.columns)
        times, classes = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
        dose = np.zeros(shape, np.float32)

        def keep(band: BandRaster) -> None:
            top = frame.rows - band.first_row - band.count.shape[0]
            own = slice(top, top + band.count.shape[0])
            times[own], dose[own], classes[own] = band.count[::-1], band.dose[::-1], band.classes[::-1]

        self._recount(keep)
        dose *= np.float32(1.0 if rate is None else l_ha_from_l_m2(rate))
        transform = (frame.cell_m, 0.0, frame.west_m, 0.0, -frame.cell_m, frame.north_m)
        unit = "share of the set rate" if rate is None else "L/ha"
        return Cells(times, dose, classes, transform, self.field.plane.proj4, unit)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw what happened to the ground, in plane metres east and north; returns the axes."""
        from swathledger.report.cell_picture import draw_cells, new_axes

        axes = new_axes() if ax is None else ax
        return draw_cells(axes, self.cells.classes, self._placed.frame, self.field)

    def write(self, folder: PathLike, *, overwrite: bool = False) -> Path:
        """Write what ``swathledger audit`` writes, byte for byte, into a folder that appears whole or not at all.

        Raises
        ------
        OutputError
            The folder exists and ``overwrite`` is not set, or it cannot be written.
        """
        from swathledger.report.folder import new_folder
        from swathledger.report.write import ResultFolder

        out = Path(folder)
        with (
            new_folder(out, by="audit", overwrite=overwrite, inputs=[]) as made,
            ResultFolder(made, self._placed, self._audit.settings.threads) as results,
        ):
            self._recount(*results.sinks)
            results.write(self._audit)
        return out

    def __repr__(self) -> str:
        return f"<FieldAudit of {self.field.field_id!r}: {'; '.join(self._headlines())}>"

    def _repr_html_(self) -> str:
        from base64 import b64encode

        from swathledger.report.cell_picture import picture

        drawn = b64encode(picture(self.plot())).decode()
        lines = "".join(f"<li>{html.escape(line)}</li>" for line in self._headlines())
        image = f'<img alt="Map of the field" src="data:image/png;base64,{drawn}">'
        return f"<h3>{html.escape(self.field.field_id)}</h3><ul>{lines}</ul>{image}"

    def _headlines(self) -> list[str]:
        """Over-application and skip, best and interval where there are such."""
        area, found = self.ledger.area, {line.quantity: line for line in self.ledger.estimate or ()}
        out = []
        for name in ("over_application", "skip"):
            line, read = found.get(f"{name}_pct"), getattr(area, f"{name}_pct")
            if line is not None and line.best is not None and line.low is not None and line.high is not None:
                told = f"{line.best:.2f} %, between {line.low:.2f} and {line.high:.2f} (read {read:.2f})"
            else:
                told = "unknown" if read is None else f"{read:.2f} % as read"
            out.append(f"{name.replace('_', '-')} {told}")
        return out

    @cached_property
    def _layers(self) -> dict[str, list[dict[str, Any]]]:
        from swathledger.report.vector import layer_rows

        return layer_rows(self._audit, self._pieces, self.ledger)

    def _frame(self, rows: Sequence[Mapping[str, Any]], columns: list[str]) -> geopandas.GeoDataFrame:
        import geopandas
        import pandas as pd

        table = pd.DataFrame([{name: row.get(name) for name in columns} for row in rows], columns=columns)
        shapes = [row["geometry"] for row in rows]
        return geopandas.GeoDataFrame(table, geometry=shapes, crs=self.field.plane.proj4)

    def _recount(self, *sinks: Callable[[BandRaster], None]) -> None:
        from swathledger.ledger.account import account

        settings = self._audit.settings
        account(self._placed, tolerance_m=settings.tolerance_m or 0.0, threads=settings.threads, sinks=sinks)


def _table(rows: Sequence[msgspec.Struct], index: str) -> pd.DataFrame:
    """Flat values of typed rows, by one of them."""
    import pandas as pd

    flat = [
        {name: value for name, value in msgspec.structs.asdict(row).items() if not isinstance(value, (tuple, dict))}
        for row in rows
    ]
    return pd.DataFrame(flat).set_index(index) if flat else pd.DataFrame(index=pd.Index([], name=index))


def audit(
    log: LogLike,
    machine: MachineLike,
    field: FieldLike | Literal["derive"],
    *,
    field_id: str | None = None,
    groups: Sequence[str | int] | None = None,
    cell_m: float | None = None,
    tolerance_m: float | None = None,
    max_gap_s: float | None = None,
    bridge_s: float | None = None,
    off_when_covered: float | None = None,
    product: str | None = None,
    units: Literal["metric", "us"] = "metric",
    interval: bool = True,
    threads: int = 1,
    as_one_job: bool = False,
    progress: Progress | None = None,
) -> FieldAudit:
    """Account for one field: where each square metre and each litre went, and what finer shutoff would have saved.

    Parameters
    ----------
    log : path, DataFrame, sequence of them, or Log
        See :func:`read_log`.
    machine : path, mapping or Machine
        See :func:`read_machine`.
    field : path, GeoDataFrame, shapely geometry, Field, or "derive"
        See :func:`read_field`; ``"derive"`` takes the ground covered for the boundary, and says so.
    groups : sequence, optional
        Outlet groups to replay: ``"boom"``, ``"nozzle"``, ``"limit"``, or numbers of equal groups; ``()``: none. None:
        those of the machine's ``[replay]``, else ``("boom", 9, 6, 3, "nozzle", "limit")``.
    field_id, cell_m, tolerance_m, max_gap_s, bridge_s, off_when_covered, product, units, interval, threads
        See :class:`swathledger.settings.AuditSettings`.
    as_one_job : bool
        Take spraying after hours, or with another product, as the same job.
    progress : callable, optional
        Is told what is done, and the share of all of it.

    Returns
    -------
    FieldAudit

    Raises
    ------
    LogError, MachineError, FieldError, InputError
        Something given cannot be used; the message says what, where and what to do.
    """
    settings = settings_from(
        cell_m=cell_m, groups=groups, off_when_covered=off_when_covered, bridge_s=bridge_s, units=units,
        field_id=field_id, product=product, threads=threads, interval=interval, tolerance_m=tolerance_m,
        max_gap_s=max_gap_s,
    )  # fmt: skip
    sprayer = read_machine(machine)
    drive = read_log(log, sprayer)
    ground: Path | BoundaryFile | Field | Literal["derive"]
    if isinstance(field, Field):
        ground = field
        _inside(ground, drive.latitude_deg, drive.longitude_deg)
    else:
        ground = "derive" if isinstance(field, str) and field == "derive" else boundaries_of(field, field_id)
    name = Path(drive.inputs[0][0]).stem
    return _audited(one_job(rebuilt(drive, sprayer, ground, settings, name=name), as_one_job), progress)


def replay(
    audited: FieldAudit,
    groups: Sequence[str | int] = (),
    *,
    layouts: Sequence[Mapping[str, Any]] = (),
    off_when_covered: float | None = None,
    interval: bool = False,
    progress: Progress | None = None,
) -> FieldAudit:
    """The same drive under other outlet groups.

    Parameters
    ----------
    audited : FieldAudit
    groups : sequence
        As for :func:`audit`.
    layouts : sequence of mapping
        Layouts of your own, each as an entry of ``[[replay.layouts]]`` in a machine file (docs/machine.md).
    off_when_covered : float, optional
        None: as in ``audited``.
    interval : bool
        Redraw the drive for intervals of the savings as well.

    Raises
    ------
    MachineError, InputError
        No group and no layout was given, or one of them cannot be used on this boom.
    """
    before = audited._audit
    settings: AuditSettings = settings_from(groups=groups)
    if not groups and not layouts:
        raise InputError("no groups and no layouts to replay.", column="groups", hint='Such as ("boom", 9, "nozzle").')
    machine = with_layouts(before.machine, layouts)
    prepared = Prepared(
        before.log, machine, before.field, before.swath,
        replace(before.settings, groups=settings.groups, interval=interval,
                off_when_covered=before.settings.off_when_covered if off_when_covered is None else off_when_covered),
        before.assumptions, before.checkup,
    )  # fmt: skip
    return _audited(prepared, progress, own_layouts=bool(layouts))


def _inside(ground: Field, latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64]) -> None:
    import shapely

    x, y = ground.plane.forward(latitude_deg, longitude_deg)
    if not bool(shapely.contains_xy(ground.boundary, x, y).any()):
        raise FieldError(
            f"no position of the log lies in field {ground.field_id!r}.",
            hint="Is it the right field, or the right log?",
        )


def _audited(prepared: Prepared, progress: Progress | None, *, own_layouts: bool = False) -> FieldAudit:
    placed = place(prepared)
    collector, take = audit_pieces(placed.frame)
    found = count(prepared, placed, (take,), progress, own_layouts=own_layouts)
    if prepared.settings.interval:
        found = estimated(found, progress)
    return FieldAudit(found, placed, collector.finish)
