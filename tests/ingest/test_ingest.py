"""What ingest does with messages, good and bad, and with a broker, a disk or a clock that fails it."""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import closing

import pytest

from collector.demo.nodes import SimulatedNode
from collector.errors import ServiceError
from tests import brokers
from tests.ingest.conftest import Hand

GOOD = [{"n": "air_temperature", "u": "Cel", "v": 20.5}, {"n": "relative_humidity", "u": "%RH", "v": 48}]


def test_a_pack_written_by_hand_is_stored(collector, hand, now_ms):
    hand.send(GOOD)
    brokers.eventually(lambda: len(collector.values()) == 2)
    latest = {r.quantity: r for r in collector.store.latest("booth-1")}
    assert latest["air_temperature"].value == 20.5
    assert abs(latest["air_temperature"].time_ms - now_ms) < 60_000
    assert latest["relative_humidity"].node == "hand"


def test_after_the_commit_the_node_is_told_its_number_and_a_late_listener_too(collector, hand, broker, now_ms):
    numbered = [{"bt": now_ms / 1000, **GOOD[0]}, {"n": "seq", "v": 1}, {"n": "oldest_seq", "v": 1}]
    hand.send(numbered)
    brokers.eventually(lambda: hand.heard)
    assert hand.heard[0][:2] == ("tackfree/booth-1/hand/stored", b"1")
    assert collector.values() == [20.5]
    hand.close()
    late = Hand(broker.port)
    brokers.eventually(lambda: late.heard)
    late.close()
    assert late.heard == [("tackfree/booth-1/hand/stored", b"1", True)]


def test_a_pack_sent_again_is_stored_once_and_answered_again(collector, hand, now_ms):
    numbered = [{"bt": now_ms / 1000, **GOOD[0]}, {"n": "seq", "v": 1}, {"n": "oldest_seq", "v": 1}]
    hand.send(numbered)
    brokers.eventually(lambda: len(hand.heard) == 1)
    hand.send(numbered)
    brokers.eventually(lambda: len(hand.heard) == 2)
    assert [payload for _, payload, _ in hand.heard] == [b"1", b"1"]
    assert collector.values() == [20.5]


def test_button_presses_and_states_are_kept(collector, hand):
    hand.send([{"n": "button", "vs": "coat"}], "tackfree/booth-1/hand/events")
    hand.send(b'{"state":"online","spool":0}', "tackfree/booth-1/hand/status")
    brokers.eventually(lambda: collector.store.remarks("booth-1", 0, 2**60) and collector.store.nodes()[0].status)
    assert [r.text for r in collector.store.remarks("booth-1", 0, 2**60)] == ["coat"]
    assert collector.store.nodes()[0].status == {"state": "online", "spool": 0}


READINGS = "tackfree/booth-1/hand/readings"


@pytest.mark.parametrize(
    ("topic", "payload", "words"),
    [
        (READINGS, b"x" * 10_000_000, ["10000000 bytes", "at most 262144"]),
        (READINGS, b'[{"n":"air_temperature","u":"Cel","v":20.', ["not JSON"]),
        (READINGS, b"\xff\xfe", ["not JSON"]),
        (READINGS, b"", ["not JSON"]),
        (READINGS, b'[{"n":"air_temperature","u":"Cel","v":NaN}]', ["NaN", "finite"]),
        (READINGS, b'[{"n":"air_temperature","u":"Cel","v":1e999}]', ["finite"]),
        (READINGS, b'[{"n":"relative_humidity","u":"%RH","v":140}]', ["value 140", "0 to 100 %RH"]),
        (READINGS, b'[{"n":"air_temperature","u":"Cel","v":-300}]', ["value -300", "-40 to 85 Cel"]),
        (READINGS, b'[{"n":"air_temperature","u":"degF","v":70}]', ["unit 'degF'", "expected 'Cel'"]),
        (READINGS, b'[{"bt":86400,"n":"air_temperature","u":"Cel","v":20}]', ["too far ahead", "clock"]),
        (READINGS, b'[{"bt":1262304000,"n":"air_temperature","u":"Cel","v":20}]', ["before 2020", "clock"]),
        (READINGS, b'[{"bt":3786912000,"n":"air_temperature","u":"Cel","v":20}]', ["too far ahead", "clock"]),
        (READINGS, b'[{"n":"stranger:air_temperature","u":"Cel","v":20}]', ["'stranger'", "node 'hand'"]),
        ("tackfree/booth 1/hand/readings", b"[]", ["booth 'booth 1'", "letters"]),
        ("tackfree/booth-1/hand/status", b"asleep", ["status 'asleep'", "expected 'online'"]),
    ],
)
def test_bad_input_becomes_a_dead_letter_with_its_reason_and_ingest_goes_on(collector, hand, topic, payload, words):
    hand.send(payload, topic)
    hand.send(GOOD)
    brokers.eventually(lambda: len(collector.values()) == 2)
    (letter,) = collector.store.dead_letters()
    assert [word for word in words if word not in letter.reason] == []
    assert (letter.topic, letter.size, letter.payload) == (topic, len(payload), payload[:65_536])
    assert collector.ingest.state().dead_letters == 1


