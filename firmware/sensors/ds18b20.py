"""Surface temperature by contact: DS18B20 (first made by Dallas Semiconductor), on a 1-Wire bus with three wires.

Data sheet "DS18B20: Programmable Resolution 1-Wire Digital Thermometer", table 1, memory map and commands. The line is a
``onewire.OneWire``, which the boards bring along.
"""

from node import pace
from sensors.crc import crc8_onewire
from sensors.fault import SensorFault

_MATCH_ROM, _SKIP_ROM, _CONVERT, _READ_SCRATCHPAD = 0x55, 0xCC, 0x44, 0xBE
_POWER_ON = 0x0550  # 85 Cel: what the register holds until a conversion has ended
_CONVERT_MS, _STEP_MS = 750, 50
_PATIENCE_MS = 1500


class DS18B20:
    """``await read()`` gives surface temperature [thousandths of a Cel].

    Parameters: ``rom`` is the sensor's 16 hexadecimal digits, first byte (28) first, needed only where several
    share the line. The offset is added last, from an ice bath.
    """

    quantities = ("surface_temperature",)

    def __init__(self, line, rom=None, surface_temperature_offset_milli=0):
        self._line = line
        self._rom = _rom_bytes(rom) if rom else None
        self._offset = surface_temperature_offset_milli

    async def read(self):
        self._address()
        self._line.writebyte(_CONVERT)
        await self._converted()
        self._address()
        self._line.writebyte(_READ_SCRATCHPAD)
        scratchpad = bytes([self._line.readbyte() for _ in range(9)])
        if scratchpad == b"\xff" * 9:
            raise SensorFault("missing", "DS18B20: the line went silent")
        # Nine zeros pass the check sum, and are what a line held low reads as; byte 4 always has its low bits set.
        if crc8_onewire(scratchpad[:8]) != scratchpad[8]:
            raise SensorFault("crc", "DS18B20: check byte wrong")
        if scratchpad[4] & 0x9F != 0x1F:
            raise SensorFault("missing", "DS18B20: the line is held low, or another chip answers")
        raw = scratchpad[0] | scratchpad[1] << 8
        if raw == _POWER_ON:
            raise SensorFault("stuck", "DS18B20: 85 Cel, its value at power-on; it lost power while measuring")
        surface = surface_milli(raw, scratchpad[4] >> 5) + self._offset
        if not -40000 <= surface <= 125000:
            raise SensorFault("range", "DS18B20: %d thousandths; expected -40000 to 125000" % surface)
        return {"surface_temperature": surface}

    def _address(self):
        if not self._line.reset():
            raise SensorFault("missing", "DS18B20: no presence pulse")
        if self._rom:
            self._line.writebyte(_MATCH_ROM)
            for byte in self._rom:
                self._line.writebyte(byte)
        else:
            self._line.writebyte(_SKIP_ROM)

    async def _converted(self):
        """Wait for it. It answers 0 while it measures, which only a sensor fed by its own wire can."""
        waited = 0
        while True:
            await pace.sleep_ms(_STEP_MS)
            waited += _STEP_MS
            if self._line.readbit():
                return
            if waited >= _PATIENCE_MS:
                raise SensorFault("timeout", "DS18B20: not done after %d ms; expected %d" % (waited, _CONVERT_MS))


def surface_milli(raw, resolution=3):
    """Temperature from the register: sixteenths of a Cel in two's complement. [thousandths of a Cel]

    ``resolution`` is 0 to 3 for 9 to 12 bits; the bits below it are undefined and left out.
    """
    raw &= 0xFFFF & ~((1 << (3 - resolution)) - 1)
    if raw & 0x8000:
        raw -= 0x10000
    return (raw * 125 + 1) // 2


def _rom_bytes(rom):
    try:
        raw = bytes([int(rom[at : at + 2], 16) for at in range(0, 16, 2)])
    except (ValueError, TypeError):
        raw = b""
    if len(raw) != 8 or len(rom) != 16 or crc8_onewire(raw[:7]) != raw[7]:
        raise ValueError("rom: %r; expected 16 hexadecimal digits of which the last two check" % (rom,))
    return raw
