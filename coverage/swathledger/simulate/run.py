"""From a boundary file and a machine file to logs with their truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import LineString, Polygon

from swathledger.errors import InputError
from swathledger.files import write_whole, write_with
from swathledger.notes import Measure, Note
from swathledger.simulate.drive import Driven, DriveSettings, drive
from swathledger.simulate.laps import polygons
from swathledger.simulate.motion import PlannedStop
from swathledger.simulate.plan import DrivePlan, PlanSettings, plan_drive
from swathledger.simulate.truth import truth_text, write_truth_table
from swathledger.simulate.write import Dialect, log_text
from swathledger.text import slug

if TYPE_CHECKING:
    from swathledger.field.field import Field
    from swathledger.machine.machine import Machine


@dataclass(frozen=True, slots=True)
class RunSettings:
    """What to simulate.

    Attributes
    ----------
    drive : DriveSettings
        Its rate and seed are starting values: the machine's set rate comes first, and each field has a seed of its own.
    turning_radius_m : float or None
        None: see :func:`turning_radius`.
    contour : bool
        Passes follow the longest side.
    refills : bool
        Whether the tank of ``[plumbing]`` runs empty.
    stop_s : float
        A stop with a silent log of this length on the way; 0: none.
    """

    plan: PlanSettings = field(default_factory=PlanSettings)
    drive: DriveSettings = field(default_factory=DriveSettings)
    turning_radius_m: float | None = None
    contour: bool = False
    refills: bool = True
    stop_s: float = 0.0
    dialect: Dialect = field(default_factory=Dialect)


@dataclass(frozen=True, slots=True)
class Simulated:
    """One simulated field and the files written for it."""

    field_id: str
    driven: Driven
    log_file: Path
    truth_file: Path
    table_file: Path
    target_m2: float
    notes: tuple[Note, ...]


def lag_m(machine: Machine) -> float:
    """How far the boom follows behind the guided point: the hitch's two lengths, 0 for a rigid machine."""
    hitch = machine.hitch
    return 0.0 if hitch is None else hitch.antenna_to_hitch_m + hitch.hitch_to_boom_m


def turning_radius(machine: Machine) -> float:
    """A turning radius where none is given: a quarter of the width, a third for trailed machines; at least 6 m."""
    return max(6.0, machine.boom.width_m * (0.25 if machine.hitch is None else 1 / 3))


