"""The running service, started as a person starts it and stopped as a person stops it."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
import urllib.request
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.alerts import engine
from collector.records.model import BoothSetup
from collector.records.repository import open_records

ROOT = Path(__file__).parents[2]
START_TIMEOUT_S = 120


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Running:
    process: subprocess.Popen
    lines: list[str]
    environment: dict[str, str]

    def line_with(self, word: str, timeout_s: float = START_TIMEOUT_S) -> str:
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            for line in list(self.lines):
                if word in line:
                    return line
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise AssertionError(f"no line with {word!r} in:\n{''.join(self.lines)}")

    def stop(self, number: int = signal.SIGTERM) -> int:
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(40)


@pytest.fixture
def start(tmp_path):
    started: list[Running] = []

    def run(*arguments: str, **variables: str) -> Running:
        environment = {
            **os.environ,
            "PYTHONUNBUFFERED": "1",
            "TACKFREE_DATA_FOLDER": str(tmp_path / "data"),
            "TACKFREE_MQTT_PORT": str(free_port()),
            "TACKFREE_DASHBOARD_PORT": str(free_port()),
            **variables,
        }
        process = subprocess.Popen(
            [sys.executable, "-m", "collector.cli", *arguments],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        running = Running(process, [], environment)
        threading.Thread(target=lambda: running.lines.extend(process.stdout), daemon=True).start()
        started.append(running)
        return running

    yield run
    for running in started:
        if running.process.poll() is None:
            os.killpg(running.process.pid, signal.SIGKILL)
        running.process.wait()
        running.process.stdout.close()


def tackfree(running: Running, *arguments: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "collector.cli", *arguments],
        env=running.environment,
        capture_output=True,
        text=True,
        timeout=60,
    )


def publish_by_hand(running: Running, topic: str, message: str) -> None:
    port = running.environment["TACKFREE_MQTT_PORT"]
    subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", port, "-q", "1", "-t", topic, "-m", message],
        check=True,
        timeout=20,
    )


def heard_once(running: Running, topic: str) -> str:
    port = running.environment["TACKFREE_MQTT_PORT"]
    answer = subprocess.run(
        ["mosquitto_sub", "-h", "127.0.0.1", "-p", port, "-t", topic, "-C", "1", "-W", "45"],
        capture_output=True,
        text=True,
    )
    return answer.stdout.strip()


def choose(running: Running, material: str) -> None:
    records = open_records(f"sqlite:///{running.environment['TACKFREE_DATA_FOLDER']}/records.sqlite")
    chosen = records.material(material).id
    records.set_up_booth(BoothSetup(booth="booth-1", piece_id=None, material_id=chosen, changed_at=datetime.now(UTC)))
    records.close()


def until(condition, timeout_s: float):
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := condition():
            return answer
        time.sleep(0.2)
    return None


def test_a_pack_published_by_hand_is_stored_judged_and_served(start):
    running = start("serve")
    address = running.line_with("Open ").split()[1]
    with urllib.request.urlopen(address, timeout=10) as page:
        assert page.status == 200

    pack = (
        '[{"bn":"hand:","n":"air_temperature","u":"Cel","v":21},'
        '{"n":"relative_humidity","u":"%RH","v":45},{"n":"surface_temperature","u":"Cel","v":20.5}]'
    )
    publish_by_hand(running, "tackfree/booth-1/hand/readings", pack)
    material = a_solvent_lacquer(running)

    def verdict() -> str:
        answer = tackfree(running, "check", "--material", material, "--json")
        return json.loads(answer.stdout)["verdict"]

    assert until(lambda: verdict() == "go", 8)
    damp = pack.replace('"v":45', '"v":97')
    publish_by_hand(running, "tackfree/booth-1/hand/readings", damp)
    assert until(lambda: verdict() == "hold", 8)

    choose(running, material)
    assert heard_once(running, "tackfree/booth-1/verdict") == "hold"
    clock_ms = int(heard_once(running, "tackfree/booth-1/time"))
    assert abs(clock_ms / 1000 - time.time()) < 5

    publish_by_hand(running, "tackfree/booth-1/hand/readings", '[{"n":"relative_humidity","u":"%RH","v":140}]')
    refused = until(lambda: _subject(running, "refused messages")["state"] == "warn", 8)
    assert refused
    assert "140" in _subject(running, "refused messages")["seen"]
    assert _subject(running, "broker")["state"] == "ok"
    assert _subject(running, "node booth-1/hand")["state"] == "ok"
    assert running.stop() == 0
    assert "tackfree has stopped." in "".join(running.lines)


def a_solvent_lacquer(running: Running) -> str:
    materials = tomllib.loads(tackfree(running, "export", "materials").stdout)["material"]
    return next(item["name"] for item in materials if item["chemistry"] == "solvent_lacquer")


def _subject(running: Running, subject: str) -> dict:
    findings = json.loads(tackfree(running, "doctor", "--json").stdout)
    return next(finding for finding in findings if finding["subject"] == subject)


def test_the_demo_comes_alive_and_stops_on_ctrl_c(start):
    running = start("demo", "--days", "3")
    running.line_with("Open ")
    folder = Path(running.line_with("Demo data folder").split(": ", 1)[1].strip())
    running.environment["TACKFREE_DATA_FOLDER"] = str(folder)
    assert json.loads(tackfree(running, "pieces", "--json").stdout)

    def live_nodes() -> bool:
        findings = json.loads(tackfree(running, "doctor", "--json").stdout)
        nodes = [finding for finding in findings if finding["subject"].startswith("node ")]
        return bool(nodes) and all(finding["state"] == "ok" for finding in nodes)

    assert until(live_nodes, 40)
    assert running.stop(signal.SIGINT) == 0
    assert not folder.exists()


def test_a_taken_port_is_said_with_what_to_do(start):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        running = start("serve", TACKFREE_MQTT_PORT=str(other.getsockname()[1]))
        assert running.process.wait(60) == 1
    assert "is taken" in running.line_with("Error")
    assert "embedded = false" in "".join(running.lines)


def test_a_second_service_on_one_data_folder_is_refused(start):
    first = start("serve")
    first.line_with("Open ")
    second = start("serve")
    assert second.process.wait(60) == 1
    assert "another tackfree service runs on the data folder" in second.line_with("Error")


def test_an_open_broker_needs_a_password(start):
    running = start("serve", TACKFREE_MQTT_HOST="0.0.0.0")
    assert running.process.wait(60) == 1
    assert "TACKFREE_MQTT_PASSWORD" in running.line_with("Error")


def test_a_part_that_is_killed_is_started_again(start):
    running = start("serve")
    running.line_with("Open ")
    victim = _child(running, "ingest")
    os.kill(victim, signal.SIGKILL)
    assert until(lambda: (_child(running, "ingest") or victim) != victim, 20)

    def stored_again() -> bool:
        publish_by_hand(running, "tackfree/booth-1/late/readings", '[{"n":"relative_humidity","u":"%RH","v":51}]')
        return "booth-1/late" in tackfree(running, "doctor", "--json").stdout

    assert until(stored_again, 20)


def _child(running: Running, part: str) -> int | None:
    children = Path(f"/proc/{running.process.pid}/task/{running.process.pid}/children").read_text().split()
    for child in map(int, children):
        if f"collector.service\0{part}" in Path(f"/proc/{child}/cmdline").read_text():
            return child
    return None


def test_a_failing_alert_rule_silences_no_other():
    stop, asked = threading.Event(), []

    def faulty(_now_ms: int) -> None:
        raise RuntimeError("broken rule")

    def sound(now_ms: int) -> None:
        asked.append(now_ms)
        if len(asked) == 3:
            stop.set()

    engine.run([faulty, sound], stop, 0.001, lambda: 7)
    assert asked == [7, 7, 7]
