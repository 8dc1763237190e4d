"""Times known only from "not yet" and "yes": log-normal times under a joint prior, learned from noisy yes/no checks.

The time to reach a stage, divided by what was expected beforehand, is exp(u + c): ``u`` belongs to the subject (a stage
of a material) and ``c`` to one coat. A check at equivalent age t finds the stage reached with probability

    lapse/2 + (1 - lapse)·Φ((ln t - u - c)/check_sd),

and ln t depends on the activation energy, which is a third unknown, ``x``, in standard units. All are normal beforehand
(the u jointly, through a covariance), so that the answer is nearly normal as well. It is found by expectation
propagation [1]_: each check is replaced by the normal factor that gives the same mean and variance in the company of
all others, in turn until nothing moves. Means and variances of a probit with lapses are in closed form, coats are
eliminated before anything is inverted, and no random number is drawn: the same checks give the same answer.

How much coats scatter, how sharp checks are, and how far subjects lie from what was expected is not known exactly
either: the whole is done for a few values of each, weighted by how probable they make the checks.

References
----------
.. [1] T. P. Minka, "Expectation propagation for approximate Bayesian inference", UAI 17 (2001) 362-369; the probit
   moments as in C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press, 2006,
   section 3.6 and eq. 3.82, here with a lapse added.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

Reals = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

STANDARD_NODES: Final[Reals] = np.linspace(-4.0, 4.0, 33)
"""Values of ``x`` at which a check's ln age is tabulated, in standard deviations from the middle of its prior."""

_SPREAD: Final = np.sqrt(3.0)
"""Nodes of the three-point rule for a normal, in standard deviations; weights 1/6, 2/3, 1/6."""

_DAMPING: Final = 0.9
_CALMER: Final = 0.99
"""Each round's share of the move is this times the last one's, so that checks that contradict each other settle too."""

_SWEEPS: Final = 80
_STRAIGHTEN: Final = 3
"""Rounds between one straightening of ln age over activation energy and the next."""

