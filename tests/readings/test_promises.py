"""What every reading store promises (``collector/readings/base.py``)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.readings.base import Batch, Series
from collector.readings.sqlite import SqliteReadingStore
from collector.wire import NodeStatus
from tests.readings.filling import AIR, DAY, HOUR, MINUTE, T0, letter, node_state, pack, put, remark

OTHER = Series(booth="booth-1", node="air-1", quantity="relative_humidity", unit="%RH")
NEXT_BOOTH = Series(booth="booth-2", node="air-1", quantity="air_temperature", unit="Cel")


def test_samples_come_back_oldest_first(store):
    put(store, pack({T0 + 2: 2.5, T0: 0.5, T0 + 1: 1.5}))
    samples = store.samples(AIR, T0, T0 + 10)
    assert samples.time_ms.tolist() == [T0, T0 + 1, T0 + 2]
    assert samples.value.tolist() == [0.5, 1.5, 2.5]


def test_the_start_of_a_range_is_in_and_its_end_is_left_out(store):
    put(store, pack({T0: 1, T0 + 1: 2, T0 + 2: 3}))
    assert store.samples(AIR, T0, T0 + 2).value.tolist() == [1, 2]


def test_the_same_reading_again_changes_nothing(store):
    put(store, pack({T0: 20.0}))
    put(store, pack({T0: 20.0}), pack({T0: 99.0}))
    assert store.samples(AIR, T0, T0 + 1).value.tolist() == [20.0]
    assert store.buckets(AIR, T0, T0 + 90 * DAY, 90).count.sum() == 1


def test_an_unknown_series_has_no_samples_and_empty_buckets(store):
    assert store.samples(AIR, T0, T0 + DAY).time_ms.size == 0
    assert np.isnan(store.buckets(AIR, T0, T0 + DAY, 10).mean).all()


def test_each_booth_node_and_quantity_is_a_series_of_its_own(store):
    put(store, pack({T0: 1}), pack({T0: 2}, series=OTHER), pack({T0: 3}, series=NEXT_BOOTH))
    assert store.series("booth-1") == [AIR, OTHER]
    assert store.series() == [AIR, OTHER, NEXT_BOOTH]
    assert [item.unit for item in store.series()] == ["Cel", "%RH", "Cel"]
    assert store.samples(NEXT_BOOTH, T0, T0 + 1).value.tolist() == [3]


def test_latest_is_the_newest_by_its_own_time_not_by_arrival(store):
    put(store, pack({T0 + 5: 5.0}))
    put(store, pack({T0 + 1: 1.0}), pack({T0 + 3: 60.0}, series=OTHER), pack({T0: 9.0}, series=NEXT_BOOTH))
    assert [(r.quantity, r.unit, r.time_ms, r.value) for r in store.latest("booth-1")] == [
        ("air_temperature", "Cel", T0 + 5, 5.0),
        ("relative_humidity", "%RH", T0 + 3, 60.0),
    ]


def test_latest_leaves_out_what_is_older_than_asked_for(store):
    put(store, pack({T0 + 5: 5.0}), pack({T0 + 3: 60.0}, series=OTHER))
    assert [r.time_ms for r in store.latest("booth-1", since_ms=T0 + 4)] == [T0 + 5]
    assert [r.time_ms for r in store.latest("booth-1", since_ms=T0 + 5)] == [T0 + 5]
    assert store.latest("booth-1", since_ms=T0 + 6) == []


def test_a_batch_that_fails_leaves_nothing_behind(store):
    broken = Batch(packs=[pack({T0: 1}, seq=1, oldest_seq=1)], dead_letters=[letter(reason="\ud800")])
    with pytest.raises(ValueError, match="surrogates"):
        store.write(broken)
    assert store.series() == []
    assert store.nodes() == []
    put(store, pack({T0: 1}))
    assert store.samples(AIR, T0, T0 + 1).value.tolist() == [1]


# Buckets.


def test_buckets_hold_the_lowest_mean_and_highest_of_their_readings(store):
    put(store, pack({T0: 1, T0 + 9: 3, T0 + 10: 5, T0 + 19: 6}))
    found = store.buckets(AIR, T0, T0 + 20, 2)
    assert (found.width_ms, found.time_ms.tolist()) == (10, [T0, T0 + 10])
    assert (found.low.tolist(), found.mean.tolist(), found.high.tolist()) == ([1, 5], [2, 5.5], [3, 6])
    assert found.count.tolist() == [2, 2]


def test_a_gap_comes_back_as_a_gap(store):
    put(store, pack({T0: 1, T0 + 2 * HOUR: 3}))
    found = store.buckets(AIR, T0, T0 + 3 * HOUR, 3)
    assert np.isnan(found.mean).tolist() == [False, True, False]
    assert np.isnan(found.low).tolist() == np.isnan(found.high).tolist() == [False, True, False]
    assert found.count.tolist() == [1, 0, 1]


@pytest.mark.parametrize("span", [1, 7, HOUR, DAY, 2 * DAY, 2 * DAY + 1, 30 * DAY, 60 * DAY, 61 * DAY, 400 * DAY])
@pytest.mark.parametrize("most", [1, 7, 500, 2_000])
def test_there_are_never_more_buckets_than_asked_for_and_they_cover_the_range(store, span, most):
    start = T0 + 12_345
    found = store.buckets(AIR, start, start + span, most)
    assert 1 <= found.time_ms.size <= most
    assert found.time_ms[0] <= start
    assert found.time_ms[-1] + found.width_ms >= start + span
    assert found.time_ms[-1] < start + span


@pytest.mark.parametrize(("span", "width"), [(3 * DAY, 5 * MINUTE), (61 * DAY, 2 * HOUR)])
def test_a_long_range_has_buckets_of_whole_minutes_or_hours_that_count_every_reading(store, span, width):
    times = np.arange(T0, T0 + span, 97 * 1000)
    values = np.sin(times / 1e6) * 10
    put(store, pack(dict(zip(times.tolist(), values.tolist(), strict=True))))
    found = store.buckets(AIR, T0, T0 + span, span // width)
    assert found.width_ms == width
    inside = (times >= found.time_ms[3]) & (times < found.time_ms[4])
    assert found.count.sum() == times.size
    assert (found.low[3], found.high[3]) == (values[inside].min(), values[inside].max())
    assert found.mean[3] == pytest.approx(values[inside].mean(), rel=1e-12)


@pytest.mark.parametrize(("start", "end", "most"), [(T0, T0, 10), (T0 + 1, T0, 10), (T0, T0 + 1, 0)])
def test_a_backward_range_or_no_buckets_is_refused(store, start, end, most):
    with pytest.raises(ValueError, match=f"most {most}, range {start}"):
        store.buckets(AIR, start, end, most)


SAMPLES = st.lists(st.tuples(st.integers(0, 3 * HOUR), st.floats(-40, 85), st.integers(0, 3)), min_size=1, max_size=60)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(samples=SAMPLES)
def test_roll_ups_agree_with_the_raw_readings_however_late_or_often_they_come(tmp_path_factory, samples):
    store = SqliteReadingStore(tmp_path_factory.mktemp("store") / "readings.sqlite")
    for batch in range(4):
        put(store, *(pack({T0 + offset: value}) for offset, value, when in samples if when <= batch))
    raw = store.samples(AIR, T0, T0 + DAY)
    by_hour = store.buckets(AIR, T0, T0 + 61 * DAY, 61 * 24)
    by_minute = store.buckets(AIR, T0, T0 + 3 * DAY, 3 * 24 * 60)
    store.close()
    for found in (by_hour, by_minute):
        index = (raw.time_ms - T0) // found.width_ms
        held = found.count > 0
        assert found.count.tolist() == np.bincount(index, minlength=found.count.size).tolist()
        sums = np.bincount(index, raw.value, found.count.size)[held]
        np.testing.assert_allclose(found.mean[held], sums / found.count[held], rtol=1e-12, atol=1e-12)
        assert found.low[held].min() == raw.value.min()
        assert found.high[held].max() == raw.value.max()


# Nodes and their numbers.


def test_the_stored_number_is_the_highest_without_a_gap(store):
    assert put(store, pack(seq=1, oldest_seq=1), pack(seq=2, oldest_seq=1)) == {("booth-1", "air-1"): 2}
    assert put(store, pack(seq=4, oldest_seq=3), pack(seq=6, oldest_seq=3)) == {("booth-1", "air-1"): 2}
    assert (node_state(store).waiting, node_state(store).missing) == (2, 0)
    assert put(store, pack(seq=3, oldest_seq=3)) == {("booth-1", "air-1"): 4}
    assert put(store, pack(seq=5, oldest_seq=3)) == {("booth-1", "air-1"): 6}
    assert (node_state(store).waiting, node_state(store).missing) == (0, 0)


def test_a_repeated_pack_is_answered_with_the_number_again(store):
    put(store, pack({T0: 1}, seq=1, oldest_seq=1), pack({T0 + 1: 1}, seq=2, oldest_seq=1))
    assert put(store, pack({T0: 1}, seq=1, oldest_seq=1)) == {("booth-1", "air-1"): 2}


def test_what_a_node_no_longer_holds_is_missing_for_good_and_holds_nothing_up(store):
    put(store, pack(seq=1, oldest_seq=1), pack(seq=4, oldest_seq=2))
    assert put(store, pack(seq=8, oldest_seq=7)) == {("booth-1", "air-1"): 6}
    state = node_state(store)
    assert (state.stored_seq, state.missing, state.waiting) == (6, 4, 1)
    assert put(store, pack(seq=7, oldest_seq=7)) == {("booth-1", "air-1"): 8}
    assert node_state(store).missing == 4


def test_what_a_node_sent_before_the_store_began_is_not_counted_as_missing(store):
    assert put(store, pack(seq=1_042, oldest_seq=1_040)) == {("booth-1", "air-1"): 1_039}
    assert (node_state(store).missing, node_state(store).waiting) == (0, 2)


def test_packs_without_a_number_get_no_answer(store):
    assert put(store, pack({T0: 1})) == {}
    assert node_state(store).stored_seq is None


def test_each_node_has_its_own_numbers(store):
    answered = put(store, pack(seq=1, oldest_seq=1), pack(seq=5, oldest_seq=5, series=NEXT_BOOTH))
    assert answered == {("booth-1", "air-1"): 1, ("booth-2", "air-1"): 5}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.permutations(range(1, 13)), st.lists(st.integers(1, 12), max_size=5), st.integers(1, 5))
def test_in_whatever_order_packs_come_all_are_covered_in_the_end(tmp_path_factory, order, repeats, size):
    store = SqliteReadingStore(tmp_path_factory.mktemp("store") / "readings.sqlite")
    stream = [*order, *repeats]
    answers = [
        put(store, *(pack(seq=seq, oldest_seq=1) for seq in stream[start : start + size]))["booth-1", "air-1"]
        for start in range(0, len(stream), size)
    ]
    state = node_state(store)
    store.close()
    assert answers == sorted(answers)
    assert (answers[-1], state.missing, state.waiting) == (12, 0, 0)


def test_a_node_is_known_by_what_it_last_said_and_sent(store):
    details = {"state": "online", "spool": 3}
    status = NodeStatus(booth="booth-1", node="air-1", received_ms=T0 + 7, online=True, details=details)
    store.write(Batch(statuses=[status]))
    assert (node_state(store).last_received_ms, node_state(store).last_reading_ms) == (None, None)
    put(store, pack({T0 + 5: 1, T0 + 2: 1}, received_ms=T0 + 9))
    put(store, pack({T0 + 1: 1}, received_ms=T0 + 10))
    state = node_state(store)
    assert (state.status, state.status_ms) == (details, T0 + 7)
    assert (state.last_received_ms, state.last_reading_ms) == (T0 + 10, T0 + 5)
    assert store.nodes("booth-2") == []


# Words and dead letters.


def test_remarks_come_back_oldest_first_and_once(store):
    words = (remark(T0 + 5, "press"), remark(T0, "no answer", "surface_temperature"), remark(T0 + 9, "late"))
    put(store, pack(remarks=words))
    put(store, pack(remarks=words))
    assert [r.text for r in store.remarks("booth-1", T0, T0 + 9)] == ["no answer", "press"]
    assert [r.text for r in store.remarks("booth-1", T0, T0 + 9, "button")] == ["press"]
    assert store.remarks("booth-2", T0, T0 + 9) == []


def test_dead_letters_are_kept_newest_first_with_their_reason(store):
    store.write(Batch(dead_letters=[letter(T0, "first"), letter(T0 + 5, "second", b"\x00\xff")]))
    assert [(d.reason, d.payload, d.size) for d in store.dead_letters()] == [
        ("second", b"\x00\xff", 2),
        ("first", b"?", 1),
    ]
    assert [d.reason for d in store.dead_letters(most=1)] == ["second"]
    assert (store.dead_letter_count(), store.dead_letter_count(since_ms=T0 + 5)) == (2, 1)


def test_a_huge_dead_letter_is_cut_but_its_size_is_known(store):
    store.write(Batch(dead_letters=[letter(payload=b"x" * 100_000)]))
    (kept,) = store.dead_letters()
    assert (len(kept.payload), kept.size) == (65_536, 100_000)


# Retention.


def test_pruning_drops_old_raw_readings_and_keeps_the_newer(store):
    put(store, pack({T0 - 1: 1, T0: 2, T0 + 1: 3}))
    assert store.prune(T0) == 1
    assert store.samples(AIR, 0, T0 + DAY).time_ms.tolist() == [T0, T0 + 1]
    assert store.prune(T0) == 0


def test_the_readings_of_kept_spans_stay(store):
    put(store, pack({T0 + i: i for i in range(10)}), pack({T0 + 3: 3}, series=OTHER))
    assert store.prune(T0 + 8, [(T0 + 6, T0 + 20), (T0 + 2, T0 + 4), (T0 + 3, T0 + 5)]) == 3
    assert (store.samples(AIR, 0, T0 + DAY).time_ms - T0).tolist() == [2, 3, 4, 6, 7, 8, 9]
    assert store.samples(OTHER, 0, T0 + DAY).time_ms.tolist() == [T0 + 3]


def test_a_pruned_past_is_still_drawn_from_its_roll_ups(store):
    put(store, pack({T0 + second * 1000: second for second in range(0, 7_200, 5)}))
    before = store.buckets(AIR, T0, T0 + 2 * HOUR, 4)
    store.prune(T0 + 90 * MINUTE)
    after = store.buckets(AIR, T0, T0 + 2 * HOUR, 4)
    assert after.count.tolist() == before.count.tolist() == [360] * 4
    assert (after.low.tolist(), after.mean.tolist()) == (before.low.tolist(), before.mean.tolist())


def test_a_straggler_does_not_undo_the_roll_up_of_a_pruned_minute(store):
    put(store, pack({T0: 1, T0 + 1: 2, T0 + 2: 3}))
    store.prune(T0 + HOUR)
    put(store, pack({T0 + 3: 50}))
    assert store.buckets(AIR, T0, T0 + 90 * DAY, 90).count[0] == 3


def test_pruning_a_lot_goes_in_pieces_and_loses_count_of_nothing(store):
    put(store, pack({T0 + i: 1 for i in range(45_000)}))
    assert store.prune(T0 + 44_000) == 44_000
    assert store.samples(AIR, 0, T0 + DAY).time_ms[0] == T0 + 44_000
