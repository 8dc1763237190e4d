"""How the program starts on a board that is not as it should be."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.firmware.running import micropython

GOOD = {"booth": "booth-1", "node": "n1", "mqtt": {"host": "127.0.0.1"}, "watchdog": False}
RESET = 3  # how the simulated board ends when it is to start again
START = """
import sys
sys.path[:0] = ["sim", "."]
import main
sys.exit(main.main(sys.argv[1]))
"""


def started(folder: Path, **changes: Any) -> tuple[int, str]:
    file = folder / "config.json"
    file.write_text(json.dumps({**GOOD, "data": str(folder / "flash"), **changes}))
    script = folder / "start.py"
    script.write_text(START)
    ended = micropython(script, file)
    return ended.returncode, ended.stdout + ended.stderr


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"booth": "a/b"}, "booth: 'a/b'; expected 1 to 64 letters, digits, - or _"),
        ({"sensors": [{"type": "sht4x", "bus": "main"}]}, "buses.main: missing"),
        ({"sensors": [{"type": "sht9"}]}, "sensors[0].type: 'sht9'; expected one of"),
        ({"sensors": [{"type": "ds18b20"}]}, "sensors[0].pin: missing"),
    ],
)
def test_a_mistake_in_the_configuration_is_named_and_nothing_is_started(
    tmp_path: Path, changes: dict[str, Any], said: str
) -> None:
    code, output = started(tmp_path, **changes)
    assert code == 1
    assert said in output
    assert "Traceback" not in output


def test_a_flash_that_cannot_be_written_makes_the_board_try_again(tmp_path: Path) -> None:
    code, output = started(tmp_path, data=str(tmp_path / "not" / "there"))
    assert code == RESET
    assert "ENOENT" in output
