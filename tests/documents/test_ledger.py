"""ledger.json as a model: what is written is read back, and what was changed by hand is told, never a traceback."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar

import ledgerkit as kit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.documents.document import (
    Document,
    Table,
    Upgrade,
    converted,
    dump,
    json_schema,
    load,
    parse,
    plain,
    rounded,
)
from swathledger.documents.ledger import Ledger
from swathledger.errors import InputError


def whole() -> dict[str, Any]:
    """Every table and every kind of row, all keys filled in by the model."""
    return plain(
        kit.ledger(
            volume=kit.volume(applied_l=12.5),
            balance=kit.balance(by_cause=[{"cause": "turn", "volume_l": 1.5}]),
            cause=[{"cause": "turn", "area_m2": 3.0, "volume_l": None}],
            standing=kit.standing(),
            product=kit.product(currency="ABC"),
            replay=[kit.layout("boom", groups=1, group_width_m=24.0), kit.layout("limit")],
            model=kit.model(),
        )
    )


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "ledger.json"
    path.write_bytes(dump(converted(Ledger, whole(), "")))
    found = load(Ledger, path)
    assert plain(found) == whole() == json.loads(path.read_bytes())
    assert dump(found) == path.read_bytes()
    assert list(json.loads(path.read_bytes())) == list(Ledger.__struct_fields__)


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Any:
    if isinstance(value, (dict, list)):
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, item in items:
            yield from leaves(item, (*path, key))
    else:
        yield path


@pytest.mark.parametrize("path", list(leaves(whole())), ids=lambda path: "/".join(map(str, path)))
def test_a_value_changed_by_hand_is_named(path: tuple[Any, ...]) -> None:
    document = whole()
    table: Any = document
    for key in path[:-1]:
        table = table[key]
    table[path[-1]] = {"not": "a value"}
    with pytest.raises(InputError) as told:
        converted(Ledger, document, "season/a/ledger.json")
    assert told.value.file == "season/a/ledger.json"
    words = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path).removeprefix(".")
    if path[0] == "schema":
        assert "schema" in str(told.value)
    elif "standard_errors_m2" not in path:  # a mapping: the key is not named
        assert told.value.column == words
    assert "Run audit again" in str(told.value)


@pytest.mark.parametrize("table", ["field", "area", "cause", "replay", "quality", "provenance"])
def test_a_table_that_is_missing_is_named(table: str) -> None:
    document = whole()
    del document[table]
    with pytest.raises(InputError, match=f"missing required field `{table}`"):
        converted(Ledger, document, "ledger.json")


def test_what_earlier_ledgers_lack_is_not_known() -> None:
    document = whole()
    for key in ("balance", "standing", "product"):
        del document[key]
    del document["field"]["exclusions"]
    del document["replay"][0]["saved_money"]
    found = converted(Ledger, document | {"of a later version": 1}, "")
    assert (found.balance, found.standing, found.product) == (None, None, None)
    assert (found.field.exclusions, found.replay[0].saved_money) == (None, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "is no JSON"),
        (b"{", "is no JSON"),
        (b"\xff\xfe", "is no JSON"),
        (b'{"schema": NaN}', "is no JSON"),
        (b"[" * 100_000, "is no JSON"),
        (b'{"schema": "swathledger/ledger/1", "area": {"target_m2": 1e999}}', "is no JSON"),
        (b"[]", "not of the schema swathledger/ledger/"),
        (b"null", "found None"),
        (b'{"schema": ["swathledger/ledger/1"]}', "not of the schema"),
        (b'{"schema": "swathledger/ledger/0"}', "not of the schema"),
        (b'{"schema": "swathledger/season/1"}', "found 'swathledger/season/1'"),
        (b'{"schema": "swathledger/ledger/999"}', "Update swathledger"),
    ],
)
def test_what_is_no_ledger_is_told(text: bytes, words: str) -> None:
    with pytest.raises(InputError, match="^here.json: ") as told:
        parse(Ledger, text, "here.json")
    assert words in str(told.value)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read") as told:
        load(Ledger, tmp_path / "ledger.json")
    assert told.value.file == str(tmp_path / "ledger.json")


class Second(Document, frozen=True, kw_only=True):
    """A document whose figure was in metres before it was in centimetres."""

    KIND: ClassVar[str] = "length"
    NUMBER: ClassVar[int] = 3
    COMMAND: ClassVar[str] = "measure"
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {
        1: lambda old: {"length_m": old["metres"]},
        2: lambda old: {"length_cm": 100.0 * old["length_m"]},
    }

    schema: str = "swathledger/length/3"
    length_cm: float


def test_older_numbers_are_upgraded_step_by_step() -> None:
    for old in (
        {"schema": "swathledger/length/1", "metres": 1.5},
        {"schema": "swathledger/length/2", "length_m": 1.5},
        {"schema": "swathledger/length/3", "length_cm": 150.0},
    ):
        assert converted(Second, old, "") == Second(length_cm=150.0)
    with pytest.raises(InputError, match="an older form of it is not whole"):
        converted(Second, {"schema": "swathledger/length/1"}, "x.json")


class Sample(Table, frozen=True, kw_only=True):
    """Anything that a document may hold."""

    number: float | None
    listed: tuple[float | None, ...] = ()
    word: str = ""
    flag: bool = False
    count: int = 0


@given(st.floats(), st.lists(st.floats(), max_size=3), st.integers())
def test_rounding_keeps_twelve_digits_and_nothing_that_json_lacks(
    number: float, listed: list[float], count: int
) -> None:
    found = rounded(Sample(number=number, listed=tuple(listed), word="1e-30", flag=True, count=count))
    assert (found.word, found.flag, found.count) == ("1e-30", True, count)
    for before, after in zip([number, *listed], [found.number, *found.listed], strict=True):
        if not math.isfinite(before):
            assert after is None
        elif abs(before) < 1e-9:
            assert after == 0.0
        else:
            assert after is not None
            assert abs(after - before) <= 0.5e-11 * abs(before)
            assert len(f"{after:.17e}".split("e")[0].rstrip("0").replace("-", "").replace(".", "")) <= 18
            assert rounded(after) == after


def test_the_schema_tells_types_and_what_must_be_there() -> None:
    found = json_schema(Ledger)
    area = found["$defs"]["LedgerArea"]
    assert area["properties"]["covered_m2"] == {"type": "number"}
    assert "covered_m2" in area["required"]
    assert found["$id"] == Ledger.schema_name() == whole()["schema"]


def first_schema() -> dict[str, Any]:
    """A ledger of schema 1: 1,000 L laid on 10 ha, 9.6 of them covered."""

    def row(label: str, groups: int | None, width: float | None, covered: float, applied: float, litres: float | None):
        more = {"groups": groups, "group_width_m": width, "covered_m2": covered, "applied_m2": applied}
        return kit.layout(label, **more, over_application_m2=applied - covered, volume_l=litres)

    # Covered ground differs: 40 L of what the boom lays fewer than the log comes of ground that it does not cover.
    model = kit.model(
        trusted=True,
        as_logged=row("as logged", 4, 6.0, 96_000.0, 100_000.0, 1000.0),
        logged_layout=row("logged", 4, 6.0, 96_000.0, 99_000.0, 990.0),
    )
    rows = [
        row("boom", 1, 24.0, 92_160.0, 96_000.0, 960.0),
        row("nozzle", 48, 0.5, 96_000.0, 97_500.0, 975.0),
        row("limit", None, None, 96_000.0, 96_500.0, 970.0),
    ]
    return kit.plain_ledger(schema="swathledger/ledger/1", model=model, replay=rows)


def test_a_ledger_of_schema_1_has_its_lines_from_its_layouts() -> None:
    found = converted(Ledger, first_schema(), "")
    assert (found.schema, found.verdict, found.estimate) == ("swathledger/ledger/2", None, None)
    boom, nozzle, limit = found.replay
    # boom: 960 L on 9.216 ha are 1,000 L on the 9.6 ha really covered: 10 L more than today's layout under the model
    assert [line.step for line in boom.steps] == ["model", "timing", "resolution"]
    assert [line.saved_l for line in boom.steps] == pytest.approx([10.0, 0.0, -10.0])
    assert [line.saved_l for line in nozzle.steps] == pytest.approx([10.0, 0.0, 15.0])
    assert nozzle.step("resolution").saved_pct == pytest.approx(1.5)
    assert nozzle.step("resolution").saved_m2 == pytest.approx(1500.0)
    assert (limit.steps, nozzle.step("floor")) == ((), None)
    # The model over-applies 1,000 m2 less than was done, against 1,500 m2 that nozzles are said to spare.
    model = found.model
    assert (model.over_application_difference_m2, model.over_applied_difference_l) == (-1000.0, -10.0)
    assert (model.claimed_by, model.claimed_m2, model.claimed_l) == ("nozzle", pytest.approx(1500.0), 15.0)
    assert model.trusted is True


def test_trust_is_by_over_application_and_not_by_seconds() -> None:
    document = first_schema()
    document["model"]["logged_layout"]["over_application_m2"] += 4000.0  # 3,000 m2 more than was done
    document["model"] |= {"section_seconds_agreement_pct": 99.5, "trusted": True}
    assert converted(Ledger, document, "").model.trusted is False
    document["replay"] = document["replay"][:1]  # the boom saves nothing: there is nothing to trust
    assert converted(Ledger, document, "").model.trusted is None


def test_without_litres_the_lines_of_schema_1_are_by_ground() -> None:
    document = first_schema()
    for row in (*document["replay"], document["model"]["as_logged"], document["model"]["logged_layout"]):
        row["volume_l"] = None
    nozzle = converted(Ledger, document, "").replay[1]
    assert [line.saved_l for line in nozzle.steps] == [None, None, None]
    assert [line.saved_pct for line in nozzle.steps] == pytest.approx([1.0, 0.0, 1.5])
