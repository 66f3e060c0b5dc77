"""The saving in steps: lines that add up as they are shown."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.report.numbers import Figures
from swathledger.report.saving import DONE, StepLine, claimed, step_lines
from swathledger.units import SYSTEMS, UnitSystem
from swathledger.words import words

STEPS = ("model", "timing", "resolution", "floor")


def document(start: float, saved: list[float | None], label: str = "nozzle") -> dict[str, Any]:
    steps = [
        {"step": name, "saved_l": value, "saved_m2": 10.0 * (value or 0.0), "saved_pct": None}
        for name, value in zip(STEPS, saved, strict=False)
    ]
    return {
        "model": {"as_logged": {"volume_l": start, "applied_m2": 10.0 * start}, "claimed_by": label},
        "replay": [{"label": label, "steps": steps}],
    }


def number(line: StepLine) -> Decimal:
    """What a person reads: the sign before the number, its thousands, without the unit."""
    digits = re.search(r">([0-9,.-]+)\u00a0", line.number)
    assert digits is not None
    return Decimal(digits[1].replace(",", ""))


def lines(content: dict[str, Any], system: UnitSystem = "metric") -> list[StepLine]:
    t = words()
    return step_lines(Figures(content, system, t), "replay/0", DONE, t)


@given(
    start=st.floats(0.0, 1e6),
    saved=st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=4),
    system=st.sampled_from(SYSTEMS),
)
def test_lines_add_up_to_the_last_digit_shown(start: float, saved: list[float], system: UnitSystem) -> None:
    running: Decimal | None = None
    for line in lines(document(start, list(saved)), system):
        if not line.sign:
            assert running is None or running == number(line)
            running = number(line)
        else:
            assert running is not None
            assert number(line) >= 0
            running += number(line) * (-1 if line.sign == "−" else 1)


def test_a_tables_lines_by_hand() -> None:
    """1,000.04 - 12.04 = 988.00; + 2.06 = 990.06, read 990.1; - 0.03 = 990.03, read 990.0: the line reads 0.1."""
    found = lines(document(1000.04, [12.04, -2.06, 0.03, 90.0]))
    read = [(line.name, line.sign, str(number(line))) for line in found]
    assert read == [
        ("done", "", "1000.0"),
        ("model", "−", "12.0"),
        ("timing", "+", "2.1"),
        ("resolution", "−", "0.1"),
        ("layout", "", "990.0"),
        ("floor", "−", "90.0"),
        ("floor_left", "", "900.0"),
    ]


def test_bars_run_from_the_lowest_level_to_the_highest() -> None:
    found = {line.name: (line.x, line.width) for line in lines(document(100.0, [-20.0, 10.0, 50.0, 30.0]))}
    # levels 100, 120, 110, 60, 30: from 30 to 120 are 90
    assert found["model"] == (pytest.approx(77.78), pytest.approx(22.22))
    assert found["timing"] == (pytest.approx(88.89), pytest.approx(11.11))
    assert found["resolution"] == (pytest.approx(33.33), pytest.approx(55.56))
    assert found["floor"] == (0.0, pytest.approx(33.33))


def test_without_litres_the_lines_are_ground() -> None:
    content = document(0.0, [None, None])
    content["model"]["as_logged"] = {"volume_l": None, "applied_m2": 500.0}
    assert "m²" in lines(content)[0].number
    content["replay"][0]["steps"] = []
    assert lines(content) == []


def test_the_page_leads_with_the_layout_that_the_ledger_claims() -> None:
    assert claimed(Figures(document(1.0, [0.0]), "metric", words())) == 0
    unknown = document(1.0, [0.0])
    unknown["model"]["claimed_by"] = None
    assert claimed(Figures(unknown, "metric", words())) is None
