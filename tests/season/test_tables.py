"""Tables of a season: totals are the sums of their parts, clients stay apart, cells stay inert."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pyarrow.parquet as pq
import pyogrio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.documents.document import plain
from swathledger.season.manifest.manifest import Job, JobLog, read_manifest
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season
from swathledger.season.tables.columns import FIELDS, REPLAY, SUMMED_AREAS, SUMMED_VOLUMES
from swathledger.season.tables.summary import Parts, by_layout, season_document
from swathledger.season.tables.write import cell, write_csv, write_parquet
from swathledger.text import inert

from .conftest import START, lanes, log_text, make_farm_in, tree, write_season


def season(manifest, out):
    return run_season(read_manifest(manifest), out, pool=InlinePool())


def rows_of(path):
    return pq.read_table(path).to_pylist()


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Two clients; one field treated twice, one job that fails, one field of nobody, a name that is a formula."""
    farm = make_farm_in(
        tmp_path_factory.mktemp("tables") / "farm", 5, names=["=1+1", "b", "c", "d", "e"], with_logs=False
    )
    for number in range(3):
        farm.log(f"{number}.csv", log_text(lanes(number), start=START + 3600 * number))
    farm.log("again.csv", log_text(lanes(1, passes=8), start=START + 86_400, product="fungicide B"))
    farm.log("bad.csv", log_text(lanes(3), start=START + 90_000))
    farm.log("readme.txt", "nothing here")
    manifest = write_season(farm)
    farm.log("bad.csv", "time,latitude,longitude\n")
    text = manifest.read_text()
    for name, client in (("=1+1", "Weir & Son"), ("b", "Weir & Son"), ("c", "Old Mill"), ("d", "Old Mill")):
        text = text.replace(f'field = "{name}"\nproduct', f'field = "{name}"\nclient = "{client}"\nproduct')
    manifest.write_text(text)
    out = farm.folder / "out"
    return out, season(manifest, out), manifest


def test_one_row_a_job_and_one_a_job_and_layout(whole):
    out, done, _ = whole
    fields, replay = rows_of(out / "fields.parquet"), rows_of(out / "replay.parquet")
    assert [row["job"] for row in fields] == [
        "1-1-2026-08-06-herbicide-A",
        "b-2026-08-06-herbicide-A",
        "c-2026-08-06-herbicide-A",
        "b-2026-08-07-fungicide-B",
        "d-2026-08-07-herbicide-A",
    ]
    assert [row["status"] for row in fields] == ["done"] * 4 + ["failed"]
    assert [(row["treatment"], row["treatments"]) for row in fields] == [(1, 1), (1, 2), (1, 1), (2, 2), (1, 1)]
    assert len(replay) == 4 * 2
    assert {(row["job"], row["label"]) for row in replay} == {
        (row["job"], label) for row in fields[:4] for label in ("boom", "nozzle")
    }
    assert list(done.failed) == ["d-2026-08-07-herbicide-A"]
    failed = fields[4]
    assert "there is a header but no row" in failed["reason"]
    assert failed["target_m2"] is None  # not known, and not zero


def test_rows_are_what_the_ledgers_say(whole):
    out, _, _ = whole
    for row in rows_of(out / "fields.parquet")[:4]:
        folder = {"Weir & Son": "Weir-Son", "Old Mill": "Old-Mill"}[row["client"]]
        ledger = json.loads((out / folder / row["job"] / "ledger.json").read_text())
        assert row["field"] == ledger["field"]["id"]
        for name in SUMMED_AREAS:
            assert row[name] == ledger["area"][name]
        assert row["over_applied_l"] == ledger["volume"]["over_applied_l"]
        assert row["cause_outside_m2"] == ledger["cause"][0]["area_m2"]
        assert row["epochs"] == ledger["quality"]["epochs"]
        # 60 m by 60 m.
        assert row["target_m2"] == pytest.approx(3600, rel=0.01)


