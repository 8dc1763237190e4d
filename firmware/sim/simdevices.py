"""Simulated sensors that speak their data sheets' protocols, with the faults that real ones have.

Each takes its values from a world (any object with the attributes of :class:`World`) and puts the counts
together from the data sheet's formula in floating point, the way back from the integers of the driver.
``fail(kind, times)`` makes the next ``times`` accesses go wrong, or all until ``mend()``:

=========  ==========================================================================
absent     does not answer at all
crc        one bit of the next answer is turned over
stuck      the same answer for ever
slow       a measurement takes twenty times as long
rails      the counts are at the end of their scale
restart    it loses power while measuring (what that means differs by sensor)
=========  ==========================================================================
"""

import time

import simbus
from node import pace


class World:
    """What there is to measure. ``noise`` is the counts of noise on every raw value; live sensors have some."""

    def __init__(self, **values):
        self.air_c = 22.0
        self.relative_humidity_pct = 45.0
        self.air_pressure = 100500.0
        self.surface_c = 21.0
        self.voc_ppm = 0.5
        self.booth_pressure = -12.0
        self.noise = 1
        for name, value in values.items():
            setattr(self, name, value)


class Device:
    """Faults, noise, and a measurement that takes its time."""

    def __init__(self, world):
        self.world = world
        self._fault, self._times = None, None
        self._kept = {}
        self._ready_at = None
        self._seed = 1

    def fail(self, kind, times=None):
        self._fault, self._times, self._kept = kind, times, {}

    def mend(self):
        self.fail(None)

    def has(self, kind):
        """Whether it has this fault now; one of its ``times`` is used up by it."""
        if self._fault != kind:
            return False
        if self._times is not None:
            self._times -= 1
            if self._times < 0:
                self.mend()
                return False
        return True

    def answers(self):
        return self._fault != "absent"

    def noisy(self, counts, low=0, high=65535):
        """Counts with noise, held to their scale."""
        self._seed = (self._seed * 1103515245 + 12345) & 0x7FFFFFFF
        noise = self.world.noise
        if noise:
            counts += (self._seed >> 8) % (2 * noise + 1) - noise
        if self.has("rails"):
            counts = high
        return min(high, max(low, round(counts)))

    def begin(self, ms):
        self._ready_at = time.ticks_add(pace.ticks_ms(), ms * 20 if self.has("slow") else ms)

    def busy(self):
        return self._ready_at is not None and time.ticks_diff(self._ready_at, pace.ticks_ms()) > 0

    def sent(self, answer, asked=None):
        """The answer as it arrives, to what was asked."""
        if self.has("stuck"):
            answer = self._kept.setdefault(asked, answer)
        if self.has("crc"):
            answer = bytes([answer[0] ^ 0x04]) + answer[1:]
        return answer


class I2cDevice(Device):
    def __init__(self, world, address):
        super().__init__(world)
        self.address = address
        self.refused = 0  # accesses not acknowledged

    def write(self, data):
        self.refuse_if(self.has("absent"))
        self.written(data)

    def read(self, count):
        self.refuse_if(self.has("absent"))
        return self.sent(self.answer(count), self.asked())

    def asked(self):
        """What the next answer is to, for sensors that can be asked for more than one thing."""

    def refuse_if(self, refused):
        """No acknowledgement, as the board tells it."""
        if refused:
            self.refused += 1
            raise OSError(simbus.no_answer)


class SHT4x(I2cDevice):
    def __init__(self, world, address=0x44):
        super().__init__(world, address)
        self._frame = None

    def written(self, data):
        self.refuse_if(self.busy() or data != b"\xfd")
        self.begin(8)
        self._frame = word(self.noisy((self.world.air_c + 45) / 175 * 65535)) + word(
            self.noisy((self.world.relative_humidity_pct + 6) / 125 * 65535)
        )

    def answer(self, count):
        self.refuse_if(self.busy() or self._frame is None)
        frame, self._frame = self._frame, None
        return frame[:count]


class SGP40(I2cDevice):
    """Clean dry air at 30000 counts; each tenfold of vapour takes 4000 off. Humidity takes off what it is not told of."""

    def __init__(self, world, address=0x59):
        super().__init__(world, address)
        self._frame = None
        self.told = None  # (humidity, air) in ticks, of the last command

    def written(self, data):
        self.refuse_if(self.busy() or data[:2] != b"\x26\x0f" or len(data) != 8)
        self.refuse_if(word_check(data[2:4]) != data[4] or word_check(data[5:7]) != data[7])
        self.told = data[2] << 8 | data[3], data[5] << 8 | data[6]
        self.begin(29)
        fall = 4000 * _log10(1 + max(0.0, self.world.voc_ppm))
        if self.told == (0x8000, 0x6666):
            fall += 20 * (self.world.relative_humidity_pct - 50)
        self._frame = word(self.noisy(30000 - fall))

    def answer(self, count):
        self.refuse_if(self.busy() or self._frame is None)
        frame, self._frame = self._frame, None
        return frame[:count]


