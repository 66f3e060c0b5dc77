"""A season from its manifest: every job audited, every failure told, stopped and resumed at will."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from swathledger.documents.season import SeasonDocument
from swathledger.documents.written import read_list
from swathledger.errors import InputError, OutputError
from swathledger.files import DiskFullError, is_full
from swathledger.report.folder import recover, recover_in, remove_results
from swathledger.season.manifest.manifest import Manifest
from swathledger.season.run.guard import claim, refuse_inputs, with_changes
from swathledger.season.run.lock import locked
from swathledger.season.run.plan import Estimator
from swathledger.season.run.pool import DaskPool, InlinePool, LocalPool, Pool, cores, memory_bytes, no_processes
from swathledger.season.run.schedule import Item, Step, run_items
from swathledger.season.run.task import (
    RECORD,
    AuditTask,
    Outcome,
    is_done,
    key_of,
    run_task,
    task_of,
    warm,
    with_threads,
)
from swathledger.words import words


@dataclass(frozen=True, slots=True)
class Season:
    """What a run did.

    Attributes
    ----------
    ran : tuple of Outcome
        Jobs run now, in the order of the manifest.
    resumed : tuple of str
        Jobs that were done before.
    failed : dict of str to str
        Reasons by job, in the order of the manifest.
    removed : tuple of str
        Folders of jobs that the manifest no longer has.
    document : SeasonDocument
        As in ``season.json``.
    """

    folder: Path
    ran: tuple[Outcome, ...]
    resumed: tuple[str, ...]
    failed: dict[str, str]
    removed: tuple[str, ...]
    document: SeasonDocument


def run_season(
    manifest: Manifest,
    out: Path,
    *,
    workers: int | None = None,
    dask: str | None = None,
    resume: bool = True,
    verify: bool = False,
    pool: Pool | None = None,
    told: Callable[[Step], None] | None = None,
    say: Callable[[str], None] | None = None,
) -> Season:
    """Audit every job of a manifest into ``out``, then write the tables of the season.

    Parameters
    ----------
    out : Path
        Results of each job go to ``out/CLIENT/JOB``; jobs without a client to ``out/all/JOB``.
    workers : int, optional
        Processes; None: as many as cores, fewer where memory asks for it. Ignored with ``dask``.
    dask : str, optional
        Address of a Dask scheduler whose workers see the same paths.
    resume : bool
        Leave jobs alone whose inputs, settings and program version have not changed since they were done.
    verify : bool
        Before a job is left alone, compare the bytes of all its results with the list of what was written; else only
        sizes, and the bytes of the ledger.
    pool : Pool, optional
        Another place to run jobs, such as :class:`swathledger.season.run.pool.InlinePool`; it is closed at the end.
    told, say : callable, optional
        Are told of each job done, and of what a person should know.

    Returns
    -------
    Season
        Failures included: one bad field never stops the rest.

    Raises
    ------
    OutputError
        The folder cannot be written, another run is at work there, or (`DiskFullError`) there is no more room; what is
        done stays, and the same command goes on from there.
    InputError
        No jobs; no Dask.
    """
    if not manifest.jobs:
        raise InputError("the manifest has no jobs.", hint="Match a folder of logs first, or add jobs by hand.")
    speak = partial(_speak, say)
    claim(out)
    with locked(out):
        claim(out, mark=True)
        _sweep(out)
        tasks = [task_of(job, manifest, out) for job in manifest.jobs]
        refuse_inputs(out, tasks)
        removed = _remove_strangers(out, tasks)
        for name in removed:
            speak("removed", job=name)
        digests: dict[str, str] = {}
        ready, resumed, failed = _what_to_run(tasks, resume, verify, digests)
        manifest = with_changes(manifest, digests, speak)
        outcomes = _run(ready, workers, dask, pool, told, speak) if ready else {}
        missing = [task.id for task in ready if task.id not in outcomes or outcomes[task.id].kind == "disk_full"]
        if missing:
            reason = next((item.reason for item in outcomes.values() if item.kind == "disk_full"), "")
            raise DiskFullError(
                f"{out}: the disk is full ({reason}). {len(tasks) - len(missing)} of {len(tasks)} jobs are settled and "
                "stay. Make room and run the same command again."
            )
        failed |= {name: item.reason for name, item in outcomes.items() if item.kind == "failed"}
        reasons = {task.id: failed[task.id] for task in tasks if task.id in failed}
        document = _tables(manifest, out, reasons)
        _sweep(out)
    ran = tuple(outcomes[task.id] for task in ready if task.id in outcomes)
    return Season(out, ran, tuple(resumed), reasons, tuple(removed), document)


def _speak(say: Callable[[str], None] | None, key: str, /, **values: object) -> None:
    if say is not None:
        say(words().line(f"terminal.season.{key}", **values))


def _tables(manifest: Manifest, out: Path, failed: dict[str, str]) -> SeasonDocument:
    from swathledger.season.tables.tables import write_tables

    try:
        return write_tables(manifest, out, failed)
    except OSError as error:
        said = f"{out}: the tables of the season cannot be written ({error.strerror or error})."
        if is_full(error, out):
            raise DiskFullError(f"{said} All jobs are done and stay. Make room and run again.") from error
        raise OutputError(said) from error


def _what_to_run(
    tasks: Sequence[AuditTask], resume: bool, verify: bool, digests: dict[str, str]
) -> tuple[list[AuditTask], list[str], dict[str, str]]:
    """Tasks that are to be run, ids of those that are done, and reasons of those that cannot be."""
    ready: list[AuditTask] = []
    resumed: list[str] = []
    failed: dict[str, str] = {}
    for task in tasks:
        try:
            keyed = replace(task, key=key_of(task, digests))
        except InputError as error:
            failed[task.id] = str(error)
            continue
        if resume and is_done(keyed, verify=verify):
            resumed.append(task.id)
        else:
            ready.append(keyed)
    return ready, resumed, failed


def _run(
    tasks: Sequence[AuditTask],
    workers: int | None,
    dask: str | None,
    pool: Pool | None,
    told: Callable[[Step], None] | None,
    speak: Callable[..., None],
) -> dict[str, Outcome]:
    estimate = Estimator()
    items = [Item(task.id, task, with_threads(task, cores()), estimate.need(task)) for task in tasks]
    budget, most = memory_bytes(), max(item.need.bytes for item in items)
    if dask is not None:
        pool, budget = DaskPool(dask), 1 << 62  # the cluster minds its own memory
    elif pool is None:
        seats, why = seats_for(items, workers, budget), no_processes()
        if why is not None:
            speak("no_processes", why=why)
        pool = LocalPool(seats) if why is None else InlinePool()
        if most > budget:
            speak("runs_alone", need=f"{most / 1e9:.1f}", there=f"{budget / 1e9:.1f}")
    speak("jobs", n=len(items), workers=pool.seats, need=f"{most / 1e6:.0f}")
    try:
        if pool.seats > 1:
            replayed = any(estimate.groups(task) for task in tasks)
            try:
                pool.submit(0, warm, replayed).result()
            except Exception as error:  # noqa: BLE001  # only speed is lost; the jobs tell what is wrong
                speak("not_compiled", error=f"{type(error).__name__}: {error}")
            pool.done(0, broken=False)
        outcomes = run_items(items, pool, run_task, budget, told=told)
    except BaseException:
        pool.close(kill=True)
        raise
    pool.close()
    return outcomes


def seats_for(items: Sequence[Item], workers: int | None, budget_bytes: int) -> int:
    """Processes to start: no more than asked for (or cores), jobs, or than memory holds of middling jobs."""
    wanted = workers if workers is not None else cores()
    if wanted < 1:
        raise InputError(f"must be at least 1, found {wanted}.", column="--jobs")
    needs = sorted(item.need.bytes for item in items)
    middle = needs[len(needs) // 2]
    return max(1, min(wanted, len(items), budget_bytes // max(middle, 1)))


def _clients(out: Path) -> list[Path]:
    return [path for path in sorted(out.absolute().iterdir()) if path.is_dir() and not path.is_symlink()]


def _sweep(out: Path) -> None:
    """Finish or clear away what an interrupted run left half-written."""
    recover(Path(os.path.realpath(out)))
    for folder in (out, *_clients(out)):
        recover_in(folder)


def _is_ours(folder: Path) -> bool:
    """A folder that this program made for a job: our list names its record."""
    written = read_list(folder)
    return written is not None and RECORD in written.names


def _remove_strangers(out: Path, tasks: Sequence[AuditTask]) -> list[str]:
    """Remove finished jobs that the manifest no longer has, so that no binder holds what is not its client's.

    Raises
    ------
    OutputError
        The folder holds finished jobs, and none of them is in the manifest: that is another season.
    """
    wanted = {Path(task.out) for task in tasks}
    clients = _clients(out)
    held = [
        folder
        for client in clients
        for folder in sorted(client.iterdir())
        if folder.is_dir() and not folder.is_symlink() and _is_ours(folder)
    ]
    strangers = [folder for folder in held if folder not in wanted]
    if held and len(strangers) == len(held):
        raise OutputError(
            f"{out}: holds the results of another season ({held[0].parent.name}/{held[0].name} and "
            f"{len(held) - 1} more, none of them in this manifest). Give another folder."
        )
    for folder in strangers:
        remove_results(folder)
    for client in clients:
        if client not in {folder.parent for folder in wanted}:
            _drop_binder(client, emptied={folder.parent for folder in strangers})
    return [f"{folder.parent.name}/{folder.name}" for folder in strangers]


def _drop_binder(client: Path, *, emptied: set[Path]) -> None:
    """Remove the tables of a client that has no jobs left, and the folder if nothing else is in it."""
    written = read_list(client)
    if written is not None and written.by == "client":
        remove_results(client)
    elif client in emptied and not any(client.iterdir()):
        client.rmdir()
