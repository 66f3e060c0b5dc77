"""Where tasks run: processes of this computer, or the workers of a Dask cluster, behind one face."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any, Protocol

from swathledger._private import worker_processes
from swathledger.errors import InputError
from swathledger.season.run.task import start_worker

TASKS_PER_WORKER = 25
"""A worker process is replaced after this many fields, so that no library's small leak adds up."""
ANSWER_S = 10.0
"""A Dask scheduler must answer within this, s."""
_SHARE_OF_MEMORY = 0.8


class Pool(Protocol):
    """A number of seats; each runs one task at a time."""

    seats: int

    def submit(self, seat: int, work: Callable[[Any], Any], task: Any) -> Future[Any]:
        """Start a task on a free seat."""

    def done(self, seat: int, *, broken: bool) -> None:
        """Tell that a seat is free again, and whether its worker died."""

    def close(self, *, kill: bool = False) -> None:
        """Let all workers go."""


class LocalPool:
    """Spawned processes, one to a seat: a worker that dies takes no other task with it."""

    def __init__(self, seats: int, tasks_per_worker: int = TASKS_PER_WORKER) -> None:
        self.seats = seats
        self._per_worker = tasks_per_worker
        self._executors: list[ProcessPoolExecutor | None] = [None] * seats
        self._cores = max(1, cores() // seats)

    def submit(self, seat: int, work: Callable[[Any], Any], task: Any) -> Future[Any]:
        """Start a task on a free seat; its worker is made or replaced where needed."""
        executor = self._executors[seat]
        if executor is not None:
            try:
                return executor.submit(work, task)
            except BrokenExecutor:  # its worker died while it had nothing to do
                executor.shutdown(wait=False)
        # Spawned, not forked: the libraries below have threads. The function is imported by name in the child.
        made = ProcessPoolExecutor(
            1,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=start_worker,
            initargs=(self._cores,),
            max_tasks_per_child=self._per_worker,
        )
        self._executors[seat] = made
        return made.submit(work, task)

    def done(self, seat: int, *, broken: bool) -> None:
        """Forget the worker of a seat if it died."""
        executor = self._executors[seat]
        if broken and executor is not None:
            executor.shutdown(wait=False)
            self._executors[seat] = None

    def close(self, *, kill: bool = False) -> None:
        """End all workers, at once where ``kill`` is set."""
        for executor in self._executors:
            if executor is None:
                continue
            if kill:
                for process in worker_processes(executor):
                    process.kill()
            executor.shutdown(wait=True, cancel_futures=True)
        self._executors = [None] * self.seats


class InlinePool:
    """Runs each task here and now, in this process: for finding faults, and where processes cannot be started."""

    seats = 1

    def submit(self, seat: int, work: Callable[[Any], Any], task: Any) -> Future[Any]:
        """Run a task; the future is done."""
        del seat
        future: Future[Any] = Future()
        try:
            future.set_result(work(task))
        except Exception as error:  # noqa: BLE001  # goes on to whoever asks the future
            future.set_exception(error)
        return future

    def done(self, seat: int, *, broken: bool) -> None:
        """Do nothing: there is no worker."""

    def close(self, *, kill: bool = False) -> None:
        """Do nothing: there is no worker."""


class DaskPool:
    """Workers of a Dask cluster through ``Client.get_executor``.

    They must see the same paths as this process and have the same version of the program.

    Parameters
    ----------
    address : str
        Of the scheduler, as in ``tcp://127.0.0.1:8786``.

    Raises
    ------
    InputError
        Dask is not installed, no scheduler answers, or it has no workers.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            raise InputError(
                "Dask is not installed here.", column="--dask", hint="pip install 'swathledger[dask]'."
            ) from None
        try:
            make: Any = distributed.Client  # typed in part only
            self._client = make(address, timeout=ANSWER_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise InputError(
                f"no Dask scheduler answers at {address} ({error}).",
                column="--dask",
                hint="Start one with: dask scheduler; then workers with: dask worker tcp://HOST:8786 --nthreads 1.",
            ) from None
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        self.seats = sum(int(worker["nthreads"]) for worker in workers.values())
        if self.seats < 1:
            self.close()
            raise InputError(
                f"the Dask scheduler at {address} has no workers.",
                column="--dask",
                hint=f"Start some with: dask worker {address} --nthreads 1.",
            )
        self._executor: Executor = self._client.get_executor(pure=False)

    def submit(self, seat: int, work: Callable[[Any], Any], task: Any) -> Future[Any]:
        """Hand a task to the scheduler, which chooses the worker."""
        del seat
        future: Future[Any] = self._executor.submit(work, task)
        return future

    def done(self, seat: int, *, broken: bool) -> None:
        """Do nothing: the cluster looks after its workers."""

    def close(self, *, kill: bool = False) -> None:
        """Leave the cluster."""
        del kill
        self._client.close()


def no_processes() -> str | None:
    """Why worker processes cannot be started here; None where they can.

    They need a semaphore of the system, which lives in shared memory: it may be missing or read-only.
    """
    try:
        multiprocessing.get_context("spawn").Lock()
    except (OSError, ImportError) as error:
        return f"{type(error).__name__}: {error}"
    return None


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def memory_bytes() -> int:
    """Memory that workers may use: 80 % of what is free, within the limit of the container where there is one."""
    import psutil

    free = int(psutil.virtual_memory().available)
    for name, used in (
        ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
        ("/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes"),
    ):
        try:
            limit = int(Path(name).read_text(encoding="ascii")) - int(Path(used).read_text(encoding="ascii"))
        except (OSError, ValueError):
            continue
        if limit > 0:
            free = min(free, limit)
    return int(_SHARE_OF_MEMORY * free)
