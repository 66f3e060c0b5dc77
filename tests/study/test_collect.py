"""Reading results: whatever lies about, nothing is dropped silently."""

from __future__ import annotations

import pytest
from kit_study import fields, job_from, ledger, write

from swathledger.documents.ledger import Ledger
from swathledger.errors import InputError
from swathledger.study.collect import fields_of, read_ledgers
from swathledger.study.collected import AS_LOGGED


def test_season_folder_is_read_in_the_order_of_names(tmp_path):
    for name in ("b/job 2", "a/job 1", "b/job 1"):
        write(tmp_path, name, ledger(name))
    jobs, left = read_ledgers([tmp_path])
    assert [job.name for job in jobs] == ["a/job 1", "b/job 1", "b/job 2"]
    assert left == ()


def test_one_result_folder_and_a_file_are_read_too(tmp_path):
    write(tmp_path, "one", ledger("one"))
    write(tmp_path, "two", ledger("two"))
    jobs, _ = read_ledgers([tmp_path / "one", tmp_path / "two" / "ledger.json"])
    assert [job.name for job in jobs] == ["one", "two"]


def test_what_cannot_be_used_is_told(tmp_path):
    write(tmp_path, "good", ledger("good"))
    write(tmp_path, "same", ledger("good"))
    write(tmp_path, "other", {"schema": "something/else/1"})
    write(tmp_path, "empty field", ledger("x", target_m2=0.0))
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "ledger.json").write_text('{"schema": ', encoding="utf-8")
    write(tmp_path, ".half-written.part", ledger("unfinished"))
    jobs, left = read_ledgers([tmp_path])
    assert [job.field_id for job in jobs] == ["good"]
    assert {item.name: item.reason for item in left} == {
        "broken": "is no JSON (Input data was truncated)",
        "empty field": "it has no target area",
        "other": f"is not of the schema {Ledger.schema_name()}: found 'something/else/1'",
        "same": "the same ledger as good",
    }


def test_no_ledger_at_all_says_what_to_give(tmp_path):
    with pytest.raises(InputError, match="no ledger.json lies below"):
        read_ledgers([tmp_path])
    with pytest.raises(InputError, match="neither a folder nor a file"):
        read_ledgers([tmp_path / "absent"])
    write(tmp_path, "bad", {"schema": None})
    with pytest.raises(InputError, match="none of 1 ledgers can be used"):
        read_ledgers([tmp_path])


def test_what_older_ledgers_do_not_tell_is_unknown():
    bare = ledger()
    for key in ("balance", "standing", "product"):
        bare.pop(key, None)
    del bare["field"]["exclusions"]
    assert job_from(bare).exclusions == 0  # no exclusion area and no hole: none
    bare["field"]["exclusion_area_m2"] = 50.0
    assert job_from(bare).exclusions is None  # there are some; how many is not told


def test_without_a_replay_what_was_done_stands_alone():
    # 300 of 10,000 m2, with the standard error of that area
    bare = ledger(done=300.0) | {"replay": [], "model": None}
    bare["area"]["standard_errors_m2"] = {"over_application_m2": 1.5}
    job = job_from(bare)
    assert [(row.layout, row.standard_error_m2) for row in job.rows] == [(AS_LOGGED, 1.5)]
    assert job.over_pct(AS_LOGGED) == pytest.approx(3.0)
    assert (job.trusted, job.agreement_pct, job.boom_width_m) == (None, None, None)


def test_ledgers_changed_by_hand_or_of_a_later_version_are_left_out_and_told(tmp_path):
    write(tmp_path, "good", ledger("good"))
    odd = ledger("odd")
    odd["field"]["convexity"] = "0.9"
    write(tmp_path, "odd", odd)
    row_less = ledger("row")
    row_less["replay"][1]["over_application_m2"] = None
    write(tmp_path, "row", row_less)
    write(tmp_path, "later", ledger("later") | {"schema": "swathledger/ledger/99"})
    jobs, left = read_ledgers([tmp_path])
    assert [job.field_id for job in jobs] == ["good"]
    told = {item.name: item.reason for item in left}
    assert told["odd"] == "field.convexity cannot be used: expected `float | null`, got `str`"
    assert told["row"] == "replay[1].over_application_m2 cannot be used: expected `float`, got `null`"
    assert "this version reads up to" in told["later"]


def test_several_drives_on_one_field_are_one_field():
    # 300 of 10,000 m2 and 100 of 10,000 m2: 400 of 20,000 m2 = 2 %.
    (field,) = fields(ledger("north", done=300.0), ledger("north", done=100.0))
    assert len(field.jobs) == 2
    assert field.over_pct(AS_LOGGED) == pytest.approx(2.0)
    # The boom's groups are as wide on both: (800 + 800) / 20,000 = 8 %.
    assert field.over_pct("boom") == pytest.approx(8.0)


def test_fields_of_one_name_in_two_places_are_two_fields():
    # 0.01 degree of latitude is 1.1 km.
    assert len(fields(ledger("north"), ledger("north", latitude=-33.01))) == 2
    assert len(fields(ledger("north"), ledger("north", latitude=-33.001))) == 1
    assert fields_of([]) == ()


def test_a_layout_that_one_drive_lacks_is_not_the_fields():
    (field,) = fields(ledger("north"), ledger("north", {"boom": 500.0}))
    assert field.layouts == ("boom", "logged", "as logged")
    assert field.curve == ((24.0, 6.5),)
