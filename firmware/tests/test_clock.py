"""Promises of the clock, with a counter that wraps as a board's does."""

import flash
from node import clock
from node.clock import DATED, LATEST, UNDATED, Clock
from node.memory import Memory

WRAP = 1 << 30
NOW = 1772719200000


class Ticks:
    def __init__(self, at=WRAP - 5000):
        self.at = at

    def __call__(self):
        return self.at % WRAP

    def diff(self, a, b):
        return ((a - b + WRAP // 2) % WRAP) - WRAP // 2


def booted(boot=1, running_ms=0, new=True):
    if new:
        flash.fresh()
    memory = Memory("/flash")
    memory.update(boot=boot)
    ticks = Ticks()
    return Clock(memory, running_ms, ticks, ticks.diff), ticks


def test_a_board_that_counts_from_2000_gets_the_same_epoch():
    # 946684800 s lie between the two epochs (RFC 8428 counts from 1970; MicroPython on ESP32 from 2000).
    assert clock.epoch_ms(lambda _: (2000, 1, 1, 0, 0, 0, 5, 1)) == 946684800 * 1000
    assert clock.epoch_ms(lambda _: (1970, 1, 1, 0, 0, 0, 3, 1)) == 0


def test_the_running_time_goes_on_when_the_counter_wraps():
    c, ticks = booted()
    for _ in range(100):
        ticks.at += 40000000
        before = c.running_ms()
    assert c.running_ms() == 100 * 40000000


def test_an_unset_clock_has_no_time_and_one_of_1999_is_not_taken():
    c, _ = booted()
    assert c.now_ms() is None and not c.is_set
    assert not c.set(946684799000, "ntp")
    assert not c.is_set


def test_a_set_clock_goes_on():
    c, ticks = booted()
    assert c.set(NOW, "ntp")
    ticks.at += 1500
    assert c.now_ms() == NOW + 1500


def test_no_time_is_given_twice_after_a_small_step_back():
    c, ticks = booted()
    c.set(NOW, "ntp")
    ticks.at += 10
    assert c.stamp()[1] == NOW + 10
    c.set(NOW - 3000, "ntp")
    assert c.stamp()[1] == NOW + 11
    assert c.stamp()[1] == NOW + 12


def test_after_a_large_step_back_the_new_time_is_believed():
    c, _ = booted()
    c.set(NOW + 86400000, "ntp")
    c.stamp()
    c.set(NOW, "ntp")
    assert c.stamp()[1] == NOW


def test_a_sample_from_before_the_clock_was_set_is_dated_exactly_and_for_ever_the_same():
    c, ticks = booted()
    ticks.at += 1000
    running, time_ms = c.stamp()
    assert time_ms is None
    ticks.at += 60000
    assert c.date(1, running, None) == (UNDATED, 60000)
    c.set(NOW, "ntp")
    assert c.date(1, running, None) == (DATED, NOW - 60000)
    c.set(NOW + 20, "ntp")
    assert c.date(1, running, None) == (DATED, NOW - 60000)
    later, _ = booted(2, running_ms=70000, new=False)
    assert later.date(1, running, None) == (DATED, NOW - 60000)


def test_a_sample_of_an_earlier_boot_that_never_had_the_time_is_dated_as_late_as_can_be():
    c, ticks = booted()
    ticks.at += 1000
    running, _ = c.stamp()
    later, ticks = booted(2, running_ms=5000, new=False)
    ticks.at += 3000
    assert later.date(1, running, None) == (UNDATED, 7000)
    later.set(NOW, "broker")
    assert later.date(1, running, None) == (LATEST, NOW - 7000)


def test_a_fix_before_the_sample_s_boot_does_not_date_it():
    c, _ = booted(1)
    c.set(NOW, "ntp")
    later, _ = booted(2, running_ms=5000, new=False)
    assert later.date(2, 5000, None)[0] == UNDATED


def test_only_a_few_fixes_are_kept_and_the_boot_counter_may_wrap():
    booted(65530)
    for boot in range(65530, 65560):
        c, _ = booted(boot, running_ms=boot, new=False)
        c.set(NOW, "ntp")
    assert len(c._memory["fixes"]) == 8
    assert c.date((65560 - 3) & 0xFFFF, 1, None)[0] == DATED


def test_a_dated_sample_keeps_its_own_time():
    c, _ = booted()
    assert c.date(1, 5, NOW) == (DATED, NOW)
