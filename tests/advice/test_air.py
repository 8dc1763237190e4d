"""The booth's air over real stores: proof of exhaust, vapour against its limits, prediction, purge, filter."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from collector import wire
from collector.advice import air, airflow, coat_air, readiness, vapour
from collector.advice.booth_state import gather
from collector.advice.spray_vapour import evaporating, predicted_vapour
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import ISOCYANATE_CAUTION, Material, Mix, Piece
from collector.records.repository import open_records
from collector.reference.solvents import blend
from collector.settings import Settings, Ventilation

NOW_MS = 1_772_719_200_000
NOW = datetime.fromtimestamp(NOW_MS / 1000, UTC)
OURS = Ventilation(volume_m3=20, face_opening_m2=1.2, mixing_factor=1)
SETTINGS = Settings(ventilation=OURS)
TOLUENE = Material(
    name="Toluene lacquer", chemistry="solvent_lacquer", role="clear", solids_volume_fraction=0.0,
    solvents={"toluene": 1.0},
)  # fmt: skip
URETHANE = replace(TOLUENE, name="Urethane", chemistry="two_component_urethane", isocyanate=True)


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


def said(store, values, *, age_s=5.0, node="n1", remarks=None):
    time_ms = NOW_MS - round(age_s * 1000)
    payload = wire.encode_pack(node, time_ms, values, remarks=remarks)
    store.write(Batch(packs=[wire.decode_pack(f"tackfree/b/{node}/readings", payload, time_ms)]))


def said_often(store, series, *, node="n1"):
    """(age in seconds, values) of many packs in one transaction."""
    packs = []
    for age_s, values in series:
        time_ms = NOW_MS - round(age_s * 1000)
        payload = wire.encode_pack(node, time_ms, values)
        packs.append(wire.decode_pack(f"tackfree/b/{node}/readings", payload, time_ms))
    store.write(Batch(packs=packs))


def state_of(store):
    return gather(store, "b", NOW_MS, SETTINGS.readiness)


def proof_of(store, settings=SETTINGS):
    return airflow.airflow_proof(state_of(store), settings)


def sprayed(records, material=TOLUENE, *, started_min_ago, minutes=5.0, ml=None, open_=False):
    known = {piece.name: piece for piece in records.pieces()}
    piece = known.get("Shell") or records.add_piece(Piece(name="Shell", substrate="maple"))
    held = {each.name: each for each in records.materials()}
    stored = held.get(material.name) or records.add_material(material)
    mix = records.add_mix(Mix(material=stored))
    started = NOW - timedelta(minutes=started_min_ago)
    coat = records.start_coat(piece.id, mix.id, "b", started)
    if open_:
        return coat
    return records.end_coat(piece.id, started + timedelta(minutes=minutes), sprayed_ml=ml)


def found(store, records, settings=SETTINGS, **options):
    return air.air_state(store, records, state_of(store), settings, **options)


def by_yardstick(held):
    return {each.yardstick: each for each in held}


# Exhaust


def test_verdicts_are_spelled_as_readiness_spells_them():
    assert airflow.GO == readiness.GO
    assert airflow.MARGINAL == readiness.MARGINAL
    assert airflow.HOLD == readiness.HOLD
    assert airflow.CANNOT_TELL == readiness.CANNOT_TELL


@pytest.mark.parametrize(
    ("velocity", "state", "verdict"),
    [
        (0.0, "not running", "hold"),
        (0.3, "weak", "hold"),
        # ±20 % rectangular: u = 11.5 % of 0.55, so 0.5 with its guard is 0.60
        (0.55, "running", "marginal"),
        (0.8, "running", "go"),
    ],
)
def test_face_velocity_proves_the_exhaust_or_does_not(store, velocity, state, verdict):
    said(store, {"face_velocity": velocity, "booth_pressure": -12.0})
    proof = proof_of(store)
    assert (proof.state, proof.verdict) == (state, verdict)
    assert "n1" in proof.reason
    assert proof.age_s == 5


def test_booth_pressure_proves_it_where_no_velocity_is_measured_whatever_its_sign(store):
    said(store, {"booth_pressure": -9.0})
    assert proof_of(store).state == "running"
    said(store, {"booth_pressure": 90.0}, age_s=1)
    assert proof_of(store).state == "running"
    said(store, {"booth_pressure": -1.0}, age_s=0)
    assert (proof_of(store).state, proof_of(store).verdict) == ("not running", "hold")


def test_of_two_velocities_the_slower_governs(store):
    said(store, {"face_velocity": 0.9}, node="a")
    said(store, {"face_velocity": 0.2}, node="c")
    assert proof_of(store).node == "c"


def test_silent_faulty_and_absent_sensors_prove_nothing(store):
    assert (proof_of(store).state, proof_of(store).verdict) == ("no sensor", "cannot tell")
    said(store, {"face_velocity": 0.8}, age_s=900)
    proof = proof_of(store)
    assert (proof.state, proof.verdict) == ("not proven", "cannot tell")
    assert "15 min old" in proof.reason
    said(store, {}, remarks={"face_velocity": "fault: no answer"}, age_s=2)
    assert "reports a fault: no answer" in proof_of(store).reason


def test_the_flow_is_velocity_times_opening_with_its_uncertainty(store):
    said(store, {"face_velocity": 0.5})
    flow = airflow.flow_now(state_of(store), proof_of(store), SETTINGS)
    assert flow.m3_h == pytest.approx(0.5 * 1.2 * 3600)
    assert flow.relative_uncertainty == pytest.approx(0.2 / 3**0.5)


def test_without_an_opening_the_flow_set_stands_and_without_either_it_is_not_known(store):
    said(store, {"face_velocity": 0.5})
    set_only = Settings(ventilation=Ventilation(exhaust_m3_h=1_500))
    assert airflow.flow_now(state_of(store), proof_of(store), set_only).m3_h == 1_500
    nothing = airflow.flow_now(state_of(store), proof_of(store), Settings())
    assert nothing.m3_h is None
    assert "set exhaust_m3_h" in nothing.source


def test_a_standing_fan_has_no_flow_though_one_is_set(store):
    said(store, {"face_velocity": 0.0})
    set_only = Settings(ventilation=Ventilation(exhaust_m3_h=1_500))
    assert airflow.flow_now(state_of(store), proof_of(store), set_only).m3_h is None


# Filter


def fan_runs(store, pressures, *, gap_h=12.0):
    """Twenty-minute runs, the last ending an hour ago, each at one booth pressure; the fan stands between."""
    series = []
    for back, pressure in enumerate(reversed(pressures)):
        end_s = 3_600 + back * gap_h * 3_600
        noise = np.random.default_rng(back).normal(0, 0.05, 40)
        series += [(end_s + 30 * index, {"booth_pressure": pressure + noise[index]}) for index in range(40)]
        series += [(end_s - 300, {"booth_pressure": 0.0}), (end_s + 1_500, {"booth_pressure": 0.0})]
    said_often(store, sorted(series, key=lambda item: -item[0]))


def filter_of(store, change_pa):
    return airflow.filter_state(store, "b", NOW_MS, Settings(ventilation=Ventilation(filter_change_pa=change_pa)))


def test_a_filter_across_which_pressure_rises_has_its_running_hours_left(store):
    # 60 to 100 Pa over 40 runs of a third of an hour: 1 Pa a run, 50 Pa to go
    fan_runs(store, np.linspace(60, 100, 41))
    state = filter_of(store, 150.0)
    assert state.state == "clean"
    assert state.worn == pytest.approx(40 / 90, abs=0.02)
    assert state.hours_left == pytest.approx(50 / 3, rel=0.1)
    assert state.hours_left_low < state.hours_left < state.hours_left_high


def test_a_booth_against_shop_pressure_falls_to_its_change(store):
    fan_runs(store, -np.linspace(12, 9.9, 42))
    assert filter_of(store, 9.5).state == "nearly due"


def test_a_new_filter_shows_itself_and_the_count_begins_anew(store):
    fan_runs(store, np.concatenate([np.linspace(60, 140, 30), np.linspace(60, 80, 20)]))
    state = filter_of(store, 150.0)
    assert state.state == "clean"
    assert state.pressure == pytest.approx(80, abs=1.5)
    assert state.worn == pytest.approx(20 / 90, abs=0.03)
    assert state.running_h == pytest.approx(20 / 3, rel=0.1)


def test_a_filter_past_its_pressure_is_due(store):
    fan_runs(store, np.linspace(60, 155, 40))
    state = filter_of(store, 150.0)
    assert state.state == "change"
    assert state.hours_left == 0


def test_an_unknown_change_pressure_or_an_unmeasured_filter_cannot_be_told(store):
    assert filter_of(store, 150.0).state == "cannot tell"
    fan_runs(store, np.linspace(60, 100, 12))
    state = filter_of(store, 0.0)
    assert state.state == "cannot tell"
    assert "set filter_change_pa" in state.reason


# Vapour now


def test_a_reading_is_turned_into_the_blend_last_sprayed(store, records):
    said(store, {"voc_ppm": 400.0, "face_velocity": 0.8})
    sprayed(records, started_min_ago=20)
    measured = found(store, records).measured
    # Toluene answers twice as strongly as isobutylene (response factor 0.5, a maker's note)
    assert measured.ppm == pytest.approx(200, rel=0.03)
    assert measured.low_ppm < 0.8 * measured.ppm
    assert measured.high_ppm > 1.25 * measured.ppm
    assert "Toluene lacquer, sprayed 15 min ago" in measured.blend_words
    held = by_yardstick(measured.against)
    assert held["lfl"].value == pytest.approx(200 / 1e4 / 1.0 * 100, rel=0.03)
    assert held["pel"].value == pytest.approx(1.0, rel=0.03)
    assert held["rel"].value == pytest.approx(2.0, rel=0.03)


def test_fire_within_and_breathing_over_are_told_side_by_side(store, records):
    said(store, {"voc_ppm": 1_000.0})
    sprayed(records, started_min_ago=20)
    held = by_yardstick(found(store, records).measured.against)
    assert held["lfl"].verdict == "go"
    assert held["pel"].verdict == "hold"
    assert held["rel"].verdict == "hold"


def test_fire_over_its_ceiling_holds_and_near_it_is_marginal(store, records):
    sprayed(records, started_min_ago=20)
    said(store, {"voc_ppm": 6_000.0})
    assert by_yardstick(found(store, records).measured.against)["lfl"].verdict == "hold"
    said(store, {"voc_ppm": 4_200.0}, age_s=1)
    assert by_yardstick(found(store, records).measured.against)["lfl"].verdict == "marginal"
    strict = Settings(ventilation=replace(OURS, lfl_ceiling_pct=10))
    assert by_yardstick(found(store, records, strict).measured.against)["lfl"].verdict == "hold"


def test_a_solvent_without_a_limit_is_never_counted_as_within(store, records):
    other = replace(TOLUENE, name="Other", solvents={"toluene": 0.2, "propylene glycol methyl ether acetate": 0.8})
    sprayed(records, other, started_min_ago=20)
    said(store, {"voc_ppm": 2.0})
    held = by_yardstick(found(store, records).measured.against)
    assert held["pel"].missing == ("propylene glycol methyl ether acetate",)
    assert held["pel"].verdict == "cannot tell"
    assert held["pel"].value is not None


@pytest.mark.parametrize("ppm", [0.0, 3.0, 900.0])
def test_isocyanates_are_cleared_by_no_reading(store, records, ppm):
    said(store, {"voc_ppm": ppm, "face_velocity": 0.8})
    said_often(store, [(60 * back, {"face_velocity": 0.8}) for back in range(200, 190, -1)])
    sprayed(records, URETHANE, started_min_ago=300)
    sprayed(records, started_min_ago=200)
    state = found(store, records)
    assert state.cautions[0] == ISOCYANATE_CAUTION
    held = by_yardstick(state.measured.against)
    assert held["pel"].verdict != "go"
    assert held["rel"].verdict != "go"
    assert state.purge.state == "cannot tell"
    assert "of the isocyanates nothing is known" in state.purge.reason


def test_a_chosen_isocyanate_mix_shows_the_caution_before_it_is_sprayed(store, records):
    assert ISOCYANATE_CAUTION in found(store, records, chosen=Mix(material=URETHANE)).cautions
    assert ISOCYANATE_CAUTION not in found(store, records, chosen=Mix(material=TOLUENE)).cautions


def test_the_standing_cautions_are_always_there(store, records):
    cautions = found(store, records).cautions
    assert any("no gas detector, no interlock" in text for text in cautions)
    assert any("no isocyanates, no mist and no dust" in text for text in cautions)


def test_without_a_detector_or_with_a_stale_or_faulty_one_the_vapour_is_not_known(store, records):
    assert "No detector in b" in found(store, records).measured.reason
    said(store, {"voc_ppm": 5.0}, age_s=900)
    assert "last spoke 15 min ago" in found(store, records).measured.reason
    said(store, {}, remarks={"voc_ppm": "fault: lamp"}, age_s=2)
    stale = found(store, records).measured
    assert "reports a fault: lamp" in stale.reason
    assert stale.against == ()


def test_an_unknown_blend_leaves_the_reading_as_isobutylene(store, records):
    said(store, {"voc_ppm": 50.0})
    measured = found(store, records).measured
    assert measured.reading_ppm == 50
    assert measured.ppm is None
    assert "no material is chosen" in measured.reason
    nameless = replace(TOLUENE, name="Unknown", solvents={})
    assert "names no solvents" in found(store, records, chosen=Mix(material=nameless)).measured.reason
    strange = replace(TOLUENE, name="Strange", solvents={"unobtainium": 1.0})
    assert "unobtainium" in found(store, records, chosen=Mix(material=strange)).measured.reason


def test_a_blend_the_lamp_is_blind_to_gives_no_number(store, records):
    said(store, {"voc_ppm": 0.0})
    spirit = replace(TOLUENE, name="Wood spirit", solvents={"methanol": 1.0})
    measured = found(store, records, chosen=Mix(material=spirit)).measured
    assert measured.reason == "The detector's lamp sees nothing of this blend"
    assert measured.against == ()
    assert measured.response.blind == ("methanol",)


def test_the_mean_of_the_shift_is_held_against_the_limits_too(store, records):
    said_often(store, [(28_000 - 60 * index, {"voc_ppm": 800.0 if index < 60 else 0.0}) for index in range(466)])
    sprayed(records, started_min_ago=460)
    measured = found(store, records).measured
    # An hour of 400 ppm of toluene in eight: 50 ppm, a quarter of the PEL
    assert by_yardstick(measured.shift_against)["pel"].value == pytest.approx(0.25, rel=0.1)
    assert measured.shift_covered > 0.9


def test_every_limit_stands_with_its_source(store, records):
    sprayed(records, started_min_ago=20)
    limits = {limit.yardstick: limit for limit in found(store, records).limits}
    assert set(limits) == {"lfl", "pel", "rel"}
    assert all(limit.source for limit in limits.values())


# What a mix gives off


def test_what_is_not_solids_evaporates_and_thinner_counts_in_full():
    half = replace(TOLUENE, solids_volume_fraction=0.4)
    assert evaporating(Mix(material=half)).volatile_fraction == pytest.approx(0.6)
    thinned = evaporating(Mix(material=half, reducer_fraction=0.5))
    assert thinned.volatile_fraction == pytest.approx(1.1 / 1.5)
    assert "reducer" in thinned.assumptions[0]
    unknown = evaporating(Mix(material=replace(TOLUENE, solids_volume_fraction=None)))
    assert unknown.volatile_fraction == 1.0
    assert "all of it is taken to evaporate" in unknown.assumptions[0]


def test_water_is_no_solvent_vapour():
    wet = blend({"water": 0.9, "2-butoxyethanol": 0.1})
    assert set(vapour.vapour_m3_h(wet, 100)) == {"2-butoxyethanol"}
    assert vapour.mole_shares(wet) == {"2-butoxyethanol": 1.0}
    plain = vapour.levels(blend({"water": 1.0}), 0.0)
    assert (plain.percent_of_lfl, plain.exposure_index_pel) == (0.0, 0.0)
    assert plain.missing == {"lfl": (), "pel": (), "rel": ()}


def test_a_ceiling_stands_where_there_is_no_mean_over_the_shift():
    # NIOSH gives n-butanol a ceiling of 50 ppm and no mean
    rel = next(limit for limit in vapour.limits_of(blend({"n-butanol": 1.0})) if limit.yardstick == "rel")
    assert rel.value == 50


def test_a_factor_nobody_gives_counts_as_unseen_and_is_named():
    found_response = vapour.response(blend({"toluene": 0.5, "isobutyl isobutyrate": 0.5}))
    alone = vapour.response(blend({"toluene": 1.0}))
    assert found_response.unknown == ("isobutyl isobutyrate",)
    assert found_response.factor > alone.factor


# Prediction


def predicted(minutes=5.0, settings=SETTINGS, flow_m3_h=2_000.0, material=TOLUENE, **options):
    flow = airflow.Flow(m3_h=flow_m3_h, relative_uncertainty=0.1, source="test")
    return predicted_vapour(Mix(material=material), settings, flow, minutes=minutes, **options)


def test_lasting_spraying_comes_to_source_over_flow_and_the_interval_holds_it():
    long = predicted(minutes=240.0, rate_ml_min=100.0)
    # 22.63 l of vapour a minute in 2,000 m³/h
    assert long.peak_ppm == pytest.approx(22.63e-3 * 60 / 2_000 * 1e6, rel=0.01)
    assert long.peak_low_ppm < long.peak_ppm < long.peak_high_ppm
    held = by_yardstick(long.against)
    assert held["pel"].verdict == "hold"
    assert held["lfl"].verdict == "go"


def test_all_that_is_sprayed_leaves_with_the_exhaust():
    course = predicted(minutes=6.0, rate_ml_min=120.0)
    steps_h = np.diff(course.minutes) / 60
    mean = (course.ppm[1:] + course.ppm[:-1]) / 2
    carried_m3 = float((mean * steps_h).sum()) * 2_000 / 1e6
    made_m3 = 22.63e-5 * 720  # m³ of vapour a ml of toluene, 720 ml
    assert carried_m3 == pytest.approx(made_m3, rel=0.02)


def test_what_lands_on_the_piece_lowers_the_peak_and_draws_out_the_purge():
    mist = predicted(settings=Settings(ventilation=replace(OURS, transfer_pct=0)))
    landed = predicted(settings=Settings(ventilation=replace(OURS, transfer_pct=90)))
    assert landed.peak_ppm < mist.peak_ppm
    assert landed.purge_minutes > mist.purge_minutes


def test_purge_without_a_wet_film_is_the_textbooks():
    mist = predicted(minutes=60.0, settings=Settings(ventilation=replace(OURS, transfer_pct=0)))
    # 20 m³ at 2,000 m³/h: 0.6 min times ln 10, told in steps of a minute
    assert 1.38 <= mist.purge_minutes <= 2.5


def test_poor_mixing_raises_the_peak():
    poor = predicted(settings=Settings(ventilation=replace(OURS, mixing_factor=4)))
    assert poor.peak_ppm > 2 * predicted().peak_ppm


def test_an_unknown_volume_is_said_and_gives_no_countdown():
    found_vapour = predicted(settings=Settings(ventilation=replace(OURS, volume_m3=0)))
    assert found_vapour.purge_minutes is None
    assert any("volume is not known" in text for text in found_vapour.assumptions)
    assert found_vapour.peak_ppm >= predicted().peak_ppm


def test_an_unknown_flow_or_blend_predicts_nothing_and_says_why():
    assert (
        "flow is not known"
        in predicted_vapour(
            Mix(material=TOLUENE), Settings(), airflow.flow_of_velocity(None, Settings()), minutes=5
        ).reason
    )
    assert "names no solvents" in predicted(material=replace(TOLUENE, solvents={})).reason


def test_the_same_question_has_the_same_answer():
    assert predicted().peak_high_ppm == predicted().peak_high_ppm


# The last coat, its purge, its course


def test_a_running_coat_is_spraying_and_counts_nothing_down(store, records):
    said(store, {"face_velocity": 0.8, "voc_ppm": 10.0})
    sprayed(records, started_min_ago=3, open_=True)
    state = found(store, records)
    assert state.purge.state == "spraying"
    assert state.last.predicted.spray_minutes == pytest.approx(3)


def test_the_countdown_runs_from_the_end_of_the_coat(store, records):
    said_often(store, [(60 * back, {"face_velocity": 0.8}) for back in range(20, -1, -1)])
    sprayed(records, started_min_ago=8, minutes=5, ml=500)
    purge = found(store, records).purge
    assert purge.state == "counting"
    assert purge.minutes_left == pytest.approx(found(store, records).last.predicted.purge_minutes - 3)
    assert purge.low <= purge.minutes_left <= purge.high


def test_the_countdown_stands_while_the_fan_does(store, records):
    said_often(store, [(60 * back, {"face_velocity": 0.8}) for back in range(20, 3, -1)])
    said(store, {"face_velocity": 0.0})
    sprayed(records, started_min_ago=8, minutes=5, ml=500)
    purge = found(store, records).purge
    assert purge.state == "stopped"
    assert "not running" in purge.reason


def test_the_detector_says_whether_its_own_peak_is_down_to_a_tenth(store, records):
    said_often(store, [(60 * back, {"face_velocity": 0.8, "voc_ppm": 300.0}) for back in range(50, 40, -1)])
    said(store, {"face_velocity": 0.8, "voc_ppm": 40.0})
    sprayed(records, started_min_ago=50, minutes=5, ml=500)
    assert found(store, records).purge.detector == "not yet"
    said(store, {"voc_ppm": 20.0}, age_s=1)
    purge = found(store, records).purge
    assert purge.state == "over"
    assert purge.detector == "reached"


def test_nothing_sprayed_today_has_no_countdown(store, records):
    sprayed(records, started_min_ago=60 * 30)
    state = found(store, records)
    assert state.last is None
    assert state.purge.state == "none"


def test_predicted_stands_beside_measured_for_the_last_coat(store, records):
    said_often(store, [(10 * back, {"face_velocity": 0.5, "voc_ppm": 600.0}) for back in range(90, 0, -1)])
    sprayed(records, started_min_ago=12, minutes=6, ml=600)
    last = found(store, records).last
    # Response factor 0.5 of toluene; the flow is that measured while it was sprayed
    assert last.measured_peak_ppm == pytest.approx(300, rel=0.03)
    assert last.predicted.flow.m3_h == pytest.approx(0.5 * 1.2 * 3600, rel=0.01)
    assert last.predicted.rate_ml_min == pytest.approx(100)


def test_the_course_has_prediction_where_a_coat_was_and_gaps_where_nothing_was_measured(store, records):
    said_often(store, [(30 * back, {"face_velocity": 0.8, "voc_ppm": 100.0}) for back in range(60, 0, -1)])
    sprayed(records, started_min_ago=20, minutes=5, ml=500)
    course = coat_air.vapour_course(store, records, "b", NOW_MS - 2 * 3_600_000, NOW_MS, SETTINGS)
    age_min = (NOW_MS - course.time_ms) / 60_000
    assert np.isnan(course.predicted_ppm[age_min > 21]).all()
    assert np.nanmax(course.predicted_ppm) > 100
    assert np.isnan(course.measured_ppm[age_min > 31]).all()
    assert np.nanmax(course.measured_ppm[age_min < 19]) == pytest.approx(50, rel=0.03)
    # Before the coat nothing says which blend it is: as isobutylene
    assert np.nanmax(course.measured_ppm[(age_min > 22) & (age_min < 29)]) == pytest.approx(100)
    assert (course.low_ppm <= course.high_ppm)[np.isfinite(course.low_ppm)].all()


def test_an_empty_stretch_is_empty(store, records):
    assert coat_air.vapour_course(store, records, "b", NOW_MS - 3_600_000, NOW_MS, SETTINGS).empty


def test_the_usual_flow_is_that_of_the_last_run_while_the_fan_stands(store):
    said_often(store, [(3_600 + 30 * back, {"face_velocity": 0.6}) for back in range(40, 0, -1)])
    said(store, {"face_velocity": 0.0})
    flow = coat_air.usual_flow(store, state_of(store), SETTINGS)
    assert flow.m3_h == pytest.approx(0.6 * 1.2 * 3600, rel=0.01)


def test_a_vapour_index_is_a_trend_and_nothing_more(store, records):
    said_often(store, [(60 * back, {"voc_index": 100.0 if back > 10 else 200.0}) for back in range(59, -1, -1)])
    state = found(store, records)
    assert "rising" in state.index_words
    assert "a trend only" in state.index_words
    assert state.measured.ppm is None
