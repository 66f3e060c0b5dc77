"""Enough of a log to say where and when it was made: a large text file is read in samples."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swathledger.errors import LogError
from swathledger.notes import Note

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from swathledger.log.log import Log

WHOLE_BYTES = 4 << 20
"""Files up to this size are read whole."""
_SAMPLE_STEP_BYTES = 64 << 10
_SAMPLE_BYTES = 4 << 10
_HEAD_BYTES = 64 << 10


@dataclass(frozen=True, slots=True)
class Preview:
    """What was seen of a log.

    Attributes
    ----------
    time_s, latitude_deg, longitude_deg : (n,) float64
    spraying : (n,) bool
        Any section or nozzle open; all True where the log records no states.
    product : tuple of str
        One name a row; "" where not known.
    state_kind, states : str, int
        As in the log: ``states`` columns of ``state_kind``.
    absolute : bool
        Times are dates.
    whole : bool
        False: samples of a large file.
    """

    time_s: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    spraying: NDArray[np.bool_]
    product: tuple[str, ...]
    state_kind: str
    states: int
    absolute: bool
    whole: bool
    remarks: tuple[Note, ...]


def peek(
    path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object] | None, *, whole: bool = False
) -> Preview:
    """Read a log, or samples of it where it is a large text file and ``whole`` is not asked for.

    Raises
    ------
    LogError
        It is no log, or not fit to read.
    """
    from swathledger.log.read import read_log

    if not whole and path.stat().st_size > WHOLE_BYTES:
        try:
            preview = _sampled(path, columns, options)
        except LogError:
            preview = None  # a layout that samples do not fit; the whole file tells
        if preview is not None:
            return preview
    return _preview(
        read_log(path, columns=columns, options=options), whole=True, remarks=_cut_short(path, columns, options)
    )


def _preview(log: Log, *, whole: bool, remarks: tuple[Note, ...]) -> Preview:
    names = log.product if log.product is not None else ("",) * len(log)
    return Preview(
        time_s=log.time_s,
        latitude_deg=log.latitude_deg,
        longitude_deg=log.longitude_deg,
        spraying=np.asarray(log.state.any(axis=1)),
        product=tuple(name.strip() for name in names),
        state_kind=log.state_kind,
        states=int(log.state.shape[1]),
        absolute=log.time_is_absolute,
        whole=whole,
        remarks=remarks,
    )


def _is_plain_text(path: Path) -> bool:
    """Delimited text in an encoding whose lines can be found byte by byte."""
    from swathledger.log.formats import find_format

    if find_format(path).name != "csv":
        return False
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    return not head.startswith((b"\xff\xfe", b"\xfe\xff")) and b"\0" not in head


def _sampled(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object] | None) -> Preview | None:
    """Whole lines from evenly spaced places of the file, read as a log of their own."""
    from swathledger.log.read import read_log

    if not _is_plain_text(path):
        return None
    size = path.stat().st_size
    with tempfile.TemporaryDirectory(prefix="swathledger-") as folder:
        sample = Path(folder) / path.name
        with path.open("rb") as stream, sample.open("wb") as out:
            head = stream.read(_HEAD_BYTES)
            out.write(head[: head.rfind(b"\n") + 1])
            for at in [*range(2 * _HEAD_BYTES, size - _SAMPLE_BYTES, _SAMPLE_STEP_BYTES), size - _SAMPLE_BYTES]:
                stream.seek(at)
                block = stream.read(_SAMPLE_BYTES)
                out.write(block[block.find(b"\n") + 1 : block.rfind(b"\n") + 1])
        log = read_log(sample, columns=columns, options=options)
    return _preview(log, whole=False, remarks=_cut_short(path, columns, options))


def _cut_short(path: Path, columns: Mapping[str, str] | None, options: Mapping[str, object] | None) -> tuple[Note, ...]:
    """Whether a text file ends in the middle of a row."""
    from swathledger.log.csv_file import last_fields, read_head

    if not _is_plain_text(path):
        return ()
    with path.open("rb") as stream:
        stream.seek(0, 2)
        stream.seek(max(0, stream.tell() - _SAMPLE_BYTES))
        tail = stream.read()
    if tail.endswith((b"\n", b"\r")):
        return ()
    layout = read_head(path, columns, options)
    if last_fields(tail, layout) >= len(layout.names):
        return ()
    return (Note.of("match.cut_short", file=path.name),)
