"""Air temperature and humidity: SHT4x (SHT40, SHT41, SHT45) by Sensirion, on I2C.

Data sheet "SHT4x: 4th Generation, High-Precision, Digital Temperature and Humidity Sensor", sections 4.4
(check byte), 4.5 (commands) and 4.6 (conversion). One measurement per reading, at high repeatability: 8.3 ms.
"""

from sensors import climate, common

_MEASURE = b"\xfd"
_MEASURE_MS = 9
_NAME = "SHT4x"


class SHT4x:
    """``await read()`` gives air temperature [thousandths of a Cel] and relative humidity [thousandths of a %].

    Parameters: the offsets are added after conversion, from a comparison or salt points. The data sheet lets the
    conversion run past both ends of 0..100 % and says to crop it there.
    """

    quantities = ("air_temperature", "relative_humidity")

    def __init__(
        self,
        i2c,
        address=0x44,
        air_temperature_offset_milli=0,
        relative_humidity_offset_milli=0,
        stuck_after=60,
    ):
        self._i2c, self._address = i2c, address
        self._air_offset, self._humidity_offset = air_temperature_offset_milli, relative_humidity_offset_milli
        self._stuck = common.StuckWatch(stuck_after)

    async def read(self):
        common.write(self._i2c, self._address, _MEASURE, _NAME)
        answer = await common.read_when_ready(self._i2c, self._address, 6, _MEASURE_MS, _NAME)
        words = common.checked_words(answer, _NAME)
        self._stuck.check(words, _NAME)
        air = air_milli(words[0]) + self._air_offset
        common.within(air, -40000, 85000, _NAME + " air temperature")
        humidity = min(100000, max(0, humidity_milli(words[1]) + self._humidity_offset))
        climate.tell(air, humidity)
        return {"air_temperature": air, "relative_humidity": humidity}


def air_milli(ticks):
    """-45 + 175 ticks / 65535. [thousandths of a Cel]"""
    return common.rounded(175000 * ticks, 65535) - 45000


def humidity_milli(ticks):
    """-6 + 125 ticks / 65535, not cropped. [thousandths of a %]"""
    return common.rounded(125000 * ticks, 65535) - 6000
