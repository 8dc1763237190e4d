"""A stage as physics sees it: its legs, the age each takes, and the stage time at which it would be ready just now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from collector.advice.coat_history import Reals
from collector.advice.surroundings import COLDEST_C, DAMPEST_PCT, DRIEST_PCT, HOTTEST_C, Surroundings, normals
from collector.physics.age_curve import AgeCurve, age_curve
from collector.physics.drying_drivers import (
    DRIVERS,
    WATER_EVAPORATION,
    DriverParameters,
    SheetConditions,
    air_factor,
    climate_rate,
    film_factor,
    water_evaporation_rate,
)
from collector.records.model import Coat, StageTime
from collector.reference import drivers

UNKNOWN_FILM_LOG_SD: Final = 0.25
"""Of a film nobody measured. Judgement: a careful hand repeats a film within a quarter."""

_COOLING: Final = np.linspace(0.0, 1.0, 5)
_AIR_C: Final = np.arange(COLDEST_C, HOTTEST_C + 1.0)
_DAMP: Final = np.linspace(DRIEST_PCT, DAMPEST_PCT, 41)

HALVINGS: Final = 16
"""A leg's end is found to within a 65,000th of the time waited."""

LEAST_H: Final = 0.02
"""A stage time below about a minute is taken as this. [h]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A leg of a stage: its driver, and its share of the stage's time."""

    driver: str
    share: float
    leading: bool


def sheet_of(stage: StageTime) -> SheetConditions:
    """The conditions a stage's time holds at; air without drafts."""
    return SheetConditions(
        at_c=stage.at_c,
        at_relative_humidity_pct=min(stage.at_relative_humidity_pct, 99.0),
        air_speed_m_s=0.0,
        dry_film_um=max(stage.dry_film_um, 1.0),
    )


@cache
def parts_of(chemistry: str, stage: str) -> tuple[Part, ...]:
    """What governs a stage, in order; the leading part is the one with the largest share, the later of equals."""
    found = drivers.governing(chemistry, stage).parts
    lead = max(range(len(found)), key=lambda i: (found[i].share, i))
    return tuple(Part(driver=p.driver, share=p.share, leading=i == lead) for i, p in enumerate(found))


def leading_driver(chemistry: str, stage: str) -> str:
    """The driver that the learned activation energy of a stage belongs to."""
    return next(part.driver for part in parts_of(chemistry, stage) if part.leading)


@cache
def _drawn(driver: str, chemistry: str) -> DriverParameters:
    rows = len(drivers.QUANTITIES)
    z = normals(rows, 100 + DRIVERS.index(driver)).T.copy()
    return drivers.parameters(driver, z, chemistry=chemistry)


def parameters(driver: str, chemistry: str, energy_kj_mol: Reals | None, *, typical: bool = False) -> DriverParameters:
    """A driver's parameters, its factor left at 1 because the learned stage time holds it.

    Parameters
    ----------
    energy_kj_mol : array or None
        Activation energies in place of the driver's own.
    typical : bool
        Medians in place of draws.
    """
    known = drivers.parameters(driver, chemistry=chemistry) if typical else _drawn(driver, chemistry)
    energy = known.activation_energy_kj_mol
    if energy_kj_mol is not None and np.any(energy):
        energy = energy_kj_mol
    return DriverParameters(
        driver=driver,
        factor=1.0,
        activation_energy_kj_mol=energy,
        film_exponent=known.film_exponent,
        air_exponent=known.air_exponent,
        humidity_slope=known.humidity_slope,
        self_cooling=known.self_cooling,
    )


def curve(driven: DriverParameters, around: Surroundings, sheet: SheetConditions) -> AgeCurve:
    """Age of a driver over a coat's surroundings, at a sheet's conditions."""
    if driven.driver == WATER_EVAPORATION and around.air_c.ndim > 1:
        rate = _water_rate(driven, around, sheet)
    else:
        rate = climate_rate(driven, around.air_c, around.relative_humidity_pct, around.air_speed_m_s, sheet)
    return age_curve(around.time_h, rate)


