"""Each node has a password and a few topics of its own, at mosquitto and at the built-in broker alike."""

from __future__ import annotations

import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector import node_access
from collector.errors import Conflict, RecordError
from tests.brokers import BrokerProcess, builtin, eventually, free_port, running

TOPIC = "tackfree/booth-1/air-1"


class Client:
    """A client with a login, which keeps what it is told."""

    def __init__(self, port: int, user: str, password: str, will: str | None = None) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self._granted: dict[int, int] = {}
        self._answer: list[int] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"test-{user}-{time.monotonic_ns()}")
        self.client.username_pw_set(user, password)
        if will:
            self.client.will_set(will, b"gone", qos=1)
        self.client.on_connect = lambda _c, _u, _f, reason, _p: self._answer.append(reason.value)
        self.client.on_message = lambda _c, _u, message: self.heard.append((message.topic, message.payload))
        self.client.on_subscribe = self._subscribed
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    @property
    def answered(self) -> bool:
        return bool(self._answer)

    @property
    def let_in(self) -> bool:
        eventually(lambda: self.answered)
        return self._answer[0] == 0

    def subscribe(self, topic: str) -> None:
        _, number = self.client.subscribe(topic, qos=1)
        eventually(lambda: number in self._granted)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    def cut(self) -> None:
        """End without a word, so that the last will counts."""
        self.client._sock_close()
        self.client.loop_stop()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _subscribed(self, _client: Any, _data: Any, number: int, reasons: list[Any], _properties: Any) -> None:
        self._granted[number] = reasons[0].value


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "data" / node_access.FOLDER


@pytest.fixture
def passwords(folder: Path) -> dict[str, str]:
    made = {name: node_access.register(folder, "booth-1", name) for name in ("air-1", "panel-1")}
    made["collector"] = (folder / node_access.COLLECTOR_PASSWORD).read_text().strip()
    return made


def mosquitto_with_files(folder: Path, tmp_path: Path) -> BrokerProcess:
    port = free_port()
    configuration = tmp_path / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\nuser root\nlog_type error\npersistence false\n"
        f"password_file {folder / node_access.PASSWORDS}\nacl_file {folder / node_access.ACL}\n"
    )
    return BrokerProcess(port, ["/usr/sbin/mosquitto", "-c", str(configuration)])


@pytest.fixture(params=["mosquitto", "built-in"])
def broker(
    request: pytest.FixtureRequest, folder: Path, passwords: dict[str, str], tmp_path: Path
) -> Iterator[BrokerProcess]:
    if request.param == "mosquitto":
        process = mosquitto_with_files(folder, tmp_path)
    else:
        process = builtin(username="collector", password=passwords["collector"])
        process._environment["TACKFREE_DATA_FOLDER"] = str(folder.parent)
    with running(process):
        yield process


@pytest.fixture
def collector(broker: BrokerProcess, passwords: dict[str, str]) -> Iterator[Client]:
    client = Client(broker.port, "collector", passwords["collector"])
    assert client.let_in
    client.subscribe("tackfree/#")
    yield client
    client.close()


@pytest.fixture
def air(broker: BrokerProcess, passwords: dict[str, str]) -> Iterator[Client]:
    client = Client(broker.port, "air-1", passwords["air-1"])
    assert client.let_in
    yield client
    client.close()


def test_only_the_right_password_lets_a_node_in(broker: BrokerProcess, passwords: dict[str, str]) -> None:
    def let_in(user: str, password: str) -> bool:
        client = Client(broker.port, user, password)
        try:
            return client.let_in
        finally:
            client.close()

    assert let_in("air-1", passwords["air-1"])
    assert not let_in("air-1", passwords["panel-1"])
    assert not let_in("air-1", "")
    assert not let_in("nobody", passwords["air-1"])


def test_a_node_publishes_its_own_readings_events_and_status(collector: Client, air: Client) -> None:
    for kind in ("readings", "events", "status"):
        air.publish(f"{TOPIC}/{kind}", kind.encode())
    eventually(lambda: len(collector.heard) == 3)
    assert {topic for topic, _ in collector.heard} == {f"{TOPIC}/{kind}" for kind in ("readings", "events", "status")}


def test_what_a_node_publishes_elsewhere_reaches_nobody(collector: Client, air: Client) -> None:
    collector.subscribe("elsewhere")
    for topic in (
        "tackfree/booth-1/panel-1/readings",
        "tackfree/booth-1/panel-1/status",
        "tackfree/booth-2/air-1/readings",
        "tackfree/booth-1/air-1/stored",
        "tackfree/booth-1/verdict",
        "tackfree/booth-1/air-1/readings/more",
        "elsewhere",
    ):
        air.publish(topic, b"forged", retain=True)
    air.publish(f"{TOPIC}/events", b"afterwards")
    eventually(lambda: (f"{TOPIC}/events", b"afterwards") in collector.heard)
    assert [payload for _, payload in collector.heard] == [b"afterwards"]


def test_a_node_hears_its_own_acknowledgements_and_the_booths_verdict_and_nothing_else(
    collector: Client, air: Client
) -> None:
    for topic in (f"{TOPIC}/stored", "tackfree/booth-1/verdict", "tackfree/booth-1/time"):
        air.subscribe(topic)
    air.subscribe("tackfree/#")
    air.subscribe("tackfree/booth-1/+/stored")
    air.subscribe("tackfree/booth-1/panel-1/readings")
    collector.publish("tackfree/booth-1/panel-1/stored", b"5")
    collector.publish("tackfree/booth-1/panel-1/readings", b"[]")
    collector.publish(f"{TOPIC}/stored", b"7")
    collector.publish("tackfree/booth-1/time", b"1")
    collector.publish("tackfree/booth-1/verdict", b"go")
    wanted = {(f"{TOPIC}/stored", b"7"), ("tackfree/booth-1/time", b"1"), ("tackfree/booth-1/verdict", b"go")}
    eventually(lambda: wanted <= set(air.heard))
    assert set(air.heard) == wanted