_SETTLED: Final = 1e-3
"""Largest move of a check's mean, in its standard deviations, that counts as none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """What is not the subject's own: scatter of coats, noise of checks, and plain mistakes.

    Attributes
    ----------
    coat_sd, check_sd : array
        Standard deviations of ln time between coats, and of ln age at which a check turns to yes; one pair a scenario.
    scale : array
        The u's standard deviations over those that :func:`infer` is given, one a scenario.
    weight : array
        Probability of each scenario beforehand.
    lapse : float
        Share of checks that tell nothing, answered yes or no alike. Above 0, below 1.
    """

    coat_sd: Reals
    check_sd: Reals
    scale: Reals
    weight: Reals
    lapse: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """The observations, one entry of each array a check.

    Attributes
    ----------
    log_age : array, (checks, STANDARD_NODES)
        ln of age over the time expected beforehand, at each of :data:`STANDARD_NODES`.
    log_age_sd : array, (checks,)
        Standard uncertainty of ln age, from gaps in the log for instance.
    passed : array of bool
        Whether the stage was reached.
    coat : array of int
        Index of the coat and stage checked, 0 and up without gaps.
    subject_of_coat : array of int
        Index of each coat's subject.
    slope_of_subject : array of int
        Index of each subject's ``x``; subjects may share one.
    """

    log_age: Reals
    log_age_sd: Reals
    passed: npt.NDArray[np.bool_]
    coat: Indices
    subject_of_coat: Indices
    slope_of_subject: Indices


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """What the checks tell, for every scenario (first axis of each array).

    Attributes
    ----------
    weight : array, (scenarios,)
        Probability of each scenario.
    mean, covariance : array
        Of the subjects' u, followed by the x.
    coat_precision, coat_shift, coat_load, coat_slope : array, (scenarios, coats)
        A coat's c, given its subject's u and x, is normal with precision ``coat_precision`` and mean
        (shift - load·u - slope·x)/precision.
    slope : array, (scenarios, checks)
        A check tells of u + c + slope·x.
    site_precision, site_shift : array, (scenarios, checks)
        The normal factor exp(shift·z - precision·z²/2) that stands for the check.
    cavity_mean, cavity_variance : array, (scenarios, checks)
        Of u + c + slope·x, from all other checks.
    expected : array, (scenarios, checks)
        Probability that all other checks give to what this one found.
    """

    weight: Reals
    mean: Reals
    covariance: Reals
    coat_precision: Reals
    coat_shift: Reals
    coat_load: Reals
    coat_slope: Reals
    slope: Reals
    site_precision: Reals
    site_shift: Reals
    cavity_mean: Reals
    cavity_variance: Reals
    expected: Reals

    def coat_moments(self, coat: int, u: int, x: int) -> tuple[Reals, Reals]:
        """Mean (scenarios, 2) and covariance (scenarios, 2, 2) of a checked coat's own u + c, and of its x.

        Parameters
        ----------
        coat : int
            Index of the coat.
        u, x : int
            Places of its subject's u and x in ``mean``.
        """
        at = [u, x]
        mean, covariance = self.mean[:, at], self.covariance[:, at][:, :, at]
        precision = self.coat_precision[:, coat]
        to_time = np.zeros((len(precision), 2, 2))
        to_time[:, 0, 0] = 1.0 - self.coat_load[:, coat] / precision
        to_time[:, 0, 1] = -self.coat_slope[:, coat] / precision
        to_time[:, 1, 1] = 1.0
        moved = np.einsum("sij,sj->si", to_time, mean)
        moved[:, 0] += self.coat_shift[:, coat] / precision
        spread = to_time @ covariance @ np.swapaxes(to_time, 1, 2)
        spread[:, 0, 0] += 1.0 / precision
        return moved, spread


def probability_of_yes(log_excess: Reals, check_sd: float | Reals, lapse: float) -> Reals:
    """Probability that a check finds a stage reached.

    Parameters
    ----------
    log_excess : array
        ln of the age over the coat's own time for the stage.
    check_sd, lapse
        As in :class:`Noise`.
    """
    return np.asarray(0.5 * lapse + (1.0 - lapse) * ndtr(log_excess / check_sd))


def infer(checks: Checks, covariance: Reals, noise: Noise) -> Posterior:
    """What yes/no checks tell of the times of several subjects.

    Parameters
    ----------
    checks : Checks
        At least one.
    covariance : array, (subjects, subjects)
        Of the u beforehand, whose means are 0; positive definite.
    noise : Noise
        Scatter and mistakes, one scenario or several.

    Raises
    ------
    ValueError
        If there is no check, a subject without its ``x``, or a lapse out of range.
    """
    subjects, slopes = len(covariance), int(checks.slope_of_subject.max(initial=-1)) + 1
    if not len(checks.passed):
        raise ValueError("0 checks; expected at least one")
    if not 0.0 < noise.lapse < 1.0:
        raise ValueError(f"lapse {noise.lapse}; expected above 0 and below 1")
    if len(checks.slope_of_subject) != subjects:
        raise ValueError(f"slope_of_subject has {len(checks.slope_of_subject)} entries; expected {subjects}")
    prior = np.tile(np.eye(subjects + slopes), (len(noise.weight), 1, 1))
    prior[:, :subjects, :subjects] = np.linalg.inv(covariance) / noise.scale[:, None, None] ** 2
    sweep = _Sweep(checks, noise, prior, subjects)
    while sweep.step() > _SETTLED and sweep.rounds < _SWEEPS:
        pass
    return sweep.posterior()


class _Sweep:
    """One round after another of expectation propagation, all checks at once, damped."""

    def __init__(self, checks: Checks, noise: Noise, prior: Reals, subjects: int) -> None:
        self.checks, self.noise, self.prior, self.subjects = checks, noise, prior, subjects
        self.scenarios, self.coats = len(noise.weight), len(checks.subject_of_coat)
        self.slope_of_coat = checks.slope_of_subject[checks.subject_of_coat]
        self.rounds = 0
        self.sign = np.where(checks.passed, 1.0, -1.0)
        self.tau = np.zeros((self.scenarios, len(checks.passed)))
        self.nu = np.zeros_like(self.tau)
        # Beforehand every x is standard normal.
        self.at, self.slope = _straight_line(checks.log_age, np.zeros_like(self.tau), np.ones_like(self.tau))
        self._combine()

    def step(self) -> float:
        """One round; the largest move of a mean, in standard deviations."""
        before = self.mean_z
        self._look_from_outside()
        _, first, second = self._tilt()
        shrink = 1.0 + self.cavity_variance * second
        # A check that contradicts all others widens what it is met with; a negative precision would say so, but could
        # leave nothing proper behind. Its mean is kept, its widening is not.
        narrowing = second < 0.0
        tau = np.where(narrowing, -second / shrink, 0.0)
        nu = np.where(narrowing, (first - self.cavity_mean * second) / shrink, first)
        share = _DAMPING * _CALMER**self.rounds
        self.tau += share * (tau - self.tau)
        self.nu += share * (nu - self.nu)
        self._combine()
        if self.rounds % _STRAIGHTEN == 0:
            self._straighten()
        self.rounds += 1
        return float(np.max(np.abs(self.mean_z - before) / np.sqrt(self.variance_z)))

    def posterior(self) -> Posterior:
        """Where the rounds have led."""
        self._look_from_outside()
        expected, _, _ = self._tilt()
        return Posterior(
            weight=self._scenario_weights(expected),
            mean=self.mean,
            covariance=self.covariance,
            coat_precision=self.precision,
            coat_shift=self.n,
            coat_load=self.t,
            coat_slope=self.tb,
            slope=self.slope,
            site_precision=self.tau,
            site_shift=self.nu,
            cavity_mean=self.cavity_mean,
            cavity_variance=self.cavity_variance,
            expected=expected,
        )

    def _sums(self, values: Reals) -> Reals:
        """Sum over each coat's checks."""
        index = self.checks.coat + self.coats * np.arange(self.scenarios)[:, None]
        total = np.bincount(index.ravel(), values.ravel(), minlength=self.scenarios * self.coats)
        return np.asarray(total.reshape(self.scenarios, self.coats), np.float64)

    def _combine(self) -> None:
        """All factors and the prior into one normal, and from it each check's own."""
        self.t, self.tb = self._sums(self.tau), self._sums(self.tau * self.slope)
        self.n, nb = self._sums(self.nu), self._sums(self.nu * self.slope)
        tbb = self._sums(self.tau * self.slope**2)
        self.precision = 1.0 / self.noise.coat_sd[:, None] ** 2 + self.t
        u, x = self.checks.subject_of_coat, self.subjects + self.slope_of_coat
        precision = self.prior.copy()
        right = np.zeros(precision.shape[:2])
        cross = self.tb - self.t * self.tb / self.precision
        every = np.arange(self.scenarios)[:, None]
        np.add.at(precision, (every, u, u), self.t - self.t**2 / self.precision)
        np.add.at(precision, (every, u, x), cross)
        np.add.at(precision, (every, x, u), cross)
        np.add.at(precision, (every, x, x), tbb - self.tb**2 / self.precision)
        np.add.at(right, (every, u), self.n - self.t * self.n / self.precision)
        np.add.at(right, (every, x), nb - self.tb * self.n / self.precision)
        self.covariance: Reals = np.asarray(np.linalg.inv(precision), np.float64)
        self.mean = np.einsum("sij,sj->si", self.covariance, right)
        self.quadratic = np.einsum("si,si->s", right, self.mean) + (self.n**2 / self.precision).sum(1)
        self._each_check()

    def _each_check(self) -> None:
        coat = self.checks.coat
        u = self.checks.subject_of_coat[coat]
        x = self.subjects + self.slope_of_coat[coat]
        inverse = 1.0 / self.precision[:, coat]
        on_u = 1.0 - self.t[:, coat] * inverse
        on_x = self.slope - self.tb[:, coat] * inverse
        self.mean_z = on_u * self.mean[:, u] + on_x * self.mean[:, x] + self.n[:, coat] * inverse
        self.variance_z = (
            on_u**2 * self.covariance[:, u, u]
            + 2.0 * on_u * on_x * self.covariance[:, u, x]
            + on_x**2 * self.covariance[:, x, x]
            + inverse
        )

    def _look_from_outside(self) -> None:
        """Each check's u + c + slope·x as all other checks have it."""
        self.cavity_variance = 1.0 / (1.0 / self.variance_z - self.tau)
        self.cavity_mean = self.cavity_variance * (self.mean_z / self.variance_z - self.nu)

    def _tilt(self) -> tuple[Reals, Reals, Reals]:
        """Probability that the others give to what each check found; its log's two derivatives by their mean."""
        lapse = self.noise.lapse
        variance = self.noise.check_sd[:, None] ** 2 + self.checks.log_age_sd**2 + self.cavity_variance
        q = self.sign * (self.at - self.cavity_mean) / np.sqrt(variance)
        density = (1.0 - lapse) * np.exp(-0.5 * q * q) / np.sqrt(2.0 * np.pi)
        probability = 0.5 * lapse + (1.0 - lapse) * ndtr(q)
        first = -self.sign * density / (np.sqrt(variance) * probability)
        return probability, first, -(first**2) - q * density / (variance * probability)

    def _straighten(self) -> None:
        x = self.subjects + self.slope_of_coat[self.checks.coat]
        self.at, self.slope = _straight_line(self.checks.log_age, self.mean[:, x], np.sqrt(self.covariance[:, x, x]))
        self._combine()

    def _scenario_weights(self, expected: Reals) -> Reals:
        """Each scenario's probability: the one beforehand times that of the checks under it."""
        stretch = 1.0 + self.tau * self.cavity_variance
        joint = self.cavity_mean / self.cavity_variance + self.nu
        exponent = joint**2 / (1.0 / self.cavity_variance + self.tau) - self.cavity_mean**2 / self.cavity_variance
        factors = (np.log(expected) + 0.5 * np.log(stretch) - 0.5 * exponent).sum(1)
        prior = np.linalg.slogdet(self.prior)[1] - 2.0 * self.coats * np.log(self.noise.coat_sd)
        determinant = np.log(self.precision).sum(1) - np.linalg.slogdet(self.covariance)[1]
        evidence = factors + 0.5 * (prior - determinant + self.quadratic)
        weight = self.noise.weight * np.exp(evidence - evidence.max())
        return np.asarray(weight / weight.sum())


