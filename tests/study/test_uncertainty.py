"""Monte Carlo on small drives: what it returns, that it repeats, and that it names the right source."""

from __future__ import annotations

import numpy as np
import pytest
from worlds import PLANE, driven, prepared, small_field

from swathledger.audit import compute
from swathledger.errors import InputError
from swathledger.study.headline import headlines
from swathledger.study.perturb import NOTHING, ErrorModel, only
from swathledger.study.sensitivity import sensitivity, variants_of
from swathledger.study.uncertainty import interval_for_truth, monte_carlo, redraw, stretch_of


@pytest.fixture(scope="module")
def base():
    field = small_field(3)
    return prepared(driven(field, seed=3).logged(PLANE), field, groups=("boom", "nozzle"))


def test_interval_by_hand():
    assert [round(stretch_of(n, 0.9), 2) for n in (10, 40, 200)] == [1.17, 1.04, 1.01]
    # Draws spread evenly over -1..1 about the centre, mean effect 0: the factor does not matter, 90 % is -0.9..0.9.
    assert interval_for_truth(5.0, np.linspace(4.0, 6.0, 2001), 0.9) == pytest.approx((4.1, 5.9), abs=1e-3)
    # All draws alike, 0.2 above the centre: truth lies 0.2 x factor below, factor evenly in 1..1 / (sqrt(2) - 1).
    low, high = interval_for_truth(5.0, np.full(10, 5.2), 0.9)
    span = 1 / (2**0.5 - 1) - 1
    assert high == pytest.approx(5.0 - 0.2 * (1 + 0.05 * span), abs=0.01)
    assert low == pytest.approx(5.0 - 0.2 * (1 + 0.95 * span), abs=0.01)
    # A replay may not pile them up at all: the factor starts at 0.
    high = interval_for_truth(5.0, np.full(10, 5.2), 0.9, replayed=True)[1]
    assert high == pytest.approx(5.0 - 0.2 * 0.05 * (1 + span), abs=0.01)


def test_figure_that_grows_with_the_root_of_variance_and_one_that_grows_in_line_are_both_held():
    # mean |noise| = sigma sqrt(2 / pi): true 0, read with sigma 1, redrawn with sigma sqrt(2).
    read, again = (2 / np.pi) ** 0.5, (2 / np.pi) ** 0.5 * 2**0.5
    rng = np.random.default_rng(1)
    low, high = interval_for_truth(read, again + rng.normal(0, 0.02, 400), 0.9)
    assert low <= 0.02
    # mean noise^2 = sigma^2: true 0, read 1, redrawn 2.
    low, high = interval_for_truth(1.0, 2.0 + rng.normal(0, 0.2, 400), 0.9)
    assert low == 0.0
    assert high >= 0.0


def test_an_area_below_nothing_is_nothing_but_a_saving_may_be_negative():
    assert interval_for_truth(0.1, np.linspace(0.0, 2.0, 101), 0.9)[0] == 0.0
    assert interval_for_truth(0.1, np.linspace(-1.0, 2.0, 101), 0.9)[0] < 0.0


def test_headlines_are_those_of_the_audit(base):
    audit = compute(base)
    found = {h.name: h for h in headlines(audit)}
    areas = audit.accounting.areas
    assert found["over_pct:as logged"].value == pytest.approx(100 * areas.m2("over_application") / areas.m2("target"))
    boom, nozzle = (found[f"over_pct:{name}"].value for name in ("boom", "nozzle"))
    assert found["saving:boom:nozzle"].value == pytest.approx(boom - nozzle)
    assert set(found) == {
        "over_pct:as logged", "over_pct:boom", "over_pct:nozzle", "skip_pct:as logged", "saving:as logged:nozzle",
        "saving:boom:nozzle",
    }  # fmt: skip


def test_same_seed_same_ranges_and_more_draws_keep_the_first(base):
    errors = only(ErrorModel(gnss_sigma_m=0.05), "gnss")
    few, _ = redraw(base, errors, 3, 11)
    more, failed = redraw(base, errors, 5, 11)
    assert failed == 0
    for name, values in few.items():
        assert np.array_equal(values, more[name][:3])


def test_no_error_leaves_no_range(base):
    found = monte_carlo(base, 10, errors=NOTHING)
    for f in found.figures:
        assert (f.low, f.high) == pytest.approx((f.centre, f.centre))
        assert (f.sd, f.dominant) == (0.0, None)
    assert found.dominant_words == "No source of error moves the figures."


def test_the_largest_source_is_named(base):
    found = monte_carlo(base, 10, errors=ErrorModel(gnss_sigma_m=0.001, boundary_sigma_m=2.0, antenna_sigma_m=0.001,
                                                    latency_sigma_s=0.001, log_step=0.0))  # fmt: skip
    first = found.figures[0]
    assert first.name == "over_pct:as logged"
    assert first.dominant == "boundary"
    assert found.dominant_words.startswith("The boundary's error dominates")
    document = found.document()
    assert document["errors"]["boundary_sigma_m"] == 2.0
    assert {f["name"] for f in document["figures"]} == {h.name for h in headlines(compute(base))}


def test_common_numbers_make_differences_sharper_than_figures(base):
    values, _ = redraw(base, only(ErrorModel(boundary_sigma_m=1.0), "boundary"), 16, 2)
    boom, nozzle = values["over_pct:boom"], values["over_pct:nozzle"]
    # Each layout is replayed on the same redrawn field: errors that both share cancel.
    assert (boom - nozzle).var() < boom.var() + nozzle.var()
    assert np.corrcoef(boom, nozzle)[0, 1] > 0


def test_too_few_draws_are_refused(base):
    with pytest.raises(InputError, match="at least 10"):
        monte_carlo(base, 5)


def test_sensitivity_moves_one_choice_at_a_time(base):
    found = sensitivity(base, finer_cells=False)
    names = [v["variant"] for v in found["variants"]]
    assert names == ["cell_double", "revisit_half", "revisit_double", "off_0.5", "off_0.75", "gap_half", "gap_double"]
    change = {v["variant"]: v["change"] for v in found["variants"]}
    # What was done does not depend on how a replay would shut; the replay does.
    assert change["off_0.5"]["over_pct:as logged"] == 0.0
    assert change["off_0.5"]["over_pct:boom"] < 0.0
    # The log has no gaps to bridge or not.
    assert change["gap_double"]["over_pct:as logged"] == 0.0
    assert variants_of(base)[0].changes == {"cell_m": 0.25}
