"""From one file's columns to SI arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.columns import ColumnPlan, plan_columns, require
from swathledger.log.log import SetAside, StateKind
from swathledger.log.positions import positions
from swathledger.log.states import read_states
from swathledger.log.table import OPEN, Column, Places, RawTable
from swathledger.log.times import parse_times
from swathledger.notes import Note
from swathledger.units import named

Floats = NDArray[np.float64]

#: Our column to (field of the Log, factor to SI).
TO_SI: dict[str, tuple[str, float]] = {
    **{name: ("speed_m_s", unit.si_per_unit) for name, unit in named("speed", "speed").items()},
    **{name: ("working_width_m", unit.si_per_unit) for name, unit in named("working_width", "length").items()},
    **{name: ("rate_l_m2", unit.si_per_unit) for name, unit in named("rate", "rate").items()},
    **{name: ("flow_l_s", unit.si_per_unit) for name, unit in named("flow", "flow").items()},
    "heading_deg": ("heading_deg", 1.0),
    "hdop": ("hdop", 1.0),
    "gnss_sigma_m": ("gnss_sigma_m", 1.0),
}
_NEVER_NEGATIVE = ("working_width_m", "rate_l_m2", "flow_l_s", "hdop", "gnss_sigma_m")
#: More unreadable cells than this share of a column means the column is not what it was taken for.
_WRONG_COLUMN = 0.5


@dataclass(frozen=True, slots=True)
class Chunk:
    """One file, in SI, rows in the file's order, nothing set aside yet.

    ``time_s``, ``latitude_deg`` and ``longitude_deg`` are NaN where a cell could not be read. ``numbers`` holds the
    optional columns by their name in `Log`, ``extra`` those the user asked for.
    """

    file: str
    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    absolute: bool
    state_kind: StateKind
    state: NDArray[np.bool_]
    numbers: dict[str, Floats]
    extra: dict[str, Floats]
    reverse: NDArray[np.bool_] | None
    product: list[str] | None
    places: Places
    raw: dict[str, Column]
    plan: ColumnPlan
    rejected: tuple[SetAside, ...] = ()
    warnings: tuple[Note, ...] = field(default=())

    def __len__(self) -> int:
        return int(self.time_s.shape[0])


def convert(
    raw: RawTable,
    columns: Mapping[str, str] | None,
    options: Mapping[str, object],
    sections: int | None,
    nozzles: int | None,
) -> Chunk:
    """Understand one file's columns.

    Raises
    ------
    LogError
        A needed column is missing or unreadable, or the count of state columns fits the machine in no way.
    """
    plan = _without(
        plan_columns(raw.headers, columns, file=raw.file, truncated=raw.truncated, units=raw.units), options, raw.file
    )
    from_geometry = raw.latitude_deg is not None
    require(plan, raw.headers, raw.file, position_from_geometry=from_geometry)
    warnings = [*raw.warnings, *plan.warnings]
    name = "time" if "time" in plan.fixed else "seconds_from_start"
    date = raw.columns[plan.fixed["date"]] if "date" in plan.fixed else None
    times = parse_times(
        raw.columns[plan.fixed[name]],
        date,
        options,
        file=raw.file,
        header=plan.fixed[name],
        from_start=name == "seconds_from_start",
    )
    warnings += times.warnings
    if raw.latitude_deg is not None and raw.longitude_deg is not None:
        latitude, longitude = raw.latitude_deg, raw.longitude_deg
    else:
        latitude, longitude, told = positions(raw, plan, options)
        warnings += told
    numbers = {}
    for ours, (target, factor) in TO_SI.items():
        if ours in plan.fixed:
            values = _column(raw, plan.fixed[ours], warnings) * factor
            if target in _NEVER_NEGATIVE:
                _drop_negative(values, ours, raw.file, warnings)
            numbers[target] = values
    extra = {ours: _column(raw, header, warnings) for ours, header in plan.extra.items()}
    kind, state = read_states(raw, plan, sections, nozzles, options, warnings)
    reverse = _reverse(raw, plan, numbers.get("speed_m_s"), warnings)
    if reverse is not None and "speed_m_s" in numbers:
        speed = np.abs(numbers["speed_m_s"])
        numbers["speed_m_s"] = np.where(reverse, -speed, speed)
    if "heading_deg" in numbers:
        numbers["heading_deg"] = _heading(numbers["heading_deg"], options)
    product = raw.columns[plan.fixed["product"]].words() if "product" in plan.fixed else None
    return Chunk(
        file=raw.file,
        time_s=times.seconds,
        latitude_deg=latitude,
        longitude_deg=longitude,
        absolute=times.absolute,
        state_kind=kind,
        state=state,
        numbers=numbers,
        extra=extra,
        reverse=reverse,
        product=product,
        places=raw.places,
        raw=_raw_cells(raw, plan, name),
        plan=plan,
        rejected=raw.rejected,
        warnings=tuple(warnings),
    )


def _raw_cells(raw: RawTable, plan: ColumnPlan, time: str) -> dict[str, Column]:
    """Columns whose cells are shown when a row is set aside."""
    wanted = {"time": plan.fixed[time]}
    if raw.latitude_deg is None:
        there = "latitude" in plan.fixed
        names = ("latitude", "longitude") if there else ("y_m", "x_m")
        wanted |= {"latitude": plan.fixed[names[0]], "longitude": plan.fixed[names[1]]}
    return {ours: raw.columns[header] for ours, header in wanted.items()}


def _column(raw: RawTable, header: str, warnings: list[Note]) -> Floats:
    """An optional numeric column; odd cells become NaN and are told, a column of words is an error."""
    column = raw.columns[header]
    found = column.numbers()
    count = int(found.unreadable.sum())
    if count:
        first = int(np.flatnonzero(found.unreadable)[0])
        place, cell = raw.places([first])[0], str(column.cell(first))
        read = int(np.isfinite(found.values).sum())
        if count > _WRONG_COLUMN * (count + read) and not _is_odd_number(cell):
            raise LogError(
                f"found {cell!r} where a number belongs ({count} such cells).",
                file=raw.file,
                row=_row_number(place),
                column=header,
                hint="Map another column or leave it out.",
            )
        warnings.append(Note.of("log.no_number", file=raw.file, count=count, header=header, place=place, cell=cell))
    return found.values


def _is_odd_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _row_number(place: str) -> int | None:
    tail = place.rpartition(" ")[2]
    return int(tail) if tail.isdigit() else None


def _drop_negative(values: Floats, ours: str, file: str, warnings: list[Note]) -> None:
    with np.errstate(invalid="ignore"):
        negative = values < 0
    if negative.any():
        warnings.append(Note.of("log.negative", file=file, count=int(negative.sum()), name=ours))
        values[negative] = np.nan


def _heading(values: Floats, options: Mapping[str, object]) -> Floats:
    """Logged headings as degrees clockwise from north, by the ``heading_`` keys of ``[log]``.

    True direction = zero + sense x value in degrees.
    """
    if options.get("heading_unit") == "rad":
        values = np.degrees(values)
    if options.get("heading_sense") == "counterclockwise":
        values = -values
    zero = options.get("heading_zero_deg", 0.0)
    out: Floats = np.mod(values + (float(zero) if isinstance(zero, int | float) else 0.0), 360.0)
    return out


def _without(plan: ColumnPlan, options: Mapping[str, object], file: str) -> ColumnPlan:
    """The plan without the columns of ``[log] ignore``."""
    given = options.get("ignore")
    names = [given] if isinstance(given, str) else list(given) if isinstance(given, list | tuple) else []
    if not names:
        return plan
    left = [plan.fixed[name] for name in names if name in plan.fixed]
    if len(left) < len(names):
        lacking = next(name for name in names if name not in plan.fixed)
        raise LogError(
            f"{lacking!r} is to be ignored, but no such column is read.",
            file=file,
            column="[log] ignore",
            hint=f"Read are: {', '.join(plan.fixed)}.",
        )
    fixed = {name: header for name, header in plan.fixed.items() if name not in names}
    return replace(plan, fixed=fixed, ignored=(*plan.ignored, *left))


def _reverse(raw: RawTable, plan: ColumnPlan, speed: Floats | None, warnings: list[Note]) -> NDArray[np.bool_] | None:
    """True where the log says the machine drives backwards; None where it cannot tell."""
    reverse: NDArray[np.bool_] | None = None
    if "reverse" in plan.fixed:
        codes, _ = raw.columns[plan.fixed["reverse"]].states({})
        reverse = codes == OPEN
    elif "gear" in plan.fixed:
        words = raw.columns[plan.fixed["gear"]].words()
        meaning = {word: _is_reverse_gear(word) for word in set(words)}
        reverse = np.fromiter((meaning[word] for word in words), bool, len(words))
    if speed is not None:
        with np.errstate(invalid="ignore"):
            negative = speed < 0
        if negative.any():
            reverse = negative if reverse is None else reverse | negative
            warnings.append(Note.of("log.negative_speed", file=raw.file, count=int(negative.sum())))
    return reverse


def _is_reverse_gear(word: str) -> bool:
    folded = word.casefold()
    if folded in ("r", "rev", "reverse", "backward", "backwards"):
        return True
    if folded[:1] == "r" and folded[1:].isdigit():  # R1, R2
        return True
    try:
        return float(folded) < 0
    except ValueError:
        return False
