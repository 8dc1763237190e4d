"""What sandings that went through, or did not, tell of how a shop cuts: Bayes' rule on a grid.

Between shops the depth of a scratch over its grain and the excess of a step differ log-normally; within a shop they
differ again from one sanding to the next. The spreads of :class:`collector.physics.sanding.Cut` are both together, so
that a shop that has told nothing is expected to cut as before.

References
----------
.. [1] The split of a spread in between and within shops is judgement, and so is the share of slips.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import stats

from collector.physics.sanding import Cut

Array = npt.NDArray[np.float64]

BETWEEN_SHOPS: Final = 0.8
"""Of a spread's standard deviation, what is between shops; 0.6 is within, as 0.8² + 0.6² = 1. Judgement."""

WITHIN: Final = 0.6

SLIP: Final = 0.02
"""Share of outcomes that have another cause or were noted wrongly. Judgement."""

POINTS: Final = 15
REACH: Final = 2.6
"""The grid reaches this many standard deviations of the prior to either side."""

DRAWS: Final = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One sanding as it turned out.

    Attributes
    ----------
    dry_um, dry_sd_um : float
        Film before it. [µm]
    grains_um : tuple of float
        Median grains used, coarse to fine. [µm]
    texture_um, texture_spread : float
        Height of the texture [µm] and the standard deviation of its logarithm.
    compounded : bool
    through : int or None
        Step at which it went through, from 0; the number of steps where nobody noted at which; None if it did not.
    spots, spot_sd_um : int, float
        As in :func:`collector.physics.sanding.sand`.
    """

    dry_um: float
    dry_sd_um: float
    grains_um: tuple[float, ...]
    texture_um: float
    texture_spread: float = 0.2
    compounded: bool = True
    through: int | None = None
    spots: int = 1
    spot_sd_um: float = 0.0

    @property
    def steps(self) -> int:
        """Grits, and the compound where it was used."""
        return len(self.grains_um) + int(self.compounded)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """A shop's cut after its trials.

    Attributes
    ----------
    cut : Cut
        Medians, with what is unknown and what varies from one sanding to the next in the spreads.
    scratch_per_grain_90, excess_90 : tuple of float
        Between which nine in ten of the belief lies, of the shop's medians.
    trials : int
    """

    cut: Cut
    scratch_per_grain_90: tuple[float, float]
    excess_90: tuple[float, float]
    trials: int


def learned(trials: Sequence[Trial], prior: Cut | None = None) -> Learned:
    """The shop's cut after some trials; the order does not matter.

    Parameters
    ----------
    trials : sequence of Trial
    prior : Cut, optional
        What is believed of a shop nothing is known of.

    Raises
    ------
    ValueError
        If a trial's numbers make no sense.
    """
    before = prior or Cut()
    z = np.linspace(-REACH, REACH, POINTS)
    log_weight = -0.5 * (z[:, None] ** 2 + z[None, :] ** 2)
    for trial in trials:
        log_weight = log_weight + np.log(_likelihood(trial, before))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    scratch = _marginal(z, weight.sum(axis=1), before.scratch_per_grain, before.scratch_spread)
    excess = _marginal(z, weight.sum(axis=0), before.excess, before.excess_spread)
    return Learned(
        cut=Cut(
            scratch_per_grain=scratch[0],
            scratch_spread=scratch[1],
            excess=excess[0],
            excess_spread=excess[1],
            texture_spread=before.texture_spread,
        ),
        scratch_per_grain_90=scratch[2],
        excess_90=excess[2],
        trials=len(trials),
    )


def chance_by_step(trial: Trial, cut: Cut) -> Array:
    """Chance of being through by each step of a trial, how it turned out left aside."""
    grid = np.zeros(1)
    return np.asarray(_chances(trial, cut, grid, grid, 1.0)[0, 0])


def _marginal(z: Array, weight: Array, median: float, spread: float) -> tuple[float, float, tuple[float, float]]:
    """Median, whole spread and 90 % interval of one parameter from its weights over the prior's z."""
    mean = float(np.sum(weight * z))
    sd = math.sqrt(max(float(np.sum(weight * (z - mean) ** 2)), 0.0))
    # A grid cut off at its reach has less than the prior's own spread; nothing learned must mean nothing changed.
    sd = sd / _whole(z)
    between = BETWEEN_SHOPS * spread
    low, high = (median * math.exp(between * (mean + side * 1.645 * sd)) for side in (-1.0, 1.0))
    return median * math.exp(between * mean), spread * math.hypot(BETWEEN_SHOPS * sd, WITHIN), (low, high)


