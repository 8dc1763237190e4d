"""Age gathered along a series: the trapezoid on a rate, its inverse, and the bridging of gaps.

Between two samples the rate is linear, so the age is quadratic and a time inside an interval is exact: a series split
anywhere gives the same age. Hours are counted from any common zero; a step is two samples at one time. Series run along
the last axis, draws along the axes before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

GAP_WANDER_K: Final = 1.5
"""How far a booth's temperature strays from the line that bridges a gap. [K/√h] Judgement, no source."""

GAP_SPREAD_K: Final = 4.0
"""Standard uncertainty that the mean temperature of a gap never exceeds, however long. [K] Judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch without readings that was bridged.

    Attributes
    ----------
    start_h, end_h : float
        The readings, or the ends of the series, on either side. [h]
    mean_uncertainty_k : float
        Standard uncertainty of the mean temperature over the gap. [K]
    """

    start_h: float
    end_h: float
    mean_uncertainty_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeCurve:
    """Age gathered along a series; made by :func:`age_curve`.

    Attributes
    ----------
    time_h : array, shape (n,)
        [h]
    rate : array, shape (..., n)
        Relative rate, linear between samples.
    age_h : array, shape (..., n)
        Equivalent hours since the first sample. [h]
    """

    time_h: FloatArray
    rate: FloatArray
    age_h: FloatArray

    def at(self, at_h: npt.ArrayLike) -> FloatArray:
        """Age at a time. [h]

        Parameters
        ----------
        at_h : float or array
            Times within the series, of any shape that broadcasts with the curve's leading axes; inf (never) gives inf.
            [h]

        Raises
        ------
        ValueError
            If a finite time lies outside the series.
        """
        times, rows = self._against_rows(at_h)
        finite = times[np.isfinite(times)]
        if np.any((finite < self.time_h[0]) | (finite > self.time_h[-1])):
            raise ValueError(
                f"at_h {finite.min():g} to {finite.max():g} h; expected {self.time_h[0]:g} to {self.time_h[-1]:g} h"
            )
        inside = np.where(np.isfinite(times), times, self.time_h[0])
        left = np.clip(np.searchsorted(self.time_h, inside, side="right") - 1, 0, max(self.time_h.size - 2, 0))
        right = np.minimum(left + 1, self.time_h.size - 1)
        age, start, end = self._row_values(self.age_h, rows, left), self._rate(rows, left), self._rate(rows, right)
        width = self.time_h[right] - self.time_h[left]
        into = inside - self.time_h[left]
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = np.where(width > 0, (end - start) / width, 0.0)
        return np.where(np.isfinite(times), age + into * (start + slope * into / 2.0), times)

    def reached_h(self, age_h: npt.ArrayLike, *, beyond_at_last_rate: bool = False) -> FloatArray:
        """The time at which an age is reached; the inverse of :meth:`at`. [h]

        Parameters
        ----------
        age_h : float or array
            Ages of any shape that broadcasts with the curve's leading axes, for instance (coats, draws) on a curve of
            (draws, n). An age of 0 or less is reached at the first sample. [h]
        beyond_at_last_rate : bool
            Go on beyond the end of the series at its last rate.

        Returns
        -------
        array
            inf where the series ends first.
        """
        ages, rows = self._against_rows(age_h)
        low = np.zeros(ages.shape, np.intp)
        high = np.full(ages.shape, self.time_h.size - 1, np.intp)
        for _ in range(int(self.time_h.size).bit_length()):
            middle = (low + high) // 2
            early = self._row_values(self.age_h, rows, middle) < ages
            low = np.where(early, np.minimum(middle + 1, high), low)
            high = np.where(early, high, middle)
        left = np.maximum(high - 1, 0)
        wanted = ages - self._row_values(self.age_h, rows, left)
        start, end = self._rate(rows, left), self._rate(rows, high)
        width = self.time_h[high] - self.time_h[left]
        with np.errstate(invalid="ignore", divide="ignore"):
            # The root of start·s + (end - start)·s²/(2·width) = wanted that stays accurate where start ≈ end.
            slope = np.where(width > 0, (end - start) / width, 0.0)
            root = 2.0 * wanted / (start + np.sqrt(np.maximum(start**2 + 2.0 * slope * wanted, 0.0)))
            found = self.time_h[left] + np.clip(np.where(wanted > 0, root, 0.0), 0.0, width)
            last = self._row_values(self.age_h, rows, np.full(ages.shape, self.time_h.size - 1))
            last_rate = self._rate(rows, np.full(ages.shape, self.time_h.size - 1))
            later = self.time_h[-1] + (ages - last) / last_rate if beyond_at_last_rate else np.inf
            return np.where(np.isnan(ages), np.nan, np.where(ages > last, later, found))

    def _against_rows(self, values: npt.ArrayLike) -> tuple[FloatArray, npt.NDArray[np.intp]]:
        lead = self.age_h.shape[:-1]
        asked, rows = np.broadcast_arrays(
            np.asarray(values, np.float64), np.arange(int(np.prod(lead)), dtype=np.intp).reshape(lead)
        )
        return asked, rows

    def _rate(self, rows: npt.NDArray[np.intp], samples: npt.NDArray[np.intp]) -> FloatArray:
        return self._row_values(self.rate, rows, samples)

    def _row_values(self, table: FloatArray, rows: npt.NDArray[np.intp], samples: npt.NDArray[np.intp]) -> FloatArray:
        return np.asarray(table.reshape(-1)[rows * self.time_h.size + samples])


