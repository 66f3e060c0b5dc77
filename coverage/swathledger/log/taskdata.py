"""ISO 11783-10 task data: TASKDATA.XML with its time logs, or one time log alone."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.format import Columns as Mapped
from swathledger.log.format import Format, Sniffed
from swathledger.log.log import SetAside
from swathledger.log.table import Column, RawTable
from swathledger.log.taskdata_binary import Records, read_records, times_us, utc_offset_s
from swathledger.log.taskdata_columns import Columns, build_columns
from swathledger.log.taskdata_device import DeviceElement, describe, elements_of, widths_m
from swathledger.log.taskdata_xml import (
    MAIN_FILE,
    TIME_LOG_NAME,
    Header,
    Task,
    main_file,
    read_header,
    read_main,
    sibling,
    tasks_of,
)
from swathledger.notes import Note

_POSITION_DEG = 1e-7
_DOP_STEP = 0.1
_NO_DOP = 0xFFFF
#: Codes of the position status: 0 no fix, 14 error, 15 not available. Others are fixes, 6 to 8 of a kind to be told.
_NO_FIX, _ERROR, _NOT_AVAILABLE = 0, 14, 15
_ODD_FIXES = {6: "log.dead_reckoning", 7: "log.entered_by_hand", 8: "log.simulated_positions"}
_MOST_TASKS = 12
#: Root of task data or of a time log's header, after a declaration and comments.
_ROOT = re.compile(rb"^(?:\xef\xbb\xbf)?\s*(?:<[?!][^>]*>\s*)*<(?:ISO11783_TaskData|TIM)[\s>/]")


@dataclass(frozen=True, slots=True)
class _TimeLog:
    """One time log as columns, unusable rows taken out."""

    file: str
    inputs: tuple[tuple[str, str], ...]
    time_us: NDArray[np.int64]
    time_known: NDArray[np.bool_]
    utc: bool
    columns: Columns
    record: NDArray[np.int64]
    byte: NDArray[np.int64]
    rejected: tuple[SetAside, ...]
    notes: tuple[Note, ...]
    elements: tuple[str, ...]


def read_taskdata(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object]) -> RawTable:
    """Read time logs of task data.

    Parameters
    ----------
    path : path
        A folder with TASKDATA.XML, that file itself, or one time log by its header or its records
        (``TLG00003.xml``, ``TLG00003.bin``), with TASKDATA.XML beside it or without.
    columns : mapping, optional
        Other values are named ``"DDI 116"``, or ``"DDI 116 DET-1"`` where several device elements record one.
        A unit behind it, ``"DDI 60030 km/h"``, asks for the value as the device's own description scales it.
    options : mapping
        ``task``: identifier or designator of the task; ``time_log``: name or names of time logs. All time logs of one
        task are joined. ``time_zone``: of the log's times, which have none.

    Returns
    -------
    RawTable

    Raises
    ------
    LogError
        Files are missing or do not belong together, a record is not what its header says, or several tasks are there
        and none is chosen.

    Notes
    -----
    Written from the published definitions of ISO 11783-10 (records, headers) and ISO 11783-11 (data dictionary).
    """
    main = _main_of(path)
    elements: dict[str, DeviceElement] = {}
    files: tuple[Path, ...] = ()
    tasks: tuple[Task, ...] = ()
    if main is not None:
        root, files = read_main(main)
        elements, tasks = elements_of(root), tasks_of(root)
    names = [path.stem] if is_time_log(path) else _chosen(tasks, options, main or path)
    folder = (main or path).parent
    mapped = dict(columns or {})
    logs = [
        _time_log(path.parent if is_time_log(path) else folder, name, elements, mapped, options, main) for name in names
    ]
    logs.sort(key=lambda log: int(log.time_us[0]) if log.time_us.size else 0)
    if len({log.utc for log in logs}) > 1:
        raise LogError(
            f"of the time logs {', '.join(names)} only some record the receiver's UTC.",
            file=(main or path).name,
            hint="Give [log] time_zone, or read them one by one.",
        )
    table, headers = _table(logs)
    notes = [note for log in logs for note in log.notes]
    spoken = [elements[name] for name in dict.fromkeys(e for log in logs for e in log.elements) if name in elements]
    sections = max((log.columns.sections for log in logs), key=len)
    notes += describe(spoken, sections, (main or path).name)
    if main is None:
        notes.append(Note.of("log.no_taskdata", file=path.name))
    inputs = [(file.name, sha256_of(file)) for file in files] + [pair for log in logs for pair in log.inputs]
    single = len(logs) == 1

    def places(rows: Sequence[int]) -> list[str]:
        starts = np.cumsum([0, *(log.record.size for log in logs)])
        found = []
        for row in rows:
            which = int(np.searchsorted(starts, row, side="right")) - 1
            log, at = logs[which], row - int(starts[which])
            text = f"byte {int(log.byte[at])}, record {int(log.record[at])}"
            found.append(text if single else f"{log.file}, {text}")
        return found

    return RawTable(
        file=logs[0].file if single else (main or path).name,
        inputs=tuple(inputs),
        headers=headers,
        columns={name: Column.of(table.column(name)) for name in table.column_names},
        places=places,
        rejected=tuple(item for log in logs for item in log.rejected),
        warnings=tuple(dict.fromkeys(notes)),
        section_widths_m=widths_m(sections),
        states_defined=True,
    )


def is_time_log(path: Path) -> bool:
    """Whether a file is named as a time log's header or records."""
    return bool(TIME_LOG_NAME.match(path.stem)) and path.suffix.lower() in (".bin", ".xml")


