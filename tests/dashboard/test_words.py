"""What the screens say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.advice.display import Units
from collector.advice.readiness import Limit
from collector.advice.trend import Trend
from collector.advice.ways_out import WayOut
from collector.records.model import Coat, Material, Mix, StageTime
from dashboard import tiles, words

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 3, 5, 14, 30, tzinfo=UTC)
METRIC = Units("metric")


def humidity(event: str, per_hour: float, **named: float | None) -> Limit:
    moving = Trend(per_hour=per_hour, per_hour_low=per_hour, per_hour_high=per_hour, event=event, **named)
    return Limit(
        name="relative_humidity",
        label="Relative humidity",
        unit="%RH",
        verdict="go",
        reason="Relative humidity is 54 ± 3 %",
        value=54.0,
        standard_uncertainty=1.7,
        low=25.0,
        high=65.0,
        trend=moving,
    )


def test_a_limit_ahead_is_told_with_its_time_and_interval() -> None:
    limit = humidity("broken", 18.0, minutes=35.0, minutes_low=20.0, minutes_high=80.0)
    assert words.trend(limit, METRIC) == "At this rate 65 % RH is passed in about 35 min (20 min to 80 min)."


def test_a_falling_value_names_the_lower_limit() -> None:
    limit = humidity("broken", -18.0, minutes=90.0, minutes_low=50.0, minutes_high=150.0)
    assert words.trend(limit, METRIC) == "At this rate 25 % RH is passed in about 90 min (50 min to 2.5 h)."


def test_a_limit_that_will_be_kept_again_names_the_side_it_comes_from() -> None:
    falling = humidity("met", -10.0, minutes=12.0, minutes_low=None, minutes_high=None)
    rising = humidity("met", 10.0, minutes=12.0, minutes_low=None, minutes_high=None)
    assert words.trend(falling, METRIC) == "At this rate it is back within 65 % RH in about 12 min."
    assert words.trend(rising, METRIC) == "At this rate it is back within 25 % RH in about 12 min."


def test_a_row_carries_value_and_twice_the_standard_uncertainty() -> None:
    row = words.limit_row(humidity("steady", 0.0), METRIC)
    assert row.value == "54 ± 3 % RH"
    assert row.trend == "Steady."


def test_an_unknown_value_says_so() -> None:
    limit = Limit(name="x", label="X", unit="Cel", verdict="cannot tell", reason="No reading")
    assert words.limit_row(limit, METRIC).value == "not known"


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        (NOW, "today 15:30"),
        (NOW - timedelta(days=1), "yesterday 15:30"),
        (NOW - timedelta(days=9), "Tue 24 Feb 15:30"),
        (datetime(2025, 3, 5, 14, 30, tzinfo=UTC), "05 Mar 2025 15:30"),
    ],
)
def test_a_moment_wears_its_day_unless_it_is_today(moment: datetime, said: str) -> None:
    assert words.clock(moment, BERLIN, NOW) == said


def test_today_is_the_shops_day() -> None:
    assert words.clock(datetime(2026, 3, 5, 23, 30, tzinfo=UTC), BERLIN, NOW) == "Fri 06 Mar 00:30"


def test_a_mix_is_named_with_what_went_into_it() -> None:
    lacquer = Material(name="Lacquer", chemistry="solvent_lacquer", role="clear")
    assert words.mix(Mix(material=lacquer)) == "Lacquer"
    thinned = Mix(material=lacquer, reducer_fraction=0.5, retarder_fraction=0.05)
    assert words.mix(thinned) == "Lacquer + 50% reducer, 5% retarder"


def test_the_sheets_time_tells_its_conditions_and_that_they_are_not_yours() -> None:
    stage = StageTime(
        stage="dry_to_recoat",
        low_h=0.5,
        high_h=2,
        at_c=23,
        at_relative_humidity_pct=50,
        dry_film_um=25,
        source="typical, edit from your data sheet",
    )
    lacquer = Material(name="Lacquer", chemistry="solvent_lacquer", role="clear", stages=(stage,))
    said = words.sheet_time(Mix(material=lacquer), METRIC)
    expected = "Dry to recoat: 30 min to 2 h at 23 °C, 50 % RH by the material's sheet; not corrected for your booth."
    assert said == expected


def test_a_film_is_the_combs_interval_in_the_shops_units() -> None:
    mix = Mix(material=Material(name="Lacquer", chemistry="solvent_lacquer", role="clear"))
    coat = Coat(piece_id=1, mix=mix, booth="b", started_at=NOW, wet_film_low_um=75, wet_film_high_um=100)
    assert words.film(coat, METRIC) == "75 to 100 µm"
    assert words.film(coat, Units("us")) == "3.0 to 3.9 mil"
    assert words.film(Coat(piece_id=1, mix=mix, booth="b", started_at=NOW), METRIC) == "not measured"


def test_a_state_is_a_word_and_a_shape_of_its_own() -> None:
    drawn = {verdict: tiles.shape(verdict, 24) for verdict in tiles.WORDS}
    assert len(set(drawn.values())) == 4
    band = tiles.verdict_band(verdict="cannot tell", subject="S", reason="R", clock="12:00", place="b")
    assert "CANNOT TELL" in band


def test_what_comes_from_outside_cannot_add_markup() -> None:
    evil = "<script>alert(1)</script>"
    made = (
        tiles.table([evil], [[evil]])
        + tiles.card(title=evil, subtitle=evil, open_words=evil, clock=evil, lines=[evil], late=evil)
        + tiles.tiles([tiles.Tile(name=evil, value=evil, unit=evil, plus_minus=evil, age=evil)])
        + tiles.limits([tiles.LimitRow(verdict="go", label=evil, value=evil, reason=evil, trend=evil)])
        + tiles.verdict_band(verdict="go", subject=evil, reason=evil, clock=evil, place=evil)
        + tiles.line(evil, evil, evil)
        + tiles.caution(evil)
        + tiles.warning(evil)
        + tiles.note(evil)
        + tiles.page_heading(evil, evil)
    )
    assert "<script" not in made


def test_no_number_is_parted_from_its_unit_and_a_minus_is_one() -> None:
    assert "\u22123.5\u00a0°C" in tiles.note("It is -3.5 °C, well below")


def limit_of(name: str, unit: str, value: float, spread: float) -> Limit:
    return Limit(name=name, label=name, unit=unit, verdict="go", reason="So", value=value, standard_uncertainty=spread)


def test_a_chance_of_blush_is_whole_percent() -> None:
    assert words.limit_row(limit_of("blush", "%", 24.6, 2.7), METRIC).value == "25 ± 5 %"
    assert words.limit_row(limit_of("blush", "%", 0.0, 0.4), METRIC).value == "0 ± 1 %"


def test_an_air_velocity_keeps_its_unit_on_both_sides_of_the_plus_minus() -> None:
    velocity = limit_of("airflow", "m/s", 0.508, 0.0508)
    assert words.limit_row(velocity, METRIC).value == "0.51 ± 0.10 m/s"
    assert words.limit_row(velocity, Units("us")).value == "100 ± 20 ft/min"


def test_vapour_keeps_percent_in_us_units() -> None:
    assert words.limit_row(limit_of("vapour", "%EL", 4.0, 1.2), Units("us")).value == "4.0 ± 2.4 %"


def test_a_way_out_is_a_word_and_a_shape() -> None:
    enough = words.way_row(WayOut(what="air_speed", value=0.5, probability=0.08, words="Air at 0.50 m/s: about 8 %"))
    lacking = words.way_row(WayOut(what="wet_film", value=None, probability=0.3, words="A thinner coat is not enough"))
    body = tiles.ways([enough, lacking])
    assert body.index(">ENOUGH<") < body.index(">NOT ENOUGH<")
    assert body.count("<img") == 2
    assert "Air at 0.50\u00a0m/s: about 8\u00a0%." in body
