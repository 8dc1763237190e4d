"""A booth for the simulated sensors, and the sensors that a configuration names, in it.

The booth is a believable one, not a model: a slow day, a fan, and a coat sprayed every ninety minutes.
"""

import json
import sys
import time

import simbus
import simdevices
from node import pace

_DAY_S = 86400
_COAT_EVERY_S, _SPRAYING_S, _CLEARING_S = 5400, 600, 300
_LOOK_EVERY_MS = 500


class Booth(simdevices.World):
    """A world that moves. Attributes set by hand stay as they are set."""

    def __init__(self, **values):
        self.noise = 1
        self._set = dict(values)
        self._last = pace.ticks_ms()
        self._passed_ms = 0

    def seconds(self):
        """Since the booth was made. The counter wraps after days: ask more often than that."""
        now = pace.ticks_ms()
        self._passed_ms += time.ticks_diff(now, self._last)
        self._last = now
        return self._passed_ms / 1000

    def fix(self, name, value):
        """Hold one of the values still; None lets it move again."""
        if value is None:
            self._set.pop(name, None)
        else:
            self._set[name] = value

    def _value(self, name, moving):
        return self._set[name] if name in self._set else moving

    def _day(self, lag_s=0):
        """-1 to 1 and back over a day, by a parabola for each half."""
        turn = ((self.seconds() - lag_s) % _DAY_S) / _DAY_S * 2
        half = turn % 1
        return (1 if turn < 1 else -1) * 4 * half * (1 - half)

    def spraying(self):
        """Seconds into the present coat, or None between coats."""
        into = self.seconds() % _COAT_EVERY_S - (_COAT_EVERY_S - _SPRAYING_S - _CLEARING_S)
        return into if into >= 0 else None

    @property
    def air_c(self):
        return self._value("air_c", 21.0 + 2.5 * self._day())

    @property
    def surface_c(self):
        into = self.spraying()
        cooled = 0 if into is None else 2.0 * min(1, into / 60)
        return self._value("surface_c", 20.5 + 2.5 * self._day(2400) - cooled)

    @property
    def relative_humidity_pct(self):
        return self._value("relative_humidity_pct", 48.0 - 8.0 * self._day())

    @property
    def air_pressure(self):
        return self._value("air_pressure", 100800.0 + 300.0 * self._day(30000))

    @property
    def voc_ppm(self):
        into = self.spraying()
        if into is None:
            return self._value("voc_ppm", 0.4)
        left = 1 - max(0, into - _SPRAYING_S) / _CLEARING_S
        return self._value("voc_ppm", 0.4 + 60.0 * min(1, into / 120) * left)

    @property
    def booth_pressure(self):
        return self._value("booth_pressure", -1.0 if self.spraying() is None else -14.0)


class FollowedBooth(Booth):
    """Takes its values from a JSON object in a file that somebody else keeps writing, by the names of a World.

    What the file does not have moves by itself. ``ends``, in seconds since 1970, is when the world is over unless it
    is written anew: the program then ends, so that none is left behind by a writer that was killed.
    """

    def __init__(self, file):
        super().__init__()
        self._file = file
        self._looked = None
        self._ends = None

    def _value(self, name, moving):
        self._look()
        return super()._value(name, moving)

    def _look(self):
        now = time.ticks_ms()
        if self._looked is not None and time.ticks_diff(now, self._looked) < _LOOK_EVERY_MS:
            return
        self._looked = now
        try:
            with open(self._file) as file:
                given = json.load(file)
            self._ends = given.pop("ends", None)
            for name, value in given.items():
                self.fix(name, value)
        except (OSError, ValueError, AttributeError):
            pass  # not there yet, or no object: the last one stands
        if self._ends is not None and time.time() > self._ends:
            sys.exit(0)


def furnish(config, world=None):
    """Connect a simulated sensor for each of a checked configuration's; returns them in the same order."""
    world = world or Booth()
    return [_furnished(sensor, config, world) for sensor in config["sensors"]]


def _furnished(sensor, config, world):
    calibration = sensor["calibration"]
    kind = sensor["type"]
    if kind == "ds18b20":
        return simbus.connect_onewire(simdevices.DS18B20(world), sensor["pin"])
    if kind == "pid":
        rise = calibration["span_uv"] - calibration["zero_uv"]
        # The pin sees what the divider leaves of the module's output.
        divided = calibration.get("divider_milli", 1000) / 1000
        per_ppm = rise * 1000 / calibration["span_ppm_milli"] / divided
        module = simdevices.PhotoIonisation(world, calibration["zero_uv"] / divided, per_ppm)
        return simbus.connect_analogue(module, sensor["pin"])
    made = {}
    if "address" in calibration:
        made["address"] = calibration["address"]
    if kind == "mlx90614":
        made["emissivity"] = calibration.get("emissivity_milli", 950) / 1000
    if kind == "diffpressure":
        made["low"], made["high"] = calibration["low_milli"] / 1000, calibration["high_milli"] / 1000
    device = _I2C[kind](world, **made)
    return simbus.connect(device, config["buses"][sensor["bus"]]["id"])


_I2C = {
    "sht4x": simdevices.SHT4x,
    "bme280": simdevices.BME280,
    "mlx90614": simdevices.MLX90614,
    "sgp40": simdevices.SGP40,
    "diffpressure": simdevices.DiffPressure,
}
