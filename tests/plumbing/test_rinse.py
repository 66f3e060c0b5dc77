"""Rinses: mass balance step by step, and that more rinses of the same water are never worse."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.plumbing.rinse import continuous_residue_share, residue_share, rinse_plan, water_for_residue_l

VOLUME = st.floats(0.1, 1000.0)


@given(VOLUME, VOLUME, st.integers(1, 8))
def test_mass_balance_rinse_by_rinse(residual: float, each: float, n: int) -> None:
    mass, poured = residual * 1.0, 0.0  # strength 1 in the residual
    for _ in range(n):
        strength = mass / (residual + each)
        poured += strength * each  # as much leaves as came in
        mass = strength * residual
    assert mass + poured == pytest.approx(residual)
    assert residue_share(residual, each, n) == pytest.approx(mass / residual)


@given(VOLUME, st.floats(0.0, 1e4), st.integers(1, 12))
def test_the_same_water_in_more_rinses_is_never_worse(residual: float, water: float, n: int) -> None:
    fewer, more = residue_share(residual, water / n, n), residue_share(residual, water / (n + 1), n + 1)
    assert more <= fewer * (1 + 1e-12)
    assert continuous_residue_share(residual, water) <= more * (1 + 1e-9)


@given(VOLUME, st.floats(1e-4, 0.99), st.integers(1, 12))
def test_water_and_residue_undo_each_other(residual: float, residue: float, n: int) -> None:
    water = water_for_residue_l(residual, residue, n)
    assert residue_share(residual, water / n, n) == pytest.approx(residue, rel=1e-9)
    assert water_for_residue_l(residual, residue, n + 1) <= water * (1 + 1e-9)
    assert water >= residual * math.log(1 / residue) * (1 - 1e-9)  # never less than running it through


def test_plan_tells_what_fits() -> None:
    # 10 L left, down to 4 %: one rinse 240 L, two 2 x 10 x (5 - 1) = 80 L
    plan = rinse_plan(10.0, 0.04, rinse_tank_l=80.0)
    assert [row.water_total_l for row in plan.rows[:2]] == pytest.approx([240.0, 80.0])
    assert [row.fits for row in plan.rows[:2]] == [False, True]
    assert plan.fewest_that_fit == 2
    assert plan.rows[0].residue_with_tank == pytest.approx(10 / 90)
    unknown = rinse_plan(10.0, 0.04)
    assert unknown.fewest_that_fit is None
    assert all(row.fits is None and row.residue_with_tank is None for row in unknown.rows)


@pytest.mark.parametrize(
    "call",
    [
        lambda: residue_share(0.0, 1.0, 1),
        lambda: residue_share(1.0, -1.0, 1),
        lambda: residue_share(1.0, 1.0, 0),
        lambda: water_for_residue_l(1.0, 0.0, 1),
        lambda: water_for_residue_l(1.0, 1.1, 1),
        lambda: continuous_residue_share(1.0, -1.0),
        lambda: rinse_plan(1.0, 0.1, rinse_tank_l=0.0),
        lambda: rinse_plan(1.0, 0.1, rinse_tank_l=float("inf")),
    ],
)
def test_out_of_range(call) -> None:  # type: ignore[no-untyped-def]  # a lambda
    with pytest.raises(InputError):
        call()
