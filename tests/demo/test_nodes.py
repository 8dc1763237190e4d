"""Promises of the simulated nodes, held against a real broker and a stand-in for the collector's answers."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector import wire
from collector.demo.nodes import SimulatedNode
from tests.brokers import Broker, eventually

BOOTH, NODE = "booth-1", "air-1"
NOW_MS = 1_790_000_000_000


class Answering:
    """Takes packs and answers ``stored`` with the highest contiguous number, as the collector does."""

    def __init__(self, port: int, *, deaf_to: int = 0, stored: int = 0) -> None:
        self.packs: list[wire.Pack] = []
        self.states: list[wire.NodeStatus] = []
        self.stored = stored
        self._deaf_to = deaf_to
        self._seen: set[int] = set()
        self._lock = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="answering")
        self._client.on_connect = self._subscribe
        self._client.on_message = self._take
        self._ready = threading.Event()
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.reconnect_delay_set(1, 1)
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    @property
    def numbers(self) -> list[int]:
        with self._lock:
            return [pack.seq for pack in self.packs if pack.seq is not None]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _subscribe(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe([("tackfree/+/+/readings", 1), ("tackfree/+/+/status", 1)])

    def _take(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/status"):
            self.states.append(wire.decode_status(message.topic, message.payload, NOW_MS))
            return
        if self._deaf_to > 0:
            self._deaf_to -= 1
            return
        pack = wire.decode_pack(message.topic, message.payload, NOW_MS, latest_ms=2**50)
        assert pack.seq is not None and pack.oldest_seq is not None
        with self._lock:
            self.packs.append(pack)
            self._seen.add(pack.seq)
            self.stored = max(self.stored, pack.oldest_seq - 1)
            while self.stored + 1 in self._seen:
                self.stored += 1
            stored = self.stored
        client.publish(wire.topic_for(BOOTH, NODE, wire.STORED), str(stored), qos=1, retain=True)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def node(broker: Broker) -> Iterator[SimulatedNode]:
    node = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE, resend_after_s=0.5)
    yield node
    node.stop()


def offer(node: SimulatedNode, count: int, first_ms: int = NOW_MS) -> list[int]:
    return [node.offer({"air_temperature": 20.5}, first_ms + 5_000 * index) for index in range(count)]


def test_a_pack_is_held_until_the_collector_says_it_is_stored(broker: Broker, node: SimulatedNode) -> None:
    assert node.start()
    assert offer(node, 3) == [1, 2, 3]
    eventually(lambda: node.repeats >= 3)  # the broker acknowledged all, yet nobody stored them
    assert node.held == 3
    collector = Answering(broker.port)
    assert node.wait_until_stored(20)
    assert node.acknowledged == 3
    assert collector.packs[0].readings[0].value == 20.5
    assert collector.packs[0].readings[0].time_ms in {NOW_MS, NOW_MS + 5_000, NOW_MS + 10_000}
    collector.close()


def test_packs_the_collector_never_took_are_sent_again(broker: Broker, node: SimulatedNode) -> None:
    collector = Answering(broker.port, deaf_to=40)
    assert node.start()
    offer(node, 100)
    assert node.wait_until_stored(20)
    assert set(collector.numbers) == set(range(1, 101))
    assert node.repeats >= 40
    collector.close()


def test_offers_made_while_the_broker_is_away_arrive_after_it_is_back(broker: Broker, node: SimulatedNode) -> None:
    collector = Answering(broker.port)
    assert node.start()
    offer(node, 10)
    assert node.wait_until_stored(10)
    broker.kill()
    offer(node, 500)
    assert node.held == 500
    broker.start()
    assert node.wait_until_stored(30)
    assert set(collector.numbers) == set(range(1, 511))
    collector.close()


def test_a_broker_that_falls_mute_is_left_and_met_again(broker: Broker) -> None:
    node = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE, puback_timeout_s=1.0)
    collector = Answering(broker.port)
    assert node.start()
    offer(node, 5)
    assert node.wait_until_stored(10)
    broker.freeze()
    offer(node, 200, NOW_MS + 10**8)
    eventually(lambda: not node.connected)
    broker.thaw()
    assert node.wait_until_stored(30)
    assert set(collector.numbers) == set(range(1, 206))
    node.stop()
    collector.close()


def test_a_new_life_goes_on_after_the_highest_stored_number(broker: Broker, node: SimulatedNode) -> None:
    collector = Answering(broker.port, stored=0)
    assert node.start()
    offer(node, 7)
    assert node.wait_until_stored(10)
    node.stop()
    second_life = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE)
    assert second_life.start()
    assert second_life.offer({"air_temperature": 21.0}, NOW_MS + 60_000) == 8
    assert second_life.wait_until_stored(10)
    second_life.stop()
    collector.close()


def test_packs_offered_before_the_number_is_known_are_not_mistaken_for_stored_ones(
    broker: Broker, node: SimulatedNode
) -> None:
    collector = Answering(broker.port)
    assert node.start()
    offer(node, 5)
    assert node.wait_until_stored(10)
    node.stop()
    second_life = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE)
    offer(second_life, 3, NOW_MS + 1_000_000)
    second_life.start()
    assert second_life.wait_until_stored(10)
    times = {reading.time_ms for pack in collector.packs for reading in pack.readings}
    assert {NOW_MS + 1_000_000, NOW_MS + 1_005_000, NOW_MS + 1_010_000} <= times
    assert second_life.acknowledged == 8
    second_life.stop()
    collector.close()


def test_a_full_spool_drops_the_oldest_counts_them_and_tells_the_collector(broker: Broker) -> None:
    node = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE, spool_packs=20)
    offer(node, 50)
    assert (node.held, node.dropped) == (20, 30)
    collector = Answering(broker.port)
    node.start()
    assert node.wait_until_stored(10)
    assert min(collector.numbers) == 31
    assert all(pack.oldest_seq is not None and pack.oldest_seq >= 31 for pack in collector.packs)
    assert node.acknowledged == 50
    node.stop()
    collector.close()


def test_a_live_sample_overtakes_the_backlog(broker: Broker, node: SimulatedNode) -> None:
    collector = Answering(broker.port)
    offer(node, 3_000)
    node.start(wait_s=0)
    eventually(lambda: node.connected)
    newest = node.offer({"air_temperature": 25.0}, NOW_MS + 10**9)
    assert node.wait_until_stored(30)
    assert set(collector.numbers) == set(range(1, 3_002))
    assert collector.numbers.index(newest) < 1_000
    collector.close()


def test_the_status_is_retained_and_ends_offline(broker: Broker, node: SimulatedNode) -> None:
    assert node.start()
    collector = Answering(broker.port)
    eventually(lambda: collector.states)
    assert collector.states[0].online
    assert collector.states[0].details["firmware"] == "simulated"
    assert collector.states[0].details["clock"] == "set"
    assert collector.states[0].details["spool"] == 0
    node.stop()
    eventually(lambda: not collector.states[-1].online)
    collector.close()


def test_a_node_that_dies_is_reported_offline_by_its_last_will(broker: Broker) -> None:
    collector = Answering(broker.port)
    program = (
        "import sys, time\nfrom collector.demo.nodes import SimulatedNode\n"
        f"SimulatedNode('127.0.0.1', {broker.port}, '{BOOTH}', '{NODE}').start()\ntime.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program]) as process:
        eventually(lambda: collector.states and collector.states[-1].online)
        process.kill()
    eventually(lambda: not collector.states[-1].online)
    collector.close()


def test_words_that_are_no_number_on_the_stored_topic_are_ignored(broker: Broker, node: SimulatedNode) -> None:
    assert node.start()
    offer(node, 2)
    intruder = mqtt.Client(CallbackAPIVersion.VERSION2)
    intruder.connect("127.0.0.1", broker.port)
    intruder.loop_start()
    for payload in (b"", b"many", b"-5", b"1.5", b"\xff\xfe", json.dumps({"stored": 9}).encode()):
        intruder.publish(wire.topic_for(BOOTH, NODE, wire.STORED), payload, qos=1).wait_for_publish(5)
    intruder.publish(wire.topic_for(BOOTH, NODE, wire.STORED), b"1", qos=1).wait_for_publish(5)
    eventually(lambda: node.acknowledged == 1)
    assert node.held == 1
    intruder.disconnect()
    intruder.loop_stop()


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_value_that_is_no_number_is_refused_by_name(value: float) -> None:
    node = SimulatedNode("127.0.0.1", 1, BOOTH, NODE)
    with pytest.raises(ValueError, match=r"air_temperature.*finite"):
        node.offer({"air_temperature": value}, NOW_MS)
    assert node.held == 0


def test_a_node_whose_broker_never_answers_can_be_stopped(tmp_path: Path) -> None:
    broker = Broker(tmp_path)  # never started: its port is free
    node = SimulatedNode("127.0.0.1", broker.port, BOOTH, NODE)
    assert not node.start(wait_s=0.2)
    offer(node, 2)
    node.stop()
    assert node.held == 2