def test_the_good_records_of_a_pack_are_stored_and_the_bad_one_is_kept_with_the_pack(collector, hand):
    hand.send([*GOOD, {"n": "air_pressure", "u": "Pa", "v": 1013}])
    brokers.eventually(lambda: collector.store.dead_letter_count() == 1)
    assert collector.values() == [20.5, 48] or collector.values() == [48, 20.5]
    assert collector.store.dead_letters()[0].reason.startswith("record 2: air_pressure: value 1013")


def test_a_message_that_no_store_takes_is_set_aside_and_the_rest_of_its_batch_stored(collector, hand):
    with closing(sqlite3.connect(collector.settings.data.readings_file)) as database:
        database.execute(
            "CREATE TRIGGER refuse BEFORE INSERT ON reading WHEN NEW.value = 66"
            " BEGIN SELECT RAISE(ABORT, 'not 66'); END"
        )
        database.commit()
    hand.send([{"n": "air_temperature", "u": "Cel", "v": 66}])
    hand.send(GOOD)
    brokers.eventually(lambda: len(collector.values()) == 2)
    (letter,) = collector.store.dead_letters()
    assert letter.reason.startswith("cannot be stored: ValueError")
    assert "not 66" in letter.reason


def test_a_retained_state_is_not_news_each_time_the_collector_connects(broker, hand, start_collector):
    first = start_collector(broker.port)
    first.wait_connected()
    hand.send(b"offline", "tackfree/booth-1/hand/status", retain=True)
    brokers.eventually(lambda: first.store.nodes())
    said_ms = first.store.nodes()[0].status_ms
    first.stop()
    second = start_collector(broker.port)
    second.wait_connected()
    hand.send(GOOD)
    brokers.eventually(lambda: len(second.values()) == 2)
    assert second.store.nodes()[0].status_ms == said_ms


# The broker.


def test_a_broker_that_is_not_there_yet_is_waited_for(tmp_path, start_collector):
    broker = brokers.mosquitto(tmp_path)
    waiting = start_collector(broker.port)
    brokers.eventually(lambda: waiting.written_state().get("trouble"))
    assert waiting.written_state()["trouble"] == f"no broker answers at 127.0.0.1:{broker.port}"
    with brokers.running(broker):
        waiting.wait_connected()
        waiting.stop()


@pytest.mark.parametrize("kind", ["mosquitto", "built-in"])
def test_a_restarted_broker_is_found_again_and_told_the_numbers_again(kind, tmp_path, start_collector):
    broker = brokers.mosquitto(tmp_path) if kind == "mosquitto" else brokers.builtin()
    with brokers.running(broker):
        collector = start_collector(broker.port)
        collector.wait_connected()
        node = SimulatedNode("127.0.0.1", broker.port, "booth-1", "air-1", resend_after_s=1)
        try:
            node.start()
            node.offer({"air_temperature": 20}, None)
            assert node.wait_until_stored(20)
            node.stop()
            broker.kill()
            brokers.eventually(lambda: not collector.ingest.state().connected)
            assert "gone" in (collector.ingest.state().trouble or "")
            broker.start()
            collector.wait_connected()
            reborn = SimulatedNode("127.0.0.1", broker.port, "booth-1", "air-1", resend_after_s=1)
            brokers.eventually(lambda: _is_told(broker.port))
            assert reborn.start()
            assert reborn.offer({"air_temperature": 21}, None) == 2
            assert reborn.wait_until_stored(20)
            reborn.stop()
        finally:
            node.stop()
        assert collector.values() == [20, 21]
        assert collector.ingest.state().trouble is None


