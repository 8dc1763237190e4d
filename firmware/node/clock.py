"""Time in integer milliseconds: a running time that goes on over reboots, and UTC once somebody has told it.

The running time counts from the node's first start and leaves out the time without power. Every sample
carries it, so a sample taken before the clock was set is dated afterwards: exactly if the clock was set later
in the same boot, else as late as it can have been, and then flagged.
"""

import asyncio
import socket
import struct
import time

from node import pace

EARLIEST_MS = 1577836800000  # 2020-01-01: before that, no clock is right
_NTP_TO_1970_S = 2208988800
_KEPT_FIXES = 8

# Of a sample: dated by the clock; dated as late as possible; not to be dated yet.
DATED, LATEST, UNDATED = 0, 1, 2


def epoch_ms(gmtime=time.gmtime):
    """Time since 1970 at which this board's own clock is 0: some count from 2000."""
    return 0 if gmtime(0)[0] == 1970 else 946684800000


def system_ms():
    """The board's own clock since 1970, in integers. Right only where something else sets it."""
    return time.time_ns() // 1000000 + epoch_ms()


class Clock:
    """Running time, and UTC from the last fix.

    Parameters: ``memory`` keeps the fixes; ``running_ms`` is where the last boot ended; ``ticks`` and
    ``ticks_diff`` are the board's wrapping milliseconds.
    """

    def __init__(self, memory, running_ms=0, ticks=pace.ticks_ms, ticks_diff=time.ticks_diff):
        self._memory = memory
        self._ticks, self._ticks_diff = ticks, ticks_diff
        self.began_ms = running_ms
        self._running_ms = running_ms
        self._seen = ticks()
        self._zero_ms = None  # UTC at running time 0, by the newest fix
        self._stamped = 0
        self.boot = memory["boot"] & 0xFFFF
        self.source = None

    def running_ms(self):
        """Ask at least once a day: the board's counter wraps after about six."""
        ticks = self._ticks()
        step = self._ticks_diff(ticks, self._seen)
        if step > 0:
            self._running_ms += step
            self._seen = ticks
        return self._running_ms

    def uptime_ms(self):
        return self.running_ms() - self.began_ms

    @property
    def is_set(self):
        return self._zero_ms is not None

    def now_ms(self):
        """UTC since 1970, or None."""
        return None if self._zero_ms is None else self._zero_ms + self.running_ms()

    def stamp(self):
        """(running_ms, UTC or None) for a sample. After a small step back no time comes twice."""
        running, now = self.running_ms(), self.now_ms()
        if now is not None:
            if now <= self._stamped < now + 60000:
                now = self._stamped + 1
            self._stamped = now
        return running, now

    def set(self, now_ms, source):
        """Set UTC; False if that time cannot be."""
        if now_ms < EARLIEST_MS:
            return False
        self._zero_ms = now_ms - self.running_ms()
        self.source = source
        fixes = dict(self._memory["fixes"])
        if str(self.boot) not in fixes:
            # The first fix of a boot dates its earlier samples, always alike: sent twice, they are equal.
            fixes[str(self.boot)] = self._zero_ms
            for boot in sorted(fixes, key=lambda b: (self.boot - int(b)) & 0xFFFF)[_KEPT_FIXES:]:
                del fixes[boot]
            self._memory.update(fixes=fixes)
        return True

    def date(self, boot, running_ms, time_ms):
        """(how, UTC or age) of a sample with these times: :data:`DATED` or :data:`LATEST` with the time since
        1970, :data:`UNDATED` with its age, of which the time without power is not part."""
        if time_ms is not None:
            return DATED, time_ms
        later = None
        for known, zero_ms in self._memory["fixes"].items():
            ahead = (int(known) - boot) & 0xFFFF
            if ahead < 0x8000 and (later is None or ahead < later[0]):
                later = ahead, zero_ms
        if later is None:
            return UNDATED, max(0, self.running_ms() - running_ms)
        return (LATEST if later[0] else DATED), later[1] + running_ms


async def ask_ntp(host, running_ms, port=123, wait_ms=2000):
    """UTC in ms since 1970 from an NTP server (RFC 5905, as a client that asks once).

    Raises OSError if there is no answer, or one that is not of a synchronised server.
    """
    address = socket.getaddrinfo(host, port)[0][-1]
    asked = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        asked.setblocking(False)
        asked.connect(address)
        sent_ms = running_ms()
        # The server returns these 8 bytes, which tells its answer from any other.
        mark = struct.pack(">Q", (sent_ms * 2654435761 + time.ticks_us()) & 0xFFFFFFFFFFFFFFFF)
        asked.send(b"\x23" + bytes(39) + mark)
        while True:
            await asyncio.sleep_ms(20)
            passed = running_ms() - sent_ms
            try:
                answer = asked.recv(64)
            except OSError:
                if passed > wait_ms:
                    raise OSError("NTP: no answer from %s in %d ms" % (host, wait_ms))
                continue
            if len(answer) >= 48 and answer[24:32] == mark:
                break
    finally:
        asked.close()
    if answer[0] & 7 != 4 or answer[0] >> 6 == 3 or not 1 <= answer[1] <= 15:
        raise OSError("NTP: %s is not synchronised" % host)
    seconds, fraction = struct.unpack_from(">II", answer, 40)
    if seconds < 0x80000000:
        seconds += 1 << 32  # the era that begins in 2036
    return (seconds - _NTP_TO_1970_S) * 1000 + (fraction * 1000 >> 32) + passed // 2
