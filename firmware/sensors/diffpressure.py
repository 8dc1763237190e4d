"""Differential pressure of the booth, as proof of airflow: a membrane sensor, on I2C.

Written for the HSC and SSC families by Honeywell in low pressure ranges (their data sheets, and technical note
008201, "I2C Communications with Honeywell Digital Output Pressure Sensors"); other piezoresistive sensors with
the same four bytes work alike. A membrane is asked for because nothing flows through it: thermal-flow types draw
booth air over a heated element.

The frame has no check sum: its status bits, its own temperature and the ends of its scale are looked at instead.
"""

from node import pace
from sensors import common
from sensors.fault import SensorFault

_NORMAL, _COMMAND_MODE, _STALE = 0, 1, 2
_BOTTOM, _TOP = 1638, 14746  # 10 % and 90 % of 2**14 counts: transfer function A
_SPARE = 656  # the output still follows for 4 % of 2**14 beyond either end
_STALE_MS, _TRIES = 3, 5
_NAME = "differential pressure sensor"


class DiffPressure:
    """``await read()`` gives booth pressure [thousandths of a Pa], the first port's less the second's.

    Parameters: ``low_milli`` and ``high_milli`` are the ends of its range, in thousandths of a Pa; ``zero_milli``
    is what it reads with both tubes open to the same air, and is taken off.
    """

    quantities = ("booth_pressure",)

    def __init__(self, i2c, low_milli, high_milli, address=0x28, zero_milli=0, stuck_after=240):
        if low_milli >= high_milli:
            raise ValueError("low_milli, high_milli: %r, %r; expected low < high" % (low_milli, high_milli))
        self._i2c, self._address = i2c, address
        self._low, self._high, self._zero = low_milli, high_milli, zero_milli
        self._stuck = common.StuckWatch(stuck_after)

    async def read(self):
        counts, own_counts = await self._fresh()
        own = own_milli(own_counts)
        common.within(own, -40000, 85000, _NAME + "'s own temperature")
        if not _BOTTOM - _SPARE <= counts <= _TOP + _SPARE:
            raise SensorFault("range", "%s: %d counts; expected %d to %d" % (_NAME, counts, _BOTTOM, _TOP))
        self._stuck.check((counts, own_counts), _NAME)
        pressure = pressure_milli(counts, self._low, self._high) - self._zero
        return {"booth_pressure": common.within(pressure, -2500000, 2500000, _NAME)}

    async def _fresh(self):
        """Counts of pressure and of temperature that were not handed out before."""
        for _ in range(_TRIES):
            frame = common.read(self._i2c, self._address, 4, _NAME)
            status = frame[0] >> 6
            if status == _NORMAL:
                return (frame[0] & 0x3F) << 8 | frame[1], frame[2] << 3 | frame[3] >> 5
            if status != _STALE:
                said = "is in command mode" if status == _COMMAND_MODE else "reports itself faulty"
                raise SensorFault("range", "%s: %s" % (_NAME, said))
            await pace.sleep_ms(_STALE_MS)
        raise SensorFault("timeout", "%s: only old values for %d ms" % (_NAME, _TRIES * _STALE_MS))


def pressure_milli(counts, low_milli, high_milli):
    """Linear between the ends of the scale. [thousandths of a Pa]"""
    return low_milli + common.rounded((counts - _BOTTOM) * (high_milli - low_milli), _TOP - _BOTTOM)


def own_milli(counts):
    """The sensor's own temperature: 0 is -50 Cel, 2047 is 150 Cel. [thousandths of a Cel]"""
    return common.rounded(counts * 200000, 2047) - 50000
