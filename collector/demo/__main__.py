"""``python -m collector.demo``: the simulated nodes as a process of their own, until SIGTERM or Ctrl-C."""

from __future__ import annotations

import signal
import sys
import threading
from dataclasses import replace
from typing import Any

import click

from collector import node_program
from collector import settings as configuration
from collector.demo.boards import run_demo_boards
from collector.demo.live import PERIOD_S, run_demo_nodes
from collector.demo.simulation import STATE_FILE
from collector.errors import TackfreeError


@click.command()
@click.option("--host", help="The broker's address; by default as set.")
@click.option("--port", type=click.IntRange(1, 65_535), help="The broker's TCP port; by default as set.")
@click.option("--booth", help="The booth's name in the topics; by default as set.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="Same seed, same booth.")
@click.option("--username", help="User name at the broker; the password is TACKFREE_MQTT_PASSWORD.")
@click.option(
    "--period-s",
    default=PERIOD_S,
    show_default=True,
    type=click.FloatRange(0.05, 3600),
    help="Seconds from sample to sample.",
)
def main(
    host: str | None, port: int | None, booth: str | None, seed: int, username: str | None, period_s: float
) -> None:
    """Publish an invented booth's readings to the broker of the settings.

    With MicroPython installed the nodes are the real firmware, which samples in whole seconds; without it, or with
    another period, they are in Python.

    Example: python -m collector.demo --port 1883 --seed 7
    """
    try:
        settings = configuration.load()
    except TackfreeError as error:
        click.echo(f"tackfree demo nodes: {error}", err=True)
        sys.exit(2)
    mqtt = settings.mqtt
    mqtt = replace(mqtt, host=host or mqtt.host, port=port or mqtt.port, username=username or mqtt.username)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        # A parent that keeps Ctrl-C to itself has it ignored here, and that stays so.
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: stop.set())
    address = (mqtt.host, mqtt.port, booth or settings.shop.booth, seed, stop)
    rest: dict[str, Any] = {
        "zone": settings.shop.zone,
        "username": mqtt.username or None,
        "password": mqtt.password or None,
        "state_file": settings.data.path / STATE_FILE,
    }
    if period_s.is_integer() and node_program.can_simulate():
        run_demo_boards(*address, int(period_s), **rest)
    else:
        run_demo_nodes(*address, period_s, **rest)


if __name__ == "__main__":
    main(standalone_mode=True)
