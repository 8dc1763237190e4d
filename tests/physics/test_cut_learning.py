"""What outcomes teach of a shop's cut, held against simulated shops whose cut is known."""

import numpy as np
import pytest

from collector.physics.cut_learning import BETWEEN_SHOPS, WITHIN, Trial, chance_by_step, learned
from collector.physics.sanding import Cut, removed_draws, sand

GRAINS = (21.8, 18.3, 12.6, 10.3)  # P800, P1000, P1500, P2000: ISO 6344-3 medians
TRIAL = Trial(dry_um=30.0, dry_sd_um=4.0, grains_um=GRAINS, texture_um=14.0, texture_spread=0.2)
SHOPS, OUTCOMES = 40, 20


def shop_of(rng: np.random.Generator) -> tuple[float, float]:
    """Medians of a shop's scratch and excess, drawn as the prior says shops differ."""
    usual = Cut()
    z = rng.standard_normal(2) * BETWEEN_SHOPS
    return (
        usual.scratch_per_grain * np.exp(usual.scratch_spread * z[0]),
        usual.excess * np.exp(usual.excess_spread * z[1]),
    )


def outcome(rng: np.random.Generator, scratch: float, excess: float, before: Trial) -> Trial:
    """One sanding of such a shop, by the model's words rather than its code."""
    usual = Cut()
    film = before.dry_um + before.dry_sd_um * rng.standard_normal()
    own = Cut(
        scratch_per_grain=scratch * np.exp(WITHIN * usual.scratch_spread * rng.standard_normal()),
        scratch_spread=0.0,
        excess=excess * np.exp(WITHIN * usual.excess_spread * rng.standard_normal()),
        excess_spread=0.0,
        texture_spread=0.0,
    )
    texture = before.texture_um * np.exp(before.texture_spread * rng.standard_normal())
    bottoms = removed_draws(np.array(before.grains_um), texture, own)[:, 0]
    gone = np.flatnonzero(bottoms >= film)
    through = int(gone[0]) if len(gone) else None
    return Trial(
        dry_um=before.dry_um,
        dry_sd_um=before.dry_sd_um,
        grains_um=before.grains_um,
        texture_um=before.texture_um,
        texture_spread=before.texture_spread,
        through=through,
    )


def ahead(rng: np.random.Generator) -> Trial:
    """A sanding to come: films as shops lay them, thin ones among them."""
    dry = float(rng.choice([18.0, 22.0, 26.0, 30.0]))
    return Trial(dry_um=dry, dry_sd_um=2.0, grains_um=GRAINS, texture_um=10.0, texture_spread=0.2)


@pytest.fixture(scope="module")
def shops():
    rng = np.random.default_rng(5)
    made = []
    for _ in range(SHOPS):
        scratch, excess = shop_of(rng)
        known = learned([outcome(rng, scratch, excess, ahead(rng)) for _ in range(OUTCOMES)])
        coming = [ahead(rng) for _ in range(10)]
        chances = [float(chance_by_step(one, known.cut)[-1]) for one in coming]
        went = [outcome(rng, scratch, excess, one).through is not None for one in coming]
        made.append((scratch, known, chances, went))
    return made


def test_a_shop_that_told_nothing_cuts_as_assumed():
    cut, usual = learned([]).cut, Cut()
    for name in ("scratch_per_grain", "scratch_spread", "excess", "excess_spread", "texture_spread"):
        assert getattr(cut, name) == pytest.approx(getattr(usual, name), rel=1e-9)


@pytest.mark.parametrize("dry_um", [15.0, 22.0, 28.0, 40.0])
def test_the_chance_that_is_learned_from_is_that_of_the_budget(dry_um):
    trial = Trial(dry_um=dry_um, dry_sd_um=3.0, grains_um=GRAINS, texture_um=12.0, spots=6, spot_sd_um=2.0)
    told = sand(dry_um, 3.0, GRAINS, 12.0, spots=6, spot_sd_um=2.0).probability_through
    assert chance_by_step(trial, Cut()) == pytest.approx(told, abs=0.02)


def test_going_through_early_makes_the_cut_deeper_and_not_going_through_shallower():
    usual = Cut().scratch_per_grain
    through = learned([Trial(**{**fields(TRIAL), "dry_um": 20.0, "through": 0})] * 6)
    kept = learned([Trial(**{**fields(TRIAL), "dry_um": 20.0, "through": None})] * 6)
    assert kept.cut.scratch_per_grain < usual < through.cut.scratch_per_grain
    assert through.cut.scratch_spread < Cut().scratch_spread


def test_the_order_of_outcomes_does_not_matter():
    outcomes = [Trial(**{**fields(TRIAL), "dry_um": dry, "through": at}) for dry, at in ((20, 0), (30, None), (25, 3))]
    assert learned(outcomes).cut.scratch_per_grain == pytest.approx(learned(outcomes[::-1]).cut.scratch_per_grain)


def test_one_mishap_with_plenty_of_film_moves_little():
    mishap = Trial(**{**fields(TRIAL), "dry_um": 300.0, "through": 1})
    assert learned([mishap]).cut.scratch_per_grain == pytest.approx(Cut().scratch_per_grain, rel=0.05)


def test_twenty_outcomes_bring_the_estimate_nearer_to_the_true_cut(shops):
    usual = Cut().scratch_per_grain
    before = [abs(np.log(usual / scratch)) for scratch, *_ in shops]
    after = [abs(np.log(known.cut.scratch_per_grain / scratch)) for scratch, known, *_ in shops]
    assert np.mean(after) < 0.85 * np.mean(before)
    assert np.mean(np.array(after) < np.array(before)) > 0.5


def test_nine_in_ten_intervals_hold_the_true_cut(shops):
    held = [known.scratch_per_grain_90[0] <= scratch <= known.scratch_per_grain_90[1] for scratch, known, *_ in shops]
    # 40 shops at 0.9: 36 on average, fewer than 31 once in a hundred.
    assert sum(held) >= 31


def test_what_is_foretold_of_the_next_sandings_comes_true_as_often(shops):
    chances = np.concatenate([chances for *_, chances, _ in shops])
    went = np.concatenate([went for *_, went in shops])
    assert went.mean() == pytest.approx(chances.mean(), abs=0.06)
    for low, high in ((0.0, 0.2), (0.2, 0.6), (0.6, 1.0)):
        chosen = (chances >= low) & (chances < high + 1e-9)
        assert chosen.sum() > 20
        assert went[chosen].mean() == pytest.approx(chances[chosen].mean(), abs=0.13)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"grains_um": (10.0, 20.0)}, "each finer than the one before"),
        ({"grains_um": ()}, "grains_um"),
        ({"dry_um": -1.0}, "dry_um -1; expected 0 to 5000"),
        ({"spots": 0}, "spots 0; expected 1 to 10000"),
        ({"through": -1}, "through -1"),
    ],
)
def test_nonsense_is_refused_by_name(change, words):
    with pytest.raises(ValueError, match=words):
        learned([Trial(**{**fields(TRIAL), **change})])


def fields(trial: Trial) -> dict:
    return {name: getattr(trial, name) for name in Trial.__dataclass_fields__}
