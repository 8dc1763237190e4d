"""Solvent vapour in a ventilated booth: how much is made, what the air holds, what carries it off.

A booth is a well-mixed volume whose exhaust is only as good as its mixing: ``K`` parts of air do the work of one, so
that the flow that counts is Q' = Q/K. Plug flow, the other limit, carries vapour straight to the exhaust. A real booth
lies between, and a painter in the spray plume breathes more than either says: no number here is an exposure.

Everything is vectorised: flows, volumes, mixing factors and sources may carry leading dimensions of draws.

References
----------
.. [1] ACGIH, "Industrial Ventilation", chapter 2: dilution, build-up and purge with a mixing factor, 3 to 10.
.. [2] 29 CFR 1910.94(c)(6), tables G-10 and G-11: vapour volumes and dilution to a quarter of the lower limit.
.. [3] H. Le Chatelier, "Estimation of firedamp by flammability limits", Ann. Mines 19 (1891) 388-395.
.. [4] 29 CFR 1910.1000(d)(2)(i): the additive exposure index of a mixture.
.. [5] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import stats

from collector.physics.humidity import ATMOSPHERE, ZERO_C, Numbers
from collector.physics.volatiles import GAS_CONSTANT

FloatArray = npt.NDArray[np.float64]

PER_MILLION: Final = 1e6
MINUTES_PER_HOUR: Final = 60.0
FEWEST_PRESSURES: Final = 8
"""Fewer tell no rate of filter loading. Judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """A sum over the parts of a mixture, of which some may have had no limit to count with.

    Attributes
    ----------
    value : float or array
        NaN where no part had a limit; otherwise the sum over those that have one, which is then a least value.
    missing : tuple of str
        Parts present without a known limit, left out.
    """

    value: Numbers
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Concentration through a session of steps.

    Attributes
    ----------
    minutes : array, shape (steps + 1,)
        Edges of the steps. [min]
    ppm : array, shape (..., steps + 1)
        At the edges; between two it moves one way only, so the highest edge is the peak.
    mean_ppm : array, shape (..., steps)
        Exact mean of each step.
    removed_m3 : array, shape (...)
        Vapour carried off in all.
    """

    minutes: FloatArray
    ppm: FloatArray
    mean_ppm: FloatArray
    removed_m3: FloatArray

    @property
    def peak_ppm(self) -> FloatArray:
        """Highest concentration of the session."""
        return np.asarray(self.ppm.max(axis=-1))

    @property
    def peak_minutes(self) -> FloatArray:
        """When it is reached. [min]"""
        return np.asarray(self.minutes[self.ppm.argmax(axis=-1)])

    def time_weighted_ppm(self, over_minutes: float | None = None) -> FloatArray:
        """Mean over the session, or over a longer time in which nothing else was breathed (480 min: a shift)."""
        steps = np.diff(self.minutes)
        span = float(steps.sum()) if over_minutes is None else over_minutes
        if span < steps.sum() * (1 - 1e-12):
            raise ValueError(f"over_minutes {span:g}; expected at least the session's {steps.sum():g} min")
        return np.asarray((self.mean_ppm * steps).sum(axis=-1) / span)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """Where a filter's pressure is heading.

    Attributes
    ----------
    per_hour, per_hour_low, per_hour_high : float
        Rate and its 90 % interval. [Pa/h]
    now : float
        Pressure on the fitted line at the last time. [Pa]
    hours, hours_low, hours_high : float
        Running hours to the change-out pressure; 0 where it is passed, infinite where the rate leads away from it.
    """

    per_hour: float
    per_hour_low: float
    per_hour_high: float
    now: float
    hours: float
    hours_low: float
    hours_high: float


def molar_volume(air_c: Numbers = 20.0, pressure: Numbers = ATMOSPHERE) -> Numbers:
    """Volume of a mole of vapour as an ideal gas. [m³/mol]

    Parameters
    ----------
    air_c : float or array
        [°C]
    pressure : float or array
        [Pa]
    """
    return _plain(GAS_CONSTANT * (np.asarray(air_c, float) + ZERO_C) / np.asarray(pressure, float))


def vapour_ml_per_ml(
    mass_fractions: npt.ArrayLike,
    molar_masses: npt.ArrayLike,
    densities: npt.ArrayLike,
    *,
    air_c: Numbers = 20.0,
    pressure: Numbers = ATMOSPHERE,
) -> FloatArray:
    """Vapour of each part from one volume of the liquid blend, both in the same unit of volume.

    The liquids' volumes are taken as additive.

    Parameters
    ----------
    mass_fractions : array, shape (..., parts)
        Sum to any total above zero along the last axis.
    molar_masses, densities : array, shape (parts,)
        [kg/mol] and [kg/m³]

    Raises
    ------
    ValueError
        If a fraction is negative or none is above zero, or a molar mass or density is not above zero.
    """
    mass = np.asarray(mass_fractions, float)
    molar, density = np.asarray(molar_masses, float), np.asarray(densities, float)
    if np.any(mass < 0) or np.any(mass.sum(axis=-1) <= 0):
        raise ValueError(f"mass_fractions {mass.tolist()}; expected 0 or more, with one above 0")
    for name, values in (("molar_masses", molar), ("densities", density)):
        if np.any(values <= 0):
            raise ValueError(f"{name} {values.tolist()}; expected above 0")
    per_m3 = mass / molar / (mass / density).sum(axis=-1, keepdims=True)
    return np.asarray(per_m3 * np.asarray(molar_volume(air_c, pressure)))


def steady_ppm(vapour_m3_h: Numbers, exhaust_m3_h: Numbers, mixing_factor: Numbers = 1.0) -> Numbers:
    """Concentration a lasting source comes to: K·G/Q, whatever the volume. [ppm]

    Infinite without exhaust. With a mixing factor of 1 it is also what plug flow carries to the exhaust.
    """
    source = _not_negative("vapour_m3_h", vapour_m3_h)
    flow = _not_negative("exhaust_m3_h", exhaust_m3_h)
    factor = _mixing(mixing_factor)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = PER_MILLION * factor * source / flow
    return _plain(np.where(source == 0, 0.0, found))


def well_mixed(
    minutes: npt.ArrayLike,
    vapour_m3_h: npt.ArrayLike,
    *,
    exhaust_m3_h: Numbers,
    volume_m3: Numbers,
    mixing_factor: Numbers = 1.0,
    start_ppm: Numbers = 0.0,
) -> Course:
    """Concentration of a well-mixed booth through steps of steady source, solved exactly.

    V·dC/dt = G - Q'·C with Q' = Q/K. No exhaust is a limit like any other: the concentration then only grows.

    Parameters
    ----------
    minutes : array, shape (steps,)
        Length of each step. [min]
    vapour_m3_h : array, shape (..., steps)
        Source in each step. [m³/h]
    exhaust_m3_h, volume_m3, mixing_factor, start_ppm : float or array, shape (...)
        Flow [m³/h], air in the booth [m³], K (1 or more), and concentration at first [ppm].

    Raises
    ------
    ValueError
        If a length or volume is not above zero, a source or flow negative, or a mixing factor below 1.
    """
    lengths = np.asarray(minutes, float)
    if lengths.ndim != 1 or not lengths.size or np.any(lengths <= 0):
        raise ValueError(f"minutes {lengths.tolist()}; expected one length above 0 for each step")
    source = _not_negative("vapour_m3_h", vapour_m3_h)
    volume = np.asarray(volume_m3, float)
    if np.any(volume <= 0):
        raise ValueError(f"volume_m3 {volume_m3}; expected above 0 m³")
    changes_h = _not_negative("exhaust_m3_h", exhaust_m3_h) / _mixing(mixing_factor) / volume
    at = np.asarray(start_ppm, float)
    at, changes_h, _ = np.broadcast_arrays(at, changes_h, source[..., 0])
    edges, means = [at], []
    for index, hours in enumerate(lengths / MINUTES_PER_HOUR):
        grow = PER_MILLION * source[..., index] / volume
        settled = changes_h * hours
        first, second = _emptied(settled), _emptied_twice(settled)
        means.append(at * first + grow * hours * second)
        at = at * np.exp(-settled) + grow * hours * first
        edges.append(at)
    mean_ppm = np.stack(means, axis=-1)
    removed = (mean_ppm * (lengths / MINUTES_PER_HOUR)).sum(axis=-1) * changes_h * volume / PER_MILLION
    return Course(
        minutes=np.concatenate([[0.0], np.cumsum(lengths)]),
        ppm=np.stack(edges, axis=-1),
        mean_ppm=mean_ppm,
        removed_m3=np.asarray(removed),
    )


def flash_off(
    minutes: npt.ArrayLike, vapour_m3_h: npt.ArrayLike, *, film_share: float, time_constant_minutes: float
) -> FloatArray:
    """Source in each step when part of what is sprayed leaves only from the film, in proportion to what is left there.

    Parameters
    ----------
    minutes : array, shape (steps,)
        Length of each step; steps without spraying at the end are the tail. [min]
    vapour_m3_h : array, shape (..., steps)
        Vapour of all that leaves the gun in each step. [m³/h]
    film_share : float
        Part that reaches the film as liquid, 0 to 1; the rest evaporates on its way.
    time_constant_minutes : float
        In which the film loses 63 % of it. [min]

    Returns
    -------
    array, shape (..., steps)
        Mean source of each step [m³/h]; what is still in the film at the end has not been given off.
    """
    if not 0 <= film_share <= 1:
        raise ValueError(f"film_share {film_share:g}; expected 0 to 1")
    if not time_constant_minutes > 0:
        raise ValueError(f"time_constant_minutes {time_constant_minutes:g}; expected above 0 min")
    sprayed = _not_negative("vapour_m3_h", vapour_m3_h)
    held = np.zeros(sprayed.shape[:-1])
    given: list[FloatArray] = []
    for index, length in enumerate(np.asarray(minutes, float)):
        to_film = film_share * sprayed[..., index]
        kept = np.exp(-length / time_constant_minutes)
        after = held * kept + to_film * time_constant_minutes * (1 - kept)
        given.append(sprayed[..., index] - to_film + to_film - (after - held) / length)
        held = after
    return np.maximum(np.stack(given, axis=-1), 0.0)


def transit_minutes(volume_m3: Numbers, exhaust_m3_h: Numbers) -> Numbers:
    """Time plug flow takes through the booth, after which all that was in it is out. [min]"""
    return purge_minutes(volume_m3, exhaust_m3_h, fraction=np.exp(-1.0))


def purge_minutes(
    volume_m3: Numbers, exhaust_m3_h: Numbers, mixing_factor: Numbers = 1.0, *, fraction: Numbers
) -> Numbers:
    """Time until a fraction of the vapour is left once nothing more comes: K·V/Q·ln(1/fraction). [min]

    Infinite without exhaust.

    Raises
    ------
    ValueError
        If the fraction is not above 0 and at most 1.
    """
    left = np.asarray(fraction, float)
    if np.any((left <= 0) | (left > 1)):
        raise ValueError(f"fraction {fraction}; expected above 0, at most 1")
    flow = _not_negative("exhaust_m3_h", exhaust_m3_h)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = MINUTES_PER_HOUR * _mixing(mixing_factor) * np.asarray(volume_m3, float) / flow * -np.log(left)
    return _plain(np.where(left == 1, 0.0, found))


def percent_of_lfl(ppm: Mapping[str, Numbers], lfl_pct: Mapping[str, float | None]) -> Counted:
    """How far a mixture of vapours is towards its lower flammable limit, by Le Chatelier. [%]

    Parameters
    ----------
    ppm : mapping
        Part to its concentration. [ppm]
    lfl_pct : mapping
        Part to its lower flammable limit in air [% by volume]; None where it is not known.
    """
    limits = {name: None if limit is None else limit * 1e4 for name, limit in lfl_pct.items()}
    found = exposure_index(ppm, limits)
    return Counted(value=_plain(100.0 * np.asarray(found.value)), missing=found.missing)


def exposure_index(ppm: Mapping[str, Numbers], limit_ppm: Mapping[str, float | None]) -> Counted:
    """Sum of concentration over limit, for effects that add up; above 1 the mixture is over its limit.

    Parameters
    ----------
    ppm : mapping
        Part to its concentration. [ppm]
    limit_ppm : mapping
        Part to its limit [ppm]; None where it is not known.
    """
    total: Numbers = float("nan")
    missing: list[str] = []
    for name, concentration in ppm.items():
        limit = limit_ppm[name]
        if limit is None:
            if np.any(np.asarray(concentration) > 0):
                missing.append(name)
            continue
        if not limit > 0:
            raise ValueError(f"limit of {name} {limit:g}; expected above 0, or none where it is not known")
        share = np.asarray(concentration, float) / limit
        total = _plain(np.where(np.isnan(total), 0.0, total) + share)
    return Counted(value=total, missing=tuple(missing))


def mixture_limit(mole_fractions: Mapping[str, float], limits: Mapping[str, float]) -> float:
    """Limit, or detector response factor, of a mixture: 1/sum(x/limit), in the unit of the limits.

    A part that does not count (no hazard, no response) has an infinite limit.
    """
    total = sum(fraction / limits[name] for name, fraction in mole_fractions.items())
    return float("inf") if total == 0 else 1.0 / total


def exhaust_needed_m3_h(
    vapour_m3_h: Mapping[str, float], limit_ppm: Mapping[str, float | None], mixing_factor: float = 1.0
) -> Counted:
    """Least exhaust that keeps a lasting source's additive index at 1 against these limits. [m³/h]

    For a share of the flammable limit, give ``lfl_pct`` times 1e4 times the share as the limit.
    """
    per_flow = {name: PER_MILLION * source for name, source in vapour_m3_h.items()}
    found = exposure_index(per_flow, limit_ppm)
    return Counted(value=_plain(np.asarray(found.value) * _mixing(mixing_factor)), missing=found.missing)


def face_velocity(exhaust_m3_h: Numbers, opening_m2: Numbers) -> Numbers:
    """Mean velocity of the air through the booth's open face. [m/s]"""
    opening = np.asarray(opening_m2, float)
    if np.any(opening <= 0):
        raise ValueError(f"opening_m2 {opening_m2}; expected above 0 m²")
    return _plain(np.asarray(exhaust_m3_h, float) / 3600.0 / opening)


