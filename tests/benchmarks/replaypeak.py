"""Peak memory of a replay, in a process of its own: ``python tests/benchmarks/replaypeak.py HECTARES LAYOUT...``.

Prints one JSON object. The drive is that of the other benchmarks, at 23 degrees with a receiver error of 2 cm; cells
of 0.1 m, two threads.
"""

from __future__ import annotations

import json
import resource
import sys
import time

from benchdrive import make_drive

from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.shutoff.over_applied import OverApplied
from swathledger.shutoff.replay import control_for, replay_drive

CELL_M, TOLERANCE_M, THREADS = 0.1, 0.1, 2


def peak_gb() -> float:
    """Most memory that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def main(hectares: float, words: tuple[str, ...]) -> None:
    """Account for the drive, replay it, and print what both needed."""
    drive = make_drive(hectares, bearing_deg=23.0, sigma_m=0.02)
    made = peak_gb()
    placed = place_drive(drive.log, drive.machine, drive.field, drive.swath, CELL_M)
    over = OverApplied(placed.frame)
    accounting = account(placed, tolerance_m=TOLERANCE_M, threads=THREADS, sinks=(over.sink,))
    counted = peak_gb()
    start, spent = time.perf_counter(), time.process_time()
    control = control_for(drive.machine, 1.0, TOLERANCE_M)
    replay = replay_drive(drive.log, drive.machine, placed, accounting, over, words, control, threads=THREADS)
    print(  # noqa: T201  # a script that prints
        json.dumps(
            {
                "hectares": hectares,
                "rows": len(drive.log),
                "frame_cells": placed.frame.rows * placed.frame.columns,
                "cell_m": replay.as_logged.cell_m,
                "layouts": [r.layout.name for r in replay.results],
                "drive_gb": made,
                "accounted_gb": counted,
                "peak_gb": peak_gb(),
                "clock_s": time.perf_counter() - start,
                "processor_s": time.process_time() - spent,
            }
        )
    )


if __name__ == "__main__":
    main(float(sys.argv[1]), tuple(sys.argv[2:]))
