"""Which log belongs to which field: by content and place, never by name."""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from swathledger.errors import InputError, OutputError
from swathledger.season.find import preview as peeking
from swathledger.season.find.match import match, write_manifest
from swathledger.season.manifest.manifest import read_manifest
from swathledger.words import say, say_all

from .conftest import START, lanes, log_text, road

HOUR = 3600


def found(farm, **options):
    return match(farm.logs, farm.boundaries, [(farm.machine, None)], farm.folder / "season.toml", **options)


def reasons(matched):
    return {Path(item.file).name: say(item.reason) for item in matched.unplaced}


def test_each_log_finds_its_field_whatever_its_name(make_farm):
    farm = make_farm(3, with_logs=False)
    farm.log("zz/export (1).csv", log_text(lanes(2)))
    farm.log("New folder/Äcker!/a.csv", log_text(lanes(0), start=START + HOUR))
    matched = found(farm)
    assert [(job.field, job.logs[0].file) for job in matched.jobs] == [
        ("plot 3", "logs/zz/export (1).csv"),
        ("plot 1", "logs/New folder/Äcker!/a.csv"),
    ]
    assert [item.field for item in matched.missing] == ["plot 2"]
    assert matched.unplaced == ()
    assert matched.jobs[0].product == "herbicide A"
    # 06:26 UTC at 123 degrees east is 14:38 by the sun.
    assert matched.jobs[0].day == dt.date(2026, 8, 6)


def test_the_day_is_that_of_the_sun_over_the_field(make_farm):
    farm = make_farm(1, with_logs=False)
    # 2026-08-05 18:00 UTC is 02:12 of the next day by the sun at 123 degrees east.
    late = int(dt.datetime(2026, 8, 5, 18, tzinfo=dt.UTC).timestamp())
    farm.log("a.csv", log_text(lanes(0), start=late))
    assert found(farm).jobs[0].day == dt.date(2026, 8, 6)


def test_a_log_over_two_fields_is_split_between_them(make_farm):
    farm = make_farm(2, with_logs=False)
    first, second = lanes(0), lanes(1)
    farm.log("both.csv", log_text([*first, *second]))
    matched = found(farm)
    assert [job.field for job in matched.jobs] == ["plot 1", "plot 2"]
    one, two = (job.logs[0].spans for job in matched.jobs)
    # The track jumps from one field's headland to the other's: the cut lies between those two rows.
    cut = START + len(first) - 0.5
    assert one == ((-np.inf, cut),)
    assert two == ((cut, np.inf),)


def test_the_cut_is_where_the_track_comes_nearer_to_the_next_field(make_farm):
    farm = make_farm(2, with_logs=False)
    first, second = lanes(0), lanes(1)
    # The last pass of the first field ends at (57, -6); the road goes east to (103, -6). Its middle, x = 80 m, is as
    # far from one field (which ends at 60 m) as from the other (which begins at 100 m).
    way = [(58.5 + step, -6.0, 0) for step in range(45)]
    farm.log("both.csv", log_text([*first, *way, *second]))
    spans = found(farm).jobs[0].logs[0].spans
    cut_row = len(first) + [x for x, _, _ in way].index(80.5)
    assert spans == ((-np.inf, START + cut_row - 0.5),)


def test_a_field_left_and_entered_again_keeps_both_stretches(make_farm):
    farm = make_farm(2, with_logs=False)
    half = lanes(0)[: 19 * 5], lanes(0)[19 * 5 :]
    farm.log("x.csv", log_text([*half[0], *lanes(1), *half[1]]))
    jobs = {job.field: job for job in found(farm).jobs}
    assert len(jobs["plot 1"].logs[0].spans) == 2
    assert len(jobs["plot 2"].logs[0].spans) == 1


