"""Best estimates and intervals: arithmetic by hand, and drives whose truth a second engine knows."""

from __future__ import annotations

import numpy as np
import pytest

from swathledger.errors import InputError
from swathledger.estimate.carrier import Headline
from swathledger.estimate.combine import (
    LEAN,
    MISSED,
    ROOT,
    Pull,
    bends_of,
    effect_of,
    growth,
    headline,
    saving_headline,
    switching_of,
)
from swathledger.estimate.states import Moments
from swathledger.estimate.switching import Law, drawn, fitted, leaning, likely, matched


def pull(inside: float, centre: float, plus: float, minus: float) -> Pull:
    return Pull("receiver", inside, np.full(3, centre), np.full(3, plus), np.full(3, minus))


def test_an_error_beside_the_log_adds_its_even_part_and_one_inside_it_is_taken_off() -> None:
    # plus 12, minus 11, centre 10: even (12 + 11) / 2 - 10 = 1.5, odd (12 - 11) / 2 = 0.5
    beside = effect_of(pull(0.0, 10.0, 12.0, 11.0))
    assert (beside.moves, beside.sd) == pytest.approx((1.5, 0.5))
    low, high = growth(1.5, 10.0)
    g = low + LEAN * (high - low)
    inside = effect_of(pull(1.0, 10.0, 12.0, 11.0))
    assert inside.moves == pytest.approx(-1.5 * g)
    assert inside.sd == pytest.approx(np.hypot(0.5, 1.5 * (high - low) / np.sqrt(12.0)))
    # one as likely as the other: the mean of both, and half of what lies between them more
    unsure = effect_of(pull(0.5, 10.0, 12.0, 11.0))
    assert unsure.moves == pytest.approx((1.5 - 1.5 * g) / 2)
    assert unsure.sd == pytest.approx(np.sqrt((beside.sd**2 + inside.sd**2) / 2 + (1.5 * (1 + g) / 2) ** 2))


def test_growth_is_exact_where_a_figure_is_the_root_of_a_variance() -> None:
    # sqrt(c + v), c = 0.5: 1.2247 with the errors once, 1.5811 with them twice, 0.7071 without
    once, twice, without = np.sqrt([1.5, 2.5, 0.5])
    least, most = growth(twice - once, once)
    assert once - least * (twice - once) == pytest.approx(without)
    assert most == ROOT
    # nothing but errors: 1 and sqrt(2), and 0 without
    assert growth(np.sqrt(2.0) - 1.0, 1.0)[0] * (np.sqrt(2.0) - 1.0) == pytest.approx(1.0)


def test_a_headline_adds_what_every_source_says() -> None:
    switched = switching_of(5.0, np.array([3.0, 4.0, 5.0]), np.zeros(0), 0.0)
    found = headline("skip_pct", 6.0, [switched, effect_of(pull(0.0, 4.0, 5.0, 4.0))], 3, 0.3, 0.9, floor=True)
    # 6 + (4 - 5) + 0.5; switching sd MISSED x sqrt(4 / 3), receiver odd 0.5, cells 0.3; t(0.95; 2) = 2.920
    assert found.best == pytest.approx(5.5)
    assert found.high == pytest.approx(5.5 + 2.91999 * np.sqrt(MISSED**2 * 4.0 / 3.0 + 0.25 + 0.09), rel=1e-4)
    assert found.dominant == "switching"
    assert found.moves == pytest.approx({"receiver": 0.5, "switching": -1.0})
    with pytest.raises(InputError):
        Headline("skip_pct", 1.0, 2.0, 3.0, 4.0, 0.9, None, {}, {})


def test_what_scatters_is_the_machine_or_its_model() -> None:
    # 4 on average, 3.5 in the middle of the laws: the scatter adds 0.5
    full, calm = np.array([4.0, 4.0, 4.0]), np.array([3.5, 3.5])
    assert switching_of(5.0, full, calm, 0.0).moves == pytest.approx(-1.0)
    assert switching_of(5.0, full, calm, 1.0).moves == pytest.approx(-2.0)
    unsure = switching_of(5.0, full, calm, 0.5)
    assert (unsure.moves, unsure.sd) == pytest.approx((-1.5, 0.5))


