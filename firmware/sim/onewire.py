"""The ``onewire`` module of a board: one line on which all devices pull at once, so that what is read is their AND."""

import simbus
from sensors.crc import crc8_onewire


class OneWireError(Exception):
    """No presence pulse where one was required."""


class OneWire:
    SEARCH_ROM, MATCH_ROM, SKIP_ROM = 0xF0, 0x55, 0xCC

    def __init__(self, pin):
        self.pin = pin

    def _devices(self):
        return [d for d in simbus.onewire.get(self.pin.id, ()) if d.answers()]

    def reset(self, required=False):
        present = [device for device in self._devices() if device.reset()]
        if required and not present:
            raise OneWireError
        return bool(present)

    def writebyte(self, value):
        for device in self._devices():
            device.take(value)

    def readbit(self):
        bit = 1
        for device in self._devices():
            bit &= device.give_bit()
        return bit

    def readbyte(self):
        byte = 0xFF
        for device in self._devices():
            byte &= device.give()
        return byte

    def write(self, data):
        for byte in data:
            self.writebyte(byte)

    def readinto(self, buffer):
        for at in range(len(buffer)):
            buffer[at] = self.readbyte()

    def select_rom(self, rom):
        self.reset()
        self.writebyte(self.MATCH_ROM)
        self.write(rom)

    def scan(self):
        return [bytearray(device.rom) for device in self._devices()]

    def crc8(self, data):
        return crc8_onewire(data)
