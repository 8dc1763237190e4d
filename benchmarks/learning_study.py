"""How well learning from the finisher's checks holds: simulated shops, coverage of its intervals, and their width.

Every shop is made up from the priors, or from a set that breaks every assumption at once; its finisher sprays coats and
presses a thumb on them during working hours until the answer is yes. Before each coat the tool says its interval for
the time the coat will take, through that coat's own temperatures; the simulation knows the true time. By default a
tenth of the shops is made; ``TACKFREE_BENCH_FULL=1`` makes all, as docs/learning.md reports them.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from collector.advice.evidence import ENERGIES_KJ_MOL, Evidence, Priors, Subject
from collector.advice.learning import TYPICAL, Learned, learn, weighted_quantiles
from collector.physics.cure import rate

Reals = npt.NDArray[np.float64]

SHOPS: Final = 500
COATS: Final = 30
DAYS: Final = 240
MOST_CHECKS: Final = 8
AGAIN: Final = 1.0 / 3.0
"""Share of coats predicted again after a first check that said "not yet"."""
START: Final = datetime(2026, 1, 5, tzinfo=UTC)
REFERENCE_C: Final = 23.0


def _stage(material: str, chemistry: str, stage: str, driver: str, low_h: float, high_h: float) -> Subject:
    return Subject(
        material=material, stage=stage, chemistry=chemistry, driver=driver, sheet_low_h=low_h, sheet_high_h=high_h
    )


MATERIALS: Final = [
    [
        _stage("clear", "lacquer", "dry_to_recoat", "evaporation", 0.5, 2.0),
        _stage("clear", "lacquer", "tape_ready", "diffusion", 12.0, 48.0),
    ],
    [
        _stage("colour", "lacquer", "dry_to_recoat", "evaporation", 0.5, 1.5),
        _stage("colour", "lacquer", "tape_ready", "diffusion", 12.0, 36.0),
    ],
    [
        _stage("two-pack", "urethane", "tack_free", "reaction", 1.0, 3.0),
        _stage("two-pack", "urethane", "sand_ready", "reaction", 16.0, 48.0),
    ],
]
"""Three materials, two stages each; sheet ranges of three to four times, as published ones have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """How the simulated shops differ from what the tool takes for granted.

    Attributes
    ----------
    degrees_of_freedom : float
        Of Student's t for all effects, scatter of coats included, with the same middle half as the priors' normal;
        infinite is normal.
    check_noise : float
        Noise of checks over the prior's.
    lapse : float
        Share of checks that tell nothing.
    sheet_bias : float
        True times over what the sheets lead to expect.
    energy_kj_mol : float
        Median activation energy; the tool takes 50.
    sensor_offset_k : float
        Standard deviation of a constant error of each shop's thermometer. [K]
    """

    degrees_of_freedom: float = np.inf
    check_noise: float = 1.0
    lapse: float = TYPICAL.lapse
    sheet_bias: float = 1.0
    energy_kj_mol: float = 50.0
    sensor_offset_k: float = 0.0