def _is_told(port: int) -> bool:
    listener = Hand(port)
    time.sleep(0.2)
    listener.close()
    return bool(listener.heard)


def test_a_wrong_password_is_said_in_the_state(start_collector):
    with brokers.running(brokers.builtin(username="shop", password="right")) as broker:
        login = {"TACKFREE_MQTT_USERNAME": "shop", "TACKFREE_MQTT_PASSWORD": "wrong"}
        collector = start_collector(broker.port, environment=login)
        brokers.eventually(lambda: "refuses the collector" in str(collector.written_state().get("trouble")))
        collector.stop()


def test_an_unreadable_certificate_file_is_refused_by_name(tmp_path, start_collector):
    with pytest.raises(ServiceError, match=r"ca_file .*none\.pem"):
        start_collector(1883, environment={"TACKFREE_MQTT_CA_FILE": str(tmp_path / "none.pem")})


# The disk.


def test_while_the_store_takes_no_writes_ingest_pauses_says_so_and_loses_nothing(broker, collector, caplog):
    collector.store._db.execute("PRAGMA busy_timeout = 50")
    node = SimulatedNode("127.0.0.1", broker.port, "booth-1", "air-1", resend_after_s=1)
    node.start()
    caplog.set_level(logging.INFO)
    with closing(sqlite3.connect(collector.settings.data.readings_file)) as other:
        other.execute("BEGIN IMMEDIATE")
        for number in range(500):
            node.offer({"air_temperature": number % 50}, 1_790_000_000_000 + number)
        brokers.eventually(lambda: collector.written_state()["paused"])
        assert "database is locked" in collector.written_state()["paused"]
        assert (node.held, collector.values()) == (500, [])
        other.rollback()
    assert node.wait_until_stored(60)
    node.stop()
    assert collector.values() == [number % 50 for number in range(500)]
    brokers.eventually(lambda: collector.written_state()["paused"] is None)
    said = [record.message for record in caplog.records if record.name == "collector.ingest"]
    assert len([line for line in said if "paused" in line]) == 1
    assert "the store takes writes again" in said


def test_more_than_memory_holds_is_left_to_the_broker_and_fetched_later(broker, start_collector):
    small = {"TACKFREE_INGEST_QUEUE_MESSAGES": "10", "TACKFREE_INGEST_BATCH_MESSAGES": "5"}
    collector = start_collector(broker.port, environment=small)
    collector.wait_connected()
    collector.store._db.execute("PRAGMA busy_timeout = 50")
    hand = Hand(broker.port)
    with closing(sqlite3.connect(collector.settings.data.readings_file)) as other:
        other.execute("BEGIN IMMEDIATE")
        for number in range(300):
            # Without a number of its own nobody sends it again but the broker.
            hand.send([{"bt": 1_790_000_000 + number, "n": "air_temperature", "u": "Cel", "v": number % 50}])
        brokers.eventually(lambda: collector.written_state()["paused"] and not collector.ingest.state().connected, 40)
        assert collector.ingest.state().queued <= 10
        other.rollback()
    brokers.eventually(lambda: len(collector.values()) == 300, 60)
    hand.close()
    assert collector.values() == [number % 50 for number in range(300)]


def test_stopping_while_paused_leaves_the_messages_for_the_next_start(broker, start_collector, hand):
    first = start_collector(broker.port)
    first.wait_connected()
    first.store._db.execute("PRAGMA busy_timeout = 50")
    with closing(sqlite3.connect(first.settings.data.readings_file)) as other:
        other.execute("BEGIN IMMEDIATE")
        hand.send(GOOD)
        brokers.eventually(lambda: first.ingest.state().paused)
        first.stop()
        other.rollback()
    second = start_collector(broker.port)
    brokers.eventually(lambda: len(second.values()) == 2)


# The clock.


