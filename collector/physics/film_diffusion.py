"""The slow tail: solvent diffusing out of a film through its one open face, alone or with younger coats on top.

A film on wood, metal or plastic is taken as sealed below, with its surface kept free of solvent by the air, and one
diffusion coefficient throughout. The Fourier number is D·t/L². Coats laid on coats that still hold solvent melt into
one film: the profile left below is carried over, mode by mode, into the thicker film. The modes that are kept tell a
share of the solvent within 0.002 where a coat follows at once on another, and much better where it does not.

References
----------
.. [1] J. Crank, "The Mathematics of Diffusion", 2nd ed., Oxford (1975), eq. 4.18 and 4.20 (numbers from memory): plane
   sheet from a uniform start, as a series for long and for short times; sealed on one face it is half the sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.age_curve import FloatArray
from collector.physics.humidity import Numbers

JOIN: Final = 0.02
"""Fourier number between the short-time form and the series; the first leaves out less than 1e-21 there."""

_MODES: Final = 48
_ROOTS: Final = np.asarray(np.pi * (np.arange(_MODES) + 0.5), np.float64)
_NEWTON_STEPS: Final = 60


def retained_fraction(fourier: npt.ArrayLike) -> Numbers:
    """Share of the solvent still in a film that began uniform.

    Parameters
    ----------
    fourier : float or array
        D·t/L², 0 or more.

    Raises
    ------
    ValueError
        If it is negative.
    """
    number = np.asarray(fourier, np.float64)
    if np.any(number < 0):
        raise ValueError(f"fourier {np.nanmin(number):g}; expected 0 or more")
    early = 1.0 - 2.0 * np.sqrt(np.minimum(number, JOIN) / np.pi)
    late = (2.0 / _ROOTS**2 * np.exp(-(_ROOTS**2) * np.maximum(number, JOIN)[..., np.newaxis])).sum(axis=-1)
    return _plain(np.where(np.isnan(number), np.nan, np.where(number < JOIN, early, late)))


def fourier_at(retained: npt.ArrayLike) -> Numbers:
    """Fourier number at which a share of the solvent is left; inverse of :func:`retained_fraction`.

    Parameters
    ----------
    retained : float or array
        Above 0 to 1.

    Raises
    ------
    ValueError
        If it is not.
    """
    left = np.asarray(retained, np.float64)
    if np.any((left <= 0) | (left > 1)):
        raise ValueError(f"retained {np.nanmin(left):g} to {np.nanmax(left):g}; expected above 0 to 1")
    early = np.pi / 4.0 * (1.0 - left) ** 2
    wanted = np.minimum(left, float(np.asarray(retained_fraction(JOIN))))
    late = _time_to(np.asarray(2.0 / _ROOTS**2), wanted)
    return _plain(np.where(np.isnan(left), np.nan, np.where(early < JOIN, early, late)))


def diffusivity_um2_h(stage_h: npt.ArrayLike, dry_film_um: npt.ArrayLike, retained: npt.ArrayLike) -> Numbers:
    """Diffusion coefficient for which a film is down to a share of its solvent after a data sheet's time. [µm²/h]

    Parameters
    ----------
    stage_h : float or array
        [h], above 0
    dry_film_um : float or array
        [µm]
    retained : float or array
        Above 0, below 1.
    """
    hours = np.asarray(stage_h, np.float64)
    if np.any(hours <= 0):
        raise ValueError(f"stage_h {np.nanmin(hours):g} h; expected above 0 h")
    return _plain(np.asarray(fourier_at(retained)) * np.asarray(dry_film_um, np.float64) ** 2 / hours)


def stack_retained(
    dry_film_um: Sequence[float], age_h: Sequence[npt.ArrayLike], diffusivity_um2_h: npt.ArrayLike
) -> Numbers:
    """Share of all the solvent ever laid down with a stack of coats that is still in it.

    Parameters
    ----------
    dry_film_um : sequence of float
        Of each coat, the lowest first. [µm], above 0
    age_h : sequence of float or array
        Age of each coat in the diffusion driver's equivalent hours, the lowest and oldest first; arrays of draws
        broadcast with the diffusivity. [h]
    diffusivity_um2_h : float or array
        [µm²/h], above 0

    Raises
    ------
    ValueError
        If the lists differ in length or a value is out of range.
    """
    films, ages, diffusivity = _melted(*_checked(dry_film_um, age_h, diffusivity_um2_h))
    if films.size == 1:
        return retained_fraction(diffusivity * ages[0] / films[0] ** 2)
    modes = _stacked(films, ages, diffusivity)
    fourier = diffusivity * ages[-1] / films.sum() ** 2
    return _plain((modes * np.exp(-(_ROOTS**2) * fourier[..., np.newaxis])).sum(axis=-1))


def effective_film_um(
    dry_film_um: Sequence[float],
    age_h: Sequence[npt.ArrayLike],
    diffusivity_um2_h: npt.ArrayLike,
    *,
    retained: float,
) -> Numbers:
    """Thickness of one fresh film that, from when the last coat was laid, waits as long as a stack of young coats. [µm]

    Coats laid at once count as their sum; older ones, which have lost solvent, as less, and the last coat alone is the
    least. The wait is until the mean solvent in the stack is down to ``retained`` of what it was in a fresh coat.

    Parameters
    ----------
    dry_film_um, age_h, diffusivity_um2_h
        As in :func:`stack_retained`; leave out coats that were dry through when the next was laid.
    retained : float
        Above 0, below 1.

    Raises
    ------
    ValueError
        If the lists differ in length or a value is out of range.
    """
    films, ages, diffusivity = _checked(dry_film_um, age_h, diffusivity_um2_h)
    if not 0 < retained < 1:
        raise ValueError(f"retained {retained:g}; expected above 0, below 1")
    newest, total = films[-1], films.sum()
    films, ages, diffusivity = _melted(films, ages, diffusivity)
    if films.size == 1:
        return _plain(np.full(diffusivity.shape, total))
    wait = _time_to(_stacked(films, ages, diffusivity), np.full(diffusivity.shape, retained))
    fresh = float(np.asarray(fourier_at(retained)))
    return _plain(np.clip(total * np.sqrt(wait / fresh), newest, total))


def _stacked(films: FloatArray, ages: list[FloatArray], diffusivity: FloatArray) -> FloatArray:
    """Amplitudes of the mean concentration's modes when the last coat is laid; a fresh coat's concentration is 1.

    The profile over a film of thickness L is Σ a_n·cos(r_n·x/L) with r_n = (n + 1/2)·π; its mean is Σ a_n·sin(r_n)/r_n.
    """
    amplitudes = np.broadcast_to(2.0 * np.sin(_ROOTS) / _ROOTS, (*diffusivity.shape, _MODES))
    thickness = films[0]
    for coat in range(1, films.size):
        waited = diffusivity * (ages[coat - 1] - ages[coat]) / thickness**2
        left = amplitudes * np.exp(-(_ROOTS**2) * waited[..., np.newaxis])
        share = thickness / (thickness + films[coat])
        amplitudes = left @ _carried_over(share) + 2.0 * (np.sin(_ROOTS) - np.sin(_ROOTS * share)) / _ROOTS
        thickness = thickness + films[coat]
    return np.asarray(amplitudes * np.sin(_ROOTS) / _ROOTS)


def _melted(
    films: FloatArray, ages: list[FloatArray], diffusivity: FloatArray
) -> tuple[FloatArray, list[FloatArray], FloatArray]:
    """Coats laid at the same time as the one film they are, which needs no modes to carry over."""
    merged, at = [films[0]], [ages[0]]
    for film, age in zip(films[1:], ages[1:], strict=True):
        if np.array_equal(age, at[-1]):
            merged[-1] += film
        else:
            merged.append(film)
            at.append(age)
    return np.array(merged), at, diffusivity


def _carried_over(share: float) -> FloatArray:
    """Modes of a film that takes up the lower ``share`` of a thicker one, expressed in the thicker one's modes.

    2·∫ cos(r_n·x/share)·cos(r_m·x) dx from 0 to share, rows n, columns m.
    """
    old = _ROOTS[:, np.newaxis] / share
    new = _ROOTS[np.newaxis, :]
    # np.sinc(x) is sin(πx)/(πx)
    return np.asarray(share * (np.sinc((old - new) * share / np.pi) + np.sinc((old + new) * share / np.pi)))


def _time_to(modes: FloatArray, wanted: FloatArray) -> FloatArray:
    """Fourier number at which Σ modes·exp(-r²·F) falls to ``wanted``; 0 where it is there already.

    Newton's method on the logarithm, kept between bounds by bisection; the sum falls all the time.
    """
    squares = _ROOTS**2
    low = np.zeros(wanted.shape)
    high = np.full(wanted.shape, 50.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        guess = np.maximum(np.log(np.maximum(modes[..., 0], 1e-300) / wanted) / squares[0], 1e-6)
        for _ in range(_NEWTON_STEPS):
            terms = modes * np.exp(-squares * guess[..., np.newaxis])
            value, slope = terms.sum(axis=-1), -(terms * squares).sum(axis=-1)
            low = np.where(value > wanted, guess, low)
            high = np.where(value > wanted, high, guess)
            step = guess - np.log(np.maximum(value, 1e-300) / wanted) * value / slope
            better = np.where((step > low) & (step < high), step, (low + high) / 2.0)
            if np.all(np.abs(better - guess) <= 1e-14 * np.abs(better) + 1e-300):
                break
            guess = better
    return np.where(modes.sum(axis=-1) <= wanted, 0.0, guess)


def _checked(
    dry_film_um: Sequence[float], age_h: Sequence[npt.ArrayLike], diffusivity_um2_h: npt.ArrayLike
) -> tuple[FloatArray, list[FloatArray], FloatArray]:
    films = np.asarray(dry_film_um, np.float64)
    if films.ndim != 1 or films.size == 0 or films.size != len(age_h):
        raise ValueError(f"{films.size} films and {len(age_h)} ages; expected one age for each film, and at least one")
    if not np.all(films > 0):
        raise ValueError(f"dry_film_um {films.min():g} µm; expected above 0 µm")
    diffusivity, *ages = np.broadcast_arrays(
        np.asarray(diffusivity_um2_h, np.float64), *(np.asarray(age, np.float64) for age in age_h)
    )
    if not np.all(diffusivity > 0):
        raise ValueError(f"diffusivity_um2_h {np.min(diffusivity):g} µm²/h; expected above 0")
    for older, younger in zip(ages, [*ages[1:], np.zeros(())], strict=True):
        if np.any(older < younger):
            raise ValueError("age_h rises from a lower coat to one above it, or is below 0; expected the oldest first")
    return films, list(ages), diffusivity


def _plain(array: npt.ArrayLike) -> Numbers:
    values = np.asarray(array, np.float64)
    return float(values) if values.ndim == 0 else values
