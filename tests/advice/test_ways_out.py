"""What would bring blush under the limit: each way found is enough, none is bought with less air than asked."""

from dataclasses import replace

import pytest

from collector.advice.blush import Situation, blush
from collector.advice.limits import Limit
from collector.advice.trend import Trend
from collector.advice.ways_out import Drift, ways_out
from collector.advice.wet_coat import WetCoatAnswer, ways_to_go
from collector.physics import humidity
from collector.settings import Readiness, Settings, Shop

LIMIT = 0.1
SLACK = 0.06
"""A way is chosen by 64 draws and judged here by 256 others; both know a chance of 10 % to a few in a hundred."""

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


def found(now=QUICK, limit=LIMIT, least_air_speed_m_s=0.5, **options):
    ways = ways_out(now, limit, retarder="2-butoxyethanol", least_air_speed_m_s=least_air_speed_m_s, **options)
    return {way.what: way for way in ways}


def warmer(now, rise_k):
    vapour = float(humidity.vapour_pressure(now.air_c, now.relative_humidity_pct))
    damp = 100 * vapour / float(humidity.saturation_pressure(now.air_c + rise_k))
    return replace(now, air_c=now.air_c + rise_k, part_c=now.part_c + rise_k, relative_humidity_pct=damp)


def retarded(now, pct):
    share = pct / 100
    slower = tuple((name, part * (1 - share)) for name, part in now.blend)
    return replace(now, blend=(*slower, ("2-butoxyethanol", share)))


TAKEN = {
    "air_temperature": warmer,
    "relative_humidity": lambda now, pct: replace(now, relative_humidity_pct=pct),
    "part_temperature": lambda now, rise_k: replace(now, part_c=now.part_c + rise_k),
    "retarder": retarded,
    "wet_film": lambda now, film_um: replace(now, wet_film_um=film_um),
    "air_speed": lambda now, speed: replace(now, air_speed_m_s=speed),
}


@pytest.mark.parametrize("what", ["air_temperature", "relative_humidity", "part_temperature", "retarder"])
def test_a_way_out_that_is_taken_brings_the_chance_under_the_limit(what):
    assert blush(QUICK).probability > LIMIT
    way = found()[what]
    assert blush(TAKEN[what](QUICK, way.value)).probability <= LIMIT + SLACK


def test_a_thinner_coat_is_a_way_out_where_it_is_enough():
    way = found(replace(QUICK, relative_humidity_pct=53.0))["wet_film"]
    assert 0 < way.value < QUICK.wet_film_um
    thinner = replace(QUICK, relative_humidity_pct=53.0, wet_film_um=way.value)
    assert blush(thinner).probability <= LIMIT + SLACK


@pytest.mark.parametrize(("what", "less"), [("air_temperature", 1.0), ("part_temperature", 1.0), ("retarder", 3.0)])
def test_no_more_is_asked_than_is_needed(what, less):
    way = found()[what]
    assert way.value > less
    assert blush(TAKEN[what](QUICK, less)).probability > LIMIT


def test_what_is_not_enough_says_so_with_the_best_it_does():
    way = found(replace(QUICK, relative_humidity_pct=75.0))["wet_film"]
    assert way.value is None
    assert way.probability > LIMIT
    assert f"not enough ({100 * way.probability:.0f} % at best)" in way.words


def test_ways_that_are_enough_stand_before_those_that_are_not():
    enough = [way.value is not None for way in found().values()]
    assert enough == sorted(enough, reverse=True)
    assert set(enough) == {True, False}


def test_no_way_out_is_bought_with_less_air_than_the_shop_asks_for():
    breezy = replace(QUICK, air_speed_m_s=1.5, relative_humidity_pct=50.0)
    assert found(breezy, LIMIT, 0.2)["air_speed"].value == pytest.approx(0.4)  # what slower air would do
    assert found(breezy, LIMIT, 0.5)["air_speed"].value is None


def test_with_no_air_speed_left_to_try_none_is_offered():
    assert "air_speed" not in found(QUICK, LIMIT, 2.0)


def test_waiting_goes_by_the_way_the_air_is_moving():
    drying, dampening = Drift(humidity_pct_h=-10.0), Drift(humidity_pct_h=10.0)
    assert found(drift=drying)["waiting"].value == 60.0
    assert found(drift=dampening)["waiting"].value is None
    assert found(drift=Drift(part_k_h=4.0))["waiting"].value is not None
    assert found(drift=Drift(part_k_h=-4.0))["waiting"].value is None


def test_without_a_trend_waiting_is_not_offered():
    assert "waiting" not in found()
    assert "waiting" not in found(drift=Drift())


def test_words_come_in_the_shops_units():
    assert "°F" in found(units="us")["air_temperature"].words
    assert " K" in found()["air_temperature"].words


def answer(now):
    return WetCoatAnswer(limits=(), situation=now, blush=blush(now), cautions=())


def test_a_coat_that_is_fine_already_needs_no_way_out():
    assert ways_to_go(answer(replace(QUICK, relative_humidity_pct=40.0)), (), Settings()) == ()


def test_a_waterborne_coat_needs_none_and_neither_does_what_is_not_judged():
    water = replace(QUICK, relative_humidity_pct=95.0, blend=(("water", 0.9), ("2-butoxyethanol", 0.1)))
    assert ways_to_go(answer(water), (), Settings()) == ()
    assert ways_to_go(WetCoatAnswer(limits=(), situation=None, blush=None, cautions=()), (), Settings()) == ()


def moving(name, per_hour, low, high):
    trend = Trend(per_hour=per_hour, per_hour_low=low, per_hour_high=high, event="met")
    return Limit(name=name, label=name, unit="%RH", verdict="hold", reason="", trend=trend)


def test_the_shops_limit_retarder_and_trend_are_what_is_gone_by():
    ours = Settings(readiness=Readiness(retarder="diacetone alcohol", blush_limit_pct=10.0), shop=Shop(units="us"))
    drying = moving("relative_humidity", -10.0, -11.0, -9.0)
    ways = {way.what: way for way in ways_to_go(answer(QUICK), (drying,), ours)}
    assert "iacetone alcohol" in ways["retarder"].words
    assert "°F" in ways["part_temperature"].words
    assert ways["waiting"].value is not None


def test_a_trend_that_may_be_none_at_all_is_not_counted_on():
    perhaps = moving("relative_humidity", -10.0, -21.0, 1.0)
    assert "waiting" not in {way.what for way in ways_to_go(answer(QUICK), (perhaps,), Settings())}