def _whole(z: Array) -> float:
    weight = np.exp(-0.5 * z**2)
    return math.sqrt(float(np.sum(weight * z**2) / weight.sum()))


@lru_cache(maxsize=4096)
def _likelihood(trial: Trial, prior: Cut) -> Array:
    """Chance of what happened in a trial, at each point of the grid."""
    _check(trial)
    z = np.linspace(-REACH, REACH, POINTS)
    by_step = _chances(trial, prior, z, z, WITHIN)
    if trial.through is None:
        happened = 1.0 - by_step[:, :, -1]
    elif trial.through >= trial.steps:
        happened = by_step[:, :, -1]
    else:
        earlier = by_step[:, :, trial.through - 1] if trial.through else 0.0
        happened = by_step[:, :, trial.through] - earlier
    outcomes = trial.steps + 1
    found = np.asarray((1.0 - SLIP) * np.clip(happened, 0.0, 1.0) + SLIP / outcomes)
    found.setflags(write=False)
    return found


def _chances(trial: Trial, prior: Cut, z_scratch: Array, z_excess: Array, within: float) -> Array:
    """Chance of being through by each step, (scratch, excess, steps); the model of ``sanding.removed_draws``."""
    z = _normals()
    between = BETWEEN_SHOPS
    scratch = (
        prior.scratch_per_grain
        * np.exp(prior.scratch_spread * (between * z_scratch[:, None] + within * z[0]))[:, None, :]
    )
    excess = prior.excess * np.exp(prior.excess_spread * (between * z_excess[:, None] + within * z[1]))[None, :, :]
    plane = trial.texture_um * np.exp(trial.texture_spread * z[2])[None, None, :]
    least = stats.norm.ppf(1.0 - (1.0 - stats.norm.cdf(z[4])) ** (1.0 / trial.spots))
    thin = trial.dry_um + trial.dry_sd_um * z[3] + trial.spot_sd_um * least
    grains = trial.grains_um
    found = [(thin <= plane + grains[0] * scratch).mean(axis=-1)]
    for before, after in zip(grains, (*grains[1:], 0.0), strict=True):
        plane = plane + (1.0 + excess) * scratch * (before - after)
        if after or trial.compounded:
            found.append((thin <= plane + after * scratch).mean(axis=-1))
    shape = (len(z_scratch), len(z_excess))
    return np.stack([np.broadcast_to(each, shape) for each in found], axis=-1)


def _check(trial: Trial) -> None:
    grains = np.asarray(trial.grains_um, dtype=np.float64)
    if not len(grains) or not np.all(grains > 0) or np.any(np.diff(grains) >= 0):
        raise ValueError(f"grains_um {grains.tolist()}; expected sizes above 0 µm, each finer than the one before")
    for name, low, high in (
        ("dry_um", 0.0, 5_000.0),
        ("dry_sd_um", 0.0, 5_000.0),
        ("texture_um", 0.0, 1_000.0),
        ("texture_spread", 0.0, 3.0),
        ("spots", 1, 10_000),
        ("spot_sd_um", 0.0, 5_000.0),
    ):
        value = getattr(trial, name)
        if not low <= value <= high:
            raise ValueError(f"{name} {value:g}; expected {low:g} to {high:g}")
    if trial.through is not None and trial.through < 0:
        raise ValueError(f"through {trial.through}; expected a step from 0, or None")


@lru_cache(maxsize=1)
def _normals() -> Array:
    sobol = stats.qmc.Sobol(5, scramble=True, rng=np.random.default_rng(23))
    return np.asarray(stats.norm.ppf(sobol.random(DRAWS)).T, dtype=np.float64)
