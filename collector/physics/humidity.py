"""Moist air: vapour pressure, dew and frost point, wet bulb, and the margin of a surface with its uncertainty.

Saturation vapour pressure is Buck's 1996 form with its exact quadratic inverse, one form for both directions, so
that air at 100 % has its dew point at its own temperature. All functions take and return floats or numpy arrays;
NaN in gives NaN out.

References
----------
.. [1] A. L. Buck, "New equations for computing vapor pressure and enhancement factor", J. Appl. Meteorol. 20
   (1981) 1527-1532, with the coefficients of the revised form in the CR-1A hygrometer manual (1996).
.. [2] JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 5.1.2, 5.2.2 and 4.3.7.
.. [3] ASHRAE Handbook Fundamentals (2017), chapter 1: humidity ratio and thermodynamic wet bulb, eq. 33 and 35.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Numbers = float | npt.NDArray[np.float64]

ATMOSPHERE: Final = 101_325.0
"""Standard atmosphere. [Pa]"""

WATER_GAS_CONSTANT: Final = 461.523
"""Specific gas constant of water vapour. [J/(kg·K)]"""

MASS_RATIO: Final = 0.621945
"""Molar mass of water over that of dry air (ASHRAE 2017)."""

ZERO_C: Final = 273.15

COLDEST_C: Final = -60.0
HOTTEST_C: Final = 90.0

_BLOCK: Final = 32_768
"""Values worked on at a time, so that what lies between the steps stays in the processor's cache."""

ONE_SIDED_95: Final = 1.6448536269514722
"""Standard normal quantile at 0.95."""


@dataclass(frozen=True, slots=True)
class _Buck:
    """e_s(t) = a·exp((b - t/d)·t/(c + t)) [Pa], t in °C."""

    a: float
    b: float
    c: float
    d: float


_WATER: Final = _Buck(a=611.21, b=18.678, c=257.14, d=234.5)
_ICE: Final = _Buck(a=611.15, b=23.036, c=279.82, d=333.7)


@dataclass(frozen=True, slots=True)
class Margin:
    """Surface temperature above the dew point (or frost point) and what is known of it.

    Attributes
    ----------
    margin_k : float or array
        Surface minus dew point. [K]
    dew_point_c : float or array
        The dew or frost point it counts from. [°C]
    standard_uncertainty_k : float or array
        Standard uncertainty of the margin. [K]
    """

    margin_k: Numbers
    dew_point_c: Numbers
    standard_uncertainty_k: Numbers


def saturation_pressure(air_c: Numbers) -> Numbers:
    """Saturation vapour pressure over liquid water, supercooled below 0 °C. [Pa]

    Parameters
    ----------
    air_c : float or array
        Temperature. [°C], -60 to 90

    Raises
    ------
    ValueError
        If a temperature is out of range.
    """
    return _saturation(_WATER, _in_range("air_c", air_c, COLDEST_C, HOTTEST_C, "°C"))


def saturation_pressure_over_ice(air_c: Numbers) -> Numbers:
    """Saturation vapour pressure over ice. [Pa]

    Parameters
    ----------
    air_c : float or array
        Temperature. [°C], -60 to 0

    Raises
    ------
    ValueError
        If a temperature is out of range.
    """
    return _saturation(_ICE, _in_range("air_c", air_c, COLDEST_C, 0.0, "°C"))


