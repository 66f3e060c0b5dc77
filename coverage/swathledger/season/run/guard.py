"""What a season looks at before it writes: whose folder it is, whether its inputs are safe, and what has changed."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from swathledger.documents.document import dump
from swathledger.documents.written import NAME, Written, read_list
from swathledger.errors import OutputError
from swathledger.notes import Note
from swathledger.report.folder import check_place
from swathledger.report.part import target_of
from swathledger.season.manifest.inputs import files_of
from swathledger.season.manifest.manifest import Job, Manifest
from swathledger.season.run.lock import NAME as LOCK
from swathledger.season.run.task import AuditTask
from swathledger.text import printable

_MARK: Final = dump(Written(by="season"))
"""What a folder of a season begins with: a list of nothing yet."""


def claim(out: Path, *, mark: bool = False) -> None:
    """Refuse a folder that holds files and is not a season of ours; with ``mark`` make an empty one ours.

    Raises
    ------
    OutputError
    """
    if not out.is_dir():
        return
    listed = out / NAME
    old = read_list(out)
    if old is None:
        # A run that was stopped at its first step may have left its lock, and the list cut off.
        cut = listed.is_file() and _MARK.startswith(listed.read_bytes())
        ours = {LOCK, NAME} if cut else {LOCK}
        if any(path.name not in ours and target_of(path) is None for path in out.iterdir()):
            raise OutputError(
                f"{printable(str(out))}: holds files and is not the folder of a season (no list of what was written, "
                f"{NAME}, is in it). Give another folder."
            )
        if mark:
            listed.write_bytes(_MARK)
    elif old.by != "season":
        raise OutputError(f"{printable(str(out))}: holds what {old.by} wrote, not a season. Give another folder.")


def refuse_inputs(out: Path, tasks: Sequence[AuditTask]) -> None:
    """No file that the season reads may be one that its tables replace."""
    inputs = [Path(name) for task in tasks for name in (*task.logs, task.machine, task.boundary)]
    for folder in {out, *(Path(task.out).parent for task in tasks)}:
        check_place(folder, "season", overwrite=True, inputs=inputs, among=True)


def with_changes(manifest: Manifest, digests: Mapping[str, str], speak: Callable[..., None]) -> Manifest:
    """Tell of logs that are not as they were when they were matched, now and among the remarks of their jobs.

    Parameters
    ----------
    digests : mapping
        SHA-256 by path, of the files that could be read.
    """
    now = {os.path.normpath(name): digest for name, digest in digests.items()}
    matched = {os.path.normpath(manifest.path(name).absolute()): (name, digest) for name, digest in manifest.files}
    changed = {path for path, (_, digest) in matched.items() if now.get(path, digest) != digest}
    for path in sorted(changed):
        speak("log_changed", file=printable(matched[path][0]))

    def told(job: Job) -> Job:
        own: set[str] = set()
        for log in job.logs:
            with suppress(OSError, ValueError):  # it cannot be read, and its job fails
                parts = files_of(manifest.path(log.file).absolute())
                own |= {part.name for part in parts if os.path.normpath(part) in changed}
        remark = Note.of("season.changed_since", files=printable(", ".join(sorted(own))))
        return replace(job, remarks=(*job.remarks, remark)) if own else job

    return replace(manifest, jobs=tuple(told(job) for job in manifest.jobs)) if changed else manifest
