"""Solvent vapour as a trend: SGP40 by Sensirion, a heated metal oxide, on I2C.

Data sheet "SGP40: Indoor Air Quality Sensor for VOC Measurements", version 1.0, tables 9 to 11. The raw signal
goes with the logarithm of the oxide's resistance, which falls with most vapours alike: no ppm can be had from
it. The index counts its fall below clean air: 100 is the cleanest air of late, and every ``ticks_per_point`` of
fall adds one. It tells more from less and cleared from not cleared, and nothing about any limit.
"""

from node import pace
from sensors import climate, common
from sensors.crc import crc8_words

_MEASURE = b"\x26\x0f"
_MEASURE_MS = 30
_DEFAULT_HUMIDITY, _DEFAULT_AIR = 0x8000, 0x6666  # 50 %, 25 Cel: no compensation
_WARM_UP_MS = 60000
# Cleaner air is believed at once and forgotten with a time constant of two days, so that a week of spraying is not taken for clean.
_FORGET_MS = 48 * 3600000
_NAME = "SGP40"


class SGP40:
    """``await read()`` gives a trend index [thousandths of a point; no unit]. It is 100 while it warms up."""

    quantities = ("voc_index",)

    def __init__(self, i2c, address=0x59, ticks_per_point=20, stuck_after=60):
        if ticks_per_point < 1:
            raise ValueError("ticks_per_point: %r; expected 1 or more" % (ticks_per_point,))
        self._i2c, self._address = i2c, address
        self._ticks_per_point = ticks_per_point
        self._stuck = common.StuckWatch(stuck_after)
        self._started_ms = self._read_ms = None
        self._warm = False
        self._clean = 0  # raw signal in clean air, in 1/65536 of a tick

    async def read(self):
        known = climate.last()
        humidity, air = compensation_ticks(*known) if known else (_DEFAULT_HUMIDITY, _DEFAULT_AIR)
        common.write(self._i2c, self._address, _MEASURE + _word(humidity) + _word(air), _NAME)
        answer = await common.read_when_ready(self._i2c, self._address, 3, _MEASURE_MS, _NAME)
        raw = common.checked_words(answer, _NAME)[0]
        self._stuck.check(raw, _NAME)
        self._follow(raw)
        fall = (self._clean >> 16) - raw
        return {"voc_index": min(65535000, 100000 + max(0, 1000 * fall // self._ticks_per_point))}

    def _follow(self, raw):
        now = pace.ticks_ms()
        if self._started_ms is None:
            self._started_ms = self._read_ms = now
        passed, self._read_ms = climate.time_since(self._read_ms), now
        self._warm = self._warm or climate.time_since(self._started_ms) >= _WARM_UP_MS
        if not self._warm or raw << 16 > self._clean:
            self._clean = raw << 16
        else:
            self._clean -= (self._clean - (raw << 16)) * min(passed, _FORGET_MS) // _FORGET_MS


def compensation_ticks(air_milli, humidity_milli):
    """(humidity, air temperature) as the command takes them: 65535 is 100 % and 130 Cel, 0 is 0 % and -45 Cel."""
    humidity = common.rounded(min(100000, max(0, humidity_milli)) * 65535, 100000)
    air = common.rounded((min(130000, max(-45000, air_milli)) + 45000) * 65535, 175000)
    return humidity, air


def _word(ticks):
    raw = bytes([ticks >> 8, ticks & 0xFF])
    return raw + bytes([crc8_words(raw)])