def test_the_stretches_of_a_log_are_each_audited_alone(make_farm):
    from swathledger.log.read import read_log

    farm = make_farm(2, with_logs=False)
    path = farm.log("both.csv", log_text([*lanes(0), *lanes(1)]))
    manifest = read_back(farm, found(farm))
    parts = [read_log([path], spans=[job.logs[0].spans]) for job in manifest.jobs]
    assert [len(part) for part in parts] == [190, 190]
    for part in parts:
        assert {item.reason: item.count for item in part.quality.set_aside} == {"outside_span": 190}
        assert part.quality.epochs - part.quality.used == 190
    assert parts[0].longitude_deg.max() < parts[1].longitude_deg.min()


def read_back(farm, matched):
    out = farm.folder / "season.toml"
    write_manifest(matched, out, overwrite=True)
    return read_manifest(out)


def test_a_field_driven_across_with_the_boom_shut_is_not_treated(make_farm):
    farm = make_farm(2, with_logs=False)
    crossing = [(x, y, 0) for x, y, _ in lanes(1)[:60]]
    farm.log("a.csv", log_text([*lanes(0), *crossing]))
    matched = found(farm)
    assert [job.field for job in matched.jobs] == ["plot 1"]
    assert matched.jobs[0].logs[0].spans is None
    assert say(matched.missing[0].reason) == "only passed through, by logs/a.csv"


def test_turns_over_the_neighbour_are_no_visit(make_farm):
    farm = make_farm(2, with_logs=False)
    rows = []
    for number in (0, 1):
        for index, row in enumerate(lanes(number)):
            rows.append(row)
            if number == 0 and index % 38 == 37:  # five seconds, spraying, on the other field
                rows += [(110.0, 10.0 + 4 * step, 1) for step in range(5)]
    farm.log("a.csv", log_text(rows))
    spans = {job.field: job.logs[0].spans for job in found(farm).jobs}
    assert len(spans["plot 1"]) == len(spans["plot 2"]) == 1


def test_two_logs_of_one_field_and_day_are_one_job(make_farm):
    farm = make_farm(1, with_logs=False)
    farm.log("b.csv", log_text(lanes(0)[:95]))
    farm.log("a.csv", log_text(lanes(0)[95:], start=START + 2 * HOUR))
    matched = found(farm)
    assert len(matched.jobs) == 1
    assert [log.file for log in matched.jobs[0].logs] == ["logs/b.csv", "logs/a.csv"]


def test_a_job_past_midnight_stays_one(make_farm):
    farm = make_farm(1, with_logs=False)
    # 15:40 UTC is 23:52 by the sun.
    late = int(dt.datetime(2026, 8, 5, 15, 40, tzinfo=dt.UTC).timestamp())
    farm.log("a.csv", log_text(lanes(0)[:95], start=late))
    farm.log("b.csv", log_text(lanes(0)[95:], start=late + HOUR))
    assert len(found(farm).jobs) == 1


@pytest.mark.parametrize(("later_s", "product"), [(24 * HOUR, "herbicide A"), (HOUR, "fungicide B")])
def test_another_day_or_product_is_another_job(make_farm, later_s, product):
    farm = make_farm(1, with_logs=False)
    farm.log("a.csv", log_text(lanes(0)))
    farm.log("b.csv", log_text(lanes(0), start=START + later_s, product=product))
    jobs = found(farm).jobs
    assert len(jobs) == 2
    assert len({job.id for job in jobs}) == 2


def test_a_change_of_product_within_a_log_splits_it(make_farm):
    farm = make_farm(1, with_logs=False)
    one = log_text(lanes(0)[:95])
    two = log_text(lanes(0)[95:], start=START + 95, product="fungicide B")
    farm.log("a.csv", one + two.split("\n", 1)[1])
    jobs = found(farm).jobs
    assert [(job.product, job.logs[0].spans) for job in jobs] == [
        ("herbicide A", ((-np.inf, START + 94.5),)),
        ("fungicide B", ((START + 94.5, np.inf),)),
    ]


