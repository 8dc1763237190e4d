"""The node on a real broker: who may speak, what is told, and how it comes back."""

from __future__ import annotations

import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.brokers import Broker, eventually
from tests.firmware.running import Node, Shop, micropython

Starter = Callable[..., Any]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Starter]:
    """Start brokers, shops and nodes that end with the test."""
    ends: list[Callable[[], None]] = []

    def broker(*lines: str) -> Broker:
        made = Broker(tmp_path, *lines)
        made.start()
        ends.append(made.kill)
        return made

    def shop(port: int, **options: Any) -> Shop:
        made = Shop(port, **options)
        ends.append(made.close)
        return made

    def node(port: int, **changes: Any) -> Node:
        made = Node(tmp_path, port, **changes)
        made.start()
        ends.append(made.kill)
        return made

    kinds = {"broker": broker, "shop": shop, "node": node}
    yield lambda kind, *args, **options: kinds[kind](*args, **options)
    for end in reversed(ends):
        end()


def test_every_sample_arrives_and_leaves_the_spool_only_when_stored(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    node = start("node", broker.port, soak={"samples": 50})
    eventually(lambda: shop.stored == 50)
    kept = node.kept()
    assert len(kept) == 50
    sent = {(pack.seq, r.quantity, round(r.value * 1000)) for pack in shop.packs for r in pack.readings}
    assert sent == {(index, name, number) for index, _, values in kept for name, number in values.items()}
    eventually(lambda: shop.statuses[-1].details["spool"] == 0)


def test_the_status_tells_what_an_owner_needs(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    node = start("node", broker.port, soak={"fault_every": 1})
    details = eventually(lambda: next((s.details for s in shop.statuses if s.details.get("faults")), None))
    assert details["state"] == "online"
    assert details["firmware"] and details["boot"] == 1
    assert details["clock"] == "set" and details["clock_source"] == "system"
    assert details["faults"] == {"air_temperature": "crc", "relative_humidity": "crc"}
    assert details["heap_free"] > 0 and details["uptime_s"] >= 0
    eventually(lambda: ("air_temperature", "fault: crc") in shop.remarks)
    assert node.output == ""


def test_a_node_that_loses_power_is_said_to_be_offline(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    node = start("node", broker.port, mqtt={"keepalive_s": 5})
    eventually(lambda: shop.statuses and shop.statuses[-1].online)
    node.kill()
    eventually(lambda: not shop.statuses[-1].online)


def test_a_broker_that_falls_silent_is_left_and_found_again(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    node = start("node", broker.port, mqtt={"keepalive_s": 5})
    eventually(lambda: shop.stored > 5)
    broker.freeze()
    time.sleep(9)
    before = len(node.kept())
    broker.thaw()
    eventually(lambda: shop.stored > before, 60)
    assert shop.stored >= before
    eventually(lambda: shop.statuses[-1].details.get("connects", 0) > 1)


def test_a_node_started_before_its_broker_finds_it(start: Starter, tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    node = start("node", broker.port)
    time.sleep(3)
    broker.start()
    try:
        shop = start("shop", broker.port)
        eventually(lambda: shop.stored > 10)
        assert node.running
    finally:
        broker.kill()


def test_a_node_speaks_only_with_the_right_password(start: Starter, tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch()
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "shop", "right"], check=True)
    broker = start("broker", "allow_anonymous false", f"password_file {passwords}")
    shop = start("shop", broker.port, username="shop", password="right")
    wrong = start("node", broker.port, mqtt={"username": "shop", "password": "wrong"})
    time.sleep(2)
    assert shop.packs == [] and wrong.running
    wrong.kill()
    start("node", broker.port, mqtt={"username": "shop", "password": "right"})
    eventually(lambda: shop.packs)


def test_a_wiped_node_goes_on_above_the_numbers_of_its_earlier_life(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port, answers=False)
    shop.tell("tackfree/booth-1/n1/stored", "5000")
    start("node", broker.port)
    pack = eventually(lambda: next(iter(shop.packs), None))
    assert pack.seq == 5001 and pack.oldest_seq == 5001


def test_numbers_go_on_after_a_power_cut(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    node = start("node", broker.port)
    eventually(lambda: shop.stored > 10)
    node.kill()
    before = len(node.kept())
    node.start()
    eventually(lambda: shop.stored > before + 10)
    by_seq: dict[int, set[tuple[str, int, float]]] = {}
    for pack in shop.packs:
        readings = {(r.quantity, r.time_ms, r.value) for r in pack.readings}
        assert by_seq.setdefault(pack.seq or 0, readings) == readings
    assert eventually(lambda: shop.statuses[-1].details.get("boot") == 2)


def test_an_exception_in_the_program_is_reported_and_survived(start: Starter, tmp_path: Path) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    data = tmp_path / "flash"
    data.mkdir()
    (data / "faults.log").write_text("sampler: ZeroDivisionError: of an earlier boot\n")
    start("node", broker.port)
    eventually(lambda: any("ZeroDivisionError" in str(s.details.get("errors")) for s in shop.statuses))
    eventually(lambda: shop.statuses[-1].details.get("errors") == [])
    assert "ZeroDivisionError" in (data / "faults.old").read_text()


# Time


class TimeServer:
    """Answers as an NTP server (RFC 5905) whose clock is fast by ``ahead_s``."""

    def __init__(self, ahead_s: int = 0, stratum: int = 2) -> None:
        self._ahead_s, self._stratum = ahead_s, stratum
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(10)
        self.port = self._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._answer)
        self._thread.start()

    def _answer(self) -> None:
        question, asker = self._socket.recvfrom(64)
        now = time.time() + self._ahead_s + 2_208_988_800
        stamp = struct.pack(">II", int(now) & 0xFFFFFFFF, int(now % 1 * 2**32))
        head = bytes([0x24, self._stratum, 6, 0xE9])
        self._socket.sendto(head + bytes(20) + question[40:48] + stamp + stamp, asker)
        self._socket.close()

    def close(self) -> None:
        self._thread.join()


ASK = """
import asyncio, sys, time
sys.path[:0] = ["."]
from node.clock import ask_ntp
async def main():
    began = time.ticks_ms()
    print(await ask_ntp("127.0.0.1", lambda: time.ticks_diff(time.ticks_ms(), began), int(sys.argv[1])))
asyncio.run(main())
"""


def asked(tmp_path: Path, port: int) -> subprocess.CompletedProcess[str]:
    script = tmp_path / "ask.py"
    script.write_text(ASK)
    return micropython(script, str(port))


@pytest.mark.parametrize("ahead_s", [0, 20 * 365 * 86400])
def test_the_time_of_an_ntp_server_is_read_before_and_after_2036(tmp_path: Path, ahead_s: int) -> None:
    server = TimeServer(ahead_s)
    ended = asked(tmp_path, server.port)
    server.close()
    assert ended.returncode == 0, ended.stderr
    off_ms = int(ended.stdout) - (time.time() + ahead_s) * 1000
    assert -5000 < off_ms < 1000


def test_an_ntp_server_without_the_time_is_not_believed(tmp_path: Path) -> None:
    server = TimeServer(stratum=16)
    ended = asked(tmp_path, server.port)
    server.close()
    assert "not synchronised" in ended.stdout


def test_without_ntp_the_broker_s_time_dates_also_what_was_sampled_before(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    start("node", broker.port, ntp="127.0.0.1", clock_wait_s=3600)
    eventually(lambda: shop.statuses and shop.statuses[-1].details.get("clock") == "unset")
    time.sleep(1)
    assert shop.packs == []
    told = time.time_ns() // 1_000_000
    shop.tell("tackfree/booth-1/time", str(told), retain=False)
    eventually(lambda: shop.stored > 20)
    times = sorted({r.time_ms for pack in shop.packs for r in pack.readings})
    assert told - 20_000 < times[0] < told < times[-1] <= time.time() * 1000 + 1000
    assert shop.remarks == []


def test_a_time_the_broker_kept_from_yesterday_is_not_taken(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    shop.tell("tackfree/booth-1/time", str(time.time_ns() // 1_000_000 - 86_400_000), retain=True)
    start("node", broker.port, ntp="127.0.0.1", clock_wait_s=0)
    eventually(lambda: len(shop.packs) > 5)
    assert all(s.details.get("clock") != "set" for s in shop.statuses)


def test_without_any_clock_samples_are_sent_by_age_and_flagged(start: Starter) -> None:
    broker = start("broker")
    shop = start("shop", broker.port)
    start("node", broker.port, ntp="127.0.0.1", clock_wait_s=1)
    eventually(lambda: shop.stored > 15)
    assert ("clock", "unset") in shop.remarks
    now = time.time() * 1000
    assert all(now - 30_000 < r.time_ms <= now for pack in shop.packs for r in pack.readings)


# TLS


def certificates(folder: Path, host: str) -> None:
    """A throw-away authority and a server certificate of it for ``host``."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    openssl(
        *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.pem", "-days", "2"),
        *("-subj", "/CN=shop authority"),
    )
    openssl(
        *("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "server.key", "-out", "server.csr"),
        *("-subj", f"/CN={host}"),
    )
    (folder / "names").write_text(f"subjectAltName=DNS:{host}\n")
    openssl(
        *("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"),
        *("-out", "server.pem", "-days", "2", "-extfile", "names"),
    )


def tls_broker(start: Starter, folder: Path, host: str) -> Broker:
    certificates(folder, host)
    broker: Broker = start(
        *("broker", "allow_anonymous true", f"cafile {folder}/ca.pem"),
        *(f"certfile {folder}/server.pem", f"keyfile {folder}/server.key"),
    )
    return broker


def test_over_tls_the_node_talks_to_a_broker_its_authority_vouches_for(start: Starter, tmp_path: Path) -> None:
    broker = tls_broker(start, tmp_path, "localhost")
    shop = start("shop", broker.port, host="localhost", ca_file=str(tmp_path / "ca.pem"))
    start("node", broker.port, mqtt={"host": "localhost", "ca_file": str(tmp_path / "ca.pem")})
    eventually(lambda: shop.stored > 10)


@pytest.mark.parametrize(
    ("named", "trusted", "why"),
    [
        ("elsewhere.example", "its own", "does not match with the expected CN"),
        ("localhost", "another", "not correctly signed by the trusted CA"),
    ],
)
def test_over_tls_a_broker_of_another_name_or_authority_gets_nothing(
    start: Starter, tmp_path: Path, named: str, trusted: str, why: str
) -> None:
    broker = tls_broker(start, tmp_path, named)
    other = tmp_path / "other"
    other.mkdir()
    certificates(other, named)
    authority = (tmp_path if trusted == "its own" else other) / "ca.pem"
    node = start("node", broker.port, mqtt={"host": "localhost", "ca_file": str(authority)})
    eventually(lambda: "link:" in node.output)
    assert why in node.output


def test_a_refused_password_is_named(start: Starter, tmp_path: Path) -> None:
    (tmp_path / "passwords").touch()
    broker = start("broker", "allow_anonymous false", f"password_file {tmp_path}/passwords")
    node = start("node", broker.port, mqtt={"username": "n1", "password": "wrong"})
    eventually(lambda: "refused (not authorised)" in node.output)
    assert node.running
