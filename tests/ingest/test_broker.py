"""The built-in broker: who gets in, what it says when it cannot start, and that it stops when asked."""

from __future__ import annotations

import socket
import threading
from dataclasses import replace

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.broker import run_broker
from collector.errors import ServiceError
from collector.settings import Mqtt
from tests import brokers
from tests.ingest.conftest import Hand


@pytest.fixture
def settings() -> Mqtt:
    return Mqtt(port=brokers.free_port())


def answer(port: int, username: str | None, password: str | None) -> str:
    """What the broker says to a client with this login."""
    said: list[str] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="guest")
    if username is not None:
        client.username_pw_set(username, password)
    client.on_connect = lambda _c, _d, _f, reason, _p: said.append(str(reason))
    client.connect("127.0.0.1", port)
    client.loop_start()
    brokers.eventually(lambda: said)
    client.disconnect()
    client.loop_stop()
    return said[0]


def test_a_taken_port_is_named_with_what_to_do(settings):
    with socket.socket() as other:
        other.bind(("127.0.0.1", settings.port))
        other.listen()
        with pytest.raises(ServiceError) as caught:
            run_broker(settings, threading.Event())
    for words in (f"port {settings.port} on 127.0.0.1 is taken", "[mqtt] port", "embedded = false"):
        assert words in str(caught.value)


def test_an_address_open_to_others_needs_a_user_name(settings):
    with pytest.raises(ServiceError, match=r"host 0\.0\.0\.0 lets others reach .* set \[mqtt\] username"):
        run_broker(replace(settings, host="0.0.0.0"), threading.Event())


def test_an_address_this_machine_does_not_have_is_named(settings):
    elsewhere = replace(settings, host="192.0.2.1", username="shop", password="x")  # RFC 5737: nobody's address
    with pytest.raises(ServiceError, match=rf"cannot listen at port {settings.port} on 192\.0\.2\.1"):
        run_broker(elsewhere, threading.Event())


def test_without_a_user_name_this_machine_gets_in():
    with brokers.running(brokers.builtin()) as broker:
        assert answer(broker.port, None, None) == "Success"


def test_with_a_user_name_set_only_that_login_gets_in():
    with brokers.running(brokers.builtin(username="shop", password="wet film 120")) as broker:
        assert answer(broker.port, "shop", "wet film 120") == "Success"
        assert answer(broker.port, "shop", "wet film") == "Not authorized"
        assert answer(broker.port, "shop", "") == "Not authorized"
        assert answer(broker.port, "shop", None) == "Not authorized"
        assert answer(broker.port, "other", "wet film 120") == "Not authorized"
        assert answer(broker.port, None, None) == "Not authorized"


def test_it_ends_when_told_to_though_clients_are_connected():
    with brokers.running(brokers.builtin()) as broker:
        hand = Hand(broker.port)
        broker.stop()
        assert not brokers.listens(broker.port)
        hand.close()


def test_clients_that_come_and_go_are_not_worth_a_line(tmp_path):
    said = tmp_path / "stderr"
    with brokers.running(brokers.builtin(stderr=said)) as broker:
        hand = Hand(broker.port)
        hand.send(b"?")
        hand.close()
        with socket.socket() as stranger:
            stranger.connect(("127.0.0.1", broker.port))
            stranger.send(b"GET / HTTP/1.0\r\n\r\n")
        assert answer(broker.port, None, None) == "Success"
        broker.stop()
    (line,) = said.read_text().splitlines()
    assert line.endswith(f"the built-in MQTT broker listens on 127.0.0.1 port {broker.port}")


def test_what_comes_while_the_collector_is_away_is_kept_for_it(start_collector):
    with brokers.running(brokers.builtin()) as broker:
        first = start_collector(broker.port)
        first.wait_connected()
        first.stop()
        hand = Hand(broker.port)
        hand.send([{"n": "air_temperature", "u": "Cel", "v": 20.5}])
        hand.close()
        second = start_collector(broker.port)
        brokers.eventually(lambda: second.values() == [20.5])
        second.stop()


def test_a_newcomer_gets_the_retained_messages_it_asks_for_and_no_others():
    with brokers.running(brokers.builtin()) as broker:
        hand = Hand(broker.port, "tackfree/#")
        for name in ("air-1", "panel-1"):
            hand.send(b"1", f"tackfree/booth-1/{name}/stored", retain=True)
        brokers.eventually(lambda: len(hand.heard) == 2)
        newcomer = Hand(broker.port, "tackfree/booth-1/panel-1/+", client_id="newcomer")
        brokers.eventually(lambda: newcomer.heard)
        hand.send(b"2", "tackfree/booth-1/panel-1/stored")
        brokers.eventually(lambda: len(newcomer.heard) == 2)
        newcomer.close()
        hand.close()
        assert [(topic, payload) for topic, payload, _ in newcomer.heard] == [
            ("tackfree/booth-1/panel-1/stored", b"1"),
            ("tackfree/booth-1/panel-1/stored", b"2"),
        ]
