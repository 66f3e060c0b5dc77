"""What a replayed layout costs beside the coverage pass, and how twelve of them share two threads.

100 ha, 36 m boom, 72 nozzles opening one by one, 10 rows a second, cells of 0.1 m. Both costs are taken in one run, so
that their ratio does not depend on the machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
import shapely
from drivekit import PLANE, ground
from replaykit import machine
from shapely import affinity

from swathledger.field.carrier import Field
from swathledger.ledger.account import account, frame_of, near_ribbons
from swathledger.ledger.carrier import Accounting
from swathledger.log.carrier import Log
from swathledger.machine.carrier import Machine
from swathledger.shutoff.replay import Seen, control_for, replay_drive
from swathledger.simulate.closed_form import log_of
from swathledger.simulate.primitives import passes_path
from swathledger.swath.build import build_swath
from swathledger.swath.carrier import Swath

SIDE_M = 1000.0
TWELVE = ("boom", "2", "3", "4", "6", "8", "9", "12", "18", "24", "36", "nozzle")
WITHIN = 3.0


@dataclass(frozen=True, slots=True)
class Audited:
    log: Log
    machine: Machine
    field: Field
    swath: Swath
    accounting: Accounting
    seen: Seen

    def cover(self) -> Accounting:
        return account(self.log, self.machine, self.field, self.swath, cell_m=0.1, revisit_s=10.0, tolerance_m=0.1)

    def replay(self, groups: tuple[str, ...], threads: int = 1):
        control = control_for(self.machine, 1.0, 0.1, 10.0)
        return replay_drive(
            self.log, self.machine, self.field, self.swath, self.accounting, self.seen, groups, control,
            threads=threads,
        )


@pytest.fixture(scope="module")
def hundred_hectares() -> Audited:
    """Passes 35.7 m apart aslant over a square; each nozzle open where it is over the field."""
    square = affinity.rotate(shapely.box(-SIDE_M / 2, -SIDE_M / 2, SIDE_M / 2, SIDE_M / 2), 17.0)
    sprayer, field = machine(), ground(square)
    length = SIDE_M * 1.3
    path = passes_path(int(np.ceil(length / 36)), length, 35.7, bearing_deg=40.0, n_states=72, step_s=0.1)
    path = path.moved(-path.x_m.mean(), -path.y_m.mean())
    edges = sprayer.boom.nozzle_edges_m
    lateral = (edges[1:] + edges[:-1]) / 2
    heading = np.radians(path.heading_deg)[:, None]
    x = path.x_m[:, None] + np.cos(heading) * lateral
    y = path.y_m[:, None] - np.sin(heading) * lateral
    opened = shapely.contains_xy(square, x.ravel(), y.ravel()).reshape(x.shape)
    log = log_of(replace(path, state=opened & path.state), PLANE, state_kind="nozzle", rate_l_m2=0.01)
    swath = build_swath(log, sprayer, PLANE)
    seen = Seen()
    sink = seen.sink_for(frame_of(swath, field, 0.1, near_ribbons(swath, field)[0]))
    accounting = account(log, sprayer, field, swath, cell_m=0.1, revisit_s=10.0, tolerance_m=0.1, sink=sink)
    audited = Audited(log, sprayer, field, swath, accounting, seen)
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
    assert ratio <= WITHIN


@pytest.mark.parametrize("threads", [1, 2])
def test_twelve_layouts(benchmark, hundred_hectares, threads):
    replay = benchmark.pedantic(hundred_hectares.replay, args=(TWELVE, threads), rounds=1)
    assert [r.layout.groups for r in replay.results] == [1, 2, 3, 4, 6, 8, 9, 12, 18, 24, 36, 72]
    over = [r.m2("over_application") for r in replay.results]
    assert over[0] > over[-1]
