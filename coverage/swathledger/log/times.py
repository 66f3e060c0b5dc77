"""Times as written, to UTC seconds."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.table import as_numbers, as_text
from swathledger.notes import Note

#: Below this a number is seconds from the start (1e8 s after 1970 is March 1973), above it an epoch.
_EPOCH_FROM = 1e8
_SCALES = ((1e11, 1.0, "s"), (1e14, 1e3, "ms"), (1e17, 1e6, "us"), (np.inf, 1e9, "ns"))
_OFFSET = r"(?i)(z|utc|gmt|[+-]\d\d(:?\d\d)?)$"
_COMPACT = r"^(19|20)\d{12}$"


@dataclass(frozen=True, slots=True)
class Times:
    """Parsed times.

    Attributes
    ----------
    seconds : (n,) float64
        UTC seconds since 1970, or seconds since an unknown start; NaN where a cell could not be read.
    absolute : bool
        False: the start is unknown.
    warnings : tuple of Note
    """

    seconds: NDArray[np.float64]
    absolute: bool
    warnings: tuple[Note, ...] = ()


def _zone(options: Mapping[str, object]) -> dt.tzinfo | None:
    name = options.get("time_zone")
    if name is None:
        return None
    if isinstance(name, str):
        if name.upper() in ("UTC", "Z"):
            return dt.UTC
        try:
            if name[:1] in "+-" and name[1:]:
                return dt.datetime.strptime(name, "%z").tzinfo
            return zoneinfo.ZoneInfo(name)
        except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
            pass
    raise LogError(
        f"{name!r} is not a time zone.",
        column="[log] time_zone",
        hint="Give a name like 'Australia/Perth' or an offset like '+08:00'.",
    )


def _start(options: Mapping[str, object]) -> tuple[float | None, Note | None]:
    """``[log] start`` as UTC seconds, and a warning where it has no offset."""
    value = options.get("start")
    if value is None:
        return None, None
    moment: dt.datetime | None = None
    if isinstance(value, dt.datetime):
        moment = value
    elif isinstance(value, dt.date):
        moment = dt.datetime.combine(value, dt.time())
    elif isinstance(value, str):
        try:
            moment = dt.datetime.fromisoformat(value.strip())
        except ValueError:
            moment = None
    if moment is None:
        raise LogError(
            f"{value!r} is not a date and time.", column="[log] start", hint="Write it like 2026-03-04T07:30:00+08:00."
        )
    if moment.tzinfo is not None:
        return moment.timestamp(), None
    zone = _zone(options)
    if zone is not None:
        return moment.replace(tzinfo=zone).timestamp(), None
    return moment.replace(tzinfo=dt.UTC).timestamp(), Note.of("log.start_without_offset")


def parse_times(
    time: Any, date: Any, options: Mapping[str, object], *, file: str, header: str, from_start: bool = False
) -> Times:
    """Parse a column of times.

    Parameters
    ----------
    time : pyarrow.ChunkedArray
        Text, numbers or timestamps.
    date : pyarrow.ChunkedArray or None
        Dates that ``time`` of day belongs to.
    options : mapping
        ``time_format`` (strptime), ``time_zone`` (for times without offset), ``start`` (for seconds from start).
    from_start : bool
        The column is seconds from start whatever its size.

    Returns
    -------
    Times
        Sub-second parts are kept to the microsecond.

    Raises
    ------
    LogError
        No cell can be read as a time.
    """
    if pa.types.is_timestamp(time.type):
        return _stamps(time, options, file, header)
    if pa.types.is_date(time.type):
        return _stamps(time.cast(pa.timestamp("us")), options, file, header)
    if from_start:
        return _from_start(as_numbers(time).values, options, file)
    if date is not None:
        joined = [f"{day} {hour}".strip() for day, hour in zip(as_text(date), as_text(time), strict=True)]
        return _text(pa.chunked_array([pa.array(joined, pa.string())]), options, file, header)
    if options.get("time_format") is not None:
        return _text(time, options, file, header)
    if not (pa.types.is_integer(time.type) or pa.types.is_floating(time.type)):
        words = pc.utf8_trim_whitespace(time.cast(pa.string()))
        if (pc.sum(pc.match_substring_regex(words, _COMPACT)).as_py() or 0) > len(words) / 2:
            compact = dict(options, time_format="%Y%m%d%H%M%S")
            return _text(
                words, compact, file, header, note=Note.of("log.compact_times", file=file, example=words[0].as_py())
            )
        sample = as_numbers(words[:2000])
        numeric = int(np.isfinite(sample.values).sum())
        if numeric <= int(sample.unreadable.sum()):
            return _text(words, options, file, header)
    values = as_numbers(time).values
    return _numbers(values, options, file)


def _numbers(values: NDArray[np.float64], options: Mapping[str, object], file: str) -> Times:
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return Times(values, True)
    typical = float(np.median(np.abs(finite)))
    if typical < _EPOCH_FROM:
        return _from_start(values, options, file)
    scale, unit = next((scale, unit) for limit, scale, unit in _SCALES if typical < limit)
    if unit == "s":
        return Times(values, True)
    return Times(values / scale, True, (Note.of("log.epoch_numbers", file=file, unit=unit),))


def _from_start(values: NDArray[np.float64], options: Mapping[str, object], file: str) -> Times:
    start, note = _start(options)
    if start is None:
        return Times(values, False, (Note.of("log.no_start", file=file),))
    return Times(values + start, True, (note,) if note else ())


def _stamps(time: Any, options: Mapping[str, object], file: str, header: str) -> Times:
    aware = time.type.tz is not None
    whole = time.cast(pa.timestamp("us", tz=time.type.tz), safe=False)  # unit named: sources come in s, ms, us or ns
    micros = whole.cast(pa.int64())
    values = micros.fill_null(0).to_numpy() / 1e6
    seconds = np.where(np.asarray(micros.is_valid()), values, np.nan)
    if aware:
        return Times(seconds, True)
    import pandas as pd

    naive = pd.Series(pd.to_datetime(whole.to_pandas()))
    return _localised(naive, np.ones(len(naive), bool), seconds, options, file, header)


def _text(time: Any, options: Mapping[str, object], file: str, header: str, note: Note | None = None) -> Times:
    """Text with or without offsets."""
    import pandas as pd

    words = pc.utf8_trim_whitespace(time.cast(pa.string()))
    pattern = options.get("time_format")
    if pattern is None:  # ISO 8601 allows a comma before parts of a second; blanks before the offset are common
        words = pc.replace_substring(words, ",", ".")
        words = pc.replace_substring_regex(words, r"(?i)\s*(utc|gmt|z)$", "Z")
    if pattern is not None and not isinstance(pattern, str):
        raise LogError(f"must be text, found {pattern!r}.", column="[log] time_format")
    series = words.to_pandas()
    try:
        parsed = pd.to_datetime(series, format=pattern or "ISO8601", utc=True, errors="coerce")
    except ValueError as error:
        raise LogError(
            f"{pattern!r} is not a time format: {error}.",
            column="[log] time_format",
            hint="Use strptime signs, e.g. '%d/%m/%Y %H:%M:%S'.",
        ) from error
    valid = parsed.notna().to_numpy()
    filled = np.asarray(pc.fill_null(pc.not_equal(words, ""), False))
    if filled.any() and valid.sum() < 0.5 * filled.sum():
        first = int(np.flatnonzero(filled & ~valid)[0])
        raise LogError(
            f"{words[first].as_py()!r} cannot be read as a time" + (f" by {pattern!r}." if pattern else "."),
            file=file,
            column=header,
            hint="Give the way it is written in the machine file, e.g. [log] time_format = '%d/%m/%Y %H:%M:%S'.",
        )
    # Microseconds named: pandas may hold s, ms, us or ns.
    micros = parsed.dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    seconds = np.where(valid, micros / 1e6, np.nan)
    if pattern is None:
        aware = np.asarray(pc.fill_null(pc.match_substring_regex(words, _OFFSET), False))
        # a bare date such as 2026-03-04 ends like an offset
        bare = np.asarray(pc.fill_null(pc.match_substring_regex(words, r"^\d{4}-\d\d-\d\d$"), False))
        naive = ~aware | bare
    else:
        naive = np.full(len(words), "%z" not in pattern and "%Z" not in pattern)
    times = _localised(parsed.dt.tz_localize(None), naive & valid, seconds, options, file, header)
    return Times(times.seconds, True, (*((note,) if note else ()), *times.warnings))


def _localised(
    naive: Any,
    rows: NDArray[np.bool_],
    seconds: NDArray[np.float64],
    options: Mapping[str, object],
    file: str,
    header: str,
) -> Times:
    """Move the times without offset from the given zone to UTC; none given: they are UTC already, and it is told."""
    if not rows.any():
        return Times(seconds, True)
    zone = _zone(options)
    if zone is None:
        return Times(seconds, True, (Note.of("log.utc_assumed", file=file, count=int(rows.sum()), header=header),))
    try:
        local = naive[rows].dt.tz_localize(zone, ambiguous="infer", nonexistent="NaT")
    except ValueError:  # the hour that comes twice in autumn cannot be told apart: the first one is meant
        local = naive[rows].dt.tz_localize(zone, ambiguous=np.ones(int(rows.sum()), bool), nonexistent="NaT")
    valid = local.notna().to_numpy()
    micros = local.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    seconds = seconds.copy()
    seconds[rows] = np.where(valid, micros / 1e6, np.nan)
    return Times(seconds, True)