def filter_loading(hours: npt.ArrayLike, pressures: npt.ArrayLike, change_at: float) -> Loading | None:
    """Rate of a filter's differential pressure and the running time left, by Theil and Sen with Sen's interval.

    Pressures may rise (tubes across the filter) or fall (booth against shop: a choked filter draws less air in) towards
    ``change_at``. Rates are medians over all pairs of points, so a gust or a slammed door does not turn them.

    Parameters
    ----------
    hours : array
        Running hours since the filter was new. [h]
    pressures : array
        Beside them, with the fan running. [Pa]
    change_at : float
        Change-out pressure. [Pa]

    Returns
    -------
    Loading or None
        None with fewer than eight points, or all at one time.
    """
    t, p = np.asarray(hours, float), np.asarray(pressures, float)
    held = np.isfinite(t) & np.isfinite(p)
    t, p = t[held], p[held]
    if t.size < FEWEST_PRESSURES or np.ptp(t) == 0:
        return None
    fit = stats.theilslopes(p, t, alpha=0.9)
    slope, low, high = float(fit.slope), float(fit.low_slope), float(fit.high_slope)
    now = float(np.median(p - slope * t) + slope * t.max())
    rising = change_at >= float(np.median(p[t <= np.quantile(t, 0.2)]))
    passed = now >= change_at if rising else now <= change_at

    def left(rate: float) -> float:
        if passed:
            return 0.0
        return (change_at - now) / rate if rate * (change_at - now) > 0 else float("inf")

    ends = sorted((left(low), left(high)))
    return Loading(
        per_hour=slope,
        per_hour_low=low,
        per_hour_high=high,
        now=now,
        hours=left(slope),
        hours_low=ends[0],
        hours_high=ends[1],
    )


