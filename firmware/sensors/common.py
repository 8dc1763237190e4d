"""What the drivers share: bus errors as faults, checked words, rounding, and telling a stuck sensor."""

from node import pace
from sensors.crc import crc8_words
from sensors.fault import SensorFault

_TIMED_OUT = (110, 116)  # ETIMEDOUT, as numbered by the different boards
_RETRY_MS = 5


def bus_fault(error, name):
    """The fault that a bus error means. Boards differ in how they number "no answer": anything else is that."""
    number = error.args[0] if error.args else 0
    if number in _TIMED_OUT:
        return SensorFault("timeout", "%s: the bus is held (error %s)" % (name, number))
    return SensorFault("missing", "%s: no answer (error %s)" % (name, number))


def write(i2c, address, data, name):
    try:
        i2c.writeto(address, data)
    except OSError as error:
        raise bus_fault(error, name)


def read(i2c, address, count, name):
    try:
        return i2c.readfrom(address, count)
    except OSError as error:
        raise bus_fault(error, name)


def read_register(i2c, address, register, count, name):
    try:
        return i2c.readfrom_mem(address, register, count)
    except OSError as error:
        raise bus_fault(error, name)


def write_register(i2c, address, register, value, name):
    try:
        i2c.writeto_mem(address, register, bytes([value]))
    except OSError as error:
        raise bus_fault(error, name)


async def read_when_ready(i2c, address, count, wait_ms, name, patience_ms=50):
    """Answer of a sensor that refuses to be read while it measures.

    It took the command, so it is there: refusing still after ``patience_ms`` more than the data sheet's
    ``wait_ms`` is a time-out, not a missing sensor.
    """
    await pace.sleep_ms(wait_ms)
    for _ in range(patience_ms // _RETRY_MS):
        try:
            return i2c.readfrom(address, count)
        except OSError:
            await pace.sleep_ms(_RETRY_MS)
    raise SensorFault("timeout", "%s: no result %d ms after the command" % (name, wait_ms + patience_ms))


def checked_words(answer, name):
    """The 16-bit words of an answer in which each is followed by its check byte."""
    words = []
    for at in range(0, len(answer), 3):
        if crc8_words(answer[at : at + 2]) != answer[at + 2]:
            raise SensorFault("crc", "%s: check byte wrong in %s" % (name, _hexadecimal(answer)))
        words.append(answer[at] << 8 | answer[at + 1])
    return words


def rounded(numerator, denominator):
    """Integer quotient rounded to the nearest, halves up. [-]"""
    return (2 * numerator + denominator) // (2 * denominator)


def within(value_milli, low_milli, high_milli, name):
    """The value, if it can be."""
    if not low_milli <= value_milli <= high_milli:
        raise SensorFault(
            "range", "%s: %d thousandths; expected %d to %d" % (name, value_milli, low_milli, high_milli)
        )
    return value_milli


class StuckWatch:
    """Tells a sensor that repeats itself: live ones carry noise of at least a count.

    ``after`` equal readings in a row are a fault, 0 never. Only the raw counts can tell; rounded values repeat.
    """

    def __init__(self, after):
        self._after = after
        self._last = None
        self._repeats = 0

    def check(self, raw, name):
        self._repeats = self._repeats + 1 if raw == self._last else 0
        self._last = raw
        if self._after and self._repeats >= self._after:
            raise SensorFault("stuck", "%s: %s for %d readings" % (name, raw, self._repeats + 1))


def _hexadecimal(data):
    return " ".join(["%02x" % byte for byte in data])
