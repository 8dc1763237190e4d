"""What a simulated node holds until it is stored: numbers, order of sending, and what to send again.

No threads and no network: :mod:`collector.demo.nodes` calls it under its own lock. Times are monotonic. [s]
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

RESEND_AT_MOST_EVERY_S: Final = 60.0
"""The wait doubles up to this while the collector is silent, or a broker's queue would fill with repeats."""

RESEND_PACKS: Final = 500
"""The lowest numbers hold up all others, so a repeat starts with these few instead of everything."""


@dataclass(slots=True)
class Held:
    """One sample, and when it was last sent."""

    values: Mapping[str, float]
    remarks: Mapping[str, str] | None
    time_ms: int | None
    sent_at: float | None = None


class Outbox:
    """Numbered samples that wait for the collector to cover them.

    Parameters
    ----------
    most : int
        Held at most; beyond it the oldest is dropped and counted.
    resend_after_s : float
        First wait before an uncovered pack is sent again. [s]
    """

    def __init__(self, most: int, resend_after_s: float) -> None:
        self.next = 1
        self.stored = self.dropped = self.repeats = 0
        self._most = most
        self._resend_after_s = resend_after_s
        self._held: OrderedDict[int, Held] = OrderedDict()
        self._live: deque[int] = deque()
        self._again: deque[int] = deque()
        self._progress_at = 0.0
        self._wait_s = resend_after_s
        self._round_end: int | None = None

    def __len__(self) -> int:
        return len(self._held)

    @property
    def oldest(self) -> int:
        """Lowest number held; the next one if none is."""
        return next(iter(self._held), self.next)

    @property
    def waits(self) -> bool:
        """Whether there is something to send."""
        return bool(self._live or self._again)

    def add(self, sample: Held, now: float, *, live: bool) -> int:
        """Number a sample. Offered while the broker is away it is backlog, which :meth:`reconnected` plans."""
        seq = self.next
        self.next += 1
        if not self._held:
            self._progress_at = now  # only now is there an answer to wait for
        self._held[seq] = sample
        if live:
            self._live.append(seq)
        while len(self._held) > self._most:
            self._held.popitem(last=False)
            self.dropped += 1
        while len(self._live) > self._most:
            self._live.popleft()
        return seq

    def take(self, now: float) -> tuple[int, Held] | None:
        """The next to send. Live samples first: a person waits for those, and the backlog fills the rest."""
        for queue in (self._live, self._again):
            while queue:
                seq = queue.popleft()
                held = self._held.get(seq)
                if held is None:
                    continue
                if held.sent_at is not None:
                    self.repeats += 1
                held.sent_at = now
                return seq, held
        return None

    def disconnected(self) -> None:
        """Nothing is live any more by the time the broker is back."""
        self._live.clear()

    def reconnected(self, in_flight: Collection[int | None], now: float) -> None:
        """Plan all that is held: a broker may have lost even what it acknowledged.

        ``in_flight`` is what the MQTT client repeats by itself.
        """
        self._again = deque(seq for seq in self._held if seq not in in_flight)
        self._progress_at, self._wait_s, self._round_end = now, self._resend_after_s, None

    def plan_repeats(self, in_flight: Collection[int | None], now: float) -> None:
        """Plan the lowest numbers again if the collector has not moved on for too long."""
        if not self._held or self._again:
            return
        stalled = now - self._progress_at >= self._wait_s
        # After a whole repeated round was covered, what follows it was lost together with it: no second wait.
        following = self._round_end is not None and self.stored >= self._round_end
        if not stalled and not following:
            return
        flying = set(in_flight)
        for seq, held in self._held.items():
            if len(self._again) == RESEND_PACKS or held.sent_at is None:
                break
            if now - held.sent_at >= self._resend_after_s and seq not in flying:
                self._again.append(seq)
            elif following:
                break
        self._round_end = self._again[-1] if self._again else None
        if stalled:
            self._progress_at = now
            self._wait_s = min(2 * self._wait_s, RESEND_AT_MOST_EVERY_S)

    def cover(self, stored: int, now: float) -> None:
        """The collector has everything up to ``stored``."""
        self._wait_s = self._resend_after_s  # it lives, so a repeat will not fall on deaf ears
        if stored <= self.stored:
            return
        self.stored = stored
        self._progress_at = now
        while self._held and self.oldest <= stored:
            self._held.popitem(last=False)

    def continue_after(self, stored: int) -> None:
        """Go on after ``stored``, which an earlier life of the node reached; numbers never come twice.

        What is held moves up too, since the collector would take its numbers for packs it has.
        """
        if stored < self.oldest:
            return
        moved = list(self._held.values())
        self._held = OrderedDict(enumerate(moved, stored + 1))
        self.next = stored + 1 + len(moved)
        self._live.clear()
        self._again = deque(self._held)