def _straight_line(log_age: Reals, mean: Reals, sd: Reals) -> tuple[Reals, Reals]:
    """ln age as a straight line in x where x is likely: value at x = 0, and minus the slope, for every check."""
    low, middle, high = (at_standard(log_age, mean + step * sd) for step in (-_SPREAD, 0.0, _SPREAD))
    slope = (high - low) / (2.0 * _SPREAD * sd)
    value = (low + 4.0 * middle + high) / 6.0
    return value - slope * mean, -slope


def at_standard(log_age: Reals, x: Reals) -> Reals:
    """Tabulated ln age at any ``x``, linear between nodes and held beyond the ends.

    Parameters
    ----------
    log_age : array, (checks, STANDARD_NODES)
        As in :class:`Checks`.
    x : array, (..., checks)
        In standard deviations.
    """
    step = STANDARD_NODES[1] - STANDARD_NODES[0]
    place = np.clip((x - STANDARD_NODES[0]) / step, 0.0, len(STANDARD_NODES) - 1.0)
    left = np.minimum(place.astype(np.int64), len(STANDARD_NODES) - 2)
    part = place - left
    check = np.arange(len(log_age))
    return np.asarray((1.0 - part) * log_age[check, left] + part * log_age[check, left + 1])


def cumulative(normal: Reals) -> Reals:
    """Share of a standard normal that lies below."""
    return np.asarray(ndtr(normal))


def spread_evenly(count: int, dimensions: int) -> Reals:
    """Standard normal numbers that fill the space evenly, always the same, (count, dimensions).

    An additive recurrence with the powers of the root of r^(d+1) = r + 1, the golden ratio's kin, turned into normals
    and straightened so that means, variances and covariances are exactly 0, 1 and 0.

    Raises
    ------
    ValueError
        If there are fewer than twice as many draws as dimensions.
    """
    if count < 2 * dimensions:
        raise ValueError(f"count {count}; expected at least {2 * dimensions} in {dimensions} dimensions")
    root = 1.5
    for _ in range(64):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    draws = ndtri((0.5 + np.arange(1.0, count + 1)[:, None] * steps) % 1.0)
    draws -= draws.mean(0)
    return np.asarray(np.linalg.solve(np.linalg.cholesky(draws.T @ draws / count), draws.T).T)
