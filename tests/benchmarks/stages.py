# ruff: noqa: T201  # a script that prints
"""Time of ``swathledger audit`` by stage for the sample fields: ``python tests/benchmarks/stages.py``."""

from __future__ import annotations

import tempfile
import time
from itertools import pairwise
from pathlib import Path

from swathledger.audit import prepare, run_audit
from swathledger.field.read import read_field
from swathledger.ledger.account import account
from swathledger.ledger.place import place_drive
from swathledger.log.read import read_log
from swathledger.machine.read import read_machine
from swathledger.settings import AuditSettings
from swathledger.swath.build import build_swath

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
FIELDS = {
    "long_mile.csv": "36",
    "kite_tail.csv": "36",
    "dogleg.csv": "24",
    "whaleback.csv": "36",
    "duckhole.csv": "36",
    "cartwheel.geojson": "24",
}


def stages(name: str, machine_m: str) -> dict[str, float]:
    """Processor seconds of every stage; the report is what the whole run takes beyond the others."""
    log_path, machine_path = SAMPLES / name, SAMPLES / f"machine_{machine_m}m.toml"
    boundaries = SAMPLES / "boundaries.geojson"
    marks = [time.process_time()]
    machine = read_machine(machine_path)
    log = read_log(
        [log_path],
        columns=machine.columns,
        options=machine.log_options.given(),
        sections=len(machine.boom.sections),
        nozzles=machine.boom.nozzle_count,
    )
    marks.append(time.process_time())
    field = read_field(boundaries, latitude_deg=log.latitude_deg, longitude_deg=log.longitude_deg)
    marks.append(time.process_time())
    swath = build_swath(log, machine, field.plane)
    marks.append(time.process_time())
    settings = prepare([log_path], machine_path, boundaries, AuditSettings()).settings
    begin = time.process_time()
    placed = place_drive(log, machine, field, swath, settings.cell_m)
    account(placed, tolerance_m=settings.tolerance_m)
    counted = time.process_time() - begin
    begin = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        run_audit([log_path], machine_path, boundaries, Path(folder) / "out", AuditSettings())
    whole = time.process_time() - begin
    reading, placing, swathing = (b - a for a, b in pairwise(marks))
    return {
        "log": reading,
        "field": placing,
        "swath": swathing,
        "account": counted,
        "report": whole - reading - placing - swathing - counted,
        "whole": whole,
    }


def main() -> None:
    """Print a line a field, after one run that compiles and imports."""
    stages("cartwheel.geojson", "24")
    for name, machine_m in FIELDS.items():
        seen = [stages(name, machine_m) for _ in range(3)]
        middle = {stage: sorted(s[stage] for s in seen)[1] for stage in seen[0]}
        print(f"{name:18s} " + "  ".join(f"{stage} {seconds:5.2f}" for stage, seconds in middle.items()), flush=True)


if __name__ == "__main__":
    main()
