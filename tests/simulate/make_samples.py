"""The sample logs: six fields of a farm that does not exist, sprayed by two machines nobody makes.

``python tests/simulate/make_samples.py OUT`` writes them again, byte for byte; the machine files are those of
``sample_logs``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import MultiPolygon, Polygon, affinity

from swathledger.errors import SwathledgerError
from swathledger.files import write_whole
from swathledger.simulate import fields
from swathledger.simulate.drive import Driven, DriveSettings
from swathledger.simulate.fields import FieldShape
from swathledger.simulate.motion import Speeds
from swathledger.simulate.path import exact_degrees
from swathledger.simulate.plan import PlanSettings
from swathledger.simulate.run import RunSettings, simulate_field
from swathledger.simulate.truth import truth_text
from swathledger.simulate.write import Dialect, log_text

if TYPE_CHECKING:
    from swathledger.field.field import LocalPlane

FARM = "Wandoo Bend"
LATITUDE_DEG, LONGITUDE_DEG = -33.02, 123.18
"""Middle of the farm: open woodland of the south, where nobody farms."""

MACHINES = ("machine_36m.toml", "machine_24m.toml")
SAMPLE_LOGS = Path(__file__).resolve().parents[2] / "sample_logs"


@dataclass(frozen=True, slots=True)
class SampleDrive:
    """One field of the farm and how it was sprayed.

    ``east_m, north_m`` place it about the middle of the farm.
    """

    field_id: str
    shape: FieldShape
    east_m: float
    north_m: float
    machine: str
    run: RunSettings

    @property
    def log_name(self) -> str:
        """File name of its log."""
        return f"{self.field_id}.{self.run.dialect.format}"


def _drive(seed: int, start: float, speed_km_h: float, **more: Any) -> DriveSettings:
    day = 1_789_430_400.0  # 2026-09-15T00:00:00Z
    return DriveSettings(seed=seed, start_s=day + start, speeds=Speeds(pass_m_s=speed_km_h / 3.6), **more)


def all_samples() -> tuple[SampleDrive, ...]:
    """The six fields, in the order in which they were sprayed."""
    h = 3600.0
    return (
        SampleDrive(
            "long_mile", fields.rectangle(760, 340).rotated(8), -900, 500, "machine_36m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=1, bearing="longest"),
                drive=_drive(101, 0.2 * h, 20, charge_s=35.0), stop_s=260.0, dialect=Dialect(),
            ),
        ),
        SampleDrive(
            "kite_tail", fields.triangle(900, 320).rotated(-14), 150, 620, "machine_36m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=1), drive=_drive(102, 1.3 * h, 18, switch_off_s=0.8),
                dialect=Dialect(heading=False),
            ),
        ),
        SampleDrive(
            "dogleg", fields.l_shape(620, 480, 230).rotated(-20), 1050, 380, "machine_24m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=2), drive=_drive(103, 2.1 * h, 14, charge_s=30.0),
                dialect=Dialect(units="us", offset_h=8.0, product="fungicide B"),
            ),
        ),
        SampleDrive(
            "whaleback", fields.contour_sided(760, 330, 55).rotated(12), -850, -350, "machine_36m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=1), contour=True, drive=_drive(104, 4.6 * h, 19),
                dialect=Dialect(),
            ),
        ),
        SampleDrive(
            "duckhole", fields.waterway_and_pond(640, 420).rotated(20), 150, -380, "machine_36m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=1), drive=_drive(105, 5.6 * h, 18), stop_s=180.0, dialect=Dialect(),
            ),
        ),
        SampleDrive(
            "cartwheel", fields.circle(175), 950, -420, "machine_24m.toml",
            RunSettings(
                plan=PlanSettings(headland_laps=2, bearing=35.0),
                drive=_drive(106, 7.0 * h, 15, control="manual", switch_on_s=-0.3, switch_off_s=0.6),
                dialect=Dialect(format="geojson", product="fungicide B"),
            ),
        ),
    )  # fmt: skip


def farm_plane() -> LocalPlane:
    """The plane on which the farm was drawn."""
    from swathledger.field.field import LocalPlane

    return LocalPlane(LATITUDE_DEG, LONGITUDE_DEG)


def _ring(points: np.ndarray, plane: LocalPlane) -> list[list[float]]:
    latitude, longitude = exact_degrees(plane, points[:, 0], points[:, 1])
    return [[round(float(lon), 8), round(float(lat), 8)] for lat, lon in zip(latitude, longitude, strict=True)]


def _feature(geometry: Polygon | MultiPolygon, properties: dict[str, Any], plane: LocalPlane) -> str:
    if not isinstance(geometry, Polygon):
        raise TypeError("the sample fields are single polygons")
    rings = [_ring(np.asarray(ring.coords)[:, :2], plane) for ring in (geometry.exterior, *geometry.interiors)]
    return json.dumps(
        {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": rings}},
        separators=(",", ":"),
    )


def boundaries_text(samples: Sequence[SampleDrive]) -> str:
    """All boundaries and exclusions as one GeoJSON."""
    plane = farm_plane()
    lines = []
    for sample in samples:
        placed = [
            affinity.translate(g, sample.east_m, sample.north_m)
            for g in (sample.shape.boundary, *sample.shape.exclusions)
        ]
        lines.append(_feature(placed[0], {"field_id": sample.field_id, "role": "boundary"}, plane))
        for geometry, buffer in zip(placed[1:], sample.shape.buffers_m, strict=True):
            properties = {"field_id": sample.field_id, "role": "exclusion", "buffer_m": buffer}
            lines.append(_feature(geometry, properties, plane))
    return '{"type":"FeatureCollection","features":[\n' + ",\n".join(lines) + "\n]}\n"


def drive_sample(sample: SampleDrive, boundaries: Path, machine_file: Path) -> tuple[Driven, LocalPlane]:
    """Drive one sample over the boundary as it stands in the file."""
    from swathledger.field.read import read_field
    from swathledger.machine.read import read_machine

    field = read_field(boundaries, field_id=sample.field_id)
    return simulate_field(field, read_machine(machine_file), sample.run), field.plane


def write_samples(out: Path, only: Sequence[str] = ()) -> list[Path]:
    """Write machines, boundaries, logs and truths into ``out``; ``only``: logs of these fields."""
    samples = all_samples()
    written = []

    def put(name: str, text: str) -> None:
        write_whole(out / name, text)
        written.append(out / name)

    put("boundaries.geojson", boundaries_text(samples))
    for name in MACHINES:
        put(name, (SAMPLE_LOGS / name).read_text(encoding="utf-8"))
    for sample in samples:
        if only and sample.field_id not in only:
            continue
        driven, plane = drive_sample(sample, out / "boundaries.geojson", out / sample.machine)
        put(sample.log_name, log_text(driven, plane, sample.run.dialect))
        put(f"truth/{sample.field_id}.json", truth_text(driven, sample.field_id))
    return written


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of this module."""
    parser = argparse.ArgumentParser(prog="python tests/simulate/make_samples.py", description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into; files of the same names are replaced")
    parser.add_argument("--only", nargs="*", default=(), metavar="FIELD", help="logs of these fields only")
    given = parser.parse_args(arguments)
    try:
        written = write_samples(given.out, given.only)
    except (SwathledgerError, OSError) as error:
        sys.stderr.write(f"Error: {error}\n")
        return 2
    for path in written:
        sys.stdout.write(f"{path} {path.stat().st_size} bytes\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
