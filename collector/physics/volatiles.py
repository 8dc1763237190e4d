"""What evaporates: a liquid's properties, and the pressure, diffusivity and heat that follow from them.

References
----------
.. [1] E. N. Fuller, P. D. Schettler, J. C. Giddings, "A new method for prediction of binary gas-phase diffusion
   coefficients", Ind. Eng. Chem. 58 (1966) 18-27, with the diffusion volumes of Poling, Prausnitz, O'Connell,
   "The Properties of Gases and Liquids", 5th ed. (2001), table 11-1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.humidity import ATMOSPHERE, ZERO_C, Numbers

GAS_CONSTANT: Final = 8.314462618
"""Molar gas constant. [J/(mol·K)]"""

AIR_MOLAR_MASS: Final = 0.0289652
"""Molar mass of dry air (ASHRAE 2017). [kg/mol]"""

_AIR_DIFFUSION_VOLUME: Final = 19.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Volatile:
    """One evaporating liquid.

    Attributes
    ----------
    name : str
    molar_mass : float
        [kg/mol]
    antoine : tuple of float
        (A, B, C) of ln(p/Pa) = A - B/(T + C), T in K; valid from -35 to 55 °C.
    density : float
        Of the liquid at 20 °C. [kg/m³]
    latent_heat : float
        Of evaporation at 20 °C. [J/mol]
    liquid_heat, vapour_heat : float
        Heat capacities of the liquid [J/(kg·K)] and of the vapour [J/(mol·K)] at 25 °C.
    diffusion_volume : float
        Fuller's sum of atomic volumes. [cm³/mol]
    groups : mapping of str to int
        UNIFAC subgroups with their counts; empty where they are not known.
    """

    name: str
    molar_mass: float
    antoine: tuple[float, float, float]
    density: float
    latent_heat: float
    liquid_heat: float
    vapour_heat: float
    diffusion_volume: float
    groups: Mapping[str, int] = field(default_factory=dict)


WATER: Final = Volatile(
    name="water",
    molar_mass=0.0180153,
    antoine=(23.8611, 4187.35, -33.13),
    density=998.2,
    latent_heat=44_200.0,
    liquid_heat=4_139.0,
    vapour_heat=33.6,
    diffusion_volume=13.1,
    groups={"H2O": 1},
)
"""Fitted to IAPWS-95 from -35 to 55 °C within 0.05 % (coefficients in the same form as the solvents')."""


def vapour_pressure(volatile: Volatile, liquid_c: Numbers) -> npt.NDArray[np.float64]:
    """Vapour pressure of the pure liquid. [Pa]

    Parameters
    ----------
    liquid_c : float or array
        Temperature, -35 to 55. [°C]
    """
    a, b, c = volatile.antoine
    return np.asarray(np.exp(a - b / (np.asarray(liquid_c, dtype=float) + ZERO_C + c)))


def diffusivity(volatile: Volatile, air_c: Numbers, pressure: float = ATMOSPHERE) -> npt.NDArray[np.float64]:
    """Diffusion coefficient of the vapour in air after Fuller. [m²/s]

    Parameters
    ----------
    air_c : float or array
        Temperature of the gas. [°C]
    pressure : float
        [Pa]
    """
    return binary_diffusivity(
        volatile.molar_mass, volatile.diffusion_volume, AIR_MOLAR_MASS, _AIR_DIFFUSION_VOLUME, air_c, pressure
    )


def binary_diffusivity(
    molar_mass_a: float,
    diffusion_volume_a: float,
    molar_mass_b: float,
    diffusion_volume_b: float,
    gas_c: Numbers,
    pressure: float = ATMOSPHERE,
) -> npt.NDArray[np.float64]:
    """Diffusion coefficient of one gas in another after Fuller. [m²/s]

    Molar masses are in kg/mol, diffusion volumes in cm³/mol, temperature in °C, pressure in Pa.
    """
    kelvin = np.asarray(gas_c, dtype=float) + ZERO_C
    mean_g_mol = 2.0 / (1.0 / (1000 * molar_mass_a) + 1.0 / (1000 * molar_mass_b))
    spread = (diffusion_volume_a ** (1 / 3) + diffusion_volume_b ** (1 / 3)) ** 2
    return np.asarray(1e-4 * 0.00143 * kelvin**1.75 / (pressure / 1e5 * math.sqrt(mean_g_mol) * spread))


def mole_fractions(volatiles: Sequence[Volatile], mass_fractions: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Mole fractions of a blend given by mass.

    Parameters
    ----------
    mass_fractions : array, shape (..., number of volatiles)
        Sum to 1 along the last axis, or to any total above zero.
    """
    moles = np.asarray(mass_fractions, dtype=float) / np.array([volatile.molar_mass for volatile in volatiles])
    return np.asarray(moles / moles.sum(axis=-1, keepdims=True))
