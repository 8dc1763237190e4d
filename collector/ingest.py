"""MQTT to the reading store: a message is acknowledged only after the commit that holds it.

The network thread only queues; this module's own loop gathers a batch, commits it, acknowledges its messages, and then
tells each node up to which ``seq`` nothing is missing (``docs/wire-format.md``, "When a node may forget"). While the
store takes no writes, at most a queue's worth is held; what comes beyond that is left with broker and nodes.
"""

from __future__ import annotations

import contextlib
import json
import logging
import queue
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from collector.errors import StoreBusy
from collector.readings.base import Batch, DeadLetter, ReadingStore
from collector.settings import Settings

log = logging.getLogger(__name__)

KEEPALIVE_S: Final = 30
STATE_FILE: Final = "ingest-state.json"
STATE_PERIOD_S: Final = 2.0
CLOCK_JUMP_S: Final = 30.0
QUEUE_PATIENCE_S: Final = 5.0
"""How long the network thread waits for room in the queue; well within the keep-alive."""

LONGEST_RETRY_S: Final = 5.0
KEPT_PAYLOAD_BYTES: Final = 64 * 1024

_SUBSCRIPTIONS: Final = tuple(
    (f"{wire.TOPIC_ROOT}/+/+/{kind}", 1) for kind in (wire.READINGS, wire.EVENTS, wire.STATUS)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestState:
    """How the collector fares, written to ``ingest-state.json`` for doctor and dashboard.

    Attributes
    ----------
    paused : str
        Why nothing is stored at present; empty when all is well.
    stored, refused : int
        Readings written and dead letters kept since this process started.
    queued : int
        Messages waiting for their commit.
    clock_jump_s : float
        Last jump of this machine's clock that was noticed, 0 if none. [s]
    """

    written_ms: int
    connected: bool = False
    paused: str = ""
    stored: int = 0
    refused: int = 0
    queued: int = 0
    last_commit_ms: int = 0
    clock_jump_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Message:
    mid: int
    qos: int
    topic: str
    payload: bytes
    size: int
    received_ms: int
    connection: int


class Ingest:
    """One collector: one MQTT session, one writer.

    Parameters
    ----------
    settings : Settings
        Broker, batch and queue settings.
    store : ReadingStore
        Where readings go.
    """

    def __init__(self, settings: Settings, store: ReadingStore) -> None:
        self._settings = settings
        self._store = store
        self._queue: queue.Queue[_Message] = queue.Queue(settings.ingest.queue_messages)
        self._state = IngestState(written_ms=_wall_ms())
        self._state_lock = threading.Lock()
        self._state_due = 0.0
        self._connection = 0
        self._overflowed = threading.Event()
        self._clock = _Clock()
        self._client = self._make_client()

    def state(self) -> IngestState:
        """How it fares now."""
        with self._state_lock:
            return replace(self._state, queued=self._queue.qsize(), written_ms=_wall_ms())

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Send a message of the collector's own, QoS 1."""
        self._client.publish(topic, payload, qos=1, retain=retain)

    def run(self, stop: threading.Event) -> None:
        """Store what arrives until ``stop`` is set; what is queued then is still committed."""
        mqtt_settings = self._settings.mqtt
        self._client.connect_async(mqtt_settings.host, mqtt_settings.port, KEEPALIVE_S)
        self._client.loop_start()
        try:
            while not stop.is_set():
                self._write_state(due_only=True)
                self._take_batch(stop)
            while self._take_batch(stop):
                pass
        finally:
            self._client.disconnect()
            self._client.loop_stop()
            self._update(connected=False)
            self._write_state()

    def _take_batch(self, stop: threading.Event) -> bool:
        messages = self._gather(stop)
        if not messages:
            return False
        self._store_messages(messages, stop)
        return True

    def _gather(self, stop: threading.Event) -> list[_Message]:
        """The next batch: full, or as old as allowed."""
        limits = self._settings.ingest
        messages: list[_Message] = []
        deadline = time.monotonic() + (0.5 if not stop.is_set() else 0.0)
        while len(messages) < limits.batch_messages:
            try:
                messages.append(self._queue.get(timeout=max(0.0, deadline - time.monotonic())))
            except queue.Empty:
                break
            if len(messages) == 1:
                deadline = time.monotonic() + limits.batch_ms / 1000
        return messages

    def _store_messages(self, messages: Sequence[_Message], stop: threading.Event) -> None:
        batch = self._decode(messages)
        wait_s = 0.1
        while True:
            try:
                acknowledged = self._store.write(batch)
                break
            except StoreBusy as error:
                if not self.state().paused:
                    log.error("storing is paused: %s; it goes on by itself when the store takes writes again", error)
                self._update(paused=str(error))
                self._write_state()
                if stop.wait(wait_s):
                    return  # unacknowledged: broker and nodes keep them
                wait_s = min(LONGEST_RETRY_S, wait_s * 2)
        if self.state().paused:
            log.info("storing goes on")
        count = sum(len(pack.readings) for pack in batch.packs)
        state = self.state()
        self._update(
            paused="",
            stored=state.stored + count,
            refused=state.refused + len(batch.dead_letters),
            last_commit_ms=_wall_ms(),
        )
        for message in messages:
            # A message of an earlier connection has no number in this one; the broker sends it again, to no harm.
            if message.qos and message.connection == self._connection:
                self._client.ack(message.mid, message.qos)
        for (booth, node), seq in acknowledged.items():
            self.publish(wire.topic_for(booth, node, wire.STORED), b"%d" % seq, retain=True)
        if self._overflowed.is_set() and self._queue.qsize() < self._settings.ingest.queue_messages // 2:
            self._overflowed.clear()
            self._reconnect()

    def _decode(self, messages: Sequence[_Message]) -> Batch:
        packs: list[wire.Pack] = []
        statuses: list[wire.NodeStatus] = []
        letters: list[DeadLetter] = []
        for message in messages:
            try:
                if message.topic.endswith(f"/{wire.STATUS}"):
                    if message.payload:  # an empty one only clears what was retained
                        statuses.append(wire.decode_status(message.topic, message.payload, message.received_ms))
                    continue
                pack = self._decode_pack(message)
            except wire.PackError as reason:
                letters.append(_dead_letter(message, str(reason)))
                continue
            packs.append(pack)
            letters += [_dead_letter(message, reason) for reason in pack.rejected]
        return Batch(packs=packs, statuses=statuses, dead_letters=letters)

    def _decode_pack(self, message: _Message) -> wire.Pack:
        if message.size > wire.MAX_PAYLOAD_BYTES:
            raise wire.PackError(f"payload: {message.size} bytes; at most {wire.MAX_PAYLOAD_BYTES} are read")
        latest_ms = max(message.received_ms, self._clock.steady_ms()) + wire.FUTURE_TOLERANCE_MS
        return wire.decode_pack(message.topic, message.payload, message.received_ms, latest_ms=latest_ms)

    def _make_client(self) -> mqtt.Client:
        settings = self._settings.mqtt
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=False,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
        )
        if settings.username:
            client.username_pw_set(settings.username, settings.password)
        if settings.ca_file:
            client.tls_set(settings.ca_file)
        client.reconnect_delay_set(1, 15)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.error("the broker refuses the collector: %s; check [mqtt] username and password", reason)
            return
        log.info("connected to the broker at %s:%d", self._settings.mqtt.host, self._settings.mqtt.port)
        client.subscribe(list(_SUBSCRIPTIONS))
        self._update(connected=True)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._connection += 1
        self._update(connected=False)
        log.warning("disconnected from the broker: %s", reason)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        # Runs on the network thread, which an exception would end: it only queues.
        kept = bytes(message.payload[: wire.MAX_PAYLOAD_BYTES])
        queued = _Message(
            message.mid, message.qos, message.topic, kept, len(message.payload), _wall_ms(), self._connection
        )
        try:
            self._queue.put(queued, timeout=0 if self._overflowed.is_set() else QUEUE_PATIENCE_S)
        except queue.Full:
            if not self._overflowed.is_set():
                log.error("the queue is full; messages stay with broker and nodes until the store takes writes again")
            self._overflowed.set()

    def _reconnect(self) -> None:
        """A new connection makes the broker send again what was left unacknowledged."""
        log.info("reconnecting, to be sent again what was left with the broker")
        with contextlib.suppress(OSError):
            self._client.reconnect()

    def _update(self, **changes: Any) -> None:
        with self._state_lock:
            self._state = replace(self._state, **changes)

    def _write_state(self, *, due_only: bool = False) -> None:
        if due_only and time.monotonic() < self._state_due:
            return
        self._state_due = time.monotonic() + STATE_PERIOD_S
        if (jump_s := self._clock.jump_s()) != 0:
            log.warning("this machine's clock has jumped by %+.0f s", jump_s)
            self._update(clock_jump_s=jump_s)
        file = self._settings.data.path / STATE_FILE
        with contextlib.suppress(OSError):  # a full disk is told by the store; this file is only a sign of life
            _replace_file(file, json.dumps(asdict(self.state())))


class _Clock:
    """Wall time that a step backwards does not shorten, so that a wrong step refuses no true reading."""

    def __init__(self) -> None:
        self._started_ms = _wall_ms()
        self._started = time.monotonic()
        self._offset_s = 0.0

    def steady_ms(self) -> int:
        """What the wall clock at start has grown to since."""
        return self._started_ms + round((time.monotonic() - self._started) * 1000)

    def jump_s(self) -> float:
        """How far the wall clock has jumped since the last call; 0 below half a minute. [s]"""
        offset_s = (_wall_ms() - self.steady_ms()) / 1000
        jump_s = offset_s - self._offset_s
        if abs(jump_s) < CLOCK_JUMP_S:
            return 0.0
        self._offset_s = offset_s
        return jump_s


def _dead_letter(message: _Message, reason: str) -> DeadLetter:
    return DeadLetter(
        received_ms=message.received_ms,
        topic=message.topic,
        reason=reason,
        payload=message.payload[:KEPT_PAYLOAD_BYTES],
        size=message.size,
    )


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


def _replace_file(file: Path, text: str) -> None:
    temporary = file.with_suffix(".tmp")
    temporary.write_text(text, encoding="utf-8")
    temporary.replace(file)
