"""A folder of results that appears whole or not at all, among files that are not ours and stay as they are.

Results are made in a hidden folder beside their place (or in it, where nothing can be made beside it). Where the place
is new or empty, that folder is renamed into it. Where results stand already, the new ones are first complete on disk
(from then on they will get there, also after a kill: see :func:`recover`) and then renamed one by one; what the old
list has and the new one has not is removed; the list comes last. A file that no list of ours names is never touched.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from swathledger.documents.document import dump
from swathledger.documents.written import NAME, By, Written, entry_of, list_of, read_list
from swathledger.errors import OutputError
from swathledger.files import DiskFullError, is_full, write_whole
from swathledger.report.part import FILLING, READY, is_ready, left_behind, part_of, target_of
from swathledger.text import printable

_HEAD_BYTES: Final = 4096
_STAMPS: Final = (b'"schema": "swathledger/', b'<meta name="generator" content="swathledger')
_PDF_STAMP: Final = b"% swathledger report"
_BLOCK: Final = 1 << 20

_log = logging.getLogger(__name__)


# --- what is ours -----------------------------------------------------------------------------------------------------
def is_ours(path: Path) -> bool:
    """Whether a document or page carries the mark that this program leaves in those that it makes."""
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
            stream.seek(-min(64, path.stat().st_size), os.SEEK_END)
            return any(stamp in head for stamp in _STAMPS) or (head.startswith(b"%PDF") and _PDF_STAMP in stream.read())
    except OSError:
        return False


def _is_below(folder: Path, name: str) -> bool:
    """Whether a name leads to a place in the folder itself, and not through a link to somewhere else."""
    path = folder
    for part in Path(name).parts[:-1]:
        path /= part
        if path.is_symlink() or (path.exists() and not path.is_dir()):
            return False
    return not (folder / name).is_dir() or (folder / name).is_symlink()


def _as_written(folder: Path, old: Written) -> Callable[[str], bool]:
    """Tells of a name of the list whether its file is as one of our lists has it: its folder's, or the list above."""
    lists: dict[str, Written | None] = {"": old}

    def told(name: str) -> bool:
        try:
            found = entry_of(folder, name)
        except OSError:
            return False
        place, _, rest = name.rpartition("/")
        own = lists.setdefault(place, read_list(folder / place)) if place else None
        return found in old.files or (
            own is not None and any((rest, found.sha256) == (file.name, file.sha256) for file in own.files)
        )

    return told


def _begins(short: Path, long: Path) -> bool:
    """Whether a file holds nothing but the beginning of another: it was cut off."""
    with short.open("rb") as one, long.open("rb") as other:
        while block := one.read(_BLOCK):
            if block != other.read(len(block)):
                return False
    return True


def _nothing_lost(place: Path, successor: Path) -> bool:
    """Whether a file may be replaced by another although no list names it as it is: it bears our mark, or is a cut one.

    Results are the same bytes on every run, so a list that is lost costs nothing.
    """
    return is_ours(place) or (place.is_file() and _begins(place, successor))


def _put_aside(path: Path) -> None:
    """Keep a file of ours that somebody changed: under another name, beside the new one."""
    number, free = 1, path.with_name(f"{path.stem}-changed{path.suffix}")
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.stem}-changed-{number}{path.suffix}")
    path.rename(free)
    _log.warning("%s was changed since it was written; it is kept as %s.", printable(str(path)), printable(free.name))


# --- refusing ---------------------------------------------------------------------------------------------------------
def _is_empty(folder: Path) -> bool:
    """Nothing in it but what a run that was stopped before it wrote anything may have left."""
    return all(target_of(path) is not None for path in folder.iterdir())


def check_place(out: Path, by: By, *, overwrite: bool, inputs: Sequence[Path] = (), among: bool = False) -> None:
    """Refuse a place that may not be written to.

    Parameters
    ----------
    by : By
        Whose results may be replaced.
    overwrite : bool
        Earlier results may be replaced.
    inputs : sequence of Path
        Files that the run reads.
    among : bool
        Results may be put among other files, and take no name of theirs.

    Raises
    ------
    OutputError
    """
    shown = printable(str(out))
    if not os.path.lexists(out):
        return
    if not out.is_dir():
        raise OutputError(f"{shown}: is a file, not a folder. Give the name of a new folder.")
    old = read_list(out)
    if old is not None:
        _refuse_inputs(out, old, inputs)
    if among or _is_empty(out):
        return
    if not overwrite:
        raise OutputError(
            f"{shown}: already holds files. Give another folder, or --overwrite to replace earlier results."
        )
    if old is None:
        raise OutputError(
            f"{shown}: holds files but no list of what was written ({NAME}), so it is not an earlier result and is not "
            "replaced. Give another folder."
        )
    if old.by != by:
        raise OutputError(f"{shown}: holds what {old.by} wrote, and {by} does not replace that. Give another folder.")


def _refuse_inputs(out: Path, old: Written, inputs: Sequence[Path]) -> None:
    for path in inputs:
        for name in old.names:
            with suppress(OSError, ValueError):
                if path.samefile(out / name):
                    raise OutputError(
                        f"{printable(str(path))}: is read by this run, and would be replaced by it. Copy it to another "
                        "place first, or give another folder for the results."
                    )


def _refuse_names(new: Path, target: Path, old: Written | None) -> None:
    """No new file may take the name of one that is not ours."""
    known = old.names | {NAME} if old is not None else frozenset()
    names = [path.relative_to(new).as_posix() for path in sorted(new.rglob("*")) if path.is_file()]
    taken = [
        name
        for name in names
        if not _is_below(target, name)
        or (os.path.lexists(target / name) and name not in known and not _nothing_lost(target / name, new / name))
    ]
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise OutputError(
            f"{printable(str(target / taken[0]))}{more}: stands in the way of a result and was not written by this "
            "program. Move it to another place."
        )


