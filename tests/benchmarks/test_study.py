"""How long a study's drives take: many fields under twelve layouts, one drive each, at 0.25 m.

``make bench`` runs a few fields; ``SWATHLEDGER_STUDY_FIELDS=200 SWATHLEDGER_STUDY_WORKERS=2`` runs what the goal
names: 200 fields x 12 layouts within ten minutes on two cores. The figure is printed and kept with the benchmark.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "study"))

FIELDS = int(os.environ.get("SWATHLEDGER_STUDY_FIELDS", "4"))
WORKERS = int(os.environ.get("SWATHLEDGER_STUDY_WORKERS", "1"))
HECTARES = float(os.environ.get("SWATHLEDGER_STUDY_HA", "8"))
LAYOUTS = ("boom", "2", "3", "4", "6", "8", "9", "12", "18", "24", "nozzle", "limit")


def world(number: int):
    """A simulated field and its log, 36 m boom."""
    from pathkit import logged
    from worlds import PLANE, driven, field_of, machine_of

    from swathledger.simulate.fields import random_field

    rng = np.random.default_rng(number)
    area = HECTARES * 1e4 * float(rng.uniform(0.6, 1.4))
    field = field_of(random_field(float(rng.uniform(5.0, 7.5)) / area**0.5, area, seed=number).boundary, f"f{number}")
    machine = machine_of(36.0, 72, 8)
    return logged(driven(field, machine, seed=number), PLANE), field, machine


def audit(item) -> tuple[float, int]:
    """Processor seconds of this thread, and layouts replayed."""
    from worlds import prepared

    from swathledger.audit import compute

    log, field, machine = item
    started = time.thread_time()
    found = compute(prepared(log, field, machine, groups=LAYOUTS, cell_m=0.25))
    return time.thread_time() - started, len(found.replay.results)


@pytest.mark.benchmark(group="study")
def test_fields_times_layouts(benchmark):
    items = [world(k) for k in range(FIELDS)]
    audit(items[0])  # compile

    def run():
        if WORKERS == 1:
            return [audit(item) for item in items]
        with ThreadPoolExecutor(WORKERS) as pool:  # kernels run without the interpreter's lock
            return list(pool.map(audit, items))

    found = benchmark.pedantic(run, rounds=1, iterations=1)
    assert all(layouts == 12 for _, layouts in found)
    seconds = float(benchmark.stats.stats.total)
    processor = sum(s for s, _ in found)
    hectares = sum(item[1].boundary.area for item in items) / 1e4
    benchmark.extra_info.update(
        fields=FIELDS, workers=WORKERS, hectares=hectares, audit_s=seconds, processor_s=processor
    )
    print(  # noqa: T201  # the figure is what this is run for
        f"\n{FIELDS} fields, {hectares:.1f} ha, 12 layouts, 0.25 m, {WORKERS} workers: {seconds:.1f} s, "
        f"{processor:.1f} s of processor, {1000 * processor / (hectares * 12):.0f} ms a hectare and layout; 200 such "
        f"fields need {200 * processor / FIELDS / 2 / 60:.1f} min on two cores with nothing else to do"
    )
