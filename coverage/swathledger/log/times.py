"""Times as written, to UTC seconds."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.day_first import clock_text, may_be_guessed, time_format
from swathledger.log.table import Column
from swathledger.notes import Note

#: Below this a number is seconds from the start (1e8 s after 1970 is March 1973), above it an epoch.
_EPOCH_FROM = 1e8
_SCALES = ((1e11, 1.0, "s"), (1e14, 1e3, "ms"), (1e17, 1e6, "us"), (np.inf, 1e9, "ns"))
_MOST_EPOCH = 1e30
_OFFSET = r"(?i)(z|utc|gmt|[+-]\d\d(:?\d\d)?)$"
_COMPACT = r"^(19|20)\d{12}$"
#: What Arrow reads as a time of day and date, the offset apart; whether the day exists is Arrow's to say.
_ISO = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?$"
_WITH_DAY = re.compile(r"^(\d{4}-\d\d-\d\d|\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{9,}(\.\d+)?$)")
_LONGEST = 40  # no time is longer
_SAMPLE = 2000
_WEEK_S, _HALF_DAY_S = 7 * 86_400.0, 43_200.0
_LEAST_ROWS = 30
_LEAST_STEP_S = 1e-3
"""No log has more than a thousand rows a second."""
_DAYS = (20_000.0, 80_000.0)
"""Days of a spreadsheet of the years 1954 to 2119."""
_EPOCH_DAY = 25_569.0
"""1970-01-01 as spreadsheets count days, from 1899-12-30."""
_MOST_DAYS = 3e6
_SHOWN = 60
#: Years 1 and 9999, which is as far as a date can be written; a day is kept free for the zones.
_FIRST_S, _LAST_S = -62_135_510_400.0, 253_402_214_400.0


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
    time: Column,
    date: Column | None,
    options: Mapping[str, object],
    *,
    file: str,
    header: str,
    from_start: bool = False,
) -> Times:
    """Parse a column of times.

    Parameters
    ----------
    time : Column
        Text, numbers or timestamps.
    date : Column or None
        Dates that ``time`` of day belongs to.
    options : mapping
        ``time_format`` (strptime), ``time_zone`` (for times without offset), ``start`` (for seconds from start).
    from_start : bool
        The column is seconds from start whatever its size.

    Returns
    -------
    Times
        Sub-second parts are kept to the microsecond. Times beyond the calendar (years 1 to 9999) are NaN.

    Raises
    ------
    LogError
        No cell can be read as a time.
    """
    times = _parsed(time, date, options, file, header, from_start)
    if not times.absolute:
        return times
    weeks = options.get("add_weeks")
    if isinstance(weeks, int) and weeks:
        told = Note.of("log.weeks_added", count=weeks)
        times = replace(times, seconds=times.seconds + weeks * _WEEK_S, warnings=(*times.warnings, told))
    with np.errstate(invalid="ignore"):
        beyond = (times.seconds < _FIRST_S) | (times.seconds > _LAST_S)
    return replace(times, seconds=np.where(beyond, np.nan, times.seconds)) if beyond.any() else times


def _parsed(
    time: Column, date: Column | None, options: Mapping[str, object], file: str, header: str, from_start: bool
) -> Times:
    kind = time.kind
    if pa.types.is_timestamp(kind):
        return _stamps(time.pieces, options, file, header)
    if pa.types.is_date(kind):
        return _stamps([piece.cast(pa.timestamp("us")) for piece in time.pieces], options, file, header)
    if from_start:
        return _from_start(time.numbers().values, options, file)
    if date is not None:
        hours = time.words()
        if _WITH_DAY.match(next((hour for hour in hours if hour), "")):
            return _parsed(time, None, options, file, header, from_start)  # the day is there already
        hours = clock_text(hours) or hours
        joined = [f"{day} {hour}".strip() for day, hour in zip(date.words(), hours, strict=True)]
        return _words([pa.array(joined, pa.string())], options, file, header)
    numeric = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    if options.get("time_format") is not None or not numeric:
        words = time.text()
        if options.get("time_format") is not None:
            return _text(words, options, file, header)
        compact = sum(pc.sum(pc.match_substring_regex(piece, _COMPACT)).as_py() or 0 for piece in words)
        if compact > len(time) / 2:
            first = next(piece[0].as_py() for piece in words if len(piece))
            note = Note.of("log.compact_times", file=file, example=first)
            return _text(words, dict(options, time_format="%Y%m%d%H%M%S"), file, header, note=note)
        sample = Column.of(*words).head(_SAMPLE).numbers()
        if int(np.isfinite(sample.values).sum()) <= int(sample.unreadable.sum()):
            return _words(words, options, file, header)
    return _numbers(time.numbers().values, options, file, header)


def _words(pieces: list[Any], options: Mapping[str, object], file: str, header: str) -> Times:
    """Text, by the pattern that is given, or that the column itself shows beyond doubt."""
    pattern = None
    first = next((cell for piece in pieces for cell in piece[:_SAMPLE].to_pylist() if cell), "")
    if options.get("time_format") is None and may_be_guessed(first):
        cells = pc.unique(pc.utf8_slice_codeunits(pa.chunked_array(pieces), 0, _LONGEST)).to_pylist()
        pattern = time_format((cell for cell in cells if cell), file, header)
    if pattern is None:
        return _text(pieces, options, file, header)
    note = Note.of("log.time_format_seen", file=file, format=pattern)
    return _text(pieces, dict(options, time_format=pattern), file, header, note=note)


def _numbers(values: NDArray[np.float64], options: Mapping[str, object], file: str, header: str) -> Times:
    unit, note = options.get("time_unit"), None
    if unit is None:
        unit, note = _guessed(values, file)
    if unit == "days":
        return _days(values, options, file, header, note)
    if unit == "hhmmss":
        return _clock(values, options, file, note)
    finite = np.minimum(np.abs(values[np.isfinite(values)]), _MOST_EPOCH)  # of two such values the mean is finite too
    if finite.size == 0:
        return Times(values, True)
    typical = float(np.median(finite))
    if typical < _EPOCH_FROM:
        return _from_start(values, options, file)
    scale, unit = next((scale, unit) for limit, scale, unit in _SCALES if typical < limit)
    if unit == "s":
        return Times(values, True)
    return Times(values / scale, True, (Note.of("log.epoch_numbers", file=file, unit=unit),))


def _guessed(values: NDArray[np.float64], file: str) -> tuple[str | None, Note | None]:
    """Numbers that can be no seconds: days of a spreadsheet, or clock times without their colons."""
    there = values[np.isfinite(values)]
    if there.size < _LEAST_ROWS:
        return None, None
    steps = np.abs(np.diff(there))
    steps = steps[steps > 0]
    if not steps.size:
        return None, None
    example = f"{float(there[0]):.10g}"
    low, high = _DAYS
    if low < there.min() and there.max() < high and float(np.median(steps)) < _LEAST_STEP_S:
        return "days", Note.of("log.days_as_times", file=file, example=example)
    hours, minutes, seconds = _hms(there)
    # of seconds that are counted, four in ten end in 60 to 99
    sexagesimal = bool((hours < 24).all() and (minutes < 60).all() and (seconds < 60).all() and (there >= 0).all())
    if sexagesimal and np.unique(np.floor(there / 100)).size >= 3 and float(seconds.max()) >= 50:
        return "hhmmss", Note.of("log.clock_numbers", file=file, example=example)
    return None, None


def _hms(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    return np.floor(values / 10_000), np.floor(values / 100) % 100, values % 100


def _days(
    values: NDArray[np.float64], options: Mapping[str, object], file: str, header: str, note: Note | None
) -> Times:
    """Days since 1899-12-30 of the clock on the wall, as spreadsheets count them, to the millisecond."""
    valid = np.isfinite(values) & (np.abs(values) < _MOST_DAYS)
    micros = 1000 * np.round((np.where(valid, values, 0.0) - _EPOCH_DAY) * 86_400e3).astype(np.int64)
    times = _localised(micros, valid, np.where(valid, micros / 1e6, np.nan), options, file, header)
    return replace(times, warnings=(*((note,) if note else ()), *times.warnings))


def _clock(values: NDArray[np.float64], options: Mapping[str, object], file: str, note: Note | None) -> Times:
    """Clock times as numbers, 73005 for 07:30:05; past midnight they go on. ``[log] start``: of the first row."""
    hours, minutes, seconds = _hms(values)
    with np.errstate(invalid="ignore"):
        wrong = (hours > 23) | (minutes > 59) | (seconds >= 60) | (values < 0)
    of_day = np.where(wrong, np.nan, hours * 3600 + minutes * 60 + seconds)
    known = np.isfinite(of_day)
    if known.any():
        late = np.diff(of_day[known], prepend=of_day[known][0]) < -_HALF_DAY_S
        of_day[known] += 86_400.0 * np.cumsum(late)
        of_day -= of_day[known][0]
    times = _from_start(of_day, options, file)
    return replace(times, warnings=(*((note,) if note else ()), *times.warnings))


def _from_start(values: NDArray[np.float64], options: Mapping[str, object], file: str) -> Times:
    start, note = _start(options)
    if start is None:
        return Times(values, False, (Note.of("log.no_start", file=file),))
    return Times(values + start, True, (note,) if note else ())


def _micros(piece: Any) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Microseconds of an array of timestamps of any unit, and which are there."""
    whole = piece.cast(pa.timestamp("us", tz=piece.type.tz), safe=False).cast(pa.int64())
    return whole.fill_null(0).to_numpy(zero_copy_only=False), np.asarray(whole.is_valid())


