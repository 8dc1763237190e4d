"""The open alerts of each booth as a retained MQTT message, for lights and screens of the shop's own."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable
from typing import Any

from collector.records.alerts import Alert
from collector.wire import PackError, alerts_topic

log = logging.getLogger(__name__)


class Board:
    """Publishes a booth's list when it changes, an empty one included.

    Parameters
    ----------
    publish : callable
        Takes a topic and a payload, and keeps the message for a connection to come.
    """

    def __init__(self, publish: Callable[[str, bytes], object]) -> None:
        self._publish = publish
        self._told: dict[str, bytes] = {}

    def show(self, alerts: Iterable[Alert], booths: Iterable[str]) -> None:
        """Bring every booth's list up to date.

        Parameters
        ----------
        alerts : iterable of Alert
            Those open.
        booths : iterable of str
            Booths that have a list even when nothing is open.
        """
        lists: dict[str, list[dict[str, Any]]] = {booth: [] for booth in (*booths, *self._told)}
        for alert in alerts:
            lists.setdefault(alert.booth, []).append(as_dict(alert))
        for booth, held in lists.items():
            payload = json.dumps(held, ensure_ascii=False, separators=(",", ":")).encode()
            if self._told.get(booth) == payload:
                continue
            try:
                topic = alerts_topic(booth)
            except PackError:
                log.debug("booth %r has no topic", booth)  # named by hand on a coat, as no node can be
            else:
                self._publish(topic, payload)
            self._told[booth] = payload


def as_dict(alert: Alert) -> dict[str, Any]:
    """An alert as JSON-ready values; times are ISO, UTC."""

    def iso(name: str) -> str | None:
        moment = getattr(alert, name)
        return None if moment is None else str(moment.isoformat(timespec="seconds"))

    plain = ("id", "kind", "subject", "booth", "level", "what", "why", "what_to_do", "caution")
    times = ("since", "raised_at", "cleared_at", "acknowledged_at", "snoozed_until")
    return {**{name: getattr(alert, name) for name in plain}, **{name: iso(name) for name in times}}