def test_two_machines_at_the_same_time_are_not_joined(make_farm):
    farm = make_farm(1, with_logs=False)
    farm.log("a.csv", log_text(lanes(0)))
    farm.log("b.csv", log_text([(x + 0.5, 60.0 - y, on) for x, y, on in lanes(0)], start=START + 30))
    assert len(found(farm).jobs) == 2


def test_what_has_no_place_is_listed_with_the_reason(make_farm):
    farm = make_farm(2)
    farm.log("road.csv", log_text(road(), start=START + 20 * HOUR))
    farm.log("notes.txt", "Spoke to nobody about anything.\n")
    farm.log("photo.jpg", "\x01\x02\x03\x04\x05\x06" * 100)
    farm.log("empty.csv", "")
    shutil.copy(farm.logs / "00.csv", farm.logs / "copy of 00.csv")
    shutil.copy(farm.boundaries, farm.logs / "b.geojson")
    whole = (farm.logs / "01.csv").read_text()
    farm.log("part.csv", whole[: int(0.6 * len(whole))])
    farm.log("crlf.csv", whole.replace("\n", "\r\n"))
    (farm.logs / "half.parquet").write_bytes(b"PAR1" + bytes(range(200)))
    (farm.logs / ".hidden.csv").write_text(whole)
    matched = found(farm)
    said = reasons(matched)
    assert {job.field: [log.file for log in job.logs] for job in matched.jobs} == {
        "plot 1": ["logs/00.csv"],
        "plot 2": ["logs/01.csv"],
    }
    # 300 m on the ellipsoid; the sphere that measures it is longer by 0.25 % here.
    assert said["road.csv"] == "a log that lies in no field; the nearest is plot 1, 300 m away"
    assert said["notes.txt"].startswith("no log:")
    assert said["photo.jpg"].startswith("no log:")
    assert "empty" in said["empty.csv"]
    assert said["copy of 00.csv"] == "the same bytes as logs/00.csv"
    assert said["b.geojson"].startswith("a boundary, not a log")
    assert said["part.csv"].startswith("all its rows are also in logs/01.csv")
    assert said["part.csv"].endswith("it was cut short")
    assert said["crlf.csv"] == "the same rows as logs/01.csv"
    assert said["half.parquet"].startswith("no log")
    assert len(said) == 9


def test_a_log_cut_short_that_nothing_else_holds_is_kept_and_told(make_farm):
    farm = make_farm(1, with_logs=False)
    text = log_text(lanes(0))
    farm.log("a.csv", text[: text.rfind(",100.0")])
    matched = found(farm)
    assert len(matched.jobs) == 1
    assert matched.jobs[0].remarks[0].code == "match.cut_short"


def test_a_log_of_another_machine_is_told(make_farm):
    farm = make_farm(1)
    farm.machine.write_text('name = "three"\n[boom]\nwidth_m = 6.0\nnozzle_count = 12\nsections = [4, 4, 4]\n')
    assert reasons(found(farm))["00.csv"] == (
        "a log that does not fit the machine: it has 2 sections, and 'three' has 3 sections and 12 nozzles"
    )


def three_sections(farm, name="three.toml"):
    path = farm.folder / name
    path.write_text('name = "three"\n[boom]\nnozzle_spacing_m = 0.5\nnozzle_count = 12\nsections = [4, 4, 4]\n')
    return path


def test_several_machines_are_told_apart_by_their_sections(make_farm):
    farm = make_farm(2)
    other = three_sections(farm)
    text = (farm.logs / "01.csv").read_text().replace("section_2,", "section_2,section_3,")
    farm.log(
        "01.csv",
        "\n".join(
            line if number == 0 else line.replace(",100.0", ",0,100.0") for number, line in enumerate(text.split("\n"))
        ),
    )
    matched = match(farm.logs, farm.boundaries, [(farm.machine, None), (other, None)], farm.folder / "s.toml")
    assert [(job.field, job.machine) for job in matched.jobs] == [("plot 1", "machine.toml"), ("plot 2", "three.toml")]
    assert say_all(matched.jobs[1].remarks) == ["01.csv: the machine was told by its 3 sections."]


