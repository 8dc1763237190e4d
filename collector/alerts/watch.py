"""Once per episode: turns what the rules say at each look into alerts that open, stay and end.

What is open is asked of the record store at every look, so neither a restart nor an acknowledgement from another
process is missed. Only the waiting times before raising and clearing are in memory; a restart begins them anew.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.alerts.condition import KINDS, Condition, Rule
from collector.alerts.once import OncePerChange
from collector.alerts.snapshot import Snapshot
from collector.records.alerts import Alert, AlertBook

log = logging.getLogger(__name__)

RETOLD_EVERY: Final = timedelta(seconds=60)
"""An open alert's words follow what is measured, but not every flicker of it."""

Key = tuple[str, str]


class Watch:
    """Looks at snapshots with rules and keeps the book of alerts.

    Parameters
    ----------
    book : AlertBook
    rules : sequence of Rule
    places : callable
        Where the message of a new alert is owed to, as digests; asked at each alert.
    """

    def __init__(self, book: AlertBook, rules: Sequence[Rule], places: Callable[[], Sequence[str]]) -> None:
        self._book = book
        self._rules = rules
        self._places = places
        self._said = OncePerChange(log)
        self._holding_since: dict[Key, datetime] = {}
        self._gone_since: dict[Key, datetime] = {}
        self._retold_at: dict[int, datetime] = {}

    def look(self, snapshot: Snapshot) -> None:
        """Ask every rule whose parts are there; open, retell, wake and end alerts by what they say.

        Raises
        ------
        StoreError
            If the record store cannot be used; the next look makes up for it.
        """
        now = snapshot.now
        said, answered = self._ask(snapshot)
        still_open = {(alert.kind, alert.subject): alert for alert in self._book.open()}
        for key, condition in said.items():
            self._gone_since.pop(key, None)
            if key in still_open:
                self._retell(still_open[key], condition, now)
            else:
                self._perhaps_raise(condition, now)
        for key in [key for key in self._holding_since if key not in said and key[0] in answered]:
            del self._holding_since[key]
        for key, alert in still_open.items():
            if key not in said and alert.kind in answered:
                self._perhaps_clear(key, alert, now)
            elif alert.snoozed_until is not None and alert.snoozed_until <= now:
                self._book.wake(alert.id, now, self._places())

    def _ask(self, snapshot: Snapshot) -> tuple[dict[Key, Condition], set[str]]:
        """What the rules say, and the kinds of alert they answered for."""
        said: dict[Key, Condition] = {}
        answered: set[str] = set()
        for rule in self._rules:
            if snapshot.missing.intersection(rule.needs):
                continue
            try:
                found = {condition.key: condition for condition in rule.find(snapshot)}
            except Exception as error:
                self._said.failed(rule.name, f"the alert rule for {rule.name} failed; the others go on", error)
                continue
            self._said.worked(rule.name)
            said |= found
            answered.update(rule.kinds)
        return said, answered

    def _perhaps_raise(self, condition: Condition, now: datetime) -> None:
        if not condition.raised:
            self._holding_since.pop(condition.key, None)
            return
        began = self._holding_since.setdefault(condition.key, now)
        if began > now:  # the clock was set back
            began = self._holding_since[condition.key] = now
        if now - began < KINDS[condition.kind].raise_after:
            return
        alert = self._book.raise_(_alert(condition, condition.since or began, now), self._places())
        self._holding_since.pop(condition.key, None)
        if alert is not None:
            self._retold_at[alert.id] = now
            log.info("alert %d (%s): %s", alert.id, alert.level, alert.what)

    def _retell(self, alert: Alert, condition: Condition, now: datetime) -> None:
        self._holding_since.pop(condition.key, None)
        if not condition.raised:  # between the thresholds its words are of what it no longer is
            return
        told = _alert(condition, condition.since or alert.since, now)
        same = replace(alert, level=told.level, what=told.what, why=told.why, what_to_do=told.what_to_do,
                       caution=told.caution, since=told.since)  # fmt: skip
        last = self._retold_at.get(alert.id)
        if same != alert and (last is None or not timedelta(0) <= now - last < RETOLD_EVERY):
            self._book.retell(same)
            self._retold_at[alert.id] = now

    def _perhaps_clear(self, key: Key, alert: Alert, now: datetime) -> None:
        gone = self._gone_since.setdefault(key, now)
        if gone > now:
            gone = self._gone_since[key] = now
        if alert.kind in KINDS and now - gone < KINDS[alert.kind].clear_after:
            return
        self._book.clear(alert.id, now)
        self._gone_since.pop(key, None)
        self._retold_at.pop(alert.id, None)
        log.info("alert %d is over: %s", alert.id, alert.what)


def _alert(condition: Condition, since: datetime, now: datetime) -> Alert:
    return Alert(
        kind=condition.kind,
        subject=condition.subject,
        booth=condition.booth,
        level=condition.level,
        what=condition.what,
        why=condition.why,
        what_to_do=condition.what_to_do,
        caution=condition.caution,
        since=since,
        raised_at=now,
    )
