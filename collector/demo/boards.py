"""The demo's nodes as the real firmware: MicroPython on this computer, measuring the simulated booth.

The booth is stepped here and written to a file once a second; each node's simulated sensors take their values
from it and answer the drivers over their own protocols.
"""

from __future__ import annotations

import json
import logging
import subprocess
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any, Final

import numpy as np

from collector import node_program
from collector.demo.nodes import SimulatedNode
from collector.demo.sensors import AIR_NODE, PANEL_NODE
from collector.demo.simulation import STEP_MS, Simulation, resumed
from collector.node_config import Wiring, configuration_of

log = logging.getLogger(__name__)

HOOD_NODE: Final = "hood-1"
HOOD_QUANTITIES: Final = ("face_velocity", "node_battery")
"""What no sensor of the firmware measures comes from a node of its own, in Python."""

BOARDS: Final[Mapping[str, tuple[str, ...]]] = {
    AIR_NODE: ("bme280", "diffpressure", "pid=34", "sgp40"),
    PANEL_NODE: ("mlx90614",),
}

# Quantity as measured here: name in the file that the simulated sensors read.
WORLD: Final[Mapping[str, str]] = {
    "air_temperature": "air_c",
    "relative_humidity": "relative_humidity_pct",
    "air_pressure": "air_pressure",
    "surface_temperature": "surface_c",
    "voc_ppm": "voc_ppm",
    "booth_pressure": "booth_pressure",
}

WORLD_PERIOD_S: Final = 1.0
WORLD_LASTS_S: Final = 60
"""A node whose world was not written for so long ends: its writer was killed."""

REVIVE_AFTER_S: Final = 2.0
REVIVE_AT_MOST_EVERY_S: Final = 60.0
FOLDER: Final = "demo-nodes"


@dataclass(slots=True, kw_only=True)
class Board:
    """One node's interpreter, started again when it ends."""

    name: str
    command: list[str]
    process: subprocess.Popen[bytes] | None = None
    began: float = 0.0
    pause_s: float = REVIVE_AFTER_S

    def tend(self) -> None:
        """Start it, or start it again some time after it has ended."""
        now = time.monotonic()
        if self.process is not None:
            code = self.process.poll()
            if code is None:
                return
            self.process = None
            lasted = now - self.began
            self.pause_s = REVIVE_AFTER_S if lasted > 60 else min(2 * self.pause_s, REVIVE_AT_MOST_EVERY_S)
            log.warning("the interpreter of node %s ended with code %s; it is started again", self.name, code)
            self.began = now
        if self.began == 0.0 or now - self.began >= self.pause_s:
            self.began = now
            # What it prints is for somebody at the board's own console; what matters it sends.
            self.process = subprocess.Popen(
                self.command, cwd=node_program.firmware_folder(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
            )

    def stop(self) -> None:
        """Cut its power; the broker tells the rest that it is offline."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def run_demo_boards(
    host: str,
    port: int,
    booth: str,
    seed: int,
    stop_event: threading.Event,
    period_s: int,
    *,
    zone: tzinfo = UTC,
    username: str | None = None,
    password: str | None = None,
    state_file: Path | None = None,
) -> None:
    """Run booth and nodes in real time until the event is set.

    The nodes are ``air-1`` and ``panel-1`` under MicroPython and ``hood-1`` in Python. Parameters as those of
    :func:`collector.demo.live.run_demo_nodes`, with a period of whole seconds.

    Raises
    ------
    ServiceError
        If MicroPython or the firmware is not installed.
    """
    with tempfile.TemporaryDirectory(prefix="tackfree-demo-nodes-") as made:
        folder = Path(made)
        kept = state_file.parent / FOLDER if state_file is not None else folder / "kept"
        world = folder / "world.json"
        login = {"host": host, "port": port, "username": username or "", "password": password or ""}
        boards = [
            Board(name=name, command=_prepared(name, booth, login, period_s, folder, kept, world)) for name in BOARDS
        ]
        simulation = resumed(state_file, seed, zone, _now_ms())
        hood = SimulatedNode(host, port, booth, HOOD_NODE, username, password)
        try:
            hood.start(wait_s=0)
            _run(simulation, world, boards, hood, period_s, stop_event)
        finally:
            for board in boards:
                board.stop()
            hood.stop()


def _run(
    simulation: Simulation,
    world: Path,
    boards: list[Board],
    hood: SimulatedNode,
    period_s: int,
    stop_event: threading.Event,
) -> None:
    sent_ms = _now_ms()
    values: dict[str, float] = {}
    while True:
        now_ms = _now_ms()
        if now_ms > simulation.at_ms:  # else the machine's clock was set back: the world stands until it is past
            values = _measured(simulation, now_ms)
        if values:
            _write(world, values)
        for board in boards:
            board.tend()
        due_ms = now_ms - now_ms % (1000 * period_s)
        if values and due_ms > sent_ms:
            sent_ms = due_ms
            hood.offer({quantity: values[quantity] for quantity in HOOD_QUANTITIES}, due_ms)
        if stop_event.wait(WORLD_PERIOD_S):
            return


def _measured(simulation: Simulation, now_ms: int) -> dict[str, float]:
    """What the sensors stand at now; through a pause the booth is stepped as it would have gone on."""
    times = np.append(np.arange(simulation.at_ms + STEP_MS, now_ms, STEP_MS, dtype=np.int64), np.int64(now_ms))
    return {quantity: float(series[-1]) for quantity, series in simulation.measured(times).items()}


def _write(world: Path, values: Mapping[str, float]) -> None:
    given: dict[str, float] = {name: values[quantity] for quantity, name in WORLD.items()}
    fresh = world.with_suffix(".new")
    try:
        fresh.write_text(json.dumps({**given, "ends": int(time.time()) + WORLD_LASTS_S}), encoding="utf-8")
        fresh.replace(world)
    except OSError as error:
        log.warning("%s cannot be written (%s); the nodes measure what it held last", world, error.strerror)


def _prepared(
    name: str, booth: str, login: Mapping[str, Any], period_s: int, folder: Path, kept: Path, world: Path
) -> list[str]:
    config = configuration_of(name, booth, login, Wiring(sensors=BOARDS[name], period_s=period_s))
    for sensor in config["sensors"]:
        sensor["median_of"] = 1  # the booth is written once a second, noise and all
    file = folder / f"{name}.json"
    file.write_text(json.dumps(node_program.simulated(config, folder, kept)), encoding="utf-8")
    file.chmod(0o600)
    return node_program.simulation_command(file, world)


def _now_ms() -> int:
    return round(time.time() * 1000)