def test_totals_are_the_sums_of_the_parts(whole):
    out, _, _ = whole
    documents = {
        folder: json.loads((out / folder / "season.json").read_text()) for folder in (".", "Weir-Son", "Old-Mill")
    }
    fields = [row for row in rows_of(out / "fields.parquet") if row["status"] == "done"]
    total = documents["."]["totals"]
    for name in (*SUMMED_AREAS, *SUMMED_VOLUMES):
        assert total[name] == pytest.approx(math.fsum(row[name] for row in fields), rel=1e-11, abs=1e-9)
        parts = [documents[folder]["totals"][name] for folder in ("Weir-Son", "Old-Mill")]
        assert total[name] == pytest.approx(math.fsum(parts), rel=1e-11, abs=1e-9)
    for number, cause in enumerate(total["cause"]):
        parts = [documents[folder]["totals"]["cause"][number]["area_m2"] for folder in ("Weir-Son", "Old-Mill")]
        assert cause["area_m2"] == pytest.approx(math.fsum(parts))
    # The ledger's own identities hold for the sums.
    assert total["applied_m2"] == pytest.approx(
        total["covered_m2"] + total["overlap_extra_m2"] + total["outside_m2"] + total["excluded_m2"]
    )
    assert total["target_m2"] == pytest.approx(total["covered_m2"] + total["skip_m2"])
    layouts = {item["label"]: item for item in documents["."]["replay"]}
    for label in ("boom", "nozzle"):
        own = [row for row in rows_of(out / "replay.parquet") if row["label"] == label]
        assert layouts[label]["over_application_m2"] == pytest.approx(math.fsum(r["over_application_m2"] for r in own))
        assert layouts[label]["saved_l"] == pytest.approx(math.fsum(row["saved_l"] for row in own), abs=1e-9)
        assert layouts[label]["jobs"] == 4


def test_means_weigh_every_field_by_its_area(whole):
    out, done, _ = whole
    fields = [row for row in rows_of(out / "fields.parquet") if row["status"] == "done"]
    weighted = sum(row["over_application_pct"] * row["target_m2"] for row in fields) / sum(
        row["target_m2"] for row in fields
    )
    assert plain(done.document)["means"]["over_application_pct"] == pytest.approx(weighted)


def test_rankings_put_the_most_first(whole):
    _, done, _ = whole
    ranking = plain(done.document)["ranking"]
    for name, key in (("by_litres", "over_applied_l"), ("by_area", "over_application_m2")):
        values = [row[key] for row in ranking[name]]
        assert values == sorted(values, reverse=True)
        assert [row["rank"] for row in ranking[name]] == [1, 2, 3]
    assert {row["field"]: row["treatments"] for row in ranking["by_area"]} == {"=1+1": 1, "b": 2, "c": 1}
    # The fungicide has no price: what the field's money is comes of its herbicide alone.
    (money,) = ranking["by_money"]
    assert money["currency"] == "AUD"
    assert {row["field"] for row in money["fields"]} == {"=1+1", "b", "c"}


def test_money_of_the_over_applied_litres(whole):
    out, done, _ = whole
    row = rows_of(out / "fields.parquet")[0]
    # 100 L/ha of spray hold 2 L/ha of product at 10 a litre: 0.2 a litre of spray.
    assert row["over_applied_money"] == pytest.approx(0.2 * row["over_applied_l"])
    assert row["applied_money"] == pytest.approx(0.2 * row["applied_l"])
    assert (row["currency"], row["money_basis"]) == ("AUD", "litres")
    assert rows_of(out / "fields.parquet")[3]["over_applied_money"] is None  # fungicide B is not in the machine file
    (total,) = plain(done.document)["totals"]["money"]
    assert total["jobs"] == 3


def test_repeated_treatments_and_records_missing_or_unfit(whole):
    _, done, _ = whole
    document = plain(done.document)
    assert document["repeated"] == [
        {
            "client": "Weir & Son",
            "field": "b",
            "jobs": [
                {"job": "b-2026-08-06-herbicide-A", "product": "herbicide A", "day": "2026-08-06"},
                {"job": "b-2026-08-07-fungicide-B", "product": "fungicide B", "day": "2026-08-07"},
            ],
        }
    ]
    assert [item["job"] for item in document["unfit"]] == ["d-2026-08-07-herbicide-A"]
    assert [Path(item["file"]).name for item in document["unplaced"]] == ["readme.txt"]
    assert document["missing"] == [{"field": "e", "reason": "no log lies in it"}]
    assert document["jobs"] == {"all": 5, "done": 4, "failed": 1}


def test_nothing_of_one_client_is_in_anothers_binder(whole):
    out, _, _ = whole
    ours = {
        "Weir-Son": (["Weir & Son", "=1+1"], ["Old Mill", "c-2026", "d-2026"]),
        "Old-Mill": (["Old Mill", "c-2026"], ["Weir", "1+1", "b-2026"]),
    }
    for folder, (own, others) in ours.items():
        files = [path for path in (out / folder).rglob("*") if path.is_file()]
        text = b"\n".join(path.read_bytes() for path in files if path.suffix != ".parquet")
        tables = [pq.read_table(path).to_pylist() for path in files if path.suffix == ".parquet"]
        words = text + json.dumps(tables, default=str).encode()
        for word in own:
            assert word.encode() in words or word.replace("&", "&amp;").encode() in words
        for word in others:
            assert word.encode() not in words, f"{word} in the binder {folder}"
        document = json.loads((out / folder / "season.json").read_text())
        assert document["unplaced"] == document["missing"] == []


