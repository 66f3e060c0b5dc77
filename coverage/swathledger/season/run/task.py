"""One job as a task: plain values in, results in a folder, a small summary out. This is what workers run."""

from __future__ import annotations

import hashlib
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from swathledger._version import __version__
from swathledger.documents.written import faults, read_list
from swathledger.errors import InputError, SwathledgerError
from swathledger.notes import Note
from swathledger.season.manifest.inputs import files_of
from swathledger.settings import AuditSettings
from swathledger.text import printable

if TYPE_CHECKING:
    from swathledger.log.span import Span
    from swathledger.machine.products import Product
    from swathledger.season.manifest.manifest import Job, Manifest

RECORD = "job.json"
"""Tells of which task the results of a job's folder are."""
RECORD_SCHEMA = "swathledger/job/2"
LEDGER = "ledger.json"

Kind = Literal["done", "failed", "disk_full"]


@dataclass(frozen=True, slots=True)
class AuditTask:
    """A job with paths that can be opened.

    Attributes
    ----------
    spans : tuple
        For each log its stretches, or None.
    boundary : str
        ``"derive"`` or a path.
    out : str
        Folder of the results.
    products : tuple of Product
        Products of the manifest, which come before those of the machine file.
    key : str
        Hash of all that the results depend on; "" until inputs have been read.
    """

    id: str
    logs: tuple[str, ...]
    spans: tuple[tuple[Span, ...] | None, ...]
    machine: str
    boundary: str
    out: str
    settings: AuditSettings
    products: tuple[Product, ...] = ()
    key: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a task.

    Attributes
    ----------
    kind : {"done", "failed", "disk_full"}
    reason : str
        Why not; empty where done.
    peak_bytes : int
        Most memory the worker has held so far; 0 where not known.
    """

    id: str
    kind: Kind
    reason: str = ""
    seconds: float = 0.0
    peak_bytes: int = 0


def task_of(job: Job, manifest: Manifest, out: Path) -> AuditTask:
    """The task of a job; paths become absolute, so that any working folder will do."""
    return AuditTask(
        id=job.id,
        logs=tuple(str(manifest.path(log.file).absolute()) for log in job.logs),
        spans=tuple(log.spans for log in job.logs),
        machine=str(manifest.path(job.machine).absolute()),
        boundary="derive" if job.boundary == "derive" else str(manifest.path(job.boundary).absolute()),
        out=str((out / job.client_folder / job.id).absolute()),
        settings=job.settings,
        products=job.products,
    )


def key_of(task: AuditTask, digests: dict[str, str]) -> str:
    """Hash of a task's input bytes and names, settings and the program's version.

    Parameters
    ----------
    digests : dict
        Known hashes by path; is added to.

    Raises
    ------
    InputError
        A file cannot be read.
    """
    from swathledger.files import sha256_of

    def digest(name: str) -> list[list[str]]:
        out = []
        try:
            for part in files_of(Path(name)):
                if str(part) not in digests:
                    digests[str(part)] = sha256_of(part)
                out.append([part.name, digests[str(part)]])
        except (OSError, ValueError) as error:  # a name that no file can have is a ValueError
            what = f"cannot be read ({getattr(error, 'strerror', None) or error})."
            raise InputError(what, file=printable(name), hint="Check the path.") from error
        return out

    # Threads change no byte; infinities become text that JSON holds.
    settings = {name: value for name, value in asdict(task.settings).items() if name != "threads"}
    document = {
        "schema": RECORD_SCHEMA,
        "version": __version__,
        "logs": [digest(name) for name in task.logs],
        "spans": repr(task.spans),
        "machine": digest(task.machine),
        "boundary": "derive" if task.boundary == "derive" else digest(task.boundary),
        "settings": settings,
        "products": [asdict(product) for product in task.products],
    }
    return hashlib.sha256(json.dumps(document, sort_keys=True).encode()).hexdigest()


def faults_of(folder: Path, *, verify: bool = False) -> list[str] | None:
    """What is missing or changed of the finished results of a job; None where there are no results of a job.

    Sizes are looked at always, and the bytes of ``job.json`` and ``ledger.json``; with ``verify`` those of all files.
    """
    written = read_list(folder)
    if written is None or not {RECORD, LEDGER} <= written.names:
        return None
    return faults(folder, written, verify=True if verify else (RECORD, LEDGER))


def is_done(task: AuditTask, *, verify: bool = False) -> bool:
    """Whether the folder holds the finished results of this very task, whole; see :func:`faults_of`."""
    folder = Path(task.out)
    try:
        record = json.loads((folder / RECORD).read_bytes())
        ours = isinstance(record, dict) and record.get("schema") == RECORD_SCHEMA and record.get("key") == task.key
    except (OSError, ValueError):
        return False
    return ours and faults_of(folder, verify=verify) == []


def run_task(task: AuditTask) -> Outcome:
    """Audit one job into its folder; never raises for anything that has to do with the job."""
    from swathledger.files import is_full

    started = time.perf_counter()
    try:
        _audit(task)
    except MemoryError:
        return _failed(task, "out of memory; use larger cells, or run it on a computer with more")
    except SwathledgerError as error:
        kind: Kind = "disk_full" if is_full(error, Path(task.out)) else "failed"
        return Outcome(task.id, kind, str(error).replace(task.out, task.id))
    except Exception as error:  # noqa: BLE001  # one bad field must not end the season; what happened is told
        kind = "disk_full" if is_full(error, Path(task.out)) else "failed"
        return Outcome(task.id, kind, f"failed in a way it should not: {_where(error)}")
    return Outcome(task.id, "done", "", time.perf_counter() - started, peak_bytes())


def _failed(task: AuditTask, reason: str) -> Outcome:
    return Outcome(task.id, "failed", reason)


def _where(error: BaseException) -> str:
    """Type, text and innermost place of an error of the program itself."""
    import traceback

    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "swathledger" in frame.filename] or list(frames)
    place = f" ({Path(ours[-1].filename).name}, line {ours[-1].lineno})" if ours else ""
    return f"{type(error).__name__}: {error}{place}"


def _audit(task: AuditTask) -> None:
    from swathledger.audit import run_audit
    from swathledger.machine.products import with_products
    from swathledger.machine.read import read_machine

    out = Path(task.out)
    record = {"schema": RECORD_SCHEMA, "id": task.id, "key": task.key}
    machine, notes = read_machine(task.machine), []
    if task.products:
        machine = replace(machine, products=with_products(machine.products, task.products))
        names = ", ".join(product.name for product in task.products)
        notes.append(Note.of("season.products_of_manifest", names=names))
    run_audit(
        [Path(name) for name in task.logs],
        machine,
        "derive" if task.boundary == "derive" else Path(task.boundary),
        out,
        task.settings,
        among=True,
        spans=task.spans,
        notes=notes,
        as_one_job=True,
        also={RECORD: (json.dumps(record, indent=1) + "\n").encode()},
    )


def peak_bytes() -> int:
    """Most memory this process has held, bytes; 0 where the system does not say."""
    try:
        import resource
    except ImportError:  # Windows
        return 0
    import sys

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak) if sys.platform == "darwin" else int(peak) * 1024


def warm(replayed: bool) -> bool:
    """Compile and cache the kernels on a drive of a few metres, so that workers do not all compile the same at once."""
    from swathledger.audit import run_audit

    rows = ["time,latitude,longitude,section_1,section_2,rate_l_ha"]
    rows += [f"{second},{second * 3e-5:.7f},0,1,{second % 2},100" for second in range(8)]
    machine = "\n".join(['name = "warm"', "[boom]", "nozzle_count = 4", "nozzle_spacing_m = 0.5", "sections = [2, 2]"])
    with tempfile.TemporaryDirectory(prefix="swathledger-") as name:
        folder = Path(name)
        (folder / "log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        (folder / "machine.toml").write_text(machine + "\n", encoding="utf-8")
        run_audit(
            [folder / "log.csv"],
            folder / "machine.toml",
            "derive",
            folder / "out",
            AuditSettings(cell_m=0.25, groups=("boom", "nozzle", "limit") if replayed else ()),
        )
    return True


def start_worker(cores: int) -> None:
    """Set up a worker process: interrupts are the parent's business, and no worker outlives its parent."""
    import signal
    import threading

    import pyarrow as pa

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pa.set_cpu_count(cores)
    pa.set_io_thread_count(max(cores, 1))
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    import multiprocessing
    import os

    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


Work = Callable[[Any], Outcome]


def with_threads(task: AuditTask, threads: int) -> AuditTask:
    """The same task on several threads; no byte of its results changes."""
    return replace(task, settings=replace(task.settings, threads=threads))
