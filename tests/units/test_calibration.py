"""Calibration and capacity against published worked examples.

Beside each value: the source, and whether it was seen in the source's own text, follows from arithmetic ("derived")
or is recalled ("memory").
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger import calibration as cal
from swathledger import units
from swathledger.errors import InputError

# --- the constants, from mile, acre, inch and hour --------------------------------------------------------------------


def test_constants_follow_from_the_definitions() -> None:
    ft_min_per_mph = Fraction(5280, 60)
    assert cal.FT_MIN_PER_MPH == ft_min_per_mph == 88
    assert cal.GPA_PER_GPM_PER_MPH_FT == Fraction(43_560) / ft_min_per_mph  # 495
    assert cal.GPA_PER_GPM_PER_MPH_IN == Fraction(43_560 * 12) / ft_min_per_mph  # 5940
    assert cal.FT_MPH_PER_AC_H == Fraction(43_560, 5280)  # 8.25
    assert cal.L_HA_PER_L_MIN_PER_KM_H_M == Fraction(10_000 * 60, 1000)  # 600


# --- published examples -----------------------------------------------------------------------------------------------


def test_gpa_5940() -> None:
    # UF/IFAS EDIS WG013, Calibration of Herbicide Applicators: GPA = 5940 GPM / (mph in). Seen.
    assert cal.rate_gal_ac(1.0, 1.0, 1.0) == 5940.0


def test_gpa_495() -> None:
    # Mesa County (CO), stationary calibration method: GPA = 495 GPM / (mph ft). Seen; 495 * 12 = 5940.
    assert cal.rate_gal_ac_of_swath(1.0, 1.0, 1.0) == 495.0
    assert cal.rate_gal_ac_of_swath(0.4, 6.0, 20 / 12) == pytest.approx(cal.rate_gal_ac(0.4, 6.0, 20.0))


@pytest.mark.parametrize(("seconds", "unrounded", "printed"), [(45, 3.0303, 3), (27, 5.0505, 5)])
def test_speed_over_200_ft(seconds: float, unrounded: float, printed: int) -> None:
    # Oklahoma State University, Sprayer Calibration fact sheet: 200 ft in 45 s is "3 mph", in 27 s "5 mph". Seen.
    speed = cal.speed_mph(200.0, seconds)
    assert speed == pytest.approx(unrounded, abs=5e-5)
    assert round(speed) == printed


def test_101_oz_a_minute_and_the_printed_88() -> None:
    # Same sheet: 101 oz/min, 3 mph, 18 in "= 88 GPA". Seen. 101 / 128 = 0.7891 gal/min gives 86.80; the sheet rounds
    # the flow up to 0.80 first, and 5940 * 0.80 / 54 = 88.
    flow = units.l_from_fl_oz(101.0) / units.L_PER_GAL
    assert cal.rate_gal_ac(flow, 3.0, 18.0) == pytest.approx(86.80, abs=0.005)
    assert cal.rate_gal_ac(0.80, 3.0, 18.0) == pytest.approx(88.0)


def test_1_3_l_min() -> None:
    # Irish Independent, farming pages: 1.3 L/min, 7.8 km/h, 0.5 m gives 200 L/ha. Seen.
    assert cal.rate_l_ha(1.3, 7.8, 0.5) == pytest.approx(200.0)


def test_12_gal_over_660_ft() -> None:
    # Florida pest control examinations manual, p. 213: 12 gal over 660 ft of a 10 ft swath. Seen.
    assert cal.strip_rate_gal_ac(12.0, 660.0, 10.0) == pytest.approx(79.2)


def test_0_15_gpm_and_the_lost_factor_of_88() -> None:
    # Same page: 0.15 GPM, 48 in, 5 mph. It misprints 327; 5940 * 0.15 / (5 * 48) = 3.71 (seen, derived). The slip is
    # the feet a minute in one mph.
    rate = cal.rate_gal_ac(0.15, 5.0, 48.0)
    assert rate == pytest.approx(3.71, abs=0.005)
    assert round(rate * cal.FT_MIN_PER_MPH) == 327


@pytest.mark.parametrize(
    ("width_ft", "mph", "efficiency", "acres_h"),
    [(40, 6, 0.70, 20.4), (60, 6, 0.68, 29.7), (60, 12, 0.68, 59.3), (80, 6, 0.68, 39.6), (80, 12, 0.68, 79.1)],
)
def test_effective_capacity(width_ft: float, mph: float, efficiency: float, acres_h: float) -> None:
    # Iowa State University AgDM A3-24, Table 1; University of Kentucky AEN-73. Seen.
    assert cal.effective_capacity_ac_h(width_ft, mph, efficiency) == pytest.approx(acres_h, abs=0.051)


@pytest.mark.parametrize("efficiency", [0.50, 0.65, 0.80])
def test_field_efficiency_of_sprayers_is_accepted(efficiency: float) -> None:
    # ASAE D497.7: sprayers 50-80 %, typically 65 %. From memory, unconfirmed: a band, no equality.
    metric = cal.effective_capacity_m2_s(units.m_from_ft(60.0), units.m_s_from_mph(6.0), efficiency)
    assert units.to_face("capacity", metric, "us") == pytest.approx(cal.effective_capacity_ac_h(60.0, 6.0, efficiency))


def test_flow_goes_as_the_root_of_pressure() -> None:
    # Standard hydraulics. Derived.
    assert cal.flow_at_pressure(0.4, 1.0, 4.0) == pytest.approx(0.8)
    assert cal.pressure_for_flow(3.0, 1.0, 1.1) == pytest.approx(3.0 * 1.21)


@pytest.mark.parametrize(
    ("size", "nominal"),
    [("01", 0.4), ("015", 0.6), ("02", 0.8), ("025", 1.0), ("03", 1.2), ("04", 1.6), ("05", 2.0), ("06", 2.4),
     ("08", 3.2), ("10", 4.0)],
)  # fmt: skip
def test_nominal_flow(size: str, nominal: float) -> None:
    # ISO 10625, at 3 bar. From memory; consistent with a nozzle-coding page that was seen.
    assert cal.nozzle_flow_l_min(size) == pytest.approx(nominal)
    # The number in a size is its flow in US gal/min at 40 psi within the trade's rounding (common practice).
    gal_min = int(size.ljust(3, "0")) / 100 if len(size) == 3 else int(size) / 10
    at_40_psi = cal.nozzle_flow_l_min(size, units.pa_from_psi(40.0) / units.PA_PER_BAR) / units.L_PER_GAL
    assert at_40_psi == pytest.approx(gal_min, rel=0.03)


@pytest.mark.parametrize(("size", "flow"), [("01", 0.33), ("02", 0.65), ("04", 1.31), ("08", 2.61)])
def test_flow_at_2_bar(size: str, flow: float) -> None:
    # ISO 10625, nominal * sqrt(2/3). From memory.
    assert cal.nozzle_flow_l_min(size, 2.0) == pytest.approx(flow, abs=0.0051)


# --- identities -------------------------------------------------------------------------------------------------------

POSITIVE = st.floats(1e-3, 1e3)


@given(flow=POSITIVE, speed=POSITIVE, width=POSITIVE)
def test_metric_and_us_formulas_say_the_same(flow: float, speed: float, width: float) -> None:
    us = cal.rate_gal_ac_of_swath(flow, speed, width)
    si = cal.rate_l_m2(units.l_s_from_gal_min(flow), units.m_s_from_mph(speed), units.m_from_ft(width))
    assert units.l_m2_from_gal_ac(us) == pytest.approx(si, rel=1e-12)


@given(rate=POSITIVE, speed=POSITIVE, width=POSITIVE)
def test_flow_for_rate_is_the_inverse(rate: float, speed: float, width: float) -> None:
    assert cal.rate_l_ha(cal.flow_l_min_for_rate(rate, speed, width), speed, width) == pytest.approx(rate, rel=1e-12)


@given(pressure=POSITIVE, flow=POSITIVE, other=POSITIVE)
def test_pressure_for_flow_is_the_inverse(pressure: float, flow: float, other: float) -> None:
    assert cal.flow_at_pressure(flow, pressure, cal.pressure_for_flow(pressure, flow, other)) == pytest.approx(other)


def test_speed_in_both_units() -> None:
    assert units.to_face("speed", cal.speed_m_s(units.m_from_ft(200.0), 45.0), "us") == pytest.approx(
        cal.speed_mph(200.0, 45.0)
    )


# --- what is refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_no_rate_at_standstill_or_without_width(bad: float) -> None:
    with pytest.raises(InputError, match="speed_m_s"):
        cal.rate_l_m2(1.0, bad, 1.0)
    with pytest.raises(InputError, match="spacing_in"):
        cal.rate_gal_ac(1.0, 1.0, bad)


def test_no_negative_flow() -> None:
    with pytest.raises(InputError, match="flow_l_min"):
        cal.rate_l_ha(-0.1, 8.0, 0.5)
    assert cal.flow_l_min_for_rate(200.0, 0.0, 36.0) == 0.0


@pytest.mark.parametrize("bad", [0.0, 65.0, math.nan])
def test_efficiency_is_a_share(bad: float) -> None:
    with pytest.raises(InputError, match=r"written 0\.65"):
        cal.effective_capacity_ac_h(60.0, 6.0, bad)


def test_unknown_nozzle_size_lists_the_known() -> None:
    with pytest.raises(InputError, match="'07'.*Known: 01, 015"):
        cal.nozzle_flow_l_min("07")
