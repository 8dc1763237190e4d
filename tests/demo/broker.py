"""A real broker on a free port, and a listener, for the tests of the simulated nodes."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire


class Broker:
    """A real mosquitto on a free port, which can be killed and started again on the same port."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\npersistence false\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._process = subprocess.Popen(
            [program, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        eventually(self._answers)

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Let it hold its connections and do nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


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


def eventually(condition: Callable[[], object], within_s: float = 20.0) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.02)
