"""MQTT to reading store: a message is acknowledged only after the commit that holds it.

Two acknowledgements follow each commit. The broker's (PUBACK) lets it forget the message; the node's, the
retained number on ``tackfree/<booth>/<node>/stored``, lets the node delete its record. Only the second is a
promise, as a broker can lose what it has.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from collector.errors import ServiceError, StoreError
from collector.inbox import Clock, Inbox, Message
from collector.readings.base import Batch, DeadLetter, ReadingStore
from collector.settings import Settings

log = logging.getLogger(__name__)

STATE_FILE: Final = "ingest-state.json"
KEPT_PAYLOAD_BYTES: Final = 64 * 1024
INBOX_BYTES: Final = 64 * 1024 * 1024
COMMON_WINDOW: Final = 20
"""A broker's usual number of unacknowledged messages; a batch of that size may be all there is to wait for."""

TICK_S: Final = 5.0
STATE_PERIOD_S: Final = 2.0
START_GRACE_S: Final = 10.0
"""Broker and collector start together; that the one is a moment later than the other is not worth a word."""

CLOCK_JUMP_S: Final = 30.0
RETRY_FIRST_S, RETRY_MOST_S = 0.5, 10.0
LETTER_LOG_PERIOD_S: Final = 60.0
KEEPALIVE_S: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestState:
    """How ingest fares; ``ingest-state.json`` in the data folder holds the same.

    ``paused`` and ``trouble`` are sentences for a person, or None. ``stored`` counts readings committed since
    the start, repeats included; ``dead_letters`` all that the store holds; ``queued`` messages in memory.
    """

    written_ms: int
    connected: bool
    trouble: str | None
    paused: str | None
    stored: int
    dead_letters: int
    queued: int
    last_commit_ms: int | None


