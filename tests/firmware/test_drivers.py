"""The sensor drivers seen from outside: their tests catch wrong drivers, they need no floats, and what the whole
node sends of them is what the collector takes."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector import wire
from tests.brokers import Broker, eventually
from tests.firmware.running import FIRMWARE, MICROPYTHON, Shop, micropython

SENSORS = sorted((FIRMWARE / "sensors").glob("*.py"))
TESTS = ("test_sensors_numbers", "test_sensors_bus")

# One wrong driver a line: the mistakes that are made in drivers, two of them seen in published ones.
WRONG = [
    ("crc.py", "crc << 1 ^ polynomial", "crc << 1 ^ polynomial ^ 2"),
    ("crc.py", "0x31, 0xFF)", "0x31, 0x00)"),
    ("crc.py", "^ 0x8C", "^ 0x31"),
    ("sht4x.py", "_MEASURE_MS = 9", "_MEASURE_MS = 1"),
    ("sht4x.py", "125000 * ticks, 65535) - 6000", "100000 * ticks, 65535)"),
    ("bme280.py", "* t2 >> 11", "* (t2 >> 11)"),
    ("bme280.py", "e6 << 4 | e5 >> 4", "e6 << 4 | e5 & 0x0F"),
    ("bme280.py", "(p4 << 35)", "(p4 << 34)"),
    ("bme280.py", "            self._trim = None\n            raise", "            raise"),
    ("mlx90614.py", "if word & _FAULTY:", "if False:"),
    ("mlx90614.py", "1000 - emissivity_milli", "1000 + emissivity_milli"),
    ("ds18b20.py", "if raw == _POWER_ON:", "if False:"),
    ("ds18b20.py", "if scratchpad[4] & 0x9F != 0x1F:", "if False:"),
    ("ds18b20.py", "if raw & 0x8000:", "if False:"),
    ("pid.py", "adc.atten(adc.ATTN_11DB)", "pass"),
    ("pid.py", "max(0, output - self._zero)", "output - self._zero"),
    ("sgp40.py", "_word(humidity) + _word(air)", "_word(air) + _word(humidity)"),
    ("sgp40.py", "raw << 16 > self._clean", "True"),
    ("diffpressure.py", "if status != _STALE:", "if False:"),
    ("diffpressure.py", "_BOTTOM, _TOP = 1638, 14746", "_BOTTOM, _TOP = 0, 16383"),
    ("common.py", "_TIMED_OUT = (110, 116)", "_TIMED_OUT = ()"),
    ("common.py", "if self._after and self._repeats >= self._after:", "if False:"),
]


@pytest.mark.parametrize(("file", "right", "wrong"), WRONG, ids=[f"{w[0]}: {w[2].strip()}" for w in WRONG])
def test_a_wrong_driver_fails_its_tests(tmp_path: Path, file: str, right: str, wrong: str) -> None:
    folder = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, folder)
    driver = folder / "sensors" / file
    text = driver.read_text()
    assert text.count(right) == 1
    driver.write_text(text.replace(right, wrong))
    ended = micropython("tests/run.py", *TESTS, folder=folder)
    assert ended.returncode == 1, ended.stdout
    assert "FAILED test_sensors" in ended.stdout


@pytest.mark.parametrize("file", SENSORS, ids=[file.name for file in SENSORS])
def test_no_driver_computes_in_floats(file: Path) -> None:
    """A board's float holds 24 bits; air pressure in thousandths of a pascal needs 27."""
    floating = [
        node
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Div)
        or (isinstance(node, ast.Constant) and isinstance(node.value, float))
        or (isinstance(node, ast.Name) and node.id in ("float", "round"))
    ]
    assert not floating


def test_every_quantity_a_driver_measures_is_one_the_collector_knows() -> None:
    measured = set()
    for file in SENSORS:
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "quantities":
                measured |= set(ast.literal_eval(node.value))
    assert len(measured) == 7
    assert measured <= set(wire.QUANTITIES)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


