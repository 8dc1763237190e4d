"""A node's ``config.json`` from what was asked for on the command line; what cannot be is refused first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from collector import wire
from collector.errors import RecordError

_PRESSURE_SPAN = {"low_milli": -250_000, "high_milli": 250_000, "zero_milli": 0}
_PID_SPAN = {"zero_uv": 52_000, "span_uv": 252_000, "span_ppm_milli": 100_000, "divider_milli": 2_000}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorKind:
    """How a type of sensor is wired, read and calibrated.

    Attributes
    ----------
    wired : str
        ``bus`` (I2C) or ``pin``.
    quantities : tuple of str
        What it measures.
    stub : mapping
        Its calibration keys, at values that change nothing or that its sheet must replace.
    median_of : int
        Readings taken for one sample.
    """

    wired: str
    quantities: tuple[str, ...]
    stub: Mapping[str, int]
    median_of: int = 1


_AIR = {"air_temperature_offset_milli": 0, "relative_humidity_offset_milli": 0}
SENSOR_KINDS: Final[Mapping[str, SensorKind]] = {
    "sht4x": SensorKind(wired="bus", quantities=("air_temperature", "relative_humidity"), stub=_AIR),
    "bme280": SensorKind(
        wired="bus",
        quantities=("air_temperature", "relative_humidity", "air_pressure"),
        stub={**_AIR, "air_pressure_offset_milli": 0},
    ),
    "mlx90614": SensorKind(
        wired="bus",
        quantities=("surface_temperature",),
        stub={"emissivity_milli": 950, "surface_temperature_offset_milli": 0},
        median_of=3,
    ),
    "ds18b20": SensorKind(
        wired="pin", quantities=("surface_temperature",), stub={"surface_temperature_offset_milli": 0}
    ),
    "diffpressure": SensorKind(wired="bus", quantities=("booth_pressure",), stub=_PRESSURE_SPAN, median_of=5),
    "pid": SensorKind(wired="pin", quantities=("voc_ppm",), stub=_PID_SPAN, median_of=3),
    "sgp40": SensorKind(wired="bus", quantities=("voc_index",), stub={}),
}


@dataclass(slots=True, kw_only=True)
class Wiring:
    """What leads where on a node's board, as asked for on the command line."""

    sensors: Sequence[str] = ()
    buses: Sequence[str] = ()
    period_s: int = 5
    button_pin: int | None = None
    lamp_pin: int | None = None
    wifi: Mapping[str, str] | None = field(default=None, repr=False)


def configuration_of(name: str, booth: str, mqtt: Mapping[str, Any], wiring: Wiring) -> dict[str, Any]:
    """A ``config.json`` as the firmware takes it.

    Raises
    ------
    RecordError
        If a sensor, bus, pin or name is not one that can be; says which and what would be right.
    """
    for label, value in (("booth", booth), ("node", name)):
        try:
            wire.topic_for(value, value, wire.READINGS)
        except wire.PackError:
            raise RecordError(f"{label} {value[:80]!r}; expected 1 to 64 letters, digits, - or _") from None
    buses = dict(_bus(text) for text in wiring.buses) or {"main": {"id": 0, "scl": 22, "sda": 21, "freq": 100_000}}
    made = [_sensor(text, buses, wiring.period_s) for text in wiring.sensors]
    _refuse_shared(made, buses, wiring)
    _tell_apart(made)
    config: dict[str, Any] = {"booth": booth, "node": name, "mqtt": dict(mqtt), "spool_kib": 1024}
    if wiring.wifi is not None:
        config["wifi"] = dict(wiring.wifi)
    if any("bus" in sensor for sensor in made):
        config["buses"] = buses
    if wiring.button_pin is not None:
        config["button"] = {"pin": wiring.button_pin}
    if wiring.lamp_pin is not None:
        config["lamp"] = {"pin": wiring.lamp_pin}
    return {**config, "sensors": made}


def _sensor(text: str, buses: Mapping[str, Any], period_s: int) -> dict[str, Any]:
    name, _, place = text.partition("=")
    kind = SENSOR_KINDS.get(name)
    if kind is None:
        raise RecordError(f"--sensor {text!r}: no such type; expected one of {', '.join(SENSOR_KINDS)}")
    made: dict[str, Any] = {"type": name, "period_s": period_s, "median_of": kind.median_of}
    if kind.wired == "pin":
        if not place.isascii() or not place.isdigit() or int(place) > 64:
            raise RecordError(f"--sensor {text!r}: expected its pin, a number from 0 to 64, as in {name}=16")
        made["pin"] = int(place)
    else:
        made["bus"] = place or "main"
        if made["bus"] not in buses:
            raise RecordError(f"--sensor {text!r}: no bus {made['bus']!r}; expected one of {', '.join(buses)}")
    return {**made, "calibration": dict(kind.stub)}


def _bus(text: str) -> tuple[str, dict[str, int]]:
    name, _, wires = text.partition("=")
    numbers = wires.split(":")
    if not name or len(numbers) != 3 or not all(n.isascii() and n.isdigit() and int(n) <= 64 for n in numbers):
        raise RecordError(f"--bus {text!r}; expected a name, the bus's number and two pins, as in main=0:22:21")
    identifier, scl, sda = map(int, numbers)
    return name, {"id": identifier, "scl": scl, "sda": sda, "freq": 100_000}


def _refuse_shared(made: Sequence[Mapping[str, Any]], buses: Mapping[str, Any], wiring: Wiring) -> None:
    twice = Counter((sensor["type"], sensor["bus"]) for sensor in made if "bus" in sensor)
    for (kind, bus), count in twice.items():
        if count > 1:
            raise RecordError(f"--sensor {kind}: {count} on bus {bus!r} answer at one address; give each its own --bus")
    pins = [(sensor["pin"], f"--sensor {sensor['type']}") for sensor in made if "pin" in sensor]
    given = ((wiring.button_pin, "--button-pin"), (wiring.lamp_pin, "--lamp-pin"))
    pins += [(pin, label) for pin, label in given if pin is not None]
    for name in {sensor["bus"] for sensor in made if "bus" in sensor}:
        pins += [(buses[name]["scl"], f"--bus {name}"), (buses[name]["sda"], f"--bus {name}")]
    taken: dict[int, str] = {}
    for pin, label in pins:
        if pin in taken:
            raise RecordError(f"{label}: pin {pin} is that of {taken[pin]} already; give it another")
        taken[pin] = label


def _tell_apart(made: Sequence[dict[str, Any]]) -> None:
    """A quantity that a sensor before it measures gets another name: ``surface_temperature.ds18b20``."""
    taken: set[str] = set()
    for sensor in made:
        for quantity in SENSOR_KINDS[sensor["type"]].quantities:
            called, number = quantity, 1
            while called in taken:
                called = f"{quantity}.{sensor['type']}" + (f"-{number}" if number > 1 else "")
                number += 1
            taken.add(called)
            if called != quantity:
                sensor.setdefault("names", {})[quantity] = called
