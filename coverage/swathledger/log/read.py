"""Reading a recorded drive from one or several files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.clean import Cleaned, clean_rows
from swathledger.log.convert import Chunk, convert
from swathledger.log.formats import find_format
from swathledger.log.log import Log, LogQuality, SetAside
from swathledger.log.span import Spans, keep_spans
from swathledger.log.table import RawTable
from swathledger.notes import Measure, Note

PathLike = str | Path
Order = NDArray[np.int64] | slice
_WIDTHS_ALIKE_M = 0.011  # descriptions are in whole millimetres, and rounded to the centimetre by some
_OPTIONAL = ("heading_deg", "speed_m_s", "working_width_m", "rate_l_m2", "flow_l_s", "hdop")


def read_log(
    paths: PathLike | Sequence[PathLike | RawTable],
    *,
    columns: Mapping[str, str] | None = None,
    options: Mapping[str, object] | None = None,
    sections: int | None = None,
    nozzles: int | None = None,
    spans: Sequence[Spans] | None = None,
    section_widths_m: Sequence[float] | None = None,
) -> Log:
    """Read and clean a recorded drive.

    Parameters
    ----------
    paths : path or sequence of paths
        CSV (or other delimited text), GeoJSON points, GeoPackage, Shapefile, Parquet, ISO 11783-10 task data (its
        folder, TASKDATA.XML or a time log), or any other point file that GDAL reads. Several files of one field are
        joined in order of time. A table that has been read already may stand in a file's place.
    columns : mapping, optional
        Our column name to the file's header. Names of ours need no entry. ``section`` and ``nozzle`` take a pattern
        such as ``"Sec{}"``. A name that is not ours is read as a number into ``Log.extra``.
    options : mapping, optional
        ``time_format`` (strptime), ``time_zone`` (of times without offset), ``start`` (of seconds from start),
        ``delimiter``, ``decimal``, ``encoding``, ``skip_rows``, ``layer``, ``task``, ``time_log``, ``time_unit``,
        ``add_weeks``, ``states``, ``blank_state``, ``ignore`` and what begins with ``heading_`` (see docs/machine.md).
        All overrule what is found.
    sections, nozzles : int, optional
        How many the machine has; a log with another count of state columns is refused. None: not checked.
    spans : sequence, optional
        For each path the stretches of time (seconds as in ``Log.time_s``, ``[start, end)``) that belong to this drive,
        or None for all of it. Other rows are set aside as ``outside_span``.
    section_widths_m : sequence of float, optional
        Widths of the machine's sections, left to right; a log that states others is read with a warning.

    Returns
    -------
    Log
        Strictly increasing times, SI units. ``quality`` counts every row that was set aside, by reason.

    Raises
    ------
    LogError
        Nothing there, not readable, a needed column is missing, or fewer than two rows can be used.
    """
    given = [paths] if isinstance(paths, (str, Path)) else paths
    files = [item if isinstance(item, RawTable) else Path(item) for item in given]
    if not files:
        raise LogError("no log was given.")
    options = options or {}
    read = [_chunk(path, columns, options, sections, nozzles, section_widths_m) for path in files]
    chunks = [chunk for chunk, _ in read]
    inputs = tuple(dict.fromkeys(pair for _, pairs in read for pair in pairs))
    # a log may have side files that others share (a header, a projection): all of its files must be the same
    if len({tuple(sha for _, sha in pairs) for _, pairs in read}) < len(read):
        chunks[0] = replace(chunks[0], warnings=(*chunks[0].warnings, Note.of("log.same_file_twice")))
    if spans is not None and len(spans) != len(files):
        raise LogError(f"{len(files)} logs and stretches for {len(spans)} were given.")
    log = _join(chunks, inputs, [None] * len(files) if spans is None else spans)
    late = options.get("heading_lag_s")
    return _earlier_headings(log, float(late)) if isinstance(late, int | float) and late else log


def _earlier_headings(log: Log, late_s: float) -> Log:
    """Headings that come ``late_s`` late put where they belong, turned evenly between rows; NaN beyond its end."""
    if log.heading_deg is None:
        return log
    known = np.isfinite(log.heading_deg)
    if int(known.sum()) < 2:
        return log
    turned = np.unwrap(log.heading_deg[known], period=360.0)
    moved = np.interp(log.time_s + late_s, log.time_s[known], turned, left=np.nan, right=np.nan)
    return replace(log, heading_deg=np.mod(moved, 360.0))


def _chunk(
    path: Path | RawTable,
    columns: Mapping[str, str] | None,
    options: Mapping[str, object],
    sections: int | None,
    nozzles: int | None,
    widths_m: Sequence[float] | None,
) -> tuple[Chunk, tuple[tuple[str, str], ...]]:
    """One file in SI, and its inputs."""
    raw = path if isinstance(path, RawTable) else find_format(path).read(path, columns, options)
    chunk = convert(raw, columns, options, sections, nozzles)
    return (chunk if widths_m is None else _compared(chunk, raw, widths_m)), raw.inputs


def _compared(chunk: Chunk, raw: RawTable, machine: Sequence[float]) -> Chunk:
    """Tell where the log states other section widths than the machine file, which is what counts."""
    logged = raw.section_widths_m
    alike = len(logged) == len(machine) and np.allclose(logged, machine, rtol=0.0, atol=_WIDTHS_ALIKE_M)
    if not logged or alike:
        return chunk
    told = Note.of(
        "log.other_sections",
        file=chunk.file,
        logged=tuple(Measure(width, "length") for width in logged),
        logged_in_all=Measure(sum(logged), "length"),
        machine=tuple(Measure(width, "length") for width in machine),
        machine_in_all=Measure(sum(machine), "length"),
    )
    return replace(chunk, warnings=(*chunk.warnings, told))


def _join(chunks: list[Chunk], inputs: tuple[tuple[str, str], ...], spans: Sequence[Spans]) -> Log:
    first = chunks[0]
    for other in chunks[1:]:
        _check_alike(first, other)
    warnings = [text for chunk in chunks for text in chunk.warnings]
    source = np.repeat(np.arange(len(chunks)), [len(chunk) for chunk in chunks])
    cleaned = clean_rows(
        _end_to_end([chunk.time_s for chunk in chunks]),
        _end_to_end([chunk.latitude_deg for chunk in chunks]),
        _end_to_end([chunk.longitude_deg for chunk in chunks]),
        source,
    )
    cleaned = keep_spans(cleaned, source, spans)
    warnings += cleaned.warnings
    set_aside = _counted(chunks, cleaned, source)
    epochs = int(source.size) + sum(item.count for chunk in chunks for item in chunk.rejected)
    used = int(cleaned.order.size)
    if epochs - used != sum(item.count for item in set_aside):
        raise LogError("rows were lost in cleaning; this is a fault of the program.")  # the identity of LogQuality
    if used < 2:
        raise LogError(
            _nothing_left(chunks, epochs, used, set_aside),
            file=first.file if len(chunks) == 1 else None,
            hint=_nothing_hint(chunks),
        )
    order: Order = cleaned.order
    if used == source.size and bool((np.diff(cleaned.order) == 1).all()):
        order = slice(None)  # all rows, in their own order: nothing is copied
    state = _end_to_end([chunk.state for chunk in chunks])[order]
    numbers = {name: _gather(chunks, "numbers", name, order) for name in _names(chunks, "numbers")}
    sigma = numbers.pop("gnss_sigma_m", None)
    reverse = None
    if any(chunk.reverse is not None for chunk in chunks):
        reverse = _end_to_end([_or_false(chunk) for chunk in chunks])[order]
    product = None
    if any(chunk.product is not None for chunk in chunks):
        words = [word for chunk in chunks for word in (chunk.product or [""] * len(chunk))]
        product = tuple(words if isinstance(order, slice) else [words[row] for row in order.tolist()])
    quality = LogQuality(
        epochs=epochs,
        used=used,
        set_aside=set_aside,
        columns_understood=tuple(dict.fromkeys(pair for chunk in chunks for pair in _understood(chunk))),
        columns_ignored=tuple(dict.fromkeys(name for chunk in chunks for name in chunk.plan.ignored)),
        median_step_s=float(np.median(np.diff(cleaned.time_s))),
        gnss_sigma_m=_median_or_none(sigma),
        warnings=tuple(dict.fromkeys(warnings)),
    )
    return Log(
        time_s=cleaned.time_s,
        latitude_deg=cleaned.latitude_deg,
        longitude_deg=cleaned.longitude_deg,
        state_kind=first.state_kind,
        state=state,
        quality=quality,
        inputs=inputs,
        **{name: numbers.get(name) for name in _OPTIONAL},
        reverse=reverse,
        product=product,
        extra={name: _gather(chunks, "extra", name, order) for name in _names(chunks, "extra")},
        time_is_absolute=first.absolute,
    )


def _check_alike(first: Chunk, other: Chunk) -> None:
    """Files of one drive must say the same things."""
    if first.absolute != other.absolute:
        raise LogError(
            f"{first.file} and {other.file} cannot be joined: one gives dates, the other only seconds from "
            "an unknown start.",
            hint="Give [log] start, or read them one by one.",
        )
    if (first.state_kind, first.state.shape[1]) != (other.state_kind, other.state.shape[1]):
        raise LogError(
            f"{first.file} has {_state_words(first)}, {other.file} has {_state_words(other)}; they cannot be joined.",
            hint="Read them one by one.",
        )
    if not first.absolute and len(first) and len(other):
        a, b = first.time_s, other.time_s
        if np.nanmin(a) <= np.nanmax(b) and np.nanmin(b) <= np.nanmax(a):
            raise LogError(
                f"{first.file} and {other.file} both count seconds from their own start; they cannot be joined.",
                hint="Read them one by one.",
            )


def _state_words(chunk: Chunk) -> str:
    if chunk.state_kind in ("work", "none"):
        return {"work": "one work state", "none": "no states"}[chunk.state_kind]
    return f"{chunk.state.shape[1]} {chunk.state_kind} states"


def _understood(chunk: Chunk) -> tuple[tuple[str, str], ...]:
    pairs = chunk.plan.understood
    if "latitude" in chunk.raw:
        return pairs
    others = (pair for pair in pairs if pair[0] not in ("latitude", "longitude"))
    return (*others, ("latitude", "geometry"), ("longitude", "geometry"))


def _names(chunks: list[Chunk], group: str) -> list[str]:
    return list(dict.fromkeys(name for chunk in chunks for name in getattr(chunk, group)))


def _gather(chunks: list[Chunk], group: str, name: str, order: Order) -> NDArray[np.float64]:
    parts = [getattr(chunk, group).get(name) for chunk in chunks]
    whole = [np.full(len(chunk), np.nan) if part is None else part for chunk, part in zip(chunks, parts, strict=True)]
    return _end_to_end(whole)[order]


def _end_to_end(parts: list[NDArray[Any]]) -> NDArray[Any]:
    """Arrays joined; a single one as it is."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _or_false(chunk: Chunk) -> NDArray[np.bool_]:
    return chunk.reverse if chunk.reverse is not None else np.zeros(len(chunk), bool)


