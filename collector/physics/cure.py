"""Equivalent age: how long a coat has cured, counted in hours at a reference temperature.

Reactions, diffusion and evaporation quicken with temperature, so an hour at 15 °C is worth less than one at 23 °C.
The Arrhenius rate relative to a reference is integrated over the logged temperatures by the trapezoid *on the rate*:
between two samples the rate, not the temperature, is taken as linear. Hours are counted from any common zero; a step is
two samples at one time. Series run along the last axis, activation energies and draws along the axes before it.

References
----------
.. [1] ASTM C1074, "Standard practice for estimating concrete strength by the maturity method": equivalent age after
   Freiesleben Hansen and Pedersen, and the temperature-time factor after Nurse and Saul. Concrete is the analogue; no
   open standard fixes the numbers for coatings.
.. [2] fib Model Code 2010, eq. 5.1-85, and EN 1992-1-1:2004, eq. B.10: the same sum with Ea/R = 4000 K.
.. [3] W. Tong, A. Lock, "A computational procedure for mean kinetic temperature using unequal temperature sampling",
   Int. J. Pharm. 494 (2015) 1-5 (from memory): the trapezoid on exp(-Ea/RT) for samples at irregular times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.age_curve import (
    GAP_SPREAD_K,
    GAP_WANDER_K,
    AgeCurve,
    Gap,
    age_curve,
    bridged,
    gap_uncertainty_h,
    ordered,
)
from collector.physics.humidity import ZERO_C, Numbers
from collector.physics.volatiles import GAS_CONSTANT

FloatArray = npt.NDArray[np.float64]

COLDEST_C: Final = -60.0
HOTTEST_C: Final = 200.0
LARGEST_KJ_MOL: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aging:
    """What a series of temperatures amounts to.

    Attributes
    ----------
    hours : float
        Length of the series. [h]
    equivalent_hours : float or array
        The same at the reference temperature, one for each activation energy. [h]
    standard_uncertainty_h : float or array
        Standard uncertainty that bridged gaps add; 0 without gaps. [h]
    mean_kinetic_c : float or array
        The steady temperature with the same effect. [°C]
    rate_now : float or array
        Rate relative to the reference at the end of the series.
    gaps : tuple of Gap
        Stretches longer than the gap allowed, oldest first.
    """

    hours: float
    equivalent_hours: Numbers
    standard_uncertainty_h: Numbers
    mean_kinetic_c: Numbers
    rate_now: Numbers
    gaps: tuple[Gap, ...]


def rate(temperature_c: npt.ArrayLike, activation_energy_kj_mol: npt.ArrayLike, reference_c: npt.ArrayLike) -> Numbers:
    """Arrhenius rate relative to the rate at a reference temperature.

    Arguments broadcast against each other; NaN in gives NaN out.

    Parameters
    ----------
    temperature_c, reference_c : float or array
        [°C], -60 to 200
    activation_energy_kj_mol : float or array
        [kJ/mol], 0 to 500

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    kelvin = _in_range("temperature_c", temperature_c, COLDEST_C, HOTTEST_C, "°C") + ZERO_C
    energy = _in_range("activation_energy_kj_mol", activation_energy_kj_mol, 0.0, LARGEST_KJ_MOL, "kJ/mol")
    reference = _in_range("reference_c", reference_c, COLDEST_C, HOTTEST_C, "°C") + ZERO_C
    return _plain(np.exp(1000.0 * energy / GAS_CONSTANT * (1.0 / reference - 1.0 / kelvin)))


def activation_energy_kj_mol(ratio: npt.ArrayLike, cool_c: npt.ArrayLike, warm_c: npt.ArrayLike) -> Numbers:
    """Activation energy from how much faster something goes when warmer. [kJ/mol]

    Parameters
    ----------
    ratio : float or array
        Rate at ``warm_c`` over rate at ``cool_c``, or time at ``cool_c`` over time at ``warm_c``; above 0.
    cool_c, warm_c : float or array
        Two different temperatures. [°C], -60 to 200

    Raises
    ------
    ValueError
        If a value is out of range or the temperatures are equal.
    """
    times = np.asarray(ratio, np.float64)
    cool = _in_range("cool_c", cool_c, COLDEST_C, HOTTEST_C, "°C") + ZERO_C
    warm = _in_range("warm_c", warm_c, COLDEST_C, HOTTEST_C, "°C") + ZERO_C
    if np.any(times <= 0):
        raise ValueError(f"ratio {_extremes(times)}; expected above 0")
    if np.any(cool == warm):
        raise ValueError(f"cool_c {_extremes(cool - ZERO_C)} °C equals warm_c; expected two different temperatures")
    return _plain(1e-3 * GAS_CONSTANT * np.log(times) * cool * warm / (warm - cool))


def equivalent_hours(
    time_h: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    activation_energy_kj_mol: npt.ArrayLike,
    reference_c: float,
) -> Numbers:
    """Hours at the reference temperature that a series of temperatures is worth. [h]

    Parameters
    ----------
    time_h : array, shape (n,)
        In order, irregular as it may be; two equal times are a step. [h]
    temperature_c : array, shape (..., n)
        Without missing values; for a log with gaps see :func:`aging`. [°C], -60 to 200
    activation_energy_kj_mol : float or array
        Broadcasts with the leading axes of the temperatures; one result for each. [kJ/mol], 0 to 500
    reference_c : float
        [°C], -60 to 200

    Raises
    ------
    ValueError
        If a value is missing or out of range, or the times are out of order.
    """
    return _plain(age_curve(time_h, _rates(temperature_c, activation_energy_kj_mol, reference_c)).age_h[..., -1])