# --- replacing --------------------------------------------------------------------------------------------------------
def _merge(held: Path, target: Path) -> None:
    """Rename whole new results into their place; goes on where an earlier attempt stopped."""
    new = held / READY
    written = read_list(new)
    if written is None:  # the list goes last: all is there
        return
    old = read_list(target)
    _refuse_names(new, target, old)
    as_written = _as_written(target, old) if old is not None else (lambda _: False)

    def keep_changed(name: str, successor: Path) -> None:
        place = target / name
        if place.is_file() and not as_written(name) and not _nothing_lost(place, successor):
            _put_aside(place)

    for name in sorted(written.names):
        source, place = new / name, target / name
        if not source.exists():
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        if os.path.lexists(place):
            keep_changed(name, source)
        source.replace(place)
    for name in sorted((old.names if old is not None else frozenset()) - written.names):
        if _is_below(target, name) and (as_written(name) or is_ours(target / name)):
            _remove(target, name)
    (new / NAME).replace(target / NAME)


def _remove(folder: Path, name: str) -> None:
    """A file of ours, and the folders below that it leaves empty."""
    path = folder / name
    path.unlink(missing_ok=True)
    for parent in path.parents:
        if parent == folder:
            break
        with suppress(OSError):
            parent.rmdir()


def remove_results(folder: Path) -> bool:
    """Remove what the list of a folder names and is as it was written, and the folder where nothing else is in it.

    Returns
    -------
    bool
        Whether the folder is gone.
    """
    old = read_list(folder)
    if old is None:
        return False
    as_written = _as_written(folder, old)
    for name in sorted(old.names):
        if _is_below(folder, name) and (as_written(name) or is_ours(folder / name)):
            _remove(folder, name)
    (folder / NAME).unlink(missing_ok=True)
    with suppress(OSError):
        folder.rmdir()
    return not folder.exists()


def note_written(folder: Path, names: Sequence[str]) -> None:
    """Take files that were written again, or anew, into the list of a folder; nothing where it has none.

    Raises
    ------
    OutputError
    """
    old = read_list(folder)
    if old is None:
        return
    files = {file.name: file for file in old.files} | {name: entry_of(folder, name) for name in names}
    write_whole(folder / NAME, dump(Written(by=old.by, files=tuple(files[name] for name in sorted(files)))))


# --- making -----------------------------------------------------------------------------------------------------------
@contextmanager
def new_folder(
    out: Path, *, by: By, overwrite: bool = False, inputs: Sequence[Path] = (), among: bool = False
) -> Iterator[Path]:
    """Give a temporary folder whose files take their place in ``out`` when the block ends well.

    Parameters are those of :func:`check_place`.

    Raises
    ------
    OutputError
        ``out`` may not be replaced, or cannot be written.
    """
    target = Path(os.path.realpath(out))  # never raises, and a folder that is a link is written where it is
    recover(target)
    check_place(out, by, overwrite=overwrite, inputs=inputs, among=among)
    settled = False
    try:
        with part_of(target) as held:
            new = held / FILLING
            yield new
            check_place(out, by, overwrite=overwrite, inputs=inputs, among=among)
            (new / NAME).write_bytes(dump(list_of(new, by)))
            _to_disk(new)
            if not (target.is_dir() and any(target.iterdir())):
                _rename_over(new, target)
                return
            _refuse_names(new, target, read_list(target))
            new.rename(held / READY)
            settled = True
            _merge(held, target)
    except OSError as error:
        words = f"{printable(str(out))}: cannot be written ({error.strerror or error})."
        if settled:
            words += " The new results are whole beside it, and get there when the same command is given again."
        if is_full(error, target):
            raise DiskFullError(f"{words} Make room and run the same command again.") from error
        raise OutputError(f"{words} Give another folder, or the right to write there.") from error


def _rename_over(new: Path, target: Path) -> None:
    with suppress(OSError):  # an empty folder; POSIX would replace it by itself
        target.rmdir()
    new.rename(target)


def _to_disk(folder: Path) -> None:
    """See that all bytes are on the disk before a name tells of them; where the system cannot, it need not."""
    if not hasattr(os, "fdatasync"):
        return
    for path in folder.rglob("*"):
        if path.is_file():
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fdatasync(handle)
            finally:
                os.close(handle)


# --- what a killed run left -------------------------------------------------------------------------------------------
def recover(target: Path) -> None:
    """Finish or clear away what runs that were killed left of results for a folder; nothing of a run that lives.

    Raises
    ------
    OutputError
        Whole results wait, and cannot be put in their place.
    """
    for room in (target.parent, target):
        for held in sorted(room.iterdir()) if room.is_dir() else ():
            if target_of(held) == target.name:
                _settle(held, target)


def recover_in(folder: Path) -> None:
    """The same for all folders in a folder."""
    for held in sorted(folder.iterdir()) if folder.is_dir() else ():
        name = target_of(held)
        if name is not None:
            _settle(held, folder / name)


def _settle(held: Path, target: Path) -> None:
    try:
        with left_behind(held) as ours:
            if not ours or not is_ready(held):
                return
            if target.is_dir():
                _merge(held, target)
            else:
                (held / READY).rename(target)
    except OSError as error:
        raise OutputError(
            f"{printable(str(target))}: new results stand ready in {printable(held.name)} and cannot be put there "
            f"({error.strerror or error})."
        ) from error