def _median_or_none(values: NDArray[np.float64] | None) -> float | None:
    if values is None or not np.isfinite(values).any():
        return None
    return float(np.nanmedian(values))


def _counted(chunks: list[Chunk], cleaned: Cleaned, source: NDArray[np.int64]) -> tuple[SetAside, ...]:
    """Rows set aside, with the place of the first of each kind and what stands there."""
    starts = np.r_[0, np.cumsum([len(chunk) for chunk in chunks])]
    examples: dict[str, tuple[int, int]] = {}
    for reason, rows in cleaned.reasons.items():
        row = int(rows.min())
        examples[reason] = (int(source[row]), row - int(starts[source[row]]))
    found: dict[str, list[SetAside]] = {}
    for index, chunk in enumerate(chunks):
        for item in chunk.rejected:
            found.setdefault(item.reason, []).append(item)
        here = {reason: row for reason, (file, row) in examples.items() if file == index}
        places = chunk.places(list(here.values())) if here else []
        for (reason, row), place in zip(here.items(), places, strict=True):
            shown = f"{chunk.file}, {place}: {_cells(chunk, row)}"
            found.setdefault(reason, []).append(SetAside(reason, int(cleaned.reasons[reason].size), shown))
    return tuple(
        SetAside(reason, sum(item.count for item in items), items[0].example) for reason, items in sorted(found.items())
    )


