"""The rack over real stores: how far coats have come, and what can be done next."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector.advice.coat_progress import CLOSED, CLOSING, NO_WINDOW, NOT_YET, OPEN, SCUFF_FIRST
from collector.errors import RecordError
from collector.records.model import RecoatWindow
from collector.settings import Rack as RackSettings
from tests.advice.rack_shop import NOW, TestShop, hours, lacquer, stage, steady, urethane


@pytest.fixture
def shop(tmp_path):
    made = TestShop(tmp_path)
    yield made
    made.close()


def one_coat(shop, hours_ago=0.5, material=None, air_c=21.0, **given):
    shop.climate(steady(air_c))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(material or lacquer()), hours_ago, **given)
    return piece, coat


# Near the sheet


def test_at_the_sheets_own_conditions_a_coat_comes_at_the_middle_of_the_sheets_range(shop):
    # At 21 °C, still air and the sheet's own film nothing is left but the shop itself, unknown with median 1.
    piece, _ = one_coat(shop)
    last = shop.last(piece)
    assert hours(last, "dry_to_recoat") == pytest.approx(2.0**0.5, rel=0.12)
    assert hours(last, "tape_ready") == pytest.approx((16 * 32) ** 0.5, rel=0.12)
    assert hours(last, "sand_ready") == pytest.approx((120 * 240) ** 0.5, rel=0.15)


def test_in_a_cold_booth_it_comes_later_and_the_cold_is_named(shop):
    piece, _ = one_coat(shop, air_c=16.0)
    last = shop.last(piece)
    # Diffusion at 85 kJ/mol is slower by exp(85000/8.314·(1/289.15 - 1/294.15)) = 1.82 at 16 than at 21 °C.
    assert hours(last, "tape_ready") == pytest.approx(1.82 * (16 * 32) ** 0.5, rel=0.15)
    assert last.stage("tape_ready").limiting == "cold: 16 °C doubles the wait"


def test_words_follow_the_units_of_the_shop(shop):
    shop.in_zone("America/New_York", units="us")
    piece, _ = one_coat(shop, air_c=16.0)
    assert shop.last(piece).stage("tape_ready").limiting == "cold: 61 °F doubles the wait"


def test_intervals_are_in_order_and_as_wide_as_data_sheets_are_apart(shop):
    piece, _ = one_coat(shop)
    last = shop.last(piece)
    assert [each.stage for each in last.stages] == ["set_to_touch", "dry_to_recoat", "tape_ready", "sand_ready"]
    for each in last.stages:
        assert each.ready.p10 <= each.ready.p50 <= each.ready.p90
        assert each.percent_low <= each.percent <= each.percent_high
    for earlier, later in zip(last.stages, last.stages[1:], strict=False):
        for share in ("p10", "p50", "p90"):
            assert getattr(earlier.ready, share) <= getattr(later.ready, share)
    low, high = hours(last, "tape_ready", "p10"), hours(last, "tape_ready", "p90")
    assert 3.0 < high / low < 7.0


def test_a_later_stage_waits_for_an_earlier_one_in_every_draw(shop):
    material = lacquer(stages=(stage("tape_ready", 20.0, 22.0), stage("sand_ready", 20.5, 22.5)))
    piece, coat = one_coat(shop, 30.0, material)
    shop.check(coat, 0.2, "tape_ready", False)
    last = shop.last(piece)
    assert last.stage("sand_ready").probability <= last.stage("tape_ready").probability < 0.4


def test_percent_grows_with_time_and_ends_at_a_hundred(shop):
    piece, _ = one_coat(shop, 30.0)
    at = [shop.last(piece, at=NOW - timedelta(hours=back)).stage("tape_ready").percent for back in (28, 20, 10)]
    assert 0.0 < at[0] < at[1] < at[2] <= 100.0
    assert shop.last(piece).stage("set_to_touch").percent == 100.0
    assert shop.last(piece).stage("set_to_touch").probability == 1.0


def test_young_coats_beneath_count_as_one_film(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    alone, stacked = shop.piece("Alone"), shop.piece("Stacked")
    shop.coat(alone, mix, 1.0)
    for hours_ago in (3.0, 2.0, 1.0):
        shop.coat(stacked, mix, hours_ago)
    single, triple = shop.last(alone), shop.last(stacked)
    # Three films laid at once are nine times as slow (Crank: time goes with the square); here nearly at once.
    assert 7.0 < hours(triple, "tape_ready") / hours(single, "tape_ready") < 9.1
    assert "3 young coats as one film" in triple.stage("tape_ready").limiting
    # Flash-off is quicker than what lies beneath can matter.
    assert hours(triple, "set_to_touch") == pytest.approx(hours(single, "set_to_touch"), rel=0.02)


def test_a_film_twice_as_thick_waits_four_times_as_long(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    thin, thick = shop.piece("Thin"), shop.piece("Thick")
    shop.coat(thin, mix, 1.0)
    shop.coat(thick, mix, 1.0, wet_film_low_um=190.0, wet_film_high_um=210.0)
    ratio = hours(shop.last(thick), "tape_ready") / hours(shop.last(thin), "tape_ready")
    assert ratio == pytest.approx(4.0, rel=0.1)


def test_a_film_nobody_measured_is_told_and_widens_the_interval(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    measured, guessed = shop.piece("Measured"), shop.piece("Guessed")
    shop.coat(measured, mix, 1.0)
    shop.coat(guessed, mix, 1.0, wet_film_low_um=None, wet_film_high_um=None)
    known, unknown = shop.last(measured), shop.last(guessed)
    assert "wet film not measured: a usual one is assumed" in unknown.notes
    assert known.notes == ()

    def width(of):
        return hours(of, "tape_ready", "p90") / hours(of, "tape_ready", "p10")

    assert width(unknown) > 1.2 * width(known)


# What can be done next


def test_a_step_is_now_when_it_is_as_likely_as_the_shop_chose(shop):
    piece, _ = one_coat(shop, 24.0)
    step = next(each for each in shop.on(piece).steps if each.word == "tape")
    assert 0.5 < step.probability < 0.8
    assert step.when != "now"
    shop.settings = replace(shop.settings, rack=RackSettings(ready_probability_pct=50.0))
    assert next(each for each in shop.on(piece).steps if each.word == "tape").when == "now"


def test_days_are_those_of_the_shops_clock(shop):
    # Ready some 12 h after 14:00 UTC: past midnight in Berlin, the evening of the same day in Los Angeles.
    piece, _ = one_coat(shop, 0.1, lacquer(stages=(stage("tape_ready", 6.5, 8.0),)))
    berlin = shop.on(piece).next
    assert NOW + timedelta(hours=11) < berlin.ready_at < NOW + timedelta(hours=15)
    assert berlin.when == "tomorrow"
    shop.in_zone("America/Los_Angeles")
    angeles = shop.on(piece).next
    assert (angeles.ready_at, angeles.when) == (berlin.ready_at, "today")


def test_what_can_be_done_now_comes_first(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    wet, dry, bare = shop.piece("Wet"), shop.piece("Dry"), shop.piece("Bare")
    shop.coat(wet, mix, 0.1)
    shop.coat(dry, mix, 6.0)
    assert [each.piece.name for each in shop.rack().pieces] == ["Dry", "Bare", "Wet"]
    assert shop.on(dry).next.word == "recoat"
    assert shop.on(bare).next.word == "start"
    assert shop.on(wet).next.when == "today"


def test_a_finished_piece_is_not_on_the_rack(shop):
    piece, _ = one_coat(shop)
    shop.records.edit_piece(replace(piece, done_at=NOW))
    assert shop.rack().pieces == ()


def test_a_coat_being_sprayed_waits_to_be_ended(shop):
    piece, _ = one_coat(shop, 0.0, started_at=NOW - timedelta(minutes=4), ended_at=None)
    found = shop.on(piece)
    assert found.spraying
    assert [step.word for step in found.steps] == ["end coat"]
    assert found.last.flags == ()


def test_a_material_without_times_asks_for_a_check(shop):
    piece, _ = one_coat(shop, material=lacquer(stages=()))
    assert [step.word for step in shop.on(piece).steps] == ["check"]


def test_an_empty_shop_has_an_empty_rack(shop):
    found = shop.rack()
    assert found.pieces == ()
    assert found.forecast.startswith("No temperature was measured")


def test_the_same_question_has_the_same_answer(shop):
    _, coat = one_coat(shop, 20.0)
    shop.check(coat, 1.0, "tape_ready", False)
    assert shop.rack().to_dict() == shop.rack().to_dict()


# Recoat window


def window(shop, hours_ago, air_c=21.0, **given):
    shop.climate(steady(air_c))
    piece = shop.piece(f"Window {hours_ago} {air_c}")
    shop.coat(piece, shop.mix(urethane(name=f"Urethane {hours_ago} {air_c}", **given)), hours_ago)
    return shop.on(piece)


def test_a_window_opens_closes_and_opens_again(shop):
    states = {hours_ago: window(shop, hours_ago).last.recoat.state for hours_ago in (0.5, 6.0, 18.0, 34.0, 90.0)}
    assert states == {0.5: NOT_YET, 6.0: OPEN, 18.0: CLOSING, 34.0: CLOSED, 90.0: SCUFF_FIRST}


def test_a_closed_window_says_when_to_come_back_and_is_no_step_for_now(shop):
    found = window(shop, 34.0)
    assert found.last.recoat.words.startswith("The window has closed: another coat may wrinkle or lift it.")
    (recoat,) = (step for step in found.steps if step.word == "recoat")
    assert recoat.when != "now"
    assert recoat.ready == found.last.recoat.reopens


def test_after_the_reopening_it_is_scuffed_and_recoated(shop):
    found = window(shop, 90.0)
    assert found.last.recoat.words == "The window has passed: scuff it dull all over, then recoat."
    assert found.next.word == "recoat" and found.next.when == "now"


def test_a_window_that_never_opens_again_stays_closed(shop):
    found = window(shop, 400.0, recoat=RecoatWindow(min_h=2.0, soft_end_h=24.0)).last.recoat
    assert found.state == CLOSED
    assert "names no time to recoat again" in found.words


@pytest.mark.parametrize(("air_c", "state"), [(12.0, OPEN), (21.0, CLOSING), (31.0, CLOSED)])
def test_warmth_closes_a_window_sooner(shop, air_c, state):
    # In equivalent age: at 31 °C and 55 kJ/mol an hour counts for exp(55000/8.314·(1/294.15 - 1/304.15)) = 2.1.
    assert window(shop, 18.0, air_c=air_c).last.recoat.state == state


def test_how_soon_closing_is_told_is_the_shops_choice(shop):
    assert window(shop, 14.0).last.recoat.state == CLOSING
    shop.settings = replace(shop.settings, rack=RackSettings(closing_within_h=1.0))
    (found,) = shop.rack().pieces
    assert found.last.recoat.state == OPEN


def test_a_lacquer_has_no_window(shop):
    piece, _ = one_coat(shop, 300.0, lacquer(recoat=RecoatWindow(min_h=0.5)))
    assert shop.last(piece).recoat.state == NO_WINDOW
    assert "no end" in shop.last(piece).recoat.words


def test_no_coat_is_called_recoatable_before_the_materials_own_least_time(shop):
    piece, _ = one_coat(shop, 3.0, lacquer(recoat=RecoatWindow(min_h=8.0)))
    last = shop.last(piece)
    assert last.stage("dry_to_recoat").probability == 0.0
    assert hours(last, "dry_to_recoat") == pytest.approx(8.0, rel=0.05)


# What stays true of a coat


def dispersion(**given):
    return lacquer(name="Test dispersion", chemistry="waterborne", minimum_film_forming_c=10.0, **given)


def test_a_coat_laid_too_cold_to_form_a_film_is_flagged_for_ever(shop):
    laid = NOW - timedelta(days=9)
    shop.climate(lambda at: 8.0 if abs(at - laid) < timedelta(hours=2) else 22.0)
    piece = shop.piece()
    shop.coat(piece, shop.mix(dispersion()), 9 * 24.0)
    (flag,) = shop.last(piece).flags
    assert flag.startswith("laid below its minimum film-forming temperature: 8.0 °C at the coldest, 10.0 °C")
    # The next coat does not cover it up.
    shop.coat(piece, shop.mix(lacquer()), 24.0)
    assert any("a coat beneath (2026-02-24)" in flag for flag in shop.last(piece).flags)


def test_cold_after_the_film_has_formed_is_no_fault(shop):
    laid = NOW - timedelta(days=9)
    shop.climate(lambda at: 8.0 if at - laid > timedelta(hours=12) else 22.0)
    piece = shop.piece()
    shop.coat(piece, shop.mix(dispersion()), 9 * 24.0)
    assert shop.last(piece).flags == ()


def test_a_coat_laid_into_a_closed_window_is_flagged(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(urethane())
    inside, closed, scuffed = shop.piece("Inside"), shop.piece("Closed"), shop.piece("Scuffed")
    for piece, waited in ((inside, 12.0), (closed, 36.0), (scuffed, 72.0)):
        shop.coat(piece, mix, 1.0 + waited)
        shop.coat(piece, mix, 1.0)
    assert shop.last(inside).flags == shop.last(scuffed).flags == ()
    assert shop.last(closed).flags == (
        "laid while the recoat window of the coat beneath was closed: watch for wrinkling and lifting",
    )


# Pot life


def test_pot_life_runs_from_mixing_and_faster_in_the_warmth(shop):
    shop.climate(steady(23.0))
    piece = shop.piece()
    mixed = NOW - timedelta(hours=1)
    shop.coat(piece, shop.mix(urethane(), mixed_at=mixed), 0.2)
    found = shop.last(piece).pot_life
    # 1 h of 4 h at 23 °C, the temperature a pot life is taken to hold at.
    assert found.share_used == pytest.approx(0.25, rel=0.1)
    assert (found.ends.p50 - mixed).total_seconds() / 3600.0 == pytest.approx(4.0, rel=0.1)
    assert found.ends.p10 < found.ends.p50 < found.ends.p90


def test_a_mix_that_has_set_is_told_no_more_and_a_lacquer_has_no_pot_life(shop):
    shop.climate(steady(23.0))
    old, plain = shop.piece("Old"), shop.piece("Plain")
    shop.coat(old, shop.mix(urethane(), mixed_at=NOW - timedelta(hours=30)), 24.0)
    shop.coat(plain, shop.mix(lacquer(), mixed_at=NOW - timedelta(hours=1)), 0.2)
    assert shop.last(old).pot_life is None
    assert shop.last(plain).pot_life is None


# A heating plan


def test_a_heating_plan_brings_a_coat_forward(shop):
    piece, _ = one_coat(shop, 0.5, air_c=14.0)
    without, heated = shop.last(piece), shop.last(piece, "24 °C from 16:00")
    assert hours(heated, "tape_ready") < 0.6 * hours(without, "tape_ready")
    assert "heating plan" in shop.rack("24 °C").forecast


def test_a_plan_that_cannot_be_read_is_refused_with_the_part_and_what_would_be_right(shop):
    with pytest.raises(RecordError, match=r"plan 'warm at noon'; expected parts such as \"22 °C from 18:00\""):
        shop.rack("22 °C from 18:00; warm at noon")


def test_answers_are_json_ready(shop):
    _, coat = one_coat(shop, 20.0, urethane())
    shop.check(coat, 1.0, "sand_ready", True)
    told = shop.rack().to_dict()
    assert told["pieces"][0]["coat"]["stages"][1]["confirmed"] is True
    assert datetime.fromisoformat(told["pieces"][0]["coat"]["recoat_closes"]["p50"]).tzinfo == UTC
