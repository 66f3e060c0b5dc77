"""Regression against scipy on fixed data, and robust errors written out the long way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from swathledger.errors import InputError
from swathledger.study.regress import ols

X = np.array([0.010, 0.012, 0.015, 0.018, 0.020, 0.024, 0.027, 0.031, 0.036, 0.041])
Y = np.array([2.9, 3.1, 4.4, 4.0, 6.2, 5.8, 9.1, 8.0, 12.5, 10.1])


def test_slope_and_fit_agree_with_scipy():
    fit = ols("y", Y, [("x", X)])
    line = stats.linregress(X, Y)
    assert fit.term("x").estimate == pytest.approx(line.slope)
    assert fit.term("intercept").estimate == pytest.approx(line.intercept)
    assert fit.r2 == pytest.approx(line.rvalue**2)
    assert fit.shapiro_p == pytest.approx(stats.shapiro(Y - line.slope * X - line.intercept).pvalue)


def test_three_points_above_a_line_by_hand():
    # x 0 1 2 3 4, y 1 3 2 5 4: slope Sxy / Sxx = 8 / 10, intercept 3 - 0.8 * 2.
    fit = ols("y", np.array([1.0, 3, 2, 5, 4]), [("x", np.arange(5.0))])
    assert fit.term("x").estimate == pytest.approx(0.8)
    assert fit.term("intercept").estimate == pytest.approx(1.4)
    # residuals -0.4 0.8 -1 1.2 -0.6: rss 3.6, tss 10.
    assert fit.r2 == pytest.approx(0.64)
    assert fit.residual_sd == pytest.approx((3.6 / 3) ** 0.5)


def test_hc3_uses_residuals_of_fits_that_leave_the_row_out():
    """e / (1 - h) is the residual of a row from the fit to all others."""
    design = np.column_stack([np.ones(10), X])
    out = []
    for i in range(10):
        keep = np.arange(10) != i
        beta = np.linalg.lstsq(design[keep], Y[keep], rcond=None)[0]
        out.append(Y[i] - design[i] @ beta)
    bread = np.linalg.inv(design.T @ design)
    covariance = bread @ (design.T * np.square(out)) @ design @ bread
    fit = ols("y", Y, [("x", X)])
    assert [t.standard_error for t in fit.terms] == pytest.approx(np.sqrt(np.diag(covariance)).tolist())
    reach = stats.t.ppf(0.95, 8)
    assert fit.term("x").high == pytest.approx(fit.term("x").estimate + reach * fit.term("x").standard_error)


def test_every_row_its_own_cluster_is_hc1():
    fit = ols("y", Y, [("x", X)], cluster=list(range(10)))
    design = np.column_stack([np.ones(10), X])
    residual = Y - design @ np.linalg.lstsq(design, Y, rcond=None)[0]
    bread = np.linalg.inv(design.T @ design)
    hc0 = bread @ (design.T * residual**2) @ design @ bread
    assert [t.standard_error for t in fit.terms] == pytest.approx(np.sqrt(np.diag(hc0) * 10 / 8).tolist())
    assert (fit.clusters, fit.degrees, fit.errors) == (10, 9, "CR1 by field")


def test_repeating_rows_within_fields_makes_no_new_knowledge():
    once = ols("y", Y, [("x", X)], cluster=list(range(10)))
    thrice = ols("y", np.repeat(Y, 3), [("x", np.repeat(X, 3))], cluster=np.repeat(np.arange(10), 3).tolist())
    # only the small-sample factor differs: sqrt((29 / 28) / (9 / 8))
    ratio = thrice.term("x").standard_error / once.term("x").standard_error
    assert ratio == pytest.approx(((29 / 28) / (9 / 8)) ** 0.5)


def test_breusch_pagan_by_the_long_way_and_sees_uneven_spread():
    rng = np.random.default_rng(2)
    x = np.linspace(0, 1, 60)
    even, uneven = x + rng.normal(0, 0.1, 60), x + rng.normal(0, 1, 60) * (0.02 + 0.4 * x)
    residual = even - np.polyval(np.polyfit(x, even, 1), x)
    lm = 60 * stats.linregress(x, residual**2).rvalue ** 2
    assert ols("y", even, [("x", x)]).breusch_pagan_p == pytest.approx(stats.chi2.sf(lm, 1))
    assert ols("y", uneven, [("x", x)]).breusch_pagan_p < 0.01


def test_predictors_that_say_the_same_are_told_and_refused_where_equal():
    near = X + 1e-4 * np.sin(np.arange(10))
    fit = ols("y", Y, [("a", X), ("b", near)])
    # VIF of one of two predictors is 1 / (1 - r^2).
    assert fit.term("a").vif == pytest.approx(1 / (1 - np.corrcoef(X, near)[0, 1] ** 2))
    assert fit.condition > 30
    assert ols("y", Y, [("a", X), ("b", 2 * X)]) is None


def test_one_far_row_is_named_by_cooks_distance():
    y = Y.copy()
    y[9] = 60.0
    fit = ols("y", y, [("x", X)])
    assert fit.largest_cook_row == 9
    assert fit.largest_cook > 1


def test_cooks_distance_is_how_far_the_fit_moves_without_a_row():
    """Sum of squared moves of all fitted values, over p s^2, by leaving each row out in turn (Cook 1977)."""
    design = np.column_stack([np.ones(10), X])
    beta = np.linalg.lstsq(design, Y, rcond=None)[0]
    s2 = np.sum((Y - design @ beta) ** 2) / 8
    moves = []
    for i in range(10):
        keep = np.arange(10) != i
        without = np.linalg.lstsq(design[keep], Y[keep], rcond=None)[0]
        moves.append(np.sum((design @ (without - beta)) ** 2) / (2 * s2))
    fit = ols("y", Y, [("x", X)])
    assert fit.largest_cook == pytest.approx(max(moves))
    assert fit.largest_cook_row == int(np.argmax(moves))


def test_too_few_rows_or_a_constant_give_none():
    assert ols("y", Y[:4], [("x", X[:4])]) is None
    assert ols("y", Y, [("x", np.full(10, 2.0))]) is None
    assert ols("y", Y, [("x", X)], cluster=[0] * 5 + [1] * 5) is None
    with pytest.raises(InputError):
        ols("y", Y, [("x", np.full(10, np.nan))])


def test_intervals_hold_the_slope_though_the_spread_is_uneven():
    """HC3, 90 %, 25 fields, spread growing with x: 85 to 95 % of 400 worlds."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        x = rng.uniform(0.01, 0.04, 25)
        y = 1 + 250 * x + rng.normal(0, 1, 25) * 80 * x
        term = ols("y", y, [("x", x)]).term("x")
        held += term.low <= 250 <= term.high
    assert 0.85 <= held / 400 <= 0.95
