"""Promises of the invented past: whole, consistent between readings and records, and ending at the present."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.advice.finish import shop_schedules
from collector.advice.progress import rack
from collector.advice.shop_learning import shop_learning
from collector.demo.history import fill
from collector.demo.sensors import SENSORS
from collector.demo.simulation import STATE_FILE, resumed
from collector.errors import Conflict
from collector.readings.base import Series
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import Coat
from collector.records.repository import Records, open_records
from collector.settings import Settings

BOOTH = "booth-1"
BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 5, 20, 12, 30, 7, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)


@dataclass
class Shop:
    store: SqliteReadingStore
    records: Records
    folder: Path


def open_shop(folder: Path) -> Shop:
    records = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    return Shop(SqliteReadingStore(folder / "readings.sqlite"), records, folder)


def fill_shop(shop: Shop, *, seed: int = 1, days: int = 21, now: datetime = NOW) -> None:
    fill(
        shop.store,
        shop.records,
        now=now,
        seed=seed,
        days=days,
        time_zone=BERLIN,
        booth=BOOTH,
        state_file=shop.folder / STATE_FILE,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    shop = open_shop(tmp_path_factory.mktemp("history"))
    fill_shop(shop)
    yield shop
    shop.records.close()
    shop.store.close()


def samples(shop: Shop, node: str, quantity: str, start: datetime, end: datetime) -> np.ndarray:
    series = Series(booth=BOOTH, node=node, quantity=quantity)
    return shop.store.samples(series, round(start.timestamp() * 1000), round(end.timestamp() * 1000)).value


def all_coats(shop: Shop) -> list[Coat]:
    return shop.records.coats()


def test_every_quantity_of_both_nodes_ends_at_now(shop: Shop) -> None:
    latest = shop.store.latest(BOOTH)
    expected = {(node, quantity) for node, group in SENSORS.items() for quantity in group}
    assert {(reading.node, reading.quantity) for reading in latest} == expected
    assert {reading.time_ms for reading in latest} == {NOW_MS // 5_000 * 5_000}


def test_the_past_reaches_back_as_far_as_asked_and_the_last_day_is_fine(shop: Shop) -> None:
    day = timedelta(days=1)
    assert len(samples(shop, "air-1", "air_temperature", NOW - day, NOW)) > 17_000
    assert len(samples(shop, "air-1", "air_temperature", NOW - 21 * day, NOW - 20 * day)) > 1_430
    assert len(samples(shop, "air-1", "air_temperature", NOW - 60 * day, NOW - 21 * day)) < 3


def test_pieces_coats_checks_and_outcomes_are_there_and_in_the_past(shop: Shop) -> None:
    pieces = shop.records.pieces(include_done=True)
    assert len(pieces) >= 8
    assert 1 <= sum(piece.done_at is not None for piece in pieces) <= 3
    coats = all_coats(shop)
    assert len(coats) >= 20
    assert all(coat.ended_at is not None and coat.ended_at < NOW for coat in coats)
    checks = [check for coat in coats for check in shop.records.checks(coat.id)]
    outcomes = [outcome for coat in coats for outcome in shop.records.outcomes(coat.id)]
    assert len(checks) >= 15 and {check.passed for check in checks} == {True, False}
    assert {"blushing", None} <= {outcome.defect for outcome in outcomes}
    assert all(check.at < NOW for check in checks) and all(outcome.seen_at < NOW for outcome in outcomes)
    assert shop.records.open_coats() == []


def test_every_coat_is_of_a_material_of_the_shop_and_each_chemistry_was_used(shop: Shop) -> None:
    materials = {material.id for material in shop.records.materials()}
    coats = all_coats(shop)
    assert {coat.mix.material.id for coat in coats} <= materials
    assert len({coat.mix.material.chemistry for coat in coats}) >= 6


def test_the_solvent_of_every_solvent_coat_shows_in_the_readings(shop: Shop) -> None:
    for coat in all_coats(shop):
        assert coat.ended_at is not None
        during = samples(shop, "air-1", "voc_ppm", coat.started_at, coat.ended_at + timedelta(minutes=3))
        before = samples(shop, "air-1", "voc_ppm", coat.started_at - timedelta(minutes=8), coat.started_at)
        if coat.mix.material.chemistry != "waterborne":
            assert during.max() > before.min() + 8, coat


def test_the_coat_that_blushed_was_sprayed_in_more_humid_air_than_its_fellows(shop: Shop) -> None:
    humidity: dict[bool, list[float]] = {True: [], False: []}
    for coat in all_coats(shop):
        if coat.mix.material.chemistry != "solvent_lacquer" or coat.ended_at is None:
            continue
        blushed = any(outcome.defect == "blushing" for outcome in shop.records.outcomes(coat.id))
        humidity[blushed].append(samples(shop, "air-1", "relative_humidity", coat.started_at, coat.ended_at).mean())
    assert len(humidity[True]) == 1
    assert humidity[True][0] > max(humidity[False]) + 5


def test_the_past_has_gaps_where_a_node_was_away(shop: Shop) -> None:
    for node, quantity, longest_ms in (
        ("air-1", "air_temperature", 42 * 60_000),
        ("panel-1", "surface_temperature", 5 * 3_600_000),
    ):
        series = Series(booth=BOOTH, node=node, quantity=quantity)
        times = shop.store.samples(series, 0, NOW_MS).time_ms
        gaps = np.diff(times)
        assert (gaps > 120_000).sum() == 1
        assert gaps.max() == pytest.approx(longest_ms, rel=0.1)


def test_live_goes_on_from_the_very_state_the_past_ends_in(shop: Shop) -> None:
    live = resumed(shop.folder / STATE_FILE, 1, BERLIN, NOW_MS + 12_000)
    assert live.at_ms == NOW_MS // 5_000 * 5_000
    first = live.measured(np.array([live.at_ms + 5_000]))
    for reading in shop.store.latest(BOOTH):
        if reading.quantity in ("air_temperature", "relative_humidity", "surface_temperature"):
            assert first[reading.quantity][0] == pytest.approx(reading.value, abs=0.8)


def test_the_same_seed_and_time_give_the_same_past(shop: Shop, tmp_path: Path) -> None:
    again = open_shop(tmp_path)
    fill_shop(again)
    span = (NOW - timedelta(days=3), NOW)
    one, two = (samples(each, "air-1", "voc_ppm", *span) for each in (shop, again))
    assert np.array_equal(one, two)
    assert [coat.started_at for coat in all_coats(again)] == [coat.started_at for coat in all_coats(shop)]
    with pytest.raises(Conflict):
        fill_shop(again)
    again.records.close()
    again.store.close()


@pytest.mark.parametrize("days", [1, 2, 8])
def test_a_short_past_holds_only_coats_that_have_readings(tmp_path: Path, days: int) -> None:
    short = open_shop(tmp_path)
    fill_shop(short, days=days, now=NOW + timedelta(hours=7 * days))
    for coat in all_coats(short):
        assert coat.ended_at is not None
        assert len(samples(short, "air-1", "voc_ppm", coat.started_at - timedelta(minutes=30), coat.ended_at)) > 20
    assert short.records.pieces()
    short.records.close()
    short.store.close()


@pytest.mark.parametrize(("now", "days"), [(datetime(2026, 5, 20), 21), (NOW, 0)])  # noqa: DTZ001
def test_a_now_without_zone_and_no_days_are_refused(shop: Shop, now: datetime, days: int) -> None:
    with pytest.raises(ValueError, match="expected"):
        fill(shop.store, shop.records, now=now, seed=1, days=days, time_zone=BERLIN, booth=BOOTH)


def test_some_pieces_follow_a_schedule_with_steps_behind_and_before_them(tmp_path: Path) -> None:
    shop, settings = open_shop(tmp_path), Settings()
    fill_shop(shop)
    found = shop_schedules(
        shop.records,
        rack(shop.store, shop.records, settings, NOW_MS),
        shop_learning(shop.store, shop.records, settings, NOW_MS),
        settings,
    )
    states = [{state.state for state in each.standing.steps} for each in found.values()]
    assert sum("next" in each for each in states) >= 3
    assert sum("done" in each for each in states) >= 3
    shop.records.close()
    shop.store.close()
