"""Ingest of a broker's whole queue, every message durable before it is acknowledged, against mosquitto_sub.

Both drain the same queue of the same mosquitto, one after the other; mosquitto_sub only writes to a file.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from collector import wire
from collector.ingest import Ingest
from collector.readings.sqlite import SqliteReadingStore
from collector.settings import Data, Mqtt, Settings
from tests import brokers

PACKS = 40_000
NODES = 4
START_MS = 1_790_000_000_000
VALUES_PER_PACK = 3
TOPIC = "tackfree/+/+/readings"
COLLECTOR, BASELINE = "tackfree-collector", "baseline"


def run() -> list[str]:
    """Messages per second of both, and their ratio."""
    if shutil.which("mosquitto_sub") is None or shutil.which("mosquitto_pub") is None:
        return ["left out: mosquitto_sub and mosquitto_pub are not installed (Debian: mosquitto-clients)"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with brokers.running(brokers.mosquitto(folder)) as broker:
            assert isinstance(broker, brokers.BrokerProcess)
            for client in (COLLECTOR, BASELINE):
                _sub(broker.port, client, "-E")
            size = _publish(broker.port)
            baseline_s = _drain_to_file(broker.port, folder / "stream")
            ingest_s = _drain_to_store(broker.port, folder)
        with closing(SqliteReadingStore(folder / "readings.sqlite", read_only=True)) as store:
            assert [node.stored_seq for node in store.nodes()] == [PACKS // NODES] * NODES
    return [
        f"{PACKS:,} queued packs of {VALUES_PER_PACK} values, {size:.0f} bytes each",
        f"mosquitto_sub to a file: {PACKS / baseline_s:,.0f} messages/s",
        f"ingest, committed and then acknowledged: {PACKS / ingest_s:,.0f} messages/s,"
        f" {ingest_s / baseline_s:.1f} times the time",
    ]


def _publish(port: int) -> float:
    """Fill the queues. Gives the mean size of a pack. [bytes]"""
    total = 0
    for node in (f"n{index}" for index in range(NODES)):
        lines = b"\n".join(_payload(node, number) for number in range(PACKS // NODES)) + b"\n"
        total += len(lines)
        topic = wire.topic_for("booth-1", node, wire.READINGS)
        _call(["mosquitto_pub", *_to(port), "-q", "1", "-t", topic, "-l"], lines)
    return total / PACKS - 1


def _payload(node: str, number: int) -> bytes:
    values = {
        "air_temperature": 20 + number % 500 / 100,
        "relative_humidity": 45 + number % 700 / 100,
        "surface_temperature": 19 + number % 300 / 100,
    }
    return wire.encode_pack(node, START_MS + 5_000 * number, values, seq=number + 1, oldest_seq=1)


def _drain_to_file(port: int, file: Path) -> float:
    start = time.perf_counter()
    with file.open("wb") as out:
        _sub(port, BASELINE, "-C", str(PACKS), out=out.fileno())
    return time.perf_counter() - start


def _drain_to_store(port: int, folder: Path) -> float:
    settings = Settings(data=Data(folder=str(folder)), mqtt=Mqtt(embedded=False, port=port, client_id=COLLECTOR))
    with closing(SqliteReadingStore(folder / "readings.sqlite")) as store:
        ingest = Ingest(settings, store)
        stop = threading.Event()
        thread = threading.Thread(target=ingest.run, args=(stop,))
        start = time.perf_counter()
        thread.start()
        try:
            brokers.eventually(lambda: ingest.state().stored >= PACKS * VALUES_PER_PACK, 300)
            return time.perf_counter() - start
        finally:
            stop.set()
            thread.join()


def _sub(port: int, client: str, *options: str, out: int = subprocess.DEVNULL) -> None:
    _call(["mosquitto_sub", *_to(port), "-q", "1", "-c", "-i", client, "-t", TOPIC, *options], out=out)


def _to(port: int) -> Sequence[str]:
    return ("-h", "127.0.0.1", "-p", str(port))


def _call(command: Sequence[str], text: bytes | None = None, out: int = subprocess.DEVNULL) -> None:
    subprocess.run(command, input=text, stdout=out, check=True, timeout=300)


if __name__ == "__main__":
    print("\n".join(run()))