def vapour_pressure(air_c: Numbers, relative_humidity_pct: Numbers) -> Numbers:
    """Partial pressure of water vapour. [Pa]

    Parameters
    ----------
    air_c : float or array
        Air temperature. [°C], -60 to 90
    relative_humidity_pct : float or array
        Relative humidity over liquid water. [%], 0 to 100

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    humidity = _in_range("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0, "%")
    return _plain(np.asarray(saturation_pressure(air_c)) * humidity / 100.0)


def dew_point_c(air_c: Numbers, relative_humidity_pct: Numbers) -> Numbers:
    """Dew point over liquid water, supercooled below 0 °C. [°C]

    Exact inverse of the saturation form: within 0.011 °C of IAPWS-95 for air from 0 to 50 °C. Dry air (0 %) has no
    dew point: the result is -inf.

    Parameters
    ----------
    air_c : float or array
        Air temperature. [°C], -60 to 90
    relative_humidity_pct : float or array
        Relative humidity over liquid water. [%], 0 to 100

    Raises
    ------
    ValueError
        If a value is out of range; above 100 % the air holds fog and a sensor reading tells no vapour pressure.
    """
    t = _in_range("air_c", air_c, COLDEST_C, HOTTEST_C, "°C")
    humidity = _in_range("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0, "%")
    with np.errstate(divide="ignore", invalid="ignore"):
        if max(t.size, humidity.size) <= _BLOCK:
            return _plain(_dew_point(t, humidity))
        t, humidity = np.broadcast_arrays(t, humidity)
        dew = np.empty(t.shape)
        flat_t, flat_humidity, flat_dew = t.reshape(-1), humidity.reshape(-1), dew.reshape(-1)
        for start in range(0, flat_dew.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            flat_dew[block] = _dew_point(flat_t[block], flat_humidity[block])
        return dew


def frost_point_c(air_c: Numbers, relative_humidity_pct: Numbers) -> Numbers:
    """Temperature at which a surface starts to collect water: frost point below 0 °C, dew point above. [°C]

    Below 0 °C ice forms before liquid dew would, so this is the higher and more cautious of the two; above, the two
    are the same temperature.

    Parameters
    ----------
    air_c : float or array
        Air temperature. [°C], -60 to 90
    relative_humidity_pct : float or array
        Relative humidity over liquid water. [%], 0 to 100

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    dew = np.asarray(dew_point_c(air_c, relative_humidity_pct))
    with np.errstate(divide="ignore", invalid="ignore"):
        pressure = np.asarray(vapour_pressure(air_c, relative_humidity_pct))
        frost = _inverse(_ICE, np.log(pressure / _ICE.a))
        # Between the two forms' values at 0 °C (611.15 and 611.21 Pa) neither applies: the boundary is 0 °C.
        return _plain(np.where(dew >= 0.0, dew, np.minimum(frost, 0.0)))


def absolute_humidity_g_m3(air_c: Numbers, relative_humidity_pct: Numbers) -> Numbers:
    """Mass of water vapour in a volume of air. [g/m³]

    Parameters
    ----------
    air_c, relative_humidity_pct : float or array
        As in :func:`vapour_pressure`.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    kelvin = np.asarray(air_c, np.float64) + ZERO_C
    pressure = np.asarray(vapour_pressure(air_c, relative_humidity_pct))
    return _plain(1000.0 * pressure / (WATER_GAS_CONSTANT * kelvin))


def humidity_ratio(vapour_pressure: Numbers, pressure: Numbers = ATMOSPHERE) -> Numbers:
    """Mass of water vapour per mass of dry air. [kg/kg]

    Parameters
    ----------
    vapour_pressure : float or array
        Partial pressure of water vapour. [Pa]
    pressure : float or array
        Total pressure of the moist air. [Pa]

    Raises
    ------
    ValueError
        If ``vapour_pressure`` is negative or not below ``pressure``.
    """
    vapour = np.asarray(vapour_pressure, np.float64)
    total = np.asarray(pressure, np.float64)
    if np.any((vapour < 0) | (vapour >= total)):
        raise ValueError(f"vapour_pressure {_extremes(vapour)} Pa; expected 0 to below pressure {_extremes(total)} Pa")
    return _plain(MASS_RATIO * vapour / (total - vapour))


def vapour_pressure_of_ratio(humidity_ratio: Numbers, pressure: Numbers = ATMOSPHERE) -> Numbers:
    """Partial pressure of water vapour of air with a humidity ratio; inverse of :func:`humidity_ratio`. [Pa]"""
    ratio = np.asarray(humidity_ratio, np.float64)
    if np.any(ratio < 0):
        raise ValueError(f"humidity_ratio {_extremes(ratio)} kg/kg; expected 0 or more")
    return _plain(np.asarray(pressure, np.float64) * ratio / (MASS_RATIO + ratio))


def relative_humidity_pct(air_c: Numbers, vapour_pressure: Numbers) -> Numbers:
    """Relative humidity over liquid water of air at a temperature with a vapour pressure. [%]

    Above 100 the air is supersaturated; nothing is clipped. At a surface's temperature it is the humidity the
    surface sees.
    """
    return _plain(100.0 * np.asarray(vapour_pressure, np.float64) / np.asarray(saturation_pressure(air_c)))


def vapour_pressure_deficit(air_c: Numbers, relative_humidity_pct: Numbers) -> Numbers:
    """How far the vapour pressure is below saturation: what drives water out of a film. [Pa]

    Parameters
    ----------
    air_c, relative_humidity_pct : float or array
        As in :func:`vapour_pressure`.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    return _plain(np.asarray(saturation_pressure(air_c)) - np.asarray(vapour_pressure(air_c, relative_humidity_pct)))


