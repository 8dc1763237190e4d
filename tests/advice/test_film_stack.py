"""The film a piece carries: what is known of each coat, what adds up, what sanding took off."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector.advice.film_stack import film_stack, texture_of
from collector.errors import RecordError
from collector.records.model import Coat, Material, Mix, Piece, Sanding
from collector.settings import Sanding as SandingSettings
from collector.settings import Settings

START = datetime(2026, 3, 2, 9, tzinfo=UTC)
PIECE = Piece(id=1, name="Lap steel 3")
SETTINGS = Settings()
CLEAR = Material(id=1, name="Clear", chemistry="solvent_lacquer", role="clear", solids_volume_fraction=0.2)
COLOUR = replace(CLEAR, id=2, name="Gold", role="colour")


def coat(day: float, material: Material = CLEAR, **more) -> Coat:
    at = START + timedelta(days=day)
    mix = Mix(material=material, **{name: more.pop(name) for name in list(more) if name.endswith("_fraction")})
    return Coat(id=round(100 * day) + 1, piece_id=1, mix=mix, booth="booth-1", started_at=at, ended_at=at, **more)


def gauged(day: float, low: float = 75, high: float = 100, material: Material = CLEAR, **more) -> Coat:
    return coat(day, material, wet_film_low_um=low, wet_film_high_um=high, **more)


def sanded(day: float, **more) -> Sanding:
    given = {"grits": ("P800", "P1000"), "texture_um": 10.0, **more}
    return Sanding(id=round(100 * day) + 1, piece_id=1, at=START + timedelta(days=day), **given)


def stack(coats, sandings=(), settings=SETTINGS, **more):
    return film_stack(PIECE, coats, sandings, settings, **more)


def test_a_gauged_coat_is_its_middle_times_its_solids_as_applied():
    (film,) = stack([gauged(0, 70, 80, reducer_fraction=0.5)]).films
    # 75 µm x 0.2 / 1.5
    assert film.um == pytest.approx(10.0)
    assert film.own_um == pytest.approx(10.0 * (10 / math.sqrt(12)) / 75)
    assert film.shared_um == pytest.approx(10.0 * math.hypot(0.05, 0.05))
    assert film.basis == "gauge"


def test_what_coats_share_adds_up_and_what_is_their_own_partly_cancels():
    one, four = stack([gauged(0)]), stack([gauged(day) for day in range(4)])
    assert four.clear_um == pytest.approx(4 * one.clear_um)
    assert four.shared_um == pytest.approx(4 * one.shared_um)
    assert four.own_um == pytest.approx(2 * one.own_um)


def test_only_clear_above_the_colour_counts():
    found = stack([gauged(0), gauged(1, material=COLOUR), gauged(2), gauged(3)])
    assert [each.coat.id for each in found.clear] == [201, 301]
    assert len(found.films) == 4
    assert found.total_um == pytest.approx(2 * found.clear_um)


def test_millilitres_on_an_area_stand_in_for_the_gauge_with_a_wide_spread():
    (film,) = stack([coat(0, sprayed_ml=100)], area_m2=0.5).films
    # 100 ml on 0.5 m², half of it staying: 100 µm wet, a fifth of it solid
    assert film.um == pytest.approx(20.0)
    assert film.sd_um / film.um > 0.35
    assert film.basis == "millilitres"


def test_millilitres_are_held_against_gauged_coats_of_the_piece():
    first, second = stack([gauged(0, 90, 110, sprayed_ml=80), coat(1, sprayed_ml=40)]).films
    assert second.um == pytest.approx(first.um / 2)
    assert second.sd_um / second.um > first.sd_um / first.um


def test_without_gauge_area_or_millilitres_the_usual_film_stands_in_and_says_so():
    found = stack([coat(0)])
    assert found.clear_um == pytest.approx(SETTINGS.readiness.wet_film_um * 0.2)
    assert found.clear_sd_um / found.clear_um > 0.3
    assert "wet film not measured" in found.notes[0]


def test_a_coat_of_unknown_solids_is_not_counted_and_is_named():
    found = stack([gauged(0), gauged(1, material=replace(CLEAR, name="Old tin", solids_volume_fraction=None))])
    assert found.clear_um == pytest.approx(17.5)
    assert "Old tin: its solids are not known" in found.notes[0]


def test_a_sanding_is_taken_off_and_the_next_coat_fills_its_scratches():
    before, after = stack([gauged(0), gauged(1)]), stack([gauged(0), gauged(1)], [sanded(2)])
    # 10 µm of texture, and a quarter of P800's 21.8 µm with what the finer grit takes
    assert before.clear_um - after.clear_um == pytest.approx(16.5, abs=1.5)
    assert after.clear_sd_um > before.clear_sd_um
    filled = stack([gauged(0), gauged(1), gauged(3)], [sanded(2)])
    assert filled.removed_um == pytest.approx(after.removed_um - 0.25 * 18.3, abs=0.7)


def test_zones_are_sanded_apart_and_the_worst_counts_for_the_piece():
    logged = [sanded(5, zone="front"), sanded(6, zone="back"), sanded(7, zone="back")]
    coats = [gauged(day) for day in range(4)]
    front, back = (stack(coats, logged, zone=zone).removed_um for zone in ("front", "Back"))
    assert back == pytest.approx(2 * front)
    assert stack(coats, logged).removed_um == pytest.approx(back)
    assert stack(coats, logged, zone="side").removed_um == 0


def test_sanding_back_leaves_nothing_of_what_was_there():
    back = Sanding(id=9, piece_id=1, at=START + timedelta(days=1.5), sanded_back=True)
    assert [each.coat.id for each in stack([gauged(0), gauged(1), gauged(2)], [back]).films] == [201]


def test_where_it_went_through_only_what_was_laid_since_counts():
    found = stack([gauged(0), gauged(1), gauged(3)], [sanded(2, through=True, through_at="P1000")])
    assert [each.coat.id for each in found.clear] == [301]
    assert found.removed_um == 0
    assert "Sanded through on 2026-03-04" in found.notes[-1]


def test_texture_is_as_measured_else_by_grade_and_less_sure():
    assert texture_of(12.0, None, SETTINGS)[:2] == (12.0, 0.2)
    assert texture_of(None, 5, SETTINGS)[:2] == (30.0, 0.4)
    rough = replace(SETTINGS, sanding=SandingSettings(texture_grade=4))
    assert texture_of(None, None, rough)[0] == 20.0


def test_nonsense_is_refused_by_name():
    with pytest.raises(RecordError, match="area_m2 0; expected"):
        stack([coat(0, sprayed_ml=10)], area_m2=0)
    with pytest.raises(RecordError, match="texture grade 6"):
        texture_of(None, 6, SETTINGS)
    with pytest.raises(RecordError, match="texture_um -1"):
        texture_of(-1.0, None, SETTINGS)
