"""Promises of the live demo nodes: real processes, a real broker, and readings that join the past."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from collector import wire
from collector.demo.live import run_demo_nodes
from collector.demo.plan import Plan
from collector.demo.sensors import SENSORS
from collector.demo.simulation import STATE_FILE, save, simulation_of_plan
from tests.brokers import Broker, eventually
from tests.demo.listener import Listener


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    listener = Listener(broker.port)
    yield listener
    listener.close()


def quantities_of(listener: Listener, node: str) -> set[str]:
    return {reading.quantity for pack in listener.packs for reading in pack.readings if reading.node == node}


def test_both_nodes_publish_all_their_quantities_with_the_present_time(broker: Broker, listener: Listener) -> None:
    stop = threading.Event()
    nodes = threading.Thread(target=run_demo_nodes, args=("127.0.0.1", broker.port, "booth-1", 1, stop, 0.2))
    nodes.start()
    eventually(lambda: all(quantities_of(listener, node) == set(group) for node, group in SENSORS.items()))
    stop.set()
    nodes.join(20)
    assert not nodes.is_alive()
    assert not any(pack.rejected for pack in listener.packs)
    newest_ms = max(reading.time_ms for pack in listener.packs for reading in pack.readings)
    assert abs(newest_ms - time.time() * 1000) < 30_000
    assert {pack.seq for pack in listener.packs if pack.node == "air-1"} >= {1, 2}


def test_readings_join_the_saved_past_without_a_gap(broker: Broker, listener: Listener, tmp_path: Path) -> None:
    then_ms = round(time.time() * 1000) - 60_000
    past = simulation_of_plan(Plan(datetime.fromtimestamp(then_ms / 1000, UTC), UTC), 3, then_ms - 600_000)
    last = past.measured(np.arange(then_ms - 595_000, then_ms + 1, 5_000))
    save(past, then_ms, 3, tmp_path / STATE_FILE)
    stop = threading.Event()
    nodes = threading.Thread(
        target=run_demo_nodes,
        args=("127.0.0.1", broker.port, "booth-1", 3, stop, 1.0),
        kwargs={"state_file": tmp_path / STATE_FILE},
    )
    nodes.start()
    eventually(lambda: len(listener.packs) > 40)
    stop.set()
    nodes.join(20)
    shown = sorted(
        (reading.time_ms, reading.value)
        for pack in listener.packs
        for reading in pack.readings
        if reading.quantity == "surface_temperature"
    )
    assert then_ms < shown[0][0] <= then_ms + 1_000
    assert {int(step) for step in np.diff([time_ms for time_ms, _ in shown])} == {1_000}
    assert shown[0][1] == pytest.approx(last["surface_temperature"][-1], abs=0.5)


def test_the_process_takes_its_broker_from_the_settings_and_ends_cleanly_on_sigterm(
    broker: Broker, listener: Listener, tmp_path: Path
) -> None:
    environment = {
        **os.environ,
        "TACKFREE_MQTT_PORT": str(broker.port),
        "TACKFREE_DATA_FOLDER": str(tmp_path),
        "TACKFREE_SHOP_BOOTH": "booth-9",
        "TACKFREE_SHOP_TIME_ZONE": "Europe/Berlin",
    }
    command = [sys.executable, "-m", "collector.demo", "--seed", "2", "--period-s", "0.2"]
    with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE) as process:
        eventually(lambda: listener.packs)
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
        assert process.stderr is not None and process.stderr.read() == b""
    assert {pack.booth for pack in listener.packs} == {"booth-9"}
    eventually(lambda: {state.node: state.online for state in listener.states} == dict.fromkeys(SENSORS, False))


def test_a_setting_that_is_wrong_is_named_in_one_line() -> None:
    environment = {**os.environ, "TACKFREE_MQTT_PORT": "99999"}
    done = subprocess.run([sys.executable, "-m", "collector.demo"], env=environment, capture_output=True, text=True)
    assert done.returncode == 2
    assert "TACKFREE_MQTT_PORT" in done.stderr and "Traceback" not in done.stderr


def test_the_nodes_names_are_ones_the_wire_takes() -> None:
    for node in SENSORS:
        assert wire.topic_for("booth-1", node, wire.READINGS).endswith(f"/{node}/readings")
