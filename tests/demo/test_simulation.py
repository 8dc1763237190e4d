"""Promises of the simulated shop: one seed one shop, a past that joins the present, and air that lives."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector import wire
from collector.demo.booth import SOLVENT_KG_MOL
from collector.demo.pieces import PIECES
from collector.demo.plan import Plan
from collector.demo.schedule import Event, Schedule, live_events, rinsing, spraying
from collector.demo.sensors import ISOBUTYLENE_FACTOR, SENSORS
from collector.demo.simulation import Simulation, resumed, save, simulation_of_plan
from collector.demo.weather import Weather

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 5, 20, 12, 30, tzinfo=UTC)  # a Wednesday, half past two in the shop
NOW_MS = round(NOW.timestamp() * 1000)
HOUR_MS = 3_600_000


def quiet(start_ms: int, events: list[Event], seed: int = 1) -> Simulation:
    return Simulation(
        seed=seed, anchor_ms=NOW_MS, start_ms=start_ms, zone=BERLIN, events=events, battery_new_ms=[NOW_MS - 10**9]
    )


def times(start_ms: int, hours: float, step_ms: int = 30_000) -> np.ndarray:
    return np.arange(start_ms + step_ms, start_ms + round(hours * HOUR_MS) + 1, step_ms)


def test_the_same_seed_gives_the_same_readings_and_another_seed_others() -> None:
    first, again, other = (
        quiet(NOW_MS, [], seed).measured(times(NOW_MS, 2))["relative_humidity"] for seed in (1, 1, 2)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_weather_is_the_same_from_wherever_it_is_looked_at() -> None:
    weather = Weather(3, NOW_MS, 7200)
    span = times(NOW_MS - 30 * HOUR_MS, 60)
    whole = weather.series(span)
    assert weather.at(int(span[100])) == whole[100]


def test_outdoors_the_afternoon_is_warmer_than_the_night_and_the_air_never_oversaturated() -> None:
    for seed in range(1, 6):
        weather = Weather(seed, NOW_MS, 7200)
        days = weather.series(times(NOW_MS - 480 * HOUR_MS, 480, HOUR_MS))
        hour = (times(NOW_MS - 480 * HOUR_MS, 480, HOUR_MS) // HOUR_MS + 2) % 24
        assert days.outdoor_c[hour == 15].mean() > days.outdoor_c[hour == 3].mean() + 6
        assert days.outdoor_c.min() > -5 and days.outdoor_c.max() < 32
        assert days.shop_humidity_ratio.min() > 0.002


def test_a_simulation_started_later_joins_the_same_course() -> None:
    events = Plan(NOW, BERLIN).events()
    early, late = quiet(NOW_MS - 90 * HOUR_MS, events), quiet(NOW_MS - 6 * HOUR_MS, events)
    early.truth(times(NOW_MS - 90 * HOUR_MS, 84))
    span = times(NOW_MS - 6 * HOUR_MS, 6)
    one, two = early.truth(span), late.truth(span)
    assert np.allclose(one["relative_humidity"], two["relative_humidity"], atol=5)
    assert np.allclose(one["surface_temperature"], two["surface_temperature"], atol=0.4)
    assert np.allclose(one["voc_ppm"], two["voc_ppm"], rtol=0.02, atol=0.1)


def test_a_saved_simulation_goes_on_exactly_where_it_stood(tmp_path: Path) -> None:
    plan = Plan(NOW, BERLIN)
    past = simulation_of_plan(plan, 5, NOW_MS - 5 * HOUR_MS)
    past.measured(times(NOW_MS - 5 * HOUR_MS, 5))
    save(past, NOW_MS, 5, tmp_path / "booth.json")
    present = resumed(tmp_path / "booth.json", 5, BERLIN, NOW_MS + 7_000)
    assert present.at_ms == NOW_MS
    span = times(NOW_MS, 1, 5_000)
    one, two = past.truth(span), present.truth(span)
    assert all(np.allclose(one[quantity], two[quantity], atol=1e-12) for quantity in one)


@pytest.mark.parametrize("content", [None, "", "{}", "[]", "7", '{"anchor_ms": "x", "seed": 5, "at_ms": 1}'])
def test_without_a_usable_file_the_booth_starts_anew_at_the_present(tmp_path: Path, content: str | None) -> None:
    file = tmp_path / "booth.json"
    if content is not None:
        file.write_text(content)
    assert resumed(file, 5, BERLIN, NOW_MS).at_ms == NOW_MS


def test_another_seeds_file_is_not_taken_up(tmp_path: Path) -> None:
    save(quiet(NOW_MS, []), NOW_MS, 1, tmp_path / "booth.json")
    assert resumed(tmp_path / "booth.json", 2, BERLIN, NOW_MS + HOUR_MS).at_ms == NOW_MS + HOUR_MS


def test_time_that_does_not_rise_is_refused() -> None:
    simulation = quiet(NOW_MS, [])
    with pytest.raises(ValueError, match="is not after"):
        simulation.truth(np.array([NOW_MS]))


@pytest.mark.parametrize("seed", range(1, 7))
@pytest.mark.parametrize("hour", [0, 5, 9, 13, 18, 22])
def test_a_demo_starts_in_ordinary_air_at_any_hour(seed: int, hour: int) -> None:
    now = NOW.replace(hour=hour)
    now_ms = round(now.timestamp() * 1000)
    shown = simulation_of_plan(Plan(now, BERLIN), seed, now_ms).measured(times(now_ms, 0.05, 5_000))
    assert 19.5 < shown["air_temperature"].mean() < 24
    assert 40 < shown["relative_humidity"].mean() < 58
    assert shown["voc_ppm"].mean() < 25  # the last coat may have been half an hour ago


def test_live_air_goes_from_fit_to_too_humid_and_back_and_solvent_comes_and_goes() -> None:
    simulation = quiet(NOW_MS, live_events(NOW_MS))
    shown = simulation.measured(times(NOW_MS, 3, 5_000))
    humid = shown["relative_humidity"] > 63
    assert 0.05 < humid.mean() < 0.6
    assert (np.diff(humid.astype(int)) == -1).sum() >= 2
    assert shown["voc_ppm"].max() > 15 and np.median(shown["voc_ppm"]) < 10
    assert shown["face_velocity"].max() > 0.35 and shown["face_velocity"].min() < 0.05
    assert shown["booth_pressure"].min() < -7


def test_every_reading_is_one_the_wire_believes() -> None:
    now_ms = NOW_MS
    simulation = simulation_of_plan(Plan(NOW, BERLIN), 2, now_ms - 100 * HOUR_MS)
    shown = simulation.measured(times(now_ms - 100 * HOUR_MS, 100))
    quantities = [quantity for group in SENSORS.values() for quantity in group]
    assert set(shown) == set(quantities)
    for quantity in quantities:
        known = wire.QUANTITIES[quantity]
        assert known.low <= shown[quantity].min() and shown[quantity].max() <= known.high


def test_sprayed_solvent_shows_at_its_coat_and_only_there() -> None:
    coat = spraying(NOW_MS - 4 * HOUR_MS, 5, solvent_kg=0.06, solids_kg=0.02)
    simulation = quiet(NOW_MS - 6 * HOUR_MS, [coat])
    span = times(NOW_MS - 6 * HOUR_MS, 6)
    voc_ppm = simulation.truth(span)["voc_ppm"]
    assert voc_ppm[span < coat.start_ms].max() == 0
    during = voc_ppm[(span > coat.start_ms + 120_000) & (span < coat.end_ms)]
    # Bound: all of the solvent at once in the fan's stream, at 24 l a mole.
    most = 0.06 / SOLVENT_KG_MOL / 300 / 0.5 * 0.0242 * 1e6 / ISOBUTYLENE_FACTOR
    assert during.min() > 10 and during.max() < most
    assert voc_ppm[-1] < 1


def test_a_schedule_puts_exactly_the_events_amounts_into_steps_of_any_length() -> None:
    schedule = Schedule([spraying(1_000_000, 4, solvent_kg=0.05, solids_kg=0.01), rinsing(1_100_000, 0.3)])
    for step_ms in (7_000, 30_000, 45_678):
        edges = range(0, 4_000_000, step_ms)
        steps = [(schedule.doings(a, b), (b - a) / 1000) for a, b in itertools.pairwise(edges)]
        assert sum(done.solvent_kg_s * seconds for done, seconds in steps) == pytest.approx(0.05)
        assert sum(done.rinse_kg_s * seconds for done, seconds in steps) == pytest.approx(0.3)


def test_the_fan_starts_before_the_coat_and_runs_on_after_it() -> None:
    event = spraying(10_000_000, 4, solvent_kg=0.05, solids_kg=0.01)
    schedule = Schedule([event])
    assert schedule.doings(event.start_ms - 40_000, event.start_ms - 30_000).fan_on
    assert schedule.doings(event.end_ms + 600_000, event.end_ms + 610_000).fan_on
    assert not schedule.doings(event.start_ms - 90_000, event.start_ms - 80_000).fan_on
    assert not schedule.doings(event.end_ms + 2_000_000, event.end_ms + 2_010_000).fan_on


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Los_Angeles", "Asia/Kolkata", "UTC"])
@pytest.mark.parametrize("ago_h", range(0, 168, 7))
def test_coats_are_past_in_working_hours_and_never_two_at_once(zone: str, ago_h: int) -> None:
    now, shop = NOW - timedelta(hours=ago_h), ZoneInfo(zone)
    plan = Plan(now, shop)
    coats = [coat for piece in PIECES for coat in piece.coats]
    spans = sorted((plan.started_at(coat), plan.ended_at(coat)) for coat in coats)
    assert spans[-1][1] < now
    assert all(8 <= start.astimezone(shop).hour < 18 and start.astimezone(shop).weekday() < 6 for start, _ in spans)
    assert all(one[1] + timedelta(minutes=20) <= other[0] for one, other in itertools.pairwise(spans))
    for piece in PIECES:
        starts = [plan.started_at(coat) for coat in piece.coats]
        assert starts == sorted(starts)
