"""The real server of the pages, as a child process on a free port."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

START_TIMEOUT_S = 90.0


@dataclass(slots=True)
class Pages:
    """A running server."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes]

    @property
    def address(self) -> str:
        """Where its first page is."""
        return f"http://127.0.0.1:{self.port}"


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def pages_environment(folder: Path, port: int) -> dict[str, str]:
    """Settings of a shop on this data folder."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TACKFREE_")}
    return {
        **kept,
        "TACKFREE_DATA_FOLDER": str(folder),
        "TACKFREE_DASHBOARD_PORT": str(port),
        "TACKFREE_SHOP_TIME_ZONE": "Europe/Berlin",
        "TACKFREE_SHOP_NAME": "Test shop",
    }


def start(folder: Path, port: int) -> Pages:
    """Start a server and wait until it answers."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.serve"],
        env=pages_environment(folder, port),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    pages = Pages(folder=folder, port=port, process=process)
    deadline = time.monotonic() + START_TIMEOUT_S
    while not _answers(pages):
        if process.poll() is not None or time.monotonic() > deadline:
            stop(pages)
            raise RuntimeError(f"the pages did not come up; exit code {process.poll()}")
        time.sleep(0.1)
    return pages


def stop(pages: Pages) -> None:
    """End a server that may have ended already."""
    if pages.process.poll() is None:
        pages.process.terminate()
        try:
            pages.process.wait(20)
        except subprocess.TimeoutExpired:
            pages.process.kill()
            pages.process.wait()


@contextmanager
def serving(folder: Path) -> Iterator[Pages]:
    """A server for as long as a test needs it."""
    pages = start(folder, free_port())
    try:
        yield pages
    finally:
        stop(pages)


def _answers(pages: Pages) -> bool:
    try:
        with urllib.request.urlopen(f"{pages.address}/_stcore/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False
