# ruff: noqa: T201  # a script that prints
"""All ratios of docs/performance.md in one run: ``python tests/benchmarks/ratios.py [hectares] [rounds]``.

The first line names the machine. Nothing else should run on it; where something does, the ratios hold better than the
seconds, because all measures take turns.
"""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
from pathlib import Path

from benchdrive import make_drive
from benchkit import (
    cover,
    directions,
    ground_of,
    medians,
    nozzle_polygons,
    numpy_span_seconds,
    numpy_stream_seconds,
    polygon_seconds,
    rasterio_seconds,
    row_lengths,
    whole_account,
)

RASTERIO_SAMPLE = 5_000
POLYGON_HA = 10.0
BAND = 2_000_000


def processor() -> str:
    """Model name and cores."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        lines = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        model = lines[0].split(":", 1)[1].strip() if lines else model
    return f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}"


def kernel(area_ha: float, rounds: int) -> None:
    """Coverage against rasterio, exact polygons and numpy, for every direction."""
    small = {}
    for name, bearing, sigma in directions():
        drive = make_drive(area_ha, bearing_deg=bearing, sigma_m=sigma)
        ground = ground_of(drive)
        cover(ground, 8)  # compiles
        painted = cover(ground).painted
        polygons, nozzle_steps = nozzle_polygons(drive, RASTERIO_SAMPLE)
        length = row_lengths(ground)
        small[name] = make_drive(POLYGON_HA, bearing_deg=bearing, sigma_m=sigma)
        stages = []

        def covered(ground=ground, stages=stages):
            stages.append(cover(ground))
            return stages[-1].paint

        took = medians(
            {
                "paint": covered,
                "rasterio": lambda p=polygons, n=nozzle_steps: rasterio_seconds(p) * n / len(p),
                "polygons": lambda d=small[name]: polygon_seconds(d) * area_ha / POLYGON_HA,
                "band": lambda n=painted: numpy_stream_seconds(n, BAND),
                "field": lambda n=painted: numpy_stream_seconds(n, n),
                "spans": lambda n=painted, k=length: numpy_span_seconds(n, k),
            },
            rounds,
        )
        paint = took["paint"]
        whole = sorted(stage.total for stage in stages)[len(stages) // 2]
        ns = 1e9 / painted
        print(
            f"{name:20s} {painted / 1e6:6.1f} M cells | ns a cell: paint {paint * ns:5.2f}, with mask and tally "
            f"{whole * ns:5.2f}, numpy {took['band'] * ns:.2f} (band) {took['field'] * ns:.2f} (field) "
            f"{took['spans'] * ns:.1f} (rows of {length}) | paint / numpy {paint / took['band']:.1f}, "
            f"{paint / took['field']:.1f}, {paint / took['spans']:.2f} | all / numpy {whole / took['band']:.1f}, "
            f"{whole / took['field']:.1f} | rasterio / paint {took['rasterio'] / paint:.0f}, "
            f"rasterio / all {took['rasterio'] / whole:.0f} | polygons / all {took['polygons'] / whole:.1f}",
            flush=True,
        )


def growth() -> None:
    """Cost of a painted cell by area of the field."""
    for area in (10.0, 30.0, 100.0, 300.0):
        ground = ground_of(make_drive(area, bearing_deg=30.0, sigma_m=0.02))
        runs = [cover(ground) for _ in range(3)]
        seen = sorted(spent.total / spent.painted for spent in runs)
        print(f"growth {area:5.0f} ha: {seen[1] * 1e9:.2f} ns a painted cell", flush=True)


def scaling(area_ha: float, rounds: int) -> None:
    """One thread and two, in turns, by the clock."""
    drive = make_drive(area_ha, bearing_deg=30.0, sigma_m=0.02)
    took = medians({"one": lambda: whole_account(drive, 1)[0], "two": lambda: whole_account(drive, 2)[0]}, rounds)
    print(
        f"account of {area_ha:g} ha: {took['one']:.2f} s, two threads {took['two']:.2f} s, "
        f"{took['one'] / took['two']:.2f} x",
        flush=True,
    )


def memory(area_ha: float) -> None:
    """Peak memory of a whole accounting, in a process of its own."""
    out = subprocess.run(
        [sys.executable, __file__, "--memory", str(area_ha)], capture_output=True, text=True, check=True
    )
    print(out.stdout.strip(), flush=True)


def memory_here(area_ha: float) -> None:
    """Account once and print what this process needed at most."""
    drive = make_drive(area_ha, bearing_deg=30.0, sigma_m=0.02)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    seconds, painted = whole_account(drive, 2)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"memory {area_ha:g} ha, {len(drive.log)} rows, two threads: peak {peak / 2**20:.2f} GB, of which the drive "
        f"{before / 2**20:.2f}; {painted / 1e6:.0f} M cells in {seconds:.1f} s"
    )


def main() -> None:
    """Print everything."""
    if sys.argv[1:2] == ["--memory"]:
        memory_here(float(sys.argv[2]))
        return
    area = float(sys.argv[1]) if len(sys.argv) > 1 else 100.0
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print(processor(), flush=True)
    kernel(area, rounds)
    scaling(area, rounds)
    growth()
    memory(1000.0)


if __name__ == "__main__":
    main()
