"""Intervals over fields: against scipy, by hand, and whether they hold what they say; noise as asked."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from swathledger.errors import InputError
from swathledger.statistics import (
    gauss_markov,
    holm,
    means_over_fields,
    ratio_over_fields,
    resampled,
    smooth_along,
    streams,
    studentised_means,
)

FIXED = np.array([2.1, 3.4, 0.9, 8.8, 4.2, 2.7, 1.1, 5.9, 3.3, 2.2, 12.4, 1.8])


def test_studentised_quantiles_agree_with_scipys_bootstrap():
    mean = FIXED.mean()

    def studentised(sample, axis=-1):
        se = sample.std(axis=axis, ddof=1) / np.sqrt(sample.shape[axis])
        return (sample.mean(axis=axis) - mean) / se

    theirs = stats.bootstrap(
        (FIXED,), studentised, confidence_level=0.9, method="percentile", n_resamples=40_000, vectorized=True,
        rng=np.random.default_rng(5),
    ).confidence_interval  # fmt: skip
    ours = np.nanquantile(studentised_means(FIXED[:, None], 40_000, 6)[:, 0], [0.05, 0.95])
    # 40,000 draws fix a 5 % quantile of this skewed t to about 0.03.
    assert ours == pytest.approx([theirs.low, theirs.high], abs=0.1)


def test_each_end_is_the_farther_of_drawn_and_students_quantiles():
    found = means_over_fields(FIXED[:, None], resamples=4999, seed=3)
    lower, upper = np.nanquantile(studentised_means(FIXED[:, None], 4999, 3)[:, 0], [0.05, 0.95])
    se, t = FIXED.std(ddof=1) / np.sqrt(12), float(stats.t.ppf(0.95, 11))
    assert lower < -t  # skewed to the right: t* reaches farther below, the interval farther above
    assert upper < t
    assert found.low[0] == pytest.approx(FIXED.mean() - t * se)
    assert found.high[0] == pytest.approx(FIXED.mean() - lower * se)
    assert found.method == "bootstrap-t"


def test_three_fields_that_nearly_agree_in_two_do_not_fly_away():
    # resamples of (a, a, b) with a, b = 2.000, 2.001 have next to no spread: their t* are in the thousands
    values = np.array([[2.0], [2.001], [5.0]])
    assert np.nanquantile(np.abs(studentised_means(values, 999, 1)), 0.95) > 100
    found = means_over_fields(values, resamples=999, seed=1)
    t, se = float(stats.t.ppf(0.95, 2)), values.std(ddof=1) / math.sqrt(3)
    assert found.high[0] - found.mean[0] == pytest.approx(2 * t * se)
    assert found.mean[0] - found.low[0] <= 2 * t * se * (1 + 1e-12)
    assert ratio_over_fields(values[:, 0], np.ones(3), resamples=999, seed=1) == pytest.approx(
        (found.low[0], found.high[0]), rel=1e-9
    )


@pytest.mark.parametrize("n", [3, 5, 7])
def test_few_fields_together_are_bonferronis_at_least(n):
    values = np.stack([FIXED[:n], FIXED[n : 2 * n] if 2 * n <= 12 else FIXED[-n:][::-1]], axis=1)
    found = means_over_fields(values, resamples=499)
    reach = stats.t.ppf(1 - 0.05 / 2, n - 1) * values.std(axis=0, ddof=1) / math.sqrt(n)
    assert np.all(found.together_low <= found.mean - reach * (1 - 1e-12))
    assert np.all(found.together_high >= found.mean + reach * (1 - 1e-12))


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_fields_get_no_interval(n):
    found = means_over_fields(FIXED[:n, None])
    assert found.mean[0] == pytest.approx(FIXED[:n].mean())
    assert (found.low, found.high, found.together_low, found.method) == (None, None, None, "none")


def test_same_value_on_all_fields_has_no_width():
    found = means_over_fields(np.full((10, 1), 4.0), resamples=199)
    assert (found.low[0], found.high[0]) == (4.0, 4.0)


def test_intervals_together_are_wider_and_one_quantity_alone_needs_no_more():
    rng = np.random.default_rng(1)
    values = rng.gamma(2.0, 1.5, size=(20, 6))
    found = means_over_fields(values, resamples=1999, seed=2)
    assert np.all(found.together_low <= found.low)
    assert np.all(found.together_high >= found.high)


def test_seed_gives_the_same_and_another_seed_does_not():
    one, two = (means_over_fields(np.sqrt(FIXED)[:, None], resamples=499, seed=s).high[0] for s in (4, 4))
    assert one == two
    assert means_over_fields(np.sqrt(FIXED)[:, None], resamples=499, seed=5).high[0] != one


def test_tables_that_are_none_are_refused():
    for bad in (np.array([1.0, 2.0]), np.empty((0, 1)), np.array([[np.nan]])):
        with pytest.raises(InputError):
            means_over_fields(bad)


def test_holm_by_hand():
    # Sorted 0.005, 0.011, 0.02, 0.04 times 4, 3, 2, 1: 0.02, 0.033, 0.04, 0.04.
    assert holm(np.array([0.011, 0.02, 0.005, 0.04])) == pytest.approx([0.033, 0.04, 0.02, 0.04])
    # An unknown counts for nothing: 0.6 is capped, and order is kept: 0.03 x 2, then the larger of 0.06 and 0.6.
    found = holm(np.array([0.03, np.nan, 0.6]))
    assert found[[0, 2]] == pytest.approx([0.06, 0.6])
    assert np.isnan(found[1])


@pytest.mark.parametrize(("n", "draw"), [(12, "lognormal"), (30, "gamma"), (6, "normal")])
def test_intervals_hold_the_truth_as_often_as_they_say(n, draw):
    """90 % intervals over 400 worlds of n fields: between 85 and 95 %."""
    rng = np.random.default_rng(17)
    truth, make = {
        "lognormal": (np.exp(0.5 * 0.6**2), lambda: rng.lognormal(0.0, 0.6, n)),  # mean exp(sigma^2 / 2)
        "gamma": (3.0, lambda: rng.gamma(2.0, 1.5, n)),
        "normal": (2.0, lambda: rng.normal(2.0, 1.0, n)),
    }[draw]
    held = 0
    for world in range(400):
        found = means_over_fields(make()[:, None], resamples=999, seed=world)
        held += bool(found.low[0] <= truth <= found.high[0])
    assert 0.85 <= held / 400 <= 0.95


def test_intervals_together_hold_all_truths_at_once():
    rng = np.random.default_rng(23)
    weights = np.linspace(1.0, 0.05, 6)  # widths of groups: one field's figures fall together
    held = 0
    for world in range(300):
        values = rng.gamma(3.0, 1.0, (20, 1)) * weights + rng.gamma(2.0, 0.2, (20, 6))
        truth = 3.0 * weights + 0.4
        found = means_over_fields(values, resamples=799, seed=world)
        held += bool(np.all((found.together_low <= truth) & (truth <= found.together_high)))
    assert 0.85 <= held / 300 <= 0.95


def test_gauss_markov_has_its_sigma_and_correlation():
    x = gauss_markov(np.random.default_rng(1), 400_000, 0.2, 4.0, 0.5)
    assert x.std() == pytest.approx(0.5, rel=0.02)
    lag = 20  # 4 s
    assert np.corrcoef(x[:-lag], x[lag:])[0, 1] == pytest.approx(math.exp(-1), abs=0.03)
    first = [gauss_markov(np.random.default_rng(s), 3, 0.2, 4.0, 0.5)[0] for s in range(2000)]
    assert np.std(first) == pytest.approx(0.5, rel=0.06)


def test_weaving_has_its_sigma_and_length():
    x = smooth_along(np.random.default_rng(2), 400_000, 1.0, 25.0, 0.05)
    assert x.std() == pytest.approx(0.05, rel=0.03)
    assert np.corrcoef(x[:-25], x[25:])[0, 1] == pytest.approx(math.exp(-0.5), abs=0.03)


def test_gauss_markov_at_uneven_times():
    rng = np.random.default_rng(3)
    time_s = np.array([0.0, 1.0, 2.0, 30.0, 31.0, 91.0])
    draws = np.stack([gauss_markov(rng, 6, np.diff(time_s), 60.0, 0.05) for _ in range(20_000)])
    assert draws.std(axis=0) == pytest.approx(np.full(6, 0.05), rel=0.03)
    lag = np.abs(time_s[:, None] - time_s[None, :])
    assert np.corrcoef(draws.T) == pytest.approx(np.exp(-lag / 60.0), abs=0.03)


def test_noise_of_no_size_draws_as_much_and_steps_go_forward():
    one, two = np.random.default_rng(3), np.random.default_rng(3)
    assert not gauss_markov(one, 5, 1.0, 10.0, 0.0).any()
    gauss_markov(two, 5, 1.0, 10.0, 1.0)
    assert one.random() == two.random()
    for step, scale in ((0.0, 1.0), (1.0, 0.0), (np.array([1.0, -1.0]), 1.0)):
        with pytest.raises(InputError, match="above 0"):
            gauss_markov(one, 3, step, scale, 1.0)


def test_streams_are_named_by_place_and_do_not_touch_each_other():
    one, two = streams(7, ("a", "b")), streams(np.random.SeedSequence(7), ("a", "other"))
    one["a"].random(100)
    assert one["b"].random() == two["other"].random()


def test_drawn_fields_do_not_depend_on_how_many_rows_are_held():
    whole = np.concatenate(list(resampled(7, 100, 3)))
    parts = np.concatenate(list(resampled(7, 100, 3, held=50)))
    assert whole.shape == (100, 7)
    assert np.array_equal(whole, parts)
    assert set(np.unique(whole)) == set(range(7))
