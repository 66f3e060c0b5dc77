"""Files: what is written can be read again, the samples are what they were, the command says what it did."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import shapely
from click.testing import CliRunner
from make_samples import SAMPLE_LOGS, all_samples, farm_plane, write_samples

from swathledger.errors import InputError, OutputError
from swathledger.field.read import read_field
from swathledger.log.read import read_log
from swathledger.machine.read import read_machine
from swathledger.simulate import fields
from swathledger.simulate.drive import DriveSettings
from swathledger.simulate.run import RunSettings, longest_side, simulate, simulate_field
from swathledger.simulate.write import Dialect
from swathledger.text import slug
from swathledger_cli.simulate import command

SAMPLES = Path(__file__).resolve().parent.parent.parent / "sample_logs"
LOGS = {sample.field_id: sample for sample in all_samples()}


def read(log: Path, machine_file: Path):
    machine = read_machine(machine_file)
    return machine, read_log(
        [log],
        columns=machine.columns,
        options=machine.log_options.given(),
        sections=len(machine.boom.sections),
        nozzles=machine.boom.nozzle_count,
    )


@pytest.mark.parametrize("field_id", sorted(LOGS))
def test_sample_log_is_clean_and_lies_in_its_field(field_id):
    sample = LOGS[field_id]
    path = SAMPLES / sample.log_name
    assert path.stat().st_size < 1_000_000
    machine, log = read(path, SAMPLES / sample.machine)
    assert log.quality.epochs == log.quality.used > 1000
    assert not log.quality.columns_ignored
    field = read_field(SAMPLES / "boundaries.geojson", latitude_deg=log.latitude_deg, longitude_deg=log.longitude_deg)
    assert field.field_id == field_id
    truth = json.loads((SAMPLES / "truth" / f"{field_id}.json").read_text(encoding="utf-8"))
    assert truth["rows_logged"] == len(log)
    # Ground swept, overlaps and all, beside the target; the trailed machine leaves the corners of the L.
    assert 0.98 < truth["swept_m2"] / field.target.area < 1.09
    step = np.diff(log.time_s)
    litres = (log.flow_l_s[:-1] * np.where(step < 5, step, 1.0)).sum()
    assert litres == pytest.approx(truth["volume_l"], rel=1e-3)
    x, y = field.plane.forward(log.latitude_deg, log.longitude_deg)
    assert shapely.contains_xy(field.boundary.buffer(0.5), x, y).mean() > 0.99
    assert machine.gnss_sigma_m is not None


def test_samples_come_out_the_same_byte_for_byte(tmp_path):
    written = write_samples(tmp_path, only=("cartwheel", "kite_tail"))
    assert len(written) == 7
    for path in written:
        name = path.relative_to(tmp_path)
        assert path.read_bytes() == (SAMPLES / name).read_bytes(), f"{name} differs"


def test_samples_hold_what_their_readme_says():
    events = {
        name: [
            e["kind"] for e in json.loads((SAMPLES / "truth" / f"{name}.json").read_text(encoding="utf-8"))["events"]
        ]
        for name in LOGS
    }
    assert events["long_mile"] == ["boom_charge", "stop"]
    assert "refill" in events["dogleg"]
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    for sample in LOGS.values():
        assert f"`{sample.log_name}`" in readme


@pytest.fixture
def small(tmp_path):
    """A field of 4 ha far from everything, given as GeoJSON."""
    plane = farm_plane()
    xy = np.asarray(fields.rectangle(250, 160).boundary.exterior.coords)
    latitude, longitude = plane.inverse(xy[:, 0], xy[:, 1])
    ring = np.column_stack([longitude, latitude]).tolist()
    feature = {
        "type": "Feature",
        "properties": {"field_id": "end/paddock é"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    boundary, machine = tmp_path / "fields.geojson", tmp_path / "machine.toml"
    boundary.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    machine.write_text((SAMPLE_LOGS / "machine_24m.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return boundary, machine


def test_what_is_written_is_read_again(small, tmp_path):
    boundary, machine_file = small
    out = tmp_path / "out"
    settings = RunSettings(drive=DriveSettings(seed=3), dialect=Dialect(format="geojson", units="us", offset_h=-3.5))
    (outcome,) = simulate(boundary, machine_file, out, settings=settings)
    _, log = read(outcome.log_file, machine_file)
    driven = outcome.driven
    assert log.time_s == pytest.approx(driven.logged_time_s)
    assert np.array_equal(log.state, driven.logged_state)
    assert log.speed_m_s == pytest.approx(driven.logged_speed_m_s, abs=0.003)  # 0.005 mph
    assert log.flow_l_s == pytest.approx(driven.logged_flow_l_s, abs=0.0005 * 3.785 / 60 + 1e-9)
    field = read_field(boundary)
    x, y = field.plane.forward(log.latitude_deg, log.longitude_deg)
    assert x == pytest.approx(driven.logged_x_m, abs=0.002)
    assert y == pytest.approx(driven.logged_y_m, abs=0.002)
    table = pq.read_table(outcome.table_file)
    assert table.num_rows == len(driven.motion.time_s)
    assert table["flow_l_s"].to_numpy().sum() * 0.2 == pytest.approx(driven.volume_l)
    truth = json.loads(outcome.truth_file.read_text(encoding="utf-8"))
    assert truth["field"] == "end/paddock é"
    assert not list(out.rglob("*.part"))


def test_existing_results_are_refused_and_can_be_overwritten(small, tmp_path):
    out = tmp_path / "out"
    first = simulate(*small, out)[0].log_file.read_bytes()
    with pytest.raises(OutputError, match="already holds files"):
        simulate(*small, out)
    again = simulate(*small, out, overwrite=True)[0].log_file.read_bytes()
    assert first == again


def test_each_field_has_errors_of_its_own(small):
    ground, sprayer = read_field(small[0]), read_machine(small[1])
    first, again, second = (simulate_field(ground, sprayer, RunSettings(), number=k) for k in (0, 0, 1))
    assert np.array_equal(first.logged_x_m, again.logged_x_m)
    assert not np.array_equal(first.logged_x_m, second.logged_x_m)


def test_command(small, tmp_path):
    boundary, machine = small
    arguments = [
        "--boundary",
        str(boundary),
        "--machine",
        str(machine),
        "--out",
        str(tmp_path / "o"),
        "--json",
        "--quiet",
    ]
    result = CliRunner().invoke(command, [*arguments, "--bearing", "30", "--rate-hz", "5", "--headland-laps", "1"])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["fields"][0]["target_area_m2"] == pytest.approx(40_000, rel=1e-3)
    assert Path(document["fields"][0]["log"]).is_file()
    bad = CliRunner().invoke(command, [*arguments, "--bearing", "northish"])
    assert bad.exit_code == 2
    assert "neither degrees" in bad.output


def test_longest_side_of_a_contour_field_is_its_contour():
    shape = fields.contour_sided()
    side = longest_side(shape.boundary)
    assert side.hausdorff_distance(shape.contour_side) < 12.0 or side.length > 0.9 * shape.contour_side.length


def test_file_names():
    assert slug("end/paddock é", "field") == "end-paddock-e"
    assert slug("///", "field") == "field"


def test_terraces_are_read_and_refused_in_words(small, tmp_path):
    boundary, machine = small
    ring = json.loads(boundary.read_text(encoding="utf-8"))["features"][0]["geometry"]["coordinates"][0]
    west, east = min(p[0] for p in ring), max(p[0] for p in ring)
    middle = (min(p[1] for p in ring) + max(p[1] for p in ring)) / 2

    def lines(*geometries):
        path = tmp_path / "lines.geojson"
        features = [{"type": "Feature", "properties": {}, "geometry": g} for g in geometries]
        path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
        return str(path)

    def run(terraces, *more):
        base = ["--boundary", str(boundary), "--machine", str(machine), "--out", str(tmp_path / "o"), "--overwrite"]
        return CliRunner().invoke(command, [*base, "--terraces", terraces, *more], catch_exceptions=True)

    across = {"type": "LineString", "coordinates": [[west, middle], [east, middle]]}
    result = run(lines(across))
    assert result.exit_code == 0, result.output
    assert "worked in 2 blocks between terraces" in result.output
    elsewhere = {"type": "LineString", "coordinates": [[west, middle + 1], [east, middle + 1]]}
    assert "blocks" not in run(lines(elsewhere)).output
    assert isinstance(run(lines({"type": "Polygon", "coordinates": [ring]})).exception, InputError)
    both = run(lines(across), "--bearing", "contour")
    assert both.exit_code == 2
    assert "give one of them" in both.output
