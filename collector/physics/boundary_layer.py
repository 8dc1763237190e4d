"""Between film and air: heat and mass through one boundary layer, with the vapours' own flow in it.

References are those of :mod:`collector.physics.evaporation`, which uses this.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.humidity import ATMOSPHERE, ZERO_C
from collector.physics.volatiles import (
    AIR_MOLAR_MASS,
    GAS_CONSTANT,
    WATER,
    Volatile,
    binary_diffusivity,
    diffusivity,
)

Array = npt.NDArray[np.float64]

GRAVITY: Final = 9.80665
AIR_HEAT_J_KG_K: Final = 1006.0
CHILTON_COLBURN: Final = 2.0 / 3.0


@dataclass(frozen=True, slots=True)
class Coefficients:
    """What the boundary layer passes.

    Attributes
    ----------
    heat : array, shape (draws,)
        [W/(m²·K)]
    vapours, water : array, shape (volatiles, draws) and (draws,)
        Of each vapour, and of water, through air. [mol/(m²·s)]
    water_in_vapours : array, shape (volatiles, draws)
        Of water through each vapour. [mol/(m²·s)]
    """

    heat: Array
    vapours: Array
    water: Array
    water_in_vapours: Array


class BoundaryLayer:
    """One face in one air.

    Parameters
    ----------
    volatiles : sequence of Volatile
    air_c, far_water, speed, factor : array, shape (draws,)
        Air temperature [°C], mole fraction of water far from the face, air speed [m/s], and what heat and mass
        transfer are multiplied by.
    pressure : float
        [Pa]
    length : float
        Of the face along the air. [m]
    vertical : bool
    water_index : int or None
        Which of the volatiles is water.
    """

    def __init__(
        self,
        volatiles: Sequence[Volatile],
        *,
        air_c: Array,
        far_water: Array,
        speed: Array,
        factor: Array,
        pressure: float,
        length: float,
        vertical: bool,
        water_index: int | None,
    ) -> None:
        self.air_c, self.air_k, self.far_water = air_c, air_c + ZERO_C, far_water
        self.speed, self.factor, self.pressure, self.length, self.vertical = speed, factor, pressure, length, vertical
        self.water_index = water_index
        self.solvents = np.array([i for i in range(len(volatiles)) if i != water_index], dtype=int)
        self.molar_mass = np.array([v.molar_mass for v in volatiles])[:, None]
        self.diffusivity_20 = np.array([float(diffusivity(v, 20.0)) for v in volatiles])[:, None]
        self.water_diffusivity_20 = float(diffusivity(WATER, 20.0))
        in_vapour_20 = np.array([
            float(binary_diffusivity(WATER.molar_mass, WATER.diffusion_volume, v.molar_mass, v.diffusion_volume, 20.0))
            for v in volatiles
        ])[:, None]  # fmt: skip
        self.drag_ratio = (in_vapour_20 / self.water_diffusivity_20) ** CHILTON_COLBURN

    def coefficients(self, film_c: Array, at_film: Array) -> Coefficients:
        """What passes at a film temperature [°C] and mole fractions of vapour at the film (volatiles, draws).

        Heat and mass go through one boundary layer (Chilton-Colburn); still air moves by the weight of cold air and
        of vapour, which sets the floor.
        """
        mean_k = 0.5 * (film_c + self.air_c) + ZERO_C
        pressure, length = self.pressure, self.length
        per_volume = pressure / (GAS_CONSTANT * mean_k)
        density = per_volume * AIR_MOLAR_MASS
        viscosity = 1.458e-6 * mean_k**1.5 / (mean_k + 110.4) / density
        conductivity = 2.64638e-3 * mean_k**1.5 / (mean_k + 245.4 * 10 ** (-12.0 / mean_k))
        spread = conductivity / (density * AIR_HEAT_J_KG_K)
        prandtl = viscosity / spread
        reynolds = self.speed * length / viscosity
        laminar = 0.664 * np.sqrt(reynolds) * np.cbrt(prandtl)
        reynolds = np.maximum(reynolds, 1e-6)
        turbulent = 0.037 * reynolds**0.8 * prandtl / (1 + 2.443 * reynolds**-0.1 * (prandtl ** (2 / 3) - 1))
        # Near standstill the turbulent form's denominator changes sign; there it has no say.
        turbulent = np.where(reynolds > 100.0, turbulent, 0.0)
        forced = np.sqrt(laminar**2 + turbulent**2)

        near = at_film.sum(axis=0)
        weight_near = (at_film * self.molar_mass).sum(axis=0) + (1 - near) * AIR_MOLAR_MASS
        weight_far = AIR_MOLAR_MASS + self.far_water * (WATER.molar_mass - AIR_MOLAR_MASS)
        if self.water_index is None:
            weight_near = weight_near + self.far_water * (WATER.molar_mass - AIR_MOLAR_MASS)
        heavy = pressure / GAS_CONSTANT * (weight_near / (film_c + ZERO_C) - weight_far / self.air_k)
        rayleigh = GRAVITY * length**3 * np.abs(heavy) / density / (viscosity * spread)
        if self.vertical:
            slope = (1 + (0.492 / prandtl) ** (9 / 16)) ** (-8 / 27)
            natural = (0.825 + 0.387 * rayleigh ** (1 / 6) * slope) ** 2
            power = 3.0
        else:
            # Air that nothing moves still conducts: about what the vertical form leaves at rest.
            natural = np.maximum(0.52 * rayleigh**0.2, 0.68)
            power = 3.5
        nusselt = (forced**power + natural**power) ** (1 / power)
        heat = self.factor * nusselt * conductivity / length
        warmth = (mean_k / (20.0 + ZERO_C)) ** 1.75 * ATMOSPHERE / pressure
        base = heat / (AIR_HEAT_J_KG_K * AIR_MOLAR_MASS)
        vapours = base * (spread / (self.diffusivity_20 * warmth)) ** -CHILTON_COLBURN
        water = base * (spread / (self.water_diffusivity_20 * warmth)) ** -CHILTON_COLBURN
        return Coefficients(heat, vapours, water, water * self.drag_ratio)

    def solvent_flux(self, at_film: Array, coefficients: Coefficients, before: Array) -> Array:
        """Molar flux of each solvent through the air it also pushes away (Stefan flow). [mol/(m²·s)]

        Parameters
        ----------
        before : array
            Where the search starts: the flux of a moment ago.
        """
        flux, conductance = before, coefficients.vapours
        for _ in range(3):
            total = flux.sum(axis=0)
            phi = total / conductance
            small = np.abs(phi) < 1e-6
            with_flow = total * np.exp(phi) / np.where(small, 1.0, np.expm1(phi))
            flux = at_film * np.where(small, conductance, with_flow)
            if self.water_index is not None:
                flux[self.water_index] = 0.0
        return flux

    def water_flux(self, flux: Array, at_film: Array, coefficients: Coefficients) -> tuple[Array, Array]:
        """Water's flux out of the film is the first times its mole fraction at the film, less the second.

        The solvents' vapours drag water along and stand in its way (Maxwell-Stefan). [mol/(m²·s)]
        """
        organic = self.solvents
        through = coefficients.water_in_vapours[organic]
        alpha = (flux[organic] / through).sum(axis=0)
        mean = 0.5 * at_film[organic]
        beta = (1 - mean.sum(axis=0)) / coefficients.water + (mean / through).sum(axis=0)
        pushed = shrinking(alpha)
        return pushed * np.exp(alpha) / beta, pushed * self.far_water / beta


def shrinking(a: Array) -> Array:
    """a/(e^a - 1): what a stream leaves of a transfer against it (Ackermann's correction)."""
    small = np.abs(a) < 1e-6
    return np.where(small, 1.0, a / np.where(small, 1.0, np.expm1(a)))
