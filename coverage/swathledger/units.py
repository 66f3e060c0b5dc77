"""Exact constants, and the one table of units: names, factors and what a person is shown all come from it.

Inside swathledger every number is SI (m, m2, s, L, L/m2, L/s, m/s) and its name carries the unit. Units change only
where a file or a person is met, through this module. All constants are exact by definition: the international yard and
pound agreement of 1959, the US gallon of 231 cubic inches.

The acre here is the international one (43,560 international square feet). The US survey acre is larger by 4 parts in
a million and is not used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

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
KG_PER_LB: Final = 0.45359237
S_PER_MIN: Final = 60.0
S_PER_H: Final = 3600.0
M_S_PER_KM_H: Final = 1000.0 / 3600.0
M_S_PER_MPH: Final = M_PER_MI / S_PER_H

# --- the table -----------------------------------------------------------------------------------------------------
INSIDE: Final[Mapping[str, str]] = MappingProxyType(
    {
        "length": "m",
        "distance": "m",
        "area": "m2",
        "volume": "L",
        "mass": "kg",
        "time": "s",
        "rate": "L/m2",
        "flow": "L/s",
        "speed": "m/s",
        "content": "g/L",
        "content by weight": "g/kg",
    }
)
"""Dimensions, and the unit that each has inside."""


class Shown(NamedTuple):
    """Where a person meets a unit: the kind of quantity, the system, and decimals to print."""

    kind: str
    system: UnitSystem
    digits: int


@dataclass(frozen=True, slots=True)
class Unit:
    """One row of the table: ``inside = value * si / per``.

    Attributes
    ----------
    suffix : str
        The unit as it ends a name: of a key in a file, a column, an option.
    symbol : str
        What stands beside a number.
    dimension : str
        A key of `INSIDE`.
    si, per : float
        Two numbers rather than their quotient, so that whole ones stay exact.
    """

    suffix: str
    symbol: str
    dimension: str
    si: float = 1.0
    per: float = 1.0
    shown: tuple[Shown, ...] = ()

    @property
    def si_per_unit(self) -> float:
        """How much of the unit inside one of these is."""
        return self.si / self.per

    def inside(self, value: float) -> float:
        """A value in the unit inside."""
        return value * self.si / self.per


UNITS: Final[tuple[Unit, ...]] = (
    Unit("m", "m", "length", shown=(Shown("length", "metric", 2),)),
    Unit("cm", "cm", "length", 0.01, shown=(Shown("small_length", "metric", 1),)),
    Unit("mm", "mm", "length", 1.0, 1000.0),
    Unit("in", "in", "length", M_PER_IN, shown=(Shown("small_length", "us", 1),)),
    Unit("ft", "ft", "length", M_PER_FT, shown=(Shown("length", "us", 1),)),
    Unit("km", "km", "distance", 1000.0, shown=(Shown("distance", "metric", 2),)),
    Unit("mi", "mi", "distance", M_PER_MI, shown=(Shown("distance", "us", 2),)),
    Unit("m2", "m²", "area", shown=(Shown("small_area", "metric", 1),)),
    Unit("ha", "ha", "area", M2_PER_HA, shown=(Shown("area", "metric", 4),)),
    Unit("ac", "ac", "area", M2_PER_AC, shown=(Shown("area", "us", 3),)),
    Unit("ft2", "ft²", "area", M2_PER_FT2, shown=(Shown("small_area", "us", 0),)),
    Unit("l", "L", "volume", shown=(Shown("volume", "metric", 1),)),
    Unit("ml", "mL", "volume", 1.0, 1000.0),
    Unit("gal", "gal", "volume", L_PER_GAL, shown=(Shown("volume", "us", 2),)),
    Unit("qt", "qt", "volume", L_PER_GAL, 4.0),
    Unit("pt", "pt", "volume", L_PER_GAL, 8.0),
    Unit("fl_oz", "fl oz", "volume", L_PER_GAL, 128.0),
    Unit("kg", "kg", "mass", shown=(Shown("mass", "metric", 2),)),
    Unit("g", "g", "mass", 1.0, 1000.0),
    Unit("lb", "lb", "mass", KG_PER_LB, shown=(Shown("mass", "us", 2),)),
    Unit("oz", "oz", "mass", KG_PER_LB, 16.0),
    Unit("s", "s", "time"),
    Unit("l_ha", "L/ha", "rate", 1.0, M2_PER_HA, (Shown("rate", "metric", 1),)),
    Unit("gal_ac", "gal/ac", "rate", L_PER_GAL, M2_PER_AC, (Shown("rate", "us", 2),)),
    Unit("l_min", "L/min", "flow", 1.0, S_PER_MIN, (Shown("flow", "metric", 2),)),
    Unit("gal_min", "gal/min", "flow", L_PER_GAL, S_PER_MIN, (Shown("flow", "us", 3),)),
    Unit("m_s", "m/s", "speed"),
    Unit("km_h", "km/h", "speed", M_S_PER_KM_H, shown=(Shown("speed", "metric", 1),)),
    Unit("mph", "mph", "speed", M_S_PER_MPH, shown=(Shown("speed", "us", 1),)),
    Unit("knots", "kn", "speed", 1852.0, S_PER_H),
    Unit("g_l", "g/L", "content"),
    Unit("lb_gal", "lb/gal", "content", 1000.0 * KG_PER_LB, L_PER_GAL),
    Unit("g_kg", "g/kg", "content by weight"),
)
"""Every unit that a file or a person may use. A new one is a new row, the preferred unit of a dimension first."""


def units_of(dimension: str) -> tuple[Unit, ...]:
    """All units of a dimension, in the table's order.

    Examples
    --------
    >>> [unit.symbol for unit in units_of("speed")]
    ['m/s', 'km/h', 'mph', 'kn']
    """
    return tuple(unit for unit in UNITS if unit.dimension == dimension)


def named(stem: str, dimension: str) -> dict[str, Unit]:
    """Every name that a quantity may go by, with the unit that the name ends in.

    Examples
    --------
    >>> list(named("flow", "flow"))
    ['flow_l_min', 'flow_gal_min']
    """
    return {f"{stem}_{unit.suffix}": unit for unit in units_of(dimension)}


# --- what a person is shown ----------------------------------------------------------------------------------------
class Face(NamedTuple):
    """A unit as a person reads it: the symbol beside the number, its size, decimals, and the end of a column's name."""

    symbol: str
    si_per_unit: float
    digits: int
    suffix: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of quantity: its unit inside, and what is shown of it in each system."""

    kind: str
    inside: str
    faces: Mapping[str, Face]

    def face(self, system: UnitSystem) -> Face:
        """Return the unit shown in ``system``."""
        try:
            return self.faces[system]
        except KeyError:
            raise InputError(f"unknown unit system {system!r}.", hint="Use metric or us.") from None


def _quantities() -> Mapping[str, Quantity]:
    faces: dict[str, dict[str, Face]] = {}
    inside: dict[str, str] = {}
    for unit in UNITS:
        for kind, system, digits in unit.shown:
            faces.setdefault(kind, {})[system] = Face(unit.symbol, unit.si_per_unit, digits, unit.suffix)
            inside[kind] = INSIDE[unit.dimension]
    return MappingProxyType({kind: Quantity(kind, inside[kind], found) for kind, found in faces.items()})


QUANTITIES: Final[Mapping[str, Quantity]] = _quantities()
"""Every kind of quantity that is shown to a person; there is no other way out."""


def l_ha_from_l_m2(rate_l_m2: float) -> float:
    """Litres per square metre to litres per hectare."""
    return rate_l_m2 * M2_PER_HA


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
