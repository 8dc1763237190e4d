"""Step times promise: the usual before the log, the shop's own after, and hours that pass only while the shop works."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.advice import step_times as st
from collector.records.model import Coat, Material, Mix
from collector.records.schedule import Step

BERLIN = ZoneInfo("Europe/Berlin")
MONDAY = datetime(2026, 3, 2, 0, 0, tzinfo=BERLIN).astimezone(UTC)


@pytest.fixture
def clock():
    return st.ShopClock(MONDAY, MONDAY + timedelta(days=60), BERLIN, st.USUAL_DAYS, st.USUAL_HOURS)


def test_before_anything_is_logged_the_usual_holds():
    assert st.learn(2.0, 0.5, []).median_h == pytest.approx(2.0)
    # ln sd of the next one: 0.5 sqrt(1 + 1/4), computed by hand.
    assert st.learn(2.0, 0.5, []).log_sd == pytest.approx(0.559, abs=0.001)


def test_each_step_logged_moves_it_and_the_first_ones_little():
    # Geometric mean with the usual counting four times: 1, then 4 from the log.
    one, four, many = (st.learn(1.0, 0.5, [4.0] * n).median_h for n in (1, 4, 400))
    assert one == pytest.approx(4 ** (1 / 5))
    assert four == pytest.approx(2.0)
    assert many == pytest.approx(4.0, rel=0.02)


def test_steps_that_agree_narrow_it():
    assert st.learn(1.0, 1.2, [1.0] * 12).log_sd < 0.5 * st.learn(1.0, 1.2, []).log_sd


def test_a_step_of_no_time_takes_none():
    assert st.learn(0.0, 0.5, []).draws(np.array([-2.0, 2.0])).tolist() == [0.0, 0.0]


def test_a_finer_sequence_takes_longer_and_a_time_given_goes_before_the_usual():
    times = st.StepTimes()
    short, long = Step(kind="level_sand", grits=("P1500",)), Step(kind="level_sand", grits=("P800", "P1000", "P1500"))
    assert times.hands_on(long).median_h == pytest.approx(3 * times.hands_on(short).median_h)
    assert times.hands_on(Step(kind="tape", hands_on_min=90)).median_h == pytest.approx(1.5)


def test_only_steps_of_the_kind_are_learned_from():
    times = st.StepTimes(logged=(st.Logged(kind="tape", hands_on_h=3.0, getting_round_h=5.0),))
    assert times.hands_on(Step(kind="unmask")).logged == 0
    assert times.hands_on(Step(kind="tape")).logged == times.getting_round("tape").logged == 1


def test_a_night_and_a_sunday_pass_without_an_hour(clock):
    evening, morning = MONDAY + timedelta(hours=18), MONDAY + timedelta(hours=32)
    assert clock.between_h(evening, morning) == pytest.approx(0.0, abs=1e-3)
    saturday = MONDAY + timedelta(days=5, hours=17)
    assert clock.between_h(saturday, saturday + timedelta(hours=40)) == pytest.approx(2.0, abs=1e-3)


def test_two_hours_of_work_from_an_hour_before_closing_end_the_next_morning(clock):
    assert clock.after(np.array([17.0]), np.array([2.0]))[0] == pytest.approx(24 + 9, abs=0.01)


def test_work_that_begins_at_night_begins_when_the_shop_opens(clock):
    assert clock.after(np.array([3.0]), np.array([0.5]))[0] == pytest.approx(8.5, abs=0.01)


def test_the_day_the_clocks_change_has_its_hours_where_the_shop_has_them():
    # 29 March 2026 in Berlin: 8:00 is 7 hours after midnight.
    sunday = datetime(2026, 3, 29, 0, 0, tzinfo=BERLIN).astimezone(UTC)
    clock = st.ShopClock(sunday, sunday + timedelta(days=9), BERLIN, frozenset({6}), (8.0, 18.0))
    assert clock.after(np.array([0.0]), np.array([1.0]))[0] == pytest.approx(8.0, abs=0.01)


def coats(count: int, hour: float) -> list[Coat]:
    mix = Mix(material=Material(name="Clear", chemistry="shellac", role="clear"))
    start = MONDAY + timedelta(hours=hour)
    return [
        Coat(piece_id=1, mix=mix, booth="b", started_at=start + timedelta(days=7 * (i // 2) + i % 2, hours=4 * (i % 2)))
        for i in range(count)
    ]


def test_the_shops_hours_are_those_in_which_it_sprays():
    assert st.shop_hours(coats(20, 12.0), BERLIN) == (frozenset({0, 1}), (11.0, 18.0))


def test_a_few_coats_do_not_tell_the_shops_hours():
    assert st.shop_hours(coats(6, 12.0), BERLIN) == (st.USUAL_DAYS, st.USUAL_HOURS)
