"""Every sensor a configuration can name, made as at start and read in the simulated booth."""

import main
import simbooth
import simbus
from node import config, pace

_CONFIG = {
    "booth": "booth-1",
    "node": "n1",
    "mqtt": {"host": "127.0.0.1"},
    "buses": {"main": {"id": 0, "scl": 22, "sda": 21}},
    "sensors": [
        {"type": "sht4x", "bus": "main"},
        {"type": "bme280", "bus": "main", "calibration": {"address": 0x77}},
        {"type": "mlx90614", "bus": "main", "calibration": {"emissivity_milli": 930}},
        {"type": "sgp40", "bus": "main"},
        {
            "type": "diffpressure",
            "bus": "main",
            "calibration": {"low_milli": -160000, "high_milli": 160000},
        },
        {"type": "ds18b20", "pin": 16},
        {
            "type": "pid",
            "pin": 34,
            "calibration": {"zero_uv": 52000, "span_uv": 252000, "span_ppm_milli": 100000},
        },
    ],
}


async def _readings(booth, speed=50):
    simbus.reset()
    pace.SPEED = speed
    checked = config.check(_CONFIG)
    simbooth.furnish(checked, booth)
    buses, values = {}, []
    for number in range(len(checked["sensors"])):
        values.append(await main.station(number, checked, buses).read())
    return values


async def test_every_sensor_of_a_configuration_is_made_and_read():
    booth = simbooth.Booth(air_c=22.0, relative_humidity_pct=45.0, surface_c=20.0, voc_ppm=12.0)
    booth.fix("air_pressure", 100000.0)
    booth.fix("booth_pressure", -14.0)
    values = await _readings(booth)
    merged = {}
    for reading in values:
        for quantity, milli in reading.items():
            merged.setdefault(quantity, []).append(milli)
    wanted = {
        "air_temperature": (22000, 40),
        "relative_humidity": (45000, 100),
        "surface_temperature": (20000, 90),
        "air_pressure": (100000000, 10000),
        "voc_ppm": (12000, 150),
        "voc_index": (100000, 200),
        "booth_pressure": (-14000, 80),
    }
    assert set(merged) == set(wanted)
    off = {
        quantity: milli
        for quantity, (value, tolerance) in wanted.items()
        for milli in merged[quantity]
        if abs(milli - value) > tolerance
    }
    assert not off, off
    # Two of each where two sensors measure it.
    assert len(merged["air_temperature"]) == len(merged["surface_temperature"]) == 2


async def test_the_booth_sprays_and_clears():
    pace.SPEED = 100000
    booth = simbooth.Booth()
    seen = set()
    for _ in range(300):
        seen.add((booth.spraying() is not None, booth.voc_ppm > 1, booth.booth_pressure < -10))
        await pace.sleep_ms(60000)
    assert (False, False, False) in seen and (True, True, True) in seen
    # Vapour and fan never come without spraying.
    assert not [s for s in seen if not s[0] and (s[1] or s[2])], seen
