"""Arithmetic of sprayer calibration and field capacity: rate, flow, speed, pressure, ground covered an hour.

The trade's US formulas carry rounded-looking constants (5940, 495, 8.25) that are exact: each follows from the mile of
5,280 ft, the acre of 43,560 ft2 and the hour of 60 min, as derived at the function.
"""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import Final

from swathledger.errors import InputError

GPA_PER_GPM_PER_MPH_IN: Final = 5940.0
"""43560 ft2/ac * 12 in/ft / (88 ft/min per mph): gal/ac from gal/min, mph and inches."""
GPA_PER_GPM_PER_MPH_FT: Final = 495.0
"""43560 ft2/ac / (88 ft/min per mph): gal/ac from gal/min, mph and feet."""
L_HA_PER_L_MIN_PER_KM_H_M: Final = 600.0
"""10000 m2/ha * 60 min/h / (1000 m/km): L/ha from L/min, km/h and metres."""
FT_MPH_PER_AC_H: Final = 8.25
"""43560 ft2/ac / 5280 ft/mi: acres an hour from feet and mph."""
FT_MIN_PER_MPH: Final = 88.0
"""5280 ft/mi / 60 min/h: feet a minute at one mph. Its loss is a slip found in print."""

ISO_10625_PRESSURE_BAR: Final = 3.0
"""Pressure at which the sizes of ISO 10625 are named, bar."""

# From memory of the standard; consistent with a published page on nozzle coding.
ISO_10625_NOMINAL_L_MIN: Final[MappingProxyType[str, float]] = MappingProxyType(
    {"01": 0.4, "015": 0.6, "02": 0.8, "025": 1.0, "03": 1.2, "04": 1.6, "05": 2.0, "06": 2.4, "08": 3.2, "10": 4.0}
)
"""Nominal flow at 3 bar by ISO 10625 nozzle size, L/min of water."""


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"must be a positive number, found {value!r}.", column=name)
    return value


def _not_negative(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0):
        raise InputError(f"must be a number of 0 or more, found {value!r}.", column=name)
    return value


def rate_l_m2(flow_l_s: float, speed_m_s: float, width_m: float) -> float:
    """Volume on each square metre: flow over ground swept a second.

    Parameters
    ----------
    flow_l_s : float
        Flow of the nozzles that cover ``width_m``, L/s.
    speed_m_s : float
        Ground speed, m/s, above 0: at standstill there is no rate.
    width_m : float
        Width covered by that flow, m.

    Returns
    -------
    float
        L/m2.

    Raises
    ------
    InputError
        Where speed or width is not above 0, or the flow is negative.
    """
    return _not_negative("flow_l_s", flow_l_s) / (_positive("speed_m_s", speed_m_s) * _positive("width_m", width_m))


def rate_l_ha(flow_l_min: float, speed_km_h: float, width_m: float) -> float:
    """Application rate, L/ha = 600 * L/min / (km/h * m); edge rules as `rate_l_m2`.

    Examples
    --------
    >>> round(rate_l_ha(1.3, 7.8, 0.5), 9)
    200.0
    """
    flow = _not_negative("flow_l_min", flow_l_min)
    return L_HA_PER_L_MIN_PER_KM_H_M * flow / (_positive("speed_km_h", speed_km_h) * _positive("width_m", width_m))


def rate_gal_ac(flow_gal_min: float, speed_mph: float, spacing_in: float) -> float:
    """Application rate, GPA = 5940 * GPM / (mph * in); edge rules as `rate_l_m2`.

    References
    ----------
    UF/IFAS EDIS WG013, Calibration of Herbicide Applicators.
    """
    flow = _not_negative("flow_gal_min", flow_gal_min)
    return GPA_PER_GPM_PER_MPH_IN * flow / (_positive("speed_mph", speed_mph) * _positive("spacing_in", spacing_in))


def rate_gal_ac_of_swath(flow_gal_min: float, speed_mph: float, width_ft: float) -> float:
    """Application rate, GPA = 495 * GPM / (mph * ft); edge rules as `rate_l_m2`."""
    flow = _not_negative("flow_gal_min", flow_gal_min)
    return GPA_PER_GPM_PER_MPH_FT * flow / (_positive("speed_mph", speed_mph) * _positive("width_ft", width_ft))


