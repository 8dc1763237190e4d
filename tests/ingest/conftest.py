"""A real mosquitto, a collector beside it in a thread of the test, and a client to speak to them."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector import settings as configuration
from collector.ingest import Ingest
from collector.readings.sqlite import SqliteReadingStore
from tests import brokers


class Collector:
    """Ingest and its store, running in a thread."""

    def __init__(self, port: int, folder: Path, *, environment: Mapping[str, str], **options: Any) -> None:
        self.settings = configuration.load(
            environment={"TACKFREE_MQTT_PORT": str(port), "TACKFREE_DATA_FOLDER": str(folder), **environment}
        )
        folder.mkdir(parents=True, exist_ok=True)
        self.store = SqliteReadingStore(self.settings.data.readings_file)
        self.ingest = Ingest(self.settings, self.store, **options)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.ingest.run, args=(self._stop,))
        self._thread.start()

    def wait_connected(self) -> None:
        """Until it is connected and has told the nodes the numbers it knew before, which a test might miscount."""
        brokers.eventually(lambda: self.ingest.state().connected and not self.ingest._announce)

    def written_state(self) -> dict[str, Any]:
        """The state file's content; empty before the first is written."""
        file = self.settings.data.path / "ingest-state.json"
        return json.loads(file.read_text()) if file.exists() else {}

    def values(self) -> list[float]:
        """Every reading of every series, in order of time."""
        samples = [self.store.samples(series, 0, 2**60) for series in self.store.series()]
        return [value for _, value in sorted((t, v) for s in samples for t, v in zip(s.time_ms, s.value, strict=True))]

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(30)
        assert not self._thread.is_alive()
        self.store.close()


class Hand:
    """A client that publishes what it is told and keeps what it hears, by default of ``stored`` numbers."""

    def __init__(self, port: int, listen_to: str = "tackfree/+/+/stored", client_id: str = "hand") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.on_connect = lambda client, *_: client.subscribe(listen_to, 1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload, m.retain))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(10)

    def send(
        self,
        payload: bytes | Sequence[Mapping[str, Any]],
        topic: str = "tackfree/booth-1/hand/readings",
        *,
        retain: bool = False,
    ) -> None:
        content = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self._client.publish(topic, content, qos=1, retain=retain).wait_for_publish(20)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path):
    with brokers.running(brokers.mosquitto(tmp_path)) as process:
        yield process


@pytest.fixture
def start_collector(tmp_path) -> Callable[..., Collector]:
    """Starts collectors, all on one data folder unless told otherwise, and stops them at the end."""
    started: list[Collector] = []

    def start(
        port: int, folder: Path = tmp_path / "data", environment: Mapping[str, str] = {}, **options: Any
    ) -> Collector:
        started.append(Collector(port, folder, environment=environment, **options))
        return started[-1]

    yield start
    for collector in started:
        if collector.running:
            collector.stop()


@pytest.fixture
def collector(broker, start_collector) -> Collector:
    started = start_collector(broker.port)
    started.wait_connected()
    return started


@pytest.fixture
def hand(broker):
    client = Hand(broker.port)
    yield client
    client.close()


@pytest.fixture
def now_ms() -> int:
    return round(time.time() * 1000)
