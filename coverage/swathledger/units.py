"""Exact constants, conversions by name, and the one table of units used at the faces.

Inside swathledger every number is SI (m, m2, s, L, L/m2, L/s, m/s, Pa) and its name carries the unit. Units change
only where a file or a person is met, through this module. All constants are exact by definition: the international
yard and pound agreement of 1959, the US gallon of 231 cubic inches, standard gravity of 1901.

The acre here is the international one (43,560 international square feet). The US survey acre is larger by 4 parts in
a million and is not used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from swathledger.errors import InputError

UnitSystem = Literal["metric", "us"]
SYSTEMS: Final[tuple[UnitSystem, ...]] = ("metric", "us")

# --- exact constants -----------------------------------------------------------------------------------------------
M_PER_IN: Final = 0.0254
M_PER_FT: Final = 0.3048
M_PER_MI: Final = 1609.344
M2_PER_FT2: Final = 0.09290304
M2_PER_AC: Final = 4046.8564224
M2_PER_HA: Final = 10_000.0
L_PER_GAL: Final = 3.785411784  # US liquid gallon, 231 in3
L_PER_FL_OZ: Final = L_PER_GAL / 128.0
KG_PER_LB: Final = 0.45359237
STANDARD_GRAVITY_M_S2: Final = 9.80665
PA_PER_BAR: Final = 100_000.0
PA_PER_PSI: Final = KG_PER_LB * STANDARD_GRAVITY_M_S2 / (M_PER_IN * M_PER_IN)
S_PER_MIN: Final = 60.0
S_PER_H: Final = 3600.0
M_S_PER_KM_H: Final = 1000.0 / 3600.0
M_S_PER_MPH: Final = M_PER_MI / S_PER_H


# --- conversions by name -------------------------------------------------------------------------------------------
def m_from_in(length_in: float) -> float:
    """Inches to metres."""
    return length_in * M_PER_IN


def m_from_ft(length_ft: float) -> float:
    """Feet to metres."""
    return length_ft * M_PER_FT


def m2_from_ac(area_ac: float) -> float:
    """Acres to square metres."""
    return area_ac * M2_PER_AC


def m2_from_ha(area_ha: float) -> float:
    """Hectares to square metres."""
    return area_ha * M2_PER_HA


def l_from_gal(volume_gal: float) -> float:
    """US gallons to litres."""
    return volume_gal * L_PER_GAL


def l_from_fl_oz(volume_fl_oz: float) -> float:
    """US fluid ounces to litres."""
    return volume_fl_oz * L_PER_FL_OZ


def l_m2_from_l_ha(rate_l_ha: float) -> float:
    """Litres per hectare to litres per square metre."""
    return rate_l_ha / M2_PER_HA


def l_ha_from_l_m2(rate_l_m2: float) -> float:
    """Litres per square metre to litres per hectare."""
    return rate_l_m2 * M2_PER_HA


def l_m2_from_gal_ac(rate_gal_ac: float) -> float:
    """US gallons per acre to litres per square metre."""
    return rate_gal_ac * L_PER_GAL / M2_PER_AC


def l_ha_from_gal_ac(rate_gal_ac: float) -> float:
    """US gallons per acre to litres per hectare.

    Examples
    --------
    >>> round(l_ha_from_gal_ac(10.0), 4)
    93.5396
    """
    return l_ha_from_l_m2(l_m2_from_gal_ac(rate_gal_ac))


def gal_ac_from_l_ha(rate_l_ha: float) -> float:
    """Litres per hectare to US gallons per acre."""
    return l_m2_from_l_ha(rate_l_ha) * M2_PER_AC / L_PER_GAL


def l_s_from_l_min(flow_l_min: float) -> float:
    """Litres per minute to litres per second."""
    return flow_l_min / S_PER_MIN


def l_s_from_gal_min(flow_gal_min: float) -> float:
    """US gallons per minute to litres per second."""
    return flow_gal_min * L_PER_GAL / S_PER_MIN


def m_s_from_km_h(speed_km_h: float) -> float:
    """Kilometres per hour to metres per second."""
    return speed_km_h * M_S_PER_KM_H


def m_s_from_mph(speed_mph: float) -> float:
    """Miles per hour to metres per second."""
    return speed_mph * M_S_PER_MPH


def pa_from_bar(pressure_bar: float) -> float:
    """Bar to pascals."""
    return pressure_bar * PA_PER_BAR


def pa_from_psi(pressure_psi: float) -> float:
    """Pounds-force per square inch to pascals."""
    return pressure_psi * PA_PER_PSI


# --- the table of the faces ----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class FaceUnit:
    """A unit as a person reads it.

    Attributes
    ----------
    symbol : str
        What stands beside the number.
    si_per_unit : float
        How much of the inside unit one of these is: ``inside = shown * si_per_unit``.
    digits : int
        Decimals to print.
    suffix : str
        The same unit as it ends a column name, e.g. ``"l_ha"``.
    """

    symbol: str
    si_per_unit: float
    digits: int
    suffix: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of quantity: its unit inside, and what is shown of it in each system."""

    kind: str
    inside: str
    metric: FaceUnit
    us: FaceUnit

    def face(self, system: UnitSystem) -> FaceUnit:
        """Return the unit shown in ``system``."""
        if system == "metric":
            return self.metric
        if system == "us":
            return self.us
        raise InputError(f"unknown unit system {system!r}.", hint="Use metric or us.")