def test_a_reason_that_names_anothers_field_stays_out_of_the_binder(whole, tmp_path):
    out, _, manifest = whole
    text = manifest.read_text().replace('field = "c"', 'field = "bb"')
    changed = manifest.with_name("changed.toml")
    changed.write_text(text)
    done = season(changed, tmp_path / "out")
    assert "Did you mean b" in done.failed["c-2026-08-06-herbicide-A"]
    binder = json.loads((tmp_path / "out" / "Old-Mill" / "season.json").read_text())
    reasons = {item["job"]: item["reason"] for item in binder["unfit"]}
    assert reasons["c-2026-08-06-herbicide-A"].startswith("could not be audited; the reason names what belongs to")
    assert out.exists()


def test_csv_says_what_parquet_says_and_runs_no_formula(whole):
    out, _, _ = whole
    with (out / "fields.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    tables = rows_of(out / "fields.parquet")
    assert list(rows[0]) == list(FIELDS) == list(tables[0])
    assert rows[0]["field"] == "'=1+1"
    for row, table in zip(rows, tables, strict=True):
        for name, kind in FIELDS.items():
            if kind == "number":
                assert row[name] == ("" if table[name] is None else repr(table[name]))
            assert not row[name].startswith(("=", "@", "\t")), row[name]


@pytest.mark.parametrize("text", ["=A1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1"])
def test_formulas_are_made_inert(text):
    assert inert(text).startswith("'")
    assert inert(text).endswith(text.strip())
    assert "\n" not in inert(text)
    assert inert("a" + text) == "a" + text.replace("\n", " ").replace("\r", " ")


def test_numbers_below_zero_stay_numbers():
    assert cell(-1.5) == "-1.5"
    assert cell(None) == ""
    assert cell(True) == "true"


def test_layers_of_the_geopackage(whole):
    out, _, _ = whole
    path = out / "season.gpkg"
    assert [(name, kind) for name, kind in pyogrio.list_layers(path)] == [
        ("fields", "MultiPolygon"),
        ("jobs", "MultiPolygon"),
    ]
    jobs = pyogrio.read_dataframe(path, layer="jobs")
    fields = pyogrio.read_dataframe(path, layer="fields")
    assert len(jobs) == 4
    assert list(fields["field"]) == ["=1+1", "b", "c"]
    assert list(fields["treatments"]) == [1, 2, 1]
    areas = fields.to_crs(fields.estimate_utm_crs()).area
    assert areas.to_numpy() == pytest.approx(3600, rel=0.01)
    assert fields["over_application_m2"].sum() == pytest.approx(jobs["over_application_m2"].sum())


def test_a_derived_boundary_comes_from_the_results(tmp_path):
    farm = make_farm_in(tmp_path / "farm", 1)
    manifest = write_season(farm)
    manifest.write_text(manifest.read_text().replace("product = ", 'boundary = "derive"\nproduct = '))
    done = season(manifest, tmp_path / "out")
    assert not done.failed
    jobs = pyogrio.read_dataframe(tmp_path / "out" / "season.gpkg", layer="jobs")
    assert list(jobs["boundary"]) == ["derived"]
    assert jobs.geometry[0].is_valid
    assert "derived" in plain(done.document)["doubtful"][0]["reasons"][-1]
    assert tree(tmp_path / "out").keys() >= {"season.gpkg", "fields.csv"}


# --- identities of the summary, whatever the figures ------------------------------------------------------------------
amounts = st.none() | st.floats(0, 1e7, allow_subnormal=False)
whole_areas = st.floats(1, 1e7)


@st.composite
def seasons(draw):
    jobs, rows = [], []
    for number in range(draw(st.integers(1, 8))):
        row = dict.fromkeys(FIELDS)
        has_volume = draw(st.booleans())
        row |= {name: draw(whole_areas) for name in SUMMED_AREAS}
        row["skip_pct"] = 100 * row["skip_m2"] / row["target_m2"]
        row |= {name: draw(st.floats(0, 1e6)) if has_volume else None for name in SUMMED_VOLUMES}
        row["over_applied_money"] = draw(amounts)
        row["currency"] = draw(st.sampled_from(["AUD", "EUR"])) if row["over_applied_money"] is not None else None
        client, field = draw(st.sampled_from(["", "A", "B"])), draw(st.sampled_from(["f", "g", "h"]))
        row |= {"job": f"j{number}", "client": client or None, "field": field, "status": "done"}
        jobs.append(Job(f"j{number}", field, (JobLog("x"),), "m", "b", client))
        rows.append(row)
    return jobs, rows


@given(seasons())
def test_sums_over_clients_and_fields_are_the_sums_of_all(given_season):
    jobs, rows = given_season
    whole_document = plain(season_document(Parts(jobs, rows, [], [], [])))
    parts = [
        plain(
            season_document(
                Parts(
                    [job for job in jobs if job.client == client],
                    [row for row in rows if (row["client"] or "") == client],
                    [],
                    [],
                    [],
                    client,
                )
            )
        )
        for client in {job.client for job in jobs}
    ]
    for name in (*SUMMED_AREAS, *SUMMED_VOLUMES):
        known = [part["totals"][name] for part in parts if part["totals"][name] is not None]
        if known:
            assert whole_document["totals"][name] == pytest.approx(math.fsum(known), rel=1e-12)
        else:
            assert whole_document["totals"][name] is None
    ranked = whole_document["ranking"]["by_area"]
    assert math.fsum(row["over_application_m2"] for row in ranked) == pytest.approx(
        whole_document["totals"]["over_application_m2"], rel=1e-12
    )
    assert sum(row["treatments"] for row in ranked) == len(jobs)
    assert len(whole_document["repeated"]) == sum(row["treatments"] > 1 for row in ranked)


def test_tables_keep_their_types_when_nothing_is_known(tmp_path):
    write_parquet(tmp_path / "a.parquet", [dict.fromkeys(REPLAY)], REPLAY)
    write_parquet(tmp_path / "b.parquet", [], REPLAY)
    write_csv(tmp_path / "a.csv", [dict.fromkeys(REPLAY)], REPLAY)
    assert pq.read_schema(tmp_path / "a.parquet") == pq.read_schema(tmp_path / "b.parquet")
    assert (tmp_path / "a.csv").read_text().splitlines()[1] == "," * (len(REPLAY) - 1)


def test_a_layout_of_a_season_weighs_its_fields_by_ground_and_by_litres():
    # 90 ha with 1 % and 10 ha with 11 %: 0.9 + 1.1 = 2 ha of 100, where the mean of the two shares would be 6 %.
    # 100 of 10,000 L and 90 of 1,000 L spared: 190 of 11,000 L, where the mean of 1 % and 9 % would be 5 %.
    rows = [
        dict.fromkeys(REPLAY)
        | {
            "label": "nozzle",
            "closed_form_pct": form,
            "step_resolution_m2": over / 2,
            "step_resolution_l": saved / 2,
            "logged_applied_m2": target,
            "target_m2": target,
            "over_application_m2": over,
            "volume_l": logged - saved,
            "logged_volume_l": logged,
            "saved_l": saved,
        }
        for target, over, logged, saved, form in (
            (900_000.0, 9000.0, 10_000.0, 100.0, 0.5),
            (100_000.0, 11_000.0, 1000.0, 90.0, 2.5),
        )
    ]
    # a third field whose litres are not known counts by its ground alone
    rows.append(rows[1] | {"volume_l": None, "logged_volume_l": None, "saved_l": None, "step_resolution_l": None})
    (found,) = by_layout(rows)
    assert (found.jobs, found.jobs_with_volume) == (3, 2)
    assert found.over_application_pct == pytest.approx(100 * (9000 + 2 * 11_000) / 1_100_000)
    assert found.saved_pct == pytest.approx(100 * 190 / 11_000)
    assert (found.volume_l, found.logged_volume_l) == (10_810.0, 11_000.0)
    (line,) = found.steps  # no row has another
    assert (line.step, line.saved_l, line.saved_m2) == ("resolution", 95.0, 15_500.0)
    assert line.saved_pct == pytest.approx(100 * 95 / 11_000)
    assert found.closed_form_pct == pytest.approx((0.5 * 9 + 2 * 2.5) / 11)
    (dry,) = by_layout(rows[2:])  # no litres at all: by ground
    assert (dry.steps[0].saved_l, dry.steps[0].saved_pct) == (None, pytest.approx(5.5))