class Ingest:
    """Takes every message of every booth into the reading store.

    Parameters
    ----------
    settings : Settings
        Broker, batch sizes, data folder.
    store : ReadingStore
        Written by this object's :meth:`run` alone.
    on_tick : callable, optional
        Called about every 5 s while running, from the thread of :meth:`run`.
    wall_clock : callable
        Seconds since 1970, UTC.

    Raises
    ------
    ServiceError
        If ``[mqtt] ca_file`` cannot be used.
    """

    def __init__(
        self,
        settings: Settings,
        store: ReadingStore,
        *,
        on_tick: Callable[[], None] | None = None,
        wall_clock: Callable[[], float] = time.time,
    ) -> None:
        self._settings = settings
        self._store = store
        self._on_tick = on_tick
        self._clock = Clock(wall_clock)
        self._inbox = Inbox(settings.ingest.queue_messages, INBOX_BYTES)
        self._state_path = settings.data.path / STATE_FILE
        self._began = time.monotonic()
        self._connected = False
        self._connection = 0
        self._announce = False
        self._trouble: str | None = None
        self._trouble_said: str | None = None
        self._paused: str | None = None
        self._stored = self._dead_letters = self._unsaid_letters = 0
        self._letters_said_at = -LETTER_LOG_PERIOD_S
        self._last_commit_ms: int | None = None
        self._tick_at = self._state_at = time.monotonic()
        self._state_trouble = False
        self._last_said: dict[str, str | bytes] = {}
        self._statuses: dict[tuple[str, str], Mapping[str, Any]] = {}
        self._client = self._new_client()

    def run(self, stop_event: threading.Event) -> None:
        """Store what arrives until the event is set; a broker or a disk that is away is tried for ever."""
        self._recall()
        self._connect()
        self._write_state()
        try:
            while not stop_event.is_set():
                self._keep_house()
                messages = self._gather(stop_event)
                if messages:
                    self._store_all(messages, stop_event)
                if self._inbox.refusing and not len(self._inbox):
                    self._fetch_again()
            rest = self._inbox.take(self._settings.ingest.queue_messages, 0)
            if rest:
                self._store_all(rest, stop_event)
        finally:
            self._disconnect()
            self._write_state()

    def state(self) -> IngestState:
        """How it fares now."""
        return IngestState(
            written_ms=self._clock.now_ms(),
            connected=self._connected,
            trouble=self._trouble,
            paused=self._paused,
            stored=self._stored,
            dead_letters=self._dead_letters,
            queued=len(self._inbox),
            last_commit_ms=self._last_commit_ms,
        )

    def publish(self, topic: str, payload: str | bytes, retain: bool = False) -> bool:
        """Send a message at QoS 1; may be called from any thread.

        Returns
        -------
        bool
            False when there is no connection. Then a retained message is sent after the next connection, if no
            newer one on its topic has come by then; another is not sent at all.
        """
        if retain:
            self._last_said[topic] = payload
        return self._send(topic, payload, retain)

    def _send(self, topic: str, payload: str | bytes, retain: bool) -> bool:
        if not self._connected:
            return False
        return self._client.publish(topic, payload, qos=1, retain=retain).rc == mqtt.MQTT_ERR_SUCCESS

    # The connection.

    def _new_client(self) -> mqtt.Client:
        options = self._settings.mqtt
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=options.client_id,
            clean_session=False,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
        )
        if options.username:
            client.username_pw_set(options.username, options.password or None)
        if options.ca_file:
            try:
                client.tls_set(ca_certs=options.ca_file)
            except (OSError, ValueError) as error:
                raise ServiceError(
                    f"[mqtt] ca_file {options.ca_file}: {error}; expected a file of PEM certificates"
                ) from error
        client.reconnect_delay_set(min_delay=1, max_delay=10)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _connect(self) -> None:
        self._client.connect_async(self._settings.mqtt.host, self._settings.mqtt.port, KEEPALIVE_S)
        self._client.loop_start()

    def _disconnect(self) -> None:
        self._inbox.refuse()
        self._client.disconnect()
        self._client.loop_stop()
        self._connected = False

    def _fetch_again(self) -> None:
        """Connect anew, so that the broker sends again what found no room."""
        self._disconnect()
        self._inbox.accept()
        self._client = self._new_client()  # a stopped one would leave its wake-up sockets open if started again
        self._connect()

    # From here to the writer: called by the network thread, which an exception would end.

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            self._say(f"the broker refuses the collector: {reason}")
            return
        self._connection += 1
        client.subscribe([(f"{wire.TOPIC_ROOT}/+/+/{kind}", 1) for kind in (wire.READINGS, wire.EVENTS, wire.STATUS)])
        self._connected, self._trouble, self._trouble_said, self._announce = True, None, None, True
        log.info("connected to the broker at %s:%d", self._settings.mqtt.host, self._settings.mqtt.port)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        was_connected, self._connected = self._connected, False
        if was_connected and reason.is_failure:
            self._say(f"the broker is gone ({reason})")

    def _on_connect_fail(self, _client: Any, _data: Any) -> None:
        starting = self._connection == 0 and time.monotonic() - self._began < START_GRACE_S
        self._say(f"no broker answers at {self._settings.mqtt.host}:{self._settings.mqtt.port}", quietly=starting)

    def _say(self, trouble: str, *, quietly: bool = False) -> None:
        self._trouble = trouble
        if trouble != self._trouble_said and not quietly:
            log.warning("%s; trying again for as long as it takes", trouble)
            self._trouble_said = trouble

    def _on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        size = len(message.payload)
        kept = message.payload if size <= wire.MAX_PAYLOAD_BYTES else message.payload[:KEPT_PAYLOAD_BYTES]
        self._inbox.put(
            Message(
                topic=topic,
                payload=bytes(kept),
                size=size,
                received_ms=self._clock.now_ms(),
                retained=message.retain,
                mid=message.mid if message.qos else 0,
                connection=self._connection,
            )
        )

    # The writer: the thread of run().

    def _gather(self, stop_event: threading.Event) -> list[Message]:
        limits = self._settings.ingest
        gathered = self._inbox.take(limits.batch_messages, 0.25)
        until = time.monotonic() + limits.batch_ms / 1000
        while 0 < len(gathered) < limits.batch_messages and not stop_event.is_set():
            left_s = until - time.monotonic()
            if left_s <= 0:
                break
            full_window = len(gathered) >= COMMON_WINDOW
            more = self._inbox.take(limits.batch_messages - len(gathered), min(left_s, 0.02) if full_window else left_s)
            if full_window and not more:
                break
            gathered += more
        return gathered

    def _store_all(self, messages: Sequence[Message], stop_event: threading.Event) -> None:
        batch = self._read(messages)
        try:
            acknowledged = self._write(batch, stop_event)
        except Exception as error:  # some message is one that no store takes; it must not block the others
            if len(messages) > 1:
                for message in messages:
                    self._store_all([message], stop_event)
                return
            log.exception("a message on %s cannot be stored", messages[0].topic)
            batch = Batch(dead_letters=[_letter(messages[0], f"cannot be stored: {type(error).__name__}: {error}")])
            acknowledged = self._write(batch, stop_event)
        if acknowledged is None:
            return
        self._count(batch)
        for message in messages:
            if message.mid and message.connection == self._connection:
                self._client.ack(message.mid, 1)
        for (booth, node), seq in acknowledged.items():
            self._publish_stored(booth, node, seq)

    def _write(self, batch: Batch, stop_event: threading.Event) -> Mapping[tuple[str, str], int] | None:
        """Commit a batch however long the disk takes; None when stopped before.

        Then nothing is lost either: neither the broker nor a node was told that it is stored.
        """
        wait_s = RETRY_FIRST_S
        while True:
            try:
                acknowledged = self._store.write(batch)
            except StoreError as error:
                self._pause(str(error))
            else:
                self._resume()
                return acknowledged
            if self._inbox.full and not self._inbox.refusing:
                self._disconnect()
            self._keep_house()
            if stop_event.wait(wait_s):
                return None
            wait_s = min(2 * wait_s, RETRY_MOST_S)

    def _read(self, messages: Sequence[Message]) -> Batch:
        packs: list[wire.Pack] = []
        statuses: list[wire.NodeStatus] = []
        letters: list[DeadLetter] = []
        latest_ms = self._clock.latest_ms()
        for message in messages:
            try:
                if message.size > len(message.payload):
                    raise wire.PackError(f"payload: {message.size} bytes; at most {wire.MAX_PAYLOAD_BYTES} are read")
                if message.topic.endswith(f"/{wire.STATUS}"):
                    if not message.size:  # this only clears what the broker retained of a node
                        continue
                    status = wire.decode_status(message.topic, message.payload, message.received_ms)
                    if self._is_news(status, message.retained):
                        statuses.append(status)
                    continue
                pack = wire.decode_pack(message.topic, message.payload, message.received_ms, latest_ms=latest_ms)
                packs.append(pack)
                if pack.rejected:
                    letters.append(_letter(message, "; ".join(pack.rejected)))
            except wire.PackError as reason:
                letters.append(_letter(message, str(reason)))
            except Exception as error:  # a fault of the reader must not stop the rest
                log.exception("a message on %s cannot be read", message.topic)
                letters.append(_letter(message, f"cannot be read: {type(error).__name__}: {error}"))
        return Batch(packs=packs, statuses=statuses, dead_letters=letters)

    def _is_news(self, status: wire.NodeStatus, retained: bool) -> bool:
        """A retained status comes again at each connection; it was said when it was first heard, not now."""
        key = (status.booth, status.node)
        if retained and self._statuses.get(key) == status.details:
            return False
        self._statuses[key] = status.details
        return True

    def _count(self, batch: Batch) -> None:
        self._last_commit_ms = self._clock.now_ms()
        self._stored += sum(len(pack.readings) for pack in batch.packs)
        self._dead_letters += len(batch.dead_letters)
        self._unsaid_letters += len(batch.dead_letters)
        now = time.monotonic()
        if self._unsaid_letters and now - self._letters_said_at >= LETTER_LOG_PERIOD_S:
            reason = batch.dead_letters[-1].reason if batch.dead_letters else "see the dead letters"
            log.warning("%d messages refused, the last because: %s", self._unsaid_letters, reason[:300])
            self._letters_said_at, self._unsaid_letters = now, 0

    def _pause(self, reason: str) -> None:
        if self._paused is None:
            log.error("paused: %s; nodes keep their readings meanwhile", reason)
        self._paused = reason

    def _resume(self) -> None:
        if self._paused is not None:
            log.info("the store takes writes again")
        self._paused = None

    def _keep_house(self) -> None:
        now = time.monotonic()
        jump_s = self._clock.jump_s()
        if abs(jump_s) > CLOCK_JUMP_S:
            log.warning("this machine's clock jumped by %+.0f s", jump_s)
        if self._announce and self._connected and self._paused is None:
            self._announce = False
            self._say_again()
        if self._on_tick is not None and now - self._tick_at >= TICK_S:
            self._tick_at = now
            try:
                self._on_tick()
            except Exception:
                log.exception("a regular task failed")
        if now - self._state_at >= STATE_PERIOD_S:
            self._write_state()

    def _say_again(self) -> None:
        """A broker that was restarted may have forgotten the nodes' numbers and whatever else it retained."""
        for topic, payload in list(self._last_said.items()):
            self._send(topic, payload, True)
        try:
            known = self._store.nodes()
        except StoreError as error:
            log.warning("the nodes' numbers cannot be read: %s", error)
            return
        for node in known:
            if node.stored_seq is not None:
                self._publish_stored(node.booth, node.node, node.stored_seq)

    def _publish_stored(self, booth: str, node: str, seq: int) -> None:
        self._send(wire.topic_for(booth, node, wire.STORED), str(seq), True)

    def _recall(self) -> None:
        """What an earlier run left in the store."""
        try:
            nodes = self._store.nodes()
            self._dead_letters = self._store.dead_letter_count()
        except StoreError as error:
            self._pause(str(error))
            return
        self._statuses = {(node.booth, node.node): node.status for node in nodes if node.status is not None}
        self._clock.believe(max((node.last_reading_ms or 0 for node in nodes), default=0))

    def _write_state(self) -> None:
        self._state_at = time.monotonic()
        text = json.dumps(asdict(self.state()))
        try:
            _replace(self._state_path, text)
        except OSError as error:
            if not self._state_trouble:
                log.warning("%s cannot be written: %s", self._state_path, error)
            self._state_trouble = True
        else:
            self._state_trouble = False


def _letter(message: Message, reason: str) -> DeadLetter:
    return DeadLetter(
        received_ms=message.received_ms,
        topic=message.topic,
        reason=reason[:2_000].encode("utf-8", "replace").decode("utf-8"),
        payload=message.payload[:KEPT_PAYLOAD_BYTES],
        size=message.size,
    )


def _replace(path: Path, text: str) -> None:
    """Write a small file so that a reader sees the old or the new one whole, and on a full disk write over it."""
    fresh = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(text, encoding="utf-8")
        fresh.replace(path)
    except OSError:
        fresh.unlink(missing_ok=True)
        # The blocks the file has are still its own; trailing blanks are nothing to a JSON reader.
        with path.open("r+", encoding="utf-8") as file:
            file.write(text.ljust(path.stat().st_size))
