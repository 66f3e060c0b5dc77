"""The bootstrap over fields against scipy's, by exhaustion, and its repeatability."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from swathledger.errors import InputError
from swathledger.money.interval import Method, bootstrap_by_field

SAVED = np.array([12.0, 30.0, 5.0, 44.0, 18.0, 9.0, 61.0, 22.0, 15.0, 27.0, 3.0, 35.0])
AREA = np.array([40.0, 62.0, 25.0, 80.0, 55.0, 30.0, 90.0, 47.0, 33.0, 70.0, 21.0, 64.0])


@pytest.mark.parametrize(("ours", "theirs"), [("percentile", "percentile"), ("bca", "BCa")])
def test_against_scipy(ours: Method, theirs: str) -> None:
    found = bootstrap_by_field(SAVED, AREA, method=ours, resamples=40_000, seed=1)
    other = stats.bootstrap(
        (SAVED, AREA),
        lambda saved, area, axis=-1: saved.sum(axis=axis) / area.sum(axis=axis),
        paired=True,
        vectorized=True,
        confidence_level=0.9,
        n_resamples=40_000,
        method=theirs,  # type: ignore[arg-type]
        rng=np.random.default_rng(2),
    )
    assert found.estimate == pytest.approx(281 / 617)  # sums by hand
    assert found.method == ours
    spread = other.confidence_interval.high - other.confidence_interval.low
    # two draws of 40,000: the ends agree within a fiftieth of the interval's width
    assert found.low == pytest.approx(other.confidence_interval.low, abs=0.02 * spread)
    assert found.high == pytest.approx(other.confidence_interval.high, abs=0.02 * spread)


def test_three_fields_by_exhaustion() -> None:
    # all 27 draws of three fields; the 10th and 90th percentile of that distribution are the 80 % interval
    saved, area = np.array([1.0, 2.0, 6.0]), np.array([10.0, 10.0, 10.0])
    every = [sum(saved[list(pick)]) / 30 for pick in itertools.product(range(3), repeat=3)]
    found = bootstrap_by_field(saved, area, level=0.8, method="percentile", resamples=50_000, seed=3)
    low, high = np.quantile(every, [0.1, 0.9], method="inverted_cdf")
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))


def test_the_same_seed_gives_the_same_bytes() -> None:
    one, other = bootstrap_by_field(SAVED, AREA, seed=5), bootstrap_by_field(SAVED, AREA, seed=5)
    assert one == other
    assert bootstrap_by_field(SAVED, AREA, seed=6).low != one.low
    assert (one.seed, one.fields, one.resamples) == (5, 12, 9999)


def test_too_few_or_all_alike() -> None:
    alone = bootstrap_by_field([3.0], [6.0])
    assert (alone.estimate, alone.low, alone.high, alone.few_fields) == (0.5, None, None, True)
    alike = bootstrap_by_field([1.0, 2.0, 3.0], [2.0, 4.0, 6.0])
    assert (alike.low, alike.high) == (pytest.approx(0.5), pytest.approx(0.5))
    assert alike.method == "percentile"


def test_the_unit_of_money_does_not_matter() -> None:
    saved = np.array([1.0, 3.0, 2.0, 7.0, 4.0])
    area = np.array([10.0, 20.0, 10.0, 30.0, 25.0])
    plain = bootstrap_by_field(saved, area, resamples=499, seed=3)
    for unit in (2.0**-430, 2.0**-30, 2.0**40):  # powers of two: ties between draws stay ties
        found = bootstrap_by_field(saved * unit, area, resamples=499, seed=3)
        assert found.method == plain.method
        assert (found.low / unit, found.high / unit) == pytest.approx((plain.low, plain.high), rel=1e-12)


@given(
    st.lists(st.tuples(st.floats(0, 100), st.floats(1, 100)), min_size=2, max_size=12),
    st.sampled_from(["bca", "percentile"]),
)
def test_an_interval_lies_within_what_fields_show(rows: list[tuple[float, float]], method: Method) -> None:
    saved, area = (np.array(column) for column in zip(*rows, strict=True))
    found = bootstrap_by_field(saved, area, method=method, resamples=199, seed=1)
    assert found.low is not None
    assert found.high is not None
    ratios = saved / area
    assert ratios.min() - 1e-9 <= found.low <= found.high <= ratios.max() + 1e-9
    doubled = found.times(2.0)
    assert doubled.low == 2 * found.low
    assert doubled.estimate == 2 * found.estimate


def test_bad_input() -> None:
    for amount, base in (([], []), ([1.0], [1.0, 2.0]), ([1.0, np.nan], [1.0, 1.0]), ([1.0, 1.0], [1.0, 0.0])):
        with pytest.raises(InputError):
            bootstrap_by_field(amount, base)
    with pytest.raises(InputError):
        bootstrap_by_field(SAVED, AREA, level=1.0)
    with pytest.raises(InputError):
        bootstrap_by_field(SAVED, AREA, resamples=5)
    with pytest.raises(InputError):
        bootstrap_by_field(SAVED, AREA).times(-1.0)
