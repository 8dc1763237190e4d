"""From wet film to dry film: what a gauge, or the millilitres sprayed, say of the thickness that stays.

References
----------
.. [1] ASTM D4414 and ISO 2808: a comb gauge shows an interval, from the last wetted to the first dry tooth (from
   memory).
.. [2] Solids by volume: dry = wet × volume solids, thinned in the ratio of the volumes (trade; the constants follow
   from the units).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from collector.physics.humidity import Numbers

FT2_MIL_PER_GAL: Final = 231.0 / 144.0 / 0.001
"""Area a US gallon covers one mil thick. [ft²·mil/gal] 231 in³ in a gallon."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """A film's thickness and how well it is known.

    Attributes
    ----------
    um, standard_uncertainty_um : float or array
        [µm]
    """

    um: Numbers
    standard_uncertainty_um: Numbers


def solids_as_applied(
    solids_volume_fraction: Numbers,
    thinner_per_paint: Numbers = 0.0,
    catalyst_per_paint: Numbers = 0.0,
    catalyst_solids_volume_fraction: Numbers = 0.0,
) -> Numbers:
    """Volume solids of a mix; volumes are taken as additive. [0 to 1]

    Parameters
    ----------
    solids_volume_fraction, catalyst_solids_volume_fraction : float or array
        Of the paint and of the catalyst as supplied. [0 to 1]
    thinner_per_paint, catalyst_per_paint : float or array
        Volumes per volume of paint.

    Raises
    ------
    ValueError
        Naming what is out of range.
    """
    paint = _within("solids_volume_fraction", solids_volume_fraction, 0.0, 1.0)
    thinner = _within("thinner_per_paint", thinner_per_paint, 0.0, 20.0)
    catalyst = _within("catalyst_per_paint", catalyst_per_paint, 0.0, 20.0)
    hard = _within("catalyst_solids_volume_fraction", catalyst_solids_volume_fraction, 0.0, 1.0)
    return _plain((paint + catalyst * hard) / (1.0 + thinner + catalyst))


def dry_film_um(wet_um: Numbers, solids: Numbers) -> Numbers:
    """Dry film of a wet one. [µm]

    Parameters
    ----------
    wet_um : float or array
        [µm], 0 to 5000
    solids : float or array
        By volume, of the mix as applied. [0 to 1]

    Raises
    ------
    ValueError
        Naming what is out of range.
    """
    return _plain(_within("wet_um", wet_um, 0.0, 5_000.0) * _within("solids", solids, 0.0, 1.0))


def wet_film_um(dry_um: Numbers, solids: Numbers) -> Numbers:
    """Wet film to lay for a dry one. [µm]

    Raises
    ------
    ValueError
        If the mix has no solids, or a value is out of range.
    """
    share = _within("solids", solids, 1e-6, 1.0)
    return _plain(_within("dry_um", dry_um, 0.0, 5_000.0) / share)


def gauged(low_um: float, high_um: float, *, relative_bias: float = 0.05) -> Film:
    """A wet film read with a comb gauge.

    Parameters
    ----------
    low_um, high_um : float
        Last wetted and first dry tooth. [µm]
    relative_bias : float
        Standard uncertainty of what quick solvents lose before the comb is read, and of the comb. Judgement.

    Raises
    ------
    ValueError
        If the interval is upside down or out of range.
    """
    low, high = float(_within("low_um", low_um, 0.0, 5_000.0)), float(_within("high_um", high_um, 0.0, 5_000.0))
    if high < low:
        raise ValueError(f"high_um {high:g} µm; expected at least low_um, {low:g} µm")
    middle = 0.5 * (low + high)
    return Film(um=middle, standard_uncertainty_um=math.hypot((high - low) / math.sqrt(12.0), relative_bias * middle))


def sprayed(
    sprayed_ml: Numbers,
    area_m2: Numbers,
    transfer_fraction: Numbers,
    *,
    transfer_relative_uncertainty: float = 0.35,
    area_relative_uncertainty: float = 0.1,
) -> Film:
    """A wet film reckoned from what left the gun, where no gauge was used.

    Parameters
    ----------
    sprayed_ml : float or array
        [ml]
    area_m2 : float or array
        Coated. [m²]
    transfer_fraction : float or array
        Share that lands and stays. Published figures run from 0.3 to 0.8 for flat work and below 0.1 for small parts,
        so that its uncertainty rules the result. [0 to 1]

    Raises
    ------
    ValueError
        Naming what is out of range.
    """
    volume = _within("sprayed_ml", sprayed_ml, 0.0, 100_000.0)
    area = _within("area_m2", area_m2, 1e-4, 1_000.0)
    film = volume * _within("transfer_fraction", transfer_fraction, 0.0, 1.0) / area
    return Film(
        um=_plain(film),
        standard_uncertainty_um=_plain(film * math.hypot(transfer_relative_uncertainty, area_relative_uncertainty)),
    )


def dried(wet: Film, solids: Numbers, *, solids_relative_uncertainty: float = 0.05) -> Film:
    """Dry film of a wet one, with its uncertainty.

    Parameters
    ----------
    solids_relative_uncertainty : float
        Of the volume solids a data sheet gives and a shop mixes. Judgement.
    """
    dry = np.asarray(dry_film_um(wet.um, solids))
    relative = np.asarray(wet.standard_uncertainty_um) / np.maximum(np.asarray(wet.um), 1e-9)
    return Film(um=_plain(dry), standard_uncertainty_um=_plain(dry * np.hypot(relative, solids_relative_uncertainty)))


def coverage_m2_l(solids: Numbers, dry_um: Numbers) -> Numbers:
    """Area a litre covers at a dry film, nothing lost. [m²/l]"""
    return _plain(1000.0 * _within("solids", solids, 0.0, 1.0) / _within("dry_um", dry_um, 1e-3, 5_000.0))


def coverage_ft2_gal(solids: Numbers, dry_mil: Numbers) -> Numbers:
    """Area a US gallon covers at a dry film, nothing lost. [ft²/gal]"""
    return _plain(FT2_MIL_PER_GAL * _within("solids", solids, 0.0, 1.0) / _within("dry_mil", dry_mil, 1e-4, 200.0))


def _within(name: str, value: Numbers, low: float, high: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    numbers = np.asarray(value, dtype=np.float64)
    outside = ~((numbers >= low) & (numbers <= high))
    if outside.any():
        raise ValueError(f"{name} {numbers[outside].flat[0]:g}; expected {low:g} to {high:g}")
    return numbers


def _plain(value: Numbers) -> Numbers:
    numbers = np.asarray(value, dtype=np.float64)
    return float(numbers) if numbers.ndim == 0 else numbers
