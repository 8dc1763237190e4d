"""What the charts are told to draw, from readings in a real store."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.advice import conditions
from collector.advice.display import Units
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import ApplicationLimits
from collector.settings import Readiness
from dashboard import charts
from tests.dashboard import seeding

BERLIN = ZoneInfo("Europe/Berlin")
START = datetime(2026, 3, 5, 8, tzinfo=UTC)
HOUR = timedelta(hours=1)
METRIC = Units("metric")


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """An hour of readings, 10 s apart, with a hole from 20 to 30 min."""
    held = [at for at in seeding.every(10, START, START + HOUR) if not 20 <= (at - START).total_seconds() / 60 < 30]
    seeding.put(tmp_path, "air-1", {"air_temperature": 20.0, "relative_humidity": 60.0, "voc_ppm": 3.0}, *held)
    seeding.put(tmp_path, "panel-1", {"surface_temperature": 19.0}, *held)
    yield tmp_path


def gathered(folder: Path) -> conditions.Conditions:
    store = SqliteReadingStore(folder / "readings.sqlite", read_only=True)
    try:
        ends = (round(moment.timestamp() * 1000) for moment in (START, START + HOUR))
        return conditions.gather(store, seeding.BOOTH, *ends, Readiness())
    finally:
        store.close()


def drawn(folder: Path, **named: object) -> dict[str, object]:
    choices = {"zone": BERLIN, "units": METRIC, "limits": ApplicationLimits(), "margin_limit_k": 3.0, **named}
    return charts.booth(gathered(folder), **choices)  # type: ignore[arg-type]


def test_the_dew_point_is_that_of_the_psychrometric_table(folder: Path) -> None:
    # 20 °C and 60 % RH: dew point 12.0 °C (psychrometric tables, from memory)
    assert np.nanmean(gathered(folder).dew_point_c) == pytest.approx(12.0, abs=0.05)


def test_a_gap_in_the_data_is_a_gap_in_every_line(folder: Path) -> None:
    table = charts.table(gathered(folder), BERLIN, METRIC, 3.0).set_index("time")
    hole = table.loc["2026-03-05 09:20:20":"2026-03-05 09:29:00"]
    assert len(hole) > 10
    assert hole.isna().all().all()
    assert table.loc[:"2026-03-05 09:19:00"].notna().all().all()


def test_no_bucket_between_readings_is_empty(folder: Path) -> None:
    found = gathered(folder)
    assert np.isfinite(found.air_c).sum() == pytest.approx(50 * 60_000 / found.width_ms, abs=1)


def test_the_band_is_twice_the_uncertainty_to_either_side(folder: Path) -> None:
    found = gathered(folder)
    row = charts.table(found, BERLIN, METRIC, 3.0).iloc[0]
    expected = 2 * found.dew_point_uncertainty_k[0]
    assert row["Dew point"] - row["Dew point, low"] == pytest.approx(expected, abs=0.002)
    assert row["Dew point, width"] == pytest.approx(2 * expected, abs=0.002)


def test_the_least_surface_is_the_margin_above_the_dew_point(folder: Path) -> None:
    row = charts.table(gathered(folder), BERLIN, METRIC, 3.0).iloc[0]
    assert row["Least surface"] - row["Dew point"] == pytest.approx(3.0, abs=0.002)


def test_us_units_turn_temperatures_and_the_width_of_the_band(folder: Path) -> None:
    metric = charts.table(gathered(folder), BERLIN, METRIC, 3.0).iloc[0]
    us = charts.table(gathered(folder), BERLIN, Units("us"), 3.0).iloc[0]
    assert us["Air"] == pytest.approx(68.0)
    assert us["Dew point, width"] == pytest.approx(1.8 * metric["Dew point, width"], abs=0.004)


def test_times_and_coat_spans_are_the_shops_wall_clock(folder: Path) -> None:
    span = (START + timedelta(minutes=5), START + timedelta(minutes=11))
    tokyo = ZoneInfo("Asia/Tokyo")
    spec = drawn(folder, zone=tokyo, coats=[span])
    assert str(spec["dataset"]["source"]["time"].iloc[0]) == "2026-03-05 17:00:00"  # type: ignore[index]
    area = spec["series"][0]["markArea"]["data"][0]  # type: ignore[index]
    assert [area[0]["xAxis"], area[1]["xAxis"]] == ["2026-03-05T17:05:00", "2026-03-05T17:11:00"]
    assert spec["xAxis"][0]["min"] == "2026-03-05T17:00:00"  # type: ignore[index]


def test_vapour_shows_the_highest_reading_of_a_bucket(folder: Path) -> None:
    seeding.put(folder, "air-1", {"voc_ppm": 250.0}, START + timedelta(minutes=40, seconds=3))
    table = charts.table(gathered(folder), BERLIN, METRIC, 3.0)
    assert table["Vapour"].max() == 250.0


def test_another_nodes_single_humidity_is_shown_beside_the_main_one(folder: Path) -> None:
    seeding.put(folder, "hand", {"relative_humidity": 93.0}, START + timedelta(minutes=50))
    found = gathered(folder)
    assert found.node == "air-1"
    spec = drawn(folder)
    named = {series["name"]: series["type"] for series in spec["series"]}  # type: ignore[attr-defined]
    assert named["Humidity, hand"] == "scatter"
    assert spec["dataset"]["source"]["Humidity, hand"].max() == 93.0  # type: ignore[index]


def test_the_materials_limits_are_named_lines(folder: Path) -> None:
    limits = ApplicationLimits(surface_min_c=15, relative_humidity_max_pct=65)
    spec = drawn(folder, limits=limits)
    marks = [mark for series in spec["series"] for mark in series.get("markLine", {}).get("data", [])]  # type: ignore[attr-defined]
    assert [(mark["yAxis"], mark["name"]) for mark in marks] == [(15, "limit 15 °C"), (65, "limit 65 %")]


def test_the_specification_is_plain_json_beside_its_table(folder: Path) -> None:
    spec = drawn(folder, coats=[(START, START + HOUR)], event=(START, START + HOUR), dark=True)
    json.dumps({key: value for key, value in spec.items() if key != "dataset"}, allow_nan=False)


def test_line_colours_differ_between_the_themes(folder: Path) -> None:
    light = [series["itemStyle"]["color"] for series in drawn(folder)["series"]]  # type: ignore[attr-defined]
    dark = [series["itemStyle"]["color"] for series in drawn(folder, dark=True)["series"]]  # type: ignore[attr-defined]
    assert not set(light) & set(dark)


def test_the_charts_words_tell_its_ranges(folder: Path) -> None:
    assert "Air 20.0 °C to 20.0 °C" in charts.describe(gathered(folder), METRIC)


def test_a_stretch_without_readings_is_known_to_be_empty(folder: Path) -> None:
    store = SqliteReadingStore(folder / "readings.sqlite", read_only=True)
    try:
        found = conditions.gather(store, seeding.BOOTH, 1_600_000_000_000, 1_600_003_600_000, Readiness())
    finally:
        store.close()
    assert found.empty
    assert charts.describe(found, METRIC) == "Nothing was measured in this time."


def test_a_spread_counts_only_its_own_stretch(folder: Path) -> None:
    seeding.put(folder, "air-1", {"air_temperature": 30.0}, START + timedelta(minutes=55, seconds=3))
    found = gathered(folder)
    first, last = (round((START + timedelta(minutes=m)).timestamp() * 1000) for m in (1, 10))
    spread = conditions.spread(found.time_ms, found.air_c, first, last, found.width_ms)
    assert (spread.low, spread.mean, spread.high) == (20.0, 20.0, 20.0)
    assert np.nanmax(found.air_c) > 20.0