def flow_l_min_for_rate(rate: float, speed_km_h: float, width_m: float) -> float:
    """Flow that gives ``rate`` (L/ha) at a speed and width, L/min; the inverse of `rate_l_ha`. Zero at standstill."""
    return (
        _not_negative("rate_l_ha", rate)
        * _not_negative("speed_km_h", speed_km_h)
        * _positive("width_m", width_m)
        / L_HA_PER_L_MIN_PER_KM_H_M
    )


def strip_rate_gal_ac(volume_gal: float, length_ft: float, width_ft: float) -> float:
    """Rate from a volume caught or used over a measured strip, gal/ac."""
    area_ac = _positive("length_ft", length_ft) * _positive("width_ft", width_ft) / 43_560.0
    return _not_negative("volume_gal", volume_gal) / area_ac


def speed_m_s(distance_m: float, duration_s: float) -> float:
    """Ground speed over a measured distance, m/s."""
    return _not_negative("distance_m", distance_m) / _positive("duration_s", duration_s)


def speed_mph(distance_ft: float, duration_s: float) -> float:
    """Ground speed over a measured distance, mph = ft / s * 60 / 88."""
    return _not_negative("distance_ft", distance_ft) / _positive("duration_s", duration_s) * 60.0 / FT_MIN_PER_MPH


def effective_capacity_m2_s(width_m: float, travel_m_s: float, efficiency: float) -> float:
    """Ground covered a second with field efficiency, m2/s.

    Parameters
    ----------
    width_m : float
        Working width, m.
    travel_m_s : float
        Ground speed while spraying, m/s.
    efficiency : float
        Field efficiency, above 0 and at most 1: the share of field time and width really used.

    Raises
    ------
    InputError
        Where an argument is out of its range.
    """
    return _positive("width_m", width_m) * _positive("travel_m_s", travel_m_s) * _share(efficiency)


def effective_capacity_ac_h(width_ft: float, travel_mph: float, efficiency: float) -> float:
    """Ground covered an hour, acres/h = ft * mph * efficiency / 8.25; arguments as `effective_capacity_m2_s`.

    References
    ----------
    Iowa State University AgDM A3-24; University of Kentucky AEN-73.
    """
    return _positive("width_ft", width_ft) * _positive("travel_mph", travel_mph) * _share(efficiency) / FT_MPH_PER_AC_H


def _share(efficiency: float) -> float:
    if not 0 < efficiency <= 1:
        raise InputError(
            f"must be above 0 and at most 1, found {efficiency!r}.", column="efficiency", hint="65 % is written 0.65."
        )
    return efficiency


def flow_at_pressure(flow: float, pressure: float, new_pressure: float) -> float:
    """Flow of one orifice at another pressure: flow goes as the square root of pressure.

    Parameters
    ----------
    flow : float
        Known flow, any unit.
    pressure, new_pressure : float
        Pressure at the known flow (above 0) and the one asked for (0 or more), in the same unit.

    Returns
    -------
    float
        Flow at ``new_pressure``, in the unit of ``flow``.
    """
    ratio = _not_negative("new_pressure", new_pressure) / _positive("pressure", pressure)
    return _not_negative("flow", flow) * math.sqrt(ratio)


def pressure_for_flow(pressure: float, flow: float, new_flow: float) -> float:
    """Pressure that gives another flow through the same orifice; the inverse of `flow_at_pressure`."""
    return _not_negative("pressure", pressure) * (_not_negative("new_flow", new_flow) / _positive("flow", flow)) ** 2


def nozzle_flow_l_min(size: str, pressure_bar: float = ISO_10625_PRESSURE_BAR) -> float:
    """Flow of water of an ISO 10625 nozzle size at a pressure, L/min.

    Parameters
    ----------
    size : str
        Size as printed on the nozzle: ``"01"``, ``"015"``, ``"02"``, ... ``"10"``.
    pressure_bar : float
        Pressure at the nozzle, bar, 0 or more. A liquid denser than water flows slower by the square root of its
        relative density; that is the caller's to apply.

    Raises
    ------
    InputError
        For a size that is not in `ISO_10625_NOMINAL_L_MIN`.
    """
    try:
        nominal = ISO_10625_NOMINAL_L_MIN[size]
    except KeyError:
        raise InputError(
            f"unknown nozzle size {size!r}.", column="size", hint=f"Known: {', '.join(ISO_10625_NOMINAL_L_MIN)}."
        ) from None
    return flow_at_pressure(nominal, ISO_10625_PRESSURE_BAR, pressure_bar)
