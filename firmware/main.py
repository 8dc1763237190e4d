"""Starts the node: reads config.json, makes the buses and sensors it names, and runs for ever.

``micropython main.py`` on the board, or on the unix port with ``sim`` before it on the path.
"""

import asyncio
import sys
import time

import machine
from node.app import Node
from node.config import ConfigError, load
from node.sampler import Station

# type: (module, class, how it is wired)
SENSORS = {
    "sht4x": ("sht4x", "SHT4x", "i2c"),
    "bme280": ("bme280", "BME280", "i2c"),
    "mlx90614": ("mlx90614", "MLX90614", "i2c"),
    "sgp40": ("sgp40", "SGP40", "i2c"),
    "diffpressure": ("diffpressure", "DiffPressure", "i2c"),
    "ds18b20": ("ds18b20", "DS18B20", "onewire"),
    "pid": ("pid", "PID", "adc"),
}
_WATCHDOG_MS = 8000  # the longest an RP2040 can count
_RESTART_MS = 10000  # long enough to break in from the console


def bus(name, config):
    """The I2C bus of that name in the configuration."""
    wiring = config["buses"].get(name)
    if wiring is None:
        raise ConfigError("buses.%s: missing; a sensor names it" % name)
    try:
        return machine.I2C(
            wiring["id"],
            scl=machine.Pin(wiring["scl"]),
            sda=machine.Pin(wiring["sda"]),
            freq=wiring.get("freq", 100000),
        )
    except KeyError as error:
        raise ConfigError("buses.%s.%s: missing; expected a number" % (name, error.args[0]))


def station(number, config, buses):
    """The sensor at this place of the configuration, ready to be read."""
    wanted = config["sensors"][number]
    where = "sensors[%d]" % number
    if wanted["type"] not in SENSORS:
        known = ", ".join(sorted(SENSORS))
        raise ConfigError("%s.type: %r; expected one of %s" % (where, wanted["type"], known))
    module, name, wired = SENSORS[wanted["type"]]
    kind = getattr(__import__("sensors." + module, None, None, (name,)), name)
    if wired == "i2c":
        if wanted["bus"] not in buses:
            buses[wanted["bus"]] = bus(wanted["bus"], config)
        line = buses[wanted["bus"]]
    else:
        if wanted["pin"] < 0:
            raise ConfigError("%s.pin: missing; a %s needs one" % (where, wanted["type"]))
        line = machine.Pin(wanted["pin"])
        if wired == "adc":
            line = machine.ADC(line)
        else:
            import onewire

            line = onewire.OneWire(line)
    try:
        sensor = kind(line, **wanted["calibration"])
    except (TypeError, ValueError) as error:
        raise ConfigError("%s.calibration: %s" % (where, error))
    return Station(sensor, 1000 * wanted["period_s"], wanted["median_of"], wanted["names"])


def node(config):
    """The node as the configuration describes it."""
    buses = {}
    stations = [station(i, config, buses) for i in range(len(config["sensors"]))]
    wlan = button = lamp = None
    if config["wifi"]:
        import network

        wlan = network.WLAN(network.STA_IF)
    if config["button"]:
        pull = machine.Pin.PULL_UP if config["button"]["active"] == 0 else machine.Pin.PULL_DOWN
        button = machine.Pin(config["button"]["pin"], machine.Pin.IN, pull)
    if config["lamp"]:
        lamp = machine.Pin(config["lamp"]["pin"], machine.Pin.OUT)
    watchdog = machine.WDT(timeout=_WATCHDOG_MS) if config["watchdog"] else None
    cause = str(machine.reset_cause()) if hasattr(machine, "reset_cause") else ""
    return Node(config, stations, wlan, button, lamp, watchdog, cause)


def main(path="config.json"):
    try:
        made = node(load(path))
    except ConfigError as error:
        # Nothing else could be done with it either; the console says what to mend.
        print("tackfree node:", error)
        return 1
    except Exception as error:
        # A flash that cannot be written, say. It may pass, and a restart costs nothing that is stored.
        sys.print_exception(error)
        time.sleep_ms(_RESTART_MS)
        machine.reset()
    try:
        asyncio.run(made.run())
    except Exception as error:
        made.faultlog.add("main", error)
        sys.print_exception(error)
    machine.reset()


if __name__ == "__main__":
    main(*sys.argv[1:2])
