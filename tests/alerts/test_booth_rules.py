"""Limits and blush while a coat is wet, vapour, airflow, filter, nodes, sensors, disk: over real stores."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector import wire
from collector.advice.airflow import FilterState
from collector.alerts import booth_rules, house_rules
from collector.alerts.condition import AIRFLOW, BLUSH, FILTER_DUE, LIMITS_LEFT, NODE_SILENT, SENSOR_FAULTY, VAPOUR
from collector.alerts.snapshot import AIR, FILTERS, RACK, READINGS, WET, Gatherer, Snapshot
from collector.readings.base import Batch
from collector.records.model import ISOCYANATE_CAUTION, ApplicationLimits, Material, Mix, Piece
from collector.settings import Data, Settings, Ventilation

NOW_MS = 1_772_719_200_000
NOW = datetime.fromtimestamp(NOW_MS / 1000, UTC)
GOOD = {
    "air_temperature": 21.0,
    "relative_humidity": 45.0,
    "surface_temperature": 21.0,
    "face_velocity": 0.9,
    "voc_ppm": 5.0,
}
TOLUENE = Material(
    name="Toluene lacquer", chemistry="solvent_lacquer", role="clear", solids_volume_fraction=0.0,
    solvents={"toluene": 1.0}, limits=ApplicationLimits(relative_humidity_max_pct=65),
)  # fmt: skip


@pytest.fixture
def settings(tmp_path):
    return Settings(
        data=Data(folder=str(tmp_path)), ventilation=Ventilation(volume_m3=20, face_opening_m2=1.2, mixing_factor=1)
    )


class Booth:
    def __init__(self, store, records, settings):
        self.store, self.records, self.settings = store, records, settings

    def says(self, *, age_s=5.0, remarks=None, node="n1", **values):
        time_ms = NOW_MS - round(age_s * 1000)
        payload = wire.encode_pack(node, time_ms, values, remarks=remarks)
        self.store.write(Batch(packs=[wire.decode_pack(f"tackfree/b/{node}/readings", payload, time_ms)]))

    def sprayed(self, ended_min_ago=None, *, material=TOLUENE, piece="Shell", minutes=5.0):
        held = {each.name: each for each in self.records.materials()}
        stored = held.get(material.name) or self.records.add_material(material)
        stands = {each.name: each for each in self.records.pieces()}
        on = stands.get(piece) or self.records.add_piece(Piece(name=piece, substrate="maple"))
        mix = self.records.add_mix(Mix(material=stored))
        began = NOW - timedelta(minutes=minutes + (ended_min_ago or 0))
        coat = self.records.start_coat(on.id, mix.id, "b", began)
        if ended_min_ago is None:
            return coat
        return self.records.end_coat(on.id, NOW - timedelta(minutes=ended_min_ago))

    def shot(self):
        snapshot = Gatherer(self.store, self.records, self.settings, None).gather(NOW_MS)
        assert snapshot.missing == {RACK}
        return snapshot


@pytest.fixture
def booth(store, records, settings):
    return Booth(store, records, settings)


def told(conditions):
    return [(each.kind, each.subject, each.raised) for each in conditions]


# Limits and blush


def test_in_a_good_booth_nothing_is_told(booth):
    booth.says(**GOOD)
    booth.sprayed()
    snapshot = booth.shot()
    assert [each for rule in booth_rules.RULES[:-1] for each in rule.find(snapshot)] == []


def test_a_limit_left_while_a_coat_is_sprayed_is_told(booth):
    booth.says(**{**GOOD, "relative_humidity": 75.0})
    booth.sprayed()
    (found,) = booth_rules.limits_left(booth.shot())
    assert (found.kind, found.raised, found.level) == (LIMITS_LEFT, True, "warning")
    assert found.what == "Relative humidity has left the limits of Toluene lacquer, wet on Shell"
    assert "above the most allowed, 65 %" in found.why
    assert "no further coat" in found.what_to_do


def test_a_value_within_its_guard_band_keeps_an_alert_and_opens_none(booth):
    booth.says(**{**GOOD, "relative_humidity": 64.0})
    booth.sprayed()
    assert [each.raised for each in booth_rules.limits_left(booth.shot())] == [False]


@pytest.mark.parametrize(("ended_min_ago", "count"), [(29.0, 1), (31.0, 0)])
def test_a_coat_is_wet_as_long_as_the_shop_says(booth, ended_min_ago, count):
    booth.says(**{**GOOD, "relative_humidity": 75.0})
    booth.sprayed(ended_min_ago)
    assert len(booth_rules.limits_left(booth.shot())) == count


def test_a_coat_that_nobody_ended_is_not_taken_as_being_sprayed(booth):
    booth.says(**{**GOOD, "relative_humidity": 75.0})
    booth.sprayed(minutes=150)
    assert booth.shot().wet == ()


def test_two_pieces_of_one_material_are_one_alert(booth):
    booth.says(**{**GOOD, "relative_humidity": 75.0})
    booth.sprayed(10.0)
    booth.sprayed(piece="Lap steel 1")
    (found,) = booth_rules.limits_left(booth.shot())
    assert found.what.endswith("wet on Lap steel 1, Shell")


def test_blush_conditions_while_a_coat_is_wet_are_told(booth):
    booth.says(**{**GOOD, "relative_humidity": 88.0, "surface_temperature": 20.0, "air_temperature": 22.0})
    quick = replace(TOLUENE, name="Quick lacquer", solids_volume_fraction=0.1,
                    solvents={"acetone": 0.7, "toluene": 0.3})  # fmt: skip
    booth.sprayed(2.0, material=quick)
    (found,) = booth_rules.blush(booth.shot())
    assert (found.kind, found.raised, found.level) == (BLUSH, True, "warning")
    assert "you accept 10 %" in found.why
    booth.says(age_s=1, **{**GOOD, "relative_humidity": 25.0})
    assert booth_rules.blush(booth.shot()) == []


# Vapour


@pytest.mark.parametrize(
    ("reading", "found"), [(3_900.0, []), (4_100.0, [False]), (4_900.0, [False]), (5_000.0, [True])]
)
def test_vapour_is_told_at_the_ceiling_and_over_below_four_fifths_of_it(booth, reading, found):
    # Toluene reads twice its ppm as isobutylene; 25 % of its lowest cited flammable limit, 1 %, is 2,500 ppm.
    booth.says(**{**GOOD, "voc_ppm": reading})
    booth.sprayed()
    assert [each.raised for each in booth_rules.vapour(booth.shot())] == found


def test_vapour_is_danger_and_says_both_fire_and_breathing_and_what_a_detector_misses(booth):
    booth.says(**{**GOOD, "voc_ppm": 6_000.0})
    booth.sprayed(material=replace(TOLUENE, name="Urethane", chemistry="two_component_urethane", isocyanate=True))
    (found,) = booth_rules.vapour(booth.shot())
    assert (found.kind, found.level) == (VAPOUR, "danger")
    assert found.what == "Solvent vapour in b is at 30 % of the lower flammable limit; your ceiling is 25 %"
    assert "15.0 times OSHA PEL and 30.0 times NIOSH REL" in found.why
    assert "take precedence" in found.what_to_do
    assert found.caution.startswith(ISOCYANATE_CAUTION)
    assert "no exposure" in found.caution


def test_a_detector_that_falls_silent_keeps_an_alert_and_opens_none(booth):
    booth.says(age_s=900, **{**GOOD, "voc_ppm": 6_000.0})
    booth.sprayed()
    assert [each.raised for each in booth_rules.vapour(booth.shot())] == [False]


def test_no_detector_is_no_alert(booth):
    booth.says(**{name: value for name, value in GOOD.items() if name != "voc_ppm"})
    booth.sprayed()
    assert booth_rules.vapour(booth.shot()) == []


# Airflow


@pytest.mark.parametrize(
    ("velocity", "found"),
    [(0.0, [True]), (0.3, [True]), (0.55, [False]), (0.9, [])],  # standing, weak, within its guard band, running
)
def test_the_exhaust_is_told_while_a_coat_is_sprayed(booth, velocity, found):
    booth.says(**{**GOOD, "face_velocity": velocity})
    booth.sprayed()
    assert [each.raised for each in booth_rules.airflow(booth.shot())] == found


def test_an_exhaust_that_stands_with_nothing_sprayed_is_no_alert(booth):
    booth.says(**{**GOOD, "face_velocity": 0.0})
    assert booth_rules.airflow(booth.shot()) == []


def test_the_exhaust_is_told_until_the_booth_is_purged(booth):
    booth.says(**{**GOOD, "face_velocity": 0.9}, age_s=150)
    booth.says(**{**GOOD, "face_velocity": 0.0})
    booth.sprayed(0.5, minutes=3)
    (found,) = booth_rules.airflow(booth.shot())
    assert (found.kind, found.raised, found.level) == (AIRFLOW, True, "danger")
    assert found.what == "The exhaust is not running in b, before the booth is purged"
    assert "Purge:" in found.why
    assert "Nothing here proves the air fit to breathe." in found.caution


def test_a_silent_airflow_sensor_keeps_an_alert_and_opens_none(booth):
    booth.says(**{**GOOD, "face_velocity": 0.0}, age_s=900)
    booth.sprayed()
    assert [each.raised for each in booth_rules.airflow(booth.shot())] == [False]


# Filter


@pytest.mark.parametrize(
    ("state", "raised"), [("change", [True]), ("nearly due", [False]), ("cannot tell", [False]), ("loading", [])]
)
def test_a_filter_is_told_when_it_is_due(settings, state, raised):
    filters = {"b": FilterState(state=state, reason="250 Pa with the fan running")}
    found = booth_rules.filter_due(Snapshot(now=NOW, settings=settings, filters=filters))
    assert [each.raised for each in found] == raised
    assert {each.kind for each in found} <= {FILTER_DUE}


# Nodes, sensors, disk


@pytest.mark.parametrize(
    ("silent_min", "raised"),
    [(1, []), (5, [False]), (11, [True]), (23 * 60, [True]), (25 * 60, [False]), (8 * 1440, [])],
)
def test_a_node_is_told_when_it_falls_silent_and_not_when_it_was_silent_before(booth, silent_min, raised):
    booth.says(age_s=60 * silent_min, **GOOD)
    found = house_rules.node_silent(booth.shot())
    assert [each.raised for each in found] == raised
    assert {(each.kind, each.subject, each.since) for each in found} <= {
        (NODE_SILENT, "b/n1", NOW - timedelta(minutes=silent_min))
    }


def test_a_sensor_whose_node_reports_a_fault_is_told_until_it_reads_again(booth):
    booth.says(**GOOD)
    booth.says(age_s=2, remarks={"surface_temperature": "fault: no answer"})
    (found,) = house_rules.sensor_faulty(booth.shot())
    assert (found.kind, found.subject) == (SENSOR_FAULTY, "b/n1 surface_temperature")
    assert found.why == "The node reports: fault: no answer."
    booth.says(age_s=1, surface_temperature=21.0)
    assert house_rules.sensor_faulty(booth.shot()) == []


@pytest.mark.parametrize(("gib", "raised"), [(1.9, [True]), (2.1, [False]), (2.6, []), (None, [])])
def test_a_disk_is_told_when_it_fills_up(settings, gib, raised):
    free = None if gib is None else round(gib * 1024**3)
    found = house_rules.disk_low(Snapshot(now=NOW, settings=settings, free_bytes=free))
    assert [each.raised for each in found] == raised


# What cannot be read


def test_a_reading_store_that_cannot_be_read_leaves_the_rest(booth, caplog):
    booth.says(**GOOD)
    booth.store.close()
    gatherer = Gatherer(booth.store, booth.records, booth.settings, None)
    snapshot = gatherer.gather(NOW_MS)
    assert snapshot.missing == {READINGS, WET, AIR, FILTERS, RACK}
    assert snapshot.free_bytes is not None
    gatherer.gather(NOW_MS + 10_000)
    assert caplog.text.count("alerts: readings cannot be told") == 1


def test_a_rack_that_fails_leaves_the_rest_and_is_said_once(booth, caplog):
    booth.says(**GOOD)

    def broken(*_):
        raise RuntimeError("no forecast")

    gatherer = Gatherer(booth.store, booth.records, booth.settings, broken)
    for step in range(3):
        assert gatherer.gather(NOW_MS + 10_000 * step).missing == {RACK}
    assert caplog.text.count("alerts: rack cannot be told: RuntimeError: no forecast") == 1
