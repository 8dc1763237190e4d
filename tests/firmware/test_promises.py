"""The node's own tests, under the real MicroPython interpreter: as source, and as the bytecode of a board."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.firmware.running import FIRMWARE, compiled, micropython

MODULES = sorted(file.stem for file in (FIRMWARE / "tests").glob("test_*.py"))


@pytest.mark.parametrize("module", MODULES)
def test_every_promise_of_the_node_holds(module: str) -> None:
    ended = micropython("tests/run.py", module)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert re.search(r"^[1-9]\d* ran, 0 failed$", ended.stdout, re.M), ended.stdout


def test_every_promise_holds_as_bytecode_too(tmp_path: Path) -> None:
    folder = compiled(tmp_path)
    assert list((folder / "node").glob("*.mpy")) and not list((folder / "node").glob("*.py"))
    ended = micropython("tests/run.py", folder=folder)
    assert ended.returncode == 0, ended.stdout + ended.stderr


@pytest.mark.parametrize(
    ("content", "said"),
    [("", "0 ran"), ("def test_a():\n    assert False\n", "1 failed"), ("import nothing_there\n", "1 failed")],
)
def test_a_run_without_a_passing_test_fails(tmp_path: Path, content: str, said: str) -> None:
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "run.py").write_bytes((FIRMWARE / "tests" / "run.py").read_bytes())
    (tmp_path / "tests" / "test_it.py").write_text(content)
    ended = micropython("tests/run.py", folder=tmp_path)
    assert ended.returncode == 1
    assert said in ended.stdout
