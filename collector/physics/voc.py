"""Volatile organic compounds of a coating as applied, and the mass of them a volume sprayed gives off.

Two figures are in use and differ wherever there is water or an exempt solvent in the pot. The *actual* (material) VOC
is mass of VOC per volume of everything; it is what leaves for the air. The *regulatory* one divides the same mass by
the volume less water and less exempt solvent; many limits are set on it. All of the solvent is taken as evaporated.

References
----------
.. [1] US EPA Method 24 and 40 CFR 51.100(s): VOC content, exempt compounds; as laid out in South Coast AQMD Rule 1136
   (definitions of grams of VOC per litre of coating less water and less exempt compounds, and of material).
.. [2] 30 Texas Administrative Code 115.423(1): pounds of VOC per gallon of solids, with 7.36 lb/gal as the density
   taken for the solvent.
.. [3] JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 5.1.2 and 5.2.2.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.humidity import Numbers

G_L_PER_LB_GAL: Final = 453.59237 / 3.785411784
"""Grams per litre in one pound per US gallon; both units are exact by definition."""

TEXAS_SOLVENT_DENSITY_G_L: Final = 7.36 * G_L_PER_LB_GAL
"""Density that reference 2 takes for the solvent of any coating, for :func:`solids_basis`. [g/l]"""

NOTHING: Final = 1e-9
"""Share of the volume, less water and exempt solvent, below which nothing is left to divide by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One liquid that goes into the pot.

    Attributes
    ----------
    name : str
        What its VOC content comes from; parts of one name are wrong together when emissions are added.
    volume : float or array
        In any unit, the same for all parts.
    voc_g_l : float or array
        Mass of VOC in a litre of this part. [g/l]
    water_fraction, exempt_fraction : float or array
        Volumes of water and of exempt solvent in a volume of this part.
    voc_uncertainty_g_l, excluded_uncertainty, volume_uncertainty : float or array
        Standard uncertainties of the VOC, of water and exempt share together, and of the volume.

    Raises
    ------
    ValueError
        If a value is out of range, or water and exempt share together exceed 1.
    """

    name: str
    volume: Numbers
    voc_g_l: Numbers
    water_fraction: Numbers = 0.0
    exempt_fraction: Numbers = 0.0
    voc_uncertainty_g_l: Numbers = 0.0
    excluded_uncertainty: Numbers = 0.0
    volume_uncertainty: Numbers = 0.0

    def __post_init__(self) -> None:
        _within(f"volume of {self.name}", self.volume, 0.0, np.inf, "")
        _within(f"voc_g_l of {self.name}", self.voc_g_l, 0.0, 2000.0, "g/l")
        _within(f"water_fraction of {self.name}", self.water_fraction, 0.0, 1.0, "")
        _within(f"exempt_fraction of {self.name}", self.exempt_fraction, 0.0, 1.0, "")
        _within(f"water and exempt share of {self.name}", self.excluded_fraction, 0.0, 1.0 + 1e-9, "")
        for label in ("voc_uncertainty_g_l", "excluded_uncertainty", "volume_uncertainty"):
            _within(f"{label} of {self.name}", getattr(self, label), 0.0, np.inf, "")

    @property
    def excluded_fraction(self) -> Numbers:
        """Water and exempt solvent together, volume per volume."""
        return _plain(np.asarray(self.water_fraction, np.float64) + np.asarray(self.exempt_fraction, np.float64))


@dataclass(frozen=True, slots=True, kw_only=True)
class AsApplied:
    """VOC of what is in the pot. [g/l]

    Attributes
    ----------
    actual_g_l, regulatory_g_l : float or array
        Per litre of everything, and per litre less water and less exempt solvent. The latter is NaN where nothing but
        water and exempt solvent is in the pot.
    actual_uncertainty_g_l, regulatory_uncertainty_g_l : float or array
        Standard uncertainties.
    excluded_fraction : float or array
        Water and exempt solvent, volume per volume.
    """

    actual_g_l: Numbers
    regulatory_g_l: Numbers
    actual_uncertainty_g_l: Numbers
    regulatory_uncertainty_g_l: Numbers
    excluded_fraction: Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """VOC given off. [kg]

    Attributes
    ----------
    kg : float
    by_source : mapping of str to float
        How far one standard uncertainty of each source moves ``kg``; sources are independent of each other.
    """

    kg: float
    by_source: Mapping[str, float] = field(default_factory=dict)

    @property
    def uncertainty_kg(self) -> float:
        """Standard uncertainty. [kg]"""
        return float(np.sqrt(sum(moved**2 for moved in self.by_source.values())))

    def times(self, factor: float) -> Emission:
        """So many times as much of the same."""
        return Emission(kg=factor * self.kg, by_source={name: factor * moved for name, moved in self.by_source.items()})


def from_masses(
    *,
    name: str,
    volume: Numbers,
    density_g_l: Numbers,
    solids_mass_fraction: Numbers,
    water_mass_fraction: Numbers = 0.0,
    exempt_mass_fraction: Numbers = 0.0,
    water_density_g_l: Numbers = 998.2,
    exempt_density_g_l: Numbers = 790.0,
    voc_uncertainty_g_l: Numbers = 0.0,
) -> Part:
    """A part known by weight, as EPA Method 24 leaves it: VOC is what is neither solids nor water nor exempt.

    Parameters
    ----------
    density_g_l, water_density_g_l, exempt_density_g_l : float or array
        Of the whole part, of water and of the exempt solvent. [g/l]; the defaults are water and acetone at 20 °C
    solids_mass_fraction, water_mass_fraction, exempt_mass_fraction : float or array
        Masses in a mass of the part.

    Raises
    ------
    ValueError
        If a value is out of range, or the fractions add up to more than 1.
    """
    density = _within("density_g_l", density_g_l, 300.0, 5000.0, "g/l")
    solids = _within("solids_mass_fraction", solids_mass_fraction, 0.0, 1.0, "")
    water = _within("water_mass_fraction", water_mass_fraction, 0.0, 1.0, "")
    exempt = _within("exempt_mass_fraction", exempt_mass_fraction, 0.0, 1.0, "")
    _within("solids, water and exempt mass fractions together", solids + water + exempt, 0.0, 1.0 + 1e-9, "")
    return Part(
        name=name,
        volume=volume,
        voc_g_l=_plain(density * np.maximum(1.0 - solids - water - exempt, 0.0)),
        water_fraction=_plain(density * water / _within("water_density_g_l", water_density_g_l, 900.0, 1100.0, "g/l")),
        exempt_fraction=_plain(
            density * exempt / _within("exempt_density_g_l", exempt_density_g_l, 500.0, 2000.0, "g/l")
        ),
        voc_uncertainty_g_l=voc_uncertainty_g_l,
    )


def from_blend(
    *,
    name: str,
    volume: Numbers,
    solids_volume_fraction: Numbers,
    mass_fractions: npt.ArrayLike,
    densities_g_l: npt.ArrayLike,
    water: Sequence[bool],
    exempt: Sequence[bool],
    voc_uncertainty_g_l: Numbers = 0.0,
    excluded_uncertainty: Numbers = 0.0,
) -> Part:
    """A part known by its solids and by what its volatile part is made of; volumes are taken as additive.

    Parameters
    ----------
    solids_volume_fraction : float or array
        Volume of dry film in a volume of the part.
    mass_fractions, densities_g_l : array, shape (number of volatiles,)
        Of the volatile part; the fractions add up to any total above zero.
    water, exempt : sequence of bool
        Which of the volatiles is water, and which an exempt solvent.

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    solids = _within("solids_volume_fraction", solids_volume_fraction, 0.0, 1.0, "")
    masses = _within("mass_fractions", np.asarray(mass_fractions, np.float64), 0.0, np.inf, "")
    densities = _within("densities_g_l", np.asarray(densities_g_l, np.float64), 300.0, 3000.0, "g/l")
    if masses.sum() <= 0.0:
        raise ValueError("mass_fractions add up to 0; expected more")
    volumes = masses / densities
    left_out_water, left_out_exempt = np.asarray(water, bool), np.asarray(exempt, bool)
    counted = ~(left_out_water | left_out_exempt)
    volatile = (1.0 - solids) / volumes.sum()
    return Part(
        name=name,
        volume=volume,
        voc_g_l=_plain(np.asarray(volatile * masses[counted].sum())),
        water_fraction=_plain(np.asarray(volatile * volumes[left_out_water].sum())),
        exempt_fraction=_plain(np.asarray(volatile * volumes[left_out_exempt & ~left_out_water].sum())),
        voc_uncertainty_g_l=voc_uncertainty_g_l,
        excluded_uncertainty=excluded_uncertainty,
    )


