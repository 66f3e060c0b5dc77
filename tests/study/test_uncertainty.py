"""Monte Carlo on small drives: what it returns, that it repeats, and that it names the right source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pathkit import logged
from worlds import PLANE, driven, prepared, small_field

from swathledger.audit import compute
from swathledger.errors import InputError
from swathledger.study.headline import headlines
from swathledger.study.perturb import NO_ERROR, ErrorModel, only, scaled
from swathledger.study.sensitivity import sensitivity, variants_of
from swathledger.study.uncertainty import monte_carlo, redraw


@pytest.fixture(scope="module")
def base():
    field = small_field(3)
    return prepared(logged(driven(field, seed=3), PLANE), field, groups=("boom", "nozzle"))


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


def test_savings_run_from_the_widest_to_the_finest_whatever_the_order(base):
    names = ["6", "boom", "nozzle", "2", "limit"]
    found = {h.name: h.value for h in headlines(compute(replace(base, settings=replace(base.settings, groups=names))))}
    assert [name for name in found if name.startswith("saving:")] == ["saving:as logged:nozzle", "saving:boom:nozzle"]
    assert found["saving:boom:nozzle"] == pytest.approx(found["over_pct:boom"] - found["over_pct:nozzle"])


def test_same_seed_same_ranges_and_more_draws_keep_the_first(base):
    errors = only(ErrorModel(gnss_sigma_m=0.05), "gnss")
    few, _ = redraw(base, errors, 3, 11)
    more, failed = redraw(base, errors, 5, 11)
    assert failed == 0
    for name, values in few.items():
        assert np.array_equal(values, more[name][:3])


def test_no_error_leaves_no_range(base):
    found = monte_carlo(base, 10, errors=NO_ERROR)
    for f in found.figures:
        assert (f.low, f.high) == pytest.approx((f.centre, f.centre))
        assert (f.sd, f.dominant) == (0.0, None)
    assert found.dominant == "No source of error moves the figures."


def test_the_largest_source_is_named(base):
    found = monte_carlo(base, 10, errors=ErrorModel(gnss_sigma_m=0.001, boundary_sigma_m=2.0, antenna_sigma_m=0.001,
                                                    latency_sigma_s=0.001, log_step=0.0))  # fmt: skip
    first = found.figures[0]
    assert first.name == "over_pct:as logged"
    assert first.dominant == "boundary"
    assert found.dominant.startswith("The boundary's error dominates")
    assert found.errors["boundary_sigma_m"] == 2.0
    assert {f.name for f in found.figures} == {h.name for h in headlines(compute(base))}


def test_common_numbers_make_differences_sharper_than_figures(base):
    values, _ = redraw(base, only(ErrorModel(boundary_sigma_m=1.0), "boundary"), 16, 2)
    boom, nozzle = values["over_pct:boom"], values["over_pct:nozzle"]
    # Each layout is replayed on the same redrawn field: errors that both share cancel.
    assert (boom - nozzle).var() < boom.var() + nozzle.var()
    assert np.corrcoef(boom, nozzle)[0, 1] > 0


def test_middle_of_an_interval_is_what_was_drawn_less_the_excess(base):
    errors = ErrorModel(gnss_sigma_m=0.05)
    found = monte_carlo(base, 12, errors=errors, seed=5)
    figures = {f.name: f for f in found.figures}
    boom, nozzle = figures["over_pct:boom"], figures["over_pct:nozzle"]
    assert (boom.excess_least, boom.excess_most) == (0.0, nozzle.excess_most)
    for f in found.figures:
        assert f.low <= f.draws_mean - (f.excess_least + f.excess_most) / 2 <= f.high
    # the finest: over its mean under a quarter of the errors, at least what was added, at most what goes with the root
    # of the variance (3.6882 times, see factors)
    quarter, _ = redraw(base, scaled(errors, 0.25), 10, 5)
    added = nozzle.draws_mean - quarter["over_pct:nozzle"].mean()
    assert sorted([added, 3.6882 * added]) == pytest.approx([nozzle.excess_least, nozzle.excess_most], rel=1e-4)


def test_too_few_draws_are_refused(base):
    with pytest.raises(InputError, match="at least 10"):
        monte_carlo(base, 5)


def test_sensitivity_moves_one_choice_at_a_time(base):
    found = sensitivity(base, finer_cells=False)
    names = [v.variant for v in found.variants]
    assert names == ["cell_double", "off_0.5", "off_0.75", "gap_half", "gap_double"]
    change = {v.variant: v.change for v in found.variants}
    # What was done does not depend on how a replay would shut; the replay does.
    assert change["off_0.5"]["over_pct:as logged"] == 0.0
    assert change["off_0.5"]["over_pct:boom"] < 0.0
    # The log has no gaps to bridge or not.
    assert change["gap_double"]["over_pct:as logged"] == 0.0
    # one step to either side: half and double; half, three quarters or all covered, whichever is not used
    used = replace(base, settings=replace(base.settings, off_when_covered=0.75, max_gap_s=8.0))
    assert {variant.name: variant.changes for variant in variants_of(used)} == {
        "cell_half": {"cell_m": 0.25}, "cell_double": {"cell_m": 1.0},
        "off_0.5": {"off_when_covered": 0.5}, "off_1": {"off_when_covered": 1.0},
        "gap_half": {"max_gap_s": 4.0}, "gap_double": {"max_gap_s": 16.0},
    }  # fmt: skip
