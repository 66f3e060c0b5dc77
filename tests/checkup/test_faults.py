"""Every fault planted on sample logs and a real drive: named, never fit, and fit again by the line that was named."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest
from faultkit import FAULTS, SAMPLES, Fault, sample, write

from swathledger.checkup.checkup import Checkup
from swathledger.checkup.examine import examine
from swathledger.log.read import read_log
from swathledger.machine.read import machine_from_mapping
from swathledger.words import say_all

NOW_S = 1_800_000_000.0
"""2027-01-15: later than the samples."""
HARVESTER = """name = "harvester"
[boom]
width_m = 9.0
[columns]
time = "timestamp"
speed_km_h = "ground_speed_kmh"
area_counter = "machine_total_area_m2"
"""
MACHINES = {"duckhole.csv": "machine_36m.toml", "whaleback.csv": "machine_36m.toml", "dogleg.csv": "machine_24m.toml"}
REAL = "F04.csv"


def looked_at(path: Path, name: str, log_table: str = "", columns: dict[str, str] | None = None) -> Checkup:
    text = HARVESTER if name == REAL else (SAMPLES / MACHINES[name]).read_text(encoding="utf-8")
    raw = tomllib.loads(f"{text}\n[log]\n{log_table}\n")
    if columns:
        raw["columns"] = {**raw.get("columns", {}), **columns}
        if "speed_km_h" in raw["columns"] and not columns.keys() & {"speed_km_h"}:
            del raw["columns"]["speed_km_h"]
    machine = machine_from_mapping(raw)
    log = read_log(
        path,
        columns=machine.columns,
        options=machine.log_options.given(),
        sections=len(machine.boom.sections),
        nozzles=machine.boom.nozzle_count,
    )
    return examine(log, machine, now_s=NOW_S)


@pytest.fixture
def outside(repository):
    """Where outside data would stand; only the real drives need it, and skip where it is absent."""
    return repository.parent / "shared"


def planted(fault: Fault, name: str, folder: Path, shared: Path) -> Path:
    if name == REAL and not (shared / "field_logs" / REAL).is_file():
        pytest.skip("the real drives are not there")
    rows = sample(name, shared)
    if fault.needs and fault.needs not in rows[0]:
        pytest.skip(f"{name} has no {fault.needs}")
    return write(fault.spoil(rows), folder / "log.csv")


@pytest.mark.parametrize("name", [*MACHINES, REAL])
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_named_and_what_is_named_makes_it_good(fault, name, tmp_path, outside):
    path = planted(fault, name, tmp_path, outside)
    found = looked_at(path, name)
    assert found.verdict != "fit"
    named = {note.code: text for note, text in zip(found.why, say_all(found.why), strict=True)}
    assert fault.code in named
    for line in fault.log.splitlines():
        assert line.split(" = ")[0] in named[fault.code]
    if fault.log:
        assert looked_at(path, name, fault.log).verdict == "fit"
    if fault.columns:
        assert f"{fault.columns} = " in named[fault.code]
        header = next(header for ours, header in found.log.quality.columns_understood if ours.startswith("speed_"))
        assert looked_at(path, name, columns={fault.columns: header}).verdict == "fit"


@pytest.mark.parametrize("name", [*MACHINES, REAL])
def test_without_a_fault_they_are_fit(name, tmp_path, outside):
    nothing = Fault("none", lambda rows: rows, "")
    found = looked_at(planted(nothing, name, tmp_path, outside), name)
    assert (found.verdict, found.why) == ("fit", ())
    assert found.log.heading_deg is None or len(found.log.heading_deg) == len(found.log)


def test_what_cannot_be_true_is_left_out_and_the_rest_is_kept(tmp_path, outside):
    by_name = {fault.name: fault for fault in FAULTS}
    found = looked_at(planted(by_name["radians"], "duckhole.csv", tmp_path, outside), "duckhole.csv")
    assert found.log.heading_deg is None
    assert found.log.speed_m_s is not None
    found = looked_at(planted(by_name["speed nothing"], "duckhole.csv", tmp_path, outside), "duckhole.csv")
    assert found.log.heading_deg is not None
    assert found.log.speed_m_s is None
    asked = looked_at(planted(by_name["zero 10 degrees off"], "duckhole.csv", tmp_path, outside), "duckhole.csv")
    assert asked.log.heading_deg is not None  # both are possible: asked, and used as they are


@pytest.mark.parametrize("name", ["F01", "F03", "F04", "F05", "F09", "F14", "F15", "F20"])
def test_real_drives_are_fit_and_their_counter_agrees(name, outside):
    path = outside / "field_logs" / f"{name}.csv"
    if not path.is_file():
        pytest.skip("the real drives are not there")
    found = looked_at(path, REAL)
    assert (found.verdict, found.why) == ("fit", ())
    assert found.counter_m2 is not None
    assert found.counter_m2.step == 100.0
    assert abs(found.counter_m2.difference_pct) < 4.0  # gaps and steps of 100 m2 on 1.5 to 5 ha


def test_a_counter_and_a_flow_meter_that_are_far_off_are_told(tmp_path, outside):
    rows = sample("duckhole.csv", outside)
    for row in rows:
        row["flow_l_min"] = f"{1.3 * float(row['flow_l_min']):.2f}"
    found = looked_at(write(rows, tmp_path / "log.csv"), "duckhole.csv")
    assert [note.code for note in found.why] == ["checkup.flow_apart"]
    assert found.flow_l.difference_pct == pytest.approx(30.0, abs=2.0)
    path = outside / "field_logs" / REAL
    if path.is_file():
        rows = sample(REAL, outside)
        for row in rows:
            cell = row["machine_total_area_m2"]
            row["machine_total_area_m2"] = str(0.7 * float(cell)) if cell else ""
        found = looked_at(write(rows, tmp_path / "log.csv"), REAL)
        assert [note.code for note in found.why] == ["checkup.counter_apart"]
        assert found.counter_m2.step == pytest.approx(70.0)


def test_an_offset_that_was_not_given_is_told_but_no_doubt(tmp_path):
    text = (SAMPLES / "machine_36m.toml").read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    given = machine_from_mapping(raw)
    del raw["antenna"]
    machine = machine_from_mapping(raw)
    log = read_log(SAMPLES / "duckhole.csv")
    assert given.antenna_assumed == ()
    assert machine.antenna_assumed == ("ahead_of_boom_m", "right_of_centre_m")
    found = examine(log, machine, now_s=NOW_S)
    assert found.verdict == "fit"
    assert [finding.note.code for finding in found.findings] == ["checkup.antenna_assumed"]
    assert "ahead_of_boom_m" in say_all(found.notes)[0]


def test_small_logs_are_not_judged_by_what_they_cannot_show():
    log = read_log(SAMPLES / "duckhole.csv")
    few = dataclasses.replace(
        log,
        **{
            name: getattr(log, name)[:20]
            for name in ("time_s", "latitude_deg", "longitude_deg", "state", "speed_m_s", "rate_l_m2", "flow_l_s")
        },
        heading_deg=log.heading_deg[:20] * 0,
        product=None,
    )
    assert examine(few, now_s=NOW_S).verdict == "fit"
