"""What a replayed layout costs beside the coverage pass, how twelve of them share two threads, and the peak of memory.

100 ha, 36 m boom, 72 nozzles opening one by one, 10 rows a second, cells of 0.1 m. Both costs are taken in one run, so
that their ratio does not depend on the machine.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from benchdrive import SCALE, make_drive

from swathledger.field.field import Field
from swathledger.ledger.account import account
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.place import place_drive
from swathledger.log.log import Log
from swathledger.machine.machine import Machine
from swathledger.shutoff.over_applied import OverApplied
from swathledger.shutoff.replay import control_for, replay_drive
from swathledger.swath.swath import Swath

TWELVE = ("boom", "2", "3", "4", "6", "8", "9", "12", "18", "24", "36", "nozzle")
WITHIN = 3.0
PEAK_GB = 4.0


@dataclass(frozen=True, slots=True)
class Audited:
    log: Log
    machine: Machine
    field: Field
    swath: Swath
    accounting: Accounting
    over: OverApplied

    def cover(self) -> Accounting:
        placed = place_drive(self.log, self.machine, self.field, self.swath, 0.1)
        return account(placed, tolerance_m=0.1)

    def replay(self, groups: tuple[str, ...], threads: int = 1):
        control = control_for(self.machine, 1.0, 0.1)
        placed = place_drive(self.log, self.machine, self.field, self.swath, 0.1)
        return replay_drive(
            self.log, self.machine, placed, self.accounting, self.over, groups, control, threads=threads
        )


@pytest.fixture(scope="module")
def hundred_hectares() -> Audited:
    """The drive of the other benchmarks, at a bearing that no cell likes better than another."""
    drive = make_drive(100.0 * SCALE, bearing_deg=23.0)
    placed = place_drive(drive.log, drive.machine, drive.field, drive.swath, 0.1)
    over = OverApplied(placed.frame)
    accounting = account(placed, tolerance_m=0.1, sinks=(over.sink,))
    audited = Audited(drive.log, drive.machine, drive.field, drive.swath, accounting, over)
    audited.replay(("boom",))  # compiles
    return audited


def least_seconds(work: Callable[[], object], rounds: int = 3) -> float:
    """Processor seconds of the quickest of some rounds: other work on the machine does not count."""
    taken = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


@pytest.mark.parametrize("word", ["boom", "9", "nozzle", "limit"])
def test_one_layout_beside_the_coverage_pass(benchmark, hundred_hectares, word):
    audited = hundred_hectares
    cover = least_seconds(audited.cover)
    # the log's own layout and a comparison with the log come along with every replay: with less without is one's cost
    own = least_seconds(lambda: audited.replay(("36",)))
    both = least_seconds(lambda: audited.replay(("36", word)))
    ratio = (both - own) / cover
    benchmark.extra_info.update(coverage_pass_s=cover, layout_s=both - own, ratio=ratio)
    print(f"\n{word}: coverage pass {cover:.2f} s, one layout {both - own:.2f} s, ratio {ratio:.2f}")  # noqa: T201  # a benchmark reports
    benchmark.pedantic(audited.replay, args=((word,),), rounds=1)
    assert ratio <= WITHIN or SCALE < 1  # a small field is mostly overhead


@pytest.mark.parametrize("threads", [1, 2])
def test_twelve_layouts(benchmark, hundred_hectares, threads):
    start = time.process_time()
    replay = benchmark.pedantic(hundred_hectares.replay, args=(TWELVE, threads), rounds=1)
    taken = time.process_time() - start
    benchmark.extra_info.update(processor_s=taken)
    print(f"\ntwelve layouts and the log's own, {threads} threads: {taken:.1f} s of the processors")  # noqa: T201  # as above
    assert [r.layout.groups for r in replay.results] == [1, 2, 3, 4, 6, 8, 9, 12, 18, 24, 36, 72]
    over = [r.m2("over_application") for r in replay.results]
    # passes square to the field's sides: there is little for finer groups to win here
    assert over[0] >= over[-1] > 0


def test_peak_memory_of_a_thousand_hectares_at_their_own_cell(benchmark):
    """In a process of its own, so that nothing else is in the peak; the log's own layout and the floor come along."""
    script = Path(__file__).with_name("replaypeak.py")
    call = [sys.executable, str(script), str(1000.0 * SCALE), "boom", "nozzle"]
    out = benchmark.pedantic(subprocess.run, args=(call,), kwargs={"capture_output": True, "check": True}, rounds=1)
    found = json.loads(out.stdout)
    benchmark.extra_info.update(found)
    print(  # noqa: T201  # as above
        f"\n{found['hectares']:g} ha, cells of {found['cell_m']:g} m, {found['frame_cells'] / 1e6:.0f} M in the frame: "
        f"peak {found['peak_gb']:.2f} GB, {found['accounted_gb']:.2f} before the replay, which took "
        f"{found['clock_s']:.0f} s, {found['processor_s']:.0f} s of the processors"
    )
    assert found["cell_m"] == 0.1
    assert found["layouts"] == ["boom", "nozzle"]
    assert found["peak_gb"] < PEAK_GB