def log_normal(
    median: float, relative_uncertainty: float, draws: int, generator: np.random.Generator, *, least: float = 0.0
) -> FloatArray:
    """Draws of a positive quantity known to a relative standard uncertainty, none below ``least``.

    Raises
    ------
    ValueError
        If the median or the uncertainty is negative.
    """
    if median < 0 or relative_uncertainty < 0:
        raise ValueError(f"median {median:g}, relative_uncertainty {relative_uncertainty:g}; expected 0 or more")
    spread = np.sqrt(np.log1p(relative_uncertainty**2))
    return np.asarray(np.maximum(median * np.exp(spread * generator.standard_normal(draws)), least))


def _emptied(settled: FloatArray) -> FloatArray:
    """(1 - e^-x)/x, which is 1 at 0."""
    x = np.where(settled == 0, 1.0, settled)
    return np.where(settled == 0, 1.0, -np.expm1(-x) / x)


def _emptied_twice(settled: FloatArray) -> FloatArray:
    """(x - 1 + e^-x)/x², which is 1/2 at 0; by its series where the difference would lose its digits."""
    small = settled < 1e-3
    x = np.where(small, 1.0, settled)
    series = 0.5 - settled / 6.0 + settled**2 / 24.0
    return np.where(small, series, (x + np.expm1(-x)) / x**2)


def _mixing(factor: Numbers) -> FloatArray:
    array = np.asarray(factor, float)
    if np.any(array < 1):
        raise ValueError(f"mixing_factor {factor}; expected 1 (perfect mixing) or more")
    return array


def _not_negative(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, float)
    if np.any(array < 0):
        raise ValueError(f"{name} {np.nanmin(array):g}; expected 0 or more")
    return array


def _plain(array: npt.ArrayLike) -> Numbers:
    made = np.asarray(array, float)
    return float(made) if made.ndim == 0 else made
