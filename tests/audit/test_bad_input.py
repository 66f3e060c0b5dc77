"""Whatever a user may hand in: a plain message and exit code 2, or a sound ledger; never a traceback, never a half."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HEADER = "time,latitude,longitude,section_1,section_2,section_3"


def test_the_sound_job_is_sound(accepted):
    document = accepted()
    area = document["area"]
    assert area["target_m2"] == pytest.approx(23 * 50, rel=0.01)
    assert area["overlap_m2"] == pytest.approx(50.0, abs=8.0)
    assert area["skip_m2"] == pytest.approx(0.0, abs=1.0)
    assert document["volume"]["applied_l"] == pytest.approx(0.01 * 1200, rel=0.01)


# --- logs that cannot be used ----------------------------------------------------------------------------------------
def test_empty_file(job, refused):
    job.log.write_text("")
    assert "log.csv" in refused()


def test_header_only(job, refused):
    job.log.write_text(HEADER + "\n")
    text = refused()
    assert "log.csv" in text
    assert "row" in text


def test_missing_column_lists_near_names(job, refused):
    job.log.write_text(job.log.read_text().replace("latitude", "latitude_raw", 1))
    text = refused()
    assert "no column for latitude" in text
    assert "'latitude_raw'" in text


def test_decimal_commas_in_a_comma_file(job, refused):
    # -33,5000000 in a comma file is two fields: too many of them, told as such
    body = job.log.read_text().replace("-33.", "-33,").replace("148.", "148,")
    job.log.write_text(body)
    refused()


def test_decimal_commas_in_a_semicolon_file_are_read(job, accepted):
    body = job.log.read_text().replace(",", ";")
    for degrees in ("-33.", ";148.", ";147."):
        body = body.replace(degrees, degrees.replace(".", ","))
    job.log.write_text(body)
    assert accepted()["quality"]["used"] == 52


def test_every_position_is_nan(job, refused):
    lines = job.log.read_text().splitlines()
    spoilt = [lines[0]] + [",".join([c.split(",")[0], "nan", "inf", *c.split(",")[3:]]) for c in lines[1:]]
    job.log.write_text("\n".join(spoilt))
    assert "log.csv" in refused()


def test_some_positions_are_nan_or_infinite(job, accepted):
    lines = job.log.read_text().splitlines()
    for k, word in ((5, "nan"), (8, "inf"), (30, "-inf"), (33, "")):
        cells = lines[k].split(",")
        cells[1] = word
        lines[k] = ",".join(cells)
    job.log.write_text("\n".join(lines))
    document = accepted()
    assert document["quality"]["used"] == 48
    assert sum(entry["count"] for entry in document["quality"]["set_aside"]) == 4


def test_wrong_number_of_section_columns(job, refused):
    job.log.write_text(job.log.read_text().replace(",section_3", ",product", 1))
    text = refused()
    assert "2" in text
    assert "3" in text


def test_binary_rubbish(job, refused):
    job.log.write_bytes(bytes(range(256)) * 50)
    assert "log.csv" in refused()


def test_a_folder_given_as_log(job, refused):
    (job.folder / "deep").mkdir()
    refused(logs=[job.folder / "deep"])


# --- short and odd logs ---------------------------------------------------------------------------------------------
def test_three_rows(job, accepted):
    job.write_log([0, 0, 0], [0, 2, 4], [0, 1, 2], [1, 1, 0])
    assert accepted()["area"]["applied_m2"] == pytest.approx(48.0, rel=0.03)


@pytest.mark.parametrize("rows", [1, 2])
def test_fewer_rows(rows, job):
    job.write_log([0, 0][:rows], [10, 12][:rows], [0, 1][:rows])
    result = job.run()
    assert result.exit_code in (0, 2)
    assert isinstance(result.exception, SystemExit) or result.exception is None
    assert (result.exit_code == 0) == job.out.exists()


def test_never_sprays(job, accepted):
    text = job.log.read_text().replace(",1,1,1", ",0,0,0")
    job.log.write_text(text)
    document = accepted(code=1)
    area = document["area"]
    assert area["applied_m2"] == area["covered_m2"] == area["over_application_m2"] == 0.0
    assert area["skip_m2"] == area["target_m2"] > 0
    assert document["volume"]["applied_l"] == 0.0
    assert document["volume"]["closure_pct"] is None  # nothing was logged: unknown, not zero


def test_nothing_but_standing(job, accepted):
    n = 40
    job.write_log(np.zeros(n), np.full(n, 20.0), np.arange(n), 1, {"flow_l_min": [30.0] * n})
    document = accepted(code=1)
    assert document["area"]["applied_m2"] == 0.0
    assert document["volume"]["standing_l"] == pytest.approx(0.5 * 39)
    assert document["quality"]["standing_open_s"] == pytest.approx(39.0)


def test_two_identical_rows(job, accepted):
    lines = job.log.read_text().splitlines()
    job.log.write_text("\n".join([*lines[:10], lines[9], *lines[10:]]))
    document = accepted()
    assert {entry["reason"]: entry["count"] for entry in document["quality"]["set_aside"]} == {"duplicate": 1}


def test_time_gaps_everywhere(job, accepted):
    # every row 10 minutes after the last: steps are even, so the median bridges them; with a limit of 6 s none is
    y = np.arange(0, 50, 2.0)
    job.write_log(np.zeros(y.size), y, 600.0 * np.arange(y.size))
    document = accepted(code=1)
    assert document["quality"]["median_step_s"] == 600.0
    # pairs a second apart, ten minutes between them for 2 m: pauses on the spot, and only the pairs are swept
    t = np.concatenate([[600.0 * k, 600.0 * k + 1] for k in range(13)])
    job.out.rename(job.folder / "first")
    job.write_log(np.zeros(26), np.arange(0, 52, 2.0), t)
    document = accepted()
    assert document["quality"]["gaps"] >= 12 or document["quality"]["median_step_s"] > 100


def test_rows_in_no_order(job, accepted):
    lines = job.log.read_text().splitlines()
    order = np.random.default_rng(1).permutation(52)
    job.log.write_text("\n".join([lines[0], *(lines[1 + k] for k in order)]))
    document = accepted()
    assert document["area"]["overlap_m2"] == pytest.approx(50.0, abs=8.0)
    assert any("sorted by time" in text for text in document["quality"]["assumptions"])


def test_log_over_several_fields_takes_the_one_it_lies_in_most_or_the_one_named(job, accepted):
    boundary = json.loads(job.boundary.read_text())
    (feature,) = boundary["features"]
    other = json.loads(json.dumps(feature))
    other["properties"]["field_id"] = "Next"
    other["geometry"]["coordinates"] = [[[lon + 0.0003, lat] for lon, lat in feature["geometry"]["coordinates"][0]]]
    job.boundary.write_text(json.dumps({"type": "FeatureCollection", "features": [feature, other]}))
    y = np.arange(0, 51, 2.0)
    x = np.concatenate((np.zeros(26), np.full(26, 28.0), np.full(26, 8.0)))
    t = np.concatenate((np.arange(26.0), 60 + np.arange(26.0), 120 + np.arange(26.0)))
    job.write_log(x, np.concatenate((y, y[::-1], y)), t)
    # the way between the passes lies in gaps with spray on: told as unfit, and accounted for all the same
    assert accepted(code=1)["field"]["id"] == "Home"
    job.out.rename(job.folder / "first")
    assert accepted("--field", "Next", code=1)["field"]["id"] == "Next"


def test_unknown_field_names_those_there_are(refused):
    assert "Home" in refused("--field", "Hoem")


# --- boundaries ---------------------------------------------------------------------------------------------------
def test_boundary_of_another_place_tells_the_distance(job, refused):
    job.write_boundary([(70_000, 0), (70_023, 0), (70_023, 50), (70_000, 50)])
    text = refused()
    assert "70 km" in text or "70.0 km" in text


def test_self_crossing_boundary_is_mended_and_said(job, accepted):
    job.write_boundary([(-6, 0), (17, 50), (17, 0), (-6, 50)])  # a bow-tie: two triangles of 23 x 50 / 4
    document = accepted()
    assert document["field"]["boundary_area_m2"] == pytest.approx(2 * 23 * 50 / 4, rel=1e-3)
    assert document["field"]["notes"]


def test_boundary_in_another_crs_is_brought_to_the_plane(job, accepted):
    import geopandas

    path = job.folder / "field.gpkg"
    geopandas.read_file(job.boundary).to_crs(28355).to_file(path, driver="GPKG")  # a projected CRS in metres
    here = accepted()
    job.out.rename(job.folder / "first")
    there = accepted(boundary=str(path))
    assert there["area"]["target_m2"] == pytest.approx(here["area"]["target_m2"], rel=1e-4)


@pytest.mark.parametrize("text", ["", "{}", '{"type":"FeatureCollection","features":[]}', "not json at all"])
def test_boundary_files_with_nothing_in_them(text, job, refused):
    job.boundary.write_text(text)
    assert "field.geojson" in refused()


def test_boundary_of_points(job, refused):
    point = {"type": "Point", "coordinates": [148.0, -33.5]}
    feature = {"type": "Feature", "properties": {}, "geometry": point}
    job.boundary.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    refused()


def test_derived_boundary_is_marked(accepted):
    document = accepted(boundary="derive")
    assert document["field"]["boundary"] == "derived"
    assert document["area"]["outside_m2"] < 0.01 * document["area"]["applied_m2"]


def test_nothing_to_derive_a_boundary_from(job, refused):
    job.log.write_text(job.log.read_text().replace(",1,1,1", ",0,0,0"))
    assert "boundary" in refused(boundary="derive")


# --- the machine file ----------------------------------------------------------------------------------------------
def test_six_faults_all_told(job, refused):
    job.machine.write_text(
        'name = ""\n[boom]\nnozzle_count = 24\nnozzle_spacing_m = "0.5"\nsections = [8, 8]\n'
        "[antenna]\nahead_of_boom_m = nan\n[valves]\non_delay = 0.4\noff_delay_s = -1\n"
    )
    text = refused()
    assert "6 faults" in text
    for name in ("name", "nozzle_spacing_m", "sections", "ahead_of_boom_m", "on_delay", "off_delay_s"):
        assert name in text


def test_machine_file_that_is_no_toml(job, refused):
    job.machine.write_text("name: twelve\n- boom\n")
    assert "machine.toml" in refused()


# --- where results go -------------------------------------------------------------------------------------------------
def test_existing_results_are_refused_then_replaced_when_told(job, accepted):
    accepted()
    first = (job.out / "ledger.json").read_bytes()
    result = job.run()
    assert result.exit_code == 2
    assert "--overwrite" in result.output
    assert (job.out / "ledger.json").read_bytes() == first
    accepted("--overwrite")
    assert (job.out / "ledger.json").read_bytes() == first  # the same bytes on every run


def test_overwrite_replaces_nothing_but_earlier_results(job, refused):
    job.out.mkdir()
    (job.out / "thesis.txt").write_text("years of work")
    refused("--overwrite")
    assert (job.out / "thesis.txt").read_text() == "years of work"


def test_a_failed_run_leaves_earlier_results_alone(job, accepted, refused):
    accepted()
    first = {path.name: path.read_bytes() for path in job.out.iterdir() if path.is_file()}
    job.log.write_text(HEADER + "\n")
    refused("--overwrite")
    assert {path.name: path.read_bytes() for path in job.out.iterdir() if path.is_file()} == first


def test_output_is_a_file(job, refused):
    job.out.write_text("a file")
    refused()
    assert job.out.read_text() == "a file"


def test_empty_folder_is_taken(job, accepted):
    job.out.mkdir()
    accepted()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_unwritable_parent(job, refused):
    job.folder.chmod(0o500)
    try:
        assert "cannot be written" in refused()
    finally:
        job.folder.chmod(0o700)


def test_parent_that_is_a_file(job, refused):
    (job.folder / "wall").write_text("")
    result = job.run("--out", str(job.folder / "wall" / "out"))
    assert result.exit_code == 2
    assert "Traceback" not in result.output


# --- arguments -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "more",
    [
        ("--cell", "0"),
        ("--cell", "-1"),
        ("--cell", "nan"),
        ("--cell", "inf"),
        ("--cell", "ten"),
        ("--off-when-covered", "0"),
        ("--off-when-covered", "1.5"),
        ("--groups", "boom,boom"),
        ("--groups", "0"),
        ("--groups", "left"),
        ("--units", "furlongs"),
        ("--threads", "0"),
        ("--no-such-option",),
    ],
)
def test_arguments_out_of_range(more, refused):
    text = refused(*more)
    assert "Error" in text or "Usage" in text


@pytest.mark.parametrize(("cell", "hint"), [("1e-9", "larger cells"), ("1e9", "smaller cells")])
def test_cells_beyond_reason(cell, hint, refused):
    assert hint in refused("--cell", cell)


def test_cells_wider_than_the_field(accepted):
    accepted("--cell", "50")


# --- the program itself ---------------------------------------------------------------------------------------------
def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "swathledger_cli.main", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)


def test_exit_codes_of_the_program(job):
    common = ("--boundary", job.boundary, "--machine", job.machine, "--cell", "0.25", "--groups", "boom")
    done = run("audit", job.log, *common, "--out", job.out)
    assert done.returncode == 0, done.stderr
    again = run("audit", job.log, *common, "--out", job.out)
    assert again.returncode == 2
    assert again.stdout == ""
    assert again.stderr.startswith("Error: ")
    assert "Traceback" not in again.stderr
    y = np.arange(0, 50, 2.0)
    job.write_log(np.zeros(25), y, np.arange(25.0))  # without the silent stretch between the passes
    fit = run("check", job.log, "--machine", job.machine)
    assert fit.returncode == 0, fit.stdout + fit.stderr
    job.log.write_text(job.log.read_text().replace(",1,1,1", ",0,0,0"))
    assert run("check", job.log, "--machine", job.machine).returncode == 1  # records no spraying: not fit


@pytest.mark.slow
def test_a_million_rows(job, accepted):
    # 10 Hz for 28 hours round and round a field of 1 ha, coarse cells: it must come through
    n = 1_000_000
    s = 0.3 * np.arange(n)  # 3 m/s
    lap = 50.0
    y = np.abs((s % (2 * lap)) - lap)
    x = 0.001 * s % 11.0
    job.write_log(x, y, 0.1 * np.arange(n))
    document = accepted("--cell", "0.5")
    assert document["quality"]["epochs"] == n
