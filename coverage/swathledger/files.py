"""Files: what may be opened, paths that libraries take as they are, hashes, and writing whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from swathledger.errors import InputError, OutputError
from swathledger.text import printable

FULL = frozenset({errno.ENOSPC, errno.EFBIG, errno.EDQUOT})
"""Codes of a disk, quota or file size at its end."""
_LEAST_FREE_BYTES = 1 << 20
_MOST_SMALL = 16 << 20
_SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class DiskFullError(OutputError):
    """There is no room for results; what is there already stays."""


# --- reading ----------------------------------------------------------------------------------------------------------


def check_readable(path: Path, error: type[InputError] = InputError, *, folder: bool = False) -> None:
    """Refuse what cannot be opened or would never end: nothing is opened before this has looked.

    Parameters
    ----------
    error : exception type
        What is raised.
    folder : bool
        A folder will do as well.

    Raises
    ------
    InputError
        Nothing there; a folder; a pipe, socket or device; links that lead round in a ring; a name that no file can
        have; an empty file.
    """
    shown = printable(str(path))
    if str(path.absolute()).startswith("/vsi"):
        raise error("this is a way into another place, no file.", file=shown, hint="Give a file of this computer.")
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        raise error("there is no such file.", file=shown, hint="Check the path.") from None
    except ValueError:  # a zero byte in the name
        raise error("no file can have this name.", file=shown, hint="Check the path.") from None
    except OSError as reason:
        what = "is a link that leads back to itself" if reason.errno == errno.ELOOP else "cannot be opened"
        raise error(f"{what} ({reason.strerror or reason}).", file=shown, hint="Check the path.") from None
    if stat.S_ISDIR(found.st_mode):
        if folder:
            return
        raise error("this is a folder, not a file.", file=shown, hint="Name the file inside it.")
    for is_kind, word in _KINDS:
        if is_kind(found.st_mode):
            raise error(f"this is {word}, not a file.", file=shown, hint="Copy what it gives into a file first.")


def read_small(path: Path, error: type[InputError] = InputError) -> bytes:
    """All bytes of a file that people write, of at most 16 MiB.

    Raises
    ------
    InputError
        As `check_readable`; or it is larger, or cannot be read.
    """
    check_readable(path, error)
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_SMALL + 1)
    except OSError as reason:
        raise error(f"cannot be read ({reason.strerror or reason}).", file=str(path)) from reason
    if len(data) > _MOST_SMALL:
        raise error("has more than 16 MiB, which nobody writes by hand.", file=str(path), hint="Is it the right file?")
    return data


def sha256_of(path: Path) -> str:
    """Hex digest of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def parts_of(path: Path) -> list[Path]:
    """The file itself, then what belongs to it: the parts of a shapefile, the files of a folder."""
    if path.is_dir():
        return sorted(item for item in path.rglob("*") if item.is_file())
    if path.suffix.lower() != ".shp":
        return [path]
    beside = (other for other in path.parent.iterdir() if other.stem == path.stem and other != path)
    return [path, *sorted(other for other in beside if other.suffix.lower() in _SHAPEFILE_PARTS)]


@contextmanager
def plain_path(path: Path) -> Iterator[Path]:
    """An absolute path that GDAL takes as it is, and never for the way into an archive or to another driver.

    ``!`` marks a member of an archive there, and names that are not UTF-8 cannot be handed over: such a file is linked
    from elsewhere (copied, where links cannot be made), with all that belongs to it.
    """
    whole = path.absolute()
    if "!" not in str(whole) and printable(str(whole)) == str(whole):
        yield whole
        return
    with tempfile.TemporaryDirectory(prefix="swathledger-") as folder:
        parts = [whole] if path.is_dir() else parts_of(whole)
        for part in parts:
            target = Path(folder) / f"file{part.suffix}"
            try:
                target.symlink_to(part.resolve(), target_is_directory=part.is_dir())
            except OSError:
                if part.is_dir():
                    shutil.copytree(part, target)
                else:
                    shutil.copyfile(part, target)
        yield Path(folder) / f"file{path.suffix}"


# --- writing ----------------------------------------------------------------------------------------------------------


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
        part.chmod(0o644)  # mkstemp makes it private
        part.replace(path)
    except OSError as error:
        words = f"{printable(str(path))}: cannot be written ({error.strerror or error})."
        if is_full(error, path.parent):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(f"{words} Give another place.") from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes | str) -> None:
    """Write bytes, or text as UTF-8, to a file, whole or not at all; see :func:`write_with`."""
    content = data.encode() if isinstance(data, str) else data

    def write(part: Path) -> None:
        part.write_bytes(content)

    write_with(path, write)


@contextmanager
def plain_target(path: Path) -> Iterator[Path]:
    """A place for a library to write to whose path it takes as it is; copied to ``path`` when the block ends well."""
    with tempfile.TemporaryDirectory(prefix="swathledger-") as folder:
        held = Path(folder) / f"file{path.suffix}"
        yield held
        shutil.copyfile(held, path)
