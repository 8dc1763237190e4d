"""What drives a coat from wet to hard, and how fast it goes here compared with the data sheet's conditions.

Five drivers: evaporation of water, evaporation of solvent, diffusion of what is left, reaction, oxidation. Each has a
rate relative to the data sheet's conditions; a stage is a sequence of legs, each with a driver of its own, as films are
seen to lose their solvent first at the rate the air takes it and then at the rate the film lets it through.

Every parameter may be an array of draws. Series run along the last axis, draws along the axes before it.

References
----------
.. [1] ASTM D1640 and FED-STD-141D method 4061: stage times hold for a film thickness, a temperature, a humidity and air
   without drafts; the thickness of the test film differs twofold between the two documents for lacquer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics import humidity
from collector.physics.age_curve import AgeCurve, FloatArray
from collector.physics.cure import rate
from collector.physics.humidity import Numbers

WATER_EVAPORATION: Final = "water_evaporation"
SOLVENT_EVAPORATION: Final = "solvent_evaporation"
DIFFUSION: Final = "diffusion"
REACTION: Final = "reaction"
OXIDATION: Final = "oxidation"

DRIVERS: Final = (WATER_EVAPORATION, SOLVENT_EVAPORATION, DIFFUSION, REACTION, OXIDATION)

BUOYANT_M_S: Final = 0.1
"""Air over a piece is never stiller than this: it is stirred by differences of temperature. [m/s] Judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetConditions:
    """What a data sheet's time holds at.

    Attributes
    ----------
    at_c : float
        Film temperature. [°C]
    at_relative_humidity_pct : float
        [%]
    air_speed_m_s : float
        Over the film; 0 for the draft-free air of a test room. [m/s]
    dry_film_um : float
        [µm]
    """

    at_c: float
    at_relative_humidity_pct: float
    air_speed_m_s: float
    dry_film_um: float

    def __post_init__(self) -> None:
        for name, value, low, high, unit in (
            ("at_c", self.at_c, -10, 60, "°C"),
            ("at_relative_humidity_pct", self.at_relative_humidity_pct, 0, 99, "%"),
            ("air_speed_m_s", self.air_speed_m_s, 0, 20, "m/s"),
        ):
            if not low <= value <= high:
                raise ValueError(f"{name} {value:g} {unit}; expected {low} to {high} {unit}")
        if not 0 < self.dry_film_um <= 5_000:
            raise ValueError(f"dry_film_um {self.dry_film_um:g} µm; expected above 0 to 5000 µm")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverParameters:
    """How one driver answers to its surroundings; floats, or arrays of draws that broadcast with each other.

    What a driver does not answer to is left at 0.

    Attributes
    ----------
    driver : str
        One of :data:`DRIVERS`.
    factor : float or array
        Time this material takes over the time its data sheet gives.
    activation_energy_kj_mol : float or array
        Apparent, of the film at air temperature. [kJ/mol]
    film_exponent : float or array
        Time goes with thickness to this power.
    air_exponent : float or array
        Rate goes with air speed to this power.
    humidity_slope : float or array
        Change of ln(rate) from 0 to 100 % relative humidity.
    self_cooling : float or array
        Water evaporation alone: how far the film is cooled from air temperature (0) to the wet bulb (1).
    """

    driver: str
    factor: Numbers = 1.0
    activation_energy_kj_mol: Numbers = 0.0
    film_exponent: Numbers = 0.0
    air_exponent: Numbers = 0.0
    humidity_slope: Numbers = 0.0
    self_cooling: Numbers = 0.0

    def __post_init__(self) -> None:
        if self.driver not in DRIVERS:
            raise ValueError(f"driver {self.driver!r}; expected one of {', '.join(DRIVERS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """A part of a stage: the curve of its driver's age, and the age it takes.

    Attributes
    ----------
    curve : AgeCurve
    needed_h : float or array
        Broadcasts with the curve's leading axes. [h]
    """

    curve: AgeCurve
    needed_h: Numbers


def climate_rate(
    parameters: DriverParameters,
    temperature_c: npt.ArrayLike,
    relative_humidity_pct: npt.ArrayLike,
    air_speed_m_s: npt.ArrayLike,
    sheet: SheetConditions,
) -> FloatArray:
    """Rate of a driver relative to the data sheet's conditions, film thickness left aside.

    Parameters
    ----------
    parameters : DriverParameters
        Of shape (...).
    temperature_c, relative_humidity_pct, air_speed_m_s : float or array
        A series of shape (n,) or one moment. [°C], -40 to 60; [%], 0 to 100; [m/s], 0 or more
    sheet : SheetConditions

    Returns
    -------
    array
        Shape (..., n) for a series, (...) for a moment. NaN where a value is missing that the driver answers to.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    series = np.broadcast_shapes(np.shape(temperature_c), np.shape(relative_humidity_pct), np.shape(air_speed_m_s))

    def over(value: Numbers) -> FloatArray:
        draws = np.asarray(value, np.float64)
        return draws[..., np.newaxis] if series else draws

    found = np.ones(series)
    if parameters.driver == WATER_EVAPORATION:
        found = water_evaporation_rate(
            temperature_c, relative_humidity_pct, sheet, self_cooling=over(parameters.self_cooling)
        )
    if np.any(parameters.activation_energy_kj_mol):
        found = found * rate(temperature_c, over(parameters.activation_energy_kj_mol), sheet.at_c)
    if np.any(parameters.air_exponent):
        found = found * air_factor(air_speed_m_s, sheet, air_exponent=over(parameters.air_exponent))
    if np.any(parameters.humidity_slope):
        damper = (np.asarray(relative_humidity_pct, np.float64) - sheet.at_relative_humidity_pct) / 100.0
        found = found * np.exp(over(parameters.humidity_slope) * damper)
    return np.asarray(found, np.float64)


def water_evaporation_rate(
    temperature_c: npt.ArrayLike,
    relative_humidity_pct: npt.ArrayLike,
    sheet: SheetConditions,
    *,
    self_cooling: npt.ArrayLike,
) -> FloatArray:
    """How fast water leaves a wet film, relative to the data sheet's conditions: the deficit of its vapour pressure.

    The film lies between air temperature and wet bulb. At the wet bulb the deficit goes with the wet-bulb depression;
    at air temperature it is that of the air. Saturated air takes nothing: the rate is 0.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : float or array
        [°C], -40 to 60; [%], 0 to 100
    self_cooling : float or array
        0 to 1; broadcasts with the rest.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    cooling = np.asarray(self_cooling, np.float64)
    if np.any((cooling < 0) | (cooling > 1)):
        raise ValueError(f"self_cooling {cooling.min():g} to {cooling.max():g}; expected 0 to 1")
    here = _deficit(np.asarray(temperature_c, np.float64), np.asarray(relative_humidity_pct, np.float64), cooling)
    there = _deficit(np.asarray(sheet.at_c), np.asarray(sheet.at_relative_humidity_pct), cooling)
    return np.maximum(here / there, 0.0)


def air_factor(air_speed_m_s: npt.ArrayLike, sheet: SheetConditions, *, air_exponent: npt.ArrayLike) -> FloatArray:
    """How much faster moving air takes vapour from a film than the air of the data sheet.

    Parameters
    ----------
    air_speed_m_s : float or array
        0 or more; buoyancy stirs even still air, see :data:`BUOYANT_M_S`. [m/s]
    air_exponent : float or array
        0.5 for a laminar, 0.8 for a turbulent boundary layer.

    Raises
    ------
    ValueError
        If a speed is negative.
    """
    speed = np.asarray(air_speed_m_s, np.float64)
    if np.any(speed < 0):
        raise ValueError(f"air_speed_m_s {np.nanmin(speed):g} m/s; expected 0 or more")
    ratio = np.hypot(speed, BUOYANT_M_S) / np.hypot(sheet.air_speed_m_s, BUOYANT_M_S)
    return np.asarray(ratio ** np.asarray(air_exponent, np.float64))


def film_factor(dry_film_um: npt.ArrayLike, sheet: SheetConditions, *, film_exponent: npt.ArrayLike) -> FloatArray:
    """How much longer a film takes than the data sheet's, for its thickness alone.

    Parameters
    ----------
    dry_film_um : float or array
        Above 0; for diffusion through young coats see :func:`collector.physics.film_diffusion.effective_film_um`. [µm]
    film_exponent : float or array
        1 for evaporation, 2 for diffusion, 0 for a reaction.

    Raises
    ------
    ValueError
        If a thickness is not above 0.
    """
    film = np.asarray(dry_film_um, np.float64)
    if np.any(film <= 0):
        raise ValueError(f"dry_film_um {np.nanmin(film):g} µm; expected above 0 µm")
    return np.asarray((film / sheet.dry_film_um) ** np.asarray(film_exponent, np.float64))


def needed_hours(
    sheet_h: npt.ArrayLike,
    share: float,
    parameters: DriverParameters,
    dry_film_um: npt.ArrayLike,
    sheet: SheetConditions,
) -> FloatArray:
    """Age a leg of a stage takes, in hours at the data sheet's climate. [h]

    Parameters
    ----------
    sheet_h : float or array
        The data sheet's time for the whole stage. [h]
    share : float
        Share of that time the leg takes, 0 to 1.
    dry_film_um : float or array
        [µm]
    """
    thicker = film_factor(dry_film_um, sheet, film_exponent=parameters.film_exponent)
    return np.asarray(np.asarray(sheet_h, np.float64) * share * np.asarray(parameters.factor) * thicker)


def ready_h(start_h: npt.ArrayLike, legs: Sequence[Leg]) -> FloatArray:
    """When a stage is reached that began at a time: its legs one after the other. [h]

    Parameters
    ----------
    start_h : float or array
        Within the curves' series. [h]
    legs : sequence of Leg
        In order; all on the same clock.

    Returns
    -------
    array
        inf where the series ends first.

    Raises
    ------
    ValueError
        If the start lies outside the series.
    """
    when = np.asarray(start_h, np.float64)
    for leg in legs:
        when = leg.curve.reached_h(leg.curve.at(when) + leg.needed_h)
    return when


def progress(start_h: npt.ArrayLike, now_h: float, legs: Sequence[Leg]) -> FloatArray:
    """How much of a stage is done, 0 to 1, in terms of the age its legs take.

    Parameters
    ----------
    start_h : float or array
        Within the curves' series. [h]
    now_h : float
        Within the curves' series. [h]

    Raises
    ------
    ValueError
        If a time lies outside the series.
    """
    when = np.asarray(start_h, np.float64)
    done: FloatArray = np.zeros(())
    needed: FloatArray = np.zeros(())
    for leg in legs:
        begun = leg.curve.at(when)
        done = done + np.clip(leg.curve.at(now_h) - begun, 0.0, leg.needed_h)
        needed = needed + np.asarray(leg.needed_h)
        when = leg.curve.reached_h(begun + leg.needed_h)
    return np.asarray(np.where(needed > 0, done / np.where(needed > 0, needed, 1.0), 1.0))


def influences(
    parameters: DriverParameters,
    temperature_c: float,
    relative_humidity_pct: float,
    air_speed_m_s: float,
    sheet: SheetConditions,
) -> dict[str, FloatArray]:
    """What each condition does to the rate: the rate as it is over the rate with that one as on the data sheet.

    Below 1 it holds the coat up; ``1/influence`` is how much longer the wait is for it.

    Returns
    -------
    dict
        ``temperature``, ``humidity`` and ``air``.
    """
    actual = climate_rate(parameters, temperature_c, relative_humidity_pct, air_speed_m_s, sheet)
    without = {
        "temperature": climate_rate(parameters, sheet.at_c, relative_humidity_pct, air_speed_m_s, sheet),
        "humidity": climate_rate(parameters, temperature_c, sheet.at_relative_humidity_pct, air_speed_m_s, sheet),
        "air": climate_rate(parameters, temperature_c, relative_humidity_pct, sheet.air_speed_m_s, sheet),
    }
    # Where even the sheet's value leaves no rate, as in saturated air, the condition changes nothing.
    return {
        name: np.divide(actual, other, out=np.ones_like(actual), where=other > 0) for name, other in without.items()
    }


def _deficit(air_c: FloatArray, damp: FloatArray, cooling: FloatArray) -> FloatArray:
    depression = air_c - np.asarray(humidity.wet_bulb_c(air_c, damp))
    film = np.asarray(humidity.saturation_pressure(air_c - cooling * depression))
    return np.asarray(film - humidity.vapour_pressure(air_c, damp))
