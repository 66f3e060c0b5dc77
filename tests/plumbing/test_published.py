"""Line, prime and rinse figures from outside the project, each with its source and how it was come by."""

from __future__ import annotations

import math

import pytest

from swathledger.machine.plumbing import Plumbing, PlumbingLine, line_volume_l
from swathledger.plumbing.prime import prime
from swathledger.plumbing.rinse import residue_share, rinse_plan, water_for_residue_l

IN, FT, GAL = 0.0254, 0.3048, 3.785411784


# NWCG, Water Handling Unit estimates, Table 3.1 (seen): printed to 0.1 gal.
# 0.75 in x 50 ft holds 1.1475 gal and 0.625 in x 50 ft 0.7969 gal: the sheet's 1.2 is rounded up, so the band is one
# unit of its last digit.
@pytest.mark.parametrize(
    ("inches", "feet", "gallons"), [(1.5, 100, 9.2), (1.0, 100, 4.1), (0.75, 50, 1.2), (0.625, 50, 0.8)]
)
def test_hose_table(inches: float, feet: float, gallons: float) -> None:
    ours = line_volume_l(inches * IN, feet * FT) / GAL
    # by hand, exactly: pi/4 d^2 L in cubic inches, 231 to the gallon
    assert ours == pytest.approx(math.pi / 4 * inches**2 * feet * 12 / 231, rel=1e-12)
    assert ours == pytest.approx(gallons, abs=0.1)


# Mass balance (derived): to 1/300: 299, 32.6, 17.08 x Vr; to 2 %: 49, 12.14, 8.05.
@pytest.mark.parametrize(("residue", "expected"), [(1 / 300, (299.0, 32.64, 17.08)), (0.02, (49.0, 12.14, 8.05))])
def test_water_for_one_two_and_three_rinses(residue: float, expected: tuple[float, ...]) -> None:
    for n, times in enumerate(expected, start=1):
        assert water_for_residue_l(1.0, residue, n) == pytest.approx(times, abs=0.006)


def test_three_rinses_of_ten_times_the_residual() -> None:
    # ISO 16119-3 ratio (second-hand): (1 / (1 + 10/3))^3 = (3/13)^3 = 27/2197 = 1.229 %
    assert residue_share(7.0, 70.0 / 3.0, 3) == pytest.approx(27 / 2197, rel=1e-12)
    assert round(100 * residue_share(7.0, 70.0 / 3.0, 3), 3) == 1.229


# Hart, Davis, Tompkins & Mote 1992, Beltwide pp. 516-522 (seen): a triple rinse of 10 % of the tank took a 10,000 ppm
# tracer below 10 ppm in tanks of 190, 380 and 760 L. Their residual is not stated; (Vr / (Vr + 0.1 T))^3 < 1/1000
# holds just when Vr < 0.1 T / 9 = 1.11 % of the tank, which a drained tank meets.
@pytest.mark.parametrize("tank_l", [190.0, 380.0, 760.0])
def test_triple_rinse_of_a_tenth_of_the_tank(tank_l: float) -> None:
    each = 0.1 * tank_l
    assert 10_000 * residue_share(0.0111 * tank_l, each, 3) < 10.0
    assert 10_000 * residue_share(0.1 * tank_l / 9.0, each, 3) == pytest.approx(10.0, rel=1e-12)
    assert 10_000 * residue_share(0.0112 * tank_l, each, 3) > 10.0


def test_residue_limits_at_the_nozzle() -> None:
    # OMAFRA 2017, citing Andersen et al. 2010 (seen): <= 1 % (France 2006), <= 2 % (Denmark 2009).
    # 20 gal in lines, sump and pump (OMAFRA 2017, seen: "easily 20 gal") and three rinses:
    gallons = 20.0
    assert water_for_residue_l(gallons, 0.02, 3) == pytest.approx(161.05, abs=0.01)  # 8.0521 x 20
    assert water_for_residue_l(gallons, 0.01, 3) == pytest.approx(218.50, abs=0.01)  # 3 (100^(1/3) - 1) x 20
    plan = rinse_plan(gallons, 0.02, rinse_tank_l=165.0)
    assert plan.fewest_that_fit == 3
    assert [row.fits for row in plan.rows] == [False, False, True, True, True]


def conventional_boom(hose_in: float) -> Plumbing:
    """A 120 ft boom of our own invention: 72 nozzles at 20 in, nine sections of eight, as described in docs."""
    return Plumbing(
        sections=(8,) * 9,
        held_l=5.0 * GAL,
        lines=(
            PlumbingLine("main hose", 2.0 * IN, 25.0 * FT, "all"),
            PlumbingLine("hoses to sections", hose_in * IN, 52.0 * FT, "section"),
            PlumbingLine("boom pipes", 1.0 * IN, 7 * 20.0 / 12.0 * FT, "boom"),
        ),
    )


def test_thirty_gallons_to_prime_and_what_makes_forty() -> None:
    # "About 30 gallons, 30-40 gallons to prime a conventional boom": common practice, no source. By hand, in gallons:
    # main 0.16320 x 25 = 4.080; sump, pump, filters 5; a hose 0.022950 x 52 = 1.1934, at 1/9 of the flow x 9 = 10.741;
    # pipe 0.040800 x 11.667 = 0.47600, seven gaps of 0.068: half a gap at 4 nozzles, then gaps at 3, 2, 1:
    # 0.068 (1/8 + 1/3 + 1/2 + 1) = 0.13317 per nozzle, x 72 nozzles = 9.588. In all 29.41.
    thirty = prime(conventional_boom(0.75))
    assert thirty is not None
    assert thirty.plug_l / GAL == pytest.approx(4.080 + 5.0 + 10.741 + 9.588, abs=0.005)
    # Hoses one size up, 1 in: 0.040800 x 52 x 9 = 19.094 instead of 10.741, so 37.76.
    forty = prime(conventional_boom(1.0))
    assert forty is not None
    assert forty.plug_l / GAL == pytest.approx(4.080 + 5.0 + 19.094 + 9.588, abs=0.005)
    # The trade's band holds both, in plug flow.
    assert 28 < thirty.plug_l / GAL < 32
    assert 36 < forty.plug_l / GAL < 41
    # and lines, sump and pump hold "easily 20 gal" (OMAFRA 2017, seen): 4.08 + 5 + 10.74 + 4.28
    assert thirty.swept_l / GAL == pytest.approx(24.105, abs=0.005)