def _water_rate(driven: DriverParameters, around: Surroundings, sheet: SheetConditions) -> Reals:
    """As :func:`climate_rate`, from a table: a wet bulb for every draw and hour would take seconds."""
    table = _water_table(sheet)
    cooling = np.clip(np.asarray(driven.self_cooling), 0.0, 1.0) * (_COOLING.size - 1)
    below = np.minimum(cooling.astype(np.intp), _COOLING.size - 2)
    share = (cooling - below)[:, np.newaxis, np.newaxis]
    of_draw = table[below] * (1.0 - share) + table[below + 1] * share
    x = np.clip((around.air_c - _AIR_C[0]) / (_AIR_C[1] - _AIR_C[0]), 0.0, _AIR_C.size - 1.001)
    y = np.clip((around.relative_humidity_pct - _DAMP[0]) / (_DAMP[1] - _DAMP[0]), 0.0, _DAMP.size - 1.001)
    i, j = x.astype(np.intp), y.astype(np.intp)
    x, y, row = x - i, y - j, np.arange(of_draw.shape[0])[:, np.newaxis]
    lower = of_draw[row, i, j] * (1.0 - y) + of_draw[row, i, j + 1] * y
    upper = of_draw[row, i + 1, j] * (1.0 - y) + of_draw[row, i + 1, j + 1] * y
    rate = np.asarray(lower * (1.0 - x) + upper * x)
    if not np.any(driven.air_exponent):
        return rate
    exponent = np.asarray(driven.air_exponent)[:, np.newaxis]
    return rate * air_factor(around.air_speed_m_s, sheet, air_exponent=exponent)


@cache
def _water_table(sheet: SheetConditions) -> Reals:
    cooling = _COOLING[:, np.newaxis, np.newaxis]
    return np.asarray(water_evaporation_rate(_AIR_C[:, np.newaxis], _DAMP, sheet, self_cooling=cooling))


def dry_film(coat: Coat, usual_wet_um: float, z: Reals) -> tuple[Reals, str]:
    """Dry film of a coat in draws [µm], and what had to be assumed; NaN where its solids are not known.

    Parameters
    ----------
    usual_wet_um : float
        Wet film where none was measured. [µm]
    z : array, shape (draws,)
        Standard normals.
    """
    mix = coat.mix
    solids = mix.material.solids_volume_fraction
    if not solids:
        return np.full(z.shape, np.nan), "solids of the material not known: the film of the data sheet is assumed"
    applied = solids / (1.0 + mix.reducer_fraction + mix.retarder_fraction)
    low, high = coat.wet_film_low_um, coat.wet_film_high_um
    if low and high:
        middle, spread = float(np.sqrt(low * high)), max(float(np.log(high / low)) / 3.46, 0.05)
        return middle * applied * np.exp(spread * z), ""
    return usual_wet_um * applied * np.exp(UNKNOWN_FILM_LOG_SD * z), "wet film not measured: a usual one is assumed"


def scale(part: Part, driven: DriverParameters, dry_film_um: Reals, sheet: SheetConditions) -> Reals:
    """Age a leg takes, for each hour of the stage's time at the sheet's conditions."""
    film = np.where(np.isnan(dry_film_um), sheet.dry_film_um, dry_film_um)
    return np.asarray(part.share * film_factor(film, sheet, film_exponent=driven.film_exponent))


def stage_hours(start_h: Reals, at_h: Reals, legs: Sequence[tuple[AgeCurve, Reals]]) -> Reals:
    """Stage time at a sheet's conditions with which a stage that began at a time is reached just at another. [h]

    A coat whose stage takes less is past it by then, one whose stage takes longer is not: this is what a check tells.

    Parameters
    ----------
    start_h, at_h : array
        Broadcast with the curves' leading axes. [h]
    legs : sequence of (AgeCurve, array)
        Curves with the age a leg takes for each hour of stage time.
    """
    gained = [np.maximum(each.at(at_h) - each.at(start_h), 0.0) / needs for each, needs in legs]
    if len(legs) == 1:
        return np.asarray(gained[0])
    # The first leg ends somewhere between start and then; the later it ends, the longer the stage it belongs to and
    # the less is left for the second.
    (first, first_needs), (second, second_needs) = legs
    shape = np.broadcast_shapes(np.shape(gained[0]), np.shape(gained[1]))
    low, high = np.broadcast_to(start_h, shape), np.broadcast_to(np.maximum(at_h, start_h), shape)
    begun, over = first.at(low), second.at(high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        late = (first.at(middle) - begun) / first_needs > (over - second.at(middle)) / second_needs
        low, high = np.where(late, low, middle), np.where(late, middle, high)
    return np.asarray((over - second.at(0.5 * (low + high))) / second_needs)
