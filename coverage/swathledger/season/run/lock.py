"""One run at a time in a folder of results."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from swathledger.errors import OutputError
from swathledger.files import DiskFullError, is_full

NAME = ".lock"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder while the block runs; it is made where it is absent.

    The system lets go of the lock of a process that ends, however it ends; what it left of the file stops nobody.

    Raises
    ------
    OutputError
        Another run holds the folder, or it cannot be written.
    """
    from filelock import FileLock, Timeout

    path = folder / NAME
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file, not a folder. Give the name of a folder.")
    if path.exists() and path.stat().st_size and not _holder(path):
        raise OutputError(f"{path}: is no lock of this program, which needs a file of that name. Move it elsewhere.")
    lock = FileLock(path, timeout=0, mode=0o644)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout:
        raise OutputError(
            f"{folder}: another run is at work there{_holder(path)}. Wait for it to end, or give another folder. If it "
            f"is certain that none runs, remove {path}."
        ) from None
    except OSError as error:
        words = f"{folder}: cannot be written ({error.strerror or error})."
        if is_full(error, folder):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(f"{words} Give another folder, or the right to write there.") from error
    try:
        with suppress(OSError):  # only a name for whoever comes next; a full disk shows at the first result
            path.write_text(f"process {os.getpid()} on {socket.gethostname()}", encoding="utf-8")
        yield
    finally:
        path.unlink(missing_ok=True)  # while it is held: whoever opened it sees that it is gone, and tries again
        lock.release()


def _holder(path: Path) -> str:
    """Who holds a lock, as the holder wrote it; empty where that cannot be read."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""
    return f" ({text})" if text.startswith("process ") else ""