class MLX90614(I2cDevice):
    """``emissivity`` is the surface's: what is not emitted is mirrored from surroundings as warm as the chip."""

    def __init__(self, world, address=0x5A, emissivity=0.95):
        super().__init__(world, address)
        self.emissivity = emissivity
        self._register = 0

    def written(self, data):
        self._register = data[0]

    def asked(self):
        return self._register

    def answer(self, count):
        own, surface = self.world.air_c + 273.15, self.world.surface_c + 273.15
        if self._register == 0x07:
            seen = (self.emissivity * surface**4 + (1 - self.emissivity) * own**4) ** 0.25
            counts = self.noisy(seen * 50, 0, 0xFFFF)
        elif self._register == 0x06:
            counts = self.noisy(own * 50, 0, 0xFFFF)
        else:
            counts = 0
        answer = bytes([counts & 0xFF, counts >> 8])
        exchange = bytes([self.address << 1, self._register, self.address << 1 | 1]) + answer
        return (answer + bytes([_crc(exchange, 0x07, 0)]))[:count]


class DiffPressure(I2cDevice):
    """A sensor of ``low`` to ``high`` Pa; ``status`` is its two status bits."""

    def __init__(self, world, low=-250.0, high=250.0, address=0x28):
        super().__init__(world, address)
        self.low, self.high = low, high
        self.status = 0
        self._stale = 0

    def written(self, data):
        pass

    def stale(self, times):
        """The next frames are marked as handed out before."""
        self._stale = times

    def answer(self, count):
        share = (self.world.booth_pressure - self.low) / (self.high - self.low)
        counts = self.noisy(1638 + share * (14746 - 1638), 0, 16383)
        own = round((self.world.air_c + 50) / 200 * 2047)
        status = self.status
        if self._stale:
            self._stale -= 1
            status = 2
        frame = bytes([status << 6 | counts >> 8, counts & 0xFF, own >> 3, (own & 7) << 5])
        return frame[:count]


# Trimming values of the worked example in the data sheet of the BMP280 (3.12), whose temperature and pressure
# parts are the same. The humidity values are merely of the usual size.
T_TRIM = (27504, 26435, -1000)
P_TRIM = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
H_TRIM = (75, 362, 0, 315, 50, 30)


class BME280(I2cDevice):
    """Registers and forced mode. The counts are those that the data sheet's floating-point formulas (its appendix)
    turn back into the values of the world, found by halving."""

    def __init__(self, world, address=0x76, chip=0x60):
        super().__init__(world, address)
        self._at = 0
        self.registers = bytearray(256)
        self.registers[0xD0] = chip
        self._set(0x88, trim_bytes(T_TRIM, "Hhh") + trim_bytes(P_TRIM, "Hhhhhhhhh"))
        h1, h2, h3, h4, h5, h6 = H_TRIM
        self.registers[0xA1] = h1
        h4_h5 = bytes([h4 >> 4 & 0xFF, (h4 & 0x0F) | (h5 & 0x0F) << 4, h5 >> 4 & 0xFF])
        self._set(0xE1, trim_bytes((h2, h3), "hB") + h4_h5 + bytes([h6 & 0xFF]))
        self.restart()

    def restart(self):
        """The registers as after power-on: never measured."""
        self._set(0xF2, bytes([0, 0, 0]))
        self._set(0xF7, b"\x80\x00\x00\x80\x00\x00\x80\x00")

    def written(self, data):
        self._at = data[0]
        for at in range(0, len(data) - 1, 2):
            self.registers[data[at]] = data[at + 1]
        if data[0] == 0xF4 and len(data) > 1 and data[1] & 3 in (1, 2):
            self.begin(9)
            if self.has("restart"):
                self.restart()
            else:
                self._measure()

    def answer(self, count):
        self.registers[0xF3] = 0x08 if self.busy() else 0
        return bytes(self.registers[self._at : self._at + count])

    def asked(self):
        return self._at

    def _set(self, at, data):
        self.registers[at : at + len(data)] = data

    def _measure(self):
        world, top = self.world, 0xFFFFF
        air = self.noisy(_solve(lambda raw: fine(raw) / 5120 - world.air_c, top), 0, top)
        t = fine(air)
        p = self.noisy(_solve(lambda raw: world.air_pressure - pressure(raw, t), top), 0, top)
        h = self.noisy(_solve(lambda raw: humidity(raw, t) - world.relative_humidity_pct, 0xFFFF))
        self._set(
            0xF7,
            bytes([p >> 12, p >> 4 & 0xFF, p << 4 & 0xF0, air >> 12, air >> 4 & 0xFF, air << 4 & 0xF0])
            + bytes([h >> 8, h & 0xFF]),
        )


def fine(raw):
    """BME280's fine temperature, 5120 to the Cel, in floating point."""
    t1, t2, t3 = T_TRIM
    return (raw / 16384 - t1 / 1024) * t2 + (raw / 131072 - t1 / 8192) ** 2 * t3


