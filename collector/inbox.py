"""What stands between the network and the writer of ingest: a bounded inbox, and the clock that stamps it."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from collector import wire

ROOM_TIMEOUT_S: Final = 10.0
"""How long the network may wait for the writer before messages are left for the broker to send again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message as received.

    ``size`` is its full length, of which ``payload`` may hold only the start; ``mid`` is 0 where none is
    to be acknowledged; ``connection`` numbers the connection it came by, as its ``mid`` means nothing on
    another.
    """

    topic: str
    payload: bytes
    size: int
    received_ms: int
    retained: bool
    mid: int
    connection: int


class Inbox:
    """Messages on their way from the network thread to the writer, bounded in number and bytes."""

    def __init__(self, most: int, most_bytes: int) -> None:
        self._most, self._most_bytes = most, most_bytes
        self._messages: deque[Message] = deque()
        self._bytes = 0
        self._changed = threading.Condition()
        self.refusing = False

    def __len__(self) -> int:
        return len(self._messages)

    @property
    def full(self) -> bool:
        """Whether the next message would have to wait."""
        return not self._has_room()

    def put(self, message: Message) -> None:
        """Add it, or, where no room comes free, leave it unacknowledged for the broker to send again."""
        with self._changed:
            if not self._changed.wait_for(lambda: self.refusing or self._has_room(), ROOM_TIMEOUT_S):
                self.refusing = True
            if self.refusing:
                return
            self._messages.append(message)
            self._bytes += len(message.payload)
            self._changed.notify_all()

    def take(self, most: int, wait_s: float) -> list[Message]:
        """Up to ``most`` messages; waits for the first."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._messages), wait_s)
            taken = [self._messages.popleft() for _ in range(min(most, len(self._messages)))]
            self._bytes -= sum(len(message.payload) for message in taken)
            self._changed.notify_all()
            return taken

    def refuse(self) -> None:
        """Take no more until :meth:`accept`; wakes a network thread that waits for room."""
        with self._changed:
            self.refusing = True
            self._changed.notify_all()

    def accept(self) -> None:
        """Take messages again."""
        with self._changed:
            self.refusing = False

    def _has_room(self) -> bool:
        return len(self._messages) < self._most and self._bytes < self._most_bytes


class Clock:
    """The machine's clock, and the newest time a reading may bear if that clock was set back."""

    def __init__(self, wall: Callable[[], float]) -> None:
        self._wall = wall
        self._believed_s = wall()
        self._began = time.monotonic()
        self._offset_s = self._believed_s - self._began

    def now_ms(self) -> int:
        """The time by the machine's clock. [ms since 1970, UTC]"""
        return round(self._wall() * 1000)

    def believe(self, time_ms: int) -> None:
        """It was at least this late when the process started."""
        self._believed_s = max(self._believed_s, time_ms / 1000)

    def latest_ms(self) -> int:
        """The newest time to believe of a reading. [ms since 1970, UTC]"""
        running_s = self._believed_s + time.monotonic() - self._began
        return round(max(self._wall(), running_s) * 1000) + wire.FUTURE_TOLERANCE_MS

    def jump_s(self) -> float:
        """By how much the wall clock moved against the monotonic one since the last call; 0 for small drifts."""
        offset_s = self._wall() - time.monotonic()
        jump_s, self._offset_s = offset_s - self._offset_s, offset_s
        return jump_s
