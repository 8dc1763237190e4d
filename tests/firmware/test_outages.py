"""The issue of it all: whatever is killed, every sample a node kept is in the store once, and none other."""

from __future__ import annotations

import json
import random
import statistics
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.readings.base import Series
from collector.readings.sqlite import SqliteReadingStore
from tests.brokers import Broker, eventually
from tests.firmware.running import FIRMWARE, Node, compiled

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]

COLLECT = """
import sys, threading
from pathlib import Path
from collector.ingest import Ingest
from collector.readings.sqlite import SqliteReadingStore
from collector.settings import Data, Mqtt, Settings
folder, port = Path(sys.argv[1]), int(sys.argv[2])
settings = Settings(data=Data(folder=str(folder)), mqtt=Mqtt(embedded=False, port=port))
Ingest(settings, SqliteReadingStore(folder / "readings.sqlite")).run(threading.Event())
"""


class Collector:
    """The real ingest in a process of its own, which can be killed and started again on the same store."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder = folder / "collector"
        self.folder.mkdir()
        self._port = port
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "output.txt").open("a") as output:
            self._process = subprocess.Popen(
                [sys.executable, "-c", COLLECT, str(self.folder), str(self._port)], stdout=output, stderr=output
            )

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def details(self) -> dict[str, object]:
        """What the node last said of itself, as far as the collector stored it."""
        if not (self.folder / "readings.sqlite").exists():
            return {}
        store = SqliteReadingStore(self.folder / "readings.sqlite", read_only=True)
        try:
            states = store.nodes("booth-1")
            return dict(states[0].status or {}) | {"missing": states[0].missing} if states else {}
        finally:
            store.close()

    def readings(self, quantity: str) -> Counter[tuple[int, int]]:
        """How often each (time [ms], thousandths) is in the store."""
        store = SqliteReadingStore(self.folder / "readings.sqlite", read_only=True)
        try:
            found = store.samples(Series(booth="booth-1", node="n1", quantity=quantity), 0, 2**53)
            return Counter((int(t), round(v * 1000)) for t, v in zip(found.time_ms, found.value, strict=True))
        finally:
            store.close()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def collector(tmp_path: Path, broker: Broker) -> Iterator[Collector]:
    collector = Collector(tmp_path, broker.port)
    collector.start()
    yield collector
    collector.kill()


def kept_values(node: Node, quantity: str) -> set[tuple[int, int]]:
    return {(time_ms, values[quantity]) for _, time_ms, values in node.kept() if quantity in values}


def wait_until_all_is_stored(node: Node, collector: Collector, within_s: float) -> None:
    def nothing_held() -> bool:
        return collector.details().get("spool") == 0 and kept_values(node, "air_temperature") <= set(
            collector.readings("air_temperature")
        )

    eventually(nothing_held, within_s)


def assert_each_is_stored_once(node: Node, collector: Collector, power_cuts: int) -> None:
    for quantity in ("air_temperature", "relative_humidity"):
        stored, kept = collector.readings(quantity), kept_values(node, quantity)
        assert set(stored) >= kept
        assert set(stored.values()) == {1}
        # A cut between the spool and the note of it leaves one sample that the notes do not know.
        assert len(stored) - len(kept) <= power_cuts
    details = collector.details()
    assert details["missing"] == 0 and details["dropped"] == 0 and details["damaged"] == 0


def test_ten_thousand_samples_survive_twenty_broker_kills_ten_collector_kills_and_five_power_cuts(
    tmp_path: Path, broker: Broker, collector: Collector
) -> None:
    now = time.time_ns() // 1_000_000
    soak = {"period_ms": 8, "samples": 10_000, "clock": [now, now]}
    node = Node(tmp_path, broker.port, soak=soak, ntp="127.0.0.1")
    node.start()
    chance = random.Random(7)
    kills = ["broker"] * 20 + ["collector"] * 10 + ["node"] * 5
    chance.shuffle(kills)
    try:
        for victim in kills:
            time.sleep(chance.uniform(0.5, 3.0))
            target = {"broker": broker, "collector": collector, "node": node}[victim]
            target.kill()
            time.sleep(chance.uniform(0.0, 0.5))
            target.start()
        eventually(lambda: len(node.kept()) >= 9_995, 150)
        wait_until_all_is_stored(node, collector, 200)
        assert len(node.kept()) >= 9_995
        assert_each_is_stored_once(node, collector, power_cuts=5)
    finally:
        node.kill()


def test_a_day_of_flaps_faults_kills_and_power_cuts_loses_nothing_and_the_heap_stays_flat(
    tmp_path: Path, broker: Broker, collector: Collector
) -> None:
    speed, day_ms = 720, 86_400_000
    now = time.time_ns() // 1_000_000
    heap = tmp_path / "heap.txt"
    soak = {
        "speed": speed,
        "period_ms": 10_000,
        "fault_every": 97,
        "wifi_flap_ms": [7_200_000, 600_000],
        "clock": [now, now - 7 * day_ms],  # a busy machine must not let it run into the future
        "heap": str(heap),
        "samples": day_ms // 10_000,
    }
    node = Node(tmp_path, broker.port, program=compiled(tmp_path / "board"), soak=soak, ntp="127.0.0.1")
    node.start("-X", "heapsize=96k")
    chance = random.Random(24)
    kills = ["broker"] * 8 + ["collector"] * 4 + ["node"] * 3
    chance.shuffle(kills)
    try:
        for victim in kills:
            time.sleep(chance.uniform(1.0, 5.0))
            target = {"broker": broker, "collector": collector, "node": node}[victim]
            target.kill()
            time.sleep(chance.uniform(0.0, 1.0))
            target.start(*(("-X", "heapsize=96k") if target is node else ()))
        heap.unlink()  # from here on it is one boot
        eventually(lambda: len(node.kept()) >= 8_500, 200)
        wait_until_all_is_stored(node, collector, 200)
        assert_each_is_stored_once(node, collector, power_cuts=3)
        used = [int(line) for line in heap.read_text().split()]
        assert len(used) >= 20
        early, late = used[2 : len(used) // 2], used[len(used) // 2 :]
        assert statistics.median(late) < statistics.median(early) + 2_000, json.dumps(used)
    finally:
        node.kill()


@pytest.mark.parametrize("form", ["source", "bytecode"])
def test_a_backlog_of_five_hundred_readings_drains_in_a_small_heap(
    tmp_path: Path, broker: Broker, collector: Collector, form: str
) -> None:
    program = compiled(tmp_path / "board") if form == "bytecode" else FIRMWARE
    now = time.time_ns() // 1_000_000
    soak = {"period_ms": 20, "samples": 400, "clock": [now, now]}
    node = Node(tmp_path, broker.port, program=program, soak=soak, ntp="127.0.0.1")
    broker.kill()
    node.start("-X", "heapsize=96k")
    try:
        eventually(lambda: len(node.kept()) >= 300, 60)
        broker.start()
        wait_until_all_is_stored(node, collector, 60)
        assert len(node.kept()) == 400
        assert_each_is_stored_once(node, collector, power_cuts=0)
        assert "MemoryError" not in node.output and node.running
        assert not (tmp_path / "flash" / "faults.log").exists()
    finally:
        node.kill()