def test_a_log_that_fits_two_machines_is_not_guessed(make_farm):
    farm = make_farm(1)
    twin = farm.folder / "twin.toml"
    twin.write_text(farm.machine.read_text().replace("six metres", "twin"))
    matched = match(farm.logs, farm.boundaries, [(farm.machine, None), (twin, None)], farm.folder / "s.toml")
    assert matched.jobs == ()
    assert reasons(matched)["00.csv"] == (
        "a log that fits 'six metres' and 'twin'; say which by a machine for its folder"
    )


def test_a_folder_has_its_own_machine(make_farm):
    farm = make_farm(2, with_logs=False)
    twin = farm.folder / "twin.toml"
    twin.write_text(farm.machine.read_text().replace("six metres", "twin"))
    farm.log("a.csv", log_text(lanes(0)))
    farm.log("north/deep/b.csv", log_text(lanes(1)))
    out = farm.folder / "s.toml"
    matched = match(farm.logs, farm.boundaries, [(farm.machine, None), (twin, farm.logs / "north")], out)
    write_manifest(matched, out)
    read = read_manifest(out)
    assert {job.field: job.machine for job in read.jobs} == {"plot 1": "machine.toml", "plot 2": "twin.toml"}
    assert "[[machine_rules]]" in matched.text


def test_clients_from_folders(make_farm):
    farm = make_farm(2, with_logs=False)
    farm.log("Weir & Son/a.csv", log_text(lanes(0)))
    farm.log("Old Mill/x/b.csv", log_text(lanes(1)))
    jobs = found(farm, clients_from_folders=True).jobs
    assert {job.field: (job.client, job.client_folder) for job in jobs} == {
        "plot 1": ("Weir & Son", "Weir-Son"),
        "plot 2": ("Old Mill", "Old-Mill"),
    }


def test_folders_of_results_are_not_searched(make_farm):
    farm = make_farm(1)
    results = farm.logs / "out"
    results.mkdir()
    (results / "season.json").write_text("{}")
    shutil.copy(farm.logs / "00.csv", results / "zz.csv")
    matched = found(farm)
    assert [(item.file, say(item.reason)) for item in matched.unplaced] == [
        ("logs/out/", "a folder of results (it holds season.json)")
    ]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")
def test_a_name_that_is_not_text_is_told(make_farm):
    farm = make_farm(1)
    target = os.fsencode(farm.logs) + b"/\xff\xfe.csv"
    try:
        with open(target, "wb") as stream:  # noqa: PTH123  # a Path cannot hold such a name plainly
            stream.write(b"time\n")
    except OSError:
        pytest.skip("this disk takes only text as names")
    matched = found(farm)
    assert say(matched.unplaced[0].reason) == "its name is not text in UTF-8; rename it"
    matched.text.encode("utf-8")


def test_geojson_logs_and_columns_of_other_names(make_farm):
    farm = make_farm(1, with_logs=False)
    farm.machine.write_text(farm.machine.read_text().replace("[rate]", '[columns]\ntime = "when"\n[rate]'))
    lines = log_text(lanes(0)).splitlines()
    names = lines[0].split(",")
    features = []
    for line in lines[1:]:
        row = dict(zip(names, line.split(","), strict=True))
        place = {"type": "Point", "coordinates": [float(row["longitude"]), float(row["latitude"])]}
        properties = {"when": int(row["time"]), "section_1": int(row["section_1"]), "section_2": int(row["section_2"])}
        features.append({"type": "Feature", "geometry": place, "properties": properties})
    farm.log("track", json.dumps({"type": "FeatureCollection", "features": features}))
    assert [job.field for job in found(farm).jobs] == ["plot 1"]


