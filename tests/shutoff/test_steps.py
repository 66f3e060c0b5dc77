"""The saving in steps: lines that add up, at equal cover, with the arithmetic left visible."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.notes import Note
from swathledger.shutoff.results import STEPS, Layout, LayoutResult
from swathledger.shutoff.steps import saving_steps


def result(applied: int, covered: int, litres: float | None, *, limit: bool = False) -> LayoutResult:
    layout = Layout("limit" if limit else "x", Note.of("said", text=""), np.array([-1.0, 1.0]), limit=limit)
    return LayoutResult(layout, {"applied": applied, "covered": covered}, 0.0, 1.0, litres, 0.0, {})


DONE = result(1100, 1000, 22.0)
MODEL = result(1070, 1000, 21.4)
RETIMED = result(1040, 1000, 20.8)
FINER = result(990, 960, 19.8)  # covers less: 990 / 960 x 1000 = 1031.25 m2 at equal cover, 20.625 L
FLOOR = result(1010, 1010, 20.2, limit=True)  # covers more: 1000 m2, 20 L


def test_lines_add_up_at_equal_cover():
    steps = saving_steps(DONE, MODEL, FINER, FLOOR, retimed=RETIMED)
    assert tuple(step.step for step in steps) == STEPS
    assert [step.saved_m2 for step in steps] == pytest.approx([30.0, 30.0, 8.75, 31.25])
    assert [step.saved_l for step in steps] == pytest.approx([0.6, 0.6, 0.175, 0.625])
    # per cent of the 22 L that were laid
    assert [step.saved_pct for step in steps] == pytest.approx([60 / 22, 60 / 22, 17.5 / 22, 62.5 / 22])
    assert sum(step.saved_l for step in steps) == pytest.approx(22.0 - 20.0, abs=1e-12)


def test_a_layout_of_the_same_valves_has_no_timing():
    steps = {step.step: step for step in saving_steps(DONE, MODEL, FINER, FLOOR)}
    assert steps["timing"].saved_l == 0.0
    assert steps["resolution"].saved_m2 == pytest.approx(1070 - 1031.25)


def test_the_floor_itself_has_two_lines():
    steps = saving_steps(DONE, MODEL, FLOOR, FLOOR)
    assert [step.step for step in steps] == ["model", "floor"]
    assert sum(step.saved_m2 for step in steps) == pytest.approx(100.0)


def test_without_litres_per_cent_is_of_area():
    steps = saving_steps(
        result(1100, 1000, None), result(1070, 1000, None), result(1045, 1000, None), result(1000, 1000, None)
    )
    assert [step.saved_l for step in steps] == [None] * 4
    assert steps[2].saved_pct == pytest.approx(100 * 25 / 1100)


def test_a_layout_that_covers_nothing_lays_nothing():
    steps = saving_steps(DONE, MODEL, result(0, 0, 0.0), FLOOR)
    assert steps[2].saved_l == pytest.approx(21.4)