def wet_bulb_c(air_c: Numbers, relative_humidity_pct: Numbers, pressure: Numbers = ATMOSPHERE) -> Numbers:
    """Thermodynamic wet bulb (adiabatic saturation) over liquid water or, below 0 °C, over ice. [°C]

    Parameters
    ----------
    air_c : float or array
        Air temperature. [°C], -40 to 60
    relative_humidity_pct : float or array
        Relative humidity over liquid water. [%], 0 to 100
    pressure : float or array
        Total pressure. [Pa], 30000 to 110000

    Notes
    -----
    Adiabatic saturation over water and over ice do not meet at 0 °C, and some air has a solution on either side. Such
    air is given the one over water: a wet wick stays liquid while it can. On each side the humidity ratio rises with
    the wet bulb, so that bisection, here to 1e-9 °C, cannot miss it.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    t = _in_range("air_c", air_c, -40.0, 60.0, "°C")
    total = _in_range("pressure", pressure, 30_000.0, 110_000.0, "Pa")
    ratio = np.asarray(humidity_ratio(vapour_pressure(air_c, relative_humidity_pct), pressure))
    t, ratio, total = np.broadcast_arrays(t, ratio, total)
    icy = (t < 0.0) | (_ratio_at_wet_bulb(np.zeros(t.shape), t, total, icy=np.False_) > ratio)
    low = np.where(icy, COLDEST_C, 0.0)
    high = np.where(icy, np.minimum(t, 0.0), t)
    for _ in range(44):
        middle = (low + high) / 2.0
        too_wet = _ratio_at_wet_bulb(middle, t, total, icy) > ratio
        high = np.where(too_wet, middle, high)
        low = np.where(too_wet, low, middle)
    return _plain(np.where(np.isnan(t) | np.isnan(ratio), np.nan, (low + high) / 2.0))


def dew_point_sensitivities(
    air_c: Numbers, relative_humidity_pct: Numbers, *, over_ice: bool | npt.NDArray[np.bool_] = False
) -> tuple[Numbers, Numbers]:
    """How much the dew point moves with air temperature [K/K] and with relative humidity [K/%].

    From ln e_s(Td) = ln(RH/100) + ln e_s(t): ∂Td/∂t = β(t)/β(Td), ∂Td/∂RH = 1/(RH·β(Td)), with β = d ln e_s/dt.

    Parameters
    ----------
    over_ice : bool or array
        Where true, for the frost point.
    """
    t = np.asarray(air_c, np.float64)
    humidity = np.asarray(relative_humidity_pct, np.float64)
    dew = np.where(over_ice, frost_point_c(air_c, relative_humidity_pct), dew_point_c(air_c, relative_humidity_pct))
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(over_ice, _log_slope(_ICE, dew), _log_slope(_WATER, dew))
        return _plain(_log_slope(_WATER, t) / slope), _plain(1.0 / (humidity * slope))


def margin(
    air_c: Numbers,
    relative_humidity_pct: Numbers,
    surface_c: Numbers,
    *,
    air_uncertainty_k: Numbers,
    relative_humidity_uncertainty_pct: Numbers,
    surface_uncertainty_k: Numbers,
    correlation: float = 0.0,
) -> Margin:
    """Surface temperature above the dew point, with its standard uncertainty (GUM, first order).

    u²(M) = u²(Ts) + ct²·u²(t) + cr²·u²(RH) - 2·r·ct·u(Ts)·u(t). A margin at or below freezing counts from the frost
    point.

    Parameters
    ----------
    air_c, relative_humidity_pct, surface_c : float or array
        Air temperature [°C], relative humidity [%] and surface temperature [°C].
    air_uncertainty_k, relative_humidity_uncertainty_pct, surface_uncertainty_k : float or array
        Standard uncertainties; for a datasheet's ± limit see :func:`rectangular`.
    correlation : float
        Correlation r of the errors of air and surface temperature, -1 to 1.

    Raises
    ------
    ValueError
        If a value is out of range or an uncertainty negative.
    """
    surface = _in_range("surface_c", surface_c, COLDEST_C, 200.0, "°C")
    if not -1.0 <= correlation <= 1.0:
        raise ValueError(f"correlation {correlation}; expected -1 to 1")
    u_air, u_humidity, u_surface = (
        _in_range(name, value, 0.0, 1000.0, unit)
        for name, value, unit in (
            ("air_uncertainty_k", air_uncertainty_k, "K"),
            ("relative_humidity_uncertainty_pct", relative_humidity_uncertainty_pct, "%"),
            ("surface_uncertainty_k", surface_uncertainty_k, "K"),
        )
    )
    point = np.asarray(frost_point_c(air_c, relative_humidity_pct))
    ct, cr = (np.asarray(c) for c in dew_point_sensitivities(air_c, relative_humidity_pct, over_ice=point < 0.0))
    variance = u_surface**2 + (ct * u_air) ** 2 + (cr * u_humidity) ** 2 - 2.0 * correlation * ct * u_surface * u_air
    return Margin(_plain(surface - point), _plain(point), _plain(np.sqrt(np.maximum(variance, 0.0))))


def rectangular(half_width: Numbers) -> Numbers:
    """Standard uncertainty of a value known to lie within ± a half-width (GUM 4.3.7): a/√3."""
    return _plain(_in_range("half_width", half_width, 0.0, np.inf, "") / np.sqrt(3.0))


def guarded(limit: Numbers, standard_uncertainty: Numbers) -> Numbers:
    """What a value must exceed to be above the limit with 95 % confidence (one-sided, normal)."""
    return _plain(np.asarray(limit, np.float64) + ONE_SIDED_95 * np.asarray(standard_uncertainty, np.float64))


def _exponent(form: _Buck, t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return (form.b - t / form.d) * t / (form.c + t)


def _dew_point(t: npt.NDArray[np.float64], humidity: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return _inverse(_WATER, np.log(humidity / 100.0) + _exponent(_WATER, t))


def _saturation(form: _Buck, t: npt.NDArray[np.float64]) -> Numbers:
    return _plain(form.a * np.exp(_exponent(form, t)))


def _inverse(form: _Buck, exponent: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    # The root of t²/d - (b - s)·t + c·s = 0 that stays accurate where s is near 0.
    linear = form.b - exponent
    root = 2.0 * form.c * exponent / (linear + np.sqrt(linear * linear - 4.0 * form.c * exponent / form.d))
    return np.where(np.isneginf(exponent), -np.inf, root)


def _log_slope(form: _Buck, t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return (form.b * form.c - 2.0 * form.c * t / form.d - t * t / form.d) / (form.c + t) ** 2


def _ratio_at_wet_bulb(
    wet: npt.NDArray[np.float64],
    t: npt.NDArray[np.float64],
    total: npt.NDArray[np.float64],
    icy: npt.NDArray[np.bool_] | np.bool_,
) -> npt.NDArray[np.float64]:
    saturated = np.where(icy, _saturation(_ICE, wet), _saturation(_WATER, wet))
    ratio = MASS_RATIO * saturated / (total - saturated)
    over_water = ((2501.0 - 2.326 * wet) * ratio - 1.006 * (t - wet)) / (2501.0 + 1.86 * t - 4.186 * wet)
    over_ice = ((2830.0 - 0.24 * wet) * ratio - 1.006 * (t - wet)) / (2830.0 + 1.86 * t - 2.1 * wet)
    return np.where(icy, over_ice, over_water)


def _in_range(name: str, value: Numbers, low: float, high: float, unit: str) -> npt.NDArray[np.float64]:
    array = np.asarray(value, np.float64)
    if np.any((array < low) | (array > high)):
        raise ValueError(f"{name} {_extremes(array)} {unit}; expected {low:g} to {high:g} {unit}".replace(" ;", ";"))
    return array


def _extremes(array: npt.NDArray[np.float64]) -> str:
    return f"{float(array):g}" if array.ndim == 0 else f"{np.nanmin(array):g} to {np.nanmax(array):g}"


def _plain(array: npt.NDArray[np.float64]) -> Numbers:
    return float(array) if array.ndim == 0 else array
