"""Real brokers on free ports, which tests may kill and start again: mosquitto as shipped, and the built-in one."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).parents[1]
MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
SHIPPED_CONFIGURATION = REPOSITORY / "docs" / "mosquitto.conf"


class Process:
    """A child process that can be killed and started again."""

    def __init__(
        self, arguments: Sequence[str], environment: dict[str, str] | None = None, stderr: Path | None = None
    ) -> None:
        self._arguments = list(arguments)
        self._stderr = stderr
        self._environment = {**os.environ, **(environment or {})}
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert self._process is None
        with ExitStack() as files:
            stderr = files.enter_context(self._stderr.open("ab")) if self._stderr else None
            self._process = subprocess.Popen(
                self._arguments, env=self._environment, cwd=REPOSITORY, stdout=subprocess.DEVNULL, stderr=stderr
            )

    def kill(self) -> None:
        """As kill -9 does."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """Ask it to end, and wait."""
        self._end(signal.SIGTERM)

    def freeze(self) -> None:
        """Let it hold its connections and do nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(20)
            self._process = None


class BrokerProcess(Process):
    """A broker on a port of its own, the same after each start."""

    def __init__(
        self,
        port: int,
        arguments: Sequence[str],
        environment: dict[str, str] | None = None,
        stderr: Path | None = None,
    ) -> None:
        super().__init__(arguments, environment, stderr)
        self.port = port
        self.data: Path | None = None

    def kill_with_its_files(self) -> None:
        """As a power cut does that comes before anything reached the disk."""
        self.kill()
        if self.data is not None:
            shutil.rmtree(self.data)
            self.data.mkdir()

    def start(self) -> None:
        super().start()
        eventually(lambda: listens(self.port), 20)


class Broker(BrokerProcess):
    """A real mosquitto that remembers nothing over a restart, on a free port, with further lines of configuration."""

    def __init__(self, folder: Path, *lines: str) -> None:
        configuration = folder / "mosquitto.conf"
        super().__init__(free_port(), [MOSQUITTO, "-c", str(configuration)])
        given = "\n".join(lines or ("allow_anonymous true",))
        configuration.write_text(
            f"listener {self.port} 127.0.0.1\nmax_queued_messages 0\npersistence false\n"
            f"user root\nlog_type error\n{given}\n"
        )


def mosquitto(folder: Path, port: int | None = None) -> BrokerProcess:
    """mosquitto with the shipped configuration, at another port and folder."""
    chosen = port or free_port()
    data = folder / "mosquitto"
    data.mkdir(exist_ok=True)
    text = SHIPPED_CONFIGURATION.read_text()
    text, listeners = re.subn(r"(?m)^listener 1883 ", f"listener {chosen} ", text)
    text, places = re.subn(r"(?m)^persistence_location .*$", f"persistence_location {data}/", text)
    assert (listeners, places) == (1, 1)
    # Started by root, mosquitto becomes another user, who may not write a test's folder.
    configuration = folder / "mosquitto.conf"
    configuration.write_text(text + "\nuser root\nlog_type error\n")
    broker = BrokerProcess(chosen, [MOSQUITTO, "-c", str(configuration)])
    broker.data = data
    return broker


def builtin(port: int | None = None, stderr: Path | None = None, **settings: str) -> BrokerProcess:
    """The built-in broker, in a process of its own as the service runs it."""
    chosen = port or free_port()
    given = {"port": str(chosen), **settings}
    environment = {f"TACKFREE_MQTT_{key.upper()}": value for key, value in given.items()}
    return BrokerProcess(chosen, [sys.executable, "-m", "collector.service", "broker"], environment, stderr)


@contextmanager
def running(process: Process) -> Iterator[Process]:
    """The process, started, and killed at the end."""
    process.start()
    try:
        yield process
    finally:
        process.kill()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def eventually(promise: Callable[[], Any], within_s: float = 30.0) -> Any:
    """Wait until the promise holds and return what it gave; fail if it does not in time."""
    deadline = time.monotonic() + within_s
    while True:
        outcome = promise()
        if outcome:
            return outcome
        assert time.monotonic() < deadline, f"not within {within_s:g} s: {promise}"
        time.sleep(0.02)
