"""A folder of results that appears whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from swathledger.errors import OutputError

MARKER = "ledger.json"
"""What a folder of earlier results holds; only such a folder (or an empty one) is ever replaced."""


def _refuse(out: Path, overwrite: bool, marker: str) -> None:
    if not out.exists() and not out.is_symlink():
        return
    if not out.is_dir():
        raise OutputError(f"{out}: is a file, not a folder. Give the name of a new folder.")
    if not any(out.iterdir()):
        return
    if not overwrite:
        raise OutputError(
            f"{out}: already holds files. Give another folder, or --overwrite to replace earlier results."
        )
    if not (out / marker).exists():
        raise OutputError(
            f"{out}: holds files but no {marker}, so it is not an earlier result and is not replaced. "
            "Give another folder."
        )


@contextmanager
def new_folder(out: Path, *, overwrite: bool = False, marker: str = MARKER) -> Iterator[Path]:
    """Give a temporary folder beside ``out`` that takes its place when the block ends well.

    Raises
    ------
    OutputError
        ``out`` may not be replaced, or its parent cannot be written.
    """
    _refuse(out, overwrite, marker)
    target = out.absolute()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        held = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", suffix=".part", dir=target.parent))
        held.chmod(0o777 & ~_umask())
    except OSError as error:
        raise OutputError(f"{out}: cannot be written ({error.strerror or error}). Give another folder.") from error
    try:
        yield held
        _refuse(out, overwrite, marker)
        _swap(held, target)
    except OSError as error:
        raise OutputError(f"{out}: cannot be written ({error.strerror or error}).") from error
    finally:
        shutil.rmtree(held, ignore_errors=True)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current


def _swap(held: Path, target: Path) -> None:
    """Put ``held`` in the place of ``target``; what stood there is moved aside first and removed last."""
    if target.exists():
        aside = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", suffix=".old", dir=target.parent))
        old = aside / "old"
        target.rename(old)
        try:
            held.rename(target)
        except OSError:
            old.rename(target)
            raise
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    else:
        held.rename(target)
