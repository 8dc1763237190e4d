"""Simulated nodes: they publish over real MQTT and, as the firmware does, keep every pack until it is stored.

A broker's acknowledgement says nothing about the store behind it, so a node deletes a pack only when the
collector's retained ``stored`` message covers the pack's number, and sends again what stays uncovered.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire

RESEND_AFTER_S: Final = 5.0
"""Packs the collector has not covered after this long are sent again."""

RESEND_AT_MOST_EVERY_S: Final = 60.0
"""The wait doubles up to this while the collector is silent, or a broker's queue would fill with repeats."""

RESEND_PACKS: Final = 500
"""The lowest numbers hold up all others, so a repeat starts with these few instead of everything."""

IN_FLIGHT: Final = 64
"""Packs on their way to the broker at once. The firmware has 8; this many carries 1,500 packs a second."""

RETAINED_GRACE_S: Final = 1.0
"""How long the broker has, after the subscription, to hand over a retained ``stored`` if it holds one."""

STATUS_EVERY_S: Final = 60.0


@dataclass(slots=True)
class _Held:
    values: Mapping[str, float]
    remarks: Mapping[str, str] | None
    time_ms: int | None
    sent_at: float | None = None


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
    ) -> None:
        self.booth, self.node = booth, node
        self._host, self._port = host, port
        self._readings_topic = wire.topic_for(booth, node, wire.READINGS)
        self._status_topic = wire.topic_for(booth, node, wire.STATUS)
        self._stored_topic = wire.topic_for(booth, node, wire.STORED)
        self._spool_packs = spool_packs
        self._resend_after_s = resend_after_s

        self._changed = threading.Condition()
        self._held: OrderedDict[int, _Held] = OrderedDict()
        self._live: deque[int] = deque()
        self._again: deque[int] = deque()
        self._in_flight: dict[int, int | None] = {}
        self._early_pubacks: set[int] = set()
        self._next = 1
        self._acknowledged = 0
        self._dropped = self._repeats = 0
        self._number_known = False
        self._grace_ends: float | None = None  # None until the first subscription stands
        self._progress_at = time.monotonic()
        self._wait_s = resend_after_s
        self._round_end: int | None = None
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
                f"<SimulatedNode {self.booth}/{self.node} held={len(self._held)} stored={self._acknowledged}"
                f"{'' if self._connected else ' not connected'}>"
            )

    @property
    def held(self) -> int:
        """Packs not yet covered by the collector."""
        with self._changed:
            return len(self._held)

    @property
    def acknowledged(self) -> int:
        """Highest number the collector said is stored with all before it; 0 before it said anything."""
        with self._changed:
            return self._acknowledged

    @property
    def dropped(self) -> int:
        """Packs lost for good because the spool was full."""
        with self._changed:
            return self._dropped

    @property
    def repeats(self) -> int:
        """Packs sent more than once."""
        with self._changed:
            return self._repeats

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
            self._progress_at = time.monotonic()
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
            seq = self._next
            self._next += 1
            self._held[seq] = _Held(dict(values), dict(remarks) if remarks else None, time_ms)
            if len(self._held) == 1:
                self._progress_at = time.monotonic()  # only now is there an answer to wait for
            if self._connected:
                self._live.append(seq)  # what is offered meanwhile is backlog, planned when the broker is back
            while len(self._held) > self._spool_packs:
                self._held.popitem(last=False)
                self._dropped += 1
            while len(self._live) > self._spool_packs:
                self._live.popleft()
            self._changed.notify_all()
            return seq

    def wait_until_stored(self, timeout_s: float) -> bool:
        """Wait until the collector has covered all that was offered; False if not within ``timeout_s``."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._held, timeout_s)

    # From here on: the sender's thread.

    def _send_loop(self) -> None:
        while True:
            with self._changed:
                while self._running and not self._something_to_send():
                    self._changed.wait(0.25)
                if not self._running:
                    return
                message = self._next_message()
            if message is None:
                continue
            seq, topic, payload = message
            # Outside the lock: paho takes its own, and calls back into ours.
            sent = self._client.publish(topic, payload, qos=1, retain=topic == self._status_topic)
            with self._changed:
                if sent.mid in self._early_pubacks:
                    self._early_pubacks.remove(sent.mid)
                else:
                    self._in_flight[sent.mid] = seq

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
        self._plan_repeats(now)
        return bool(self._live or self._again)

    def _next_message(self) -> tuple[int | None, str, bytes] | None:
        now = time.monotonic()
        if not self._said_online or now - self._status_at > STATUS_EVERY_S:
            self._said_online, self._status_at = True, now
            status = {
                "state": "online",
                "firmware": "simulated",
                "uptime_s": round(now - self._began),
                "spool": len(self._held),
                "clock": "set",
            }
            return None, self._status_topic, _json(status)
        # Live samples first: a person waits for those. The backlog fills the rest of the line.
        for queue in (self._live, self._again):
            while queue:
                seq = queue.popleft()
                held = self._held.get(seq)
                if held is None:
                    continue
                if held.sent_at is not None:
                    self._repeats += 1
                held.sent_at = now
                payload = wire.encode_pack(
                    self.node,
                    held.time_ms,
                    held.values,
                    seq=seq,
                    oldest_seq=next(iter(self._held)),
                    remarks=held.remarks,
                )
                return seq, self._readings_topic, payload
        return None

    def _plan_repeats(self, now: float) -> None:
        if not self._held or self._again:
            return
        stalled = now - self._progress_at >= self._wait_s
        # After a whole repeated round was covered, what follows it was lost together with it: no second wait.
        following = self._round_end is not None and self._acknowledged >= self._round_end
        if not stalled and not following:
            return
        due: list[int] = []
        flying = set(self._in_flight.values())
        for seq, held in self._held.items():
            if len(due) == RESEND_PACKS or held.sent_at is None:
                break
            if now - held.sent_at >= self._resend_after_s and seq not in flying:
                due.append(seq)
            elif following:
                break
        self._again.extend(due)
        self._round_end = due[-1] if due else None
        if stalled:
            self._progress_at = now
            self._wait_s = min(2 * self._wait_s, RESEND_AT_MOST_EVERY_S)

    # From here on: called by paho's network thread.

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            with self._changed:
                self._failure = f"the broker refused node {self.node}: {reason}"
            return
        client.subscribe(self._stored_topic, qos=1)
        with self._changed:
            self._connected, self._failure = True, None
            self._said_online = False
            # The broker may have lost what it acknowledged, so all that is held goes out again; paho repeats
            # by itself what is still in flight.
            flying = set(self._in_flight.values())
            self._again = deque(seq for seq in self._held if seq not in flying)
            self._progress_at, self._wait_s, self._round_end = time.monotonic(), self._resend_after_s, None
            self._changed.notify_all()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, _reason: Any, _props: Any) -> None:
        with self._changed:
            self._connected = False
            self._live.clear()  # no longer live by the time the broker is back
            self._changed.notify_all()

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, _reasons: Any, _props: Any) -> None:
        with self._changed:
            if self._grace_ends is None:
                self._grace_ends = time.monotonic() + RETAINED_GRACE_S

    def _on_publish(self, _client: Any, _data: Any, mid: int, _reason: Any, _props: Any) -> None:
        with self._changed:
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
            if not self._number_known or stored >= self._next:
                self._number_from(stored)
            self._cover(stored)
            self._changed.notify_all()

    def _number_from(self, stored: int) -> None:
        """Continue after ``stored``, which an earlier life of this node reached; numbers never come twice.

        Also what is held moves up, since the collector would take its numbers for packs it has.
        """
        self._number_known = True
        if stored < next(iter(self._held), self._next):
            return
        moved = list(self._held.values())
        self._held = OrderedDict(enumerate(moved, stored + 1))
        self._next = stored + 1 + len(moved)
        self._live.clear()
        self._again = deque(self._held)

    def _cover(self, stored: int) -> None:
        self._wait_s = self._resend_after_s  # the collector lives, so a repeat will not fall on deaf ears
        if stored <= self._acknowledged:
            return
        self._acknowledged = stored
        self._progress_at = time.monotonic()
        while self._held and next(iter(self._held)) <= stored:
            self._held.popitem(last=False)


def _json(fields: Mapping[str, Any]) -> bytes:
    return json.dumps(fields, separators=(",", ":")).encode()
