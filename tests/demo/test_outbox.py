"""Promises of a node's outbox, with a channel that loses what it likes."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from collector.demo.outbox import RESEND_PACKS, Held, Outbox

WAIT_S = 5.0


def sample(value: float) -> Held:
    return Held({"air_temperature": value}, None, round(value * 1000))


def filled(count: int, most: int = 10_000) -> Outbox:
    outbox = Outbox(most, WAIT_S)
    for index in range(count):
        outbox.add(sample(index), 0.0, live=True)
    return outbox


def taken(outbox: Outbox, now: float) -> list[int]:
    numbers = []
    while (item := outbox.take(now)) is not None:
        numbers.append(item[0])
    return numbers


@given(st.integers(1, 60), st.floats(0, 0.9), st.integers(0, 2**32))
def test_every_sample_arrives_in_the_end_whatever_is_lost(count: int, loss: float, seed: int) -> None:
    dice = random.Random(seed)
    outbox = filled(count)
    arrived: dict[int, float] = {}
    stored, now = 0, 0.0
    while len(outbox):
        while (item := outbox.take(now)) is not None:
            if dice.random() >= loss:
                arrived[item[0]] = item[1].values["air_temperature"]
        while stored + 1 in arrived:
            stored += 1
        outbox.cover(stored, now)
        now += WAIT_S
        outbox.plan_repeats([], now)
        assert now < 1e6, "it did not come to pass"
    assert list(arrived[number] for number in sorted(arrived)) == [float(index) for index in range(count)]
    assert outbox.stored == count


def test_nothing_is_repeated_while_the_collector_moves_on() -> None:
    outbox = filled(100)
    assert taken(outbox, 0.0) == list(range(1, 101))
    for second in range(1, 50):
        outbox.cover(second, float(second))
        outbox.plan_repeats([], float(second))
        assert not outbox.waits


def test_repeats_start_with_the_lowest_and_the_wait_doubles_while_nobody_answers() -> None:
    outbox = filled(2_000)
    taken(outbox, 0.0)
    repeated_at = []
    for second in range(1, 100):
        outbox.plan_repeats([], float(second))
        numbers = taken(outbox, float(second))
        if numbers:
            assert numbers == list(range(1, RESEND_PACKS + 1))
            repeated_at.append(second)
    assert repeated_at == [5, 15, 35, 75]


def test_a_covered_round_of_repeats_brings_the_next_at_once() -> None:
    outbox = filled(1_200)
    taken(outbox, 0.0)
    outbox.plan_repeats([], 6.0)
    assert taken(outbox, 6.0)[-1] == 500
    outbox.cover(500, 6.5)
    outbox.plan_repeats([], 6.5)
    assert taken(outbox, 6.5) == list(range(501, 1_001))


def test_what_is_still_in_flight_is_not_planned_twice() -> None:
    outbox = filled(10)
    taken(outbox, 0.0)
    outbox.reconnected({3, 4, None}, 1.0)
    assert taken(outbox, 1.0) == [1, 2, 5, 6, 7, 8, 9, 10]


@given(st.integers(0, 50), st.integers(0, 100))
def test_numbers_go_on_after_an_earlier_life_and_no_sample_is_left_behind(count: int, stored: int) -> None:
    outbox = filled(count)
    outbox.continue_after(stored)
    outbox.cover(stored, 0.0)
    numbers = sorted(taken(outbox, 0.0))
    assert numbers == list(range(stored + 1, stored + count + 1))
    assert outbox.add(sample(0.0), 0.0, live=True) == stored + count + 1


@given(st.integers(1, 30), st.integers(1, 100))
def test_memory_is_bounded_and_the_newest_is_kept(most: int, count: int) -> None:
    outbox = filled(count, most)
    assert len(outbox) == min(most, count)
    assert outbox.dropped == count - len(outbox)
    assert taken(outbox, 0.0) == list(range(outbox.oldest, count + 1))