def age_curve(time_h: npt.ArrayLike, relative_rate: npt.ArrayLike) -> AgeCurve:
    """Age at every sample of a series of rates, by the trapezoid.

    Parameters
    ----------
    time_h : array, shape (n,)
        In order; two equal times are a step. [h]
    relative_rate : array, shape (..., n)
        0 or more, without gaps; see :func:`bridged`.

    Raises
    ------
    ValueError
        If the times are out of order or a rate is missing or negative.
    """
    times = ordered(time_h)
    rates = np.asarray(relative_rate, np.float64)
    if rates.shape[-1:] != times.shape:
        raise ValueError(f"relative_rate has shape {rates.shape}; expected {times.size} along the last axis")
    if not np.all(np.isfinite(rates)) or np.any(rates < 0):
        raise ValueError("relative_rate has missing or negative values; expected 0 or more, gaps bridged")
    age = np.zeros(rates.shape)
    np.cumsum(np.diff(times) * (rates[..., 1:] + rates[..., :-1]) / 2.0, axis=-1, out=age[..., 1:])
    return AgeCurve(time_h=times, rate=rates, age_h=age)


def bridged(
    time_h: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    max_gap_h: float,
    wander_k: float = GAP_WANDER_K,
    spread_k: float = GAP_SPREAD_K,
) -> tuple[FloatArray, tuple[Gap, ...]]:
    """A series with its missing values filled by a line between neighbours, and the gaps longer than allowed.

    The unknown temperature inside a gap is thought of as a random walk of ``wander_k`` tied to the readings on either
    side (a Brownian bridge): its mean over D hours has the standard uncertainty wander·√(D/12), and wander·√(D/3) where
    only one side is known, at most ``spread_k``.

    Parameters
    ----------
    time_h : array, shape (n,)
        [h]
    values : array, shape (..., n)
        NaN where missing, at the same times along all leading axes: rates, or anything else read together.
    max_gap_h : float
        Longest stretch between readings that is not yet a gap, above 0. [h]
    wander_k : float
        [K/√h]
    spread_k : float
        [K]

    Raises
    ------
    ValueError
        If no value is there, values are missing on some rows alone, or a parameter is out of range.
    """
    times = ordered(time_h)
    array = np.asarray(values, np.float64)
    if not max_gap_h > 0:
        raise ValueError(f"max_gap_h {max_gap_h} h; expected above 0 h")
    for name, value in (("wander_k", wander_k), ("spread_k", spread_k)):
        if not 0.0 <= value <= 100.0:
            raise ValueError(f"{name} {value:g} K; expected 0 to 100 K")
    rows = array.reshape(-1, times.size)
    known = ~np.isnan(rows[0])
    if np.any(np.isnan(rows) == known):
        raise ValueError("values are missing on some rows and not on others; expected the same gaps on all")
    if not known.any():
        raise ValueError("no value is there; expected at least one")
    read = times[known]
    whole = rows.copy()
    for row in whole if not known.all() else ():
        row[~known] = np.interp(times[~known], read, row[known])
    between = [(start, end, 12.0) for start, end in pairwise(read)]
    gaps = tuple(
        Gap(
            start_h=float(start),
            end_h=float(end),
            mean_uncertainty_k=float(min(wander_k * np.sqrt((end - start) / share), spread_k)),
        )
        for start, end, share in ((times[0], read[0], 3.0), *between, (read[-1], times[-1], 3.0))
        if end - start > max_gap_h
    )
    return whole.reshape(array.shape), gaps


def gap_uncertainty_h(curve: AgeCurve, gaps: tuple[Gap, ...], per_kelvin: npt.ArrayLike) -> FloatArray:
    """Standard uncertainty that bridged gaps add to the age at the end of a curve, gaps independent of each other. [h]

    Parameters
    ----------
    per_kelvin : float or array
        Relative change of the rate with temperature, d ln(rate)/dT; Ea/(R·T²) for an Arrhenius rate. [1/K]
    """
    variance = np.zeros(curve.age_h.shape[:-1])
    for gap in gaps:
        inside = curve.at(gap.end_h) - curve.at(gap.start_h)
        variance = variance + (inside * np.asarray(per_kelvin) * gap.mean_uncertainty_k) ** 2
    return np.asarray(np.sqrt(variance))


def ordered(time_h: npt.ArrayLike) -> FloatArray:
    """Times as an array, checked. [h]

    Raises
    ------
    ValueError
        If they are out of order, missing, or not on one axis.
    """
    times = np.asarray(time_h, np.float64)
    if times.ndim != 1 or times.size == 0:
        raise ValueError(f"time_h has shape {times.shape}; expected one axis with at least one time")
    if not np.all(np.isfinite(times)):
        raise ValueError("time_h has missing or infinite times; expected hours")
    back = np.flatnonzero(np.diff(times) < 0)
    if back.size:
        where = int(back[0])
        raise ValueError(f"time_h {times[where + 1]:g} h comes after {times[where]:g} h; expected times in order")
    return times