def test_the_whole_node_in_its_simulated_booth_sends_what_the_collector_takes(tmp_path: Path, broker: Broker) -> None:
    config = {
        "booth": "booth-1",
        "node": "n1",
        "mqtt": {"host": "127.0.0.1", "port": broker.port},
        "wifi": {"ssid": "shop", "password": "secret"},
        "ntp": "system",
        "data": str(tmp_path / "flash"),
        "buses": {"main": {"id": 0, "scl": 22, "sda": 21}},
        "button": {"pin": 0},
        "lamp": {"pin": 2},
        "sensors": [
            {"type": "sht4x", "bus": "main", "period_s": 1},
            {"type": "mlx90614", "bus": "main", "period_s": 1},
            {"type": "sgp40", "bus": "main", "period_s": 1},
            {"type": "ds18b20", "pin": 16, "period_s": 1,
             "names": {"surface_temperature": "surface_temperature.panel"}},
            {
                "type": "diffpressure",
                "bus": "main",
                "period_s": 1,
                "median_of": 3,
                "calibration": {"low_milli": -250000, "high_milli": 250000},
            },
            {
                "type": "pid",
                "pin": 34,
                "period_s": 1,
                "calibration": {"zero_uv": 52000, "span_uv": 252000, "span_ppm_milli": 100000},
            },
            {"type": "bme280", "bus": "main", "period_s": 1, "calibration": {"address": 0x77, "stuck_after": 0},
             "names": {"air_temperature": "air_temperature.wall", "relative_humidity": "relative_humidity.wall"}},
        ],
    }  # fmt: skip
    file = tmp_path / "config.json"
    file.write_text(json.dumps(config))
    shop = Shop(broker.port)
    output = (tmp_path / "output.txt").open("w+")
    node = subprocess.Popen([MICROPYTHON, "sim/simulate.py", file], cwd=FIRMWARE, stdout=output, stderr=output)
    wanted = {
        "air_temperature", "relative_humidity", "surface_temperature", "surface_temperature.panel", "voc_index",
        "booth_pressure", "voc_ppm", "air_pressure", "air_temperature.wall", "relative_humidity.wall",
    }  # fmt: skip
    try:
        eventually(lambda: wanted <= {quantity for quantity, _, _ in shop.readings})
    finally:
        node.kill()
        node.wait()
        shop.close()
        output.close()
    readings = {quantity: value for quantity, _, value in shop.readings}
    assert set(readings) == wanted
    assert not [reason for pack in shop.packs for reason in pack.rejected]
    assert abs(readings["air_temperature"] - readings["air_temperature.wall"]) < 0.1
    assert abs(readings["surface_temperature"] - readings["surface_temperature.panel"]) < 0.15


PAGE = (FIRMWARE.parent / "docs" / "node.md").read_text(encoding="utf-8")


def test_the_configuration_on_the_page_makes_a_node(tmp_path: Path) -> None:
    example = PAGE.split("```json\n")[1].split("```")[0]
    (tmp_path / "config.json").write_text(example)
    (tmp_path / "made.py").write_text(
        "import sys\n"
        "sys.path[:0] = ['sim', '.']\n"
        "import asyncio, main, simbooth\n"
        "from node.config import load\n"
        "config = load(sys.argv[1])\n"
        "simbooth.furnish(config)\n"
        "buses = {}\n"
        "for i in range(len(config['sensors'])):\n"
        "    print(sorted(asyncio.run(main.station(i, config, buses).read())))\n"
    )
    ended = micropython(tmp_path / "made.py", tmp_path / "config.json")
    assert ended.returncode == 0, ended.stderr + ended.stdout
    assert ended.stdout.count("[") == len(json.loads(example)["sensors"])


DRIVERS = [file for file in SENSORS if "quantities = (" in file.read_text()]


@pytest.mark.parametrize("file", DRIVERS, ids=[file.name for file in DRIVERS])
def test_every_calibration_key_is_on_the_page(file: Path) -> None:
    made = next(
        node
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.FunctionDef) and node.name == "__init__" and len(node.args.args) > 2
    )
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{file.stem}` | "))
    assert [key.arg for key in made.args.args[2:] if f"`{key.arg}`" not in row] == []


def test_every_fault_is_explained_on_the_page() -> None:
    tree = ast.parse((FIRMWARE / "sensors" / "fault.py").read_text())
    kinds = next(ast.literal_eval(node.value) for node in tree.body if isinstance(node, ast.Assign))
    assert len(kinds) == 5
    assert [kind for kind in kinds if f"| `fault: {kind}` |" not in PAGE] == []
