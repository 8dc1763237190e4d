"""Two gates no later warmth opens again: a film that could not form, and a mix that has set in its pot.

Both are judged over the logged temperatures, with times in hours from any common zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.physics.age_curve import AgeCurve, ordered
from collector.physics.cure import COLDEST_C, HOTTEST_C
from collector.physics.humidity import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLife:
    """How far a catalysed mix has gone in its pot.

    Attributes
    ----------
    share_used : float or array
        Of its pot life in equivalent age; above 1 when it has passed.
    ends_h : float or array
        When it ends: as the curve goes on, and beyond its end at its last rate. [h]
    left_h : float or array
        From now until then; 0 when it has passed. [h]
    """

    share_used: Numbers
    ends_h: Numbers
    left_h: Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmForming:
    """Whether a film was ever below its minimum film-forming temperature while it formed.

    A film that did not coalesce then has not coalesced at all, and no later warmth mends it.

    Attributes
    ----------
    below : bool
        It was, for any time.
    first_below_h : float or None
        When first. [h]
    below_h : float
        For how long in all. [h]
    lowest_c : float or None
        Coldest it was; None where nothing is known. [°C]
    unknown_h : float
        How much of the time is not covered by readings. [h]
    """

    below: bool
    first_below_h: float | None
    below_h: float
    lowest_c: float | None
    unknown_h: float


def pot_life(curve: AgeCurve, mixed_h: npt.ArrayLike, now_h: float, pot_life_h: npt.ArrayLike) -> PotLife:
    """Pot life used and left of a mix.

    Parameters
    ----------
    curve : AgeCurve
        Of the reaction's rate relative to the pot life's temperature, from mixing to now or beyond as forecast.
    mixed_h, now_h : float
        Within the curve's series, now no earlier. [h]
    pot_life_h : float or array
        At the curve's reference; an array of draws broadcasts with the curve's leading axes. [h], above 0

    Raises
    ------
    ValueError
        If a time lies outside the series or the pot life is not above 0.
    """
    lasting = np.asarray(pot_life_h, np.float64)
    if np.any(lasting <= 0):
        raise ValueError(f"pot_life_h {np.nanmin(lasting):g} h; expected above 0 h")
    begun = curve.at(mixed_h)
    if np.any(np.asarray(mixed_h) > now_h):
        raise ValueError(f"now_h {now_h:g} h is before mixed_h {np.max(mixed_h):g} h; expected now no earlier")
    ends = curve.reached_h(begun + lasting, beyond_at_last_rate=True)
    return PotLife(
        share_used=_plain((curve.at(now_h) - begun) / lasting),
        ends_h=_plain(ends),
        left_h=_plain(np.maximum(ends - now_h, 0.0)),
    )


def film_forming(
    time_h: npt.ArrayLike,
    film_c: npt.ArrayLike,
    minimum_c: float,
    *,
    laid_h: float,
    formed_h: float,
    max_gap_h: float,
) -> FilmForming:
    """Hold a film against its minimum film-forming temperature (ASTM D2354, ISO 2115) while it formed.

    Parameters
    ----------
    time_h, film_c : array, shape (n,)
        Temperature of the film, or of the colder of air and piece; NaN where missing. [h], [°C], -60 to 200
    minimum_c : float
        [°C]
    laid_h, formed_h : float
        From when the coat was laid until its water had left. [h]
    max_gap_h : float
        A longer stretch between readings counts as not known. [h]

    Raises
    ------
    ValueError
        If the times are out of order, ``formed_h`` is before ``laid_h``, or a value is out of range.
    """
    if not laid_h <= formed_h:
        raise ValueError(f"formed_h {formed_h:g} h is before laid_h {laid_h:g} h; expected it no earlier")
    if not max_gap_h > 0:
        raise ValueError(f"max_gap_h {max_gap_h:g} h; expected above 0 h")
    times, film = ordered(time_h), np.asarray(film_c, np.float64)
    if film.shape != times.shape:
        raise ValueError(f"film_c has shape {film.shape}; expected that of time_h, {times.shape}")
    if np.any((film < COLDEST_C) | (film > HOTTEST_C)):
        raise ValueError(
            f"film_c {np.nanmin(film):g} to {np.nanmax(film):g} °C; expected {COLDEST_C:g} to {HOTTEST_C:g} °C"
        )
    read = ~np.isnan(film)
    times, film = times[read], film[read]
    start, end = np.clip(times[:-1], laid_h, formed_h), np.clip(times[1:], laid_h, formed_h)
    # A touching stretch of no length tells the temperature at a moment, as that of a coat laid at the last reading.
    seen = (np.diff(times) <= max_gap_h) & (times[:-1] <= formed_h) & (times[1:] >= laid_h)
    width = np.where(np.diff(times) > 0, np.diff(times), 1.0)
    slope = np.diff(film) / width
    first = (film[:-1] + slope * (start - times[:-1]))[seen]
    last = (film[:-1] + slope * (end - times[:-1]))[seen]
    start, end = start[seen], end[seen]
    if not start.size:
        return FilmForming(
            below=False, first_below_h=None, below_h=0.0, lowest_c=None, unknown_h=float(formed_h - laid_h)
        )
    cold = np.maximum(minimum_c - np.stack([first, last]), 0.0)
    fall = np.abs(first - last)
    # Share of a stretch below the minimum: all of it, none, or up to where the line crosses.
    share = np.divide(cold.max(axis=0), fall, out=(cold.max(axis=0) > 0).astype(float), where=fall > 0)
    lengths = np.minimum(share, 1.0) * (end - start)
    cold_ones = np.flatnonzero(cold.max(axis=0) > 0)
    when = None
    if cold_ones.size:
        where = cold_ones[0]
        when = float(start[where] if cold[0, where] > 0 else end[where] - lengths[where])
    return FilmForming(
        below=when is not None,
        first_below_h=when,
        below_h=float(lengths.sum()),
        lowest_c=float(min(first.min(), last.min())),
        unknown_h=float(max(formed_h - laid_h - (end - start).sum(), 0.0)),
    )


def _plain(array: npt.ArrayLike) -> Numbers:
    values = np.asarray(array, np.float64)
    return float(values) if values.ndim == 0 else values
