"""From draws to intervals: extrapolation by hand, what layouts share, and how often a known truth is held."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.errors import InputError
from swathledger.study.headline import finest_of
from swathledger.study.simulation_extrapolation import (
    REDUCED,
    Excess,
    excess_by_figure,
    excess_over_read,
    excess_over_reduced,
    factors,
    interval_for_truth,
    stretch_of,
)


def test_factors_are_those_of_a_variance_and_of_its_root():
    # variance v + v added: 2 in excess, added 1. Root: sqrt(2) in excess, sqrt(2) - 1 added.
    assert factors(0.0) == pytest.approx((2.0, 2**0.5 / (2**0.5 - 1)))
    # from 1 + 1/16: 2 / (15/16), and sqrt(2) / (sqrt(2) - sqrt(17) / 4)
    assert factors(0.25) == pytest.approx((2.1333, 3.6882), abs=1e-4)


def test_interval_by_hand():
    assert [round(stretch_of(n, 0.9, n**-0.5), 2) for n in (10, 40, 200)] == [1.17, 1.04, 1.01]
    # Draws spread evenly over -1..1 about 5, no excess: 90 % is -0.9..0.9.
    assert interval_for_truth(np.linspace(4.0, 6.0, 2001), Excess((), 0.0), 0.9) == pytest.approx((4.1, 5.9), abs=1e-3)
    # a middle known to as much as the spread itself: sqrt(2) wider
    wide = interval_for_truth(np.linspace(4.0, 6.0, 2001), Excess((), 3**-0.5), 0.9)
    assert wide == pytest.approx((5 - 0.9 * 2**0.5, 5 + 0.9 * 2**0.5), abs=1e-2)
    # All draws alike, 0.2 above the figure as read: 0.4 to 0.683 in excess, evenly.
    draws = np.full(10, 5.2)
    low, high = interval_for_truth(draws, excess_over_read(5.0, draws), 0.9)
    assert high == pytest.approx(5.2 - (0.4 + 0.05 * 0.2828), abs=0.01)
    assert low == pytest.approx(5.2 - (0.4 + 0.95 * 0.2828), abs=0.01)


def test_outcomes_stay_where_they_were_drawn_and_errors_are_turned_round():
    # eight drives without the sliver, four with it: as errors 8 of 12 lie above, as outcomes below
    draws = np.repeat([10.0, 13.0], [8, 4])
    error = interval_for_truth(draws, Excess((), 0.0), 0.9)
    outcome = interval_for_truth(draws, Excess((), 0.0, outcomes=True), 0.9)
    stretch = stretch_of(12, 0.9, 0.0)
    assert outcome == pytest.approx((11 - stretch, 11 + 2 * stretch))
    assert error == pytest.approx((11 - 2 * stretch, 11 + stretch))


def test_an_area_below_nothing_is_nothing_but_a_saving_may_be_negative():
    excess = Excess(((2.0, 2.0),), 0.0)
    assert interval_for_truth(np.linspace(0.0, 2.0, 101), excess, 0.9)[0] == 0.0
    assert interval_for_truth(np.linspace(0.0, 2.0, 101), excess, 0.9, floor=False)[0] < 0.0
    assert interval_for_truth(np.linspace(-1.0, 2.0, 101), excess, 0.9)[0] < 0.0


def test_figure_that_grows_with_the_root_of_variance_and_one_that_grows_in_line_are_both_held():
    # mean |noise| = sigma sqrt(2 / pi): true 0, read with sigma 1, redrawn with sigma sqrt(2).
    read, again = (2 / np.pi) ** 0.5, (2 / np.pi) ** 0.5 * 2**0.5
    rng = np.random.default_rng(1)
    draws = again + rng.normal(0, 0.02, 400)
    low, high = interval_for_truth(draws, excess_over_read(read, draws), 0.9)
    assert low <= 0.02
    # mean noise^2 = sigma^2: true 0, read 1, redrawn 2.
    draws = 2.0 + rng.normal(0, 0.2, 400)
    low, high = interval_for_truth(draws, excess_over_read(1.0, draws), 0.9)
    assert low == 0.0
    assert high >= 0.0


def test_excess_of_the_finest_along_edges_bounds_that_of_wider_groups():
    drawn = {
        "over_pct:as logged": np.full(10, 3.0), "skip_pct:as logged": np.full(10, 2.0),
        "over_pct:boom": np.full(10, 8.0), "over_pct:nozzle": np.full(10, 1.0), "over_pct:limit": np.full(10, 0.1),
        "saving:as logged:nozzle": np.full(10, 2.0), "saving:boom:nozzle": np.full(10, 7.0),
    }  # fmt: skip
    centre = {"over_pct:as logged": 2.8, "skip_pct:as logged": 1.9, "over_pct:boom": 9.9, "over_pct:nozzle": 0.2}
    found = excess_by_figure(centre, {"over_pct:nozzle": np.full(10, 0.85)}, drawn)
    a, b = factors(0.0)
    d = factors(REDUCED)[1]
    assert (found["over_pct:as logged"].least, found["over_pct:as logged"].most) == pytest.approx((0.2 * a, 0.2 * b))
    assert (found["skip_pct:as logged"].least, found["skip_pct:as logged"].most) == pytest.approx((0.1 * a, 0.1 * b))
    # the boom's own figure as read, 9.9, is no centre
    nozzle, boom = found["over_pct:nozzle"], found["over_pct:boom"]
    assert (nozzle.least, nozzle.most) == pytest.approx((0.15, 0.15 * d))
    assert (boom.least, boom.most) == pytest.approx((0.0, 0.15 * d))
    assert found["over_pct:limit"] == Excess((), 0.0)
    assert (found["saving:boom:nozzle"].least, found["saving:boom:nozzle"].most) == pytest.approx((-0.15, 0.0))
    assert [found[name].outcomes for name in ("over_pct:boom", "over_pct:nozzle", "over_pct:as logged")] == [1, 0, 0]
    both = found["saving:as logged:nozzle"]
    assert (both.least, both.most) == pytest.approx((0.2 * a - 0.15 * d, 0.2 * b - 0.15))
    assert both.spread().mean() == pytest.approx(0.1 * (a + b) - 0.075 * (1 + d))
    assert finest_of(drawn) == "nozzle"
    assert finest_of(["over_pct:as logged"]) is None
    with pytest.raises(InputError, match="quarter"):
        excess_by_figure(centre, {}, drawn)


def test_error_of_the_middle_is_that_of_repeated_draws():
    """Smooth figures from the same numbers, and a jump of its own in every draw: the error stated is the one found."""
    rng = np.random.default_rng(4)
    middles, stated = [], []
    for _ in range(2000):
        z, jump = rng.standard_normal(40), rng.normal(0, 0.4, (2, 40))
        draws, reduced = 5 + z + jump[0], 5 + 0.25 * z[:10] + jump[1, :10]
        excess = excess_over_reduced(reduced, draws)
        middles.append(draws.mean() - (excess.least + excess.most) / 2)
        stated.append(excess.error)
    assert np.mean(np.square(stated)) ** 0.5 == pytest.approx(np.std(middles), rel=0.06)


@pytest.mark.parametrize("jump", [0.0, 0.15, 0.6])
def test_a_figure_that_jumps_is_held_as_often_as_said(jump):
    """Sixty edges that add up with variance, an error common to all, and outcomes that jump drawn anew.

    Sizes as in the worlds of test_world_coverage.py: 0.2 in excess, 0.15 smooth.
    """
    rng = np.random.default_rng(7)

    def edges(error):
        return 1.0 + 0.1 * np.square(error[1:]).mean(axis=0)

    def wide(error):
        return 4.0 + edges(error) + 0.15 * error[0] + jump * rng.standard_normal(error.shape[1])

    held = []
    for _ in range(1000):
        once, added = rng.standard_normal((61, 1)), rng.standard_normal((61, 40))
        truth = float(wide(np.zeros((61, 1)))[0])
        fine = edges(once + added)
        drawn = {"over_pct:as logged": fine, "over_pct:boom": wide(once + added), "over_pct:nozzle": fine,
                 "saving:as logged:nozzle": 0.0 * fine}  # fmt: skip
        reduced = {"over_pct:nozzle": edges(once + REDUCED * added[:, :10])}
        excess = excess_by_figure({"over_pct:as logged": float(edges(once)[0])}, reduced, drawn)["over_pct:boom"]
        low, high = interval_for_truth(drawn["over_pct:boom"], excess, 0.9)
        held.append(low <= truth <= high)
    assert 0.85 <= np.mean(held) <= 0.95


def test_error_of_a_wider_groups_middle_holds_its_own_and_the_finests():
    rng = np.random.default_rng(2)
    wide, fine, reduced = rng.normal(8, 0.5, 25), rng.normal(1, 0.2, 25), rng.normal(1, 0.1, 10)
    drawn = {"over_pct:as logged": fine, "over_pct:boom": wide, "over_pct:nozzle": fine,
             "saving:as logged:nozzle": 0 * fine, "saving:boom:nozzle": wide - fine}  # fmt: skip
    found = excess_by_figure({"over_pct:as logged": 1.0}, {"over_pct:nozzle": reduced}, drawn)
    edges = excess_over_reduced(reduced, fine).error
    own = wide.std(ddof=1) / 5.0
    assert edges > 0.05
    assert found["over_pct:boom"].error == pytest.approx((own**2 + edges**2) ** 0.5)
    assert found["saving:boom:nozzle"].error == pytest.approx((wide - fine).std(ddof=1) / 5.0)
