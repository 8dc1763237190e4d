"""``tackfree node``: a configuration and credentials for a node, its program onto a board, or onto this computer."""

from __future__ import annotations

import importlib.util
import json
import shlex
import ssl
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

import click

from collector import node_access, node_program
from collector import settings as configuration
from collector.errors import Conflict, RecordError, ServiceError, StoreError
from collector.node_config import SENSOR_KINDS, Wiring, configuration_of
from collector.settings import Settings

RESTART_S: Final = 3
"""A board takes at most so long to restart and to show its port again."""

CONFIG: Final = "config.json"
CA_FILE: Final = "ca.der"
BOARDS: Final = "boards"
"""Beside the broker's two files: a folder for each node."""


@click.group()
def node() -> None:
    """Make, flash or simulate a sensor node."""


@node.command()
@click.argument("name")
@click.option("--booth", help="Booth it measures; by default the shop's first.")
@click.option(
    "--sensor",
    "sensors",
    multiple=True,
    required=True,
    metavar="TYPE[=PIN_OR_BUS]",
    help=f"One of {', '.join(SENSOR_KINDS)}; with its pin, or its I2C bus where that is not `main`. Repeatable.",
)
@click.option(
    "--bus",
    "buses",
    multiple=True,
    metavar="NAME=ID:SCL:SDA",
    help="An I2C bus: its number on the board and its two pins. [default: main=0:22:21, an ESP32's] Repeatable.",
)
@click.option("--period-s", default=5, show_default=True, type=click.IntRange(1, 86_400), help="Between samples. [s]")
@click.option("--wifi-ssid", help="The shop's network; without it the board is taken to be wired.")
@click.option(
    "--wifi-password-file",
    type=click.File(encoding="utf-8"),
    help="File whose first line is the network's password; - reads it from standard input.",
)
@click.option("--broker-host", required=True, help="The broker's address as seen from the node.")
@click.option("--broker-port", type=click.IntRange(1, 65_535), help="The broker's TCP port; by default as set.")
@click.option(
    "--ca-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Certificate of the authority that signed the broker's; with it the node speaks TLS.",
)
@click.option("--button-pin", type=click.IntRange(0, 64), help="Pin of the button, the other side to ground.")
@click.option("--lamp-pin", type=click.IntRange(0, 64), help="Pin of the lamp.")
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for NAME/config.json; by default our own."
)
@click.option("--replace", is_flag=True, help="New credentials and configuration for a node there is already.")
@click.pass_context
def new(
    ctx: click.Context,
    name: str,
    booth: str | None,
    sensors: tuple[str, ...],
    buses: tuple[str, ...],
    period_s: int,
    wifi_ssid: str | None,
    wifi_password_file: Any,
    broker_host: str,
    broker_port: int | None,
    ca_file: Path | None,
    button_pin: int | None,
    lamp_pin: int | None,
    out: Path | None,
    replace: bool,
) -> None:
    """Write the configuration of a node called NAME and give it a password and rights at the broker.

    Example: tackfree node new intake --sensor sht4x --sensor ds18b20=16 --broker-host 192.168.1.20
    """
    settings = configuration.load(ctx.find_root().obj)
    if name == settings.mqtt.username:
        raise RecordError(f"node {name!r}: that is the user name of [mqtt]; choose another")
    if wifi_password_file is not None and not wifi_ssid:
        raise click.UsageError("--wifi-password-file goes with --wifi-ssid")
    wifi = None
    if wifi_ssid:
        secret = wifi_password_file.readline().rstrip("\r\n") if wifi_password_file is not None else ""
        wifi = {"ssid": wifi_ssid, "password": secret}
    wiring = Wiring(
        sensors=sensors, buses=buses, period_s=period_s, button_pin=button_pin, lamp_pin=lamp_pin, wifi=wifi
    )
    booth = booth or settings.shop.booth
    mqtt: dict[str, Any] = {"host": broker_host, "port": broker_port or settings.mqtt.port, "username": name}
    if ca_file is not None:
        mqtt["ca_file"] = CA_FILE
    made = configuration_of(name, booth, mqtt, wiring)  # refuses before anything is written
    authority = _authority(ca_file) if ca_file is not None else None
    folder, nodes = _folder(out, settings) / name, _nodes(settings)
    first = not node_access.is_registered(nodes, node_access.COLLECTOR)
    if (folder / CONFIG).exists() and not replace:
        raise Conflict(f"{folder / CONFIG} exists already; --replace makes a new one and ends the old credentials")
    made["mqtt"]["password"] = node_access.register(nodes, booth, name, replace=replace)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if authority is not None:
            (folder / CA_FILE).write_bytes(authority)
    except OSError as error:
        raise StoreError(f"folder {folder} cannot be written: {error.strerror}") from error
    node_access.write_private(folder / CONFIG, json.dumps(made, indent=2) + "\n")
    click.echo(f"{folder / CONFIG} is written. It holds passwords: keep it to yourself.")
    if wifi_ssid and wifi_password_file is None:
        click.echo(f"The network {wifi_ssid} is taken to be open; --wifi-password-file names a password's file.")
    if any(sensor.partition("=")[0] in ("pid", "diffpressure") for sensor in sensors):
        click.echo("Put the sheet's and your own calibration in it (docs/node.md, Calibration); it holds examples.")
    _say_broker(nodes, settings, first)