def as_applied(parts: Sequence[Part]) -> AsApplied:
    """VOC of the parts mixed, with standard uncertainties to first order; volumes are taken as additive.

    Raises
    ------
    ValueError
        If there is nothing in the pot.
    """
    volumes, voc, excluded, u_volume, u_voc, u_excluded = _columns(
        parts,
        ("volume", "voc_g_l", "excluded_fraction", "volume_uncertainty", "voc_uncertainty_g_l", "excluded_uncertainty"),
    )
    everything = volumes.sum(axis=0)
    if np.any(everything <= 0.0):
        raise ValueError("volumes of the parts add up to 0; expected more")
    mass = (volumes * voc).sum(axis=0)
    actual = mass / everything
    left = (volumes * (1.0 - excluded)).sum(axis=0)
    left = np.where(left > NOTHING * everything, left, np.nan)
    regulatory = mass / left
    by_actual = (volumes / everything * u_voc, (voc - actual) / everything * u_volume)
    by_regulatory = (
        volumes / left * u_voc,
        (voc - regulatory * (1.0 - excluded)) / left * u_volume,
        mass * volumes / left**2 * u_excluded,
    )
    return AsApplied(
        actual_g_l=_plain(np.asarray(actual)),
        regulatory_g_l=_plain(np.asarray(regulatory)),
        actual_uncertainty_g_l=_root_of_squares(by_actual),
        regulatory_uncertainty_g_l=_root_of_squares(by_regulatory),
        excluded_fraction=_plain(np.asarray((volumes * excluded).sum(axis=0) / everything)),
    )