def test_a_last_will_says_nothing_in_anothers_name(
    broker: BrokerProcess, collector: Client, air: Client, passwords: dict[str, str]
) -> None:
    liar = Client(broker.port, "panel-1", passwords["panel-1"], will=f"{TOPIC}/status")
    eventually(lambda: liar.answered)  # one broker refuses the login, the other the will
    liar.cut()
    honest = Client(broker.port, "panel-1", passwords["panel-1"], will="tackfree/booth-1/panel-1/status")
    assert honest.let_in
    honest.cut()
    eventually(lambda: ("tackfree/booth-1/panel-1/status", b"gone") in collector.heard)
    assert (f"{TOPIC}/status", b"gone") not in collector.heard


def test_a_node_made_while_the_built_in_broker_runs_is_let_in_and_a_replaced_password_is_not(
    folder: Path, passwords: dict[str, str]
) -> None:
    process = builtin(username="collector", password=passwords["collector"])
    process._environment["TACKFREE_DATA_FOLDER"] = str(folder.parent)
    with running(process):
        fresh = node_access.register(folder, "booth-1", "late")
        again = node_access.register(folder, "booth-1", "air-1", replace=True)
        for user, password, right in (
            ("late", fresh, True),
            ("air-1", again, True),
            ("air-1", passwords["air-1"], False),
            ("panel-1", passwords["panel-1"], True),
        ):
            client = Client(process.port, user, password)
            assert client.let_in is right, user
            client.close()


def test_a_name_is_taken_once(folder: Path, passwords: dict[str, str]) -> None:
    before = (folder / node_access.PASSWORDS).read_text()
    with pytest.raises(Conflict, match="--replace makes a new one"):
        node_access.register(folder, "booth-1", "air-1")
    assert (folder / node_access.PASSWORDS).read_text() == before


@pytest.mark.parametrize("name", ["", "a/b", "a b", "a:b", "a\nuser b", "#", "+", "-a", "a" * 65, "collector"])
def test_a_name_that_could_mean_more_than_one_node_is_refused(folder: Path, name: str) -> None:
    with pytest.raises(RecordError):
        node_access.register(folder, "booth-1", name)


def test_replacing_keeps_what_an_owner_wrote_into_the_files(folder: Path, passwords: dict[str, str]) -> None:
    with (folder / node_access.ACL).open("a") as acl:
        acl.write("# the wall tablet\nuser tablet\ntopic read tackfree/booth-1/verdict\n")
    with (folder / node_access.PASSWORDS).open("a") as stored:
        stored.write("tablet:$7$101$AAAA$AAAA\n")
    node_access.register(folder, "booth-2", "air-1", replace=True)
    acl_text = (folder / node_access.ACL).read_text()
    assert "# the wall tablet\nuser tablet\ntopic read tackfree/booth-1/verdict\n" in acl_text
    assert acl_text.count("user air-1\n") == 1 and "booth-1/air-1" not in acl_text
    assert "tablet:$7$101$AAAA$AAAA\n" in (folder / node_access.PASSWORDS).read_text()


def test_the_files_are_for_their_owner_alone(folder: Path, passwords: dict[str, str]) -> None:
    for name in (node_access.PASSWORDS, node_access.ACL, node_access.COLLECTOR_PASSWORD):
        assert stat.S_IMODE((folder / name).stat().st_mode) == 0o600
    assert not list(folder.glob("*.new"))


def test_nodes_registered_at_once_are_all_there(folder: Path) -> None:
    names = [f"n{number}" for number in range(8)]
    makers = [threading.Thread(target=node_access.register, args=(folder, "booth-1", name)) for name in names]
    for maker in makers:
        maker.start()
    for maker in makers:
        maker.join()
    assert all(node_access.is_registered(folder, name) for name in names)


@pytest.mark.parametrize(
    "stored", ["", "plain", "$7$", "$7$x$AAAA$AAAA", "$7$0$AAAA$AAAA", "$7$101$AAAA$", "$6$AAAA$AAAA", "$7$101$é$é"]
)
def test_a_password_line_that_cannot_be_read_lets_nobody_in(stored: str) -> None:
    assert not node_access.password_fits(stored, "")
    assert not node_access.password_fits(stored, "plain")


@pytest.mark.parametrize(
    ("rule", "asked", "covered"),
    [
        ("a/b", "a/b", True),
        ("a/b", "a/c", False),
        ("a/b", "a/b/c", False),
        ("a/b/c", "a/b", False),
        ("a/+", "a/b", True),
        ("a/+", "a/+", True),
        ("a/b", "a/+", False),
        ("a/+", "a/#", False),
        ("a/#", "a/b/c", True),
        ("a/#", "a/#", True),
        ("a/#", "a/+/c", True),
        ("a/#", "b", False),
        ("a/#", "#", False),
    ],
)
def test_a_rule_covers_a_filter_only_if_it_covers_every_topic_of_it(rule: str, asked: str, covered: bool) -> None:
    assert node_access.covers(rule, asked) is covered
