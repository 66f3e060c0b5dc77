"""Results on their way: a hidden folder that says whose it is, and is known and cleared away after a kill."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from swathledger.documents.written import read_list

FILLING: Final = "filling"
"""Folder of new results in it while they are being made."""
READY: Final = "ready"
"""And when they are whole, and are to get to their place whatever happens."""
_BEGUN: Final = "begun.json"
_BEGUN_SCHEMA: Final = "swathledger/begun/1"
_LOCK: Final = "begun.lock"
_NAME: Final = re.compile(r"\..*-[a-z0-9_]{8}\.part")


@contextmanager
def part_of(target: Path) -> Iterator[Path]:
    """Make such a folder; held while this process lives, gone at the end unless whole results wait in it."""
    from filelock import FileLock

    target.parent.mkdir(parents=True, exist_ok=True)
    held = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", suffix=".part", dir=_room(target)))
    lock = FileLock(held / _LOCK, timeout=0)
    try:
        with suppress(NotImplementedError, OSError):  # a disk without locks: its leftovers are not cleared by others
            lock.acquire()
        begun = {"schema": _BEGUN_SCHEMA, "target": target.name}
        (held / _BEGUN).write_text(json.dumps(begun) + "\n", encoding="utf-8")
        (held / FILLING).mkdir()
        yield held
    finally:
        lock.release()
        if not is_ready(held):
            _clear(held)


def _clear(held: Path) -> None:
    """Remove it; what tells that it is ours goes last, so that a kill in the middle leaves nothing unknown."""
    for name in (FILLING, READY):
        shutil.rmtree(held / name, ignore_errors=True)
    with suppress(OSError):
        for name in (_LOCK, _BEGUN):
            (held / name).unlink(missing_ok=True)
        held.rmdir()


def _room(target: Path) -> Path:
    """Beside a folder, where that is the same disk and may be written to; else in it."""
    if target.is_dir() and (
        target.stat().st_dev != target.parent.stat().st_dev or not os.access(target.parent, os.W_OK | os.X_OK)
    ):
        return target
    return target.parent


def is_ready(held: Path) -> bool:
    """Whether whole results wait in it."""
    return read_list(held / READY) is not None


def target_of(held: Path) -> str | None:
    """Name of the folder that results on their way are for; None where this is no such thing of ours."""
    if not _NAME.fullmatch(held.name) or held.is_symlink() or not held.is_dir():
        return None
    try:
        found: Any = json.loads((held / _BEGUN).read_bytes())
    except (OSError, ValueError):
        return None
    if not isinstance(found, dict) or found.get("schema") != _BEGUN_SCHEMA or not isinstance(found.get("target"), str):
        return None
    target: str = found["target"]
    return target if target and Path(target).name == target else None


@contextmanager
def left_behind(held: Path) -> Iterator[bool]:
    """Hold what a run left, to clear it away at the end; False (and it stays) where its run lives or none can tell."""
    from filelock import FileLock, Timeout

    lock = FileLock(held / _LOCK, timeout=0)
    try:
        lock.acquire()
    except (Timeout, NotImplementedError, OSError):
        yield False
        return
    try:
        yield True
    finally:
        lock.release()
        if not is_ready(held):
            _clear(held)
