"""What the finisher's own checks tell of how long each stage of each material takes in this shop.

A data sheet gives a range; the shop's own time is that range's middle, moved by what is particular to the shop, the
chemistry, the material and the stage, and by what one coat has of its own. Every check, "not yet" or "yes", narrows
these, those of other stages and other materials a little as well. How is in :mod:`collector.physics.censored`; what
comes out, and how well it holds, in ``docs/learning.md``.

Nothing here is stored or drawn at random: :func:`learn` works from the checks there are, so that a check withdrawn is a
check never made, and the same checks give the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice.evidence import Evidence, Priors, Subject
from collector.physics import censored
from collector.physics.censored import Checks, Noise, Posterior

Reals = npt.NDArray[np.float64]

DRAWS: Final = 400

TYPICAL: Final = Priors()

ODD: Final = 0.25
"""A check is called odd when, from all the others, it is a mistake with more than this probability."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Equally plausible or weighted pairs of stage time and activation energy.

    Attributes
    ----------
    stage_h : array
        Time to the stage at the sheet's conditions. [h]
    activation_energy_kj_mol : array
        The driver's, belonging to the same draw. [kJ/mol]
    weight : array
        Adding up to 1.
    """

    stage_h: Reals
    activation_energy_kj_mol: Reals
    weight: Reals

    def quantile(self, *shares: float) -> tuple[float, ...]:
        """Stage times below which these shares lie. [h]"""
        return weighted_quantiles(self.stage_h, self.weight, shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What one check did to an estimate.

    Attributes
    ----------
    check_id, coat_id, stage, material, at, passed
        The check.
    moved : float
        The median with the check over the median without it.
    expected : float
        Probability that all the other checks gave to what this one found.
    odd : bool
        Whether it contradicts the others: see :meth:`Learned.odd`.
    """

    check_id: int
    coat_id: int
    material: str
    stage: str
    at: datetime
    passed: bool
    moved: float
    expected: float
    odd: bool

    @property
    def words(self) -> str:
        """What it did, for people."""
        per_cent = 100.0 * (self.moved - 1.0)
        if abs(per_cent) < 1.0:
            effect = "hardly moved the estimate"
        else:
            effect = f"made the estimate {abs(per_cent):.0f} % {'longer' if per_cent > 0 else 'shorter'}"
        return f"{effect}; it contradicts the other checks" if self.odd else effect


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimate:
    """How long a stage takes, and what that rests on.

    Attributes
    ----------
    subject : Subject
        Of which stage and material.
    draws : Draws
        For the next coat, or the coat asked for.
    p10_h, p50_h, p90_h : float
        Of ``draws``. [h]
    checks, coats : int
        How many checks of this very stage and material there are, and of how many coats.
    other_checks : int
        How many there are of other stages and materials.
    """

    subject: Subject
    draws: Draws
    p10_h: float
    p50_h: float
    p90_h: float
    checks: int
    coats: int
    other_checks: int

    @property
    def words(self) -> str:
        """What was learned, for people."""
        low, middle, high = (h / self.subject.sheet_middle_h for h in (self.p10_h, self.p50_h, self.p90_h))
        ratio = f"{middle:.1f} times the middle of the data sheet's range (8 in 10 coats: {low:.1f} to {high:.1f})"
        if self.checks:
            return f"From {_count(self.checks, 'check')} of {_count(self.coats, 'coat')}: {ratio}."
        if self.other_checks:
            return (
                f"Not checked yet; {_count(self.other_checks, 'check')} of other stages or materials suggest {ratio}."
            )
        return "No checks yet: the data sheet's range, widened by how far data sheets are apart."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learned:
    """What all checks of a shop tell; made by :func:`learn`."""

    priors: Priors
    evidence: tuple[Evidence, ...]
    subjects: tuple[Subject, ...]
    posterior: Posterior | None
    _inverse: Reals = field(repr=False)
    _places: dict[tuple[str, str], int] = field(repr=False)
    _slopes: dict[tuple[str, str], int] = field(repr=False)
    _coats: dict[tuple[int, str, str], int] = field(repr=False)
    _checks: Checks | None = field(repr=False)

    def estimate(self, subject: Subject, *, coat_id: int | None = None, draws: int = DRAWS) -> Estimate:
        """Time to a stage of the next coat, or of a coat in hand.

        Parameters
        ----------
        subject : Subject
            Any stage of any material, checked or not. If checked, the sheet of the latest check counts.
        coat_id : int or None
            A coat whose own checks of this stage then count for it as a coat; None for one not sprayed yet.
        draws : int
            How many.
        """
        normal, level = _even(draws)
        noise, at = self.priors.noise(), self._places.get(subject.key)
        subject = subject if at is None else self.subjects[at]
        scenario = np.searchsorted(np.cumsum(self._weight())[:-1], level, side="right")
        coat = self._coats.get((coat_id, *subject.key)) if coat_id is not None else None
        if coat is None or at is None or self.posterior is None or self._checks is None:
            mean, covariance = self._next(subject)
            covariance[:, 0, 0] += noise.coat_sd**2
        else:
            x = len(self.subjects) + int(self._checks.slope_of_subject[at])
            mean, covariance = self.posterior.coat_moments(coat, at, x)
        pair = mean[scenario] + np.einsum("dij,dj->di", np.linalg.cholesky(covariance)[scenario], normal)
        chosen = np.full(draws, 1.0 / draws)
        if coat is not None:
            chosen = self._reweigh(coat, pair, scenario, noise)
        made = Draws(
            stage_h=subject.sheet_middle_h * np.exp(pair[:, 0]),
            activation_energy_kj_mol=subject.activation_energy_kj_mol
            * np.exp(subject.activation_energy_log_sd * pair[:, 1]),
            weight=chosen,
        )
        own = [e for e in self.evidence if e.subject.key == subject.key]
        p10, p50, p90 = made.quantile(0.1, 0.5, 0.9)
        return Estimate(
            subject=subject,
            draws=made,
            p10_h=p10,
            p50_h=p50,
            p90_h=p90,
            checks=len(own),
            coats=len({e.coat_id for e in own}),
            other_checks=len(self.evidence) - len(own),
        )

    def influences(self, subject: Subject) -> tuple[Influence, ...]:
        """What each check did to the median of the next coat's time, the greatest mover first."""
        if self.posterior is None or self._checks is None:
            return ()
        p, checks = self.posterior, self._checks
        u = checks.subject_of_coat[checks.coat]
        x = len(self.subjects) + checks.slope_of_subject[u]
        inverse = 1.0 / p.coat_precision[:, checks.coat]
        on_u, on_x = 1.0 - p.coat_load[:, checks.coat] * inverse, p.slope - p.coat_slope[:, checks.coat] * inverse
        share, _ = self._share(subject)
        with_target = np.einsum("k,skj->sj", share, p.covariance[:, : len(share), :])
        both = on_u * with_target[:, u] + on_x * with_target[:, x]
        # Taking a check's factor out of the joint normal moves its own mean from what it is to the cavity's, and the
        # target's by regression.
        variance = 1.0 / (1.0 / p.cavity_variance + p.site_precision)
        mean = variance * (p.cavity_mean / p.cavity_variance + p.site_shift)
        moved = np.exp(p.weight @ (both / variance * (mean - p.cavity_mean)))
        expected, odd = self._expected(), self.odd()
        found = [
            Influence(
                check_id=e.check_id,
                coat_id=e.coat_id,
                material=e.subject.material,
                stage=e.subject.stage,
                at=e.at,
                passed=e.passed,
                moved=float(moved[i]),
                expected=float(expected[i]),
                odd=e.check_id in odd,
            )
            for i, e in enumerate(self.evidence)
        ]
        return tuple(sorted(found, key=lambda one: -abs(np.log(one.moved))))

    def odd(self) -> frozenset[int]:
        """Checks that contradict the others: more likely than :data:`ODD` a mistake, with two others to say so."""
        if self.posterior is None:
            return frozenset()
        mistake = 0.5 * self.priors.lapse / self._expected()
        counts: dict[tuple[str, str], int] = {}
        for e in self.evidence:
            counts[e.subject.key] = counts.get(e.subject.key, 0) + 1
        return frozenset(
            e.check_id for e, p in zip(self.evidence, mistake, strict=True) if p > ODD and counts[e.subject.key] > 2
        )

    def _expected(self) -> Reals:
        assert self.posterior is not None
        return np.asarray(self.posterior.weight @ self.posterior.expected)

    def _weight(self) -> Reals:
        return self.priors.noise().weight if self.posterior is None else self.posterior.weight

    def _share(self, subject: Subject) -> tuple[Reals, float]:
        """How a subject's u follows from those checked, and the variance that is left."""
        at = self._places.get(subject.key)
        if at is not None:
            return np.eye(len(self.subjects))[at], 0.0
        with_checked = np.array([self.priors.covariance(subject, s) for s in self.subjects])
        share = self._inverse @ with_checked
        return share, self.priors.covariance(subject, subject) - float(share @ with_checked)

    def _next(self, subject: Subject) -> tuple[Reals, Reals]:
        """Mean and covariance of a subject's u and x, a scenario a row."""
        squared = self.priors.noise().scale ** 2
        scenarios = len(squared)
        mean, covariance = np.zeros((scenarios, 2)), np.zeros((scenarios, 2, 2))
        covariance[:, 1, 1] = 1.0
        if self.posterior is None:
            covariance[:, 0, 0] = squared * self.priors.covariance(subject, subject)
            return mean, covariance
        share, left = self._share(subject)
        n, p = len(share), self.posterior
        mean[:, 0] = p.mean[:, :n] @ share
        covariance[:, 0, 0] = np.einsum("i,sij,j->s", share, p.covariance[:, :n, :n], share) + squared * left
        x = self._slopes.get((subject.material, subject.driver))
        if x is not None:
            mean[:, 1] = p.mean[:, n + x]
            covariance[:, 1, 1] = p.covariance[:, n + x, n + x]
            covariance[:, 0, 1] = covariance[:, 1, 0] = p.covariance[:, :n, n + x] @ share
        return mean, covariance

    def _reweigh(self, coat: int, pair: Reals, scenario: npt.NDArray[np.int64], noise: Noise) -> Reals:
        """Weights that put a coat's own checks back in place of the normal factors that stand for them."""
        assert self.posterior is not None and self._checks is not None
        p = self.posterior
        log_weight = np.zeros(len(pair))
        for i in np.flatnonzero(self._checks.coat == coat):
            z = pair[:, 0] + p.slope[scenario, i] * pair[:, 1]
            log_weight -= p.site_shift[scenario, i] * z - 0.5 * p.site_precision[scenario, i] * z**2
            age = censored.at_standard(self._checks.log_age[[i]], pair[:, 1:])[:, 0]
            blur = np.hypot(noise.check_sd[scenario], self._checks.log_age_sd[i])
            yes = censored.probability_of_yes(age - pair[:, 0], blur, noise.lapse)
            log_weight += np.log(yes if self._checks.passed[i] else 1.0 - yes)
        weight = np.exp(log_weight - log_weight.max())
        # The scenarios keep their shares: the normal factors' constants differ between them.
        share = np.bincount(scenario, minlength=len(p.weight)) / len(pair)
        total = np.bincount(scenario, weight, minlength=len(p.weight))
        weight *= (share / np.where(total > 0.0, total, 1.0))[scenario]
        return np.asarray(weight / weight.sum())


