"""Running tasks on the seats of a pool, within the memory there is; a worker that dies costs no other task."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, wait
from dataclasses import dataclass
from typing import Any

from swathledger.season.run.plan import Need
from swathledger.season.run.pool import Pool
from swathledger.season.run.task import Outcome

DIED_TWICE = (
    "the worker process was ended from outside, twice: out of memory, or killed. Use larger cells (--cell) or fewer "
    "workers (--jobs)"
)


@dataclass(frozen=True, slots=True)
class Item:
    """A task to be run.

    Attributes
    ----------
    payload : object
        What the work is called with.
    alone : object
        The same, for when it has the computer to itself.
    """

    id: str
    payload: Any
    alone: Any
    need: Need


@dataclass(frozen=True, slots=True)
class Step:
    """Progress: one more task is done.

    Attributes
    ----------
    done, total : int
        Tasks done by this run, of how many.
    hectares : float
        Hectares done by this run.
    left_s : float or None
        Time left at the rate so far; None before anything is known.
    """

    outcome: Outcome
    done: int
    total: int
    hectares: float
    hectares_per_s: float
    left_s: float | None


class _Run:
    """State of one call of `run_items`."""

    def __init__(self, items: Sequence[Item], pool: Pool, work: Callable[[Any], Any], budget: int) -> None:
        self.pool, self.work, self.budget = pool, work, budget
        # Long ones first, so that no worker sits idle at the end.
        ordered = sorted(items, key=lambda item: (-item.need.cells, item.id))
        self.waiting = deque(item for item in ordered if item.need.bytes <= budget)
        self.alone = deque(item for item in ordered if item.need.bytes > budget)
        self.tried: set[str] = set()
        self.free = list(range(pool.seats))[::-1]
        self.running: dict[Future[Any], tuple[Item, int]] = {}
        self.held = 0
        self.stopped = False

    def start_some(self) -> None:
        """Fill the free seats as far as memory goes; what must run alone waits until nothing else is left."""
        if self.stopped:
            return
        while self.waiting and self.free:
            item = self.waiting[0]
            if self.running and self.held + item.need.bytes > self.budget:
                return
            self.waiting.popleft()
            self._start(item, item.payload)
        if not self.waiting and not self.running and self.alone:
            item = self.alone.popleft()
            self._start(item, item.alone)

    def _start(self, item: Item, payload: Any) -> None:
        seat = self.free.pop()
        self.held += item.need.bytes
        self.running[self.pool.submit(seat, self.work, payload)] = (item, seat)

    def finished(self, future: Future[Any]) -> tuple[Item, Outcome] | None:
        """What became of a task; None where it is to be tried again alone."""
        item, seat = self.running.pop(future)
        self.held -= item.need.bytes
        self.free.append(seat)
        error = _error_of(future)
        self.pool.done(seat, broken=isinstance(error, BrokenExecutor))
        if error is None:
            outcome = future.result()
            if outcome.kind == "disk_full":
                self.stopped = True
            return item, outcome
        if _worker_died(error):
            if item.id in self.tried:
                return item, Outcome(item.id, "failed", DIED_TWICE)
            self.tried.add(item.id)
            self.alone.append(item)
            return None
        return item, Outcome(item.id, "failed", f"failed in a way it should not: {type(error).__name__}: {error}")


def _error_of(future: Future[Any]) -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as error:
        return error


def _worker_died(error: BaseException) -> bool:
    """A process that is gone, here or (by the name of its error, which only Dask's package holds) on a cluster."""
    return isinstance(error, (BrokenExecutor, CancelledError)) or type(error).__name__ in {
        "KilledWorker",
        "FutureCancelledError",
        "CommClosedError",
    }


def run_items(
    items: Sequence[Item],
    pool: Pool,
    work: Callable[[Any], Any],
    budget_bytes: int,
    *,
    told: Callable[[Step], None] | None = None,
) -> dict[str, Outcome]:
    """Run every task once; see the module.

    Parameters
    ----------
    items : sequence of Item
        Ids differ.
    work : callable
        Takes a payload, gives an `Outcome`; known to workers by name.
    budget_bytes : int
        Memory that all running tasks together may need. A task that needs more runs alone, and so does, once more, one
        whose worker died.
    told : callable, optional
        Is told after each task.

    Returns
    -------
    dict
        Outcomes by id. After a full disk nothing more is started: tasks that never ran are absent.
    """
    run = _Run(items, pool, work, budget_bytes)
    out: dict[str, Outcome] = {}
    hectares = cells = 0.0
    everything = sum(item.need.cells for item in items)
    started = time.monotonic()
    run.start_some()
    while run.running:
        ready, _ = wait(run.running, return_when=FIRST_COMPLETED)
        for future in ready:
            found = run.finished(future)
            if found is None:
                continue
            item, outcome = found
            out[item.id] = outcome
            cells += item.need.cells
            hectares += item.need.hectares
            if told is not None:
                spent = max(time.monotonic() - started, 1e-9)
                left = spent * (everything - cells) / cells if cells > 0 else None
                told(Step(outcome, len(out), len(items), hectares, hectares / spent, left))
        run.start_some()
    return out
