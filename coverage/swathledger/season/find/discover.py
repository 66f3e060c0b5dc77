"""Walking a folder of files named by nobody in particular: what is a log, of which machine, and what is not."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from swathledger.errors import LogError
from swathledger.files import sha256_of
from swathledger.log.taskdata_xml import MAIN_FILE, TIME_LOG_NAME, sibling
from swathledger.notes import Note
from swathledger.season.find.preview import Preview, peek
from swathledger.season.manifest.inputs import files_of, machine_by_rule
from swathledger.season.manifest.manifest import Unplaced

if TYPE_CHECKING:
    from swathledger.machine.machine import Machine

RESULT_MARKERS = ("ledger.json", "season.json")
"""A folder that holds one of these is a folder of results and is not searched."""
_SIDE_FILES = (".dbf", ".shx", ".prj", ".cpg", ".sbn", ".sbx", ".qpj")

Told = Callable[[int, int, str], None]
"""Is told how many files are done, of how many, and the last one's name."""


@dataclass(frozen=True, slots=True)
class GivenMachine:
    """A machine file and the folder it is for.

    Attributes
    ----------
    name : str
        Path as the manifest is to have it.
    folder : str or None
        Relative to the manifest; None: for all that no folder claims.
    """

    name: str
    machine: Machine
    folder: str | None = None


@dataclass(frozen=True, slots=True)
class FoundLog:
    """A file that is a log of a known machine.

    Attributes
    ----------
    name : str
        Path as the manifest is to have it.
    below : PurePosixPath
        Path under the folder that was searched.
    """

    path: Path
    name: str
    below: PurePosixPath
    machine: GivenMachine
    preview: Preview
    remarks: tuple[Note, ...]

    def whole(self) -> Preview:
        """Read all of it."""
        if self.preview.whole:
            return self.preview
        return peek(self.path, self.machine.machine.columns, self.machine.machine.log_options.given(), whole=True)


def _outlets(kind: str, count: int) -> Note:
    return Note.of("match.sections" if kind == "section" else "match.nozzles", count=count)


def relative(path: Path, base: Path) -> str:
    """Path as the manifest in ``base`` has it, with forward slashes; absolute where no relative one leads there."""
    try:
        return Path(os.path.relpath(path, base)).as_posix()
    except ValueError:  # another drive of Windows
        return path.absolute().as_posix()


def files_below(folder: Path, unplaced: list[Unplaced], base: Path) -> Iterator[Path]:
    """Files of a folder and those below it in order of name; hidden ones and folders of results are left out."""

    def lost(error: OSError) -> None:
        name = relative(Path(error.filename), base) if error.filename else str(folder)
        unplaced.append(Unplaced(name, Note.of("match.folder_unread", error=error.strerror or str(error))))

    for root, folders, names in os.walk(folder, onerror=lost):
        marker = next((name for name in RESULT_MARKERS if name in names), None)
        if marker is not None:
            unplaced.append(Unplaced(f"{relative(Path(root), base)}/", Note.of("match.results", file=marker)))
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if not name.startswith("."):
                yield Path(root) / name


def is_side_file(path: Path) -> bool:
    """A part of a shapefile that goes with its .shp, or of task data that goes with its time logs' records."""
    suffix = path.suffix.lower()
    if suffix in _SIDE_FILES:
        return any(path.with_suffix(other).exists() for other in (".shp", ".SHP"))
    if suffix != ".xml":
        return False
    if TIME_LOG_NAME.match(path.stem):
        return sibling(path.parent, f"{path.stem}.bin") is not None
    return path.name.casefold() == MAIN_FILE.casefold() and any(
        TIME_LOG_NAME.match(other.stem) and other.suffix.lower() == ".bin" for other in path.parent.iterdir()
    )


def _fit(given: GivenMachine, preview: Preview) -> Note | None:
    """Why the states of a log do not fit a machine; None where they do."""
    from swathledger.log.states import state_kind

    boom = given.machine.boom
    if preview.state_kind not in ("section", "nozzle"):
        return None
    sections, nozzles = (preview.states, 0) if preview.state_kind == "section" else (0, preview.states)
    try:
        state_kind(sections, nozzles, len(boom.sections), boom.nozzle_count, "log", [])
    except LogError:
        return Note.of(
            "match.misfit",
            log=_outlets(preview.state_kind, preview.states),
            machine=repr(given.machine.name),
            sections=_outlets("section", len(boom.sections)),
            nozzles=_outlets("nozzle", boom.nozzle_count),
        )
    return None


