"""What level-sanding takes off a film, and the chance of going through it.

The first grit levels the texture and leaves its scratches below the plane it makes. Each finer grit has to bring its
own scratches down to where the last one's ended, and the compound does so for the last; nobody stops at just that, so
each step takes a little more than it must. What is left is the film less all of it, at a thin spot as well as on
average.

References
----------
.. [1] ISO 6344: grain of P grades (:mod:`collector.reference.abrasives`).
.. [2] Scratches 0.2 to 0.5 of the median grain deep in hard films; orange peel 10 to 25 µm high (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import stats

Array = npt.NDArray[np.float64]

DRAWS: Final = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """How a shop sands; medians with standard deviations of their logarithms.

    Attributes
    ----------
    scratch_per_grain, scratch_spread : float
        Depth of a scratch over the median grain.
    excess, excess_spread : float
        What a step takes beyond what it must, as a share of that.
    texture_spread : float
        How far the texture that has to go is from what it was measured or graded as.
    """

    scratch_per_grain: float = 0.25
    scratch_spread: float = 0.3
    excess: float = 0.5
    excess_spread: float = 0.5
    texture_spread: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Sanded:
    """What is gone and left after each grit, and at last after compounding.

    Attributes
    ----------
    removed_um, removed_sd_um : array, shape (grits + 1,)
        Down to the bottom of the scratches that stand then, and how well that is known. [µm]
    left_um, left_sd_um : array
        Above what lies beneath the film, below those scratches. [µm]
    probability_through : array
        That the film is gone somewhere by then.
    """

    removed_um: Array
    removed_sd_um: Array
    left_um: Array
    left_sd_um: Array
    probability_through: Array


def sand(
    dry_um: float,
    dry_sd_um: float,
    grains_um: Sequence[float],
    texture_um: float,
    *,
    spots: int = 1,
    spot_sd_um: float = 0.0,
    cut: Cut | None = None,
) -> Sanded:
    """Sand a film through a sequence of grits and compound it.

    Parameters
    ----------
    dry_um, dry_sd_um : float
        Mean film and how well it is known. [µm]
    grains_um : sequence of float
        Median grains, coarse to fine. [µm]
    texture_um : float
        Height of the texture to be levelled, peak to valley. [µm]
    spots, spot_sd_um : int, float
        How many spots of the piece may be thin independently of each other, and by how much they differ [µm].
    cut : Cut, optional
        How the shop sands.

    Raises
    ------
    ValueError
        Naming what is out of range.
    """
    grains = np.asarray(grains_um, dtype=np.float64)
    if grains.ndim != 1 or not len(grains) or not np.all(grains > 0) or np.any(np.diff(grains) >= 0):
        raise ValueError(f"grains_um {grains.tolist()}; expected sizes above 0 µm, each finer than the one before")
    for name, value, low, high in (
        ("dry_um", dry_um, 0.0, 5_000.0),
        ("dry_sd_um", dry_sd_um, 0.0, 5_000.0),
        ("texture_um", texture_um, 0.0, 1_000.0),
        ("spots", spots, 1, 10_000),
        ("spot_sd_um", spot_sd_um, 0.0, 5_000.0),
    ):
        if not low <= value <= high:
            raise ValueError(f"{name} {value:g}; expected {low:g} to {high:g}")
    deepest = removed_draws(grains, texture_um, cut or Cut())
    z = _normals(5)
    film = dry_um + dry_sd_um * z[3]
    # The thinnest of independent spots: the quantile of the least of so many normals, drawn evenly.
    least = stats.norm.ppf(1.0 - (1.0 - stats.norm.cdf(z[4])) ** (1.0 / spots))
    thin = film + spot_sd_um * least
    gone_below = thin[None, :] - deepest
    return Sanded(
        removed_um=deepest.mean(axis=1),
        removed_sd_um=deepest.std(axis=1),
        left_um=dry_um - deepest.mean(axis=1),
        left_sd_um=np.hypot(dry_sd_um, deepest.std(axis=1)),
        probability_through=np.asarray((gone_below <= 0).mean(axis=1)),
    )


def removed_draws(grains_um: Array, texture_um: float, cut: Cut) -> Array:
    """Depth of the deepest scratch below the first surface after each grit and after the compound, (steps, draws)."""
    z = _normals(5)
    scratch = np.outer(grains_um, cut.scratch_per_grain * np.exp(cut.scratch_spread * z[0]))
    more = 1.0 + cut.excess * np.exp(cut.excess_spread * z[1])
    plane = texture_um * np.exp(cut.texture_spread * z[2])
    bottoms = [plane + scratch[0]]
    for before, after in pairwise(scratch):
        plane = plane + more * (before - after)
        bottoms.append(plane + after)
    bottoms.append(plane + more * scratch[-1])
    return np.array(bottoms)


def _normals(dimensions: int) -> Array:
    sobol = stats.qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(11))
    return np.asarray(stats.norm.ppf(sobol.random(DRAWS)).T, dtype=np.float64)
