"""The node's own pauses and milliseconds. On a board SPEED is 1; a soak test lets a day pass in minutes.

The link's are not among them: it waits for real machines, by :func:`real_ms`.
"""

import asyncio
import time

SPEED = 1


def ticks_ms():
    """Milliseconds that wrap as ``time.ticks_ms`` does."""
    return time.ticks_ms() if SPEED == 1 else time.ticks_ms() * SPEED


async def sleep_ms(ms):
    await asyncio.sleep_ms(max(1, ms // SPEED))


def real_ms(running_ms):
    """Milliseconds on the wall from those of the node."""
    return running_ms // SPEED
