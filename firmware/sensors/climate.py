"""The newest air temperature and humidity measured here, for the one sensor whose signal depends on them."""

import time

from node import pace

FRESH_MS = 600000

_air_milli = _humidity_milli = _told_ms = None


def tell(air_milli, humidity_milli):
    """Called by the drivers that measure both. [thousandths of a Cel, thousandths of a %]"""
    global _air_milli, _humidity_milli, _told_ms
    _air_milli, _humidity_milli, _told_ms = air_milli, humidity_milli, pace.ticks_ms()


def last():
    """(air_milli, humidity_milli), or None if they were not measured in the last ten minutes."""
    if _told_ms is None or time_since(_told_ms) > FRESH_MS:
        return None
    return _air_milli, _humidity_milli


def time_since(ticks):
    """Milliseconds since then; right for as long as the counter has not gone half round, some days."""
    return time.ticks_diff(pace.ticks_ms(), ticks)
