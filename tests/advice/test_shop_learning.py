"""What a shop's checks teach, from real records and readings: the coats, not the clock, are what is learned from."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from collector.advice.evidence import ENERGIES_KJ_MOL
from collector.advice.shop_learning import shop_learning, subject_of
from collector.physics.cure import rate
from tests.advice.rack_shop import NOW, TestShop, hours, lacquer, stage, steady


@pytest.fixture
def shop(tmp_path):
    made = TestShop(tmp_path)
    yield made
    made.close()


def learned(shop):
    return shop_learning(shop.store, shop.records, shop.settings, round(shop.now.timestamp() * 1000))


def width(of, name):
    return hours(of, name, "p90") / hours(of, name, "p10")


def test_the_age_of_a_check_is_the_stage_time_it_would_just_have_passed(shop):
    shop.climate(steady(16.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 40.0)
    check = shop.check(coat, 10.0, "tape_ready", True)
    # 30 h at 16 °C, in hours at the sheet's 21 °C; the film is the sheet's own.
    expected = 30.0 * np.asarray(rate(16.0, ENERGIES_KJ_MOL, 21.0))
    assert learned(shop).ages[check.id] == pytest.approx(expected, rel=0.01)


def test_a_yes_makes_the_stage_ready_and_brings_later_stages_forward(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 16.0)
    before = shop.last(piece)
    shop.check(coat, 1.0, "tape_ready", True)
    after = shop.last(piece)
    assert after.stage("tape_ready").probability >= 0.97
    assert after.stage("tape_ready").confirmed is True
    assert after.stage("tape_ready").percent == 100.0
    assert after.stage("dry_to_recoat").probability >= 0.97
    assert hours(after, "sand_ready") < hours(before, "sand_ready")
    assert after.stage("tape_ready").checks == 1


def test_a_yes_is_one_to_every_stage_before_it(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    stages = (stage("tape_ready", 16.0, 32.0), stage("sand_ready", 18.0, 36.0))
    coat = shop.coat(piece, shop.mix(lacquer(stages=stages)), 16.0)
    assert shop.last(piece).stage("tape_ready").probability < 0.5
    shop.check(coat, 1.0, "sand_ready", True)
    assert shop.last(piece).stage("tape_ready").probability >= 0.97
    assert shop.last(piece).stage("tape_ready").confirmed is None


def test_a_not_yet_is_believed(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 30.0)
    assert shop.last(piece).stage("tape_ready").probability > 0.6
    shop.check(coat, 0.5, "tape_ready", False)
    after = shop.last(piece)
    assert after.stage("tape_ready").probability < 0.35
    assert after.stage("tape_ready").confirmed is False
    assert after.stage("tape_ready").ready.p50 > NOW


def test_checks_narrow_the_interval_of_the_next_coat(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    for k in range(6):
        piece = shop.piece(f"Earlier {k}")
        coat = shop.coat(piece, mix, 90.0 + 10.0 * k)
        shop.check(coat, 90.0 + 10.0 * k - 32.0, "tape_ready", False)
        shop.check(coat, 90.0 + 10.0 * k - 40.0, "tape_ready", True)
    fresh = shop.piece("Next")
    shop.coat(fresh, mix, 1.0)
    found = shop.last(fresh)
    # This shop's coats take 32 to 40 h, the sheet says 16 to 32.
    assert 30.0 < hours(found, "tape_ready") < 42.0
    assert width(found, "tape_ready") < 2.2
    assert found.stage("tape_ready").checks == 12


def test_a_check_taken_back_was_never_made(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 16.0)
    before = shop.rack().to_dict()
    check = shop.check(coat, 1.0, "tape_ready", True)
    assert shop.rack().to_dict() != before
    shop.records.delete("check", check.id)
    assert shop.rack().to_dict() == before


def test_the_coats_of_a_material_share_what_was_learned_in_another_booth_climate(shop):
    shop.climate(steady(14.0), booth="cold", node="cold-1")
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    piece = shop.piece("Cold")
    coat = shop.coat(piece, mix, 100.0, booth="cold")
    # 50 h at 14 °C and 85 kJ/mol are 21 h at 21 °C: just what the sheet says, so nothing is learned of the shop.
    shop.check(coat, 54.0, "tape_ready", False)
    shop.check(coat, 46.0, "tape_ready", True)
    warm = shop.piece("Warm")
    shop.coat(warm, mix, 1.0)
    assert hours(shop.last(warm), "tape_ready") == pytest.approx(22.6, rel=0.2)


def test_a_stack_of_young_coats_is_not_mistaken_for_a_slow_material(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    for k in range(4):
        piece = shop.piece(f"Stack {k}")
        for hours_ago in (302.0, 301.0):
            shop.coat(piece, mix, hours_ago)
        top = shop.coat(piece, mix, 300.0)
        # Three coats at once take about nine times the sheet's 16 to 32 h.
        shop.check(top, 130.0, "tape_ready", False)
        shop.check(top, 90.0, "tape_ready", True)
    single = shop.piece("Single")
    shop.coat(single, mix, 1.0)
    assert hours(shop.last(single), "tape_ready") == pytest.approx(22.6, rel=0.1)


def test_the_same_checks_are_not_worked_out_again(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 30.0)
    shop.check(coat, 5.0, "tape_ready", True)
    first = learned(shop)
    assert learned(shop) is first
    shop.records.edit_coat(replace(coat, wet_film_high_um=140.0))
    assert learned(shop) is not first


def test_a_check_before_its_coat_was_laid_or_of_a_stage_without_a_time_teaches_nothing(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 3.0)
    shop.check(coat, 4.0, "tape_ready", True)
    shop.check(coat, 1.0, "dry_hard", True)
    assert learned(shop).ages == {}
    assert shop.last(piece).stage("tape_ready").checks == 0


def test_what_was_found_stays_when_the_sheet_is_corrected(shop):
    shop.climate(steady(21.0))
    material = shop.records.add_material(lacquer())
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(material), 60.0)
    shop.check(coat, 25.0, "tape_ready", False)
    shop.check(coat, 20.0, "tape_ready", True)
    edited = shop.records.edit_material(replace(material, stages=(stage("tape_ready", 30.0, 60.0),)))
    assert subject_of(edited, edited.stages[0]).key == subject_of(material, material.stages[2]).key
    fresh = shop.piece("Next")
    shop.coat(fresh, shop.mix(edited), 1.0)
    assert shop.last(fresh).stage("tape_ready").checks == 2
    assert 30.0 < hours(shop.last(fresh), "tape_ready") < 45.0


def test_gaps_make_a_check_say_less(shop):
    def with_outage(at):
        return None if timedelta(hours=11) < NOW - at < timedelta(hours=39) else 21.0

    shop.climate(with_outage)
    piece = shop.piece()
    coat = shop.coat(piece, shop.mix(lacquer()), 40.0)
    shop.check(coat, 10.0, "tape_ready", True)
    (evidence,) = learned(shop).learned.evidence
    assert evidence.age_log_sd > 0.15
