"""A wet coat's limits over a real store: exhaust, vapour, blush; what enters the blend; what is never cleared."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector import wire
from collector.advice.readiness import assess, gather
from collector.advice.wet_coat import USUAL_SOLIDS_MASS, blend_of, last_coat, solids_mass_fraction, wet_film_um
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import ISOCYANATE_CAUTION, Coat, Material, Mix, Piece
from collector.records.repository import open_records
from collector.settings import Readiness, Settings, Ventilation

NOW_MS = 1_772_719_200_000
NOW = datetime.fromtimestamp(NOW_MS / 1000, UTC)
BOOTH = Ventilation(volume_m3=20, face_opening_m2=1.2, mixing_factor=1)
SETTINGS = Settings(ventilation=BOOTH)
LACQUER = Material(
    name="Quick lacquer", chemistry="solvent_lacquer", role="clear", solids_volume_fraction=0.15, density_kg_m3=900.0,
    solvents={"acetone": 0.35, "toluene": 0.35, "isopropanol": 0.15, "n-butyl acetate": 0.15},
)  # fmt: skip
URETHANE = replace(LACQUER, name="Urethane", chemistry="two_component_urethane", isocyanate=True)
GOOD = {"air_temperature": 25.0, "relative_humidity": 40.0, "surface_temperature": 24.0, "face_velocity": 0.8}


@pytest.fixture
def store(tmp_path):
    opened = SqliteReadingStore(tmp_path / "readings.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def records(tmp_path):
    opened = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield opened
    opened.close()


def said(store, values, *, age_s=5.0, node="n1"):
    time_ms = NOW_MS - round(age_s * 1000)
    payload = wire.encode_pack(node, time_ms, values)
    store.write(Batch(packs=[wire.decode_pack(f"tackfree/b/{node}/readings", payload, time_ms)]))


def judged(store, material=LACQUER, settings=SETTINGS, piece=None, **options):
    return assess(gather(store, "b", NOW_MS, settings.readiness), material, piece, settings, **options)


def limits(answer):
    return {limit.name: limit for limit in answer.limits}


# Exhaust


def test_a_booth_that_is_right_in_all_is_go_with_each_limit_of_the_wet_coat(store):
    said(store, GOOD)
    answer = judged(store)
    assert answer.verdict == "go"
    assert {"blush", "airflow", "vapour"} <= set(limits(answer))


def test_a_standing_exhaust_holds_and_is_the_reason(store):
    said(store, {**GOOD, "face_velocity": 0.0})
    answer = judged(store)
    assert answer.verdict == limits(answer)["airflow"].verdict == "hold"
    assert answer.reason.startswith("The exhaust is not running")
    assert "vapour" not in limits(answer)


def test_an_exhaust_whose_sensor_fell_silent_cannot_be_told(store):
    said(store, {name: value for name, value in GOOD.items() if name != "face_velocity"})
    said(store, {"face_velocity": 0.8}, age_s=900)
    answer = judged(store)
    assert limits(answer)["airflow"].verdict == "cannot tell"
    assert answer.verdict == "cannot tell"


def test_an_exhaust_that_is_not_measured_is_a_caution_and_no_limit(store):
    said(store, {name: value for name, value in GOOD.items() if name != "face_velocity"})
    answer = judged(store)
    assert "airflow" not in limits(answer)
    assert any("see for yourself that the exhaust runs" in text for text in answer.cautions)


# Vapour


def test_a_tiny_exhaust_holds_by_the_vapour_it_would_leave(store):
    said(store, GOOD)
    tiny = replace(SETTINGS, ventilation=replace(BOOTH, face_opening_m2=0.02))
    found = limits(judged(store, settings=tiny))["vapour"]
    assert found.verdict == "hold"
    assert found.value > found.high == 25


def test_the_ceiling_against_fire_is_the_shops(store):
    said(store, GOOD)
    usual = limits(judged(store))["vapour"]
    strict = replace(SETTINGS, ventilation=replace(BOOTH, lfl_ceiling_pct=usual.value / 2))
    assert (usual.verdict, limits(judged(store, settings=strict))["vapour"].verdict) == ("go", "hold")


def test_vapour_within_the_ceiling_against_fire_still_tells_what_is_breathed(store):
    said(store, GOOD)
    assert "times the OSHA PEL" in limits(judged(store))["vapour"].reason


def test_vapour_that_cannot_be_predicted_is_said(store):
    said(store, GOOD)
    answer = judged(store, settings=Settings())
    assert "vapour" not in limits(answer)
    assert any("exhaust" in text.lower() or "opening" in text.lower() for text in answer.cautions[:-1])


# Isocyanates


@pytest.mark.parametrize(
    "readings",
    [{}, GOOD, {**GOOD, "voc_ppm": 0.0}, {**GOOD, "face_velocity": 5.0}, {**GOOD, "relative_humidity": 95.0}],
)
def test_isocyanates_are_cautioned_whatever_is_measured(store, readings):
    said(store, readings or {"node_battery": 90.0})
    answer = judged(store, URETHANE)
    assert answer.cautions[0] == ISOCYANATE_CAUTION
    words = " ".join([answer.verdict, answer.reason, *(limit.reason for limit in answer.limits)]).lower()
    assert "safe" not in words
    assert "clear" not in words


# Blush


def test_damp_air_holds_by_the_chance_of_blush(store):
    said(store, {**GOOD, "relative_humidity": 75.0})
    found = limits(judged(store))["blush"]
    assert found.verdict == "hold"
    assert found.value > 50
    assert found.reason.startswith("Blush is likely: film down to")
    assert "would separate" in found.reason


def test_the_shops_limit_makes_a_chance_marginal(store):
    said(store, {**GOOD, "relative_humidity": 49.0})
    bold = replace(SETTINGS, readiness=Readiness(blush_limit_pct=49.0))
    chance = limits(judged(store))["blush"].value
    assert 10 < chance < 49
    assert limits(judged(store))["blush"].verdict == "marginal"
    assert limits(judged(store, settings=bold))["blush"].verdict == "go"


def test_without_a_climate_the_chance_is_not_known(store):
    said(store, {"air_temperature": 25.0, "face_velocity": 0.8})
    found = limits(judged(store))["blush"]
    assert (found.verdict, found.value) == ("cannot tell", None)


def test_a_solvent_the_table_does_not_hold_is_named_and_the_rest_still_judged(store):
    said(store, GOOD)
    answer = judged(store, replace(LACQUER, solvents={"acetone": 0.5, "moonshine": 0.5}))
    assert any(text.startswith("Blush is not judged:") and "moonshine" in text for text in answer.cautions)
    assert answer.verdict == "go"


def test_a_waterborne_coat_does_not_blush_in_damp_air(store):
    said(store, {**GOOD, "relative_humidity": 90.0})
    water = replace(LACQUER, name="Waterborne", chemistry="waterborne", solvents={"water": 0.9, "2-butoxyethanol": 0.1})
    found = limits(judged(store, water))["blush"]
    assert (found.verdict, found.value) == ("go", 0.0)


def test_noise_below_what_the_sensors_can_tell_is_the_same_situation(store):
    said(store, GOOD)
    first = judged(store).wet_coat.situation
    noisy = {**GOOD, "air_temperature": 25.04, "relative_humidity": 40.2, "surface_temperature": 23.97}
    said(store, noisy, age_s=1)
    assert judged(store).wet_coat.situation == first


def coat_of(piece, ended_min_ago, **fields):
    ended = NOW - timedelta(minutes=ended_min_ago)
    return Coat(
        piece_id=piece.id, mix=Mix(material=LACQUER), booth="b", started_at=ended - timedelta(minutes=3),
        ended_at=ended, **fields,
    )  # fmt: skip


def test_a_second_coat_within_minutes_is_judged_on_the_chilled_piece(store):
    said(store, {**GOOD, "relative_humidity": 52.0})
    shell = Piece(name="Shell", substrate="maple", thickness_mm=12.0)
    alone = judged(store, piece=shell).wet_coat.blush
    again = judged(store, piece=shell, earlier=coat_of(shell, 2))
    assert again.wet_coat.blush.min_margin_k < alone.min_margin_k - 1
    assert again.wet_coat.blush.probability > alone.probability
    assert "still chilled by the coat of" in limits(again)["blush"].reason


def test_a_coat_of_half_an_hour_ago_chills_no_more(store):
    said(store, GOOD)
    shell = Piece(name="Shell", substrate="maple")
    assert judged(store, piece=shell, earlier=coat_of(shell, 30)).wet_coat.situation.chill_k == ()


def test_the_last_coat_is_the_pieces_own_and_recent(records):
    shell = records.add_piece(Piece(name="Shell", substrate="maple"))
    other = records.add_piece(Piece(name="Other", substrate="maple"))
    mix = records.add_mix(Mix(material=records.add_material(LACQUER)))
    records.log_coat(replace(coat_of(shell, 300), mix=mix))
    assert last_coat(records, shell, NOW_MS) is None
    kept = records.log_coat(replace(coat_of(shell, 5), mix=mix))
    assert last_coat(records, shell, NOW_MS).id == kept.id
    assert last_coat(records, other, NOW_MS) is None
    assert last_coat(records, None, NOW_MS) is None


# What is on the piece


def test_the_retarder_enters_the_blend_as_the_shops():
    blend = dict(blend_of(Mix(material=LACQUER, retarder_fraction=0.1), "2-butoxyethanol"))
    # 0.85 of solvent by volume with 0.1 of retarder: 10.5 % of it
    assert blend["2-butoxyethanol"] == pytest.approx(0.1 / 0.95)
    assert sum(blend.values()) == pytest.approx(1)
    assert blend["acetone"] == pytest.approx(0.35 * 0.85 / 0.95)


def test_a_retarder_lowers_the_chance(store):
    said(store, {**GOOD, "relative_humidity": 60.0})
    plain = judged(store).wet_coat.blush
    slow = judged(store, mix=Mix(material=LACQUER, retarder_fraction=0.15)).wet_coat.blush
    assert slow.probability < plain.probability / 4


def test_reducer_makes_the_retarders_share_smaller_and_the_solids_fewer():
    thick = Mix(material=LACQUER, retarder_fraction=0.1)
    thin = replace(thick, reducer_fraction=0.5)
    assert dict(blend_of(thin, "xylene"))["xylene"] == pytest.approx(0.1 / 1.45)
    assert solids_mass_fraction(thin) < solids_mass_fraction(thick)


def test_solids_go_by_mass():
    # 15 % by volume at 1,200 kg/m³ in a lacquer of 900 kg/m³: 20 % by mass; thinned one to one, half of that
    assert solids_mass_fraction(Mix(material=LACQUER)) == pytest.approx(0.2)
    assert solids_mass_fraction(Mix(material=LACQUER, reducer_fraction=1.0)) == pytest.approx(0.1)
    assert solids_mass_fraction(Mix(material=replace(LACQUER, density_kg_m3=None))) == USUAL_SOLIDS_MASS


def test_the_wet_film_is_the_middle_of_the_comb_or_the_usual_one():
    shell = Piece(name="Shell")
    assert wet_film_um(coat_of(shell, 5, wet_film_low_um=75, wet_film_high_um=100), 120.0) == 87.5
    assert wet_film_um(coat_of(shell, 5, wet_film_low_um=75), 120.0) == 75
    assert wet_film_um(coat_of(shell, 5), 120.0) == 120.0
