"""The table of units against published worked examples of sprayer calibration.

Rate is flow over ground swept a second; the trade's US formulas carry rounded-looking constants (5940, 495) that follow
exactly from the mile of 5,280 ft, the acre of 43,560 ft2 and the hour of 60 min. Beside each value: the source, and
whether it was seen in the source's own text or is arithmetic ("derived").
"""

from __future__ import annotations

import pytest

from swathledger.units import UNITS, to_face

UNIT = {unit.suffix: unit for unit in UNITS}


def inside(**given: float) -> list[float]:
    return [UNIT[suffix].inside(value) for suffix, value in given.items()]


def rate_gal_ac(gal_min: float, mph: float, **width: float) -> float:
    flow, speed, across = inside(gal_min=gal_min, mph=mph, **width)
    return to_face("rate", flow / (speed * across), "us")


def test_gpa_5940() -> None:
    # UF/IFAS EDIS WG013, Calibration of Herbicide Applicators: GPA = 5940 GPM / (mph in). Seen.
    assert rate_gal_ac(1.0, 1.0, **{"in": 1.0}) == pytest.approx(5940.0, rel=1e-12)


def test_gpa_495() -> None:
    # Mesa County (CO), stationary calibration method: GPA = 495 GPM / (mph ft). Seen; 495 * 12 = 5940.
    assert rate_gal_ac(1.0, 1.0, ft=1.0) == pytest.approx(495.0, rel=1e-12)


@pytest.mark.parametrize(("seconds", "unrounded", "printed"), [(45, 3.0303, 3), (27, 5.0505, 5)])
def test_speed_over_200_ft(seconds: float, unrounded: float, printed: int) -> None:
    # Oklahoma State University, Sprayer Calibration fact sheet: 200 ft in 45 s is "3 mph", in 27 s "5 mph". Seen.
    speed = to_face("speed", inside(ft=200.0)[0] / seconds, "us")
    assert speed == pytest.approx(unrounded, abs=5e-5)
    assert round(speed) == printed


def test_101_oz_a_minute_and_the_printed_88() -> None:
    # Same sheet: 101 oz/min, 3 mph, 18 in "= 88 GPA". Seen. 101 / 128 = 0.7891 gal/min gives 86.80; the sheet rounds
    # the flow up to 0.80 first, and 5940 * 0.80 / 54 = 88.
    ounces, gallon = inside(fl_oz=101.0, gal=1.0)
    assert rate_gal_ac(ounces / gallon, 3.0, **{"in": 18.0}) == pytest.approx(86.80, abs=0.005)
    assert rate_gal_ac(0.80, 3.0, **{"in": 18.0}) == pytest.approx(88.0)


def test_1_3_l_min() -> None:
    # Irish Independent, farming pages: 1.3 L/min, 7.8 km/h, 0.5 m gives 200 L/ha. Seen.
    flow, speed, width = inside(l_min=1.3, km_h=7.8, m=0.5)
    assert to_face("rate", flow / (speed * width)) == pytest.approx(200.0)


def test_12_gal_over_660_ft() -> None:
    # Florida pest control examinations manual, p. 213: 12 gal over 660 ft of a 10 ft swath. Seen.
    volume, length = inside(gal=12.0, ft=660.0)
    assert to_face("rate", volume / (length * inside(ft=10.0)[0]), "us") == pytest.approx(79.2)


def test_0_15_gpm_and_the_lost_factor_of_88() -> None:
    # Same page: 0.15 GPM, 48 in, 5 mph. It misprints 327; 5940 * 0.15 / (5 * 48) = 3.71 (seen, derived). The slip is
    # the 88 ft a minute in one mph.
    rate = rate_gal_ac(0.15, 5.0, **{"in": 48.0})
    assert rate == pytest.approx(3.71, abs=0.005)
    assert round(rate * 88) == 327