def pressure(raw, t):
    """[Pa]"""
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = P_TRIM
    a = t / 2 - 64000
    b = (a * a * p6 / 32768 + a * p5 * 2) / 4 + p4 * 65536
    c = (1 + (p3 * a * a / 524288 + p2 * a) / 524288 / 32768) * p1
    p = (1048576 - raw - b / 4096) * 6250 / c
    return p + (p9 * p * p / 2147483648 + p * p8 / 32768 + p7) / 16


def humidity(raw, t):
    """[%]"""
    h1, h2, h3, h4, h5, h6 = H_TRIM
    a = t - 76800
    level = (raw - (h4 * 64 + h5 / 16384 * a)) * (
        h2 / 65536 * (1 + h6 / 67108864 * a * (1 + h3 / 67108864 * a))
    )
    return level * (1 - h1 * level / 524288)


class DS18B20(Device):
    """A probe on a 1-Wire line. ``serial`` makes its ROM; powered by its own wire."""

    def __init__(self, world, serial=1):
        super().__init__(world)
        body = bytes([0x28]) + bytes([serial >> 8 * i & 0xFF for i in range(6)])
        self.rom = body + bytes([_crc_low_first(body)])
        self._state, self._heard = None, b""
        self._out = b""
        self._raw = 0x0550

    def reset(self):
        self._state, self._heard = "rom", b""
        return not self.has("absent")

    def take(self, byte):
        if self._state == "rom":
            self._state = {0xCC: "function", 0x55: "match"}.get(byte)
        elif self._state == "match":
            self._heard += bytes([byte])
            if len(self._heard) == 8:
                self._state = "function" if self._heard == self.rom else None
        elif self._state == "function":
            self._state = None
            if byte == 0x44:
                self.begin(700)
                self._raw = 0x0550 if self.has("restart") else self.noisy(self.world.surface_c * 16, -880, 2000)
                self._state = "converting"
            elif byte == 0xBE:
                raw = self._raw & 0xFFFF
                pad = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
                self._out = self.sent(pad + bytes([_crc_low_first(pad)]))
                self._state = "sending"

    def give(self):
        if self._state != "sending" or not self._out:
            return 0xFF
        byte, self._out = self._out[0], self._out[1:]
        return byte

    def give_bit(self):
        return 0 if self._state == "converting" and self.busy() else 1


class HeldLow:
    """A 1-Wire line shorted to ground: looks present and reads as nothing but zeros, whose check sum is right.

    ``converted``: the short comes after the conversion.
    """

    rom = bytes(8)

    def __init__(self, converted=False):
        self._converted = converted

    def answers(self):
        return True

    def reset(self):
        return True

    def take(self, byte):
        pass

    def give(self):
        return 0

    def give_bit(self):
        return int(self._converted)


class PhotoIonisation(Device):
    """A module's output: ``zero_uv`` in clean air and ``uv_per_ppm`` more, up to 2.5 V."""

    def __init__(self, world, zero_uv=50000, uv_per_ppm=2000):
        super().__init__(world)
        self.zero_uv, self.uv_per_ppm = zero_uv, uv_per_ppm

    def microvolts(self):
        if self.has("absent"):
            return 0
        if self.has("rails"):
            return 3100000
        noise = self.noisy(1000, 0, 2000) - 1000
        uv = min(2500000, round(self.zero_uv + self.uv_per_ppm * self.world.voc_ppm))
        if self.has("stuck"):
            return uv
        return uv + 200 * noise


def word(counts):
    raw = bytes([counts >> 8, counts & 0xFF])
    return raw + bytes([word_check(raw)])


def word_check(raw):
    return _crc(raw, 0x31, 0xFF)


def trim_bytes(values, kinds):
    """Little-endian trimming values."""
    raw = b""
    for value, kind in zip(values, kinds):
        raw += bytes([value & 0xFF]) if kind == "B" else bytes([value & 0xFF, value >> 8 & 0xFF])
    return raw


def _crc(data, polynomial, start):
    # By long division of the whole message, unlike the driver's byte by byte.
    bits = (start << 8 * (len(data) - 1)) ^ int.from_bytes(data, "big")
    bits <<= 8
    divisor = (0x100 | polynomial) << (8 * len(data) - 1)
    for at in range(8 * len(data)):
        if bits >> (8 * len(data) + 7 - at) & 1:
            bits ^= divisor >> at
    return bits & 0xFF


def _crc_low_first(data):
    turned = bytes([_turned(byte) for byte in data])
    return _turned(_crc(turned, 0x31, 0))


def _turned(byte):
    return int("".join(["1" if byte >> at & 1 else "0" for at in range(8)]), 2)


def _solve(difference, top):
    """Where an ever rising difference crosses zero, between 0 and ``top``."""
    low, high = 0.0, float(top)
    for _ in range(40):
        middle = (low + high) / 2
        if difference(middle) > 0:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def _log10(number):
    from math import log

    return log(number) / log(10)
