"""Files of a season: each is written whole or not at all, and a full disk is told in plain words."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from swathledger.errors import OutputError

FULL = frozenset({errno.ENOSPC, errno.EFBIG, errno.EDQUOT})
"""Codes of a disk, quota or file size at its end."""
_LEAST_FREE_BYTES = 1 << 20


class DiskFullError(OutputError):
    """There is no room for results; what is there already stays."""


def is_full(error: BaseException, folder: Path) -> bool:
    """Whether an error comes of a full disk.

    Libraries hide the code of the system, so the free space beside the results is looked at too.
    """
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno in FULL:
            return True
        seen = seen.__cause__ or seen.__context__
    try:
        while not folder.exists():
            folder = folder.parent
        return shutil.disk_usage(folder).free < _LEAST_FREE_BYTES
    except OSError:
        return False


def write_with(path: Path, write: Callable[[Path], None]) -> None:
    """Write a file beside its place and rename it there; readers see the old file or the new one, never a part.

    Raises
    ------
    OutputError
        With the system's reason; `DiskFullError` where there is no room.
    """
    part: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.stem[:40]}-", suffix=f".part{path.suffix}", dir=path.parent)
        os.close(handle)
        part = Path(name)
        write(part)
        with part.open("rb+") as stream:
            os.fsync(stream.fileno())
        part.chmod(0o644)
        part.replace(path)
    except OSError as error:
        words = f"{path}: cannot be written ({error.strerror or error})."
        if is_full(error, path.parent):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(f"{words} Give another place.") from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write bytes to a file, whole or not at all; see :func:`write_with`."""

    def write(part: Path) -> None:
        part.write_bytes(data)

    write_with(path, write)
