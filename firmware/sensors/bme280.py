"""Air temperature, humidity and pressure: BME280 by Bosch Sensortec, on I2C.

Data sheet BST-BME280-DS002, sections 4.2 (trimming and compensation) and 5 (registers). Each reading is one
forced measurement at single oversampling, the data sheet's setting for weather, so the chip sleeps between
readings and warms itself least. It sends no check sum: identity, trimming and raw values are looked at instead.
"""

import struct

from node import pace
from sensors import climate, common
from sensors.fault import SensorFault

_ID, _STATUS, _CONTROL_HUMIDITY, _CONTROL, _DATA = 0xD0, 0xF3, 0xF2, 0xF4, 0xF7
_TRIM_1, _TRIM_2 = 0x88, 0xE1
_BME280, _BMP280 = 0x60, (0x56, 0x57, 0x58)
_MEASURING = 0x08
_ONCE_EACH = 1 << 5 | 1 << 2 | 1  # temperature and pressure once, forced mode
_MEASURE_MS = 10  # 9.3 ms at most at these settings (appendix B)
_PATIENCE_MS = 50
_SKIPPED_20, _SKIPPED_16 = 0x80000, 0x8000  # what a register holds that was never measured into
_NAME = "BME280"


class BME280:
    """``await read()`` gives air temperature [thousandths of a Cel], relative humidity [thousandths of a %] and
    air pressure [thousandths of a Pa]. The offsets are added after compensation."""

    quantities = ("air_temperature", "relative_humidity", "air_pressure")

    def __init__(
        self,
        i2c,
        address=0x76,
        air_temperature_offset_milli=0,
        relative_humidity_offset_milli=0,
        air_pressure_offset_milli=0,
        stuck_after=60,
    ):
        self._i2c, self._address = i2c, address
        self._offsets = (
            air_temperature_offset_milli,
            relative_humidity_offset_milli,
            air_pressure_offset_milli,
        )
        self._stuck = common.StuckWatch(stuck_after)
        self._trim = None

    async def read(self):
        try:
            raw = await self._measure()
        except SensorFault:
            # It may have lost power, or be another chip after a repair.
            self._trim = None
            raise
        self._stuck.check(raw, _NAME)
        raw_pressure, raw_air, raw_humidity = raw
        air, fine = air_milli(self._trim, raw_air)
        air += self._offsets[0]
        humidity = humidity_milli(self._trim, raw_humidity, fine) + self._offsets[1]
        pressure = pressure_milli(self._trim, raw_pressure, fine) + self._offsets[2]
        common.within(air, -40000, 85000, _NAME + " air temperature")
        common.within(pressure, 30000000, 110000000, _NAME + " air pressure")
        humidity = min(100000, max(0, humidity))
        climate.tell(air, humidity)
        return {"air_temperature": air, "relative_humidity": humidity, "air_pressure": pressure}

    async def _measure(self):
        if self._trim is None:
            self._trim = self._read_trim()
        # The humidity setting takes effect with the write to the control register after it.
        common.write_register(self._i2c, self._address, _CONTROL_HUMIDITY, 1, _NAME)
        common.write_register(self._i2c, self._address, _CONTROL, _ONCE_EACH, _NAME)
        waited, step = 0, _MEASURE_MS
        while True:
            await pace.sleep_ms(step)
            waited += step
            if not self._register(_STATUS, 1)[0] & _MEASURING:
                break
            if waited > _PATIENCE_MS:
                raise SensorFault("timeout", "BME280: still measuring after %d ms" % waited)
            step = 5
        data = self._register(_DATA, 8)
        pressure = data[0] << 12 | data[1] << 4 | data[2] >> 4
        air = data[3] << 12 | data[4] << 4 | data[5] >> 4
        humidity = data[6] << 8 | data[7]
        if _SKIPPED_20 in (pressure, air) or humidity == _SKIPPED_16:
            raise SensorFault("timeout", "BME280: registers still hold their reset value")
        return pressure, air, humidity

    def _read_trim(self):
        chip = self._register(_ID, 1)[0]
        if chip in _BMP280:
            raise SensorFault("missing", "BME280: chip 0x%02x is a BMP280, which has no humidity" % chip)
        if chip != _BME280:
            raise SensorFault("missing", "BME280: chip says 0x%02x; expected 0x60" % chip)
        trim = Trim(self._register(_TRIM_1, 26), self._register(_TRIM_2, 7))
        if trim.t[0] in (0, 0xFFFF) or trim.p[0] in (0, 0xFFFF):
            raise SensorFault("missing", "BME280: trimming values are blank")
        return trim

    def _register(self, register, count):
        return common.read_register(self._i2c, self._address, register, count, _NAME)


class Trim:
    """The chip's trimming values (data sheet table 16): ``t`` and ``p`` in order, ``h`` in order."""

    def __init__(self, first, second):
        words = struct.unpack("<HhhHhhhhhhhh", first)
        self.t, self.p = words[:3], words[3:]
        h2, h3, e4, e5, e6, h6 = struct.unpack("<hBbBbb", second)
        self.h = (first[25], h2, h3, e4 << 4 | e5 & 0x0F, e6 << 4 | e5 >> 4, h6)


# The data sheet's integer formulas (4.2.3). Python's integers do not overflow, and ``>>`` rounds down as the
# formulas rely on, so they hold in any float width.


def air_milli(trim, raw):
    """Air temperature [thousandths of a Cel], and the fine temperature that the other two need."""
    t1, t2, t3 = trim.t
    fine = ((raw >> 3) - (t1 << 1)) * t2 >> 11
    square = (raw >> 4) - t1
    fine += ((square * square >> 12) * t3) >> 14
    return common.rounded(fine * 25, 128), fine


def pressure_milli(trim, raw, fine):
    """Air pressure, by the 64-bit formula, in steps of 1/256 Pa. [thousandths of a Pa]"""
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = trim.p
    t = fine - 128000
    offset = t * t * p6 + ((t * p5) << 17) + (p4 << 35)
    slope = (t * t * p3 >> 8) + ((t * p2) << 12)
    slope = ((1 << 47) + slope) * p1 >> 33
    if slope <= 0:
        raise SensorFault("range", "BME280: trimming values give no pressure")
    p = (((1048576 - raw) << 31) - offset) * 3125 // slope
    p = (p + (p9 * (p >> 13) * (p >> 13) >> 25) + (p8 * p >> 19) >> 8) + (p7 << 4)
    return common.rounded(p * 1000, 256)


def humidity_milli(trim, raw, fine):
    """Relative humidity, cropped to 0..100 as the formula has it. [thousandths of a %]"""
    h1, h2, h3, h4, h5, h6 = trim.h
    t = fine - 76800
    level = ((raw << 14) - (h4 << 20) - h5 * t + 16384) >> 15
    gain = ((t * h6 >> 10) * ((t * h3 >> 11) + 32768) >> 10) + 2097152
    level *= gain * h2 + 8192 >> 14
    level -= ((level >> 15) * (level >> 15) >> 7) * h1 >> 4
    return common.rounded(min(419430400, max(0, level)) * 1000, 1 << 22)