@node.command()
@click.argument("name")
@click.option("--port", required=True, help="Serial port of the board, such as /dev/ttyUSB0.")
@click.option("--from", "out", type=click.Path(file_okay=False, path_type=Path), help="The --out of `node new`.")
@click.option("--dry-run", is_flag=True, help="Only print the commands.")
@click.pass_context
def flash(ctx: click.Context, name: str, port: str, out: Path | None, dry_run: bool) -> None:
    """Copy the program and NAME's configuration to a board that has MicroPython, and start it.

    It has never been tried on a board: the commands are mpremote's own, and --dry-run prints them.

    Example: tackfree node flash intake --port /dev/ttyUSB0
    """
    settings = configuration.load(ctx.find_root().obj)
    commands = flash_commands(_config_file(name, out, settings), port)
    if dry_run:
        for command in commands:
            click.echo(shlex.join(command))
        return
    if importlib.util.find_spec("mpremote") is None:
        raise ServiceError("mpremote, which speaks to the board, is not installed; pip install 'tackfree[node]'")
    if port.startswith("/") and not Path(port).exists():
        raise ServiceError(f"--port {port}: there is no such port; is the board connected, and by a data cable?")
    for command in commands:
        click.echo(shlex.join(command))
        ended = subprocess.run(command, check=False)
        if ended.returncode:
            raise ServiceError(f"mpremote ended with code {ended.returncode}; flash again, the board has only a part")
    click.echo(f"{name} is on the board and starts now. It appears on the Booth page within a minute.")


@node.command()
@click.argument("config_or_name")
@click.option("--from", "out", type=click.Path(file_okay=False, path_type=Path), help="The --out of `node new`.")
@click.option("--world", type=click.Path(dir_okay=False, path_type=Path), help="JSON file of values to measure.")
@click.pass_context
def simulate(ctx: click.Context, config_or_name: str, out: Path | None, world: Path | None) -> None:
    """Run a node's program on this computer, with simulated sensors, until Ctrl-C.

    What it sends is invented. It speaks to the broker of its configuration and keeps its unsent samples in the
    data folder.

    Example: tackfree node simulate intake
    """
    settings = configuration.load(ctx.find_root().obj)
    given = Path(config_or_name)
    file = given if given.is_file() else _config_file(config_or_name, out, settings)
    with tempfile.TemporaryDirectory(prefix="tackfree-node-") as folder:
        config = node_program.simulated(node_program.loaded(file), file.parent, _nodes(settings) / "simulated")
        prepared = Path(folder) / CONFIG
        node_access.write_private(prepared, json.dumps(config))
        click.echo(f"{config['node']} runs in a simulated booth; what it sends is invented. Ctrl-C stops it.")
        code = node_program.run(node_program.simulation_command(prepared, world))
    if code:
        raise ServiceError(f"the node's program ended with code {code}; its reason is printed above")


def flash_commands(config: Path, port: str) -> list[list[str]]:
    """The commands that copy program, configuration and certificate, and restart the board: mpremote's and a pause."""
    program = node_program.firmware_folder()
    call = [sys.executable, "-m", "mpremote", "connect", port]
    files = [str(program / "node"), str(program / "sensors"), str(config)]
    if node_program.loaded(config)["mqtt"].get("ca_file"):
        files.append(str(config.parent / CA_FILE))
    return [
        # A node that runs has its watchdog armed, which would restart the board in the midst of the copying.
        [*call, "exec", "import os; 'main.py' in os.listdir() and os.remove('main.py')"],
        [*call, "reset"],
        ["sleep", str(RESTART_S)],
        [*call, "fs", "cp", "-r", *files, ":"],
        # The start last: a board that loses power half-way does not start half a program.
        [*call, "fs", "cp", str(program / "main.py"), ":"],
        [*call, "reset"],
    ]


def _authority(file: Path) -> bytes:
    """The certificate in the binary form, which is the one that boards read."""
    try:
        given = file.read_bytes()
        return ssl.PEM_cert_to_DER_cert(given.decode("ascii").strip()) if b"-----BEGIN" in given else given
    except (OSError, ValueError) as error:
        raise RecordError(f"--ca-file {file}: {error}; expected one certificate, PEM or DER") from error


def _nodes(settings: Settings) -> Path:
    return settings.data.path / node_access.FOLDER


def _folder(out: Path | None, settings: Settings) -> Path:
    return out or _nodes(settings) / BOARDS


def _config_file(name: str, out: Path | None, settings: Settings) -> Path:
    file = _folder(out, settings) / name / CONFIG
    if not file.is_file():
        raise RecordError(f"node {name!r}: {file} does not exist; `tackfree node new {name}` writes it")
    return file


def _say_broker(nodes: Path, settings: Settings, first: bool) -> None:
    click.echo(f"Broker: its password and rights are in {nodes / node_access.PASSWORDS} and {nodes / node_access.ACL}.")
    if first or settings.mqtt.username != node_access.COLLECTOR:
        click.echo("The collector has a user of its own there. In tackfree.toml:")
        click.echo(f'  [mqtt]\n  username = "{node_access.COLLECTOR}"')
        click.echo("and in the environment of `tackfree serve`:")
        secret = shlex.quote(str(nodes / node_access.COLLECTOR_PASSWORD))
        click.echo(f'  export TACKFREE_MQTT_PASSWORD="$(cat {secret})"')
    if settings.mqtt.embedded:
        click.echo("The built-in broker asks for these passwords once [mqtt] username is set; new nodes count at once.")
    else:
        click.echo("For mosquitto, copy both to where docs/mosquitto.conf expects them, and have it read them again.")