def moments(model_s: np.ndarray, step_s: float, late_s: np.ndarray) -> Moments:
    true = model_s + late_s
    at = np.ceil(true / step_s) * step_s
    n = model_s.shape[0]
    return Moments(
        np.array([-6.0, 6.0]), np.zeros(1, bool), np.arange(1, n + 1), np.zeros(n, np.int64),
        np.arange(n) % 2 == 0, at - step_s, at, np.arange(n), False,
    )  # fmt: skip


def test_shift_and_spread_are_told_from_steps_much_longer_than_either() -> None:
    rng = np.random.default_rng(3)
    model = np.sort(rng.uniform(0.0, 40_000.0, 400))
    late = np.where(np.arange(400) % 2 == 0, 0.3, -0.1) + 0.08 * rng.standard_normal(400)
    seen = moments(model, 1.0, late)
    law = fitted(seen, model, np.zeros(400), 0.5, rng)
    assert law.shift_s.mean(axis=0) == pytest.approx([-0.1, 0.3], abs=0.04)
    assert 0.03 < np.median(law.spread_s) < 0.16
    assert np.sqrt(np.mean((likely(seen, law) - (model + late)) ** 2)) < 0.12
    draws = np.stack([drawn(seen, law, rng) for _ in range(40)])
    assert bool(np.all((draws >= seen.before_s) & (draws <= seen.at_s)))
    # the middle of a step is off by 0.29 s rms; the draws are off by the spread, twice over as they are draws
    assert np.sqrt(np.mean((draws - (model + late)) ** 2)) < 0.2


def test_moments_that_no_model_knows_lie_anywhere_in_their_step() -> None:
    rng = np.random.default_rng(4)
    model = np.arange(50.0) * 10 + 5.0
    seen = moments(model, 2.0, np.zeros(50))
    law = Law(np.zeros((1, 2)), np.ones(1), np.ones(1), np.full(1, 0.1), np.full(50, np.nan), np.zeros(50), 0.0)
    share = np.concatenate([(drawn(seen, law, rng) - seen.before_s) / 2.0 for _ in range(60)])
    assert np.quantile(share, [0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9], abs=0.04)


def test_the_nearest_moment_of_the_same_valve_and_direction_is_its_models() -> None:
    seen = moments(np.array([10.2, 20.4]), 1.0, np.zeros(2))
    model = matched(seen, np.array([10.3, 19.9, 20.5]), np.zeros(3, np.int64), np.array([True, True, False]))
    assert model.tolist() == [10.3, 20.5]
    far = matched(seen, np.array([14.0]), np.zeros(1, np.int64), np.array([True]))
    assert not np.isfinite(far).any()


def test_a_seam_met_at_a_shallow_angle_moves_the_model_far_for_little() -> None:
    # sections of 3 m; the second meets the seam 1.5 s after the first: 0.5 s for a metre
    edges, none = np.array([0.0, 3.0, 6.0]), np.array([True])
    lean = leaning(edges, np.array([10.0, 11.5]), np.array([0, 1]), np.array([True, True]), np.array([10.0]),
                   np.array([0]), none)  # fmt: skip
    assert lean.tolist() == [0.5]
    alone = leaning(edges, np.array([10.0]), np.array([0]), none, np.array([10.0]), np.array([0]), none)
    assert alone.tolist() == [4.0]


def test_a_saving_lies_where_valves_moved_unless_the_receiver_steers() -> None:
    switched, errors = np.array([1.0, 1.2]), np.array([1.4, 1.6, 1.5, 1.5])
    # errors: mean 1.5, sd 0.0816, x sqrt(5 / 4) = 0.0913; t(0.95; 3) = 2.353
    steers = saving_headline("saved_pct:6", 2.0, switched, errors, 0.0, 0.9, True)
    assert (steers.best, steers.high) == pytest.approx((1.5, 1.5 + 2.3534 * 0.0913), abs=1e-3)
    other = saving_headline("saved_pct:6", 2.0, switched, errors, 0.0, 0.9, False)
    # it may be wrong by 1.5 - 1.1 = 0.4: 1.645 of it
    assert (other.best, other.high) == pytest.approx((1.1, 1.1 + np.hypot(2.3534 * 0.0913, 1.6449 * 0.4)), abs=1e-3)


def test_a_tenth_of_what_thinned_rows_do_is_taken_off() -> None:
    found = bends_of(np.array([1.0, 0.6]))
    assert (found.moves, found.sd) == pytest.approx((-0.08, 0.128))
