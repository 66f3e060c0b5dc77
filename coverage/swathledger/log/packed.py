"""Logs inside ``.gz`` and ``.zip``: unpacked into a folder of their own, within bounds, and read there."""

from __future__ import annotations

import gzip
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import IO

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.format import Columns, Format, Sniffed
from swathledger.log.table import RawTable
from swathledger.text import file_name, printable

_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"
MOST_BYTES = 4 << 30
_MOST_RATIO, _MOST_FILES = 200, 2_000
_PIECE = 1 << 20
_SIDES = frozenset({".dbf", ".shx", ".prj", ".cpg", ".sbn", ".sbx", ".qix", ".qmd"})


def _copy(source: Iterator[bytes], target: Path, most: int, file: str) -> int:
    written = 0
    with target.open("wb") as out:
        for piece in source:
            written += len(piece)
            if written > most:
                raise LogError(f"unpacks to more than {most >> 20:,} MiB.", file=file, hint="Unpack it by hand.")
            out.write(piece)
    return written


def _pieces(stream: IO[bytes] | gzip.GzipFile) -> Iterator[bytes]:
    while piece := stream.read(_PIECE):
        yield piece


@contextmanager
def unpacked(path: Path) -> Iterator[Path]:
    """The folder or file that a packed file holds, for as long as the context lasts.

    Raises
    ------
    LogError
        Broken, encrypted, or more than it should be: 2,000 files, 200 times its size, 4 GiB.
    """
    file = file_name(path)
    most = min(MOST_BYTES, max(_PIECE, _MOST_RATIO * path.stat().st_size))
    with tempfile.TemporaryDirectory(prefix="swathledger-") as made:
        folder = Path(made)
        try:
            with path.open("rb") as stream:
                packed = stream.read(2) == _GZIP
            if packed:
                target = folder / (path.stem if path.suffix.lower() == ".gz" else path.name)
                with gzip.open(path) as inside:
                    _copy(_pieces(inside), target, most, file)
                yield target
                return
            with zipfile.ZipFile(path) as archive:
                members = [item for item in archive.infolist() if not item.is_dir()]
                if len(members) > _MOST_FILES:
                    raise LogError(f"holds {len(members):,} files.", file=file, hint="Unpack it by hand.")
                for item in members:
                    inner = PurePosixPath(item.filename.replace("\\", "/"))
                    parts = [part for part in inner.parts if part not in ("/", "..", ".")]
                    if not parts or parts[0] == "__MACOSX" or ":" in item.filename:
                        continue
                    target = folder.joinpath(*parts)
                    target.parent.mkdir(parents=True, exist_ok=True)
                    with archive.open(item) as inside:
                        most -= _copy(_pieces(inside), target, most, file)
        except (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError) as error:
            raise LogError(f"cannot be unpacked ({error}).", file=file, hint="Unpack it by hand.") from error
        yield folder


def _logs(found: Path, columns: Columns, options: Mapping[str, object] | None) -> list[tuple[Path, Sniffed]]:
    """What lies in it: a folder of task data as one, side files of shapefiles not at all."""
    from swathledger.log.formats import sniff

    if found.is_file():
        return [(found, sniff(found, columns=columns, options=options))]
    mains = [path for path in sorted(found.rglob("*")) if path.name.upper() == "TASKDATA.XML"]
    if len(mains) == 1:
        return [(mains[0].parent, sniff(mains[0].parent, columns=columns, options=options))]
    files = [path for path in sorted(found.rglob("*")) if path.is_file() and path.suffix.lower() not in _SIDES]
    return [(path, sniff(path, columns=columns, options=options)) for path in files]


def read_packed(path: Path, columns: Columns, options: Mapping[str, object]) -> RawTable:
    """Read the one log of a packed file.

    Raises
    ------
    LogError
        It cannot be unpacked, or holds no log, or several.
    """

    def places(rows: Sequence[int]) -> list[str]:
        with unpacked(path) as again:  # the first unpacking is gone; asked for only when something is wrong
            return _read(again, file, columns, options).places(rows)

    file = file_name(path)
    with unpacked(path) as found:
        raw = _read(found, file, columns, options)
    return replace(raw, file=f"{file}: {raw.file}", inputs=((file, sha256_of(path)),), places=places)


def _read(found: Path, file: str, columns: Columns, options: Mapping[str, object]) -> RawTable:
    from swathledger.log.formats import find_format

    inside = _logs(found, columns, options)
    logs = [item for item, told in inside if told.kind == "log"]
    if len(inside) == 1:
        logs = [inside[0][0]]  # its own reader says best what is wrong with it
    if len(logs) != 1:
        names = ", ".join(printable(item.name) for item in logs[:8])
        what = f"holds {len(logs)} logs: {names}." if logs else "holds no log."
        hint = "Unpack it, and give them one by one." if logs else "Is it the right file?"
        raise LogError(what, file=file, hint=hint)
    return find_format(logs[0]).read(logs[0], columns, options)


def _claims(head: bytes, path: Path) -> bool:
    if head.startswith(_GZIP):
        return True
    if not head.startswith(_ZIP) or path.suffix.lower() == ".kmz":
        return False
    return b"xl/" not in head and b"[Content_Types].xml" not in head[:64]


def _sniff(path: Path, columns: Columns, options: Mapping[str, object] | None) -> Sniffed:
    with unpacked(path) as found:
        inside = _logs(found, columns, options)
    for kind in ("log", "boundary"):
        first = next((told for _, told in inside if told.kind == kind), None)
        if first is not None:
            return Sniffed(first.kind, "packed", f"holds {first.reason}" if kind == "boundary" else first.reason)
    return Sniffed("other", "packed", "holds neither a log nor a boundary")


FORMAT = Format("packed", _claims, _sniff, read_packed)
