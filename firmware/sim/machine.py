"""The ``machine`` module of a board, over the simulated connections of ``simbus``.

The interpreter's own module goes by ``umachine`` as well; what it has and a board has too is handed on.
"""

import simbus
from umachine import *  # noqa: F403

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5


class Pin:
    IN, OUT, OPEN_DRAIN = 1, 3, 7
    PULL_UP, PULL_DOWN = 2, 1
    IRQ_RISING, IRQ_FALLING = 1, 2

    def __init__(self, id, mode=-1, pull=-1, value=None):
        self.id = id
        self._level = simbus.level(id)
        if pull == Pin.PULL_UP and mode != Pin.OUT and id not in simbus.analogue:
            self._level.value = 1
        if value is not None:
            self.value(value)

    def init(self, mode=-1, pull=-1, value=None):
        self.__init__(self.id, mode, pull, value)

    def value(self, value=None):
        if value is None:
            return self._level.value
        self._level.drive(value)

    def __call__(self, value=None):
        return self.value(value)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def irq(self, handler=None, trigger=3):
        def on_change(pin):
            if trigger & (Pin.IRQ_RISING if pin.value() else Pin.IRQ_FALLING):
                handler(pin)

        if handler:
            self._level.handlers.append((on_change, self))


class I2C:
    """A bus controller. An address nobody answers at raises OSError, as on a board; so does a bus held down."""

    def __init__(self, id=0, scl=None, sda=None, freq=400000, timeout=50000):
        self.id = id
        self.freq = freq

    def scan(self):
        self._free()
        return sorted(a for a, device in self._devices().items() if device.answers())

    def writeto(self, address, data, stop=True):
        self._device(address).write(bytes(data))
        return len(data)

    def readfrom(self, address, count, stop=True):
        return self._device(address).read(count)

    def readfrom_into(self, address, buffer, stop=True):
        buffer[:] = self.readfrom(address, len(buffer))

    def writeto_mem(self, address, register, data, addrsize=8):
        self._device(address).write(bytes([register]) + bytes(data))

    def readfrom_mem(self, address, register, count, addrsize=8):
        device = self._device(address)
        device.write(bytes([register]))
        return device.read(count)

    def readfrom_mem_into(self, address, register, buffer, addrsize=8):
        buffer[:] = self.readfrom_mem(address, register, len(buffer))

    def _devices(self):
        return simbus.i2c.get(self.id, {})

    def _free(self):
        if self.id in simbus.held:
            raise OSError(simbus.ETIMEDOUT)

    def _device(self, address):
        self._free()
        device = self._devices().get(address)
        if device is None:
            raise OSError(simbus.no_answer)
        return device


class SoftI2C(I2C):
    def __init__(self, scl, sda, freq=400000, timeout=50000):
        super().__init__(scl.id, scl, sda, freq, timeout)


class ADC:
    """An input that reads its microvolts, as an ESP32's does, up to what its attenuation lets through.

    ``read_u16`` is of a full scale of 3.3 V, as an RP2040's.
    """

    ATTN_0DB, ATTN_2_5DB, ATTN_6DB, ATTN_11DB = 0, 1, 2, 3
    _TOP_UV = (950000, 1250000, 1750000, 3100000)

    def __init__(self, pin, atten=ATTN_0DB):
        self._pin = pin.id if isinstance(pin, Pin) else pin
        self._top_uv = self._TOP_UV[atten]

    def atten(self, atten):
        self._top_uv = self._TOP_UV[atten]

    def read_uv(self):
        return min(self._top_uv, self._source_uv())

    def read_u16(self):
        # 12 bits, spread over 16 as the boards do.
        counts = min(4095, max(0, self._source_uv() * 4095 // 3300000))
        return counts << 4 | counts >> 8

    def _source_uv(self):
        source = simbus.analogue.get(self._pin)
        return source.microvolts() if source else 0


class WDT:
    def __init__(self, id=0, timeout=5000):
        simbus.machine_state.watchdog_ms = timeout

    def feed(self):
        simbus.machine_state.fed += 1


def unique_id():
    return b"\x02\x00\x00\x00\x00\x01"


def reset_cause():
    return simbus.machine_state.reset_cause


def reset():
    """Ends the program: whoever runs the simulation starts it again, or has put ``on_reset`` there."""
    simbus.machine_state.resets += 1
    if simbus.machine_state.on_reset:
        simbus.machine_state.on_reset()
    else:
        raise SystemExit(3)
