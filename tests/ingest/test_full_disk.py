"""A disk that is full to the last byte: a real small file system where the tests may mount one."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from collector.demo.nodes import SimulatedNode
from tests import brokers

pytestmark = pytest.mark.faults

PACKS = 3_000
START_MS = 1_790_000_000_000


class Disk(NamedTuple):
    folder: Path
    fill: Callable[[object], None]
    free: Callable[[object], None]


@pytest.fixture
def disk(tmp_path):
    """A file system of 4 MB that can be filled; without the right to mount one, SQLite's own limit on pages."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    ballast = folder / "ballast"
    if shutil.which("mount") and subprocess.run(mount, capture_output=True).returncode == 0:

        def fill(_collector: object) -> None:
            with pytest.raises(OSError, match="No space left"), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(b"\0" * 4096)

        yield Disk(folder / "data", fill, lambda _collector: ballast.unlink())
        subprocess.run(["umount", "-l", folder], check=True)
        return

    def pages(collector, most: int) -> None:
        collector.store._db.execute(f"PRAGMA max_page_count = {most}")

    yield Disk(folder / "data", lambda collector: pages(collector, 1), lambda collector: pages(collector, 10**6))


def test_on_a_full_disk_ingest_pauses_says_so_resumes_and_loses_nothing(broker, start_collector, disk):
    collector = start_collector(broker.port, disk.folder)
    collector.wait_connected()
    node = SimulatedNode("127.0.0.1", broker.port, "booth-1", "air-1", resend_after_s=1)
    assert node.start()
    node.offer({"air_temperature": 0}, START_MS)
    assert node.wait_until_stored(20)

    disk.fill(collector)
    for number in range(1, PACKS):
        node.offer({"air_temperature": number % 50}, START_MS + number)
    brokers.eventually(lambda: collector.written_state()["paused"])
    assert "full" in collector.written_state()["paused"]
    assert node.held > 0
    assert collector.store.latest("booth-1")

    disk.free(collector)
    assert node.wait_until_stored(60)
    assert node.held == 0
    node.stop()
    assert collector.values() == [number % 50 for number in range(PACKS)]
    brokers.eventually(lambda: collector.written_state()["paused"] is None)
    collector.stop()