def _main_of(path: Path) -> Path | None:
    """TASKDATA.XML that belongs to a path; None where a time log stands alone."""
    if path.is_dir():
        return main_file(path)
    if is_time_log(path):
        return sibling(path.parent, "TASKDATA.XML")
    return path


def _chosen(tasks: Sequence[Task], options: Mapping[str, object], main: Path) -> list[str]:
    """Names of the time logs asked for."""
    if not tasks:
        raise LogError("has no task with a time log (TLG).", file=main.name, hint="Nothing was recorded in it.")
    task, wanted = options.get("task"), options.get("time_log")
    chosen = list(tasks)
    if task is not None:
        fold = str(task).strip().casefold()
        chosen = [item for item in tasks if item.name.casefold() == fold]
        chosen = chosen or [item for item in tasks if item.designator.casefold() == fold]
        if not chosen:
            raise LogError(f"has no task {task!r}.", file=main.name, column="[log] task", hint=_listed(tasks))
        if len(chosen) > 1:
            raise LogError(
                f"has {len(chosen)} tasks of the name {task!r}.",
                file=main.name,
                column="[log] task",
                hint=f"Choose by identifier. {_listed(chosen)}",
            )
    if wanted is not None:
        here = {name.casefold(): name for item in chosen for name in item.time_logs}
        given = [wanted] if isinstance(wanted, str) else list(wanted) if isinstance(wanted, (list, tuple)) else [wanted]
        names = []
        for word in given:
            found = here.get(Path(str(word).strip()).stem.casefold())
            if found is None:
                raise LogError(
                    f"has no time log {word!r}.", file=main.name, column="[log] time_log", hint=_listed(chosen)
                )
            names.append(found)
        return list(dict.fromkeys(names))
    if len(chosen) > 1:
        raise LogError(
            f"holds {len(chosen)} tasks with time logs, and one is read at a time.",
            file=main.name,
            hint=f'Choose in the machine file: [log] task = "{chosen[0].name}", or time_log = '
            f'"{chosen[0].time_logs[0]}"; or give the time log itself. {_listed(chosen)}',
        )
    return list(dict.fromkeys(chosen[0].time_logs))


def _listed(tasks: Sequence[Task]) -> str:
    shown = "; ".join(task.words() for task in tasks[:_MOST_TASKS])
    more = f"; and {len(tasks) - _MOST_TASKS} more" if len(tasks) > _MOST_TASKS else ""
    return f"There are: {shown}{more}."


def _time_log(
    folder: Path,
    name: str,
    elements: Mapping[str, DeviceElement],
    mapped: Mapping[str, str],
    options: Mapping[str, object],
    main: Path | None,
) -> _TimeLog:
    header_file, record_file = (sibling(folder, f"{name}{suffix}") for suffix in (".xml", ".bin"))
    if header_file is None or record_file is None:
        parts = ((header_file, f"{name}.xml (its header)"), (record_file, f"{name}.bin (its records)"))
        lacking = " and no ".join(words for path, words in parts if path is None)
        raise LogError(
            f"the time log {name} is not whole: there is no {lacking}.",
            file=(main or folder / name).name,
            hint="Copy the whole TASKDATA folder, or choose another by [log] time_log.",
        )
    header = read_header(header_file)
    for lacking in ("latitude", "longitude"):
        if lacking not in header.constants and lacking not in dict(header.fields):
            raise LogError(f"names no {lacking}: the records hold no positions.", file=header.file)
    file = record_file.name
    records = read_records(record_file.read_bytes(), header, file)
    built = build_columns(header, records, elements, mapped, file)
    notes = list(built.notes)
    rejected = []
    if records.cut_at is not None:
        rejected.append(
            SetAside(
                "cut_short",
                1,
                f"{file}, byte {records.cut_at}, record {len(records) + 1}: {records.length - records.cut_at} bytes, "
                "fewer than the record needs",
            )
        )
    for ours, values in _positions(header, records).items():
        built.values[ours] = values
    micros, known = times_us(records)
    offset = None if options.get("time_zone") is not None else utc_offset_s(records)
    if offset is not None:
        micros = micros + offset * 1_000_000
        notes.append(Note.of("log.brought_to_utc", file=file, hours=-offset / 3600))
    keep = _with_fix(header, records, rejected, notes, file)
    for ours, values in built.values.items():
        built.values[ours] = values[keep]
    return _TimeLog(
        file=file,
        inputs=((header_file.name, sha256_of(header_file)), (file, sha256_of(record_file))),
        time_us=micros[keep],
        time_known=known[keep],
        utc=offset is not None,
        columns=built,
        record=np.flatnonzero(keep) + 1,
        byte=records.start[keep],
        rejected=tuple(rejected),
        notes=tuple(notes),
        elements=tuple(dict.fromkeys(item.element for item in header.values)),
    )


