"""Messages reach a real HTTP receiver and a real mail server: retried, held over quiet hours, never lost."""

from __future__ import annotations

import logging
import re
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector.alerts import post
from collector.alerts.courier import Courier, retry_after
from collector.alerts.quiet import quiet_until
from collector.records.alerts import Alert
from collector.records.repository import open_records
from collector.settings import Alerts, Settings, Shop
from tests.brokers import eventually

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)  # a Thursday, 15:00 in Berlin
BERLIN = Shop(name="Test shop", time_zone="Europe/Berlin")


class Post:
    """A courier with a clock that the test moves."""

    def __init__(self, book, *addresses, **alerts):
        self.now = NOW
        self.book = book
        self.settings = Settings(shop=BERLIN, alerts=Alerts(apprise_urls=", ".join(addresses), **alerts))
        self.courier = Courier(book, self.settings, lambda: self.now)

    def raised(self, subject="booth-1", **changed):
        words = {
            "kind": "vapour", "level": "danger", "what": "Vapour is high", "why": "It reads 30 %.",
            "what_to_do": "Stop.", "caution": "A detector sees no mist.",
        }  # fmt: skip
        alert = Alert(
            **{"subject": subject, "booth": "booth-1", "since": self.now, "raised_at": self.now, **words, **changed}
        )
        return self.book.raise_(alert, self.courier.digests)

    def after(self, **time):
        self.now += timedelta(**time)
        return self.courier.go_round()


def ids_of(receiver):
    return [re.search(r"Message (\S+)", message["message"])[1] for message in receiver.taken]


def test_a_message_says_what_since_why_and_what_to_do(book, receiver):
    shop = Post(book, receiver.address)
    shop.raised(since=NOW - timedelta(minutes=4))
    assert shop.after(seconds=1) == 1
    (message,) = receiver.taken
    assert message["title"] == "DANGER: Vapour is high"
    assert message["message"].split("\n\n") == [
        "Since 14:56. It reads 30 %.",
        "What to do: Stop.",
        "Caution: A detector sees no mist.",
        f"Test shop, booth-1. Vapour above the ceiling, alert 1. Message {book.messages(1)[0].dedupe_id}",
    ]


def test_a_message_arrives_by_mail(book, mailbox):
    shop = Post(book, mailbox.address)
    shop.raised(what="Snare shell, maple: ready to recoat", kind="ready", level="notice")
    assert shop.after(seconds=1) == 1
    assert "ready to recoat" in str(mailbox.mails[0]["Subject"])
    assert mailbox.mails[0]["To"].endswith("painter@example.com")
    assert "What to do: Stop." in mailbox.text(0)


def test_each_place_gets_each_message_once(book, receiver, mailbox):
    shop = Post(book, receiver.address, mailbox.address)
    shop.raised()
    for _ in range(5):
        shop.after(minutes=1)
    assert (len(receiver.taken), len(mailbox.mails)) == (1, 1)


def test_a_receiver_that_is_down_loses_nothing_and_gets_nothing_twice(book, receiver, mailbox):
    shop = Post(book, receiver.address, mailbox.address)
    receiver.stop()
    for number in range(20):
        shop.raised(f"booth-{number}", what=f"Alert {number}")
        shop.after(minutes=1)
    assert len(mailbox.mails) == 20  # the other place is not kept waiting
    receiver.start()
    shop.after(hours=1)
    assert sorted(receiver.titles) == sorted(f"DANGER: Alert {number}" for number in range(20))
    assert len(set(ids_of(receiver))) == 20
    shop.after(hours=1)
    assert len(receiver.taken) == 20


def test_a_mail_server_that_is_down_loses_nothing(book, mailbox):
    shop = Post(book, mailbox.address)
    mailbox.stop()
    shop.raised()
    shop.after(seconds=1)
    assert book.messages(1)[0].trouble == "the connection was refused"
    mailbox.start()
    assert shop.after(minutes=1) == 1