def emission(parts: Sequence[Part], sprayed_l: float, sprayed_uncertainty_l: float, *, volume_source: str) -> Emission:
    """VOC given off by a volume of the parts mixed, all of the solvent evaporating; actual VOC times volume. [kg]

    Parameters
    ----------
    sprayed_l, sprayed_uncertainty_l : float
        Volume of the mixture used and its standard uncertainty. [l]
    volume_source : str
        What the volume was read with; emissions of one source are wrong together.

    Raises
    ------
    ValueError
        If a volume is negative, or there is nothing in the pot.
    """
    litres = float(_within("sprayed_l", sprayed_l, 0.0, np.inf, "l"))
    u_litres = float(_within("sprayed_uncertainty_l", sprayed_uncertainty_l, 0.0, np.inf, "l"))
    mixed = as_applied(parts)
    actual = float(mixed.actual_g_l)
    everything = float(sum(np.asarray(part.volume, np.float64) for part in parts))
    by_source = {volume_source: actual * u_litres / 1000.0}
    for part in parts:
        share = float(part.volume) / everything
        moved = litres * share * float(part.voc_uncertainty_g_l) / 1000.0
        by_source[part.name] = by_source.get(part.name, 0.0) + moved
        proportion = litres * (float(part.voc_g_l) - actual) / everything * float(part.volume_uncertainty) / 1000.0
        by_source[f"proportion of {part.name}"] = by_source.get(f"proportion of {part.name}", 0.0) + proportion
    return Emission(kg=litres * actual / 1000.0, by_source={name: kg for name, kg in by_source.items() if kg})


def total(emissions: Iterable[Emission]) -> Emission:
    """Emissions added; what comes from one source is wrong in the same direction throughout.

    A cup that reads 3 % high does so for every coat, and a data sheet's VOC is off by the same amount in every coat of
    the material: such errors add up and do not average out.
    """
    kg = 0.0
    by_source: dict[str, float] = {}
    for one in emissions:
        kg += one.kg
        for source, moved in one.by_source.items():
            by_source[source] = by_source.get(source, 0.0) + moved
    return Emission(kg=kg, by_source=by_source)


def solids_basis(voc_g_l: Numbers, solvent_density_g_l: Numbers) -> Numbers:
    """Mass of VOC per volume of solids, from VOC less water and exempt (reference 2). [g/l of solids]

    Parameters
    ----------
    voc_g_l : float or array
        VOC per litre of coating less water and less exempt solvent. [g/l], 0 to below ``solvent_density_g_l``
    solvent_density_g_l : float or array
        Density of the VOC itself. [g/l]

    Raises
    ------
    ValueError
        If the VOC is not below the solvent's density: then there are no solids.
    """
    density = _within("solvent_density_g_l", solvent_density_g_l, 500.0, 2000.0, "g/l")
    voc = _within("voc_g_l", voc_g_l, 0.0, np.inf, "g/l")
    if np.any(voc >= density):
        raise ValueError(f"voc_g_l {np.max(voc):g} g/l; expected below the solvent's {np.min(density):g} g/l")
    return _plain(np.asarray(voc / (1.0 - voc / density)))


def g_l(lb_gal: Numbers) -> Numbers:
    """Pounds per US gallon as grams per litre."""
    return _plain(np.asarray(lb_gal, np.float64) * G_L_PER_LB_GAL)


def lb_gal(g_l: Numbers) -> Numbers:
    """Grams per litre as pounds per US gallon."""
    return _plain(np.asarray(g_l, np.float64) / G_L_PER_LB_GAL)


def _columns(parts: Sequence[Part], names: Sequence[str]) -> list[npt.NDArray[np.float64]]:
    """Fields of the parts, each with the parts along its first axis and all of one shape."""
    if not parts:
        raise ValueError("no parts; expected at least one")
    every = np.broadcast_arrays(*(np.asarray(getattr(part, name), np.float64) for name in names for part in parts))
    return [np.stack(every[start : start + len(parts)]) for start in range(0, len(every), len(parts))]


def _root_of_squares(moved: Sequence[npt.NDArray[np.float64]]) -> Numbers:
    return _plain(np.asarray(np.sqrt(sum((one**2).sum(axis=0) for one in moved))))


def _within(name: str, value: Numbers, low: float, high: float, unit: str) -> npt.NDArray[np.float64]:
    array = np.asarray(value, np.float64)
    if not np.all((array >= low) & (array <= high)):
        shown = f"{float(array):g}" if array.ndim == 0 else f"{array.min():g} to {array.max():g}"
        upper = f" to {high:g}" if np.isfinite(high) else " or more"
        raise ValueError(f"{name} {shown} {unit}".rstrip() + f"; expected {low:g}{upper} {unit}".rstrip())
    return array


def _plain(array: npt.NDArray[np.float64]) -> Numbers:
    return float(array) if array.ndim == 0 else array
