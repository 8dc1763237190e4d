"""The logins and rights that ``docs/mosquitto.conf`` explains in its comments, put to work on a real mosquitto."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from collector.demo.nodes import SimulatedNode
from tests import brokers

ADVICE = [
    line.removeprefix("#   ") for line in brokers.SHIPPED_CONFIGURATION.read_text().splitlines() if line[:4] == "#   "
]
RIGHTS = [line for line in ADVICE if line.split()[0] in ("user", "topic", "pattern")]


@pytest.fixture
def broker(tmp_path):
    """mosquitto with the file's own advice followed: passwords, and each node's rights."""
    process = brokers.mosquitto(tmp_path)
    passwords, rights, configuration = (tmp_path / name for name in ("passwords", "acl", "mosquitto.conf"))
    _write_passwords(passwords, {"collector": "c", "air-1": "a", "panel-1": "p"})
    rights.write_text("\n".join(RIGHTS) + "\n")
    for file in (passwords, rights):
        file.chmod(0o600)
    login = f"allow_anonymous false\npassword_file {passwords}\nacl_file {rights}"
    text = configuration.read_text()
    assert text.count("\nallow_anonymous true\n") == 1
    configuration.write_text(text.replace("allow_anonymous true", login))
    with brokers.running(process):
        yield process


@pytest.fixture
def collector(broker, start_collector):
    login = {"TACKFREE_MQTT_USERNAME": "collector", "TACKFREE_MQTT_PASSWORD": "c"}
    started = start_collector(broker.port, environment=login)
    started.wait_connected()
    yield started
    started.stop()


def _write_passwords(file: Path, passwords: dict[str, str]) -> None:
    program = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
    file.touch()
    for name, password in passwords.items():
        subprocess.run([program, "-b", str(file), name, password], check=True, capture_output=True)


def _send(broker, name: str, login: str, password: str, within_s: float) -> bool:
    node = SimulatedNode("127.0.0.1", broker.port, "booth-1", name, login, password, resend_after_s=1)
    node.start()
    node.offer({"air_temperature": 20}, None)
    try:
        return node.wait_until_stored(within_s)
    finally:
        node.stop()


def test_the_advice_is_there_to_follow():
    assert [line.split()[0] for line in RIGHTS] == ["user", "topic"] + ["pattern"] * 6
    assert {"allow_anonymous false", "password_file /etc/mosquitto/tackfree.passwords"} <= set(ADVICE)


def test_a_node_with_its_own_login_is_stored_and_told_so(broker, collector):
    assert _send(broker, "air-1", "air-1", "a", 20)
    assert collector.values() == [20]
    brokers.eventually(lambda: collector.store.nodes()[0].status)


def test_a_node_cannot_speak_for_another(broker, collector):
    assert not _send(broker, "air-1", "panel-1", "p", 3)
    assert _send(broker, "panel-1", "panel-1", "p", 20)
    assert [series.node for series in collector.store.series()] == ["panel-1"]


def test_nobody_gets_in_without_a_password(broker, collector):
    assert not _send(broker, "air-1", "air-1", "wrong", 3)
    assert collector.values() == []
