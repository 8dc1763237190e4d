"""The whole way, with real processes: a node's reading to an alert on MQTT and at a receiver, over a kill -9."""

from __future__ import annotations

import json
import sys
import threading
import time
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from collector.records.model import Material, Mix, Piece
from collector.records.repository import open_records
from tests.brokers import Process, builtin, eventually, running

pytestmark = pytest.mark.faults

TOLUENE = Material(
    name="Toluene lacquer", chemistry="solvent_lacquer", role="clear", solids_volume_fraction=0.0,
    solvents={"toluene": 1.0},
)  # fmt: skip


class Listener:
    """A client that keeps the newest list of alerts and can speak for a node."""

    def __init__(self, port):
        self.lists = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="wall-light")
        self.client.on_connect = lambda client, *_: client.subscribe("tackfree/booth-1/alerts", qos=1)
        self.client.on_message = lambda _client, _data, message: self.lists.append(json.loads(message.payload))
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def says(self, voc_ppm):
        payload = wire.encode_pack("n1", round(time.time() * 1000), {"voc_ppm": voc_ppm})
        self.client.publish("tackfree/booth-1/n1/readings", payload, qos=1)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def test_a_reading_over_the_ceiling_is_told_once_everywhere_and_survives_a_kill(records, tmp_path, receiver):
    piece = records.add_piece(Piece(name="Shell", substrate="maple"))
    mix = records.add_mix(Mix(material=records.add_material(TOLUENE)))
    records.start_coat(piece.id, mix.id, "booth-1", datetime.now(UTC) - timedelta(minutes=1))
    broker = builtin()
    environment = {
        "TACKFREE_DATA_FOLDER": str(tmp_path),
        "TACKFREE_MQTT_PORT": str(broker.port),
        "TACKFREE_ALERTS_APPRISE_URLS": receiver.address,
        "TACKFREE_ALERTS_DISK_FREE_MIN_GIB": "0.1",
    }
    stderr = tmp_path / "ingest.log"
    ingest = Process([sys.executable, "-m", "collector.service", "ingest"], environment, stderr)
    stop = threading.Event()
    receiver.stop()  # the phone is out of reach when it happens
    with running(broker), running(ingest):
        listener = Listener(broker.port)

        def keep_saying():
            while not stop.wait(1):
                listener.says(8_000.0)

        node = threading.Thread(target=keep_saying)
        node.start()
        try:
            (told,) = eventually(lambda: listener.lists[-1] if listener.lists and listener.lists[-1] else None, 60)
            assert (told["kind"], told["level"], told["booth"]) == ("vapour", "danger", "booth-1")
            (message,) = eventually(lambda: [m for m in records.alerts.messages(told["id"]) if m.attempts], 30)
            ingest.kill()
            receiver.start()
            ingest.start()
            eventually(lambda: receiver.taken, 120)
            time.sleep(15)  # a look and more: nothing is to come twice
        finally:
            stop.set()
            node.join()
            listener.close()
    assert len(receiver.taken) == 1
    assert receiver.taken[0]["message"].endswith(message.dedupe_id)
    assert [alert.kind for alert in open_alerts(tmp_path)] == ["vapour"]
    assert "hush-hush" not in stderr.read_text()


def open_alerts(folder):
    records = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    try:
        return records.alerts.open()
    finally:
        records.close()
