"""Sentences of NMEA 0183 as a receiver puts them out: RMC gives place, time, speed and course, GGA the quality."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from functools import reduce
from pathlib import Path

import numpy as np
import pyarrow as pa

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.columns import plan_columns
from swathledger.log.format import Columns, Format, Sniffed
from swathledger.log.log import SetAside
from swathledger.log.table import Column, RawTable
from swathledger.text import file_name

_SENTENCE = re.compile(rb"^\$(?:G[APLNABQI]|BD|II)(RMC|GGA|VTG|GLL|GSA|GSV|ZDA|GST|HDT|GNS|DTM|TXT)\b")
_HEADERS = ("time", "latitude", "longitude", "speed_knots", "heading_deg", "hdop")


def checksum(body: str) -> int:
    """Of the characters between ``$`` and ``*``: their exclusive or.

    Examples
    --------
    >>> f"{checksum('GPGLL,5300.97914,N,00259.98174,E,125926,A'):02X}"
    '28'
    """
    return reduce(lambda left, mark: left ^ ord(mark), body, 0)


def _degrees(value: str, mark: str) -> float:
    """Degrees of ``ddmm.mmmm`` and a hemisphere."""
    whole, minutes = divmod(float(value), 100.0)
    if mark not in "NSEW" or not mark or minutes >= 60:
        raise ValueError(value)
    return (whole + minutes / 60.0) * (-1.0 if mark in "SW" else 1.0)


def _moment(clock: str, day: str) -> dt.datetime:
    seconds = float(clock[4:])
    base = dt.datetime.strptime(day + clock[:4], "%d%m%y%H%M").replace(tzinfo=dt.UTC)
    return base + dt.timedelta(seconds=seconds)


def read_nmea(path: Path, columns: Columns, options: Mapping[str, object]) -> RawTable:
    """Read a row for every RMC sentence; the HDOP of the GGA sentence of the same time stands beside it.

    Returns
    -------
    RawTable
        Sentences whose checksum is wrong (``bad_checksum``), that say that there is no fix (``no_position_fix``), or
        that are not whole (``bad_row``) are set aside; those of other kinds are no rows.

    Raises
    ------
    LogError
        There is no RMC sentence.

    Notes
    -----
    Sentences hold no states of valves: the whole drive counts as spraying, as for any log without states. Course and
    speed are those over ground.
    """
    del options
    file = file_name(path)
    rows: list[tuple[dt.datetime, float, float, float, float]] = []
    clocks: list[str] = []
    lines: list[int] = []
    hdop: dict[str, float] = {}
    bad: dict[str, tuple[int, str]] = {}

    def aside(reason: str, number: int, line: str) -> None:
        count, example = bad.get(reason, (0, f"{file}, row {number}: {line[:80]!r}"))
        bad[reason] = (count + 1, example)

    for number, line in enumerate(path.read_text("ascii", "replace").splitlines(), start=1):
        text = line.strip()
        if not text.startswith("$"):
            if text:
                aside("bad_row", number, text)
            continue
        body, star, told = text[1:].partition("*")
        kind = body[2:5]
        if kind not in ("RMC", "GGA"):
            continue
        if star and told.strip().upper() != f"{checksum(body):02X}":
            aside("bad_checksum", number, text)
            continue
        cells = body.split(",")
        try:
            if kind == "GGA":
                hdop[cells[1]] = float(cells[8])
                continue
            if cells[2] != "A":
                aside("no_position_fix", number, text)
                continue
            place = _degrees(cells[3], cells[4]), _degrees(cells[5], cells[6])
            speed, course = (float(cell) if cell else np.nan for cell in cells[7:9])
            rows.append((_moment(cells[1], cells[9]), *place, speed, course))
            clocks.append(cells[1])
            lines.append(number)
        except (ValueError, IndexError):
            if kind == "RMC":
                aside("bad_row", number, text)
    if not rows:
        raise LogError("there is no RMC sentence with a fix.", file=file, hint="Have the receiver put out RMC as well.")
    table = list(zip(*rows, strict=True))
    arrays = {
        "time": pa.array(table[0], pa.timestamp("us", "UTC")),
        **{name: pa.array(np.array(values, float)) for name, values in zip(_HEADERS[1:5], table[1:], strict=True)},
        "hdop": pa.array(np.array([hdop.get(clock, np.nan) for clock in clocks])),
    }
    plan = plan_columns(_HEADERS, columns, file=file)

    def places(wanted: Sequence[int]) -> list[str]:
        return [f"row {lines[row]}" for row in wanted]

    return RawTable(
        file=file,
        inputs=((file, sha256_of(path)),),
        headers=_HEADERS,
        columns={name: Column.of(_null_for_nan(arrays[name])) for name in plan.headers},
        places=places,
        rejected=tuple(SetAside(reason, count, example) for reason, (count, example) in sorted(bad.items())),
    )


def _null_for_nan(array: pa.Array) -> pa.Array:
    return pa.array(array.to_numpy(), from_pandas=True) if pa.types.is_floating(array.type) else array


def _claims(head: bytes, path: Path) -> bool:
    del path
    return any(_SENTENCE.match(line.strip()) for line in head.splitlines()[:5])


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    del columns, options
    with path.open("rb") as stream:
        head = stream.read(1 << 16)
    if b"RMC," in head:
        return Sniffed("log", "nmea", "has times and positions")
    return Sniffed("other", "nmea", "has no RMC sentence, which holds the date")


FORMAT = Format("nmea", _claims, _sniff, read_nmea)