def _cells(chunk: Chunk, row: int) -> str:
    cells = {name: column.cell(row) for name, column in chunk.raw.items()}
    if "latitude" not in cells:
        cells |= {"latitude": float(chunk.latitude_deg[row]), "longitude": float(chunk.longitude_deg[row])}
    return ", ".join(f"{name} {value}" for name, value in cells.items())


def _nothing_left(chunks: list[Chunk], epochs: int, used: int, set_aside: tuple[SetAside, ...]) -> str:
    if epochs == 0:
        return "there is a header but no row."
    text = f"of {epochs} row{'' if epochs == 1 else 's'} only {used} can be used; a drive needs two."
    if set_aside:
        parts = [f"{item.count} {item.reason} ({item.example})" for item in set_aside]
        text += f" Set aside: {'; '.join(parts)}."
    return text


def _nothing_hint(chunks: list[Chunk]) -> str | None:
    values = np.concatenate([np.abs(np.r_[chunk.latitude_deg, chunk.longitude_deg]) for chunk in chunks])
    values = values[np.isfinite(values)]
    if values.size and np.median(values) > 1e7:
        return "Positions look like degrees times a power of ten: give plain degrees."
    if values.size and np.median(values) > 360:
        return "Positions look like metres of a projection: give WGS84 degrees."
    return None
