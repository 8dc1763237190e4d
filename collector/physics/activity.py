"""How much more readily a solvent, or water, leaves a blend than its share says: activity coefficients by UNIFAC.

The original vapour-liquid form with the parameters of Hansen et al., for the groups finishing solvents are built of;
vectorised over draws, which a library found for it is not. The film's binder is not in it, so that what it says of
water retained in a film is good to about five points of relative humidity.

References
----------
.. [1] A. Fredenslund, R. L. Jones, J. M. Prausnitz, "Group-contribution estimation of activity coefficients in
   nonideal liquid mixtures", AIChE J. 21 (1975) 1086-1099.
.. [2] H. K. Hansen et al., "Vapor-liquid equilibria by UNIFAC group contribution. 5. Revision and extension",
   Ind. Eng. Chem. Res. 30 (1991) 2352-2355: the parameters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_MAIN: Final = ("CH2", "ACH", "ACCH2", "OH", "CH3OH", "H2O", "CH2CO", "CCOO", "CH2O")

_SUBGROUPS: Final[Mapping[str, tuple[str, float, float]]] = {
    "CH3": ("CH2", 0.9011, 0.848),
    "CH2": ("CH2", 0.6744, 0.540),
    "CH": ("CH2", 0.4469, 0.228),
    "C": ("CH2", 0.2195, 0.0),
    "ACH": ("ACH", 0.5313, 0.400),
    "AC": ("ACH", 0.3652, 0.120),
    "ACCH3": ("ACCH2", 1.2663, 0.968),
    "ACCH2": ("ACCH2", 1.0396, 0.660),
    "ACCH": ("ACCH2", 0.8121, 0.348),
    "OH": ("OH", 1.0, 1.2),
    "CH3OH": ("CH3OH", 1.4311, 1.432),
    "H2O": ("H2O", 0.92, 1.4),
    "CH3CO": ("CH2CO", 1.6724, 1.488),
    "CH2CO": ("CH2CO", 1.4457, 1.180),
    "CH3COO": ("CCOO", 1.9031, 1.728),
    "CH2COO": ("CCOO", 1.6764, 1.420),
    "CH3O": ("CH2O", 1.145, 1.088),
    "CH2O": ("CH2O", 0.9183, 0.780),
    "CHO": ("CH2O", 0.6908, 0.468),
}
"""Subgroup to main group, relative volume and relative surface."""

_INTERACTION_K: Final = np.array([
    [0.0, 61.13, 76.5, 986.5, 697.2, 1318.0, 476.4, 232.1, 251.5],
    [-11.12, 0.0, 167.0, 636.1, 637.35, 903.8, 25.77, 5.994, 32.14],
    [-69.7, -146.8, 0.0, 803.2, 603.25, 5695.0, -52.1, 5688.0, 213.1],
    [156.4, 89.6, 25.82, 0.0, -137.1, 353.5, 84.0, 101.1, 28.06],
    [16.51, -50.0, -44.5, 249.1, 0.0, -180.95, 23.39, -10.72, -128.6],
    [300.0, 362.3, 377.6, -229.1, 289.6, 0.0, -195.4, 72.87, 540.5],
    [26.76, 140.1, 365.8, 164.5, 108.65, 472.5, 0.0, -213.7, -103.6],
    [114.8, 85.84, -170.0, 245.4, 249.63, 200.8, 372.2, 0.0, -235.7],
    [83.36, 52.13, 65.69, 237.7, 238.4, -314.7, 191.1, 461.3, 0.0],
])  # fmt: skip
"""a_mn in K, main groups in the order of ``_MAIN``."""

_COORDINATION: Final = 10.0
_TRACE: Final = 1e-300


def known(groups: Mapping[str, int]) -> bool:
    """Whether the table has every one of a liquid's groups, and there is one at all."""
    return bool(groups) and all(name in _SUBGROUPS for name in groups)


class Unifac:
    """Activity coefficients of one set of liquids.

    Parameters
    ----------
    groups : sequence of mapping
        Subgroups of each liquid with their counts, by name: ``{"CH3CO": 1, "CH3": 1}`` is acetone.

    Raises
    ------
    ValueError
        If a liquid has no groups, or a group is not known.
    """

    def __init__(self, groups: Sequence[Mapping[str, int]]) -> None:
        names = sorted({name for liquid in groups for name in liquid})
        unknown = [name for name in names if name not in _SUBGROUPS]
        if unknown:
            raise ValueError(f"group {unknown[0]!r}; expected one of {', '.join(_SUBGROUPS)}")
        for index, liquid in enumerate(groups):
            if not liquid:
                raise ValueError(f"liquid {index} has no groups; expected at least one")
        volume = np.array([_SUBGROUPS[name][1] for name in names])
        self._surface = np.array([_SUBGROUPS[name][2] for name in names])
        main = [_MAIN.index(_SUBGROUPS[name][0]) for name in names]
        self._interaction_k = _INTERACTION_K[np.ix_(main, main)]
        self._counts = np.array([[float(liquid.get(name, 0)) for name in names] for liquid in groups])
        self._r = (self._counts @ volume)[:, None]
        self._q = (self._counts @ self._surface)[:, None]
        self._l = 0.5 * _COORDINATION * (self._r - self._q) - (self._r - 1.0)

    def coefficients(self, mole_fractions: Array, temperature_k: float) -> Array:
        """Activity coefficients.

        Parameters
        ----------
        mole_fractions : array, shape (liquids, draws)
            Sum to 1 over the liquids.
        temperature_k : float
            One for all draws: a few kelvin change a coefficient by less than the method's own error. [K]

        Returns
        -------
        array, shape (liquids, draws)
        """
        x = mole_fractions
        r_mean, q_mean = (x * self._r).sum(axis=0), (x * self._q).sum(axis=0)
        r_mean, q_mean = np.maximum(r_mean, _TRACE), np.maximum(q_mean, _TRACE)
        volume_ratio, surface_ratio = self._r / r_mean, self._q / q_mean
        combinatorial = (
            np.log(volume_ratio)
            + 0.5 * _COORDINATION * self._q * np.log(surface_ratio / volume_ratio)
            + self._l
            - volume_ratio * (x * self._l).sum(axis=0)
        )
        psi = np.exp(-self._interaction_k / temperature_k)
        in_blend = self._residual(self._counts.T @ x, psi)
        alone = self._residual(self._counts.T, psi)  # columns: the pure liquids
        residual = self._counts @ in_blend - (self._counts * alone.T).sum(axis=1)[:, None]
        return np.asarray(np.exp(combinatorial + residual))

    def _residual(self, amounts: Array, psi: Array) -> Array:
        """Logarithm of each group's coefficient among groups in these amounts, shape (groups, draws)."""
        surface = self._surface[:, None] * amounts
        theta = surface / np.maximum(surface.sum(axis=0), _TRACE)
        met = psi.T @ theta
        met = np.maximum(met, _TRACE)
        return np.asarray(self._surface[:, None] * (1.0 - np.log(met) - psi @ (theta / met)))