def look(path: Path, name: str, below: PurePosixPath, machines: Sequence[GivenMachine]) -> FoundLog | Unplaced:
    """Recognise one file by its content, and the machine that made it by folder or, among several, by its states."""
    from swathledger.log.formats import sniff

    rules = [(item.folder, item.name) for item in machines if item.folder is not None]
    ruled = machine_by_rule(name, rules)
    if ruled is not None:
        choice = [item for item in machines if item.name == ruled][:1]
    else:
        choice = [item for item in machines if item.folder is None]
    if not choice:
        return Unplaced(name, Note.of("match.no_machine"))
    fits: list[tuple[GivenMachine, Preview]] = []
    odd: list[Note] = []
    cache: dict[str, Preview] = {}
    for given in choice:
        columns, options = given.machine.columns, given.machine.log_options.given()
        key = repr((sorted(columns.items()), sorted(options.items(), key=str)))
        try:
            if key not in cache:
                sniffed = sniff(path, columns=columns, options=options)
                if sniffed.kind == "boundary":
                    return Unplaced(name, Note.of("match.boundary", why=sniffed.reason))
                if sniffed.kind != "log":
                    odd.append(Note.of("match.no_log", why=sniffed.reason))
                    continue
                cache[key] = peek(path, columns, options)
            misfit = _fit(given, cache[key])
        except (LogError, OSError) as error:
            odd.append(Note.of("match.unreadable", error=str(error)))
            continue
        except Exception as error:  # noqa: BLE001  # any file may lie here, and one of them must not end the search
            odd.append(Note.of("match.unreadable", error=f"{type(error).__name__}: {error}"))
            continue
        if misfit is None:
            fits.append((given, cache[key]))
        else:
            odd.append(misfit)
    if not fits:
        return Unplaced(name, Note.of("match.tried", whys=tuple(dict.fromkeys(odd))))
    if len(fits) > 1:
        names = tuple(repr(given.machine.name) for given, _ in fits)
        return Unplaced(name, Note.of("match.fits_several", others=names[:-1], last=names[-1]))
    given, preview = fits[0]
    remarks = list(preview.remarks)
    if len(choice) > 1:
        known = preview.state_kind in ("section", "nozzle")
        by = _outlets(preview.state_kind, preview.states) if known else Note.of("match.columns")
        remarks.append(Note.of("match.told_by", file=path.name, by=by))
    return FoundLog(path, name, below, given, preview, tuple(remarks))


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def find_logs(
    folder: Path,
    machines: Sequence[GivenMachine],
    base: Path,
    *,
    skip: Sequence[Path] = (),
    told: Told | None = None,
    by_client: bool = False,
) -> tuple[list[FoundLog], list[Unplaced]]:
    """Every log in a folder and below it, and every file that is none, with the reason.

    Parameters
    ----------
    base : Path
        Folder of the manifest: names are relative to it.
    skip : sequence of Path
        Files with another part in this: boundaries, machines, the manifest itself.
    told : callable, optional
    by_client : bool
        The folders in ``folder`` are clients: no file may bring one the drive of another.
    """
    unplaced: list[Unplaced] = []
    apart = {os.path.realpath(path) for path in skip}
    files = [path for path in files_below(folder, unplaced, base) if os.path.realpath(path) not in apart]
    files = [path for path in files if not is_side_file(path)]
    elsewhere = {path for path in files if by_client and _leads_elsewhere(path, folder)}
    same = _same_bytes([path for path in files if path not in elsewhere])
    shared = _shared(same, folder) if by_client else frozenset()
    logs: list[FoundLog] = []
    for number, path in enumerate(files):
        name = relative(path, base)
        if not _is_text(name):
            shown = os.fsencode(name).decode("utf-8", "replace")
            unplaced.append(Unplaced(shown, Note.of("match.name_no_text")))
        elif path in elsewhere:
            unplaced.append(Unplaced(name, Note.of("match.link_elsewhere")))
        elif path in shared:
            unplaced.append(Unplaced(name, Note.of("match.bytes_of_other_client")))
        elif path in same:
            unplaced.append(Unplaced(name, Note.of("match.same_bytes", file=relative(same[path], base))))
        else:
            found = look(path, name, PurePosixPath(path.relative_to(folder).as_posix()), machines)
            if isinstance(found, Unplaced):
                unplaced.append(found)
            else:
                logs.append(found)
        if told is not None:
            told(number + 1, len(files), path.name)
    return logs, unplaced


def client_of(below: PurePosixPath | Path) -> str:
    """The client that a path below the folder of all clients belongs to; empty at the top."""
    return below.parts[0] if len(below.parts) > 1 else ""


def _shared(same: Mapping[Path, Path], folder: Path) -> frozenset[Path]:
    """Files with the bytes of a file of another client, and those files."""
    groups: dict[Path, set[Path]] = {}
    for copy, first in same.items():
        groups.setdefault(first, {first}).add(copy)
    mixed = [own for own in groups.values() if len({client_of(path.relative_to(folder)) for path in own}) > 1]
    return frozenset(path for own in mixed for path in own)


def _leads_elsewhere(path: Path, folder: Path) -> bool:
    """Whether a file, or one that is read with it, is a link to something outside the folder of its client."""
    client = client_of(path.relative_to(folder))
    root = Path(os.path.realpath(folder / client))
    return any(not Path(os.path.realpath(part)).is_relative_to(root) for part in files_of(path))


def _same_bytes(files: Sequence[Path]) -> dict[Path, Path]:
    """Files whose bytes an earlier one has too; only files of one size are read for it."""
    sizes: dict[int, list[Path]] = {}
    for path in files:
        try:
            sizes.setdefault(path.stat().st_size, []).append(path)
        except OSError:
            continue
    out: dict[Path, Path] = {}
    for size, alike in sizes.items():
        if len(alike) < 2 or size == 0:
            continue
        first: dict[str, Path] = {}
        for path in alike:
            try:
                digest = sha256_of(path)
            except OSError:
                continue
            if first.setdefault(digest, path) != path:
                out[path] = first[digest]
    return out
