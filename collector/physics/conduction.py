"""Heat within a piece: one dimension, from the coated face to the free back, implicit in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.solids import Solid

Array = npt.NDArray[np.float64]

STEFAN_BOLTZMANN: Final = 5.670374e-8
"""[W/(m²·K⁴)]"""

CELLS: Final = 16
FIRST_CELL_M: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Ahead:
    """Where the piece's cells would go in a step if the film gave nothing, and what a unit of its flux adds."""

    cells_c: Array
    per_flux: Array
    face_c: Array
    step: float


class Slab:
    """The piece: geometric cells, all draws of one material, solved implicitly by one matrix per length of step."""

    def __init__(
        self, solid: Solid, thickness_mm: float, start_c: npt.ArrayLike, back_w_m2_k: float, air_c: Array
    ) -> None:
        thickness = 1e-3 * thickness_mm
        self.widths = cell_widths(thickness)
        self.conductivity = solid.conductivity
        self.heat = solid.density * solid.heat_capacity * self.widths
        between = 0.5 * (self.widths[1:] + self.widths[:-1])
        self.links = solid.conductivity / between
        self.back = 1 / (1 / back_w_m2_k + 0.5 * self.widths[-1] / solid.conductivity)
        draws = len(air_c)
        start = np.asarray(start_c, dtype=float)
        if start.ndim == 2 and start.shape[0] != len(self.widths):
            raise ValueError(f"part_c has {start.shape[0]} cells; expected {len(self.widths)}")
        self.cells_c: Array = np.array(np.broadcast_to(start, (len(self.widths), draws)))
        self.back_in_j = np.zeros(draws)
        self.matrices: dict[float, tuple[Array, Array, Array]] = {}
        self.air_c = air_c

    def energy_j(self, reference_c: Array) -> Array:
        """Sensible heat counted from a temperature. [J/m²]"""
        return np.asarray((self.heat[:, None] * (self.cells_c - reference_c)).sum(axis=0))

    def look_ahead(self, step: float, air_c: Array) -> Ahead:
        """The cells after a step with nothing from the film."""
        key = round(step, 9)
        if key not in self.matrices:
            size = len(self.widths)
            matrix = np.diag(self.heat / step)
            for i, link in enumerate(self.links):
                matrix[i, i] += link
                matrix[i + 1, i + 1] += link
                matrix[i, i + 1] -= link
                matrix[i + 1, i] -= link
            matrix[-1, -1] += self.back
            inverse = np.linalg.inv(matrix)
            unit = np.zeros(size)
            unit[0] = 1.0
            self.matrices[key] = (inverse * (self.heat / step), inverse @ unit, inverse[:, -1] * self.back)
        carry, per_flux, from_back = self.matrices[key]
        cells = carry @ self.cells_c + from_back[:, None] * air_c
        return Ahead(cells, per_flux, cells[0], step)

    def link(self, ahead: Ahead, film_resistance: Array) -> Array:
        """Conductance to the face as it will be without the film's flux. [W/(m²·K)]

        Parameters
        ----------
        film_resistance : array
            From the film's middle to the face. [m²·K/W]
        """
        resistance = film_resistance + 0.5 * self.widths[0] / self.conductivity
        return np.asarray(1 / (resistance + ahead.per_flux[0]))

    def settle(self, ahead: Ahead, flux: Array) -> None:
        """Take the film's flux. [W/m²]"""
        self.cells_c = ahead.cells_c + ahead.per_flux[:, None] * flux
        self.back_in_j = self.back_in_j + ahead.step * self.back * (self.air_c - self.cells_c[-1])


def cell_widths(thickness: float) -> Array:
    """Widths of the cells, growing from the coated face inwards. [m]

    Parameters
    ----------
    thickness : float
        Of the whole. [m]
    """
    first = min(FIRST_CELL_M, thickness / CELLS)
    low, high = 1.0, 3.0
    for _ in range(60):
        growth = 0.5 * (low + high)
        if first * sum(growth**i for i in range(CELLS)) < thickness:
            low = growth
        else:
            high = growth
    widths = first * growth ** np.arange(CELLS)
    return np.asarray(widths * thickness / widths.sum())
