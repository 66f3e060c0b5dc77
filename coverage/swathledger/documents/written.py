"""``written.json``: what was written into a folder of results, so that nothing else is ever taken for ours."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path, PurePosixPath
from typing import ClassVar, Final, Literal

from swathledger.documents.document import Document, Table, parse
from swathledger.errors import InputError
from swathledger.files import sha256_of

NAME: Final = "written.json"

By = Literal["audit", "season", "client", "study", "demo", "simulate"]


class WrittenFile(Table, frozen=True, kw_only=True):
    """One file: its name below the folder, with forward slashes, its size, and the SHA-256 of its bytes."""

    name: str
    bytes: int
    sha256: str


class Written(Document, frozen=True, kw_only=True):
    """``written.json``. It does not list itself."""

    KIND: ClassVar[str] = "written"
    COMMAND: ClassVar[str] = "the command that wrote this folder"

    schema: str = "swathledger/written/1"
    by: By
    files: tuple[WrittenFile, ...] = ()

    @property
    def names(self) -> frozenset[str]:
        """Names of the files."""
        return frozenset(file.name for file in self.files)


def entry_of(folder: Path, name: str) -> WrittenFile:
    """Size and hash of a file as it is now."""
    path = folder / name
    return WrittenFile(name=name, bytes=path.stat().st_size, sha256=sha256_of(path))


def list_of(folder: Path, by: By) -> Written:
    """All files in a folder and below it, by name."""
    names = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return Written(by=by, files=tuple(entry_of(folder, name) for name in sorted(names) if name != NAME))


def _is_plain(name: str) -> bool:
    """A name that leads to a file below its folder and nowhere else."""
    path = PurePosixPath(name)
    plain = name not in ("", NAME) and not path.is_absolute() and ".." not in path.parts
    return plain and path.as_posix() == name and not any(sign in name for sign in ("\\", ":", "\0"))


def read_list(folder: Path) -> Written | None:
    """The list of a folder; None where there is none that we wrote.

    A list changed by hand so that it would lead out of its folder is none of ours.
    """
    path = folder / NAME
    try:
        found = parse(Written, path.read_bytes(), str(path))
    except (OSError, InputError):
        return None
    return found if all(_is_plain(file.name) for file in found.files) else None


def faults(folder: Path, written: Written, *, verify: Iterable[str] | bool = False) -> list[str]:
    """What is missing or not as it was written, as a name and a word each.

    Parameters
    ----------
    verify : bool or names
        Files whose hashes are compared too; True: all. Of the others only the sizes are.
    """
    hashed = written.names if verify is True else frozenset(verify or ())
    out = []
    for file in written.files:
        path = folder / file.name
        try:
            if path.stat().st_size != file.bytes:
                out.append(f"{file.name} has another size")
            elif file.name in hashed and sha256_of(path) != file.sha256:
                out.append(f"{file.name} has other bytes")
        except OSError:
            out.append(f"{file.name} is missing")
    return out
