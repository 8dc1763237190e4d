"""Alerts as the record store keeps them: one row an episode, and an outbox of the messages each still owes.

An episode and its messages are written in one transaction, so a process killed at any moment neither forgets an alert
nor raises it twice. Alerts are the machine's own words and are not in the audit.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from collector.errors import Conflict, NotFound, RecordError
from collector.records.connections import session_on, writer_of
from collector.records.rows import columns_of, fields_of
from collector.records.tables import AlertMessageRow, AlertRow

NOTICE: Final = "notice"
WARNING: Final = "warning"
DANGER: Final = "danger"
LEVELS: Final = (NOTICE, WARNING, DANGER)
"""What can wait, what cannot, and what passes through quiet hours."""

LONGEST_SNOOZE: Final = timedelta(hours=72)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One episode: raised once, open until ``cleared_at``.

    Attributes
    ----------
    kind, subject : str
        What it is about, such as ``ready`` and ``coat 12 dry_to_recoat``; together one open alert at most.
    booth : str
    level : str
        ``notice``, ``warning`` or ``danger``.
    what, why, what_to_do, caution : str
        Sentences for a person; ``caution`` is empty where there is none.
    since : datetime
        When what it tells of began.
    raised_at, cleared_at, acknowledged_at, snoozed_until : datetime or None
    """

    kind: str
    subject: str
    booth: str
    level: str
    what: str
    why: str
    what_to_do: str
    caution: str = ""
    since: datetime
    raised_at: datetime
    cleared_at: datetime | None = None
    acknowledged_at: datetime | None = None
    snoozed_until: datetime | None = None
    id: int = 0

    def __post_init__(self) -> None:
        if self.level not in LEVELS:
            raise RecordError(f"level {self.level!r}; expected one of {', '.join(LEVELS)}")

    def asks_at(self, now: datetime) -> bool:
        """Whether it asks for somebody now: open, neither acknowledged nor snoozed."""
        snoozed = self.snoozed_until is not None and self.snoozed_until > now
        return self.cleared_at is None and self.acknowledged_at is None and not snoozed


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertMessage:
    """One message of an alert to one place, owed until ``sent_at`` or ``dropped_at`` is set.

    Attributes
    ----------
    place : str
        A digest of the address, which is a secret and stays in the settings.
    dedupe_id : str
        The same in every attempt; a message may arrive twice, never under two names.
    attempts : int
        Failed ones.
    trouble : str
        Why the last attempt failed, or why it was dropped.
    """

    alert_id: int
    place: str
    dedupe_id: str
    created_at: datetime
    due_at: datetime
    attempts: int = 0
    sent_at: datetime | None = None
    dropped_at: datetime | None = None
    trouble: str = ""
    id: int = 0


