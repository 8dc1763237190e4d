"""The demo's nodes as the real firmware: MicroPython, a real broker, and the invented booth as their world."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from collector.demo.boards import BOARDS, HOOD_NODE, HOOD_QUANTITIES, WORLD, run_demo_boards
from collector.demo.plan import Plan
from collector.demo.sensors import AIR_NODE, PANEL_NODE, SENSORS
from collector.demo.simulation import STATE_FILE, save, simulation_of_plan
from tests.brokers import Broker, Process, eventually, running
from tests.firmware.running import Shop

ALL = {*BOARDS, HOOD_NODE}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def shop(broker: Broker, tmp_path: Path) -> Iterator[Shop]:
    """Listens beside the real collector, which answers the nodes."""
    given = {"TACKFREE_MQTT_PORT": str(broker.port), "TACKFREE_DATA_FOLDER": str(tmp_path / "collector")}
    (tmp_path / "collector").mkdir()
    shop = Shop(broker.port, answers=False)
    with running(Process([sys.executable, "-m", "collector.service", "ingest"], given)):
        yield shop
    shop.close()


@contextmanager
def demo(port: int, seed: int = 1, state_file: Path | None = None) -> Iterator[None]:
    stop = threading.Event()
    nodes = threading.Thread(
        target=run_demo_boards,
        args=("127.0.0.1", port, "booth-1", seed, stop, 1),
        kwargs={"state_file": state_file},
    )
    nodes.start()
    try:
        yield
    finally:
        stop.set()
        nodes.join(20)
        assert not nodes.is_alive()


def values_of(shop: Shop, quantity: str) -> list[float]:
    return [value for name, _, value in sorted(shop.readings) if name == quantity]


def online(shop: Shop) -> dict[str, bool]:
    return {status.node: status.online for status in shop.statuses}


def seqs(shop: Shop, node: str) -> set[int]:
    return {pack.seq for pack in list(shop.packs) if pack.node == node and pack.seq is not None}


def interpreters() -> list[int]:
    """Children of this process that run a node."""
    children = Path(f"/proc/{os.getpid()}/task").glob("*/children")
    found = [int(pid) for file in children for pid in file.read_text().split()]
    return [pid for pid in found if b"simulate.py" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def test_every_quantity_of_the_past_goes_on_and_agrees_with_the_booth(
    broker: Broker, shop: Shop, tmp_path: Path
) -> None:
    now_ms = round(time.time() * 1000)
    past = simulation_of_plan(Plan(datetime.fromtimestamp(now_ms / 1000, UTC), UTC), 3, now_ms - 600_000)
    last = past.measured(np.arange(now_ms - 595_000, now_ms + 1, 5_000))
    save(past, now_ms, 3, tmp_path / STATE_FILE)
    wanted = {quantity for group in SENSORS.values() for quantity in group}
    with demo(broker.port, 3, tmp_path / STATE_FILE):
        eventually(lambda: all(len(values_of(shop, quantity)) > 3 for quantity in wanted))
    assert not [reason for pack in shop.packs for reason in pack.rejected]
    assert {name for name, _, _ in shop.readings} == wanted
    for quantity, within in (
        ("air_temperature", 0.3),
        ("surface_temperature", 0.5),
        ("relative_humidity", 2.0),
        ("air_pressure", 30.0),
        ("voc_ppm", 5.0),
        ("booth_pressure", 2.0),
    ):
        assert float(np.median(values_of(shop, quantity))) == pytest.approx(last[quantity][-1], abs=within), quantity


def test_each_node_sends_what_it_has_sensors_for(broker: Broker, shop: Shop) -> None:
    with demo(broker.port):
        eventually(lambda: {pack.node for pack in shop.packs if len(pack.readings)} == ALL)
    sent = {node: {r.quantity for pack in shop.packs for r in pack.readings if r.node == node} for node in ALL}
    assert sent[PANEL_NODE] == {"surface_temperature"}
    assert sent[HOOD_NODE] == set(HOOD_QUANTITIES)
    assert sent[AIR_NODE] == {*WORLD, "voc_index"} - {"surface_temperature"}


def test_an_interpreter_that_dies_is_started_again_and_its_numbers_go_on(broker: Broker, shop: Shop) -> None:
    with demo(broker.port):
        eventually(lambda: {pack.node for pack in shop.packs if (pack.seq or 0) >= 3} >= set(BOARDS))
        first = interpreters()
        assert len(first) == len(BOARDS)
        for pid in first:
            os.kill(pid, signal.SIGKILL)
        before = {node: max(seqs(shop, node)) for node in BOARDS}
        eventually(lambda: len(set(interpreters()) - set(first)) == len(BOARDS))
        eventually(lambda: all(max(seqs(shop, node)) > before[node] + 2 for node in BOARDS))
        eventually(lambda: all(seqs(shop, node) == set(range(1, len(seqs(shop, node)) + 1)) for node in BOARDS))
    assert not interpreters()


def test_the_process_ends_cleanly_on_sigterm_and_leaves_no_interpreter(
    broker: Broker, shop: Shop, tmp_path: Path
) -> None:
    environment = {**os.environ, "TACKFREE_MQTT_PORT": str(broker.port), "TACKFREE_DATA_FOLDER": str(tmp_path)}
    command = [sys.executable, "-m", "collector.demo", "--seed", "2", "--period-s", "1"]
    with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE) as process:
        eventually(lambda: online(shop) == dict.fromkeys(ALL, True))
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        assert len(children) == len(BOARDS)
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
        assert process.stderr is not None and process.stderr.read() == b""
    assert not any(Path(f"/proc/{pid}").exists() for pid in children)
    eventually(lambda: online(shop) == dict.fromkeys(ALL, False))


def test_no_login_lies_open_in_the_temporary_folder(broker: Broker, shop: Shop, tmp_path: Path) -> None:
    with demo(broker.port, state_file=tmp_path / STATE_FILE):
        eventually(lambda: interpreters())
        for pid in interpreters():
            config = Path(Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[-4].decode())
            assert json.loads(config.read_text())["node"] in BOARDS
            assert config.stat().st_mode & 0o077 == 0 and config.parent.stat().st_mode & 0o077 == 0
        folder = config.parent
    assert not folder.exists()