def test_a_large_log_is_read_in_samples_and_found_all_the_same(make_farm, monkeypatch):
    farm = make_farm(2, with_logs=False)
    rows = [row for _ in range(60) for row in lanes(0)]
    farm.log("large.csv", log_text(rows))
    farm.log("mixed.csv", log_text([*rows, *lanes(1)], start=START + 30 * HOUR))
    whole = found(farm)
    monkeypatch.setattr(peeking, "WHOLE_BYTES", 1 << 18)
    seen = peeking.peek(farm.logs / "large.csv", {}, {})
    assert not seen.whole
    assert 0 < seen.time_s.size < len(rows) / 2
    assert seen.time_s[-1] == START + len(rows) - 1  # the end of the drive is among the samples
    assert found(farm).text == whole.text


def test_the_same_folder_gives_the_same_manifest(make_farm):
    farm = make_farm(3)
    assert found(farm).text == found(farm).text


def test_a_manifest_is_not_overwritten_by_accident(make_farm):
    farm = make_farm(1)
    matched = found(farm)
    out = farm.folder / "season.toml"
    write_manifest(matched, out)
    with pytest.raises(OutputError, match="corrections made in it would be lost"):
        write_manifest(matched, out)


def test_no_folder(make_farm):
    farm = make_farm(1)
    with pytest.raises(InputError, match="is not a folder"):
        match(farm.boundaries, farm.boundaries, [(farm.machine, None)], farm.folder / "s.toml")


def test_real_drives_as_one_folder(field_logs, tmp_path):
    """Eight logs land on seven fields: F14 and F15 are two logs of one (README of the data)."""
    for number, path in enumerate(sorted(field_logs.glob("F*.csv"), reverse=True)):
        (tmp_path / "in" / f"folder {number % 3}").mkdir(parents=True, exist_ok=True)
        shutil.copy(path, tmp_path / "in" / f"folder {number % 3}" / f"{number}.dat")
    machine = tmp_path / "m.toml"
    machine.write_text(
        'name = "nine metres"\n[boom]\nwidth_m = 9.0\n[columns]\ntime = "timestamp"\nspeed_km_h = "ground_speed_kmh"\n'
    )
    matched = match(tmp_path / "in", field_logs / "boundaries.geojson", [(machine, None)], tmp_path / "season.toml")
    assert matched.logs == 8
    assert matched.unplaced == matched.missing == ()
    # sorted backwards: 0 F20, 1 F15, 2 F14, 3 F09, 4 F05, 5 F04, 6 F03, 7 F01
    assert {job.field: [Path(log.file).name for log in job.logs] for job in matched.jobs} == {
        "F01": ["7.dat"],
        "F03": ["6.dat"],
        "F04": ["5.dat"],
        "F05": ["4.dat"],
        "F09": ["3.dat"],
        "F14": ["2.dat", "1.dat"],
        "F20": ["0.dat"],
    }


def test_task_data_is_matched_by_its_time_logs(shared_dir, tmp_path):
    """The same drives in their original form: each time log is a log, its header and TASKDATA.XML go with it."""
    from swathledger.season.manifest.inputs import files_of

    source, boundaries = shared_dir / "iso11783", shared_dir / "field_logs" / "boundaries.geojson"
    if not source.is_dir() or not boundaries.is_file():
        pytest.skip("the task data are not there")
    shutil.copytree(source, tmp_path / "in" / "stick")
    machine = tmp_path / "m.toml"
    machine.write_text('name = "nine metres"\n[boom]\nwidth_m = 9.0\n')
    matched = match(tmp_path / "in", boundaries, [(machine, None)], tmp_path / "season.toml")
    assert {job.field: [Path(log.file).name for log in job.logs] for job in matched.jobs} == {
        "F03": ["TLG00003.bin"],
        "F05": ["TLG00005.bin"],
        "F14": ["TLG00019.bin", "TLG00020.bin"],
    }
    assert matched.unplaced == ()
    assert {path.name for path in files_of(tmp_path / "in" / "stick" / "TLG00003.bin")} == {
        "TASKDATA.XML",
        "TLG00003.bin",
        "TLG00003.xml",
    }