def _stamps(pieces: Sequence[Any], options: Mapping[str, object], file: str, header: str) -> Times:
    found = [_micros(piece) for piece in pieces]
    micros = np.concatenate([values for values, _ in found])
    valid = np.concatenate([there for _, there in found])
    seconds = np.where(valid, micros / 1e6, np.nan)
    if pieces[0].type.tz is not None:
        return Times(seconds, True)
    return _localised(micros, valid, seconds, options, file, header)


def _text(
    pieces: Sequence[Any], options: Mapping[str, object], file: str, header: str, note: Note | None = None
) -> Times:
    """Text with or without offsets, piece by piece."""
    pattern = options.get("time_format")
    if pattern is not None and not isinstance(pattern, str):
        raise LogError(f"must be text, found {pattern!r}.", column="[log] time_format")
    found = [_one_text(piece, pattern) for piece in pieces]
    micros, valid, naive, filled = (np.concatenate(part) for part in zip(*found, strict=True))
    if filled.any() and valid.sum() < 0.5 * filled.sum():
        first = int(np.flatnonzero(filled & ~valid)[0])
        word = str(Column.of(*pieces).cell(first))[:_SHOWN]
        raise LogError(
            f"{word!r} cannot be read as a time" + (f" by {pattern!r}." if pattern else "."),
            file=file,
            column=header,
            hint="Give the way it is written in the machine file, e.g. [log] time_format = '%d/%m/%Y %H:%M:%S'.",
        )
    times = _localised(micros, naive & valid, np.where(valid, micros / 1e6, np.nan), options, file, header)
    return Times(times.seconds, True, (*((note,) if note else ()), *times.warnings))


