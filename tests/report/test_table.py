"""ledger.csv: every number of ledger.json, and nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from swathledger.documents.document import converted
from swathledger.documents.ledger import Ledger
from swathledger.documents.table import flat, ledger_csv, long_form, unit_of
from swathledger.text import inert


def rows(values: dict[str, Any], *units: Any) -> list[tuple[str, str, str]]:
    read = list(csv.reader(io.StringIO(long_form(values, *units).decode())))
    assert read[0] == ["quantity", "value", "unit"]
    return [(a, b, c) for a, b, c in read[1:]]


def test_every_number_of_the_ledger_is_there(written: Any) -> None:
    table = {quantity: value for quantity, value, _ in rows(written.document)}
    leaves = list(flat(written.document))
    assert len(table) == len(leaves), "no two quantities share a name"
    for quantity, value in leaves:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            assert float(table[quantity]) == value
    assert float(table["area.overlap_m2"]) == written.document["area"]["overlap_m2"]
    assert float(table["cause.guidance.area_m2"]) == next(
        c["area_m2"] for c in written.document["cause"] if c["cause"] == "guidance"
    )
    assert float(table["replay.nozzle.saved_l"]) == next(
        r["saved_l"] for r in written.document["replay"] if r["label"] == "nozzle"
    )


def test_the_file_is_that_table(written: Any) -> None:
    assert (written.folder / "ledger.csv").read_bytes() == ledger_csv(converted(Ledger, written.document, ""))


def test_what_is_not_known_is_empty_and_never_zero() -> None:
    assert rows({"volume": None, "field": {"recorded_area_m2": None}, "zero_m": 0.0}) == [
        ("volume", "", ""),
        ("field.recorded_area_m2", "", "m2"),
        ("zero_m", "0.0", "m"),
    ]


@pytest.mark.parametrize("bad", ["=cmd()", "+1", "-1", "@x", "\t=1", "\r=1"])
def test_formulas_are_inert(bad: str) -> None:
    assert inert(bad).startswith("'")
    ((quantity, value, _),) = rows({"list": [{"label": bad, "text": bad}]})[:1]
    assert value.startswith("'")
    assert quantity.startswith("list.")
    assert rows({bad: bad}) == [(inert(bad), inert(bad), "")]


def test_negative_numbers_stay_numbers() -> None:
    assert rows({"closure_pct": -0.25}) == [("closure_pct", "-0.25", "%")]


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [
        ("area.skip_m2", "m2"),
        ("volume.set_rate_l_m2", "L/m2"),
        ("replay.boom.volume_per_covered_ha_l", "L/ha"),
        ("product.cost_per_l", "AUD/L"),
        ("product.products.a.applied.amount", "kg"),
        ("replay.boom.saved_money", "AUD"),
        ("product.products.a.rate_per_m2", "kg/m2"),
        ("product.products.a.price", "AUD/kg"),
        ("field.perimeter_to_area_per_m", "1/m"),
        ("quality.span_s", "s"),
        ("quality.passes", "1"),
    ],
)
def test_units(quantity: str, unit: str) -> None:
    assert unit_of(quantity, "AUD", "kg") == unit


def test_money_and_amounts_have_the_units_of_their_product(written: Any) -> None:
    line = dict(written.document["product"]["products"][0])
    line |= {"name": "herbicide A", "measure": "kg", "price": 14.0, "applied": {"amount": 2.0, "money": 28.0}}
    line["applied"]["active_g"] = None
    product = written.document["product"] | {
        "currency": "AUD",
        "products": [line, line | {"name": "b", "measure": "L"}],
    }
    ledger = converted(Ledger, written.document | {"product": product}, "")
    table = [tuple(row) for row in csv.reader(io.StringIO(ledger_csv(ledger).decode()))]
    assert ("product.products.herbicide A.applied.amount", "2.0", "kg") in table
    assert ("product.products.b.price", "14.0", "AUD/L") in table
    assert ("product.products.b.applied.money", "28.0", "AUD") in table


def test_two_members_of_one_name_go_by_number() -> None:
    table = rows({"a": [{"name": "x", "k": 1}, {"name": "x", "k": 2}]})
    assert table[1::2] == [("a.1.k", "1", "1"), ("a.2.k", "2", "1")]
