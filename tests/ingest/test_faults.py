"""Brokers and collectors are killed in mid-stream, and every reading is stored exactly once."""

from __future__ import annotations

import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from collector.demo.nodes import SimulatedNode
from tests import brokers

pytestmark = [pytest.mark.faults, pytest.mark.timeout(280)]

PACKS = 20_000
NODES = 4
KILLS_AT = (0.1, 0.3, 0.5)
START_MS = 1_790_000_000_000


@pytest.fixture(params=["mosquitto", "built-in"])
def broker(request, tmp_path):
    made = brokers.mosquitto(tmp_path) if request.param == "mosquitto" else brokers.builtin()
    with brokers.running(made) as process:
        yield process


def test_every_reading_is_stored_exactly_once_though_collector_and_broker_are_killed(broker, tmp_path):
    environment = {"TACKFREE_MQTT_PORT": str(broker.port), "TACKFREE_DATA_FOLDER": str(tmp_path / "data")}
    (tmp_path / "data").mkdir()
    collector = brokers.Process([sys.executable, "-m", "collector.service", "ingest"], environment)
    nodes = [SimulatedNode("127.0.0.1", broker.port, "booth-1", f"n{i}", resend_after_s=2.0) for i in range(NODES)]
    with brokers.running(collector):
        try:
            assert all(node.start() for node in nodes)
            for index, node in enumerate(nodes):
                for number in range(PACKS // NODES):
                    node.offer({"air_temperature": _value(index, number)}, START_MS + 5_000 * number)
            _kill_on_the_way(nodes, collector, broker)
            assert all(node.wait_until_stored(200) for node in nodes)
            assert [node.held for node in nodes] == [0] * NODES
        finally:
            for node in nodes:
                node.stop()
    file = tmp_path / "data" / "readings.sqlite"
    found = _all_readings(file)
    expected = [
        (f"n{index}", START_MS + 5_000 * number, _value(index, number))
        for index in range(NODES)
        for number in range(PACKS // NODES)
    ]
    assert found == expected
    assert _counted_in_minutes(file) == PACKS


def _counted_in_minutes(file: Path) -> int:
    with closing(sqlite3.connect(file)) as database:
        return int(database.execute("SELECT sum(n) FROM minute").fetchone()[0])


def _value(node: int, number: int) -> float:
    return round(10 + node + number % 997 / 100, 2)


def _kill_on_the_way(nodes, collector, broker):
    """Each kill comes when its share of the packs is stored, so that it hits a stream at full speed.

    The collector dies alone once, when a live broker could help; then so that the broker has nothing left either,
    and only the nodes still hold what was on its way; then with a broker that comes back with what it had saved.
    """
    broker_kills = (None, broker.kill_with_its_files, broker.kill)
    for share, kill_broker in zip(KILLS_AT, broker_kills, strict=True):
        brokers.eventually(lambda: PACKS - sum(node.held for node in nodes) >= share * PACKS, 120)  # noqa: B023
        assert collector.running and broker.running
        collector.kill()
        if kill_broker is not None:
            kill_broker()
            broker.start()
        time.sleep(0.3)
        collector.start()


def _all_readings(file: Path) -> list[tuple[str, int, float]]:
    with closing(sqlite3.connect(file)) as database:
        return database.execute(
            "SELECT node, t, value FROM reading JOIN series ON series.id = reading.series ORDER BY node, t"
        ).fetchall()
