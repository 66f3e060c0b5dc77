"""The binary side of ISO 11783-10 time logs: records of varying length, found in one walk and read as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.taskdata_xml import Header

#: Seconds from 1970-01-01 to 1980-01-01, where the standard's days count from.
EPOCH_1980_S = 315_532_800
_ENTRY = 5
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Records:
    """The records of one time log.

    Attributes
    ----------
    start : (n,) int64
        Byte at which each record begins.
    fixed : (n,) structured array
        Fields named by the header.
    row, index, value : (m,) int64
        Logged values in the order of the file: their record, their DLV, what was logged.
    cut_at : int or None
        Byte at which an incomplete last record begins.
    length : int
        Bytes of the file.
    """

    start: NDArray[np.int64]
    fixed: NDArray[Any]
    row: NDArray[np.int64]
    index: NDArray[np.int64]
    value: NDArray[np.int64]
    cut_at: int | None
    length: int

    def __len__(self) -> int:
        return int(self.start.size)


def read_records(data: bytes, header: Header, file: str) -> Records:
    """Read all records.

    A record is the header's fixed fields, a count in one byte, and so many pairs of index (uint8) and value (int32);
    all little-endian. A last record that the file does not hold wholly is left out.

    Raises
    ------
    LogError
        A record names a value that the header does not list: header and records do not belong together, or bytes are
        lost before it.
    """
    layout = np.dtype(list(header.fields))
    starts, cut = _walk(data, layout.itemsize)
    octets = np.frombuffer(data, np.uint8)
    fixed = octets[starts[:, None] + np.arange(layout.itemsize)].copy().view(layout).reshape(-1)
    counts = octets[starts + layout.itemsize].astype(np.int64)
    row = np.repeat(np.arange(starts.size), counts)
    within = np.arange(row.size) - np.repeat(np.cumsum(counts) - counts, counts)
    entry = starts[row] + layout.itemsize + 1 + _ENTRY * within
    index = octets[entry].astype(np.int64)
    odd = np.flatnonzero(index >= len(header.values))
    if odd.size:
        first = int(odd[0])
        raise LogError(
            f"record {int(row[first]) + 1} at byte {int(starts[row[first]])} has value number {int(index[first])} at "
            f"byte {int(entry[first])}; {header.file} lists only {len(header.values)} (numbered from 0).",
            file=file,
            hint=f"Check that {header.file} and {file} are of one export and copied whole.",
        )
    value = octets[entry[:, None] + np.arange(1, _ENTRY)].copy().view("<i4").reshape(-1).astype(np.int64)
    return Records(starts, fixed, row, index, value, cut, len(data))


def _walk(data: bytes, width: int) -> tuple[NDArray[np.int64], int | None]:
    """Where records begin, and where an incomplete one does; each one's length stands in its count."""
    starts: list[int] = []
    at, end, head = 0, len(data), width + 1
    while at + head <= end:
        after = at + head + _ENTRY * data[at + width]
        if after > end:
            break
        starts.append(at)
        at = after
    return np.array(starts, np.int64), at if at < end else None


def times_us(records: Records) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Microseconds since 1970 in the log's own time, and which of them are times at all."""
    return _moments(records.fixed["ms"], records.fixed["days"])


def utc_offset_s(records: Records) -> int | None:
    """UTC minus the log's own time, s, to the quarter of an hour, where the positions carry the receiver's UTC."""
    if records.fixed.dtype.names is None or not {"utc_ms", "utc_days"} <= set(records.fixed.dtype.names):
        return None
    own, good = times_us(records)
    utc, told = _moments(records.fixed["utc_ms"], records.fixed["utc_days"])
    both = good & told
    if not both.any():
        return None
    return round(float(np.median(utc[both] - own[both])) / 900e6) * 900


def _moments(ms: NDArray[Any], days: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    ms64, days64 = ms.astype(np.int64), days.astype(np.int64)
    good = (ms64 < _DAY_MS + 1000) & (days64 > 0) & (days64 < 0xFFFF)  # a leap second is a time
    return (days64 * 86_400 + EPOCH_1980_S) * 1_000_000 + ms64 * 1000, good


def held(records: Records, wanted: list[int], fixed: int | None = None) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """A value for every record: the last one logged up to and with it.

    Parameters
    ----------
    wanted : list of int
        Indices of the DLVs that stand for this value.
    fixed : int, optional
        What holds before the first is logged.

    Returns
    -------
    values : (n,) int64
    known : (n,) bool
        False before the first value.
    """
    count = len(records)
    here = np.isin(records.index, wanted)
    logged = records.value[here]
    last = np.full(count, -1, np.int64)
    last[records.row[here]] = np.arange(logged.size)  # of two in one record the later one stays
    last = np.maximum.accumulate(last) if count else last
    known = last >= 0
    values = np.zeros(count, np.int64)
    values[known] = logged[last[known]]
    if fixed is not None:
        values[~known] = fixed
        known[:] = True
    return values, known