def _one_text(
    piece: Any, pattern: str | None
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Microseconds (of UTC, or of the clock where there is no offset); which are valid, naive, and filled at all."""
    words = pc.utf8_trim_whitespace(piece.cast(pa.string()))
    filled = np.asarray(pc.fill_null(pc.not_equal(words, ""), False))
    if pattern is not None:
        micros, valid = _lenient(words, pattern)
        naive = "%z" not in pattern and "%Z" not in pattern
        return micros, valid, np.full(len(words), naive), filled
    # ISO 8601 allows a comma before parts of a second; blanks before the offset are common
    words = pc.replace_substring(words, ",", ".")
    words = pc.replace_substring_regex(words, r"(?i)\s*(utc|gmt|z)$", "Z")
    aware = np.asarray(pc.fill_null(pc.match_substring_regex(words, _OFFSET), False))
    # a bare date such as 2026-03-04 ends like an offset
    bare = np.asarray(pc.fill_null(pc.match_substring_regex(words, r"^\d{4}-\d\d-\d\d$"), False))
    naive = ~aware | bare
    micros, valid = _iso(words, naive) or _lenient(words, "ISO8601")
    return micros, valid, naive, filled


def _iso(words: Any, naive: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | None:
    """Plain ISO 8601 by Arrow, where all cells that are filled are either aware or naive; None where some are not."""
    empty = pc.equal(words, "")
    known = pc.if_else(empty, pa.scalar(None, pa.string()), words)
    there = np.asarray(known.is_valid())
    zone = None if naive[there].all() else "UTC"
    if zone is not None and naive[there].any():
        return None
    clock = known if zone is None else pc.replace_substring_regex(known, _OFFSET, "")
    if not pc.all(pc.match_substring_regex(clock, _ISO)).as_py():
        return None
    try:
        return _micros(known.cast(pa.timestamp("us", zone)))
    except pa.ArrowInvalid:  # the 30th of February
        return None


def _lenient(words: Any, pattern: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Any text, cell by cell: what cannot be read is not valid."""
    import pandas as pd

    try:
        parsed = pd.to_datetime(words.to_pandas(), format=pattern, utc=True, errors="coerce")
    except (ValueError, TypeError, re.error) as error:
        raise LogError(
            f"{pattern!r} is not a time format: {error}.",
            column="[log] time_format",
            hint="Use strptime signs, e.g. '%d/%m/%Y %H:%M:%S'.",
        ) from error
    # Microseconds named: pandas may hold s, ms, us or ns.
    valid = parsed.notna().to_numpy()
    micros = parsed.dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    return np.where(valid, micros, 0), valid


def _localised(
    micros: NDArray[np.int64],
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
    import pandas as pd

    naive = pd.Series(micros[rows].astype("datetime64[us]")).dt
    try:
        local = naive.tz_localize(zone, ambiguous="infer", nonexistent="NaT")
    except ValueError:  # the hour that comes twice in autumn cannot be told apart: the first one is meant
        local = naive.tz_localize(zone, ambiguous=np.ones(int(rows.sum()), bool), nonexistent="NaT")
    valid = local.notna().to_numpy()
    moved = local.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    seconds = seconds.copy()
    seconds[rows] = np.where(valid, moved / 1e6, np.nan)
    return Times(seconds, True)