class AlertBook:
    """The alerts of a record store; every call is one short transaction."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._writer = writer_of(engine)

    # Episodes

    def open(self) -> list[Alert]:
        """Open alerts: danger first, then warnings, then notices, the newest of each first."""
        query = select(AlertRow).where(AlertRow.open_key.is_not(None))
        with self._reading() as session:
            found = [_alert(row) for row in session.scalars(query)]
        return sorted(found, key=lambda alert: (-LEVELS.index(alert.level), -alert.raised_at.timestamp(), -alert.id))

    def newest(self, most: int = 50) -> list[Alert]:
        """Alerts open and over, the newest first."""
        query = select(AlertRow).order_by(AlertRow.raised_at.desc(), AlertRow.id.desc()).limit(most)
        with self._reading() as session:
            return [_alert(row) for row in session.scalars(query)]

    def alert(self, alert_id: int) -> Alert:
        """One alert by number; NotFound if there is none."""
        with self._reading() as session:
            return _alert(_held(session, alert_id))

    def raise_(self, alert: Alert, places: Iterable[str]) -> Alert | None:
        """Store a new episode with a message to each place; None if one is open for its kind and subject already."""
        key = _key(alert)
        with self._writing() as session:
            if session.scalar(select(AlertRow.id).where(AlertRow.open_key == key)) is not None:
                return None
            row = AlertRow(open_key=key, **columns_of(alert))
            session.add(row)
            session.flush()
            _owe(session, row.id, places, alert.raised_at)
            return _alert(row)

    def retell(self, alert: Alert) -> None:
        """Put an open alert's words and level as they are given; nothing is sent for it."""
        with self._writing() as session:
            row = _held(session, alert.id)
            for name in ("level", "what", "why", "what_to_do", "caution", "since"):
                setattr(row, name, getattr(alert, name))

    def clear(self, alert_id: int, at: datetime) -> None:
        """End an episode."""
        with self._writing() as session:
            row = _held(session, alert_id)
            if row.cleared_at is None:
                row.cleared_at, row.open_key = at, None

    def acknowledge(self, alert_id: int, at: datetime) -> Alert:
        """Note that somebody has seen it; it stays open until what it tells of is over.

        Raises
        ------
        NotFound
            If there is no such alert.
        Conflict
            If it is over.
        """
        with self._writing() as session:
            row = _held_open(session, alert_id)
            row.acknowledged_at, row.snoozed_until = row.acknowledged_at or at, None
            return _alert(row)

    def snooze(self, alert_id: int, until: datetime, at: datetime) -> Alert:
        """Keep an alert quiet until a time; if it is open then, it is told again.

        Raises
        ------
        NotFound
            If there is no such alert.
        Conflict
            If it is over.
        RecordError
            If the time is not ahead, or more than 72 hours ahead.
        """
        if not at < until <= at + LONGEST_SNOOZE:
            raise RecordError(
                f"snoozed until {until:%Y-%m-%d %H:%M}; expected a time ahead, by {LONGEST_SNOOZE.days * 24} h at most"
            )
        with self._writing() as session:
            row = _held_open(session, alert_id)
            row.snoozed_until, row.acknowledged_at = until, None
            return _alert(row)

    def wake(self, alert_id: int, at: datetime, places: Iterable[str]) -> None:
        """End a snooze that has run out, and owe its messages again."""
        with self._writing() as session:
            row = _held(session, alert_id)
            if row.cleared_at is None and row.snoozed_until is not None and row.snoozed_until <= at:
                row.snoozed_until = None
                _drop_owed(session, row.id, at, "told anew after the snooze")
                _owe(session, row.id, places, at)

    # Messages

    def owed(self, at: datetime | None = None) -> list[tuple[AlertMessage, Alert]]:
        """Messages still owed, and due by ``at`` where it is given: danger first, then the oldest."""
        query = (
            select(AlertMessageRow, AlertRow)
            .join(AlertRow, AlertRow.id == AlertMessageRow.alert_id)
            .where(AlertMessageRow.sent_at.is_(None), AlertMessageRow.dropped_at.is_(None))
        )
        if at is not None:
            query = query.where(AlertMessageRow.due_at <= at)
        with self._reading() as session:
            found = [(_message(message), _alert(row)) for message, row in session.execute(query).tuples()]
        return sorted(found, key=lambda pair: (pair[1].level != DANGER, pair[0].created_at, pair[0].id))

    def messages(self, alert_id: int) -> list[AlertMessage]:
        """Every message of an alert, oldest first."""
        query = select(AlertMessageRow).where(AlertMessageRow.alert_id == alert_id).order_by(AlertMessageRow.id)
        with self._reading() as session:
            return [_message(row) for row in session.scalars(query)]

    def sent(self, message_id: int, at: datetime) -> None:
        """Note that a message was taken by its place."""
        self._mark(message_id, sent_at=at, trouble="")

    def postpone(self, message_id: int, due_at: datetime) -> None:
        """Try a message later, without counting an attempt."""
        self._mark(message_id, due_at=due_at)

    def failed(self, message_id: int, attempts: int, due_at: datetime, trouble: str) -> None:
        """Note a failed attempt, and when to try again."""
        self._mark(message_id, attempts=attempts, due_at=due_at, trouble=trouble)

    def hasten(self, place: str, at: datetime) -> None:
        """A place answers again: what it refused before is due at once."""
        with self._writing() as session:
            session.execute(
                update(AlertMessageRow)
                .where(
                    AlertMessageRow.place == place,
                    AlertMessageRow.attempts > 0,
                    AlertMessageRow.due_at > at,
                    AlertMessageRow.sent_at.is_(None),
                    AlertMessageRow.dropped_at.is_(None),
                )
                .values(due_at=at)
            )

    def drop(self, message_id: int, at: datetime, why: str) -> None:
        """Owe a message no more."""
        self._mark(message_id, dropped_at=at, trouble=why)

    def _mark(self, message_id: int, **values: object) -> None:
        with self._writing() as session:
            session.execute(update(AlertMessageRow).where(AlertMessageRow.id == message_id).values(**values))

    def _reading(self) -> AbstractContextManager[Session]:
        return session_on(self._engine)

    def _writing(self) -> AbstractContextManager[Session]:
        return session_on(self._writer)


def _key(alert: Alert) -> str:
    return f"{alert.kind}|{alert.subject}"


def _alert(row: AlertRow) -> Alert:
    return Alert(**fields_of(row, Alert))


def _message(row: AlertMessageRow) -> AlertMessage:
    return AlertMessage(**fields_of(row, AlertMessage))


def _held(session: Session, alert_id: int) -> AlertRow:
    row = session.get(AlertRow, alert_id) if 0 < alert_id < 2**63 else None
    if row is None:
        raise NotFound(f"there is no alert {alert_id}; tackfree alerts lists them")
    return row


def _held_open(session: Session, alert_id: int) -> AlertRow:
    row = _held(session, alert_id)
    if row.cleared_at is not None:
        raise Conflict(f"alert {alert_id} is over since {row.cleared_at:%Y-%m-%d %H:%M} UTC")
    return row


def _owe(session: Session, alert_id: int, places: Iterable[str], at: datetime) -> None:
    for place in places:
        session.add(
            AlertMessageRow(
                alert_id=alert_id,
                place=place,
                dedupe_id=f"{alert_id}-{uuid.uuid4().hex[:12]}",
                created_at=at,
                due_at=at,
                attempts=0,
                trouble="",
            )
        )


def _drop_owed(session: Session, alert_id: int, at: datetime, why: str) -> None:
    session.execute(
        update(AlertMessageRow)
        .where(
            AlertMessageRow.alert_id == alert_id,
            AlertMessageRow.sent_at.is_(None),
            AlertMessageRow.dropped_at.is_(None),
        )
        .values(dropped_at=at, trouble=why)
    )
