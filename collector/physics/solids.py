"""What a coat lies on, as heat sees it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Solid:
    """A homogeneous solid.

    Attributes
    ----------
    name : str
    conductivity : float
        Across the coated face. [W/(m·K)]
    density : float
        [kg/m³]
    heat_capacity : float
        [J/(kg·K)]
    """

    name: str
    conductivity: float
    density: float
    heat_capacity: float

    @property
    def effusivity(self) -> float:
        """How readily it gives heat to a cold face. [W·s^½/(m²·K)]"""
        return math.sqrt(self.conductivity * self.density * self.heat_capacity)
