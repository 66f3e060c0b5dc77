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
GRAVITY = Fraction(980_665, 100_000)  # m/s2, 3rd CGPM 1901

BY_DEFINITION = [
    ("M_PER_IN", INCH),
    ("M_PER_FT", FOOT),
    ("M_PER_MI", MILE),
    ("M2_PER_FT2", FOOT**2),
    ("M2_PER_AC", ACRE),
    ("M2_PER_HA", Fraction(10_000)),
    ("L_PER_GAL", GALLON),
    ("L_PER_FL_OZ", GALLON / 128),
    ("KG_PER_LB", POUND),
    ("STANDARD_GRAVITY_M_S2", GRAVITY),
    ("PA_PER_BAR", Fraction(100_000)),
    ("PA_PER_PSI", POUND * GRAVITY / INCH**2),
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

NAMED = [
    (units.m_from_in, "inch", "meter"),
    (units.m_from_ft, "foot", "meter"),
    (units.m2_from_ac, "field_acre", "meter ** 2"),
    (units.m2_from_ha, "hectare", "meter ** 2"),
    (units.l_from_gal, "gallon", "liter"),
    (units.l_from_fl_oz, "fluid_ounce", "liter"),
    (units.l_m2_from_l_ha, "liter / hectare", "liter / meter ** 2"),
    (units.l_ha_from_l_m2, "liter / meter ** 2", "liter / hectare"),
    (units.l_m2_from_gal_ac, "gallon / field_acre", "liter / meter ** 2"),
    (units.l_ha_from_gal_ac, "gallon / field_acre", "liter / hectare"),
    (units.gal_ac_from_l_ha, "liter / hectare", "gallon / field_acre"),
    (units.l_s_from_l_min, "liter / minute", "liter / second"),
    (units.l_s_from_gal_min, "gallon / minute", "liter / second"),
    (units.m_s_from_km_h, "kilometer / hour", "meter / second"),
    (units.m_s_from_mph, "mile / hour", "meter / second"),
    (units.pa_from_bar, "bar", "pascal"),
    (units.pa_from_psi, "pound_force_per_square_inch", "pascal"),
]


@pytest.mark.parametrize(("convert", "source", "target"), NAMED, ids=[row[0].__name__ for row in NAMED])
def test_named_conversion_agrees_with_pint(convert, source: str, target: str) -> None:
    assert convert(7.25) == pytest.approx((7.25 * UREG(source)).to(target).magnitude, rel=1e-12)


def test_every_named_conversion_is_checked() -> None:
    defined = {name for name, value in vars(units).items() if "_from_" in name and callable(value)}
    assert defined == {row[0].__name__ for row in NAMED}


def test_why_pint_is_only_an_oracle() -> None:
    # "gal/ac" is read as gallons per atto-speed-of-light, and the acre is the survey acre, 4e-6 larger.
    with pytest.raises(pint.DimensionalityError):
        UREG("gal/ac").to("liter / hectare")
    survey = UREG("acre").to("meter ** 2").magnitude
    assert survey / units.M2_PER_AC - 1 == pytest.approx(4e-6, rel=0.01)


PINT_FACE = {
    "ha": "hectare", "ac": "field_acre", "m²": "meter ** 2", "ft²": "foot ** 2", "m": "meter", "ft": "foot",
    "cm": "centimeter", "in": "inch", "km": "kilometer", "mi": "mile", "L": "liter", "gal": "gallon",
    "L/ha": "liter / hectare", "gal/ac": "gallon / field_acre", "L/min": "liter / minute",
    "gal/min": "gallon / minute", "km/h": "kilometer / hour", "mph": "mile / hour", "bar": "bar",
    "psi": "pound_force_per_square_inch", "ha/h": "hectare / hour", "ac/h": "field_acre / hour", "1/m": "1 / meter",
    "1/ft": "1 / foot", "kg": "kilogram", "lb": "pound",
}  # fmt: skip
PINT_INSIDE = {"m2": "meter ** 2", "m": "meter", "L": "liter", "L/m2": "liter / meter ** 2", "L/s": "liter / second",
               "m/s": "meter / second", "Pa": "pascal", "m2/s": "meter ** 2 / second", "1/m": "1 / meter",
               "kg": "kilogram"}  # fmt: skip


@pytest.mark.parametrize("system", units.SYSTEMS)
@pytest.mark.parametrize("kind", units.QUANTITIES)
def test_table_row_agrees_with_pint(kind: str, system: units.UnitSystem) -> None:
    row = units.QUANTITIES[kind]
    face = row.face(system)
    one = (1.0 * UREG(PINT_FACE[face.symbol])).to(PINT_INSIDE[row.inside]).magnitude
    assert face.si_per_unit == pytest.approx(one, rel=1e-12)


@given(
    kind=st.sampled_from(sorted(units.QUANTITIES)),
    system=st.sampled_from(units.SYSTEMS),
    value=st.floats(-1e12, 1e12, allow_subnormal=False),
)
def test_there_and_back(kind: str, system: units.UnitSystem, value: float) -> None:
    assert units.from_face(kind, units.to_face(kind, value, system), system) == pytest.approx(value, rel=1e-15)


def test_text_reads_as_a_person_expects() -> None:
    assert units.text("area", 1_234_567.0) == "123.4567 ha"
    assert units.text("area", 4046.8564224, "us") == "1.000 ac"
    assert units.text("volume", 12_345.67) == "12,345.7 L"
    assert units.text("rate", 0.02, unit=False) == "200.0"
    assert units.text("rate", 0.02, digits=0) == "200 L/ha"


@pytest.mark.parametrize("absent", [None, math.nan])
def test_absent_is_unknown_and_never_zero(absent: float | None) -> None:
    assert units.text("volume", absent) == "unknown"


def test_small_negative_is_not_minus_zero() -> None:
    assert units.text("volume", -0.01) == "0.0 L"
    assert units.text("volume", -0.06) == "-0.1 L"


def test_unknown_kind_and_system_are_told() -> None:
    with pytest.raises(InputError, match="unknown kind of quantity 'colour'.*area"):
        units.to_face("colour", 1.0)
    with pytest.raises(InputError, match="unknown unit system 'imperial'.*metric or us"):
        units.to_face("area", 1.0, "imperial")  # type: ignore[arg-type]  # the wrong call under test