def test_a_clock_set_back_does_not_make_right_readings_look_early(broker, hand, start_collector, caplog):
    shift_s = [0.0]
    collector = start_collector(broker.port, wall_clock=lambda: time.time() + shift_s[0])
    collector.wait_connected()
    with caplog.at_level(logging.WARNING):
        shift_s[0] = -86_400
        brokers.eventually(lambda: any("clock jumped by -86400 s" in r.message for r in caplog.records))
    hand.send([{"bt": time.time(), **GOOD[0]}])
    brokers.eventually(lambda: collector.values() == [20.5])
    assert collector.store.dead_letter_count() == 0


def test_a_clock_set_forward_is_said_and_ingest_goes_on(broker, hand, start_collector, caplog):
    shift_s = [0.0]
    collector = start_collector(broker.port, wall_clock=lambda: time.time() + shift_s[0])
    collector.wait_connected()
    with caplog.at_level(logging.WARNING):
        shift_s[0] = 7_200
        brokers.eventually(lambda: any("clock jumped by +7200 s" in r.message for r in caplog.records))
    hand.send([{"bt": time.time(), **GOOD[0]}])
    brokers.eventually(lambda: collector.values() == [20.5])


def test_a_machine_that_starts_with_an_old_clock_believes_what_the_store_knows(broker, hand, start_collector):
    first = start_collector(broker.port)
    first.wait_connected()
    hand.send([{"bt": time.time(), **GOOD[0]}])
    brokers.eventually(lambda: first.values() == [20.5])
    first.stop()
    second = start_collector(broker.port, wall_clock=lambda: time.time() - 30 * 86_400)
    second.wait_connected()
    hand.send([{"bt": time.time(), **GOOD[0], "v": 21.5}])
    brokers.eventually(lambda: second.values() == [20.5, 21.5])


# The state, and regular tasks.


def test_the_state_in_the_data_folder_tells_how_ingest_fares(collector, hand, now_ms):
    hand.send(GOOD)
    hand.send(b"?")
    brokers.eventually(lambda: collector.written_state()["stored"] == 2)
    state = collector.written_state()
    assert (state["connected"], state["paused"], state["trouble"], state["queued"]) == (True, None, None, 0)
    assert abs(state["written_ms"] - now_ms) < 60_000
    assert now_ms <= state["last_commit_ms"] <= state["written_ms"]
    assert state["dead_letters"] == 1
    collector.stop()
    assert collector.written_state()["connected"] is False


def test_a_regular_task_that_fails_stops_nothing(broker, hand, start_collector, monkeypatch):
    from collector import ingest

    monkeypatch.setattr(ingest, "TICK_S", 0.1)
    ticks: list[float] = []

    def tick() -> None:
        ticks.append(time.monotonic())
        raise RuntimeError("a fault of the task")

    collector = start_collector(broker.port, on_tick=tick)
    collector.wait_connected()
    brokers.eventually(lambda: len(ticks) > 2)
    hand.send(GOOD)
    brokers.eventually(lambda: len(collector.values()) == 2)


def test_the_last_verdict_reaches_the_nodes_though_the_broker_was_away(start_collector):
    with brokers.running(brokers.builtin()) as broker:
        collector = start_collector(broker.port)
        collector.wait_connected()
        assert collector.ingest.publish("tackfree/booth-1/verdict", "go", retain=True)
        broker.kill()
        brokers.eventually(lambda: not collector.ingest.state().connected)
        assert not collector.ingest.publish("tackfree/booth-1/verdict", "marginal", retain=True)
        assert not collector.ingest.publish("tackfree/booth-1/verdict", "hold", retain=True)
        broker.start()
        collector.wait_connected()
        lamp = Hand(broker.port, "tackfree/+/verdict")
        brokers.eventually(lambda: lamp.heard)
        lamp.close()
        assert {payload for _, payload, _ in lamp.heard} == {b"hold"}
        collector.stop()


def test_a_node_whose_retained_state_is_cleared_leaves_no_dead_letter(collector, hand):
    hand.send(b"", "tackfree/booth-1/hand/status")
    hand.send(GOOD)
    brokers.eventually(lambda: len(collector.values()) == 2)
    assert collector.store.dead_letter_count() == 0
