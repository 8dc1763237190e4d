"""The node's own pauses and milliseconds. On a board SPEED is 1; a soak test lets a day pass in minutes.

The network's time-outs are not among them: those wait for real machines.
"""

import asyncio
import time

SPEED = 1


def ticks_ms():
    """Milliseconds that wrap as ``time.ticks_ms`` does."""
    return time.ticks_ms() if SPEED == 1 else time.ticks_ms() * SPEED


async def sleep_ms(ms):
    await asyncio.sleep_ms(max(1, ms // SPEED))
