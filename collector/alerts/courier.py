"""The outbox's courier: hands owed messages over, and tries again for as long as it takes.

A message is marked as sent only after its place took it. A process that is killed between the two sends it again under
the same id: at least once, never lost.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.alerts.condition import KINDS
from collector.alerts.once import OncePerChange
from collector.alerts.phrases import clock
from collector.alerts.post import Place, places, send
from collector.alerts.quiet import quiet_until
from collector.records.alerts import DANGER, NOTICE, Alert, AlertBook, AlertMessage
from collector.settings import Settings

log = logging.getLogger(__name__)

FIRST_RETRY: Final = timedelta(minutes=1)
LONGEST_RETRY: Final = timedelta(hours=1)
MARKS: Final = {DANGER: "DANGER", "warning": "WARNING", NOTICE: "Notice"}


class Courier:
    """Works through the outbox of one shop.

    Parameters
    ----------
    book : AlertBook
    settings : Settings
        Its quiet hours, time zone and places.
    clock_of : callable
        The present, aware UTC.
    """

    def __init__(self, book: AlertBook, settings: Settings, clock_of: Callable[[], datetime]) -> None:
        self._book = book
        self._settings = settings
        self._clock = clock_of
        self._places: Mapping[str, Place] = {place.digest: place for place in places(settings)}
        self._said = OncePerChange(log)
        self._failures: dict[str, int] = {}
        self._rest_until: dict[str, datetime] = {}

    @property
    def digests(self) -> tuple[str, ...]:
        """Where a new alert's messages are owed to."""
        return tuple(self._places)

    def run(self, stop: threading.Event, period_s: float) -> None:
        """Go round each ``period_s`` seconds until ``stop`` is set; whatever fails is tried again."""
        while not stop.is_set():
            try:
                self.go_round(stop)
            except Exception as error:
                self._said.failed("courier", "alert messages cannot be sent now; they are kept", error)
            else:
                self._said.worked("courier")
            stop.wait(period_s)

    def go_round(self, stop: threading.Event | None = None) -> int:
        """Hand over what is due.

        Returns
        -------
        int
            Number of messages taken by their places.
        """
        now = self._clock()
        taken = 0
        # The fewest attempts first: a message that a place never takes must not stand before those it would.
        for message, alert in sorted(self._book.owed(now), key=lambda pair: pair[0].attempts):
            if stop is not None and stop.is_set():
                break
            place = self._places.get(message.place)
            why_not = self._why_not(message, alert, place)
            if why_not or place is None:
                self._book.drop(message.id, now, why_not)
                continue
            later = self._held_until(alert, now)
            if later is not None:
                self._book.postpone(message.id, later)
            elif not self._rests(place, now):
                taken += self._hand_over(message, alert, place)
        return taken

    def _hand_over(self, message: AlertMessage, alert: Alert, place: Place) -> bool:
        told = body(alert, message, self._clock(), self._settings)
        trouble = send(place, title=title(alert), body=told, level=alert.level)
        now = self._clock()
        if trouble:
            failures = self._failures[place.digest] = self._failures.get(place.digest, 0) + 1
            self._rest_until[place.digest] = now + retry_after(failures)
            self._book.failed(message.id, message.attempts + 1, self._rest_until[place.digest], trouble)
            if failures == 1:
                log.warning(
                    "alert %d is not delivered by %s: %s; tried again until it is", alert.id, place.kind, trouble
                )
            return False
        self._book.sent(message.id, now)
        if self._failures.pop(place.digest, 0):
            log.info("messages by %s are delivered again", place.kind)
        self._book.hasten(place.digest, now)  # also what it refused before a restart, of which nothing else is known
        return True

    def _rests(self, place: Place, now: datetime) -> bool:
        """Whether a place that failed is left alone for now."""
        until = self._rest_until.get(place.digest)
        # A rest that ends later than any rest can be was begun before the clock was set back.
        return place.digest in self._failures and until is not None and now < until <= now + LONGEST_RETRY

    def _why_not(self, message: AlertMessage, alert: Alert, place: Place | None) -> str:
        """Why a message is owed no more; empty while it is."""
        if place is None:
            return "its place is no longer in the settings"
        if alert.level == DANGER:
            return ""
        if alert.acknowledged_at is not None:
            return "acknowledged before it was sent"
        if alert.cleared_at is not None and (alert.level == NOTICE or message.attempts == 0):
            return "no longer true when it could be sent"
        return ""

    def _held_until(self, alert: Alert, now: datetime) -> datetime | None:
        """When a message may go out, where that is not now: after a snooze, and after quiet hours unless danger."""
        if alert.snoozed_until is not None and alert.snoozed_until > now:
            return alert.snoozed_until
        return None if alert.level == DANGER else quiet_until(now, self._settings)


def retry_after(attempts: int) -> timedelta:
    """How long to wait after so many failed attempts: a minute, doubling up to an hour."""
    return min(FIRST_RETRY * int(2 ** min(attempts - 1, 20)), LONGEST_RETRY)


def title(alert: Alert) -> str:
    """The line that is seen first."""
    return f"{MARKS[alert.level]}: {alert.what}"


def body(alert: Alert, message: AlertMessage, now: datetime, settings: Settings) -> str:
    """What a message says: since when, why, what to do, its caution, and the id that tells a repeated one."""
    lines = [f"Since {clock(alert.since, now, settings)}. {alert.why}", f"What to do: {alert.what_to_do}"]
    if alert.cleared_at is not None:
        lines.insert(0, f"This is over since {clock(alert.cleared_at, now, settings)}; the message came late.")
    if alert.caution:
        lines.append(f"Caution: {alert.caution}")
    label = KINDS[alert.kind].label if alert.kind in KINDS else alert.kind
    lines.append(f"{settings.shop.name}, {alert.booth}. {label}, alert {alert.id}. Message {message.dedupe_id}")
    return "\n\n".join(lines)


def utc_now() -> datetime:
    """The present."""
    return datetime.now(UTC)