def learn(evidence: Sequence[Evidence], priors: Priors = TYPICAL) -> Learned:
    """What the checks of a shop tell.

    Parameters
    ----------
    evidence : sequence of Evidence
        All checks that stand, in any order.
    priors : Priors
        What holds before them.

    Raises
    ------
    ValueError
        If two checks have the same id.
    """
    ordered = sorted(evidence, key=lambda e: (e.at, e.check_id))
    if len({e.check_id for e in ordered}) < len(ordered):
        raise ValueError("check_id occurs twice; expected every check once")
    newest = {e.subject.key: e.subject for e in ordered}
    subjects = tuple(newest[key] for key in sorted(newest))
    place = {s.key: i for i, s in enumerate(subjects)}
    slopes: dict[tuple[str, str], int] = {}
    slope_of_subject = [slopes.setdefault((s.material, s.driver), len(slopes)) for s in subjects]
    coats: dict[tuple[int, str, str], int] = {}
    coat = [coats.setdefault((e.coat_id, *e.subject.key), len(coats)) for e in ordered]
    covariance = np.array([[priors.covariance(a, b) for b in subjects] for a in subjects]).reshape(
        len(subjects), len(subjects)
    )
    checks, posterior = None, None
    if ordered:
        checks = Checks(
            log_age=np.array([e.log_age_ratio(newest[e.subject.key]) for e in ordered]),
            log_age_sd=np.array([e.age_log_sd for e in ordered]),
            passed=np.array([e.passed for e in ordered]),
            coat=np.array(coat),
            subject_of_coat=np.array([place[material, stage] for _, material, stage in coats]),
            slope_of_subject=np.array(slope_of_subject),
        )
        posterior = censored.infer(checks, covariance, priors.noise())
    return Learned(
        priors=priors,
        evidence=tuple(ordered),
        subjects=subjects,
        posterior=posterior,
        _inverse=np.linalg.inv(covariance) if ordered else covariance,
        _places=place,
        _slopes=slopes,
        _coats=coats,
        _checks=checks,
    )


@cache
def _even(draws: int) -> tuple[Reals, Reals]:
    """Two standard normals a draw, and a number from 0 to 1."""
    spread = censored.spread_evenly(draws, 3)
    return spread[:, :2], censored.cumulative(spread[:, 2])


def weighted_quantiles(values: Reals, weight: Reals, shares: Sequence[float]) -> tuple[float, ...]:
    """Values below which given shares of the weight lie, between draws by straight line."""
    order = np.argsort(values)
    cumulative = np.cumsum(weight[order])
    centre = (cumulative - 0.5 * weight[order]) / cumulative[-1]
    return tuple(float(v) for v in np.interp(shares, centre, values[order]))


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
