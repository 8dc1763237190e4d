"""The server of the pages as a process: where it listens, what it sends, how it stops."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.dashboard.serving import Pages, free_port, pages_environment, serving


@pytest.fixture
def pages(tmp_path: Path) -> Iterator[Pages]:
    with serving(tmp_path) as running:
        yield running


def test_a_taken_port_ends_with_one_clear_line(tmp_path: Path) -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "dashboard.serve"],
            env=pages_environment(tmp_path, port),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        f"tackfree dashboard: the pages cannot be served at 127.0.0.1:{port} (Address already in use); "
        "set another [dashboard] port"
    ]


def test_wrong_settings_end_with_one_clear_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.serve"],
        env={**pages_environment(tmp_path, free_port()), "TACKFREE_SHOP_UNITS": "furlongs"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "TACKFREE_SHOP_UNITS" in done.stderr


def test_sigterm_stops_it_cleanly(pages: Pages) -> None:
    pages.process.send_signal(signal.SIGTERM)
    assert pages.process.wait(20) == 0


def test_every_answer_forbids_the_browser_to_go_elsewhere(pages: Pages) -> None:
    with urllib.request.urlopen(pages.address, timeout=10) as answer:
        policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "http" not in policy


def test_it_listens_on_its_own_address_alone(pages: Pages) -> None:
    with pytest.raises(OSError), socket.create_connection(("127.0.0.2", pages.port), timeout=5):
        pass
