"""The node fits a board: every module compiles to its bytecode, and the list of sizes says so."""

from __future__ import annotations

import re
import subprocess
import sys

from tests.firmware.running import FIRMWARE


def test_every_module_compiles_and_is_listed_with_its_size() -> None:
    script = FIRMWARE.parent / "scripts" / "firmware_size.py"
    ended = subprocess.run([sys.executable, script], capture_output=True, text=True)
    assert ended.returncode == 0, ended.stderr
    listed = dict(re.findall(r"^(\S+\.py)\s+\d+\s+(\d+)$", ended.stdout, re.M))
    modules = [*FIRMWARE.glob("node/*.py"), *FIRMWARE.glob("sensors/*.py"), FIRMWARE / "main.py"]
    assert set(listed) == {str(module.relative_to(FIRMWARE)) for module in modules}
    # All of it is to leave most of the smallest board's 848 KiB of flash to the spool.
    assert sum(map(int, listed.values())) < 64 * 1024
