"""Once per episode: hysteresis, waiting times, restarts, failing rules."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector.alerts.condition import KINDS, NODE_SILENT, READY, VAPOUR, Condition, Rule
from collector.alerts.snapshot import RACK, Snapshot
from collector.alerts.watch import Watch
from collector.errors import Conflict, NotFound, RecordError
from collector.records.repository import open_records
from collector.settings import Settings

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
SETTINGS = Settings()


def condition(kind=VAPOUR, subject="booth-1", **changed):
    words = {"what": "Vapour is high", "why": "It reads 30 %.", "what_to_do": "Stop.", "level": "danger"}
    return Condition(**{"kind": kind, "subject": subject, "booth": "booth-1", "raised": True, **words, **changed})


class Shop:
    """What the one rule of these tests says next, and a watch that asks it."""

    def __init__(self, book, kinds=tuple(KINDS), places=("p",)):
        self.says = []
        self.now = NOW
        self.book = book
        self.watch = Watch(book, [Rule(name="any", kinds=kinds, needs=(), find=lambda _: self.says)], lambda: places)

    def look(self, *says, after_s=10.0, missing=()):
        self.now += timedelta(seconds=after_s)
        self.says = list(says)
        self.watch.look(Snapshot(now=self.now, settings=SETTINGS, missing=frozenset(missing)))
        return self.book.open()


@pytest.fixture
def shop(book):
    return Shop(book)


def test_a_condition_becomes_an_alert_with_what_since_why_and_what_to_do(shop):
    began = NOW - timedelta(minutes=3)
    (alert,) = shop.look(condition(since=began, caution="A detector sees no mist."))
    assert (alert.what, alert.why, alert.what_to_do) == ("Vapour is high", "It reads 30 %.", "Stop.")
    assert (alert.since, alert.raised_at, alert.caution) == (began, shop.now, "A detector sees no mist.")


def test_an_alert_is_raised_once_however_long_it_lasts(shop):
    for _ in range(50):
        shop.look(condition())
    assert len(shop.book.newest()) == 1
    assert len(shop.book.messages(1)) == 1


def test_between_the_thresholds_an_open_alert_stays_and_none_is_opened(shop):
    assert shop.look(condition(raised=False)) == []
    shop.look(condition())
    for _ in range(100):
        still = shop.look(condition(raised=False))
    assert [alert.id for alert in still] == [1]


def test_a_thousand_flaps_are_one_episode(shop):
    for _ in range(1_000):
        shop.look(condition())
        shop.look()
    assert len(shop.book.newest()) == 1
    assert len(shop.book.messages(1)) == 1
    assert shop.look(after_s=1) and shop.look(after_s=KINDS[VAPOUR].clear_after.total_seconds()) == []


def test_a_new_episode_is_told_anew(shop):
    shop.look(condition())
    shop.look()
    shop.look(after_s=301)
    shop.look(condition())
    assert [alert.cleared_at is None for alert in shop.book.newest()] == [True, False]


def test_a_kind_that_must_hold_is_raised_only_then_and_begins_when_it_began(shop):
    silent = condition(NODE_SILENT, "booth-1/air-1", level="warning")
    assert shop.look(silent) == []
    began = shop.now
    shop.look(silent, after_s=60)
    shop.look(after_s=30)  # heard in between: the wait begins anew
    assert shop.look(silent, after_s=60) == []
    began = shop.now
    (alert,) = shop.look(silent, after_s=120)
    assert alert.since == began


def test_a_clock_that_is_set_back_neither_raises_nor_blocks(shop):
    silent = condition(NODE_SILENT, "booth-1/air-1", level="warning")
    shop.look(silent)
    assert shop.look(silent, after_s=-86_400) == []
    assert len(shop.look(silent, after_s=121)) == 1


def test_a_restart_neither_repeats_nor_loses(shop, records, url):
    shop.look(condition())
    records.close()
    again = open_records(url)
    restarted = Shop(again.alerts)
    restarted.now = shop.now
    assert [alert.id for alert in restarted.look(condition())] == [1]
    assert len(again.alerts.messages(1)) == 1
    restarted.look()
    assert restarted.look(after_s=301) == []
    again.close()


def test_two_watches_on_one_store_raise_one_alert(shop):
    other = Shop(shop.book)
    shop.look(condition())
    other.look(condition())
    assert len(shop.book.newest()) == 1


def test_of_two_that_raise_the_same_at_one_moment_the_second_is_told_so(shop):
    (alert,) = shop.look(condition())
    assert shop.book.raise_(replace(alert, id=0), ["p"]) is None
    assert len(shop.book.messages(1)) == 1


def test_what_is_no_longer_true_of_a_coat_ends_without_a_word(shop):
    ready = condition(READY, "coat 1 dry_to_recoat", level="notice")
    shop.look(ready)
    assert shop.look() == []
    assert len(shop.book.messages(1)) == 1
    assert shop.book.newest()[0].cleared_at == shop.now


def test_words_follow_what_is_measured_but_not_every_flicker(shop):
    shop.look(condition())
    assert shop.look(condition(why="It reads 31 %."), after_s=10)[0].why == "It reads 30 %."
    assert shop.look(condition(why="It reads 40 %."), after_s=60)[0].why == "It reads 40 %."
    assert len(shop.book.messages(1)) == 1


def test_between_the_thresholds_the_words_stay_those_of_what_was_raised(shop):
    shop.look(condition())
    assert shop.look(condition(raised=False, what="", why=""), after_s=600)[0].what == "Vapour is high"


def test_a_failing_rule_silences_no_other_keeps_its_alerts_and_is_logged_once(book, caplog):
    trouble = [None]

    def faulty(_snapshot):
        if trouble[0]:
            raise RuntimeError(trouble[0])
        return [condition()]

    rules = [
        Rule(name="vapour", kinds=(VAPOUR,), needs=(), find=faulty),
        Rule(name="nodes", kinds=(READY,), needs=(), find=lambda _: [condition(READY, "coat 1", level="notice")]),
    ]
    watch = Watch(book, rules, lambda: ())
    watch.look(Snapshot(now=NOW, settings=SETTINGS))
    with caplog.at_level(logging.INFO, "collector.alerts"):
        for minute, words in enumerate(["broken", "broken", "broken", "otherwise", "otherwise"], 10):
            trouble[0] = words
            watch.look(Snapshot(now=NOW + timedelta(minutes=minute), settings=SETTINGS))
    assert [record.message for record in caplog.records if record.levelno == logging.ERROR] == [
        "the alert rule for vapour failed; the others go on: RuntimeError: broken",
        "the alert rule for vapour failed; the others go on: RuntimeError: otherwise",
    ]
    assert {alert.kind for alert in book.open()} == {VAPOUR, READY}


def test_a_rule_whose_part_is_missing_is_not_asked_and_its_alerts_stay(book):
    asked = []
    rule = Rule(name="rack", kinds=(READY,), needs=(RACK,), find=lambda shot: asked.append(shot) or [])
    Shop(book, kinds=(READY,)).look(condition(READY, "coat 1", level="notice"))
    watch = Watch(book, [rule], lambda: ())
    watch.look(Snapshot(now=NOW + timedelta(hours=1), settings=SETTINGS, missing=frozenset({RACK})))
    assert asked == []
    assert len(book.open()) == 1
    watch.look(Snapshot(now=NOW + timedelta(hours=1), settings=SETTINGS))
    assert book.open() == []


# Acknowledged and snoozed


def test_an_acknowledged_alert_asks_no_more_and_stays_open(shop):
    shop.look(condition())
    shop.book.acknowledge(1, shop.now)
    (alert,) = shop.look(condition())
    assert not alert.asks_at(shop.now)
    assert len(shop.book.messages(1)) == 1


def test_a_snoozed_alert_is_told_again_when_the_time_is_over_and_it_is_still_true(shop):
    shop.look(condition())
    shop.book.snooze(1, shop.now + timedelta(hours=2), shop.now)
    (alert,) = shop.look(condition(), after_s=3_600)
    assert not alert.asks_at(shop.now)
    (alert,) = shop.look(condition(), after_s=3_601)
    assert alert.asks_at(shop.now)
    assert len(shop.book.messages(1)) == 2
    shop.look(condition())
    assert len(shop.book.messages(1)) == 2


def test_a_snoozed_alert_that_is_over_is_not_told_again(shop):
    shop.look(condition())
    shop.book.snooze(1, shop.now + timedelta(hours=2), shop.now)
    shop.look()
    shop.look(after_s=301)
    assert shop.look(after_s=8_000) == []
    assert len(shop.book.messages(1)) == 1


def test_what_cannot_be_acknowledged_or_snoozed_is_said(shop):
    with pytest.raises(NotFound, match="no alert 7"):
        shop.book.acknowledge(7, NOW)
    shop.look(condition())
    with pytest.raises(RecordError, match="by 72 h at most"):
        shop.book.snooze(1, NOW + timedelta(hours=100), NOW)
    shop.look()
    shop.look(after_s=301)
    with pytest.raises(Conflict, match="alert 1 is over since"):
        shop.book.acknowledge(1, NOW)


def test_open_alerts_are_told_danger_first(shop):
    shop.look(condition(READY, "coat 1", level="notice"))
    shop.look(condition(READY, "coat 1", level="notice"), condition())
    assert [alert.level for alert in shop.book.open()] == ["danger", "notice"]
