"""One run at a time in a folder of results."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from swathledger.errors import OutputError
from swathledger.files import DiskFullError, is_full

NAME = ".lock"


def _me() -> dict[str, object]:
    import psutil

    return {"host": socket.gethostname(), "pid": os.getpid(), "started": psutil.Process().create_time()}


def _holder(text: str) -> dict[str, object]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _is_alive(holder: dict[str, object]) -> bool:
    """Whether the process that wrote a lock still runs; one of another computer is taken to."""
    import psutil

    if not holder:
        return False  # cut off while it was written
    if holder.get("host") != socket.gethostname():
        return True
    try:
        process = psutil.Process(int(str(holder.get("pid"))))
        return abs(process.create_time() - float(str(holder.get("started")))) < 1.0
    except (psutil.Error, ValueError):
        return False


def _try_flock(handle: int) -> bool | None:
    """True: ours; False: another process has it; None: this system or disk cannot tell."""
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a network disk without locks
        return None
    return True


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder while the block runs; it is made where it is absent.

    The system itself lets go of the lock of a process that ends, however it ends; where a disk has no locks, the
    process named in the file is looked for.

    Raises
    ------
    OutputError
        Another run holds the folder, or it cannot be written.
    """
    path = folder / NAME
    try:
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder}: is a file, not a folder. Give the name of a folder.")
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        words = f"{folder}: cannot be written ({error.strerror or error})."
        if is_full(error, folder):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(f"{words} Give another folder, or the right to write there.") from error
    try:
        _take(handle, path, folder)
        try:
            yield
        finally:
            path.unlink(missing_ok=True)
    finally:
        os.close(handle)


def _take(handle: int, path: Path, folder: Path) -> None:
    ours = _try_flock(handle)
    holder = _holder(os.read(handle, 4096).decode("utf-8", "replace"))
    if ours is False or (ours is None and _is_alive(holder)):
        who = f" (process {holder.get('pid')} on {holder.get('host')})" if holder else ""
        raise OutputError(
            f"{folder}: another run is at work there{who}. Wait for it to end, or give another folder. If it is "
            f"certain that none runs, remove {path}."
        )
    try:
        if os.fstat(handle).st_ino != path.stat().st_ino:  # the run before took its file away just now
            raise OutputError(f"{folder}: another run has just ended there. Run the same command again.")
    except FileNotFoundError:
        raise OutputError(f"{folder}: another run has just ended there. Run the same command again.") from None
    try:
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, json.dumps(_me()).encode())
    except OSError as error:
        if is_full(error, folder):
            raise DiskFullError(f"{folder}: cannot be written ({error.strerror}). Make room and run again.") from error
        raise
