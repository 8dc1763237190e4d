"""Where moments are drawn: to scale, in shop time, whatever the clocks do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dashboard import time_scale
from dashboard.time_scale import Scale
from tests.dashboard import racks

BERLIN = ZoneInfo("Europe/Berlin")
NOW = racks.NOW
RACK = {each.piece.name: each for each in racks.rack().pieces}


def test_a_moment_lies_where_its_time_is() -> None:
    scale = Scale(NOW, NOW + timedelta(hours=8))
    assert scale.at(NOW + timedelta(hours=2)) == pytest.approx(25.0)
    assert scale.at(NOW - timedelta(hours=2)) == 0.0
    assert scale.at(NOW + timedelta(hours=9)) == 100.0


def test_a_coats_scale_begins_at_its_end_and_reaches_past_now() -> None:
    last = RACK["Lap steel, eight string, alder"].last
    assert last is not None
    scale = time_scale.of_coat(last, NOW)
    assert scale.start == last.coat.ended_at
    assert scale.covers(NOW)


def test_a_step_far_off_does_not_press_the_next_one_to_nothing() -> None:
    # Recoat within 4 h, level-sanding within 70 h of now
    last = RACK["Cigar-box guitar 1"].last
    assert last is not None
    scale = time_scale.of_coat(last, NOW)
    recoat = last.stage("dry_to_recoat")
    assert recoat is not None and recoat.ready.p90 is not None
    assert scale.at(recoat.ready.p90) > 100.0 / time_scale.REACH * 0.9


def test_the_soonest_step_waited_for_comes_first_and_one_found_ready_is_not_waited_for() -> None:
    last = RACK["Bass drum shell 22, ply"].last
    assert last is not None
    assert [stage.stage for stage in time_scale.pending(last, NOW)] == ["tape_ready", "sand_ready", "buff_ready"]


def test_marks_are_round_hours_of_the_shop() -> None:
    scale = Scale(NOW, NOW + timedelta(hours=7))
    assert [text for _, text in time_scale.marks(scale, BERLIN)] == ["14:00", "16:00", "18:00", "20:00"]


def test_marks_of_days_stand_at_the_shops_midnights_over_a_clock_change() -> None:
    # The day the clocks go back has 25 hours
    start = datetime(2026, 10, 23, 22, tzinfo=UTC)  # midnight of the 24th in Berlin
    scale = Scale(start, start + timedelta(hours=96))
    assert time_scale.marks(scale, BERLIN) == [
        (pytest.approx(100 * 24 / 96), "Sun 25"),
        (pytest.approx(100 * 49 / 96), "Mon 26"),
        (pytest.approx(100 * 73 / 96), "Tue 27"),
    ]


def test_a_week_has_seven_of_the_shops_days() -> None:
    found = time_scale.days(NOW, BERLIN, 7)
    assert [one.astimezone(BERLIN).strftime("%a %H:%M") for one in found] == [
        "Wed 00:00", "Thu 00:00", "Fri 00:00", "Sat 00:00", "Sun 00:00", "Mon 00:00", "Tue 00:00", "Wed 00:00"
    ]  # fmt: skip
