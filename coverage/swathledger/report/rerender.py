"""Pages of results that are there: rendered again, nothing computed again."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from swathledger.documents.written import entry_of, read_list
from swathledger.errors import InputError, OutputError, SwathledgerError
from swathledger.files import write_whole
from swathledger.report.folder import is_ours, note_written
from swathledger.text import printable
from swathledger.units import UnitSystem
from swathledger.words import ENGLISH

Format = Literal["html", "pdf"]
FORMATS: Final[tuple[Format, ...]] = ("html", "pdf")


@dataclass(frozen=True, slots=True)
class ResultFolder:
    """A folder of results and what it is of."""

    folder: Path
    kind: Literal["job", "season", "study"]

    @property
    def stem(self) -> str:
        """Name of its page without the ending."""
        return "report" if self.kind == "job" else self.kind


def places(folder: Path) -> list[ResultFolder]:
    """Pages that belong to a folder: of one job; of a study; or of a season, its clients and all their jobs.

    Raises
    ------
    InputError
        The folder holds no results.
    """
    if (folder / "ledger.json").is_file():
        return [ResultFolder(folder, "job")]
    if (folder / "study.json").is_file():
        return [ResultFolder(folder, "study")]
    found = []
    if (folder / "season.json").is_file():
        found.append(ResultFolder(folder, "season"))
    for below in sorted(path for path in _folders(folder)):
        if (below / "ledger.json").is_file():
            found.append(ResultFolder(below, "job"))
            continue
        inner = [path for path in _folders(below) if (path / "ledger.json").is_file()]
        if (below / "season.json").is_file():
            found.append(ResultFolder(below, "season"))
        if (below / "season.json").is_file() or found[:1] == [ResultFolder(folder, "season")]:
            found += [ResultFolder(path, "job") for path in inner]
    if not found:
        raise InputError(
            "holds no results: neither ledger.json, season.json nor study.json.",
            file=str(folder),
            hint="Give a folder that audit, season or study wrote.",
        )
    return found


def _folders(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error}).", file=str(folder)) from None


def _check_page(path: Path, overwrite: bool) -> None:
    """Refuse to replace what this program did not make, or what somebody changed since."""
    if not os.path.lexists(path):
        return
    shown = printable(str(path))
    if not path.is_file() or not is_ours(path):
        raise OutputError(f"{shown}: was not made by this program and is not replaced. Move it to another place.")
    listed = read_list(path.parent)
    known = [file for file in listed.files if file.name == path.name] if listed is not None else []
    if known and not overwrite and entry_of(path.parent, path.name) not in known:
        raise OutputError(
            f"{shown}: was changed since it was written, and is not replaced unless --overwrite is given."
        )


def render_again(
    folder: Path,
    formats: Sequence[Format] = ("html",),
    system: UnitSystem = "metric",
    *,
    language: str = ENGLISH,
    overwrite: bool = False,
    told: Callable[[Path, int, int], None] | None = None,
) -> list[Path]:
    """Render the pages of a folder of results from what is in it.

    Parameters
    ----------
    folder : Path
        Of one job, of a study, of a season, of a client of a season, or one that holds folders of jobs.
    formats : sequence of {"html", "pdf"}
    system : {"metric", "us"}
    language : str
        As in :func:`swathledger.words.words`.
    overwrite : bool
        Replace a page of this program that was changed since it was written; what it did not make is never replaced.
    told : callable, optional
        Is called with each page written, how many are done and how many there are.

    Returns
    -------
    list of Path
        Pages written.

    Raises
    ------
    InputError
        No results, or PDF without WeasyPrint.
    OutputError
        A page cannot be written or may not be replaced.
    """
    found = places(folder)
    targets = [(place, name, place.folder / f"{place.stem}.{name}") for place in found for name in formats]
    for _, _, path in targets:
        _check_page(path, overwrite)
    for number, (place, name, path) in enumerate(targets, start=1):
        write_whole(path, _page(place, name, system, language))
        note_written(place.folder, [path.name])
        if told is not None:
            told(path, number, len(targets))
    return [path for _, _, path in targets]


def _page(place: ResultFolder, name: Format, system: UnitSystem, language: str) -> bytes:
    """One page; a fault in rendering is the document's where that is not as it was written."""
    try:
        return page_of(place, name, system, language)
    except SwathledgerError:
        raise
    except Exception as error:
        document = "ledger.json" if place.kind == "job" else f"{place.kind}.json"
        listed = read_list(place.folder)
        if listed is not None and entry_of(place.folder, document) in listed.files:
            raise  # it is as we wrote it: the fault is ours
        raise InputError(
            f"is not as it was written, and cannot be used ({type(error).__name__}: {error}).",
            file=str(place.folder / document),
            hint="Run the command that wrote it again.",
        ) from error


def page_of(place: ResultFolder, name: Format, system: UnitSystem, language: str = ENGLISH) -> bytes:
    """One page in one format."""
    from swathledger.report.page import render_report

    if place.kind == "job":
        page = render_report(place.folder, system, language=language, static=name == "pdf")
    elif place.kind == "study":
        from swathledger.report.study_page import render_study

        page = render_study(place.folder, system, language=language, static=name == "pdf")
    else:
        from swathledger.report.season_page import render_season

        page = render_season(place.folder, system, language=language, static=name == "pdf")
    if name == "html":
        return page
    from swathledger.report.pdf import pdf_of

    return pdf_of(page)