RIGHT: Final = World()
WRONG: Final = World(
    degrees_of_freedom=3.0,
    check_noise=2.0,
    lapse=0.08,
    sheet_bias=1.3,
    energy_kj_mol=65.0,
    sensor_offset_k=1.5,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """One entry a prediction, made before its coat was sprayed.

    Attributes
    ----------
    shop : array of int
        Which shop.
    in_hand : array of bool
        Whether the prediction was made again after its coat's first check had said "not yet".
    stage_checks, material_checks : array of int
        Checks of this stage of this material, and of the material, made before.
    below : array
        Share of the prediction that lies below the true time, 0 to 1.
    log_width, width_h : array
        Of the 90 % interval: ln of its ends' ratio, and hours over the middle of the sheet's range.
    odd, odd_lapses, checks, lapses : int
        Checks called odd at the end, those of them that told nothing and were wrong, all, and all such.
    """

    shop: npt.NDArray[np.int64]
    in_hand: npt.NDArray[np.bool_]
    stage_checks: npt.NDArray[np.int64]
    material_checks: npt.NDArray[np.int64]
    below: Reals
    log_width: Reals
    width_h: Reals
    odd: int
    odd_lapses: int
    checks: int
    lapses: int

    def coverage(self, where: npt.NDArray[np.bool_] | None = None, share: float = 0.9) -> tuple[float, float]:
        """Share of true times inside the middle ``share`` of their predictions, and its standard error by shops.

        Of all coats not yet sprayed, unless ``where`` says otherwise.
        """
        chosen = ~self.in_hand if where is None else where
        inside = np.abs(self.below[chosen] - 0.5) < share / 2.0
        mean = float(inside.mean())
        excess = np.bincount(self.shop[chosen], inside - mean)
        return mean, float(np.sqrt(np.sum(excess**2)) / len(inside))


class _Shop:
    """One simulated shop: what is true of it, its weather, and what its finisher has found so far."""

    def __init__(self, rng: np.random.Generator, world: World, priors: Priors) -> None:
        self.rng, self.world, self.priors = rng, world, priors
        subjects = [stage for material in MATERIALS for stage in material]
        self.scale = np.exp(priors.effects_spread * rng.normal())
        self.log_factor = dict(zip([s.key for s in subjects], self._effects(subjects), strict=True))
        self.coat_sd = priors.coat_sd * np.exp(priors.coat_sd_spread * rng.normal())
        self.check_sd = world.check_noise * priors.check_sd * np.exp(priors.check_sd_spread * rng.normal())
        hours = np.arange(24.0 * DAYS + 1.0)
        self.hours = hours
        true_c = self._weather(hours)
        self.seen_age = _gathered(true_c + world.sensor_offset_k * rng.normal(), ENERGIES_KJ_MOL)
        self.true_age = {}
        for s in subjects:
            if (s.material, s.driver) not in self.true_age:
                energy = world.energy_kj_mol * np.exp(s.activation_energy_log_sd * rng.normal())
                self.true_age[s.material, s.driver] = _gathered(true_c, np.array([energy]))[0]
        self.asks_tool = rng.random() < 0.5
        self.evidence: list[Evidence] = []
        self.lapsed: set[int] = set()

    def _effects(self, subjects: list[Subject]) -> Reals:
        """Drawn effect by effect, so that each may have its own heavy tail."""
        total = np.full(len(subjects), np.log(self.world.sheet_bias)) + self.scale * self.priors.shop_sd * self._one()
        drawn: dict[tuple[str, ...], float] = {}
        for i, s in enumerate(subjects):
            common = self.priors.shop_sd**2 + self.priors.chemistry_sd**2 + self.priors.material_sd**2
            stage_sd = np.sqrt(self.priors.covariance(s, s) - common)
            for key, sd in (
                (("chemistry", s.chemistry), self.priors.chemistry_sd),
                (("material", s.material), self.priors.material_sd),
                (("stage", *s.key), stage_sd),
            ):
                if key not in drawn:
                    drawn[key] = self.scale * sd * self._one()
                total[i] += drawn[key]
        return total

    def _one(self) -> float:
        df = self.world.degrees_of_freedom
        if np.isinf(df):
            return float(self.rng.normal())
        return float(self.rng.standard_t(df) * ndtri(0.75) / stdtrit(df, 0.75))

    def _weather(self, hours: Reals) -> Reals:
        """A heated shop: warm by day, cooler by night, and days that differ."""
        day_c, setback_k = self.rng.uniform(17.0, 24.0), self.rng.uniform(0.0, 6.0)
        days = self.rng.normal(0.0, 1.0, DAYS + 2).cumsum() * 0.3
        days -= np.linspace(0.0, days[-1], len(days))
        wave = 0.5 - 0.5 * np.cos(2.0 * np.pi * (hours - 3.0) / 24.0)
        return np.asarray(day_c - setback_k * (1.0 - wave) + np.interp(hours / 24.0, np.arange(DAYS + 2), days))

    def clock_h(self, ages: Reals, start_h: float, stage_h: Reals) -> Reals:
        """Clock hours after ``start_h`` at which each row of ages has gathered each stage time, (rows, times)."""
        rows = np.atleast_2d(ages)
        return np.array([np.interp(np.interp(start_h, self.hours, r) + stage_h, r, self.hours) for r in rows]) - start_h

    def predict(
        self, learned: Learned, subject: Subject, start_h: float, coat_id: int | None = None
    ) -> tuple[Reals, Reals]:
        """Clock hours a coat will take, as draws, and their weights."""
        draws = learned.estimate(subject, coat_id=coat_id).draws
        table = self.clock_h(self.seen_age, start_h, draws.stage_h)
        at = np.interp(draws.activation_energy_kj_mol, ENERGIES_KJ_MOL, np.arange(len(ENERGIES_KJ_MOL)))
        left = np.minimum(at.astype(int), len(ENERGIES_KJ_MOL) - 2)
        column = np.arange(len(at))
        return table[left, column] * (1.0 - at + left) + table[left + 1, column] * (at - left), draws.weight

    def spray(self, subject: Subject, coat_id: int, start_h: float, expected_h: float) -> float:
        """Spray a coat, check it until yes; the true clock time it took. [h]"""
        scatter = self.coat_sd * self._one()
        stage_h = subject.sheet_middle_h * np.exp(self.log_factor[subject.key] + scatter)
        truth = self.true_age[subject.material, subject.driver]
        true_h = float(self.clock_h(truth, start_h, np.array([stage_h]))[0, 0])
        first = expected_h * self.rng.uniform(0.8, 1.1) if self.asks_tool else None
        waited = first or subject.sheet_middle_h * self.rng.uniform(0.5, 1.2)
        for _ in range(MOST_CHECKS):
            at_h = _working_hours(start_h + waited)
            if at_h > self.hours[-1]:
                break
            waited = at_h - start_h
            passed = self._press(truth, start_h, at_h, stage_h)
            check_id = len(self.evidence)
            age_h = np.array(
                [np.interp(at_h, self.hours, r) - np.interp(start_h, self.hours, r) for r in self.seen_age]
            )
            self.evidence.append(
                Evidence(
                    subject=subject,
                    age_h=age_h,
                    passed=passed,
                    check_id=check_id,
                    coat_id=coat_id,
                    at=START + timedelta(hours=at_h),
                )
            )
            if passed or self.rng.random() < 0.1:
                break
            waited *= 1.0 + self.rng.uniform(0.15, 0.5)
        return true_h

    def _press(self, truth: Reals, start_h: float, at_h: float, stage_h: float) -> bool:
        age_h = np.interp(at_h, self.hours, truth) - np.interp(start_h, self.hours, truth)
        right = bool(age_h > stage_h)
        if self.rng.random() < self.world.lapse:
            told = bool(self.rng.random() < 0.5)
            if told != right:
                self.lapsed.add(len(self.evidence))
            return told
        return bool(np.log(age_h / stage_h) + self.check_sd * self.rng.normal() > 0.0)


def simulate(world: World, *, shops: int, seed: int, coats: int = COATS, priors: Priors = TYPICAL) -> Results:
    """Let shops of one world work, and the tool predict every coat beforehand."""
    rows: list[tuple[float, ...]] = []
    odd = odd_lapses = checks = lapses = 0
    for number in range(shops):
        rng = np.random.default_rng([seed, number])
        shop = _Shop(rng, world, priors)
        start_h = 8.0
        for coat_id in range(coats):
            start_h = _working_hours(start_h + rng.uniform(2.0, 72.0))
            stages = MATERIALS[rng.integers(len(MATERIALS))]
            learned = learn(shop.evidence, priors)
            for subject in stages if rng.random() < 0.5 else [stages[rng.integers(2)]]:
                before = len(shop.evidence)
                prediction = shop.predict(learned, subject, start_h)
                true_h = shop.spray(subject, coat_id, start_h, weighted_quantiles(*prediction, [0.5])[0])
                rows.append((number, 0, *_row(learned, subject, prediction, true_h)))
                if before < len(shop.evidence) and not shop.evidence[before].passed and rng.random() < AGAIN:
                    again = learn(shop.evidence[: before + 1], priors)
                    prediction = shop.predict(again, subject, start_h, coat_id)
                    rows.append((number, 1, *_row(again, subject, prediction, true_h)))
        flagged = learn(shop.evidence, priors).odd()
        odd, odd_lapses = odd + len(flagged), odd_lapses + len(flagged & shop.lapsed)
        checks, lapses = checks + len(shop.evidence), lapses + len(shop.lapsed)
    table = np.array(rows)
    return Results(
        shop=table[:, 0].astype(np.int64),
        in_hand=table[:, 1] > 0,
        stage_checks=table[:, 2].astype(np.int64),
        material_checks=table[:, 3].astype(np.int64),
        below=table[:, 4],
        log_width=table[:, 5],
        width_h=table[:, 6],
        odd=odd,
        odd_lapses=odd_lapses,
        checks=checks,
        lapses=lapses,
    )


def _row(learned: Learned, subject: Subject, prediction: tuple[Reals, Reals], true_h: float) -> tuple[float, ...]:
    """Numbers of checks, share of the prediction below the truth, and the 90 % interval's width in both measures."""
    clock_h, weight = prediction
    low, high = weighted_quantiles(clock_h, weight, (0.05, 0.95))
    return (
        sum(e.subject.key == subject.key for e in learned.evidence),
        sum(e.subject.material == subject.material for e in learned.evidence),
        float(np.sum(weight[clock_h < true_h])),
        float(np.log(high / low)),
        (high - low) / subject.sheet_middle_h,
    )


def report(name: str, results: Results) -> list[str]:
    """A table of coverage and width."""
    new = ~results.in_hand
    mean, error = results.coverage()
    hand, hand_error = results.coverage(results.in_hand)
    early, late = np.mean(results.below[new] < 0.05), np.mean(results.below[new] > 0.95)
    lines = [
        f"{name}: {results.shop.max() + 1} shops, {new.sum()} coats predicted, {results.checks} checks",
        f"   inside the 90 % interval {100 * mean:.1f} % (standard error {100 * error:.1f}), "
        f"before it {100 * early:.1f} %, after it {100 * late:.1f} %; "
        + ", ".join(f"inside {100 * s:.0f} %: {100 * results.coverage(share=s)[0]:.1f} %" for s in (0.5, 0.8)),
        f'   again after the coat\'s first "not yet": {results.in_hand.sum()} predictions, '
        f"inside 90 % {100 * hand:.1f} % (standard error {100 * hand_error:.1f})",
        f"   called odd: {results.odd} checks, of these lapses {results.odd_lapses}; all wrong lapses {results.lapses}",
    ]
    for label, count in (("stage", results.stage_checks), ("material", results.material_checks)):
        none = new & (count == 0)
        width0, hours0 = np.median(results.log_width[none]), np.median(results.width_h[none])
        lines.append(f"   checks of the {label:8}  predictions  inside 90 %   ln(P95/P5)      width, sheet middles")
        for low, high in ((0, 0), (1, 2), (3, 4), (5, 6), (7, 8), (9, 12), (13, 20), (21, 999)):
            here = new & (count >= low) & (count <= high)
            if here.sum() < 10:
                continue
            width, hours = np.median(results.log_width[here]), np.median(results.width_h[here])
            span = f"{low}" if low == high else f"{low} to {high}" if high < 999 else f"{low} and more"
            lines.append(
                f"   {span:21} {here.sum():12} {100 * results.coverage(here)[0]:12.1f}"
                f"   {width:5.2f} ({width / width0:4.2f})   {hours:5.2f} ({hours / hours0:4.2f})"
            )
    return lines


def run() -> list[str]:
    """Both worlds."""
    shops = SHOPS if os.environ.get("TACKFREE_BENCH_FULL") == "1" else SHOPS // 10
    lines = []
    for name, world, seed in (("as taken for granted", RIGHT, 1), ("all assumptions broken", WRONG, 2)):
        lines += report(name, simulate(world, shops=shops, seed=seed))
    return [*lines, _timing()]


def _timing(shops: int = 3) -> str:
    """Learning from all checks of a large shop: several simulated ones, each with its own materials, as one."""
    evidence: list[Evidence] = []
    for number in range(shops):
        rng = np.random.default_rng([3, number])
        shop = _Shop(rng, RIGHT, TYPICAL)
        for coat_id in range(COATS):
            for subject in MATERIALS[coat_id % len(MATERIALS)]:
                shop.spray(subject, coat_id, _working_hours(60.0 * coat_id + 10.0), subject.sheet_middle_h)
        evidence += [
            replace(
                e,
                check_id=len(evidence) + e.check_id,
                coat_id=COATS * number + e.coat_id,
                subject=replace(e.subject, material=f"{e.subject.material} {number}"),
            )
            for e in shop.evidence
        ]
    spans = []
    for _ in range(10):
        began = time.perf_counter()
        learned = learn(evidence)
        middle = time.perf_counter()
        learned.estimate(evidence[0].subject)
        spans.append((middle - began, time.perf_counter() - middle))
    learning_s, estimate_s = np.min(spans, axis=0)
    return (
        f"learning from {len(evidence)} checks of {len(learned.subjects)} stages: {1000 * learning_s:.0f} ms; "
        f"an estimate {1000 * estimate_s:.2f} ms"
    )


def _gathered(temperature_c: Reals, energy_kj_mol: Reals) -> Reals:
    """Equivalent hours since the first, a row for each energy."""
    rates = np.asarray(rate(temperature_c, energy_kj_mol[:, None], REFERENCE_C))
    return np.concatenate([np.zeros((len(rates), 1)), np.cumsum((rates[:, 1:] + rates[:, :-1]) / 2.0, axis=1)], axis=1)


def _working_hours(at_h: float) -> float:
    """The same time, or eight next morning if the shop is closed by then."""
    hour = at_h % 24.0
    if hour < 8.0:
        return at_h - hour + 8.0
    return at_h if hour <= 18.0 else at_h - hour + 32.0


if __name__ == "__main__":
    print("\n".join(run()))