_ROWS: Final = (
    Quantity("area", "m2", FaceUnit("ha", M2_PER_HA, 4, "ha"), FaceUnit("ac", M2_PER_AC, 3, "ac")),
    Quantity("small_area", "m2", FaceUnit("m²", 1.0, 1, "m2"), FaceUnit("ft²", M2_PER_FT2, 0, "ft2")),
    Quantity("length", "m", FaceUnit("m", 1.0, 2, "m"), FaceUnit("ft", M_PER_FT, 1, "ft")),
    Quantity("small_length", "m", FaceUnit("cm", 0.01, 1, "cm"), FaceUnit("in", M_PER_IN, 1, "in")),
    Quantity("distance", "m", FaceUnit("km", 1000.0, 2, "km"), FaceUnit("mi", M_PER_MI, 2, "mi")),
    Quantity("mass", "kg", FaceUnit("kg", 1.0, 2, "kg"), FaceUnit("lb", KG_PER_LB, 2, "lb")),
    Quantity("volume", "L", FaceUnit("L", 1.0, 1, "l"), FaceUnit("gal", L_PER_GAL, 2, "gal")),
    Quantity(
        "rate",
        "L/m2",
        FaceUnit("L/ha", 1.0 / M2_PER_HA, 1, "l_ha"),
        FaceUnit("gal/ac", L_PER_GAL / M2_PER_AC, 2, "gal_ac"),
    ),
    Quantity(
        "flow",
        "L/s",
        FaceUnit("L/min", 1.0 / S_PER_MIN, 2, "l_min"),
        FaceUnit("gal/min", L_PER_GAL / S_PER_MIN, 3, "gal_min"),
    ),
    Quantity("speed", "m/s", FaceUnit("km/h", M_S_PER_KM_H, 1, "km_h"), FaceUnit("mph", M_S_PER_MPH, 1, "mph")),
    Quantity("pressure", "Pa", FaceUnit("bar", PA_PER_BAR, 2, "bar"), FaceUnit("psi", PA_PER_PSI, 1, "psi")),
    Quantity(
        "capacity",
        "m2/s",
        FaceUnit("ha/h", M2_PER_HA / S_PER_H, 2, "ha_h"),
        FaceUnit("ac/h", M2_PER_AC / S_PER_H, 1, "ac_h"),
    ),
    Quantity(
        "perimeter_to_area", "1/m", FaceUnit("1/m", 1.0, 4, "per_m"), FaceUnit("1/ft", 1.0 / M_PER_FT, 5, "per_ft")
    ),
)

QUANTITIES: Final[MappingProxyType[str, Quantity]] = MappingProxyType({row.kind: row for row in _ROWS})
"""Every kind of quantity that is shown to a person; there is no other way out."""

UNKNOWN: Final = "unknown"
"""How absent knowledge is printed."""


def _quantity(kind: str) -> Quantity:
    try:
        return QUANTITIES[kind]
    except KeyError:
        raise InputError(f"unknown kind of quantity {kind!r}.", hint=f"Known: {', '.join(QUANTITIES)}.") from None


def unit_symbol(kind: str, system: UnitSystem = "metric") -> str:
    """Return the symbol of the unit that ``kind`` is shown in.

    Examples
    --------
    >>> unit_symbol("rate", "us")
    'gal/ac'
    """
    return _quantity(kind).face(system).symbol


def to_face(kind: str, value: float, system: UnitSystem = "metric") -> float:
    """Convert a value from the unit inside (SI) to the unit shown.

    Parameters
    ----------
    kind : str
        A key of `QUANTITIES`.
    value : float or ndarray
        In the inside unit of that kind.
    system : {"metric", "us"}

    Raises
    ------
    InputError
        For a kind or system that is not in the table.

    Examples
    --------
    >>> to_face("area", 25_000.0)
    2.5
    """
    return value / _quantity(kind).face(system).si_per_unit


def from_face(kind: str, value: float, system: UnitSystem = "metric") -> float:
    """Convert a value from the unit shown to the unit inside (SI); the inverse of `to_face`.

    Examples
    --------
    >>> from_face("speed", 36.0)
    10.0
    """
    return value * _quantity(kind).face(system).si_per_unit


def text(
    kind: str, value: float | None, system: UnitSystem = "metric", *, digits: int | None = None, unit: bool = True
) -> str:
    """Format a value (given in SI) for a person: thousands separated, unit beside it.

    Absent knowledge (None or NaN) reads "unknown", never zero.

    Parameters
    ----------
    kind : str
        A key of `QUANTITIES`.
    value : float or None
        In the inside unit.
    system : {"metric", "us"}
    digits : int, optional
        Decimals; by default those of the table.
    unit : bool
        Whether the symbol follows the number.

    Examples
    --------
    >>> text("area", 1_234_567.0)
    '123.4567 ha'
    >>> text("volume", None)
    'unknown'
    """
    if value is None or math.isnan(value):
        return UNKNOWN
    face = _quantity(kind).face(system)
    number = f"{value / face.si_per_unit:,.{face.digits if digits is None else digits}f}"
    if not number.strip("-0.,"):
        number = number.lstrip("-")  # a rounded "-0.0" reads as a loss that is not there
    return f"{number} {face.symbol}" if unit else number
