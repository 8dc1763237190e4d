"""Simulated nodes: they publish over real MQTT and, as the firmware does, keep every pack until it is stored.

A broker's acknowledgement says nothing about the store behind it, so a node deletes a pack only when the
collector's retained ``stored`` message covers the pack's number, and sends again what stays uncovered.
"""

from __future__ import annotations

import contextlib
import json
import math
import socket
import threading
import time
from collections.abc import Mapping
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from collector.demo.outbox import Held, Outbox

RESEND_AFTER_S: Final = 5.0
"""Packs the collector has not covered after this long are sent again."""

IN_FLIGHT: Final = 64
"""Packs on their way to the broker at once. The firmware has 8; this many carries 1,500 packs a second."""

PUBACK_TIMEOUT_S: Final = 10.0
"""A broker silent for this long with packs on their way is left and met again on a new connection."""

RETAINED_GRACE_S: Final = 1.0
"""How long the broker has, after the subscription, to hand over a retained ``stored`` if it holds one."""

STATUS_EVERY_S: Final = 60.0


class SimulatedNode:
    """One node: give it samples with :meth:`offer`; it brings them to the store however often it has to try.

    All methods and properties may be used from any thread.

    Parameters
    ----------
    host, port : str, int
        The broker.
    booth, node : str
        Names in the topics.
    username, password : str, optional
        Credentials at the broker.
    spool_packs : int
        Packs held at most; beyond it the oldest is dropped and counted, and ``oldest_seq`` tells the
        collector.
    resend_after_s : float
        First wait before an uncovered pack is sent again. [s]
    puback_timeout_s : float
        Longest wait for a broker that should acknowledge. [s]
    """

    def __init__(
        self,
        host: str,
        port: int,
        booth: str,
        node: str,
        username: str | None = None,
        password: str | None = None,
        *,
        spool_packs: int = 100_000,
        resend_after_s: float = RESEND_AFTER_S,
        puback_timeout_s: float = PUBACK_TIMEOUT_S,
    ) -> None:
        self.booth, self.node = booth, node
        self._host, self._port = host, port
        self._readings_topic = wire.topic_for(booth, node, wire.READINGS)
        self._status_topic = wire.topic_for(booth, node, wire.STATUS)
        self._stored_topic = wire.topic_for(booth, node, wire.STORED)
        self._puback_timeout_s = puback_timeout_s

        self._changed = threading.Condition()
        self._outbox = Outbox(spool_packs, resend_after_s)
        self._in_flight: dict[int, int | None] = {}
        self._early_pubacks: set[int] = set()
        self._puback_at = 0.0
        self._number_known = False
        self._grace_ends: float | None = None  # None until the first subscription stands
        self._connected = self._running = self._said_online = False
        self._status_at = 0.0
        self._began = time.monotonic()
        self._sender: threading.Thread | None = None
        self._failure: str | None = None

        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"{booth}-{node}")
        if username:
            self._client.username_pw_set(username, password or None)
        self._client.will_set(self._status_topic, _json({"state": "offline"}), qos=1, retain=True)
        self._client.max_inflight_messages_set(IN_FLIGHT + 2)
        self._client.reconnect_delay_set(min_delay=1, max_delay=8)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message

    def __repr__(self) -> str:
        with self._changed:
            return (
                f"<SimulatedNode {self.booth}/{self.node} held={len(self._outbox)} stored={self._outbox.stored}"
                f"{'' if self._connected else ' not connected'}>"
            )

    @property
    def held(self) -> int:
        """Packs not yet covered by the collector."""
        with self._changed:
            return len(self._outbox)

    @property
    def acknowledged(self) -> int:
        """Highest number the collector said is stored with all before it; 0 before it said anything."""
        with self._changed:
            return self._outbox.stored

    @property
    def dropped(self) -> int:
        """Packs lost for good because the spool was full."""
        with self._changed:
            return self._outbox.dropped

    @property
    def repeats(self) -> int:
        """Packs sent more than once."""
        with self._changed:
            return self._outbox.repeats

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted the node and the connection stands."""
        with self._changed:
            return self._connected

    @property
    def failure(self) -> str | None:
        """Why the broker refused the last connection, if it did."""
        with self._changed:
            return self._failure

    def start(self, wait_s: float = 5.0) -> bool:
        """Connect and begin to send; a broker that is away is tried again for ever.

        The numbers go on where the collector's retained ``stored`` message says an earlier life of this node
        ended. Packs offered before that is known are numbered anew, so wait for it where the number matters.

        Returns
        -------
        bool
            Whether the numbering was settled within ``wait_s``.
        """
        with self._changed:
            if self._running:
                raise RuntimeError(f"node {self.booth}/{self.node} is running already")
            self._running = True
        self._client.connect_async(self._host, self._port, keepalive=10)
        self._client.loop_start()
        self._sender = threading.Thread(target=self._send_loop, name=f"node-{self.node}", daemon=True)
        self._sender.start()
        with self._changed:
            return self._changed.wait_for(lambda: self._number_known, wait_s)

    def stop(self) -> None:
        """Say goodbye and disconnect. What is held stays held, and goes out after the next :meth:`start`."""
        with self._changed:
            if not self._running:
                return
            self._running = False
            goodbye = self._connected
            self._changed.notify_all()
        if self._sender is not None:
            self._sender.join()
            self._sender = None
        if goodbye:
            bye = self._client.publish(self._status_topic, _json({"state": "offline"}), 1, retain=True)
            with self._changed:
                self._changed.wait_for(lambda: bye.mid in self._early_pubacks or not self._connected, 2.0)
        self._client.disconnect()
        self._client.loop_stop()
        with self._changed:
            self._connected = self._said_online = False
            self._early_pubacks.clear()

    def offer(self, values: Mapping[str, float], time_ms: int | None, remarks: Mapping[str, str] | None = None) -> int:
        """Hand over one sample; it is held until stored, also while not started or not connected.

        Parameters
        ----------
        values : mapping
            Quantity name to value, each in the unit of :data:`collector.wire.QUANTITIES`.
        time_ms : int or None
            Time of the sample since 1970, UTC [ms]; None as from a node whose clock is not set.
        remarks : mapping, optional
            Quantity name to a word, such as a sensor fault.

        Returns
        -------
        int
            The pack's number.

        Raises
        ------
        ValueError
            If it holds nothing, or a value that is not finite.
        """
        if not values and not remarks:
            raise ValueError("values and remarks are both empty; expected at least one quantity")
        for quantity, value in values.items():
            if not math.isfinite(value):
                raise ValueError(f"{quantity}: value {value}; expected a finite number")
        with self._changed:
            sample = Held(dict(values), dict(remarks) if remarks else None, time_ms)
            seq = self._outbox.add(sample, time.monotonic(), live=self._connected)
            self._changed.notify_all()
            return seq

    def wait_until_stored(self, timeout_s: float) -> bool:
        """Wait until the collector has covered all that was offered; False if not within ``timeout_s``."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self._outbox) == 0, timeout_s)

    # From here on: the sender's thread.

    def _send_loop(self) -> None:
        while True:
            with self._changed:
                while self._running and not self._something_to_send() and not self._broker_is_mute():
                    self._changed.wait(0.25)
                if not self._running:
                    return
                mute = self._broker_is_mute()
                message = None if mute else self._next_message()
            if mute:
                self._hang_up()
            if message is None:
                continue
            seq, topic, payload = message
            # Outside the lock: paho takes its own, and calls back into ours.
            sent = self._client.publish(topic, payload, qos=1, retain=topic == self._status_topic)
            with self._changed:
                if not self._in_flight:
                    self._puback_at = time.monotonic()
                if sent.mid in self._early_pubacks:
                    self._early_pubacks.remove(sent.mid)
                else:
                    self._in_flight[sent.mid] = seq

    def _broker_is_mute(self) -> bool:
        waiting = self._connected and bool(self._in_flight)
        return waiting and time.monotonic() - self._puback_at > self._puback_timeout_s

    def _hang_up(self) -> None:
        """End the connection from this side; paho then makes a new one and repeats what is in flight."""
        with self._changed:
            self._connected = False
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def _something_to_send(self) -> bool:
        if not self._connected or len(self._in_flight) >= IN_FLIGHT:
            return False
        now = time.monotonic()
        if not self._number_known:
            if self._grace_ends is None or now < self._grace_ends:
                return False
            self._number_known = True
            self._changed.notify_all()
        if not self._said_online or now - self._status_at > STATUS_EVERY_S:
            return True
        self._outbox.plan_repeats(self._in_flight.values(), now)
        return self._outbox.waits

    def _next_message(self) -> tuple[int | None, str, bytes] | None:
        now = time.monotonic()
        if not self._said_online or now - self._status_at > STATUS_EVERY_S:
            self._said_online, self._status_at = True, now
            status = {
                "state": "online",
                "firmware": "simulated",
                "uptime_s": round(now - self._began),
                "spool": len(self._outbox),
                "clock": "set",
            }
            return None, self._status_topic, _json(status)
        taken = self._outbox.take(now)
        if taken is None:
            return None
        seq, held = taken
        payload = wire.encode_pack(
            self.node, held.time_ms, held.values, seq=seq, oldest_seq=self._outbox.oldest, remarks=held.remarks
        )
        return seq, self._readings_topic, payload

    # From here on: called by paho's network thread.

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            with self._changed:
                self._failure = f"the broker refused node {self.node}: {reason}"
            return
        client.subscribe(self._stored_topic, qos=1)
        with self._changed:
            self._connected, self._failure = True, None
            self._puback_at = time.monotonic()
            self._said_online = False
            self._outbox.reconnected(set(self._in_flight.values()), time.monotonic())
            self._changed.notify_all()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, _reason: Any, _props: Any) -> None:
        with self._changed:
            self._connected = False
            self._outbox.disconnected()
            self._changed.notify_all()

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, _reasons: Any, _props: Any) -> None:
        with self._changed:
            if self._grace_ends is None:
                self._grace_ends = time.monotonic() + RETAINED_GRACE_S

    def _on_publish(self, _client: Any, _data: Any, mid: int, _reason: Any, _props: Any) -> None:
        with self._changed:
            self._puback_at = time.monotonic()
            if mid in self._in_flight:
                del self._in_flight[mid]
            else:
                # The answer can overtake publish()'s own return.
                self._early_pubacks.add(mid)
            self._changed.notify_all()

    def _on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        text = message.payload[:20]
        if message.topic != self._stored_topic or not text.isdigit():
            return
        stored = int(text)
        with self._changed:
            if not self._number_known or stored >= self._outbox.next:
                self._number_known = True
                self._outbox.continue_after(stored)
            self._outbox.cover(stored, time.monotonic())
            self._changed.notify_all()


def _json(fields: Mapping[str, Any]) -> bytes:
    return json.dumps(fields, separators=(",", ":")).encode()
