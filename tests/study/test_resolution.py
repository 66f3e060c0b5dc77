"""Curves, differences and diminishing return on ledgers whose arithmetic can be done by eye."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_study import fields, ledger
from scipy import stats

from swathledger.study.collected import StudySettings
from swathledger.study.resolution import (
    common_layouts,
    curve_at,
    differences,
    diminishing,
    field_curves,
    layout_means,
    mean_curve,
)
from swathledger.study.shape import by_machine, ends, joint_regressions, shape_classes, shape_effects, width_regression

SETTINGS = StudySettings(resamples=499)


def straight(name, slope, **more):
    """Over-application of slope x width % at 24, 12, 6 and 3 m on a hectare."""
    return ledger(name, {"boom": 24 * slope * 100, "2": 12 * slope * 100, "4": 6 * slope * 100, "8": 3 * slope * 100},
                  **more)  # fmt: skip


def test_worked_example_of_the_docs():
    # docs/study.md: three fields of 1 ha, boom 24 m.
    three = fields(
        ledger("a", {"boom": 800.0, "2": 400.0, "4": 200.0}),
        ledger("b", {"boom": 1000.0, "2": 500.0, "4": 240.0}),
        ledger("c", {"boom": 600.0, "2": 300.0, "4": 160.0}),
    )
    curve = mean_curve(three, SETTINGS).points
    assert [(p.group_width_m, p.mean) for p in curve] == [(6.0, pytest.approx(2.0)), (12.0, 4.0), (24.0, 8.0)]
    boom_4 = next(d for d in differences(three, SETTINGS) if (d.first, d.second) == ("boom", "4"))
    # 6.0, 7.6, 4.4 points: mean 6.0, sd 1.6, se 0.924; t(0.95, 2) = 2.92; t = 6.495.
    assert boom_4.mean == pytest.approx(6.0)
    assert boom_4.low == pytest.approx(6.0 - 2.9200 * 1.6 / 3**0.5, abs=1e-3)
    assert boom_4.p == pytest.approx(2 * stats.t.sf(6.0 / (1.6 / 3**0.5), 2))
    halvings = diminishing(three, StudySettings(worth_points=2.5)).halvings
    assert [(h.from_m, h.to_m, h.mean) for h in halvings] == [
        (24.0, 12.0, pytest.approx(4.0)), (12.0, 6.0, pytest.approx(2.0)),
    ]  # fmt: skip
    assert diminishing(three, StudySettings(worth_points=2.5)).from_m == 12.0
    # 4 of the 6 points that can be spared at all.
    assert halvings[0].reached_pct == pytest.approx(100 * 4 / 6)
    # below 2.5 points: none of 4, 5, 3; two of 2.0, 2.6, 1.4
    assert [h.fields_below_pct for h in halvings] == pytest.approx([0.0, 200 / 3])


def test_between_widths_the_curve_is_straight():
    (field,) = fields(ledger("a", {"boom": 800.0, "4": 200.0}))
    # 2 % at 6 m, 8 % at 24 m: 15 m is half way.
    assert curve_at(field, np.array([6.0, 15.0, 24.0])).tolist() == pytest.approx([2.0, 5.0, 8.0])


def test_waste_linear_in_width_halves_with_every_halving():
    # The closed form of an edge crossed at an angle: waste linear in w.
    two = fields(straight("a", 0.5), straight("b", 0.25))
    steps = diminishing(two, SETTINGS).halvings
    # mean slope 0.375 % a metre: 24 -> 12 spares 4.5 points, then 2.25, then 1.125.
    assert [s.mean for s in steps] == pytest.approx([4.5, 2.25, 1.125])
    assert [s.low for s in steps] == [None] * 3


def test_mean_curve_keeps_to_the_widths_that_every_field_has():
    narrow = ledger("b", {"2": 300.0, "4": 150.0})  # 12 and 6 m only
    bare = ledger("c", {})
    found = mean_curve(fields(ledger("a"), narrow, bare), SETTINGS)
    assert [p.group_width_m for p in found.points] == [6.0, 12.0]
    assert (found.fields, found.without_curve) == (2, ("c",))
    assert mean_curve(fields(bare), SETTINGS).points == ()


def test_layouts_are_compared_widest_first_where_two_fields_have_them():
    first = ledger("a", {"nozzle": 20.0, "boom": 800.0, "limit": 1.0})
    two = fields(first, ledger("b", {"boom": 700.0, "nozzle": 30.0}))
    assert common_layouts(two) == ("as logged", "logged", "boom", "nozzle")
    assert ends(two) == ("boom", "nozzle")
    rows = {r.layout: r for r in layout_means(two, SETTINGS)}
    assert rows["boom"].mean == pytest.approx(7.5)
    assert rows["boom"].group_width_m == 24.0


def test_pooled_share_weights_by_area():
    two = fields(ledger("a", {"boom": 1000.0}), ledger("b", {"boom": 600.0}, target_m2=30_000.0))
    boom = next(r for r in layout_means(two, SETTINGS) if r.layout == "boom")
    # 10 % and 2 %: mean 6 %; (1000 + 600) / 40,000 = 4 %.
    assert (boom.mean, boom.pooled) == (pytest.approx(6.0), pytest.approx(4.0))


def test_pairs_on_the_same_fields_get_intervals_together_and_others_none():
    many = [straight(f"f{k}", 0.2 + 0.03 * k + 0.01 * (k % 3)) for k in range(9)]
    whole = differences(fields(*many), SETTINGS)
    assert all(d.together_low is not None and d.together_low <= d.low for d in whole)
    del many[0]["replay"][1]
    partly = differences(fields(*many), SETTINGS)
    assert all(d.together_low is None for d in partly)
    assert {d.fields for d in partly} == {8, 9}


def test_holm_is_taken_over_all_pairs():
    found = differences(fields(*[straight(f"f{k}", 0.2 + 0.03 * k) for k in range(9)]), SETTINGS)
    smallest = min(found, key=lambda d: d.p if np.isfinite(d.p) else 2)
    known = sum(np.isfinite(d.p) for d in found)
    assert smallest.p_holm == pytest.approx(min(1.0, known * smallest.p))
    assert all(not np.isfinite(d.p) or d.p_holm >= d.p for d in found)


@settings(max_examples=8)  # two tests a pair and example: not cheap
@given(st.lists(st.floats(0.01, 2.0), min_size=3, max_size=12), st.integers(0, 5))
def test_differences_add_up(slopes, seed):
    found = {
        (d.first, d.second): d.mean
        for d in differences(fields(*[straight(f"f{k}", s) for k, s in enumerate(slopes)]),
                             StudySettings(resamples=199, seed=seed))
    }  # fmt: skip
    assert found["boom", "2"] + found["2", "8"] == pytest.approx(found["boom", "8"])


def test_field_curves_keep_floor_and_log_apart():
    (curve,) = field_curves(fields(ledger("a", {"boom": 800.0, "4": 200.0, "limit": 10.0}, done=300.0)))
    assert [p.group_width_m for p in curve.points] == [6.0, 24.0]
    assert (curve.limit_pct, curve.as_logged_pct) == (pytest.approx(0.1), pytest.approx(3.0))


def twelve():
    """Saving from boom to 8 groups: 21 m x slope, slope = 10 x perimeter / area."""
    rng = np.random.default_rng(4)
    return fields(*[
        straight(f"f{k}", 10 * (0.01 + 0.002 * k), pa=0.01 + 0.002 * k, convexity=float(rng.uniform(0.6, 1)),
                 exclusions=int(rng.integers(0, 3)), target_m2=10_000.0)
        for k in range(12)
    ])  # fmt: skip


def test_saving_against_shape_finds_the_line_that_was_laid():
    found = {(s.response, s.predictor): s for s in shape_effects(twelve(), SETTINGS)}
    entry = found["saving:boom:8", "perimeter_to_area_per_m"]
    assert entry.spearman == pytest.approx(1.0)
    assert entry.fit.terms[1].estimate == pytest.approx(210.0)
    assert entry.fit.r2 == pytest.approx(1.0)
    # all targets alike: nothing can be said of area
    assert found["saving:boom:8", "log10_target_ha"].fit is None


def test_joint_regression_leaves_out_what_does_not_vary():
    joint = next(f for f in joint_regressions(twelve(), SETTINGS) if f.response == "saving:boom:8")
    assert [t.name for t in joint.terms] == ["intercept", "perimeter_to_area_per_m", "convexity", "exclusions"]


def test_width_and_shape_together_by_hand():
    # y = 10 w pa: with centred w and pa, y = 10 (w0 pa0 + pa0 w' + w0 pa' + w' pa').
    fit = width_regression(twelve(), SETTINGS)
    estimate = {t.name: t.estimate for t in fit.terms}
    w0, pa0 = (24 + 12 + 6 + 3) / 4, 0.021
    assert estimate["group_width_m"] == pytest.approx(10 * pa0)
    assert estimate["perimeter_to_area_per_m"] == pytest.approx(10 * w0)
    assert estimate["group_width_m x perimeter_to_area_per_m"] == pytest.approx(10.0)
    assert (fit.n, fit.clusters) == (48, 12)


def test_machines_get_terms_of_their_own():
    documents = [straight(f"f{k}", 0.2 + 0.02 * k, pa=0.01 + 0.002 * k, machine="ab"[k % 2]) for k in range(12)]
    fit = width_regression(fields(*documents), SETTINGS)
    assert [t.name for t in fit.terms][-1] == "machine: b"
    assert [(m.machine, m.fields) for m in by_machine(fields(*documents))] == [("a", 6), ("b", 6)]


def test_classes_of_perimeter_per_area_are_half_open():
    three = fields(straight("a", 0.1, pa=0.0149), straight("b", 0.2, pa=0.015), straight("c", 0.3, pa=0.025))
    rows = shape_classes(three)
    assert [r.fields for r in rows] == [1, 1, 1]
    # (24 - 3) m x slope
    assert [r.median_saving_points for r in rows] == pytest.approx([2.1, 4.2, 6.3])