def test_a_place_that_fails_is_tried_after_a_minute_and_ever_more_rarely_up_to_an_hour(book, receiver):
    receiver.stop()
    shop = Post(book, receiver.address)
    shop.raised()
    shop.courier.go_round()
    tries = []
    for minute in range(1, 400):
        shop.after(minutes=1)
        tries += [minute] if book.messages(1)[0].attempts == len(tries) + 2 else []
    assert tries == [1, 3, 7, 15, 31, 63, 123, 183, 243, 303, 363]
    assert retry_after(1_000) == timedelta(hours=1)


def test_a_refusal_by_the_server_is_told_with_its_number(book, receiver):
    receiver.answers = 503
    shop = Post(book, receiver.address)
    shop.raised()
    shop.after(seconds=1)
    assert book.messages(1)[0].trouble == "the server answered with error 503"


def test_a_message_that_is_never_taken_does_not_stand_before_the_others(book, receiver):
    shop = Post(book, receiver.address)
    receiver.answers = 503
    shop.raised("first", what="First")
    shop.after(seconds=1)
    shop.raised("second", what="Second")
    receiver.answers = 200
    shop.after(minutes=1)
    shop.after(seconds=1)
    assert receiver.titles == ["DANGER: Second", "DANGER: First"]


def test_when_a_place_answers_again_what_it_refused_before_does_not_wait_for_its_turn(book, receiver):
    receiver.stop()
    shop = Post(book, receiver.address)
    shop.raised("first", what="First")
    for _ in range(65):
        shop.after(minutes=1)
    wait = book.messages(1)[0].due_at - shop.now
    assert wait > timedelta(minutes=50)
    receiver.start()
    restarted = Courier(book, shop.settings, lambda: shop.now)
    assert restarted.go_round() == 0
    shop.raised("second", what="Second")
    assert (restarted.go_round(), restarted.go_round()) == (1, 1)
    assert receiver.titles == ["DANGER: Second", "DANGER: First"]


def test_a_message_outlives_a_restart(book, records, url, receiver):
    receiver.stop()
    shop = Post(book, receiver.address)
    shop.raised()
    shop.after(seconds=1)
    owed = book.messages(1)[0].dedupe_id
    records.close()
    receiver.start()
    again = open_records(url)
    restarted = Post(again.alerts, receiver.address)
    restarted.now = shop.now
    assert restarted.after(minutes=1) == 1
    assert ids_of(receiver) == [owed]
    again.close()


KILLED_AFTER_SENDING = """
import os, signal, sys
from datetime import datetime, UTC, timedelta
from collector.alerts.courier import Courier
from collector.records.alerts import AlertBook
from collector.records.repository import open_records
from collector.settings import Alerts, Settings

def killed(*_):
    os.kill(os.getpid(), signal.SIGKILL)

AlertBook.sent = killed
book = open_records(sys.argv[1]).alerts
Courier(book, Settings(alerts=Alerts(apprise_urls=sys.argv[2])), lambda: datetime.now(UTC)).go_round()
"""


def test_killed_between_sending_and_noting_it_the_message_comes_again_under_its_own_name(book, url, receiver):
    shop = Post(book, receiver.address)
    shop.raised()
    died = subprocess.run([sys.executable, "-c", KILLED_AFTER_SENDING, url, receiver.address], timeout=60)
    assert died.returncode == -signal.SIGKILL
    assert shop.after(seconds=1) == 1
    first, second = ids_of(receiver)
    assert first == second
    assert shop.after(hours=2) == 0


# Quiet hours

NIGHT = {"quiet_from": "22:00", "quiet_until": "07:00"}
ELEVEN_AT_NIGHT = datetime(2026, 3, 5, 22, 0, tzinfo=UTC)  # 23:00 in Berlin


