"""Stage times from yes/no checks, held against exact integration and against closed forms."""

import numpy as np
import pytest
from scipy.special import ndtr

from collector.physics import censored
from collector.physics.censored import STANDARD_NODES, Checks, Noise


def noise(*, coat_sd=(0.15,), check_sd=(0.15,), scale=(1.0,), lapse=0.04):
    count = len(coat_sd)
    return Noise(
        coat_sd=np.array(coat_sd),
        check_sd=np.array(check_sd),
        scale=np.array(scale),
        weight=np.full(count, 1.0 / count),
        lapse=lapse,
    )


def checks(log_age, passed, coat, *, subject_of_coat=None, slope_of_subject=(0,), slope=0.0):
    """Checks of one subject unless told otherwise; ln age rises with the activation energy by ``slope``."""
    at_middle, passed = np.asarray(log_age, float), np.asarray(passed, bool)
    return Checks(
        log_age=at_middle[:, None] + np.broadcast_to(slope, at_middle.shape)[:, None] * STANDARD_NODES,
        log_age_sd=np.zeros(len(passed)),
        passed=passed,
        coat=np.asarray(coat),
        subject_of_coat=np.zeros(max(coat) + 1, int) if subject_of_coat is None else np.asarray(subject_of_coat),
        slope_of_subject=np.asarray(slope_of_subject),
    )


def exactly(given, sd, told):
    """Mean and sd of u and of x, and each scenario's probability, by summing over a fine grid of u, x and every c."""
    u, x, c = np.linspace(-2.5, 2.5, 401), np.linspace(-4, 4, 61), np.linspace(-4, 4, 81)
    moments, evidence = [], []
    for coat_sd, check_sd, scale in zip(told.coat_sd, told.check_sd, told.scale, strict=True):
        posterior = np.exp(-0.5 * (u[:, None] / (sd * scale)) ** 2 - 0.5 * x**2)
        posterior /= posterior.sum()
        for coat in range(len(given.subject_of_coat)):
            inside = np.broadcast_to(np.exp(-0.5 * c**2) / np.exp(-0.5 * c**2).sum(), (len(u), len(x), len(c)))
            for i in np.flatnonzero(given.coat == coat):
                line = np.interp(x, STANDARD_NODES, given.log_age[i])
                excess = line[None, :, None] - u[:, None, None] - coat_sd * c
                yes = 0.5 * told.lapse + (1 - told.lapse) * ndtr(excess / check_sd)
                inside = inside * (yes if given.passed[i] else 1 - yes)
            posterior = posterior * inside.sum(2)
        evidence.append(posterior.sum())
        posterior /= posterior.sum()
        of_u, of_x = posterior.sum(1), posterior.sum(0)
        mean_u, mean_x = of_u @ u, of_x @ x
        moments.append((mean_u, np.sqrt(of_u @ u**2 - mean_u**2), mean_x, np.sqrt(of_x @ x**2 - mean_x**2)))
    weight = np.array(evidence) * told.weight
    return np.array(moments), weight / weight.sum()


@pytest.mark.parametrize(
    ("log_age", "passed", "coat"),
    [
        ([0.2], [False], [0]),
        ([-0.3, 0.1, 0.4], [False, False, True], [0, 0, 0]),
        ([-0.2, 0.3, -0.1, 0.5, 0.2], [False, True, False, True, True], [0, 0, 1, 1, 2]),
    ],
    ids=["one not-yet", "one coat until yes", "three coats"],
)
def test_mean_spread_and_evidence_are_those_of_exact_integration(log_age, passed, coat):
    given = checks(log_age, passed, coat, slope=-0.2)
    told = noise(coat_sd=(0.15, 0.30), check_sd=(0.15, 0.10), scale=(1.0, 1.5))
    found = censored.infer(given, np.array([[0.25]]), told)
    moments, weight = exactly(given, 0.5, told)
    spread = np.sqrt(np.diagonal(found.covariance, axis1=1, axis2=2))
    # Normal factors in place of the checks: means within 8 % of the spread, spreads within 7 %.
    assert np.abs(found.mean[:, 0] - moments[:, 0]) == pytest.approx(np.zeros(2), abs=0.08 * moments[:, 1].min())
    assert spread[:, 0] == pytest.approx(moments[:, 1], rel=0.07)
    assert found.mean[:, 1] == pytest.approx(moments[:, 2], abs=0.05)
    assert spread[:, 1] == pytest.approx(moments[:, 3], rel=0.04)
    assert found.weight == pytest.approx(weight, abs=0.02)


def test_what_all_others_expect_of_a_check_is_the_exact_probability_without_it():
    told = noise()
    given = checks([-0.2, 0.3, 0.1], [False, True, False], [0, 0, 1])
    without = checks([-0.2, 0.3], [False, True], [0, 0])
    found = censored.infer(given, np.array([[0.25]]), told)
    u = np.linspace(-2.5, 2.5, 4001)
    mean, sd = exactly(without, 0.5, told)[0][0, :2]
    no = 1 - (0.02 + 0.96 * ndtr((0.1 - u) / np.hypot(0.15, 0.15)))  # a coat of its own: scatter adds to noise
    density = np.exp(-0.5 * ((u - mean) / sd) ** 2)
    assert found.expected[0, 2] == pytest.approx(float(no @ density / density.sum()), abs=0.01)


