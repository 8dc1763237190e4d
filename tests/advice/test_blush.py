"""Chance of blush: what raises it, what cures it, the two mechanisms told apart, and what it is not asked about."""

from dataclasses import replace

import pytest

from collector.advice.blush import CONDENSED_G_M2, POSSIBLE_FROM, Situation, blush, chill_after, word_of
from collector.errors import NotFound, RecordError

# A quick lacquer at 25 °C on maple: the blend of the documented example.
QUICK = Situation(
    blend=(("acetone", 0.35), ("toluene", 0.35), ("isopropanol", 0.15), ("n-butyl acetate", 0.15)),
    air_c=25.0,
    relative_humidity_pct=60.0,
    part_c=24.0,
    air_speed_m_s=0.3,
    wet_film_um=100.0,
    solids_mass_fraction=0.2,
    substrate="maple",
    thickness_mm=42.0,
)


def damp(pct, now=QUICK):
    return replace(now, relative_humidity_pct=pct)


def thinned(name, share, now=QUICK):
    return replace(now, blend=(*((other, part * (1 - share)) for other, part in now.blend), (name, share)))


def test_the_same_coat_always_gets_the_same_answer():
    first = blush(QUICK)
    blush.cache_clear()
    assert blush(QUICK) == first


def test_damper_air_makes_it_likelier():
    chances = [blush(damp(pct)).probability for pct in (45.0, 60.0, 75.0)]
    assert chances == sorted(chances)
    assert chances[2] - chances[0] > 0.5


def test_a_colder_piece_makes_it_likelier():
    chances = [blush(replace(QUICK, part_c=part_c)).probability for part_c in (26.0, 24.0, 22.0)]
    assert chances == sorted(set(chances))


def test_a_thicker_coat_makes_it_likelier():
    chances = [blush(replace(QUICK, wet_film_um=film)).probability for film in (50.0, 100.0, 150.0)]
    assert chances == sorted(set(chances))


def test_quick_lacquer_is_fit_at_45_percent_and_blushes_at_75():
    # "No lacquer above 65 %": common practice of finishers, no source.
    assert blush(damp(45.0)).word == "none"
    assert blush(damp(75.0)).word == "likely"


def test_a_slow_solvent_that_mixes_with_water_cures_the_separating():
    assert blush(QUICK).separating > 0.5
    assert blush(thinned("2-butoxyethanol", 0.15)).separating < POSSIBLE_FROM


def test_as_much_of_a_hydrocarbon_does_not_cure_it():
    # It slows the film and so warms it, which helps a little; the water still has nowhere to go.
    assert blush(thinned("xylene", 0.15)).separating > 4 * POSSIBLE_FROM


def test_water_can_separate_though_none_condenses():
    found = blush(QUICK)
    assert (found.condensing, found.min_margin_k > 0, found.condensed_g_m2) == (0.0, True, 0.0)
    assert found.probability == found.separating > 0.5


def test_water_can_condense_though_none_separates():
    # Acetone takes up any amount of water, and chills the film far below the dew point.
    found = blush(damp(75.0, replace(QUICK, blend=(("acetone", 1.0),))))
    assert found.condensing > 0.99
    assert found.separating < 0.2
    assert found.min_margin_k < 0
    assert found.condensed_g_m2 > CONDENSED_G_M2
    assert found.seconds_below_dew_point > 10


def test_a_coat_blushes_at_least_as_often_as_by_either_way():
    found = blush(damp(75.0))
    assert max(found.condensing, found.separating) <= found.probability <= found.condensing + found.separating


def test_a_waterborne_coat_never_blushes():
    found = blush(damp(95.0, replace(QUICK, blend=(("water", 0.9), ("2-butoxyethanol", 0.1)))))
    assert (found.waterborne, found.word) == (True, "none")
    assert (found.probability, found.condensing, found.separating) == (0.0, 0.0, 0.0)


def test_a_little_water_in_the_blend_does_not_make_it_waterborne():
    assert not replace(QUICK, blend=(("acetone", 0.9), ("water", 0.1))).waterborne


def test_intervals_hold_what_is_expected():
    for found in (blush(QUICK), blush(damp(75.0))):
        assert found.min_film_low_c < found.min_film_c < found.min_film_high_c
        assert found.min_margin_low_k < found.min_margin_k < found.min_margin_high_k
        assert found.condensed_g_m2 <= found.condensed_high_g_m2


def test_a_sensor_that_knows_less_widens_the_interval():
    sharp = blush(replace(QUICK, air_u_k=0.05, part_u_k=0.05, humidity_u_pct=0.1))
    blunt = blush(replace(QUICK, air_u_k=1.0, part_u_k=1.5, humidity_u_pct=4.0))
    assert blunt.min_margin_high_k - blunt.min_margin_low_k > 1.2 * (sharp.min_margin_high_k - sharp.min_margin_low_k)


@pytest.mark.parametrize(
    ("chance", "word"),
    [(0.0, "none"), (0.0499, "none"), (0.05, "possible"), (0.4999, "possible"), (0.5, "likely"), (1.0, "likely")],
)
def test_words_begin_at_5_and_at_50_in_a_hundred(chance, word):
    assert word_of(chance) == word


def test_where_activities_are_not_known_only_condensing_is_judged():
    found = blush(damp(75.0, replace(QUICK, blend=(("acetone", 0.5), ("dimethyl carbonate", 0.5)))))
    assert found.separating is None
    assert found.taken_up_g_m2 is None
    assert found.probability == found.condensing


def test_a_second_coat_within_minutes_starts_on_a_chilled_piece():
    dry_enough = damp(52.0)
    first = blush(dry_enough)
    second = blush(replace(dry_enough, chill_k=chill_after(dry_enough, 120.0)))
    assert first.min_margin_k - second.min_margin_k > 1.0
    assert second.probability > 2 * first.probability


def test_twenty_minutes_later_the_chill_is_gone():
    first = blush(QUICK)
    later = blush(replace(QUICK, chill_k=chill_after(QUICK, 1200.0)))
    assert later.min_margin_k == pytest.approx(first.min_margin_k, abs=0.3)
    assert later.probability == pytest.approx(first.probability, abs=0.03)


def test_a_film_that_touches_nothing_leaves_no_chill():
    assert chill_after(replace(QUICK, substrate="none"), 120.0) == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"blend": (("acetonee", 1.0),)}, "did you mean acetone"),
        ({"substrate": "mapple"}, "maple"),
        ({"orientation": "askew"}, "askew"),
        ({"thickness_mm": -3.0}, "thickness"),
        ({"solids_mass_fraction": 1.2}, "solids"),
    ],
)
def test_what_cannot_be_is_named(change, told):
    with pytest.raises((NotFound, RecordError, ValueError), match=told):
        blush(replace(QUICK, **change))


def test_the_answer_is_json_ready():
    import json

    assert json.loads(json.dumps(blush(QUICK).to_dict(), allow_nan=False))["word"] == "likely"