def test_in_quiet_hours_only_danger_is_sent_and_the_rest_at_their_end(book, receiver):
    shop = Post(book, receiver.address, **NIGHT)
    shop.now = ELEVEN_AT_NIGHT
    shop.raised("a", level="warning", what="A warning")
    shop.raised("b", what="A danger")
    shop.after(seconds=1)
    assert receiver.titles == ["DANGER: A danger"]
    shop.after(hours=7, minutes=58)
    assert len(receiver.taken) == 1
    shop.after(minutes=2)
    assert receiver.titles == ["DANGER: A danger", "WARNING: A warning"]


def test_what_is_over_or_acknowledged_by_the_end_of_quiet_hours_is_not_sent(book, receiver):
    shop = Post(book, receiver.address, **NIGHT)
    shop.now = ELEVEN_AT_NIGHT
    over, seen = shop.raised("a", level="warning"), shop.raised("b", level="notice")
    shop.after(seconds=1)
    book.clear(over.id, shop.now)
    book.acknowledge(seen.id, shop.now)
    shop.after(hours=9)
    assert receiver.taken == []
    assert [book.messages(alert.id)[0].trouble for alert in (over, seen)] == [
        "no longer true when it could be sent",
        "acknowledged before it was sent",
    ]


def at(zone, text):
    return datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC)


@pytest.mark.parametrize(
    ("now", "end"),
    [
        ("2026-03-05T21:59", None),
        ("2026-03-05T22:00", "2026-03-06T07:00"),
        ("2026-03-06T06:59", "2026-03-06T07:00"),
        ("2026-03-06T07:00", None),
        ("2026-03-28T23:00", "2026-03-29T07:00"),  # the clocks go forward in this night
        ("2026-10-24T23:00", "2026-10-25T07:00"),  # and back in this one
    ],
)
def test_quiet_hours_go_by_the_clock_of_the_shop(now, end):
    settings = Settings(shop=BERLIN, alerts=Alerts(**NIGHT))
    found = quiet_until(at(BERLIN.zone, now), settings)
    assert found == (None if end is None else at(BERLIN.zone, end))


def test_the_night_the_clocks_change_is_eight_or_ten_hours_long():
    settings = Settings(shop=BERLIN, alerts=Alerts(**NIGHT))
    hours = {}
    for night in ("2026-03-05", "2026-03-28", "2026-10-24"):
        start = at(BERLIN.zone, f"{night}T22:00")
        assert quiet_until(start - timedelta(seconds=1), settings) is None
        end = quiet_until(start, settings)
        assert quiet_until(end, settings) is None
        hours[night] = (end - start) / timedelta(hours=1)
    assert hours == {"2026-03-05": 9, "2026-03-28": 8, "2026-10-24": 10}


def test_an_end_that_the_clock_shows_twice_is_its_last_and_one_it_skips_is_the_skip():
    settings = Settings(shop=BERLIN, alerts=Alerts(quiet_from="22:00", quiet_until="02:30"))
    twice = quiet_until(at(BERLIN.zone, "2026-10-24T23:00"), settings)
    assert twice == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)  # 02:30 for the second time
    assert quiet_until(twice - timedelta(minutes=70), settings) == twice
    skipped = quiet_until(at(BERLIN.zone, "2026-03-28T23:00"), settings)
    assert datetime(2026, 3, 29, 0, 30, tzinfo=UTC) <= skipped <= datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_quiet_hours_within_a_day_and_none_at_all():
    lunch = Settings(shop=BERLIN, alerts=Alerts(quiet_from="12:00", quiet_until="13:00"))
    assert quiet_until(at(BERLIN.zone, "2026-03-05T12:30"), lunch) == at(BERLIN.zone, "2026-03-05T13:00")
    assert quiet_until(at(BERLIN.zone, "2026-03-05T13:00"), lunch) is None
    assert quiet_until(NOW, Settings()) is None


# Late, snoozed, taken out