def test_a_subject_never_checked_follows_by_regression():
    # Whatever is learned of one of two jointly normal quantities moves the other by covariance over variance.
    covariance = np.array([[0.30, 0.12], [0.12, 0.25]])
    given = checks([0.5, 0.6, 0.9], [False, False, True], [0, 1, 2], slope_of_subject=(0, 1))
    found = censored.infer(given, covariance, noise())
    first, second = found.mean[0, :2]
    assert second == pytest.approx(first * 0.12 / 0.30, rel=1e-6)
    share = 0.12 / 0.30
    assert found.covariance[0, 1, 1] == pytest.approx(
        share**2 * found.covariance[0, 0, 0] + 0.25 - share * 0.12, rel=1e-6
    )


def test_many_checks_find_the_true_time():
    rng = np.random.default_rng(5)
    coat = np.repeat(np.arange(120), 3)
    c = 0.15 * rng.normal(size=120)
    log_age = np.tile([0.1, 0.4, 0.7], 120) + rng.uniform(-0.1, 0.1, 360)
    passed = log_age - 0.4 - c[coat] + 0.15 * rng.normal(size=360) > 0
    found = censored.infer(checks(log_age, passed, coat), np.array([[0.25]]), noise())
    sd = np.sqrt(found.covariance[0, 0, 0])
    assert sd < 0.03
    assert abs(found.mean[0, 0] - 0.4) < 3 * sd


@pytest.mark.parametrize(("lapse", "moved_most", "moved_least"), [(0.04, 0.03, 0.0), (1e-9, 9.0, 0.1)])
def test_one_odd_check_is_taken_for_a_mistake_only_if_mistakes_happen(lapse, moved_most, moved_least):
    steady = ([-0.1, 0.2] * 6, [False, True] * 6, list(np.repeat(np.arange(6), 2)))
    alone = censored.infer(checks(*steady), np.array([[0.25]]), noise(lapse=lapse))
    odd = checks([*steady[0], -0.9], [*steady[1], True], [*steady[2], 6])
    found = censored.infer(odd, np.array([[0.25]]), noise(lapse=lapse))
    assert moved_least <= abs(alone.mean[0, 0] - found.mean[0, 0]) <= moved_most


def test_a_less_certain_age_says_less():
    sure = checks([0.3, 0.6], [False, True], [0, 0])
    vague = Checks(
        log_age=sure.log_age,
        log_age_sd=np.full(2, 0.5),
        passed=sure.passed,
        coat=sure.coat,
        subject_of_coat=sure.subject_of_coat,
        slope_of_subject=sure.slope_of_subject,
    )
    prior = np.array([[0.25]])
    told, told_vaguely = (censored.infer(one, prior, noise()).covariance[0, 0, 0] for one in (sure, vague))
    assert told < told_vaguely < 0.25


def test_a_checked_coat_has_a_time_of_its_own():
    given = checks([-0.2, 0.1, 0.9], [False, True, False], [0, 0, 1])
    found = censored.infer(given, np.array([[0.25]]), noise(coat_sd=(0.3,)))
    early, late = (found.coat_moments(coat, 0, 1)[0][0, 0] for coat in (0, 1))
    assert early < found.mean[0, 0] < late


def test_the_same_checks_give_the_same_answer():
    given = checks([-0.2, 0.3, 0.1], [False, True, False], [0, 0, 1], slope=-0.1)
    first, second = (censored.infer(given, np.array([[0.25]]), noise()) for _ in range(2))
    assert np.array_equal(first.mean, second.mean)
    assert np.array_equal(first.covariance, second.covariance)


@pytest.mark.parametrize("dimensions", [2, 3])
def test_evenly_spread_draws_are_standard_normal(dimensions):
    draws = censored.spread_evenly(400, dimensions)
    assert draws.mean(0) == pytest.approx(np.zeros(dimensions), abs=1e-12)
    assert np.cov(draws.T, bias=True) == pytest.approx(np.eye(dimensions), abs=1e-12)
    # Shares below a few levels, as of a normal; an even spread comes far nearer than chance would.
    levels = np.array([-1.645, -0.674, 0.0, 0.674, 1.645])
    below = (draws[:, None, :] < levels[:, None]).mean(0)
    assert below == pytest.approx(np.broadcast_to(ndtr(levels)[:, None], below.shape), abs=0.02)


def test_no_check_and_an_impossible_lapse_are_refused():
    with pytest.raises(ValueError, match="0 checks"):
        censored.infer(
            Checks(
                log_age=np.zeros((0, len(STANDARD_NODES))),
                log_age_sd=np.zeros(0),
                passed=np.zeros(0, bool),
                coat=np.zeros(0, int),
                subject_of_coat=np.zeros(0, int),
                slope_of_subject=np.zeros(0, int),
            ),
            np.zeros((0, 0)),
            noise(),
        )
    with pytest.raises(ValueError, match=r"lapse 0\.0; expected above 0"):
        censored.infer(checks([0.0], [True], [0]), np.array([[0.25]]), noise(lapse=0.0))
