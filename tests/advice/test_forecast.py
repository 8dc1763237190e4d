"""What the days ahead will be like: the booth's own pattern, where it stands from it, and heating as planned."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.advice import forecast, heating_plan
from collector.advice.coat_history import HOUR_MS, Log
from collector.advice.surroundings import normals
from collector.errors import RecordError

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
AHEAD = forecast.ahead_h()


def log(air_c, days=14.0, until=NOW):
    count = int(days * 24)
    at = [until - timedelta(hours=count - k - 0.5) for k in range(count)]
    blank = np.full(count, np.nan)
    return Log(
        now_ms=NOW_MS,
        time_ms=np.array([round(each.timestamp() * 1000) for each in at], np.int64),
        width_h=np.ones(count),
        air_c=np.array([air_c(each) for each in at]),
        relative_humidity_pct=blank,
        air_speed_m_s=blank,
    )


def daily(at):
    """Warmest at 15:00 in Berlin."""
    local = at.astimezone(BERLIN)
    return 20.0 + 4.0 * np.cos(2 * np.pi * (local.hour + local.minute / 60 - 15.0) / 24.0)


def drawn(view, now=NOW_MS, zone=BERLIN):
    hours = forecast.local_hours((now + AHEAD * HOUR_MS).astype(np.int64), zone)
    return forecast.drawn(view.air_c, AHEAD, hours, normals(AHEAD.size + 1, 2), drift=1.0)


def test_a_daily_pattern_is_found_and_goes_on():
    view = forecast.outlook(log(daily), BERLIN)
    middle = np.median(drawn(view), axis=0)
    expected = np.array([daily(NOW + timedelta(hours=h)) for h in AHEAD[:48]])
    assert np.abs(middle[:48] - expected).max() < 0.8  # an hour's mean stands for all of the hour
    assert "daily pattern of the last 14 days" in view.words


def test_a_departure_fades_into_the_pattern():
    view = forecast.outlook(log(lambda at: 20.0 if NOW - at > timedelta(hours=4) else 15.0), BERLIN)
    middle = np.median(drawn(view), axis=0)
    assert middle[0] == pytest.approx(15.0, abs=1.0)
    assert middle[AHEAD == 18.0][0] == pytest.approx(20.0 - 5.0 / np.e, abs=0.8)
    assert middle[AHEAD == 120.0][0] == pytest.approx(20.0, abs=0.7)


def test_the_spread_grows_to_the_patterns_own_and_a_little_with_the_season():
    rng = np.random.default_rng(1)
    swings = iter(rng.normal(0.0, 2.0, 400))
    view = forecast.outlook(log(lambda at: 20.0 + next(swings)), BERLIN)
    spread = drawn(view).std(axis=0)
    assert spread[0] == pytest.approx(0.0, abs=1e-9)
    assert spread[1] < spread[6] < spread[24]
    assert spread[AHEAD == 72.0][0] == pytest.approx(2.0, rel=0.3)
    assert spread[-1] < 4.0


def test_a_log_of_a_day_is_taken_as_it_was_lately_with_a_wide_spread():
    view = forecast.outlook(log(daily, days=1.0), BERLIN)
    assert np.ptp(view.air_c.by_hour) == 0.0
    assert view.air_c.by_hour[0] == pytest.approx(np.mean([daily(NOW - timedelta(hours=h + 0.5)) for h in range(3)]))
    assert view.air_c.strays_sd >= 3.0
    assert view.words.startswith("The log of the last fortnight holds 24 h, too little for a daily pattern")


def test_without_any_log_an_ordinary_room_is_assumed_and_told():
    view = forecast.outlook(log(lambda at: np.nan), BERLIN)
    assert view.air_c.by_hour[0] == 20.0
    assert view.words.startswith("No temperature was measured")


def test_a_log_that_stopped_says_little_of_now():
    def dropping(at):
        return 20.0 if NOW - at > timedelta(hours=40) else (15.0 if NOW - at > timedelta(hours=36) else np.nan)

    assert abs(forecast.outlook(log(dropping), BERLIN).air_c.departure) < 1.0


@pytest.mark.parametrize("change", [datetime(2026, 3, 29, 1, 0, tzinfo=UTC), datetime(2026, 10, 25, 1, 0, tzinfo=UTC)])
def test_the_pattern_keeps_to_the_clock_when_the_clocks_change(change):
    now = change - timedelta(hours=12)
    now_ms = round(now.timestamp() * 1000)
    view = forecast.outlook(
        Log(**{**{f: getattr(log(daily, until=now), f) for f in Log.__slots__}, "now_ms": now_ms}), BERLIN
    )
    middle = np.median(drawn(view, now=now_ms), axis=0)
    warmest = AHEAD[24:48][np.argmax(middle[24:48])]
    local = (now + timedelta(hours=float(warmest))).astimezone(BERLIN)
    assert local.hour in (14, 15, 16)


# Heating


def settings(text, us=False, now=NOW):
    return [
        (each.since.astimezone(BERLIN).strftime("%d %H:%M"), None if each.air_c is None else round(each.air_c, 1))
        for each in heating_plan.parse(text, now, BERLIN, us=us)
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", []),
        ("22 °C from 18:00", [("05 18:00", 22.0)]),
        ("22 °C from 18:00; off at 22:00", [("05 18:00", 22.0), ("05 22:00", None)]),
        ("off at 22:00; 22C 18:00 ;", [("05 18:00", 22.0), ("05 22:00", None)]),
        ("22,5 from 9:30", [("06 09:30", 22.5)]),
        ("22 °C", [("05 15:00", 22.0)]),
        ("off now", [("05 15:00", None)]),
        ("72 °F from 6:00 pm", [("05 18:00", 22.2)]),
        ("22 °C from tomorrow 06:00", [("06 06:00", 22.0)]),
        ("22 °C from 2026-03-09 06:00", [("09 06:00", 22.0)]),
    ],
)
def test_a_plan_is_read(text, expected):
    assert settings(text) == expected


def test_degrees_without_a_unit_are_the_shops():
    assert settings("72 from 18:00", us=True) == [("05 18:00", 22.2)]


def test_daily_repeats_by_the_clock_over_a_change_of_clocks():
    found = heating_plan.parse("22 °C from 18:00 daily", datetime(2026, 3, 28, 12, tzinfo=UTC), BERLIN)
    assert {each.since.astimezone(BERLIN).strftime("%H:%M") for each in found} == {"18:00"}
    assert {each.since.strftime("%H:%M") for each in found} == {"17:00", "16:00"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("warm", "plan 'warm'; expected parts such as"),
        ("22 °C from 25:00", "25:00; expected a time from 0:00 to 23:59"),
        ("22 °C from 18", "plan '22 °C from 18'; expected"),
        ("90 °C from 18:00", "90 °C; expected 0 to 50 °C (32 to 122 °F)"),
        ("22 °C from 13:00 pm", "13 pm; expected 1 to 12"),
        ("22 °C from tomorrow", "no time of the day; expected one such as 18:00"),
        ("22 °C from 2026-02-30 18:00", "2026-02-30; expected a date such as 2026-03-05"),
        ("22 °C from 18:00; nonsense", "plan 'nonsense'; expected"),
    ],
)
def test_a_plan_that_cannot_be_read_says_what_would_be_right(text, words):
    with pytest.raises(RecordError) as refused:
        settings(text)
    assert words in str(refused.value)


def test_heating_warms_holds_and_is_lost_again():
    plan = heating_plan.parse("24 °C from 18:00; off at 22:00", NOW, BERLIN)
    cool = np.full((200, AHEAD.size), 15.0)
    middle = np.median(heating_plan.applied(plan, cool, AHEAD, NOW_MS, normals(1, 9)), axis=0)
    at = {hour: middle[hour == AHEAD][0] for hour in (2.0, 6.0, 7.0, 11.0, 40.0)}
    # 18:00 in Berlin is three hours from now, 22:00 seven.
    assert at[2.0] == 15.0
    assert at[6.0] == pytest.approx(24.0, abs=0.6)
    assert 15.0 < at[11.0] < at[7.0]
    assert at[40.0] == pytest.approx(15.0, abs=0.1)


def test_heating_does_not_cool():
    warm = np.full((200, AHEAD.size), 28.0)
    plan = heating_plan.parse("20 °C", NOW, BERLIN)
    assert heating_plan.applied(plan, warm, AHEAD, NOW_MS, normals(1, 9)).min() > 27.9