def test_a_warning_that_comes_late_says_that_it_is_over_and_a_notice_does_not_come(book, receiver):
    receiver.stop()
    shop = Post(book, receiver.address)
    warning, notice = shop.raised("a", level="warning"), shop.raised("b", level="notice", kind="ready")
    shop.after(seconds=1)
    shop.after(minutes=1)
    for alert in (warning, notice):
        book.clear(alert.id, shop.now)
    receiver.start()
    shop.after(hours=1)
    (message,) = receiver.taken
    assert message["message"].startswith("This is over since 15:01; the message came late.")


def test_an_acknowledged_danger_is_still_sent(book, receiver):
    shop = Post(book, receiver.address)
    book.acknowledge(shop.raised().id, shop.now)
    assert shop.after(seconds=1) == 1


def test_a_snoozed_alert_sends_nothing_until_then(book, receiver):
    shop = Post(book, receiver.address)
    alert = shop.raised(level="warning")
    book.snooze(alert.id, shop.now + timedelta(hours=2), shop.now)
    assert shop.after(hours=1) == 0
    book.wake(alert.id, shop.now + timedelta(hours=1), shop.courier.digests)
    assert shop.after(hours=1) == 1
    assert shop.after(hours=1) == 0
    assert len(receiver.taken) == 1


def test_a_place_taken_out_of_the_settings_is_owed_nothing(book, receiver):
    Post(book, receiver.address).raised()
    elsewhere = Post(book)
    assert elsewhere.after(seconds=1) == 0
    assert book.messages(1)[0].trouble == "its place is no longer in the settings"


# Secrets, and never blocking


def test_no_secret_is_logged_or_stored(book, receiver, tmp_path, caplog):
    receiver.stop()
    shop = Post(book, receiver.address, "slack://tokenA/tokenB/hush-hush", "nonsense://hush-hush")
    with caplog.at_level(logging.DEBUG):
        shop.raised()
        shop.after(seconds=1)
    assert "not delivered by json: the connection was refused" in caplog.text
    assert "hush-hush" not in caplog.text
    assert "tokenA" not in caplog.text
    assert "hush-hush" not in repr(shop.settings)
    assert "hush-hush" not in repr(post.places(shop.settings))
    assert b"hush-hush" not in b"".join(file.read_bytes() for file in tmp_path.glob("records.sqlite*"))


def test_an_address_may_hold_commas_of_its_own():
    settings = Settings(alerts=Alerts(apprise_urls="mailto://a:b@example.com?to=x@example.com,y@example.com, json://h"))
    assert [place.address for place in post.places(settings)] == [
        "mailto://a:b@example.com?to=x@example.com,y@example.com",
        "json://h",
    ]
    assert post.places(Settings(alerts=Alerts(apprise_urls=" , "))) == ()


def test_the_courier_outlives_a_store_that_cannot_be_used_and_stops_when_asked(records, receiver, caplog):
    shop = Post(records.alerts, receiver.address)
    shop.raised()
    stop, fails = threading.Event(), [True]
    owed = records.alerts.owed

    class Troubled:
        def __getattr__(self, name):
            return getattr(records.alerts, name)

        def owed(self, at):
            if fails[0]:
                raise OSError("disk gone")
            return owed(at)

    courier = Courier(Troubled(), shop.settings, lambda: NOW + timedelta(seconds=1))
    with caplog.at_level(logging.INFO, "collector.alerts"):
        thread = threading.Thread(target=courier.run, args=(stop, 0.01))
        thread.start()
        eventually(lambda: "disk gone" in caplog.text)
        fails[0] = False
        eventually(lambda: receiver.taken)
        stop.set()
        thread.join(10)
    assert not thread.is_alive()
    assert caplog.text.count("alert messages cannot be sent now") == 1


def test_the_same_alert_is_the_same_on_both_sides(book):
    shop = Post(book, "json://h")
    stored = shop.raised()
    assert replace(stored, id=0) == replace(book.alert(stored.id), id=0)
    assert book.alert(stored.id).raised_at == NOW
