"""The sample logs, for tests that go through all of them."""

from __future__ import annotations

from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
BOUNDARIES = SAMPLES / "boundaries.geojson"
MACHINE_OF = {
    "long_mile.csv": SAMPLES / "machine_36m.toml",
    "kite_tail.csv": SAMPLES / "machine_36m.toml",
    "whaleback.csv": SAMPLES / "machine_36m.toml",
    "duckhole.csv": SAMPLES / "machine_36m.toml",
    "dogleg.csv": SAMPLES / "machine_24m.toml",
    "cartwheel.geojson": SAMPLES / "machine_24m.toml",
}

HARVESTER = """\
name = "harvester of the real drives"
[boom]
width_m = 9.0
[columns]
time = "timestamp"
speed_km_h = "ground_speed_kmh"
counter = "machine_total_area_m2"
"""
"""The machine of the drives in the folder of outside data."""
