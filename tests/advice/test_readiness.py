"""The spray / hold answer, over a real store: what it says, and that it never says go when it cannot tell."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import wire
from collector.advice.readiness import assess, gather
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import ISOCYANATE_CAUTION, ApplicationLimits, Material, Piece
from collector.settings import Settings, Shop

NOW = 1_772_719_200_000
SETTINGS = Settings()
LIMITS = ApplicationLimits(
    air_min_c=15,
    air_max_c=32,
    surface_min_c=15,
    surface_max_c=32,
    relative_humidity_min_pct=25,
    relative_humidity_max_pct=65,
    margin_min_k=5,
)
LACQUER = Material(name="Lacquer", chemistry="solvent_lacquer", role="clear", limits=LIMITS)
GOOD = {"air_temperature": 21.0, "relative_humidity": 45.0, "surface_temperature": 20.5}


@pytest.fixture
def store(tmp_path):
    opened = SqliteReadingStore(tmp_path / "readings.sqlite")
    yield opened
    opened.close()


def said(store, node, values, *, age_s=5.0, remarks=None):
    time_ms = NOW - round(age_s * 1000)
    payload = wire.encode_pack(node, time_ms, values, remarks=remarks)
    store.write(Batch(packs=[wire.decode_pack(f"tackfree/b/{node}/readings", payload, time_ms)]))


def judged(store, material=LACQUER, piece=None, ours=SETTINGS, **options):
    return assess(gather(store, "b", NOW, ours.readiness), material, piece, ours, **options)


def limit(readiness, name):
    return next(item for item in readiness.limits if item.name == name)


def test_a_good_booth_is_go_and_says_where_there_is_least_room(store):
    said(store, "n1", GOOD)
    answer = judged(store)
    assert answer.verdict == "go"
    assert answer.reason.startswith("Every limit of Lacquer is kept. Least room:")


def test_damp_air_holds_with_the_number_and_the_limit(store):
    said(store, "n1", {**GOOD, "relative_humidity": 78.0})
    answer = judged(store)
    assert answer.verdict == "hold"
    told = limit(answer, "relative_humidity").reason
    assert told == "Relative humidity is 78 ± 3 %, 13 points above the most allowed, 65 % (n1)"


def test_a_value_within_its_guard_band_is_marginal(store):
    # ±3 %RH rectangular: u = 1.73 %, guard 1.645·u = 2.85 %, so 63 % is too near 65 %.
    said(store, "n1", {**GOOD, "relative_humidity": 63.0})
    damp = limit(judged(store), "relative_humidity")
    assert damp.verdict == "marginal"
    assert damp.guarded_high == pytest.approx(65 - 1.6449 * 3 / 3**0.5, abs=1e-3)
    assert judged(store).verdict == "marginal"


def test_a_cold_surface_holds_by_its_dew_point_margin(store):
    said(store, "n1", {"air_temperature": 22.0, "relative_humidity": 60.0, "surface_temperature": 17.0})
    answer = judged(store)
    margin = limit(answer, "dew_point_margin")
    # Dew point of 22 °C, 60 %: 13.88 °C (PsychroLib 2.5.0), so the margin is 3.1 K against 5 K.
    assert margin.value == pytest.approx(17.0 - 13.88, abs=0.02)
    assert margin.verdict == "hold"


def test_the_setting_is_the_margin_limit_where_the_material_has_none(store):
    said(store, "n1", {"air_temperature": 22.0, "relative_humidity": 60.0, "surface_temperature": 18.5})
    without = replace(LACQUER, limits=replace(LIMITS, margin_min_k=None))
    assert limit(judged(store, without), "dew_point_margin").low == 3.0
    assert limit(judged(store, without), "dew_point_margin").verdict == "go"
    assert limit(judged(store), "dew_point_margin").verdict == "hold"


def test_no_data_cannot_tell(store):
    answer = judged(store)
    assert answer.verdict == "cannot tell"
    assert "no node in b has sent it in the last day" in answer.reason


@pytest.mark.parametrize("quantity", ["air_temperature", "relative_humidity", "surface_temperature"])
def test_a_stale_sensor_cannot_tell(store, quantity):
    said(store, "n1", {name: value for name, value in GOOD.items() if name != quantity})
    said(store, "n1", {quantity: GOOD[quantity]}, age_s=900)
    answer = judged(store)
    assert answer.verdict == "cannot tell"
    assert "15 min old" in answer.reason


def test_a_faulty_sensor_cannot_tell(store):
    said(store, "n1", GOOD, age_s=20)
    said(store, "n1", {}, remarks={"relative_humidity": "fault: crc"}, age_s=2)
    answer = judged(store)
    assert answer.verdict == "cannot tell"
    assert "n1 reports a fault: crc" in answer.reason


def test_a_fault_is_over_when_the_sensor_reads_again(store):
    said(store, "n1", {}, remarks={"relative_humidity": "fault: crc"}, age_s=20)
    said(store, "n1", GOOD, age_s=2)
    assert judged(store).verdict == "go"


def test_a_certain_hold_outranks_what_cannot_be_told(store):
    said(store, "n1", {"relative_humidity": 90.0})
    assert judged(store).verdict == "hold"


def test_what_cannot_be_told_outranks_a_marginal_limit(store):
    # 63 % is marginal against 65 %; the surface was last heard a quarter of an hour ago.
    said(store, "n1", {"air_temperature": 21.0, "relative_humidity": 63.0})
    said(store, "n1", {"surface_temperature": 20.5}, age_s=900)
    answer = judged(store)
    assert limit(answer, "relative_humidity").verdict == "marginal"
    assert answer.verdict == "cannot tell"


def test_air_does_not_stand_in_for_a_surface_sensor_that_fell_silent(store):
    said(store, "n1", {"air_temperature": 21.0, "relative_humidity": 45.0})
    said(store, "n1", {"surface_temperature": 20.5}, age_s=900)
    answer = judged(store)
    for name in ("surface_temperature", "dew_point_margin"):
        assert limit(answer, name).verdict == "cannot tell"
        assert limit(answer, name).value is None


@pytest.mark.parametrize(("calm", "near"), [(45.0, 55.0), (70.0, 80.0)])
def test_of_two_nodes_with_one_verdict_the_one_with_less_room_governs(store, calm, near):
    said(store, "a", {**GOOD, "relative_humidity": near})
    said(store, "b", {**GOOD, "relative_humidity": calm})
    said(store, "c", {**GOOD, "relative_humidity": near - 1})
    assert limit(judged(store), "relative_humidity").node == "a"


def test_a_borrowed_air_temperature_widens_the_margin(store):
    said(store, "n1", GOOD)
    own = limit(judged(store), "dew_point_margin")
    said(store, "hand", {"relative_humidity": 46.0})
    borrowed = limit(judged(store), "dew_point_margin")
    assert borrowed.node == "hand"
    # Beside the sensor's own ±0.5 K stands another ±1.5 K, both rectangular, times ∂Td/∂t = 0.91 at 21 °C and 46 %.
    added = borrowed.standard_uncertainty**2 - own.standard_uncertainty**2
    assert added == pytest.approx((0.91 * 1.5) ** 2 / 3, rel=0.05)


def test_without_any_surface_sensor_the_air_stands_in_with_a_wider_uncertainty(store):
    said(store, "n1", {name: value for name, value in GOOD.items() if name != "surface_temperature"})
    surface = limit(judged(store), "surface_temperature")
    assert surface.value == 21.0
    assert surface.standard_uncertainty == pytest.approx(2.0 / 3**0.5)
    assert "taken from the air" in surface.reason


def test_the_least_favourable_node_governs_and_is_named(store):
    said(store, "n1", GOOD)
    said(store, "hand", {"relative_humidity": 93.0})
    answer = judged(store)
    assert answer.verdict == "hold"
    assert limit(answer, "relative_humidity").node == "hand"
    margin = limit(answer, "dew_point_margin")
    assert margin.node == "hand"
    assert "another node's air temperature" in margin.reason


def test_a_node_that_falls_silent_no_longer_governs(store):
    said(store, "n1", GOOD)
    said(store, "hand", {"relative_humidity": 93.0}, age_s=600)
    answer = judged(store)
    assert answer.verdict == "go"
    assert limit(answer, "freshness").reason.endswith("not counted: relative humidity of hand (10 min old)")


def test_a_fault_of_one_of_two_nodes_is_told_while_the_other_answers(store):
    said(store, "n1", GOOD)
    said(store, "n2", GOOD, age_s=20)
    said(store, "n2", {}, remarks={"surface_temperature": "fault: no answer"}, age_s=2)
    answer = judged(store)
    assert answer.verdict == "go"
    assert "not counted: surface temperature of n2 (fault: no answer)" in limit(answer, "freshness").reason


def test_the_dew_point_takes_temperature_and_humidity_of_one_node(store):
    said(store, "warm", {"air_temperature": 26.0, "relative_humidity": 40.0, "surface_temperature": 21.0})
    said(store, "cool", {"air_temperature": 20.0, "relative_humidity": 57.5})
    margin = limit(judged(store), "dew_point_margin")
    # Own pairs: 26 °C/40 % -> 11.3 °C and 20 °C/57.5 % -> 11.4 °C; crossed, 26 °C/57.5 % would be 17.0 °C.
    assert margin.value == pytest.approx(21.0 - 11.4, abs=0.1)


def test_isocyanates_are_cautioned_whatever_the_readings(store):
    said(store, "n1", GOOD)
    answer = judged(store, replace(LACQUER, isocyanate=True))
    assert answer.cautions[0] == ISOCYANATE_CAUTION
    assert ISOCYANATE_CAUTION not in judged(store).cautions


def test_a_clock_far_ahead_is_not_fresh(store):
    said(store, "n1", GOOD, age_s=-240)
    answer = judged(store)
    assert answer.verdict == "cannot tell"
    assert "clock of n1 runs" in answer.reason


def test_reasons_come_in_us_units(store):
    said(store, "n1", {**GOOD, "air_temperature": 10.0})
    assert "Air is 50.0 °F" in limit(judged(store, ours=Settings(shop=Shop(units="us"))), "air_temperature").reason


def test_the_piece_is_named(store):
    said(store, "n1", GOOD)
    surface = limit(judged(store, piece=Piece(name="Lap steel 3")), "surface_temperature")
    assert surface.reason.startswith("Surface of Lap steel 3 is 20.5 °C")


def test_a_rising_humidity_says_when_the_limit_will_be_passed(store):
    for minute in range(60, -1, -1):
        damp = 60.0 - minute * 0.1 + (0.05 if minute % 2 else -0.05)
        said(store, "n1", {**GOOD, "relative_humidity": damp}, age_s=minute * 60)
    moving = limit(judged(store), "relative_humidity").trend
    assert moving.event == "broken"
    assert moving.per_hour == pytest.approx(6.0, abs=0.3)
    # 5 % to go at 6 % an hour
    assert moving.minutes == pytest.approx(50, abs=4)
    assert moving.minutes_low <= moving.minutes <= moving.minutes_high


def test_warming_air_says_when_it_will_be_warm_enough(store):
    for minute in range(60, -1, -1):
        warmth = 13.0 - minute * 0.1 + (0.02 if minute % 2 else -0.02)
        said(store, "n1", {**GOOD, "air_temperature": warmth}, age_s=minute * 60)
    cold = limit(judged(store), "air_temperature")
    assert cold.verdict == "hold"
    assert cold.trend.event == "met"
    # 2 K to go at 6 K an hour
    assert cold.trend.minutes == pytest.approx(20, abs=2)


def test_noise_alone_is_steady(store):
    for minute in range(60, -1, -1):
        said(store, "n1", {**GOOD, "relative_humidity": 45.0 + (minute * 7 % 5 - 2) * 0.3}, age_s=minute * 60)
    assert limit(judged(store), "relative_humidity").trend.event == "steady"


def test_the_answer_is_json_ready(store):
    import json

    said(store, "n1", GOOD)
    again = json.loads(json.dumps(judged(store).to_dict(), allow_nan=False))
    assert again["verdict"] == "go"
    assert {item["name"] for item in again["limits"]} >= {"dew_point_margin", "relative_humidity", "freshness"}


def test_a_booth_without_a_flow_sensor_is_told_to_look_for_itself(store):
    said(store, "n1", GOOD)
    answer = judged(store)
    assert "airflow" not in {item.name for item in answer.limits}
    assert "Airflow is not measured here: see for yourself that the exhaust runs." in answer.cautions


def test_a_standing_exhaust_holds_a_booth_that_is_right_in_all_else(store):
    said(store, "n1", {**GOOD, "face_velocity": 0.0})
    answer = judged(store)
    assert answer.verdict == "hold"
    assert {item.name for item in answer.limits if item.verdict != "go"} == {"airflow"}


def test_blush_is_not_judged_where_no_solvents_are_entered_and_it_says_so(store):
    said(store, "n1", GOOD)
    answer = judged(store)
    assert answer.wet_coat.blush is None
    assert answer.to_dict()["blush"] is None
    assert "Blush and vapour are not judged: no solvents are entered for Lacquer." in answer.cautions


@settings(max_examples=40, deadline=None)
@given(
    air=st.none() | st.floats(-40, 85),
    damp=st.none() | st.floats(0, 100),
    surface=st.none() | st.floats(-40, 125),
)
def test_go_means_every_limit_is_known_and_kept(tmp_path_factory, air, damp, surface):
    values = {"air_temperature": air, "relative_humidity": damp, "surface_temperature": surface}
    known = {name: value for name, value in values.items() if value is not None}
    store = SqliteReadingStore(tmp_path_factory.mktemp("store") / "readings.sqlite")
    if known:
        said(store, "n1", known)
    answer = judged(store)
    store.close()
    if answer.verdict == "go":
        assert 15 < air < 32
        assert 25 < damp < 65
        assert {item.verdict for item in answer.limits} == {"go"}
    if air is None or damp is None:
        assert answer.verdict in ("hold", "cannot tell")