def _positions(header: Header, records: Records) -> dict[str, NDArray[np.float64]]:
    """Position fields in the units of our columns."""
    out = {}
    names = set(dict(header.fields))
    for ours, column, factor in (
        ("latitude", "latitude", _POSITION_DEG),
        ("longitude", "longitude", _POSITION_DEG),
        ("hdop", "hdop", _DOP_STEP),
        ("up", "position_up_m", 1e-3),
    ):
        if ours in names:
            raw = records.fixed[ours]
            # Divided, not multiplied: the nearest number to the decimal as written.
            out[column] = raw.astype(np.float64) / round(1 / factor)
            if ours == "hdop":
                out[column][raw == _NO_DOP] = np.nan
        elif ours in header.constants:
            out[column] = np.full(len(records), header.constants[ours])
    return out


def _with_fix(
    header: Header, records: Records, rejected: list[SetAside], notes: list[Note], file: str
) -> NDArray[np.bool_]:
    """Records whose position status says that there is a position.

    A status of 15 (not available) in most records means that the status itself is not recorded; elsewhere it means
    that there was no position.
    """
    if "status" in dict(header.fields):
        status = records.fixed["status"].astype(np.int64)
    else:
        status = np.full(len(records), int(header.constants.get("status", _NOT_AVAILABLE)))
    bad = (status == _NO_FIX) | (status == _ERROR)
    silent = status == _NOT_AVAILABLE
    if 2 * int(silent.sum()) > len(records):
        notes.append(Note.of("log.no_position_status", file=file))
    else:
        bad |= silent
    if bad.any():
        first = int(np.flatnonzero(bad)[0])
        place = f"{file}, byte {int(records.start[first])}, record {first + 1}"
        rejected.append(SetAside("no_position_fix", int(bad.sum()), f"{place}: position status {int(status[first])}"))
    for fix, code in _ODD_FIXES.items():
        count = int((status == fix).sum())
        if count:
            notes.append(Note.of(code, file=file, count=count))
    kept: NDArray[np.bool_] = ~bad
    return kept


def _table(logs: Sequence[_TimeLog]) -> tuple[Any, tuple[str, ...]]:
    """All time logs below each other; a column that one of them lacks is empty there."""
    import pyarrow as pa

    zone = "UTC" if logs[0].utc else None
    times = np.concatenate([log.time_us for log in logs])
    unknown = ~np.concatenate([log.time_known for log in logs])
    arrays = {"time": pa.array(times.astype("datetime64[us]"), pa.timestamp("us"), mask=unknown)}
    if zone is not None:
        arrays["time"] = arrays["time"].cast(pa.timestamp("us", tz=zone))
    for name in dict.fromkeys(name for log in logs for name in log.columns.values):
        parts = [log.columns.values.get(name, np.full(log.time_us.size, np.nan)) for log in logs]
        whole = np.concatenate(parts)
        arrays[name] = pa.array(whole, pa.float64(), mask=np.isnan(whole))
    table = pa.table(arrays)
    others = [name for log in logs for name in log.columns.others]
    return table, tuple(dict.fromkeys((*table.column_names, *others)))


def _claims(head: bytes, path: Path) -> bool:
    if path.is_dir():
        return main_file(path) is not None
    return path.name.casefold() == MAIN_FILE.casefold() or is_time_log(path) or bool(_ROOT.search(head))


def _sniff(path: Path, columns: Mapped, options: Mapping[str, object] | None) -> Sniffed:
    """The records of a time log are the log; the XML files beside them must not count it a second time."""
    del columns, options
    if path.is_dir():
        return Sniffed("log", "taskdata", "is a folder of task data")
    if path.suffix.lower() == ".bin":
        if sibling(path.parent, f"{path.stem}.xml") is None:
            return Sniffed("other", "taskdata", f"records of a time log without their header {path.stem}.xml")
        return Sniffed("log", "taskdata", "holds the records of a time log")
    if TIME_LOG_NAME.match(path.stem):
        return Sniffed("other", "taskdata", f"the header of the time log {path.stem}.bin")
    return Sniffed("other", "taskdata", "task data, whose drives are the time logs (TLG*.bin) beside it")


FORMAT = Format("taskdata", _claims, _sniff, read_taskdata)
