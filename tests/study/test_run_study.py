"""The folder of a study: same bytes, few fields, odd names, and the command."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from kit_study import ledger, season, write

from swathledger.documents.document import converted
from swathledger.documents.study import StudyDocument
from swathledger.errors import InputError, OutputError
from swathledger.report.folder import is_ours
from swathledger.report.rerender import render_again
from swathledger.report.study_page import render_study
from swathledger.study.collected import StudySettings
from swathledger.study.run import run_study
from swathledger.study.tidy import COLUMNS
from swathledger_cli.main import cli

FAST = StudySettings(resamples=299)


def everything(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_same_inputs_give_the_same_bytes(tmp_path):
    results = season(tmp_path / "season", 9)
    run_study([results], tmp_path / "one", FAST)
    run_study([results], tmp_path / "two", FAST)
    one, two = everything(tmp_path / "one"), everything(tmp_path / "two")
    assert one == two
    assert set(one) == {
        "study.json", "study.parquet", "study.csv", "study_dictionary.csv", "study.html", "methods.md", "CITATION.cff",
        "figures/curve.svg", "figures/differences.svg", "figures/shape.svg", "figures/diminishing.svg",
        "written.json",
    }  # fmt: skip


def test_the_page_is_made_again_from_what_is_stored(tmp_path):
    out = tmp_path / "out"
    run_study([season(tmp_path / "season", 9)], out, FAST)
    before = everything(out)
    assert render_again(out) == [out / "study.html"]
    assert everything(out) == before
    render_again(out, system="us")
    assert {name for name, data in everything(out).items() if data != before[name]} == {"study.html", "written.json"}
    (out / "study.json").write_text('{"schema": "swathledger/study/0"}')
    with pytest.raises(InputError, match="is not of the schema swathledger/study/1"):
        render_again(out)
    changed = json.loads(before["study.json"]) | {"cells_m": ["fine"]}
    (out / "study.json").write_text(json.dumps(changed))
    with pytest.raises(InputError, match=r"study\.json, column 'cells_m\[0\]'"):
        render_again(out)
    (out / "study.json").write_bytes(before["study.json"])
    (out / "methods.md").unlink()
    with pytest.raises(InputError, match="no study can be read here"):
        render_again(out)


def leaves(value, path=()):
    if isinstance(value, (dict, list)):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(item, (*path, key))
    else:
        yield path


def test_a_figure_changed_by_hand_is_named(tmp_path):
    out = tmp_path / "out"
    run_study([season(tmp_path / "season", 9)], out, FAST)
    text = (out / "study.json").read_text(encoding="utf-8")
    one_of_each = {tuple(key for key in path if isinstance(key, str)): path for path in leaves(json.loads(text))}
    assert len(one_of_each) > 100
    for path in one_of_each.values():
        changed = json.loads(text)
        table = changed
        for key in path[:-1]:
            table = table[key]
        table[path[-1]] = {"odd": True}
        with pytest.raises(InputError) as told:
            converted(StudyDocument, changed, "study.json")
        if path not in {("schema",)} and path[0] != "note_codes":
            assert told.value.column.replace("[", ".").replace("]", "").split(".") == [str(key) for key in path]


@pytest.mark.usefixtures("pdf_libraries")
def test_a_study_on_paper_folds_nothing_away(tmp_path):
    out = tmp_path / "out"
    run_study([season(tmp_path / "season", 9)], out, FAST)
    (page,) = render_again(out, ["pdf"])
    assert page.name == "study.pdf"
    assert is_ours(page)
    assert b"<details>" in (out / "study.html").read_bytes()
    assert b"<details>" not in render_study(out, static=True)
    assert b"<details open>" in render_study(out, static=True)


def test_another_seed_is_stored_and_moves_intervals_only(tmp_path):
    results = season(tmp_path / "season", 9)
    one = run_study([results], tmp_path / "one", FAST)
    two = run_study([results], tmp_path / "two", StudySettings(resamples=299, seed=7))
    assert two.settings.seed == 7
    assert [p.mean for p in one.curve.points] == [p.mean for p in two.curve.points]
    assert [p.together_low for p in one.curve.points] != [p.together_low for p in two.curve.points]


def test_tidy_table_has_a_row_a_layout_and_a_dictionary(tmp_path):
    run_study([season(tmp_path / "season", 3)], tmp_path / "out", FAST)
    table = pq.read_table(tmp_path / "out" / "study.parquet")
    # five layouts replayed, the logged one replayed, and what was done
    assert table.num_rows == 3 * 7
    assert table.column_names == [name for name, *_ in COLUMNS]
    assert table.schema.field("group_width_m").metadata[b"unit"] == b"m"
    with (tmp_path / "out" / "study.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 21
    limit = next(r for r in rows if r["layout"] == "limit")
    assert (limit["group_width_m"], limit["groups"]) == ("", "")  # not known is empty, never zero
    with (tmp_path / "out" / "study_dictionary.csv").open(encoding="utf-8", newline="") as stream:
        assert [r["column"] for r in csv.DictReader(stream)] == list(rows[0])
    boom = next(r for r in rows if r["layout"] == "boom" and r["field_id"] == "field 0")
    assert float(boom["over_application_pct"]) == pytest.approx(8.0)  # 800 of 10,000 m2


@pytest.mark.parametrize(("count", "words"), [(1, "nothing follows from one field"), (2, "two say nothing sure")])
def test_few_fields_are_told_in_plain_words(tmp_path, count, words):
    document = run_study([season(tmp_path / "season", count)], tmp_path / "out", FAST)
    assert any(words in note for note in document.notes)
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert words in page
    assert "nan" not in page.lower().split("</style>")[1].split("data:image")[0]
    assert all(d.low is None and d.p is None for d in document.differences)
    assert document.width_regression is None


def test_ledgers_without_a_replay_still_make_a_study(tmp_path):
    for k in range(3):
        bare = ledger(f"f{k}", {})
        bare["model"] = None
        write(tmp_path / "season", f"f{k}", bare)
    document = run_study([tmp_path / "season"], tmp_path / "out", FAST)
    assert any("there is no curve" in note for note in document.notes)
    assert [r.layout for r in document.layouts] == ["as logged"]


def test_names_are_inert_on_the_page_and_in_the_table(tmp_path):
    for k in range(4):
        write(tmp_path / "season", f"f{k}", ledger(f"=1+1<script>{k}", machine="<b>m</b>", latitude=-30 - k))
    run_study([tmp_path / "season"], tmp_path / "out", FAST)
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "<b>m" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page
    assert "'=1+1" in (tmp_path / "out" / "study.csv").read_text(encoding="utf-8")


def test_mixed_methods_machines_and_models_are_noted(tmp_path):
    coarse = ledger("b", machine="other")
    coarse["provenance"]["cell_m"] = 0.25
    coarse["model"]["trusted"] = False
    write(tmp_path / "season", "a", ledger("a"))
    write(tmp_path / "season", "b", coarse)
    notes = " ".join(run_study([tmp_path / "season"], tmp_path / "out", FAST).notes)
    assert "different cells: 0.1, 0.25" in notes
    assert "2 machines" in notes
    assert "On 1 of 2 drives the replay of the logged layout is farther from what was done" in notes


def test_an_earlier_study_is_replaced_only_when_told_and_other_folders_never(tmp_path):
    results = season(tmp_path / "season", 3)
    run_study([results], tmp_path / "out", FAST)
    with pytest.raises(OutputError, match="--overwrite"):
        run_study([results], tmp_path / "out", FAST)
    run_study([results], tmp_path / "out", FAST, overwrite=True)
    with pytest.raises(OutputError, match="not an earlier result"):
        run_study([results], results, FAST, overwrite=True)


def test_us_units_are_on_the_page_and_json_stays_si(tmp_path):
    results = season(tmp_path / "season", 9)
    document = run_study([results], tmp_path / "out", FAST, units="us")
    assert document.curve.points[-1].group_width_m == 24.0
    page = (tmp_path / "out" / "study.html").read_text(encoding="utf-8")
    assert "78.7" in page  # 24 m in feet
    assert "Group, ft" in page


def test_command_prints_one_json_document_and_nothing_else(tmp_path):
    results = season(tmp_path / "season", 4)
    found = CliRunner().invoke(
        cli, ["study", str(results), "--out", str(tmp_path / "out"), "--resamples", "199", "--json", "--quiet"]
    )
    assert found.exit_code == 0, found.output
    assert json.loads(found.stdout) == json.loads((tmp_path / "out" / "study.json").read_bytes())


def test_cells_without_a_manifest_says_what_is_missing(tmp_path):
    results = season(tmp_path / "season", 3)
    found = CliRunner().invoke(cli, ["study", str(results), "--out", str(tmp_path / "out"), "--cell", "0.2"],
                               standalone_mode=False)  # fmt: skip
    assert "--manifest" in str(found.exception)


def test_citation_file_has_what_the_format_asks_for(tmp_path):
    run_study([season(tmp_path / "season", 3)], tmp_path / "out", FAST)
    text = (tmp_path / "out" / "CITATION.cff").read_text(encoding="utf-8")
    for key in ("cff-version:", "message:", "title:", "authors:"):  # required by Citation File Format 1.2.0
        assert key in text


def test_savings_take_the_ledgers_lines_and_add_them_up(tmp_path):
    # 1,000 L on the first field, 3,000 L on the second; resolution 10 and 90 L, so 100 of 4,000 L where the mean of the
    # two shares would be 2 %. By closed form 1 % of 1 ha and 3 % of 3 ha: 2.5 %.
    for name, target, done_l, resolution_l, form in (("a", 1e4, 1000.0, 10.0, 1.0), ("b", 3e4, 3000.0, 90.0, 3.0)):
        document = ledger(name, {"boom": 800.0, "2": 400.0}, target_m2=target)
        lines = [
            {"step": step, "saved_l": saved_l, "saved_m2": 10 * saved_l, "saved_pct": 100 * saved_l / done_l}
            for step, saved_l in (("model", -5.0), ("timing", 0.0), ("resolution", resolution_l), ("floor", 2.0))
        ]
        document["replay"][1] |= {"steps": lines, "closed_form_pct": form}
        document["model"]["as_logged"]["volume_l"] = done_l
        write(tmp_path / "season", name, document)
    found = run_study([tmp_path / "season"], tmp_path / "out", FAST)
    (saving,) = found.savings  # the boom has no lines here
    assert (saving.layout, saving.jobs, saving.closed_form_pct) == ("2", 2, 2.5)
    assert {line.step: (line.saved_l, line.saved_m2, line.saved_pct) for line in saving.steps} == {
        "model": (-10.0, -100.0, -0.25),
        "timing": (0.0, 0.0, 0.0),
        "resolution": (100.0, 1000.0, 2.5),
        "floor": (4.0, 40.0, 0.1),
    }
    rows = pq.read_table(tmp_path / "out" / "study.parquet").to_pylist()
    (row,) = (row for row in rows if row["field_id"] == "b" and row["layout"] == "2")
    assert (row["step_resolution_l"], row["step_resolution_m2"], row["closed_form_pct"]) == (90.0, 900.0, 3.0)
    assert {row["step_resolution_l"] for row in rows if row["layout"] == "boom"} == {None}