def mean_kinetic_c(
    time_h: npt.ArrayLike, temperature_c: npt.ArrayLike, activation_energy_kj_mol: npt.ArrayLike
) -> Numbers:
    """The steady temperature that ages as much as a series of temperatures. [°C]

    Parameters as in :func:`equivalent_hours`; activation energies from 0.001 kJ/mol.
    """
    times = ordered(time_h)
    middle = float(np.mean(np.asarray(temperature_c, np.float64)))  # any reference will do; a near one keeps digits
    curve = age_curve(times, _rates(temperature_c, activation_energy_kj_mol, middle))
    return _plain(_kinetic(curve, activation_energy_kj_mol, middle))


def aging(
    time_h: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    activation_energy_kj_mol: npt.ArrayLike,
    reference_c: float,
    *,
    max_gap_h: float,
    wander_k: float = GAP_WANDER_K,
    spread_k: float = GAP_SPREAD_K,
) -> Aging:
    """Equivalent age of a log with gaps: bridged, marked, and made less certain.

    A missing temperature (NaN) is the same as a missing sample. Gaps are bridged by a line through the rates on either
    side, at the ends of the series by the nearest rate.

    Parameters
    ----------
    time_h, temperature_c : array, shape (n,)
        As in :func:`equivalent_hours`; NaN where there is no temperature.
    activation_energy_kj_mol : float or array
        One result for each. [kJ/mol], 0.001 to 500
    reference_c : float
        [°C]
    max_gap_h : float
        Longest stretch between readings that is not yet a gap. [h]
    wander_k, spread_k : float
        As in :func:`bridged`.

    Raises
    ------
    ValueError
        If no temperature is there, a value is out of range, or the times are out of order.
    """
    times = ordered(time_h)
    rates = _rates(temperature_c, activation_energy_kj_mol, reference_c)
    whole, gaps = bridged(times, rates, max_gap_h=max_gap_h, wander_k=wander_k, spread_k=spread_k)
    curve = age_curve(times, whole)
    kinetic = np.asarray(_kinetic(curve, activation_energy_kj_mol, reference_c))
    per_kelvin = 1000.0 * np.asarray(activation_energy_kj_mol) / GAS_CONSTANT / (kinetic + ZERO_C) ** 2
    return Aging(
        hours=float(times[-1] - times[0]),
        equivalent_hours=_plain(curve.age_h[..., -1]),
        standard_uncertainty_h=_plain(gap_uncertainty_h(curve, gaps, per_kelvin)),
        mean_kinetic_c=_plain(kinetic),
        rate_now=_plain(curve.rate[..., -1]),
        gaps=gaps,
    )


def degree_hours(time_h: npt.ArrayLike, temperature_c: npt.ArrayLike, datum_c: float) -> Numbers:
    """Temperature-time factor after Nurse and Saul: hours times degrees above a datum. [°C·h]

    The older, linear count of maturity, for comparison; nothing ages below the datum.

    Parameters
    ----------
    time_h, temperature_c : array
        As in :func:`equivalent_hours`.
    datum_c : float
        Temperature below which nothing ages. [°C]
    """
    above = _in_range("temperature_c", temperature_c, COLDEST_C, HOTTEST_C, "°C") - datum_c
    return _plain(age_curve(time_h, np.maximum(above, 0.0)).age_h[..., -1])


def _rates(temperature_c: npt.ArrayLike, energy_kj_mol: npt.ArrayLike, reference_c: float) -> FloatArray:
    return np.asarray(rate(np.asarray(temperature_c), np.asarray(energy_kj_mol)[..., np.newaxis], reference_c))


def _kinetic(curve: AgeCurve, energy_kj_mol: npt.ArrayLike, reference_c: float) -> FloatArray:
    energy = _in_range("activation_energy_kj_mol", energy_kj_mol, 1e-3, LARGEST_KJ_MOL, "kJ/mol")
    hours = curve.time_h[-1] - curve.time_h[0]
    mean = curve.age_h[..., -1] / hours if hours > 0 else curve.rate[..., -1]
    return np.asarray(1.0 / (1.0 / (reference_c + ZERO_C) - GAS_CONSTANT / (1000.0 * energy) * np.log(mean)) - ZERO_C)


def _in_range(name: str, value: npt.ArrayLike, low: float, high: float, unit: str) -> FloatArray:
    array = np.asarray(value, np.float64)
    if np.any((array < low) | (array > high)):
        raise ValueError(f"{name} {_extremes(array)} {unit}; expected {low:g} to {high:g} {unit}")
    return array


def _extremes(array: FloatArray) -> str:
    return f"{float(array):g}" if array.ndim == 0 else f"{np.nanmin(array):g} to {np.nanmax(array):g}"


def _plain(array: npt.ArrayLike) -> Numbers:
    values = np.asarray(array, np.float64)
    return float(values) if values.ndim == 0 else values