def longest_side(outer: Polygon, corner_deg: float = 35.0) -> LineString:
    """The longest stretch of a boundary without a corner of ``corner_deg`` or more.

    Directions are compared over some 15 m, so that a finely drawn curve is a side and not a chain of corners.
    """
    ring = shapely.orient_polygons(outer).exterior
    n = max(40, math.ceil(ring.length / 3.0))
    points = np.array([ring.interpolate(k / n, normalized=True).coords[0] for k in range(n)])
    reach = max(1, min(n // 8, round(7.5 / (ring.length / n))))
    before = points - np.roll(points, reach, axis=0)
    after = np.roll(points, -reach, axis=0) - points
    bend = np.abs(
        np.degrees(
            np.arctan2(
                before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0],
                before[:, 0] * after[:, 0] + before[:, 1] * after[:, 1],
            )
        )
    )
    corners = np.flatnonzero((bend >= corner_deg) & (bend >= np.roll(bend, 1)) & (bend >= np.roll(bend, -1)))
    if len(corners) < 2:
        raise InputError("the boundary has no side between two corners that passes could follow")
    gaps = np.diff(np.concatenate([corners, [corners[0] + n]]))
    k = int(np.argmax(gaps))
    index = (corners[k] + np.arange(gaps[k] + 1)) % n
    return LineString(points[index])


def _settings_for(
    machine: Machine, ground: Field, settings: RunSettings, number: int
) -> tuple[PlanSettings, DriveSettings]:
    rate = machine.set_rate_l_m2 if machine.set_rate_l_m2 is not None else settings.drive.rate_l_m2
    tank = machine.plumbing.tank_l
    planned = settings.plan
    if settings.contour:
        planned = replace(planned, contour_side=longest_side(polygons(ground.boundary)[0]))
    if settings.refills and planned.tank_m2 is None and tank is not None:
        planned = replace(planned, tank_m2=tank / rate)
    return planned, replace(settings.drive, rate_l_m2=rate, seed=settings.drive.seed + 1000 * number)


def read_terraces(path: Path) -> tuple[LineString, ...]:
    """The lines of a vector file, degrees, in the file's order.

    Raises
    ------
    FieldError
        The file cannot be read.
    InputError
        It holds something other than lines.
    """
    from swathledger.field.source import read_boundary_file

    out: list[LineString] = []
    for feature in read_boundary_file(path).features:
        for part in shapely.get_parts(feature.geometry):
            if not isinstance(part, LineString) or part.is_closed:
                kind = "a closed line" if isinstance(part, LineString) else f"a {part.geom_type}"
                raise InputError(f"feature {feature.row} is {kind}.", file=path.name, hint="Terraces are open lines.")
            out.append(part)
    return tuple(out)


def _with_terraces(settings: RunSettings, ground: Field, terraces: tuple[LineString, ...]) -> RunSettings:
    """The settings with those lines that cross the field."""
    from swathledger.field.plane import to_plane

    here = (to_plane(line, ground.plane) for line in terraces)
    crossing = tuple(line for line in here if isinstance(line, LineString) and line.intersects(ground.boundary))
    return replace(settings, plan=replace(settings.plan, terraces=crossing))


def _with_stop(plan: DrivePlan, settings: DriveSettings, stop_s: float) -> DriveSettings:
    """A stop in the middle of the pass or lap that is nearest to 40 % of the way."""
    if stop_s <= 0:
        return settings
    ends = np.cumsum([s.length_m for s in plan.segments])
    middles = [(abs(e - s.length_m / 2 - 0.4 * ends[-1]), e - s.length_m / 2) for s, e in
               zip(plan.segments, ends, strict=True) if s.spray]  # fmt: skip
    at = float(min(middles)[1])
    return replace(settings, stops=(*settings.stops, PlannedStop(at, stop_s)))


def simulate_field(ground: Field, machine: Machine, settings: RunSettings, *, number: int = 0) -> Driven:
    """Plan and drive one field; nothing is written.

    ``number`` is the field's place among several: it sets the seed apart.
    """
    planned, driven = _settings_for(machine, ground, settings, number)
    plan = plan_drive(
        ground.boundary,
        ground.exclusions,
        machine.boom.width_m,
        turning_radius(machine) if settings.turning_radius_m is None else settings.turning_radius_m,
        lag_m=lag_m(machine),
        settings=planned,
    )
    return drive(plan, machine, ground.target, _with_stop(plan, driven, settings.stop_s))


def simulate(
    boundary: Path,
    machine_file: Path,
    out: Path,
    *,
    field_id: str | None = None,
    settings: RunSettings | None = None,
    terraces: Path | None = None,
    overwrite: bool = False,
    progress: Callable[[str], None] | None = None,
) -> list[Simulated]:
    """Simulate one field of a boundary file, or all of them.

    Writes ``out/logs/FIELD.csv`` (or ``.geojson``), ``out/truth/FIELD.json`` and ``out/truth/FIELD.parquet``; the
    folder appears whole or not at all.

    Parameters
    ----------
    field_id : str, optional
        None: every field of the file.
    terraces : Path, optional
        Vector file of lines: a field that some of them cross is worked in the blocks between them.
    progress : callable, optional
        Told the name of each field when it is done.

    Raises
    ------
    OutputError
        ``out`` holds something already and ``overwrite`` is False, or cannot be written.
    FieldError, MachineError, InputError
        A file or setting cannot be used.
    """
    from swathledger.field.read import list_fields, read_field
    from swathledger.machine.read import read_machine
    from swathledger.report.folder import new_folder

    chosen = RunSettings() if settings is None else settings
    given = [boundary, machine_file, *([] if terraces is None else [terraces])]
    with new_folder(out, by="simulate", overwrite=overwrite, inputs=given) as folder:
        machine = read_machine(machine_file)
        lines = () if terraces is None else read_terraces(terraces)
        names = [field_id] if field_id is not None else [outline.field_id for outline in list_fields(boundary)]
        used: set[str] = set()
        outcomes = []
        for number, name in enumerate(names):
            ground = read_field(boundary, field_id=name)
            driven = simulate_field(ground, machine, _with_terraces(chosen, ground, lines), number=number)
            stem = slug(ground.field_id, "field")
            while stem in used:
                stem += "_"
            used.add(stem)
            outcomes.append(_write(ground, driven, chosen, folder, out, stem))
            if progress is not None:
                progress(ground.field_id)
    return outcomes


def _write(ground: Field, driven: Driven, settings: RunSettings, folder: Path, out: Path, stem: str) -> Simulated:
    """Write into a folder that will be ``out``."""
    log_file = Path("logs") / f"{stem}.{settings.dialect.format}"
    truth_file, table_file = Path("truth") / f"{stem}.json", Path("truth") / f"{stem}.parquet"
    write_with(folder / table_file, lambda part: write_truth_table(driven, ground.plane, part))
    write_whole(folder / truth_file, truth_text(driven, ground.field_id))
    write_whole(folder / log_file, log_text(driven, ground.plane, settings.dialect))
    notes = [*ground.notes, *driven.plan.notes]
    if settings.turning_radius_m is None:
        notes.append(Note.of("simulate.turning_radius", radius=Measure(driven.plan.turning_radius_m, "length")))
    if driven.machine.set_rate_l_m2 is None:
        notes.append(Note.of("simulate.rate_taken", rate=Measure(driven.settings.rate_l_m2, "rate")))
    return Simulated(
        field_id=ground.field_id,
        driven=driven,
        log_file=out / log_file,
        truth_file=out / truth_file,
        table_file=out / table_file,
        target_m2=float(ground.target.area),
        notes=tuple(notes),
    )
