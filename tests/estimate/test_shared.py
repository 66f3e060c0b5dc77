"""What drives share, by hand; and intervals over fields and errors: by hand, and how often they hold a known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from swathledger.documents.ledger import LedgerEstimate
from swathledger.estimate.shared import Part, over_fields, parts_of, stretch_of
from swathledger.statistics import ratio_over_fields

Z = 1.6448536269514722


def line(quantity="over_application_pct", *, read=2.0, best=2.0, reach=1.0, level=0.9, **by_source):
    return LedgerEstimate(
        quantity=quantity, read=read, best=best, low=best - reach, high=best + reach, level=level, dominant=None,
        by_source=by_source, moves={},
    )  # fmt: skip


def split(of, *lines):
    found = parts_of(of, lines or (of,), job="j", machine="m", client="c")
    return {(part.source, part.group): part.sd for part in found}


def test_whose_each_source_is():
    found = split(line(antenna=1.0, latency=2.0, headings=3.0, bends=4.0, boundary=5.0, cells=6.0, switching=7.0))
    machine = {("antenna", "machine m"): 1.0, ("latency", "machine m"): 2.0, ("headings", "machine m"): 3.0,
               ("bends", "machine m"): 4.0}  # fmt: skip
    # nothing was taken off, so nothing of it is alike
    assert found == machine | {("boundary", "client c"): 5.0, ("cells", "job j"): 6.0, ("switching", "job j"): 7.0}


def test_a_fifth_of_what_was_taken_off_is_the_machines():
    # 3.0 read, best 2.0: 0.2 of switching's and receiver's root of squares, 0.5, are alike: 16 % of their variance
    found = split(line(read=3.0, best=2.0, switching=0.4, receiver=0.3))
    assert found == pytest.approx({
        ("switching", "job j"): 0.4 * math.sqrt(0.84), ("switching", "machine m"): 0.16,
        ("receiver", "job j"): 0.3 * math.sqrt(0.84), ("receiver", "machine m"): 0.12,
    })  # fmt: skip
    # a miss cannot be larger than what the drive knows of its errors
    assert split(line(read=9.0, best=2.0, switching=0.4)) == {("switching", "machine m"): 0.4}


@given(
    st.dictionaries(
        st.sampled_from(["switching", "receiver", "antenna", "boundary", "cells", "errors", "model"]),
        st.floats(0.01, 10.0), min_size=1,
    ),
    st.floats(0.0, 9.0),
    st.floats(0.0, 9.0),
)  # fmt: skip
def test_squares_of_all_parts_are_those_of_the_sources(by_source, read, best):
    of = line("saved_pct:nozzle", read=read, best=best, **by_source)
    found = split(of, of, line(antenna=0.3, switching=0.4))
    assert math.hypot(*found.values()) == pytest.approx(math.hypot(*by_source.values()))


def test_reach_to_either_side_in_its_own_sd():
    skewed = LedgerEstimate(
        quantity="skip_pct", read=1.0, best=1.0, low=1.0 - Z, high=1.0 + 2 * Z, level=0.9, dominant=None,
        by_source={"switching": 0.6, "receiver": 0.8},
    )  # fmt: skip
    assert stretch_of(skewed) == pytest.approx((1.0, 2.0))
    assert stretch_of(line()) == (0.0, 0.0)


def test_three_equal_fields_by_hand():
    # 2, 3, 4: mean 3, error 1 / sqrt(3), t of 2 degrees 2.920 (no resample goes farther). The machine's 0.5 is in all
    # three and shows in none of their differences; own errors of 0.3 are in their spread already.
    parts = [[Part("antenna", "machine m", 0.5), Part("switching", f"job {k}", 0.3)] for k in range(3)]
    found = over_fields(np.array([2.0, 3.0, 4.0]), np.ones(3), parts, resamples=999)
    reach = math.hypot(2.91999 / math.sqrt(3), Z * 0.5)
    assert (found.low, found.high) == (pytest.approx(3 - reach, rel=1e-4), pytest.approx(3 + reach, rel=1e-4))
    assert (found.holds, found.shared_sd, found.own_sd) == ("fields_and_errors", 0.5, pytest.approx(0.3 / math.sqrt(3)))
    assert found.by_source == pytest.approx({"antenna": 0.5, "switching": 0.3 / math.sqrt(3)})


def test_what_two_machines_differ_in_shows_in_the_spread():
    # fields a, b of one machine and c, d of another, 0.5 each: of the six pairs of fields two share it, so
    # 2 x 0.25 / 6 of variance is not shown, where one machine for all hides 0.25.
    values = np.array([1.0, 2.0, 3.0, 4.0])
    plain = ratio_over_fields(values, np.ones(4), resamples=999)
    two, one = (
        over_fields(values, np.ones(4), [[Part("antenna", f"machine {m}", 0.5)] for m in names], resamples=999)
        for names in ("aabb", "aaaa")
    )
    for found, unseen in ((two, 0.5 / 6), (one, 0.25)):
        assert 2.5 - found.low == pytest.approx(math.hypot(2.5 - plain[0], Z * math.sqrt(unseen)))
        assert found.high - 2.5 == pytest.approx(math.hypot(plain[1] - 2.5, Z * math.sqrt(unseen)))


def test_large_fields_by_hand():
    # amounts 4, 6, 20 over 1, 2, 4; one error of 0.1, 0.2, 0.4 (in proportion to base) is not shown at all:
    # sum 0.7 of 7. One of 0.7, 0, 0 and nothing else is the first field's own.
    amount, base = np.array([4.0, 6.0, 20.0]), np.array([1.0, 2.0, 4.0])
    plain = ratio_over_fields(amount, base, resamples=999)
    even = over_fields(amount, base, [[Part("x", "machine m", sd)] for sd in (0.1, 0.2, 0.4)], resamples=999)
    assert even.high - even.value == pytest.approx(math.hypot(plain[1] - even.value, Z * 0.1))
    own = over_fields(amount, base, [[Part("x", "job 0", 0.7)], [], []], resamples=999)
    assert (own.low, own.high) == pytest.approx(plain)
    assert (own.own_sd, own.shared_sd) == (pytest.approx(0.1), 0.0)


def test_no_narrower_than_the_errors_of_the_drives():
    # three fields that agree to the last digit are known no better than their drives
    parts = [[Part("switching", f"job {k}", 0.3)] for k in range(3)]
    found = over_fields(np.full(3, 2.0), np.ones(3), parts, resamples=199)
    assert found.high - 2.0 == pytest.approx(Z * 0.3 / math.sqrt(3))


def test_what_is_not_known_is_said():
    two = [[Part("antenna", "machine m", 0.3), Part("switching", f"job {k}", 0.4)] for k in range(2)]
    found = over_fields(np.array([1.0, 2.0]), np.ones(2), two)
    assert found.holds == "errors"
    assert found.high - found.value == pytest.approx(Z * math.hypot(0.3, 0.4 / math.sqrt(2)))
    bare = over_fields(np.array([1.0, 2.0]), np.ones(2), None)
    assert (bare.holds, bare.low, bare.high, bare.own_sd) == ("nothing", None, None, None)
    plain = over_fields(np.array([1.0, 2.0, 5.0]), np.ones(3), None, resamples=999)
    assert (plain.holds, (plain.low, plain.high)) == (
        "fields",
        ratio_over_fields(np.array([1.0, 2.0, 5.0]), np.ones(3), resamples=999),
    )


def worlds(fields, machines, *, law, own, shared, count, errors_known=True):
    """How often 90 % intervals hold the mean of the law, and their median half width over that of an oracle.

    Estimate = truth + own error of the field + error of its machine. The oracle knows the law's spread and all errors.
    """
    rng = np.random.default_rng([fields, machines, round(100 * shared)])
    mean, sd, draw = {
        "normal": (3.0, 1.0, lambda: rng.normal(3.0, 1.0, fields)),
        "skewed": (math.exp(0.125), math.sqrt((math.exp(0.25) - 1) * math.exp(0.25)),
                   lambda: rng.lognormal(0.0, 0.5, fields)),
    }[law]  # fmt: skip
    of = np.arange(fields) % machines
    parts = [[Part("switching", f"job {k}", own), Part("antenna", f"machine {m}", shared)] for k, m in enumerate(of)]
    held, half = 0, []
    for world in range(count):
        seen = draw() + own * rng.standard_normal(fields) + shared * rng.standard_normal(machines)[of]
        found = over_fields(seen, np.ones(fields), parts if errors_known else None, resamples=399, seed=world)
        held += found.low <= mean <= found.high
        half.append((found.high - found.low) / 2)
    crowd = np.bincount(of) / fields
    oracle = math.sqrt((sd**2 + own**2) / fields + shared**2 * float((crowd**2).sum()))
    return held / count, float(np.median(half)) / (Z * oracle)


@pytest.mark.parametrize("fields", [3, 6, 10, 30])
@pytest.mark.parametrize("machines", [1, 2])
@pytest.mark.parametrize("law", ["normal", "skewed"])
def test_intervals_hold_the_mean_of_all_fields_as_often_as_they_say(fields, machines, law):
    held, width = worlds(fields, machines, law=law, own=0.3, shared=0.25, count=400)
    assert 0.85 <= held <= 0.96  # 400 worlds: one standard error is 1.5 points
    # Student's t of few fields is itself wider than the normal law: 1.78 times for 3
    assert width <= 1.35 * float(stats.t.ppf(0.95, fields - 1)) / Z


@pytest.mark.parametrize("fields", [10, 30])
def test_without_the_shared_errors_they_would_not(fields):
    """The simulation can fail: an interval over fields only misses far more often than one in ten."""
    held, _ = worlds(fields, 1, law="normal", own=0.3, shared=0.5, count=400, errors_known=False)
    assert held < 0.75
    held, _ = worlds(fields, 1, law="normal", own=0.3, shared=0.5, count=400)
    assert 0.85 <= held <= 0.95
