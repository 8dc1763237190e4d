"""A listener at a real broker, for the tests of the simulated nodes."""

from __future__ import annotations

import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire


class Listener:
    """Keeps every pack and status it hears."""

    def __init__(self, port: int) -> None:
        self.packs: list[wire.Pack] = []
        self.states: list[wire.NodeStatus] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        self._client.on_connect = lambda client, *_: client.subscribe(
            [("tackfree/+/+/readings", 1), ("tackfree/+/+/status", 1)]
        )
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _take(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        now_ms = round(time.time() * 1000)
        if message.topic.endswith("/status"):
            self.states.append(wire.decode_status(message.topic, message.payload, now_ms))
        else:
            self.packs.append(wire.decode_pack(message.topic, message.payload, now_ms))
