"""Which record to send next. Knows no network, so that every rule here can be tried without one.

* A record leaves the spool only when the collector's ``stored`` number covers it. A broker's PUBACK merely
  makes room for the next: a killed or full broker loses what it acknowledged.
* New samples go first; what gathered during an outage follows at a bounded rate.
* If the number stands still the lowest records are sent again, few at a time and ever more rarely, so a
  collector that is away for a day does not find a day of repeats.
* A node that has never heard the collector does not know whether the collector remembers an earlier life of
  it. It waits for the retained number, then sends one record only; the answer tells it where to go on.
"""

WINDOW = 8
ROUND = 64
RETAINED_WAIT_MS = 1500
REPEAT_AFTER_MS, REPEAT_AT_MOST_EVERY_MS = 5000, 60000
PUBACK_WAIT_MS = 5000


class Courier:
    """Call :meth:`next` for the index to send, then :meth:`sent`; times are running milliseconds."""

    def __init__(self, spool, memory, backlog_per_s=10):
        self._spool, self._memory = spool, memory
        self._spacing_ms = 1000 // backlog_per_s
        self._flying = {}  # packet id: (index, sent at)
        self._resume = spool.first  # lowest index that never reached the broker
        self._live = spool.next
        self._backlog = self._backlog_end = 0
        self._round = self._round_end = self._round_limit = 0
        self._next_old_at = self._ask_at = self._progress_at = 0
        self._wait_ms = REPEAT_AFTER_MS
        self.connected_at = None
        self.repeats = 0

    def seq(self, index):
        """The number the collector knows a record by."""
        return index + self._memory["offset"]

    def connected(self, now):
        """The broker has granted the subscription to ``stored``."""
        self.connected_at = now
        self._ask_at = now + RETAINED_WAIT_MS
        self._flying = {}
        self._backlog, self._backlog_end = self._resume, self._spool.next
        self._live = self._spool.next
        self._round = self._round_end = self._round_limit = 0
        self._progress_at, self._wait_ms = now, REPEAT_AFTER_MS

    def disconnected(self):
        """What is not acknowledged, even by the broker, goes out again after the next :meth:`connected`."""
        if self.connected_at is not None:
            self.connected_at = None
            self._resume = min(
                [self._backlog if self._backlog < self._backlog_end else self._live]
                + [index for index, _ in self._flying.values()]
            )
            self._flying = {}

    def next(self, now):
        """Index of the record to send now, or None."""
        if self.connected_at is None or len(self._flying) >= WINDOW:
            return None
        spool = self._spool
        if not self._memory["synced"]:
            return self._ask(now)
        self._live = max(self._live, spool.first)
        if self._live < spool.next:
            self._live += 1
            return self._live - 1
        self._plan_repeats(now)
        if now < self._next_old_at:
            return None
        if self._round < self._round_end:
            index = self._round = max(self._round, spool.first)
            self._round += 1
            if index < self._round_end:
                self._next_old_at = now + self._spacing_ms
                self.repeats += 1
                return index
        self._backlog = max(self._backlog, spool.first)
        if self._backlog < self._backlog_end:
            self._next_old_at = now + self._spacing_ms
            self._backlog += 1
            return self._backlog - 1
        return None

    def sent(self, index, pid, now):
        """The record went out under this packet id."""
        self._flying[pid] = index, now

    def puback(self, pid):
        """True if the packet was one of a record."""
        return self._flying.pop(pid, None) is not None

    def overdue(self, now):
        """Whether the broker owes a PUBACK for so long that the connection must be dead."""
        return any([now - at > PUBACK_WAIT_MS for _, at in self._flying.values()])

    def stored(self, number, now):
        """The collector has all numbers up to ``number``. Returns whether that was believed."""
        spool, offset = self._spool, self._memory["offset"]
        if not self._memory["synced"]:
            # Of a fresh spool at most its first record was sent: more than that was an earlier life.
            asked = any([True for _ in self._flying]) or self._round_limit
            if number >= spool.first + offset + (1 if asked else 0):
                # The next number free at the collector becomes that of the first record held.
                offset = number + 1 - spool.first
            self._memory.update(synced=True, offset=offset)
            if self.connected_at is not None:
                self._resume = spool.first
                self.connected(self.connected_at)
                self._progress_at = now
        elif number >= spool.next + offset:
            return False
        covered = number - offset
        self._wait_ms = REPEAT_AFTER_MS  # the collector lives, so a repeat will not fall on deaf ears
        if covered >= spool.first:
            spool.release(covered)
            self._progress_at = now
            if self._round_end and covered >= self._round_end - 1:
                # What follows a lost round was lost with it, up to all that had been sent when it stalled.
                self._round = spool.first
                self._round_end = min(spool.first + ROUND, self._round_limit)
        return True

    def _ask(self, now):
        if now < self._ask_at or self._spool.next == self._spool.first or self._flying:
            return None
        self._ask_at = now + self._wait_ms
        self._wait_ms = min(2 * self._wait_ms, REPEAT_AT_MOST_EVERY_MS)
        self._round_limit = 1
        return self._spool.first

    def _plan_repeats(self, now):
        sent_to = self._backlog if self._backlog < self._backlog_end else self._live
        if self._spool.first >= sent_to:
            self._progress_at = now  # nothing is awaited
        elif self._round >= self._round_end and now - self._progress_at >= self._wait_ms:
            self._spool.skip_unreadable()
            self._round = self._spool.first
            self._round_limit = sent_to
            self._round_end = min(self._round + ROUND, sent_to)
            self._progress_at = now
            self._wait_ms = min(2 * self._wait_ms, REPEAT_AT_MOST_EVERY_MS)
