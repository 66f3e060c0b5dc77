"""What a task will need, known before it starts: memory and work."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from swathledger.errors import SwathledgerError
from swathledger.field.plane import geodesic_m
from swathledger.season.run.task import AuditTask

if TYPE_CHECKING:
    from swathledger.field.read import FieldOutline
    from swathledger.machine.machine import Machine

WORKER_BYTES = 550 << 20
"""A worker with all its libraries, reports and one band of cells per thread."""
BYTES_PER_CELL = 1
"""What a field's size adds, whole grid: accounting and replay go in bands; a cache for the raster's tiles does not.

An audit of 25 ha with one replayed layout peaked at 564 MB with cells of 0.1 m and at 665 MB with four times as many:
about 0.6 bytes a cell.
"""
BYTES_PER_LOG_BYTE = 30
"""What a log adds: columns, poses and ribbons, for a byte of its file."""
_MARGIN_M = 60.0


@dataclass(frozen=True, slots=True)
class Need:
    """What a task will need.

    Attributes
    ----------
    bytes : int
        Memory of the worker.
    cells : float
        Cells of the field's extent: the measure of work.
    hectares : float
        Of the boundary; 0 where not known.
    """

    bytes: int
    cells: float
    hectares: float


class Estimator:
    """Reads each boundary and machine file once."""

    def __init__(self) -> None:
        self._fields: dict[str, dict[str, FieldOutline]] = {}
        self._machines: dict[str, Machine | None] = {}

    def fields(self, boundary: str) -> dict[str, FieldOutline]:
        """Outlines by name; none where the file cannot be read (its jobs will tell why)."""
        if boundary not in self._fields:
            from swathledger.field.read import list_fields

            try:
                self._fields[boundary] = {outline.field_id: outline for outline in list_fields(boundary)}
            except (SwathledgerError, OSError):
                self._fields[boundary] = {}
        return self._fields[boundary]

    def machine(self, path: str) -> Machine | None:
        """The machine, None where the file cannot be read."""
        if path not in self._machines:
            from swathledger.machine.read import read_machine

            try:
                self._machines[path] = read_machine(path)
            except (SwathledgerError, OSError):
                self._machines[path] = None
        return self._machines[path]

    def cell_m(self, task: AuditTask) -> float:
        """Cell that the task will use."""
        from swathledger.grid.frame import DEFAULT_CELL_M, default_cell_m

        if task.settings.cell_m is not None:
            return task.settings.cell_m
        machine = self.machine(task.machine)
        if machine is None:
            return DEFAULT_CELL_M
        boom = machine.boom
        return default_cell_m(boom.nozzle_spacing_m if boom.nozzle_count > 1 else boom.width_m)

    def groups(self, task: AuditTask) -> tuple[str, ...]:
        """Outlet groups that the task will replay."""
        from swathledger.audit import DEFAULT_GROUPS

        if task.settings.groups is not None:
            return task.settings.groups
        machine = self.machine(task.machine)
        return DEFAULT_GROUPS if machine is None else machine.replay.words or DEFAULT_GROUPS

    def need(self, task: AuditTask) -> Need:
        """Estimate one task."""
        cell = self.cell_m(task)
        outline = None
        if task.boundary != "derive" and task.settings.field_id is not None:
            outline = self.fields(task.boundary).get(task.settings.field_id)
        log_bytes = sum(_size(name) for name in task.logs)
        if outline is None:
            # A square kilometre for a field of unknown size; a row of a log stands for some 100 bytes and 25 m2.
            area, hectares = min(1e6, max(1e4, log_bytes / 100 * 25 * 4)), 0.0
        else:
            west, south, east, north = outline.geometry.bounds
            middle = (south + north) / 2
            width = geodesic_m(middle, west, middle, east) + 2 * _MARGIN_M
            height = geodesic_m(south, west, north, west) + 2 * _MARGIN_M
            area, hectares = width * height, outline.geodesic_area_m2 / 1e4
        cells = area / cell**2
        need = WORKER_BYTES + int(BYTES_PER_CELL * cells) + BYTES_PER_LOG_BYTE * log_bytes
        return Need(need, cells * (2 + len(self.groups(task))), hectares)


def _size(name: str) -> int:
    try:
        return Path(name).stat().st_size
    except (OSError, ValueError):
        return 0
