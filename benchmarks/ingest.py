"""Ingest with durable commits against ``mosquitto_sub`` writing the same stream to a file, in one run."""

from __future__ import annotations

import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import settings, wire
from collector.ingest import Ingest
from collector.readings.sqlite import SqliteReadingStore

MESSAGES = 20_000
START_MS = 1_790_000_000_000
CONFIGURATION = Path(__file__).parents[1] / "docs" / "mosquitto.conf"


def run() -> list[str]:
    """Both take one backlog of packs with three readings and a number each, waiting in the broker's queue."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        port, broker = _broker(folder)
        try:
            plain = folder / "stream.txt"
            _subscribe_once(port, "plain")
            collector = settings.load(
                environment={"TACKFREE_MQTT_PORT": str(port), "TACKFREE_DATA_FOLDER": str(folder)}
            )
            store = SqliteReadingStore(collector.data.readings_file)
            _run_ingest(collector, store, lambda ingest: ingest.state().connected)
            _publish(port)
            file_s = _time_plain(port, plain)
            ingest_s = _run_ingest(collector, store, lambda ingest: ingest.state().stored == 3 * MESSAGES)
            store.close()
        finally:
            broker.terminate()
            broker.wait()
    return [
        f"mosquitto_sub to a file   {MESSAGES / file_s:8,.0f} messages/s",
        f"ingest, durable commits   {MESSAGES / ingest_s:8,.0f} messages/s   {3 * MESSAGES / ingest_s:,.0f} readings/s",
        f"ratio {ingest_s / file_s:.1f} : 1; a shop with ten nodes at 5 s sends 2 messages/s",
    ]


def _broker(folder: Path) -> tuple[int, subprocess.Popen[bytes]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    text = CONFIGURATION.read_text().replace("listener 1883 ", f"listener {port} ")
    text = text.replace("persistence_location /var/lib/mosquitto/", f"persistence_location {folder}/")
    file = folder / "mosquitto.conf"
    file.write_text(text + "\nuser root\nlog_type none\n")
    broker = subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(file)], stderr=subprocess.DEVNULL)
    while True:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return port, broker
        time.sleep(0.02)


def _subscribe_once(port: int, client_id: str) -> None:
    """Leave a session behind, in which the broker queues."""
    ready = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.subscribe("tackfree/+/+/readings", 1)
    client.loop_start()
    ready.wait(10)
    client.disconnect()
    client.loop_stop()


def _publish(port: int) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="source")
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(MESSAGES):
        values = {"air_temperature": 20 + number % 50 / 10, "relative_humidity": 48.2, "air_pressure": 101_325}
        payload = wire.encode_pack("air-1", START_MS + 5_000 * number, values, seq=number + 1, oldest_seq=1)
        last = client.publish("tackfree/booth-1/air-1/readings", payload, qos=1)
    last.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def _time_plain(port: int, file: Path) -> float:
    began = time.perf_counter()
    command = ["mosquitto_sub", "-p", str(port), "-i", "plain", "-c", "-q", "1", "-t", "tackfree/+/+/readings"]
    with file.open("wb") as out:
        subprocess.run([*command, "-C", str(MESSAGES)], stdout=out, check=True)
    return time.perf_counter() - began


def _run_ingest(collector: settings.Settings, store: SqliteReadingStore, done: Callable[[Ingest], bool]) -> float:
    stop = threading.Event()
    ingest = Ingest(collector, store)
    thread = threading.Thread(target=ingest.run, args=(stop,))
    began = time.perf_counter()
    thread.start()
    while not done(ingest):
        time.sleep(0.01)
    spent_s = time.perf_counter() - began
    stop.set()
    thread.join()
    return spent_s
