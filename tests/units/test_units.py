"""Each constant against its definition, each conversion against pint, the table against itself."""

from __future__ import annotations

import math
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger import units
from swathledger.errors import InputError

INCH = Fraction(254, 10_000)  # m; International Yard and Pound Agreement, 1 July 1959
FOOT = 12 * INCH
MILE = 5280 * FOOT
ACRE = 43_560 * FOOT**2  # international; not the US survey acre
GALLON = 231 * INCH**3 * 1000  # L; US liquid gallon of 231 cubic inches
POUND = Fraction(45_359_237, 100_000_000)  # kg, same agreement

BY_DEFINITION = [
    ("M_PER_IN", INCH),
    ("M_PER_FT", FOOT),
    ("M_PER_MI", MILE),
    ("M2_PER_FT2", FOOT**2),
    ("M2_PER_AC", ACRE),
    ("M2_PER_HA", Fraction(10_000)),
    ("L_PER_GAL", GALLON),
    ("KG_PER_LB", POUND),
    ("S_PER_MIN", Fraction(60)),
    ("S_PER_H", Fraction(3600)),
    ("M_S_PER_KM_H", Fraction(1000, 3600)),
    ("M_S_PER_MPH", MILE / 3600),
]


@pytest.mark.parametrize(("name", "exact"), BY_DEFINITION, ids=[name for name, _ in BY_DEFINITION])
def test_constant_is_its_definition(name: str, exact: Fraction) -> None:
    # Correctly rounded: no float lies nearer to the exact fraction; products of floats may be one step off.
    assert abs(Fraction(getattr(units, name)) - exact) <= Fraction(math.ulp(float(exact)))


def test_every_constant_is_checked() -> None:
    constants = {name for name in vars(units) if name.isupper() and isinstance(getattr(units, name), float)}
    assert constants == {name for name, _ in BY_DEFINITION}


UREG = pint.UnitRegistry()
UREG.define("field_acre = 43560 * foot ** 2")  # pint's own acre is the survey acre

PINT = {
    "m": "meter", "cm": "centimeter", "mm": "millimeter", "in": "inch", "ft": "foot", "km": "kilometer", "mi": "mile",
    "m2": "meter ** 2", "ha": "hectare", "ac": "field_acre", "ft2": "foot ** 2", "l": "liter", "ml": "milliliter",
    "gal": "gallon", "qt": "quart", "pt": "pint", "fl_oz": "fluid_ounce", "kg": "kilogram", "g": "gram",
    "lb": "pound", "oz": "ounce", "s": "second",
    "l_ha": "liter / hectare", "gal_ac": "gallon / field_acre", "l_min": "liter / minute",
    "gal_min": "gallon / minute", "m_s": "meter / second", "km_h": "kilometer / hour", "mph": "mile / hour",
    "knots": "knot",
    "g_l": "gram / liter", "lb_gal": "pound / gallon", "g_kg": "gram / kilogram",
}  # fmt: skip
PINT_INSIDE = {
    "m": "meter", "m2": "meter ** 2", "L": "liter", "kg": "kilogram", "s": "second", "L/m2": "liter / meter ** 2",
    "L/s": "liter / second", "m/s": "meter / second", "g/L": "gram / liter", "g/kg": "gram / kilogram",
}  # fmt: skip


@pytest.mark.parametrize("unit", units.UNITS, ids=lambda unit: unit.suffix)
def test_row_agrees_with_pint(unit: units.Unit) -> None:
    inside = PINT_INSIDE[units.INSIDE[unit.dimension]]
    exact = (7.25 * UREG(PINT[unit.suffix])).to(inside).magnitude
    assert unit.inside(7.25) == pytest.approx(exact, rel=1e-12)
    assert 7.25 * unit.si_per_unit == pytest.approx(exact, rel=1e-12)


def test_a_suffix_means_one_unit() -> None:
    assert len({unit.suffix for unit in units.UNITS}) == len(units.UNITS)
    assert {unit.dimension for unit in units.UNITS} == set(units.INSIDE)


def test_every_kind_is_shown_in_every_system() -> None:
    assert all(set(row.faces) == set(units.SYSTEMS) for row in units.QUANTITIES.values())


def test_rate_inside_and_by_the_hectare() -> None:
    assert units.l_ha_from_l_m2(0.015) == 150.0


def test_why_pint_is_only_an_oracle() -> None:
    # "gal/ac" is read as gallons per atto-speed-of-light, and the acre is the survey acre, 4e-6 larger.
    with pytest.raises(pint.DimensionalityError):
        UREG("gal/ac").to("liter / hectare")
    survey = UREG("acre").to("meter ** 2").magnitude
    assert survey / units.M2_PER_AC - 1 == pytest.approx(4e-6, rel=0.01)


@given(
    kind=st.sampled_from(sorted(units.QUANTITIES)),
    system=st.sampled_from(units.SYSTEMS),
    value=st.floats(-1e12, 1e12, allow_subnormal=False),
)
def test_there_and_back(kind: str, system: units.UnitSystem, value: float) -> None:
    assert units.from_face(kind, units.to_face(kind, value, system), system) == pytest.approx(value, rel=1e-15)


def test_unknown_kind_and_system_are_told() -> None:
    with pytest.raises(InputError, match="unknown kind of quantity 'colour'.*area"):
        units.to_face("colour", 1.0)
    with pytest.raises(InputError, match="unknown unit system 'imperial'.*metric or us"):
        units.to_face("area", 1.0, "imperial")  # type: ignore[arg-type]  # the wrong call under test
