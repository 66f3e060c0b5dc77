"""The bootstrap over fields by exhaustion, how often it holds the truth, and its repeatability."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from swathledger.errors import InputError
from swathledger.money.interval import bootstrap_by_field

SAVED = np.array([12.0, 30.0, 5.0, 44.0, 18.0, 9.0, 61.0, 22.0, 15.0, 27.0, 3.0, 35.0])
AREA = np.array([40.0, 62.0, 25.0, 80.0, 55.0, 30.0, 90.0, 47.0, 33.0, 70.0, 21.0, 64.0])


def jackknife(saved: list[float], area: list[float]) -> tuple[float, float]:
    """Ratio of sums and its error, by really leaving each field out."""
    n, ratio = len(saved), sum(saved) / sum(area)
    without = [(sum(saved) - saved[k]) / (sum(area) - area[k]) for k in range(n)]
    return ratio, math.sqrt((n - 1) / n * sum((value - ratio) ** 2 for value in without))


@pytest.mark.parametrize(
    ("saved", "area", "level"),
    [
        ([1.0, 2.0, 6.0], [10.0, 10.0, 10.0], 0.8),
        ([1.0, 2.0, 6.0, 3.0], [10.0, 30.0, 5.0, 20.0], 0.7),
        ([1.0, 2.0, -6.0, 3.0, 40.0], [10.0, 30.0, 15.0, 20.0, 80.0], 0.9),
    ],
)
def test_few_fields_by_exhaustion(saved: list[float], area: list[float], level: float) -> None:
    # all draws of the fields: the studentised ratios of those that hold more than one
    ratio, error = jackknife(saved, area)
    every = []
    for pick in itertools.product(range(len(saved)), repeat=len(saved)):
        again, spread = jackknife([saved[k] for k in pick], [area[k] for k in pick])
        if spread > 1e-9 * error:
            every.append((again - ratio) / spread)
    tail = (1 - level) / 2
    lower, upper = np.quantile(every, [tail, 1 - tail], method="inverted_cdf")
    effective = sum(area) ** 2 / sum(value**2 for value in area)
    student = float(stats.t.ppf(1 - tail, max(effective - 1, 1.0)))
    found = bootstrap_by_field(saved, area, level=level, resamples=200_000, seed=3)
    assert found.method == "bootstrap-t"
    assert found.estimate == pytest.approx(ratio)
    # the farther of drawn and Student's, no farther than twice Student's
    down, up = (min(max(end, student), 2 * student) for end in (upper, -lower))
    assert found.low == pytest.approx(ratio - down * error, rel=0.02, abs=0.02 * error)
    assert found.high == pytest.approx(ratio + up * error, rel=0.02, abs=0.02 * error)


def test_student_s_t_is_the_least_by_hand() -> None:
    # 2, 3, 4 over 1 each: mean 3, sd 1, error 1 / sqrt(3); t of 2 degrees of freedom at 95 % is 2.920
    found = bootstrap_by_field([2.0, 3.0, 4.0], [1.0, 1.0, 1.0])
    assert found.low is not None
    assert found.high is not None
    assert found.low <= 3 - 2.9199 / math.sqrt(3)
    assert found.high >= 3 + 2.9199 / math.sqrt(3)


@pytest.mark.slow
@pytest.mark.parametrize("fields", [3, 6, 10, 30])
@pytest.mark.parametrize(("sigma", "uneven"), [(0.5, 0.0), (0.5, 0.7), (0.8, 0.0), (0.8, 0.7)])
def test_intervals_of_90_percent_hold_the_truth_about_as_often(fields: int, sigma: float, uneven: float) -> None:
    """Savings a hectare are log-normal, fields alike in size or log-normal too; the truth is exp(sigma^2 / 2)."""
    rng = np.random.default_rng(29)
    worlds, held = 1000, 0
    for world in range(worlds):
        area = 40.0 * np.exp(uneven * rng.standard_normal(fields))
        saved = area * np.exp(sigma * rng.standard_normal(fields))
        found = bootstrap_by_field(saved, area, resamples=499, seed=world)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= math.exp(sigma**2 / 2) <= found.high
    assert 0.85 <= held / worlds <= 0.95


def test_the_same_seed_gives_the_same_bytes() -> None:
    one, other = bootstrap_by_field(SAVED, AREA, seed=5), bootstrap_by_field(SAVED, AREA, seed=5)
    assert one == other
    assert bootstrap_by_field(SAVED, AREA, seed=6) != one
    assert (one.seed, one.fields, one.resamples) == (5, 12, 9999)
    assert one.estimate == pytest.approx(281 / 617)  # sums by hand


def test_too_few_or_all_alike() -> None:
    alone = bootstrap_by_field([3.0], [6.0])
    assert (alone.estimate, alone.low, alone.high, alone.few_fields) == (0.5, None, None, True)
    alike = bootstrap_by_field([1.0, 2.0, 3.0], [2.0, 4.0, 6.0])
    assert (alike.low, alike.high) == (pytest.approx(0.5), pytest.approx(0.5))


def test_the_unit_of_money_does_not_matter() -> None:
    saved = np.array([1.0, 3.0, 2.0, 7.0, 4.0])
    area = np.array([10.0, 20.0, 10.0, 30.0, 25.0])
    plain = bootstrap_by_field(saved, area, resamples=499, seed=3)
    for unit in (2.0**-430, 2.0**-30, 2.0**40):  # powers of two: ties between draws stay ties
        found = bootstrap_by_field(saved * unit, area, resamples=499, seed=3)
        assert found.low is not None
        assert found.high is not None
        assert (found.low / unit, found.high / unit) == pytest.approx((plain.low, plain.high), rel=1e-12)


@given(st.lists(st.tuples(st.floats(-100, 100), st.floats(1, 100)), min_size=3, max_size=12), st.floats(0.5, 0.99))
def test_an_interval_holds_its_estimate_and_grows_with_its_level(rows: list[tuple[float, float]], level: float) -> None:
    saved, area = (np.array(column) for column in zip(*rows, strict=True))
    found = bootstrap_by_field(saved, area, level=level, resamples=199, seed=1)
    wider = bootstrap_by_field(saved, area, level=1 - (1 - level) / 2, resamples=199, seed=1)
    assert found.low is not None
    assert found.high is not None
    assert wider.low is not None
    assert wider.high is not None
    slack = 1e-9 * (1 + abs(found.estimate))
    assert wider.low - slack <= found.low <= found.estimate + slack
    assert found.estimate - slack <= found.high <= wider.high + slack
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
